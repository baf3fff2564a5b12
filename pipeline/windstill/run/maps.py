"""The maps of a review for people who count in pixels of the picture, not in tiles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from windstill.records import FloatMap, SwayField, TileGrid


@dataclass(frozen=True, slots=True, eq=False)
class SwayMap:
    """The sway of one pair on the tiles of its frame a; every map has shape (rows, cols).

    Attributes
    ----------
    frame_a, frame_b : str
        As the tables write them.
    tile_px : int
        Side of a tile, full-resolution pixels.
    sway_x_px, sway_y_px, length_px : float32 array (rows, cols)
        From a to b in a's picture, full-resolution pixels, x right, y down; not-a-number where nothing could be
        measured. A length is never negative, and lower is better.
    confidence, relevance, changed : float32 array (rows, cols)
        0..1. A tile counts in the tables from confidence 0.5 and relevance 0.5 on.
    """

    frame_a: str
    frame_b: str
    tile_px: int
    sway_x_px: FloatMap
    sway_y_px: FloatMap
    length_px: FloatMap
    confidence: FloatMap
    relevance: FloatMap
    changed: FloatMap

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, right, bottom, top in picture coordinates, as matplotlib's ``imshow(extent=...)`` takes it."""
        return extent_of(TileGrid(self.tile_px, *self.length_px.shape))

    def at(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Sway (x, y) of the tile that shows a point of frame a.

        Parameters
        ----------
        x_px, y_px : float
            Picture coordinates: upright, full resolution, 0 at the upper left pixel's centre.

        Raises
        ------
        IndexError
            The point lies on no whole tile.
        """
        row, col = int((y_px + 0.5) // self.tile_px), int((x_px + 0.5) // self.tile_px)
        rows, cols = self.length_px.shape
        if not (0 <= row < rows and 0 <= col < cols):
            raise IndexError(f"({x_px:g}, {y_px:g}) lies outside the tiles, {cols * self.tile_px} x "
                             f"{rows * self.tile_px} px")  # fmt: skip
        return float(self.sway_x_px[row, col]), float(self.sway_y_px[row, col])


def sway_map(frame_a: str, frame_b: str, field: SwayField) -> SwayMap:
    """A pair's measured field, with nothing where nothing was measured."""
    known = field.confidence > 0
    x, y = (np.where(known, sway, np.nan).astype(np.float32) for sway in (field.sway_x_px, field.sway_y_px))
    return SwayMap(
        frame_a, frame_b, field.grid.tile_px, x, y, np.hypot(x, y), field.confidence, field.relevance, field.changed
    )


def extent_of(grid: TileGrid) -> tuple[float, float, float, float]:
    """Left, right, bottom, top of a grid's tiles in picture coordinates: half a pixel out from the outer centres."""
    return -0.5, grid.cols * grid.tile_px - 0.5, grid.rows * grid.tile_px - 0.5, -0.5
