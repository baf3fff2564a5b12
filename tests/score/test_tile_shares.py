"""Shares of clipped pixels are counted tile by tile."""

from __future__ import annotations

import numpy as np
import pytest

from windstill.records import TileGrid
from windstill.score.tiles import tile_share


@pytest.mark.parametrize(("tile_px", "tolerance"), [(72, 1e-6), (4, 1e-6), (50, 1e-6)])
def test_the_share_of_a_tile_is_that_of_its_pixels(tile_px: int, tolerance: float) -> None:
    mask = np.random.default_rng(2).random((150, 220)) < 0.3
    mask[:40, :60] = True
    grid = TileGrid(tile_px, 4 * mask.shape[0] // tile_px, 4 * mask.shape[1] // tile_px)
    share = tile_share(mask, grid, 4)
    pixels = mask.repeat(4, 0).repeat(4, 1)[: grid.rows * tile_px, : grid.cols * tile_px]
    means = pixels.reshape(grid.rows, tile_px, grid.cols, tile_px).mean((1, 3))
    assert share.shape == grid.shape
    assert np.abs(share - means).max() < tolerance
    assert not tile_share(np.zeros_like(mask), grid, 4).any()
