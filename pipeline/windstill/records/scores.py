"""What `score` measures on one frame, from its one decode."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatMap = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class TileGrid:
    """The square tiles a picture is measured on.

    `tile_px` is the tile's side in full-resolution pixels (at most 1/80 of the long side); tile (row, col)
    covers x from ``col * tile_px`` and y from ``row * tile_px``. The last row and column may be partial in
    the picture and are then left out: `rows` and `cols` count whole tiles only.
    """

    tile_px: int
    rows: int
    cols: int

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols), the shape of every per-tile map."""
        return (self.rows, self.cols)


@dataclass(frozen=True, slots=True, eq=False)
class FrameScore:
    """Measures of one frame. Every map has the grid's shape.

    Attributes
    ----------
    frame : str
        Frame name.
    width_px, height_px : int
        Upright full-resolution size, as decoded.
    reduction : int
        Full-resolution pixels per pixel of the working plane, 1, 2, 4 ...
    sharp : FloatMap
        Detail of the tile, contrast- and exposure-independent as far as the noise allows, 0 upwards;
        larger is sharper; comparable between frames of one view. 0 where there is nothing to be sharp.
    textured : bool map
        Tiles with something to be sharp (plain sky and water are False).
    luma : FloatMap
        Mean displayed brightness, 0..1.
    noise : FloatMap
        Expected noise of the working plane at the tile's brightness, standard deviation in 8-bit steps.
    fineness : FloatMap
        Gradient energy over gradient energy after a known blur, from 1 upwards: how fine the tile's detail is,
        whatever its contrast; 0 where nothing tells. `windstill.score.blur_from_fineness` makes a blur of it.
    clipped_high, clipped_low : FloatMap
        Share of the tile's pixels clipped in any channel, 0..1.
    smear_px, smear_angle_deg, smear_confidence : FloatMap
        Blind smear per tile: length in full-resolution pixels, angle 0..180 counter-clockwise as seen,
        confidence 0..1 (0 where nothing can be said).
    small : uint8 array
        Upright luma, long side at most 512, for grouping.
    thumbnail_jpeg : bytes
        Upright colour thumbnail for the report, long side at most 480.
    sharpness : float
        0..1 summary, comparable within a set.
    noise_sigma : float
        Noise in 8-bit luma steps.
    read_px : float
        Full-resolution pixels per pixel that was read from the file; above 1 for previews and reduced decodes of the
        quick check, whose working plane may even be enlarged.
    """

    frame: str
    width_px: int
    height_px: int
    reduction: int
    grid: TileGrid
    sharp: FloatMap
    textured: NDArray[np.bool_]
    luma: FloatMap
    noise: FloatMap
    fineness: FloatMap
    clipped_high: FloatMap
    clipped_low: FloatMap
    smear_px: FloatMap
    smear_angle_deg: FloatMap
    smear_confidence: FloatMap
    small: NDArray[np.uint8]
    thumbnail_jpeg: bytes
    sharpness: float
    sharp_area_pct: float
    noise_sigma: float
    frame_smear_px: float | None
    frame_smear_angle_deg: float | None
    shake_px: float | None
    clipped_high_pct: float
    clipped_low_pct: float
    decoder: str = ""
    notes: tuple[str, ...] = ()
    read_px: float = 1.0
