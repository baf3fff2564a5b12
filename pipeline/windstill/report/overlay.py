"""Maps laid over a picture: how far each tile moved, in classes that mean the same in the whole report.

Class limits are multiples of the set's tolerance, so that the same look means the same amount of retouching.
Lightness rises with the amount, tiles above tolerance are outlined and unmeasured ones hatched: the map reads
without colour.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from windstill.records import CoverageMeasure, FloatMap, SwayField, TileGrid

# Multiples of the tolerance: up to one nothing shows; 5 is where small retouching ends (outlook `touch-up`).
CLASS_LIMITS = (1.0, 2.0, 5.0, 10.0)
_SCALE = 5  # overlay pixels per tile: enough for a hatch and an outline, small enough to embed by the hundred
_CLEAR, _STILL, _HATCH, _EDGE = 0, 1, 6, 7
_FIRST_CLASS = 2
_DIM_RGBA = (20, 16, 30, 150)
_STILL_RGBA = (150, 196, 224, 92)
_HATCH_RGBA = (255, 255, 255, 205)
_EDGE_RGBA = (16, 12, 24, 235)
_GAP = 8
_GAP_RGBA = (255, 255, 255, 235)

Indexed = NDArray[np.uint8]


def _ramp(name: int, positions: list[float], alpha: int) -> list[tuple[int, int, int, int]]:
    """Colours of one of OpenCV's scales at positions 0..1."""
    steps = np.array([[min(int(256 * position), 255)] for position in positions], np.uint8)
    return [(int(r), int(g), int(b), alpha) for b, g, r in cv2.applyColorMap(steps, name)[:, 0]]


SWAY_COLOURS = _ramp(cv2.COLORMAP_INFERNO, [0.38, 0.58, 0.77, 0.97], 216)
STEP_COLOURS = 24  # different frames a coverage map can tell apart; more share a colour with a distant neighbour


def step_colours(count: int) -> list[tuple[int, int, int, int]]:
    """Colours for the frames of one set in order, dark to light."""
    shown = min(max(count, 1), STEP_COLOURS)
    return _ramp(cv2.COLORMAP_CIVIDIS, [0.08 + 0.92 * i / max(shown - 1, 1) for i in range(shown)], 150)


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """One line of a map's scale: its words and how it looks."""

    words: str
    colour: str
    pattern: str = ""


def amount_legend(tolerance_px: float) -> list[LegendEntry]:
    """The scale of sway and smear maps, in pixels."""
    limits = [f"{m * tolerance_px:g}" for m in CLASS_LIMITS]
    words = [f"up to {limits[0]} px", *(f"{a} to {b} px" for a, b in pairwise(limits)), f"over {limits[-1]} px"]
    colours = [_STILL_RGBA, *SWAY_COLOURS]
    entries = [
        LegendEntry(w, _css(c), "outlined" if i else "") for i, (w, c) in enumerate(zip(words, colours, strict=True))
    ]
    return [*entries, LegendEntry("not measured", "transparent", "hatched")]


def sway_overlay(field: SwayField, tolerance_px: float, width_px: int, height_px: int) -> Image.Image:
    """Map of one pair's sway where the merge draws on both frames; the rest is clear."""
    return _amount_map(field.grid, *_sway_amounts(field), tolerance_px, width_px, height_px)


def specks(field: SwayField, sway_px: float, tolerance_px: float) -> bool:
    """Whether the map of a pair's sway shows tiles of a higher class than the pair's largest sway."""
    length, relevant, measured = _sway_amounts(field)
    largest = length[relevant & measured & np.isfinite(length)].max(initial=0)
    return bool(_classes(largest, tolerance_px) > _classes(sway_px, tolerance_px))


def _sway_amounts(field: SwayField) -> tuple[FloatMap, NDArray[np.bool_], NDArray[np.bool_]]:
    """How far tiles swayed, which of them matter, and which were measured."""
    length = np.hypot(field.sway_x_px, field.sway_y_px)
    return length, (field.relevance >= 0.5) & field.textured, field.confidence >= 0.5


def _classes(amount_px: FloatMap | float, tolerance_px: float) -> NDArray[np.intp]:
    """Class of every amount on the scale of the legend; 0 within the tolerance."""
    return np.asarray(np.digitize(amount_px, np.array(CLASS_LIMITS) * tolerance_px, right=True), np.intp)


def smear_overlay(
    grid: TileGrid,
    smear_px: FloatMap,
    confidence: FloatMap,
    textured: NDArray[np.bool_],
    tolerance_px: float,
    width_px: int,
    height_px: int,
) -> Image.Image:
    """Map of one frame's smear over its textured tiles."""
    return _amount_map(grid, smear_px, textured, confidence >= 0.5, tolerance_px, width_px, height_px)


def changed_share(field: SwayField) -> float:
    """Share 0..1 of the relevant area that changed rather than moved, weighted by relevance."""
    relevant = (field.relevance >= 0.5) & field.textured
    weight = float(field.relevance[relevant].sum())
    return float(field.relevance[relevant & (field.changed >= 0.5)].sum()) / weight if weight else 0.0


def changed_overlay(field: SwayField, width_px: int, height_px: int) -> Image.Image:
    """Map of one pair's relevant tiles that changed in a way no displacement explains: dots and an outline."""
    changed = (field.relevance >= 0.5) & field.textured & (field.changed >= 0.5)
    canvas = _enlarge(np.zeros(field.grid.shape, np.uint8))
    y, x = np.mgrid[0 : canvas.shape[0], 0 : canvas.shape[1]]
    dots = (y % _SCALE < 2) & (x % _SCALE < 2)
    canvas[_enlarge(changed.astype(np.uint8)) > 0] = _STILL
    canvas[(_enlarge(changed.astype(np.uint8)) > 0) & dots] = _HATCH
    _outline(canvas, changed, ~changed)
    colours = [_CLEAR_RGBA, _DIM_RGBA, *([_CLEAR_RGBA] * len(SWAY_COLOURS)), _HATCH_RGBA, _EDGE_RGBA]
    return _image(canvas, field.grid, width_px, height_px, colours)


def coverage_gap(coverage: CoverageMeasure) -> NDArray[np.bool_]:
    """Tiles that some frame should serve and none does."""
    return coverage.gap if coverage.gap is not None else coverage.best < 0


def coverage_overlay(coverage: CoverageMeasure, frames: int, width_px: int, height_px: int) -> Image.Image:
    """Map of which frame serves each tile best; gaps are hatched and outlined, tiles that need none stay clear."""
    palette = step_colours(frames)
    gap = coverage_gap(coverage)
    shade = _GAP + 1 + np.clip(coverage.best, 0, None) % len(palette)
    index = np.where(coverage.best < 0, _CLEAR, shade).astype(np.uint8)
    canvas = _enlarge(index)
    _hatch(canvas, _enlarge(gap.astype(np.uint8)) > 0, _GAP, cross=True)
    _outline(canvas, gap, ~gap)
    return _image(canvas, coverage.grid, width_px, height_px, [_CLEAR_RGBA] * _GAP + [_GAP_RGBA, *palette])


_CLEAR_RGBA = (0, 0, 0, 0)


def _amount_map(
    grid: TileGrid,
    amount: FloatMap,
    relevant: NDArray[np.bool_],
    measured: NDArray[np.bool_],
    tolerance_px: float,
    width_px: int,
    height_px: int,
) -> Image.Image:
    measured = measured & np.isfinite(amount)
    classes = _classes(np.where(measured, amount, 0), tolerance_px)
    shown = relevant & measured
    index = np.where(shown, _STILL + classes, _CLEAR).astype(np.uint8)
    canvas = _enlarge(index)
    _hatch(canvas, _enlarge((relevant & ~measured).astype(np.uint8)) > 0, _HATCH)
    over = shown & (classes > 0)
    _outline(canvas, over, ~over & ~(relevant & ~measured))
    colours = [_CLEAR_RGBA, _STILL_RGBA, *SWAY_COLOURS, _HATCH_RGBA, _EDGE_RGBA]
    return _image(canvas, grid, width_px, height_px, colours)


def _enlarge(tiles: Indexed) -> Indexed:
    return np.repeat(np.repeat(tiles, _SCALE, axis=0), _SCALE, axis=1)


def _hatch(canvas: Indexed, where: NDArray[np.bool_], index: int, *, cross: bool = False) -> None:
    canvas[where & _lines(canvas.shape, cross)] = index


@lru_cache(maxsize=8)
def _lines(shape: tuple[int, ...], cross: bool) -> NDArray[np.bool_]:
    """Slanting lines over a canvas; the same for all maps of pictures of a size."""
    y, x = np.ogrid[0 : shape[0], 0 : shape[1]]
    lines: NDArray[np.bool_] = (x + y) % _SCALE == 0
    if cross:
        lines |= (x - y) % _SCALE == 0
    lines.setflags(write=False)
    return lines


def _outline(canvas: Indexed, inside: NDArray[np.bool_], outside: NDArray[np.bool_]) -> None:
    """Draw a line just inside the border between two kinds of tile."""
    big_in, big_out = _enlarge(inside.astype(np.uint8)) > 0, np.pad(_enlarge(outside.astype(np.uint8)) > 0, 1)
    near = big_out[:-2, 1:-1] | big_out[2:, 1:-1] | big_out[1:-1, :-2] | big_out[1:-1, 2:]
    canvas[big_in & near] = _EDGE


def _image(
    canvas: Indexed, grid: TileGrid, width_px: int, height_px: int, colours: list[tuple[int, int, int, int]]
) -> Image.Image:
    """An indexed image in the picture's own proportions: tiles count whole ones only, the picture may go further."""
    scale = _SCALE / grid.tile_px
    full = np.zeros((max(1, round(height_px * scale)), max(1, round(width_px * scale))), np.uint8)
    rows, cols = min(full.shape[0], canvas.shape[0]), min(full.shape[1], canvas.shape[1])
    full[:rows, :cols] = canvas[:rows, :cols]
    colours = colours + [_CLEAR_RGBA] * (_EDGE + 1 - len(colours))
    colours[_EDGE] = _EDGE_RGBA
    image = Image.fromarray(full, "P")
    image.putpalette(bytes(v for rgba in colours for v in rgba[:3]))
    image.info["transparency"] = bytes(rgba[3] for rgba in colours)
    return image


def png(image: Image.Image) -> bytes:
    """The map as it is embedded."""
    out = io.BytesIO()
    # Harder compression takes five times the time for a tenth of the size.
    image.save(out, "PNG", transparency=image.info["transparency"], compress_level=6)
    return out.getvalue()


def _css(rgba: tuple[int, int, int, int]) -> str:
    return f"#{rgba[0]:02x}{rgba[1]:02x}{rgba[2]:02x}"
