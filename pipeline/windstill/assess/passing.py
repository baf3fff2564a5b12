"""Sky and water that move on in one piece between two frames: no subject, whatever the distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from windstill.records import FloatMap
from windstill.settings import AssessSettings

_APART_TILES = 3  # tiles of one layer may lie this far apart: between clouds nothing is measured
_ALIKE_PX = 0.5  # full-resolution pixels by which tiles that move as one may differ
_ALIKE_SHARE = 0.1  # or this share of how far they move
_ASIDE = 0.5  # tangent of the angle between directions that count as the same
_FAINT = 2.0  # times what is just seen to have moved
_WEAK = 3.0  # times the same: noise displaces what differs by less. Petals may be as soft as clouds, and differ by more
_ROUGHLY = 0.6  # share of how far a layer moves by which weak tiles among it may be off
_HELD = 0.1  # share of what is about a cloud that may stand
_SEVERAL = 3  # clouds that move as one
_FITS = 4
_TRIED = 100  # displacements of which the one most tiles share is taken
_FOLLOWED_TILES = 3  # fewer do not tell how a layer moves
_AT_EDGE_TILES = 2  # rims are not matched
_GAPS = 0.05  # share of its columns in which none of a piece of water may be known
_OFF_TILES = 1.5  # from the line water begins at
_SLOPES = np.arange(-6, 7) * 0.02  # of that line: seven degrees to either side

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Passing:
    """The part of a displacement field that is sky or water moving on; every map has the field's shape.

    Attributes
    ----------
    x_px, y_px : FloatMap
        Displacement of the layer on its tiles, full-resolution pixels; 0 elsewhere.
    layer : bool map
        Its tiles.
    unsure : bool map
        Tiles beside it that moved the same way by less, as windows do that show part of it and part of something
        else, and weak ones of the sky that moved about as it did; what they tell of is not known.
    what : str
        "sky", "water", both or nothing, for people.
    perhaps : bool map or None
        Tiles that may be clouds by themselves, if what other pairs tell bears it out.
    way_px : tuple of float
        How far those moved, x and y.
    soft : bool map or None
        Tiles as soft as clouds are.
    """

    x_px: FloatMap
    y_px: FloatMap
    layer: Mask
    unsure: Mask
    what: str
    perhaps: Mask | None = None
    way_px: tuple[float, float] = (0.0, 0.0)
    soft: Mask | None = None


def split_passing(
    x_px: FloatMap,
    y_px: FloatMap,
    known: Mask,
    shown: Mask,
    textured: Mask,
    fineness: FloatMap,
    seen: FloatMap,
    tile_px: int,
    settings: AssessSettings,
    water: bool = True,
) -> Passing:
    """Tell sky and water that moved on as one piece from what the wind moved.

    Parameters
    ----------
    x_px, y_px : FloatMap
        Displacement per tile after the camera mapping, full-resolution pixels.
    known : bool map
        Tiles whose displacement counts as measured.
    shown : bool map
        Tiles that both frames show.
    textured : bool map
        Tiles with anything to measure.
    fineness : FloatMap
        How fine the detail is in the crisper frame (`windstill.assess.grain.fineness_without_noise`).
    seen : FloatMap
        How much each tile differs from what stands in its place, over what an eye would just see.
    tile_px : int
        Side of a tile, full-resolution pixels.
    settings : AssessSettings
    water : bool
        Whether water is looked for, or sky alone: ground that the camera shifts in steps may look like water.

    Returns
    -------
    Passing

    Notes
    -----
    What moves alike up to a slow change over the picture (an affine field, as clouds overhead are nearer than those at
    the horizon) is one layer. It is sky where its detail is soft, it spans half of the picture's width (or all that two
    views share), and nothing above it stands or moves otherwise; of a veil that hardly shows, tiles here and there are
    enough, and of clouds by themselves in a plain sky one that is wide, or several. It is water where it comes in from
    a side and spans as much, begins at a level line, moves everywhere below that and nearly as far, and ends before the
    foot of the picture. Heads of flowers are none of these: they are crisp against the sky or stand before ground that
    is still, each on a stem of its own. Nor is ground that a camera moving sideways shifts: it does not at the horizon,
    and most at the foot; so what lies below water must mostly stand.
    """
    passing_x, passing_y = np.zeros((2, *x_px.shape), np.float32)
    layers, unsure = np.zeros((2, *x_px.shape), bool)
    moved = known & (np.hypot(x_px, y_px) > settings.tolerance_px)
    soft = fineness <= settings.sky_fineness
    left = moved.copy()
    least = max(settings.passing_least_pct / 100 * float(shown.sum()), 1.0)
    faint, weak = seen < _FAINT, seen < _WEAK
    blurred = np.where(faint, 2.0, 1.0)  # what hardly differs is placed half as well
    what: list[str] = []
    perhaps, way_px = None, (0.0, 0.0)

    def take(kind: str, layer: Mask, along: NDArray[np.floating]) -> None:
        layers[layer] = True
        passing_x[layer], passing_y[layer] = along[layer].T
        what.append(kind)
        if kind == "sky":
            unsure[known & soft & weak & _roughly(layer, along, x_px, y_px)] = True

    while len(what) < 2 and left.sum() >= least:
        start = _largest_alike(x_px, y_px, left)
        if start.sum() < least:
            break
        layer, alike, along = _grown(start, x_px, y_px, known, blurred)
        if layer.sum() >= least:
            left_by = int(np.ceil(np.abs(along[layer][:, 0]).max() / tile_px))
            is_sky = _is_sky(layer, alike, soft, known, shown, settings, left_by)
            may_be_water = water and _is_even(along[layer]) and not (is_sky and _from_above(layer, shown))
            if may_be_water and _is_water(layer, moved, known, shown, textured, settings):
                rows = np.nonzero(layer.any(axis=1))[0]
                alike[: rows[0]] = alike[rows[-1] + 1 :] = False
                layer = layer | alike
                take("water", layer, along)
            elif is_sky:
                layer = layer | (alike & soft)
                take("sky", layer, along)
        left &= ~(layer | start)
    veil = moved & soft & faint & ~layers
    if "sky" not in what and veil.sum() >= least:
        start = _largest_alike(x_px, y_px, veil, joined=False)
        _, alike, along = _grown(start, x_px, y_px, known, blurred)
        layer = alike & veil
        if layer.sum() >= least and _is_sky(layer, alike, soft, known, shown, settings):
            take("sky", layer, along)
    if "sky" not in what and moved.any():
        few = _few_clouds(x_px, y_px, known & ~layers, moved & ~layers, soft, textured, shown, blurred, settings)
        if few.sure:
            take("sky", few.tiles, np.broadcast_to(few.way_px, (*x_px.shape, 2)))
        elif few.tiles.any():
            perhaps, way_px = few.tiles, few.way_px
    unsure = (unsure & ~layers) | _partly(layers, passing_x, passing_y, x_px, y_px, known)
    return Passing(passing_x, passing_y, layers, unsure, " and ".join(sorted(set(what))), perhaps, way_px, soft)


def reach_of(layer: Mask, known: Mask, what: str) -> Mask:
    """Where sky or water lies, by the tiles of it that one pair has told: other pairs may match other tiles of it.

    Parameters
    ----------
    layer : bool map
        Tiles told, at least one.
    known : bool map
        Tiles whose displacement counts as measured: what is known to stand or to move otherwise is not part of it.
    what : str
        "sky", "water" or both (`Passing.what`).

    Returns
    -------
    bool map
        From the top of the picture, or of the water, down to the lowest tiles told.
    """
    rows, cols = np.arange(layer.shape[0])[:, None], np.arange(layer.shape[1])
    at = np.nonzero(layer.any(axis=0))[0]
    tops = np.interp(cols, at, layer[:, at].argmax(axis=0)) if what == "water" else np.zeros(cols.size)
    between = (cols >= at[0] - _APART_TILES) & (cols <= at[-1] + _APART_TILES)
    return np.asarray(layer | ((rows >= tops) & _above(layer) & between & ~known))


def follow_passing(
    x_px: FloatMap, y_px: FloatMap, known: Mask, reach: Mask, settings: AssessSettings
) -> Passing | None:
    """Tell sky and water that moved on where another pair of the same view has told them.

    Between two exposures too little of them may be matched to tell them by that pair alone.

    Parameters
    ----------
    x_px, y_px : FloatMap
        Displacement per tile that is left so far, full-resolution pixels.
    known : bool map
        Tiles whose displacement counts as measured and is not told of already.
    reach : bool map
        Where they lie (`reach_of`).
    settings : AssessSettings

    Returns
    -------
    Passing or None
        What is added, its kind left open; ``None`` where nothing is.
    """
    moved = known & reach & (np.hypot(x_px, y_px) > settings.tolerance_px)
    start = _largest_alike(x_px, y_px, moved) if moved.any() else moved
    if start.sum() < _FOLLOWED_TILES:
        return None
    found, alike, along = _grown(start, x_px, y_px, known)
    near = ndimage.binary_dilation(reach, np.ones((3, 3), bool))
    added = (found | alike) & near
    # A head that swings before it does not move as the rest of it does.
    if added[known & reach].mean() < settings.sky_share:
        return None
    passing_x, passing_y = np.zeros((2, *x_px.shape), np.float32)
    passing_x[added], passing_y[added] = along[added].T
    return Passing(passing_x, passing_y, added, _partly(added, passing_x, passing_y, x_px, y_px, known), "")


def _roughly(layer: Mask, along: NDArray[np.floating], x_px: FloatMap, y_px: FloatMap) -> Mask:
    """Tiles of the sky, down to a little below the lowest of a layer, that moved about as it did."""
    went_x, went_y = np.moveaxis(along, -1, 0)
    off = np.hypot(x_px - went_x, y_px - went_y)
    return np.asarray(_above(layer, _APART_TILES) & (off <= _ROUGHLY * np.hypot(went_x, went_y)))


def _above(layer: Mask, near: int = 0) -> Mask:
    """What lies no lower than a layer, or lower by `near` tiles; between its columns the line from one to the next."""
    at = np.nonzero(layer.any(axis=0))[0]
    feet = np.interp(np.arange(layer.shape[1]), at, _lowest(layer[:, at]))
    lowest = ndimage.maximum_filter1d(feet, 2 * near + 1) + near
    return np.asarray(np.arange(layer.shape[0])[:, None] <= lowest)


def _partly(
    layer: Mask, passing_x: FloatMap, passing_y: FloatMap, x_px: FloatMap, y_px: FloatMap, known: Mask
) -> Mask:
    """Known tiles close to a layer that moved as it did in direction, and no further."""
    if not layer.any():
        return layer
    distance, nearest = ndimage.distance_transform_edt(~layer, return_indices=True)
    its_x, its_y = passing_x[tuple(nearest)], passing_y[tuple(nearest)]
    squared = np.maximum(its_x**2 + its_y**2, 1e-6)
    along, across = (x_px * its_x + y_px * its_y) / squared, (y_px * its_x - x_px * its_y) / squared
    one_way = (along > 0) & (along < 1 + 2 * _ALIKE_SHARE) & (np.abs(across) < _ASIDE * np.maximum(along, _ASIDE))
    return np.asarray(known & ~layer & (distance < 2) & one_way)


def _largest_alike(x_px: FloatMap, y_px: FloatMap, moved: Mask, joined: bool = True) -> Mask:
    """The moved tiles that move most nearly as most others do; if `joined` without gaps wider than clouds leave."""
    rows, cols = np.nonzero(moved)
    went = np.column_stack([x_px[moved], y_px[moved]])
    allowed = _allowed(went)
    tried = np.unique(np.linspace(0, len(went) - 1, _TRIED).astype(int))
    company = [(np.hypot(*(went - went[k]).T) <= allowed[k]).sum() for k in tried]
    middle = went[tried[int(np.argmax(company))]]
    alike = np.zeros(moved.shape, bool)
    # Twice as far: the rest of a layer differs by its slow change.
    near = np.hypot(*(went - middle).T) <= 2 * _allowed(middle[None])[0]
    alike[rows[near], cols[near]] = True
    if not joined:
        return alike
    bridged = ndimage.binary_dilation(alike, np.ones((3, 3), bool), iterations=_APART_TILES // 2 + 1)
    labels, count = ndimage.label(bridged)
    sizes = np.bincount(labels[alike], minlength=count + 1)
    return np.asarray(alike & (labels == int(sizes.argmax())))


def _grown(
    start: Mask, x_px: FloatMap, y_px: FloatMap, known: Mask, times: NDArray[np.floating] | float = 1.0
) -> tuple[Mask, Mask, NDArray[np.float64]]:
    """Tiles around some, and all, that move as an affine field fitted to them, and that field, (rows, cols, 2).

    `times`: by how much farther than usual each tile may be off.
    """
    rows, cols = known.shape
    where = np.stack(np.meshgrid(np.arange(cols) / cols, np.arange(rows) / rows), axis=-1)
    design = np.concatenate([where, np.ones((rows, cols, 1))], axis=-1)
    went = np.stack([x_px, y_px], axis=-1).astype(np.float64)
    layer, alike, along = start, start, went
    for _ in range(_FITS):
        plane, *_ = np.linalg.lstsq(design[layer], went[layer], rcond=None)
        along = design @ plane
        close = np.hypot(*np.moveaxis(went - along, -1, 0)) <= times * _allowed(along)
        alike = known & close & (np.hypot(*np.moveaxis(along, -1, 0)) > 2 * _ALIKE_PX)
        grown = alike & ndimage.binary_dilation(layer, np.ones((3, 3), bool), iterations=2 * _APART_TILES)
        if not grown.any() or (grown == layer).all():
            break
        layer = grown
    return layer, alike, along


def _allowed(went: NDArray[np.floating]) -> NDArray[np.floating]:
    """How far tiles that move as one may differ, for displacements along the last axis."""
    return np.asarray(np.maximum(_ALIKE_PX, _ALIKE_SHARE * np.hypot(went[..., 0], went[..., 1])))


def _is_sky(
    layer: Mask, alike: Mask, soft: Mask, known: Mask, shown: Mask, settings: AssessSettings, left_by: int = 0
) -> bool:
    """`left_by`: tiles by which it moved out of what both frames show, where nothing is left to match."""
    # Clouds far apart are one sky if all move as one.
    if soft[layer].mean() < settings.sky_share or not _is_wide(layer | (alike & soft), shown, settings, left_by):
        return False
    # What is known above moves as it does; a column's lower half may mix with the skyline.
    remaining = np.cumsum(layer[::-1], axis=0)[::-1]
    above = (remaining > layer.sum(axis=0) / 2) & known
    return bool(alike[above].mean() >= settings.sky_share)


def _from_above(layer: Mask, shown: Mask) -> bool:
    """Whether a layer reaches the upper border of what both frames show."""
    tops = np.nonzero(layer.any(axis=1))[0][0] - np.nonzero(shown.any(axis=1))[0][0]
    return bool(tops <= _AT_EDGE_TILES)


@dataclass(frozen=True, slots=True, eq=False)
class _Clouds:
    """Tiles of clouds by themselves, how far they moved, and whether they tell that the sky moves on."""

    tiles: Mask
    way_px: tuple[float, float] = (0.0, 0.0)
    sure: bool = False


def _few_clouds(
    x_px: FloatMap,
    y_px: FloatMap,
    known: Mask,
    moved: Mask,
    soft: Mask,
    textured: Mask,
    shown: Mask,
    times: NDArray[np.floating],
    settings: AssessSettings,
) -> _Clouds:
    """Clouds by themselves in a plain sky: soft, moving as one without turning, and nothing holds them.

    Heads and twigs hang together with the ground or the picture's border by what they grow on. A soft head of which no
    stem is seen looks no different; so one cloud that is wide tells that the sky moves on, or several at once.
    """
    none = np.zeros(known.shape, bool)
    if not (moved & soft).any():
        return _Clouds(none)
    start = _largest_alike(x_px, y_px, moved & soft, joined=False)
    way = float(np.median(x_px[start])), float(np.median(y_px[start]))
    off = np.hypot(x_px - way[0], y_px - way[1])
    as_one = known & soft & (off <= times * _allowed(np.array([way]))[0])
    others = known & ~as_one & (off > _ROUGHLY * np.hypot(*way))
    around = np.ones((3, 3), bool)
    # What hangs together with what stands, or with the foot of the picture.
    rest, _ = ndimage.label(textured & shown & ~as_one, around)
    holds = np.isin(rest, np.union1d(rest[others], rest[-1])) & (rest > 0)
    labels, count = ndimage.label(ndimage.binary_dilation(as_one, around))
    clouds, free, wide = none.copy(), 0, 0
    for k in range(1, count + 1):
        piece = as_one & (labels == k)
        rows, cols = (np.nonzero(piece.any(axis=axis))[0] for axis in (1, 0))
        rim = ndimage.binary_dilation(piece, around) & ~piece
        beside = rim & (np.arange(known.shape[0]) <= rows[-1])[:, None]
        above = others[:, cols] & _above(piece)[:, cols]
        if (others & beside).sum() > _HELD * beside.sum() or above.sum() > _HELD * piece.sum():
            continue
        is_free = (rim & holds).sum() <= _HELD * rim.sum()
        clouds |= piece
        free += is_free
        is_wide = cols[-1] - cols[0] + 1 >= settings.cloud_span * known.shape[1]
        wide += is_wide and (is_free or _from_above(piece, shown))
    if not clouds.any():
        return _Clouds(none)
    return _Clouds(as_one & _above(clouds), way, bool(wide or free >= _SEVERAL))


def _is_even(went: NDArray[np.float64]) -> bool:
    """Whether no part of a layer moves half as far as another: ground that a moving camera shifts does."""
    low, high = np.percentile(np.hypot(went[:, 0], went[:, 1]), (5, 95))
    return bool(low >= 0.5 * high)


def _is_water(
    layer: Mask, moved: Mask, known: Mask, shown: Mask, textured: Mask, settings: AssessSettings
) -> bool:
    cols = np.nonzero(shown.any(axis=0))[0]
    at = np.nonzero(layer.any(axis=0))[0]
    to_a_side = at[0] <= cols[0] + _AT_EDGE_TILES or at[-1] >= cols[-1] - _AT_EDGE_TILES
    without = at[-1] - at[0] + 1 - at.size  # columns: between heads there may be as many
    if not to_a_side or not _is_wide(layer, shown, settings) or without > _GAPS * at.size:
        return False
    rows, foot = np.arange(layer.shape[0])[:, None], int(np.nonzero(shown.any(axis=1))[0][-1])
    tops = layer[:, at].argmax(axis=0)
    feet = _lowest(layer[:, at])
    if float((feet >= foot - _AT_EDGE_TILES).mean()) > 1 - settings.sky_share:
        return False
    # Under a level line, which lies where the layer begins in most columns, and nowhere under what stands above it.
    others = (known & ~layer)[:, at] & (rows < tops)
    stands = np.where(others.any(axis=0), _lowest(others), -1)
    lines = rows[:, :, None] + _SLOPES[:, None] * (at - at.mean())
    fits = (lines <= tops + _OFF_TILES) & (lines >= stands - _OFF_TILES)
    begins = fits & (np.abs(lines - tops) <= _OFF_TILES)
    good = (fits.mean(axis=2) >= settings.sky_share) & (begins.mean(axis=2) >= settings.water_line_share)
    # Of a head wider than the overlap no more than a bow is seen.
    bow = abs(np.polyfit(at, tops, 2)[0]) * ((at[-1] - at[0]) / 2) ** 2
    if not good.any() or bow > _OFF_TILES:
        return False
    row, slope = np.unravel_index(int(np.argmax(np.where(good, begins.mean(axis=2), 0))), good.shape)
    line = row + _SLOPES[slope] * (at - at.mean())
    if np.median(feet - line) < settings.water_least_height * shown.any(axis=1).sum():
        return False
    # All of it that tells: between heads there is plain sky, or what stands still.
    across = np.arange(at[0], at[-1] + 1)
    between = np.zeros(layer.shape, bool)
    between[:, across] = (rows >= np.round(np.interp(across, at, line))) & (rows <= np.interp(across, at, feet))
    if layer[between & shown & (known | ~textured)].mean() < settings.sky_share:
        return False
    # Water has a shore that stands; ground that a moving camera shifts is followed by nearer ground, which shifts more.
    shore = np.zeros(layer.shape, bool)
    shore[:, across] = rows > np.interp(across, at, feet)
    shore &= known
    return bool(not shore.any() or moved[shore].mean() < 0.5)


def _lowest(mask: Mask) -> NDArray[np.intp]:
    """Lowest row of each column that has any."""
    return np.asarray(mask.shape[0] - 1 - mask[::-1].argmax(axis=0), np.intp)


def _is_wide(layer: Mask, shown: Mask, settings: AssessSettings, left_by: int = 0) -> bool:
    """Whether a layer spans half of the picture, or all that both frames show: of an overlap one head fills half."""
    if _span(layer, shown) < settings.sky_span:
        return False
    cols, at = (np.nonzero(mask.any(axis=0))[0] for mask in (shown, layer))
    edge = _AT_EDGE_TILES + left_by
    across = at[0] <= cols[0] + edge and at[-1] >= cols[-1] - edge
    return bool(across or at[-1] - at[0] + 1 >= settings.sky_span * (layer.shape[1] - 2 * _AT_EDGE_TILES))


def _span(layer: Mask, shown: Mask) -> float:
    """Share of the picture's width over which a layer reaches, gaps in all as wide as half of it aside."""
    at = np.nonzero(layer.any(axis=0))[0]
    if at.size == 0:
        return 0.0
    width = float(shown.any(axis=0).sum())
    return float(min((at[-1] - at[0] + 1) / width, 2 * at.size / width))
