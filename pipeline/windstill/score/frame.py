"""From decoded pixels to everything later stages need of a frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.imaging import Decoded, area_reduced, encode_jpeg, halved
from windstill.records import FloatMap, Frame, FrameScore, TileGrid
from windstill.score.kernels import brightness_and_response
from windstill.score.noise import ROUNDING_VARIANCE, immerkaer_sigma, noise_by_tile
from windstill.score.sharpness import blur_from_fineness, detail_by_tile, fineness_exponent
from windstill.score.smear import blind_smear, summarise
from windstill.score.tiles import grid_for, reduction_for, tile_share
from windstill.settings import ScoreSettings

_HALVED_TILE_PX = 4  # working pixels: tiles of two pixels of a plane half the size
_CLIP_EXCLUDES = 0.1  # share of a tile clipped beyond which its smear is not measured
_SHARPNESS_HALF = 0.1  # relative contrast per pixel that reads as sharpness 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """A frame's measures, and its working plane (uint8, upright, full size over `FrameScore.reduction`)."""

    score: FrameScore
    work: NDArray[np.uint8]


def score_frame(frame: Frame, decoded: Decoded, settings: ScoreSettings) -> Scored:
    """Measure one frame.

    Parameters
    ----------
    frame : Frame
    decoded : Decoded
        Its pixels, upright.

    Returns
    -------
    Scored
    """
    reduction = reduction_for(max(decoded.width_px, decoded.height_px), settings)
    grid = grid_for(decoded.width_px, decoded.height_px, reduction, settings)
    work = _reduce(decoded.luma, decoded.width_px, decoded.height_px, reduction)
    mean, response = brightness_and_response(work, grid, reduction)
    luma = np.asarray(mean / 255, np.float32)
    clipped_high = tile_share(decoded.clip_high, grid, decoded.clip_step_px)
    clipped_low = tile_share(decoded.clip_low, grid, decoded.clip_step_px)
    clipped = clipped_high + clipped_low
    noise = noise_by_tile(response, luma, clipped)
    # A strip has no half, and the smallest tiles would be parts of its pixels.
    by_half = settings.coarse_from_half and min(work.shape) >= 2 and grid.tile_px >= _HALVED_TILE_PX * reduction
    half = halved(work, max(work.shape) // 2) if by_half else None
    detail = detail_by_tile(work, grid, reduction, luma, noise, clipped, settings, half)
    exponent = fineness_exponent(detail.fineness[detail.textured])
    is_sharp = detail.textured & (blur_from_fineness(detail.fineness, exponent) <= settings.sharp_blur_px)
    usable = detail.textured & (clipped < _CLIP_EXCLUDES)
    smear = _smear(work, grid, reduction, usable, noise, settings)
    small = _shrink(work, settings.small_long_px) if half is None else area_reduced(half, settings.small_long_px)
    thumbnail = _shrink(decoded.colour_small, settings.thumbnail_long_px)
    strongest = float(np.percentile(detail.sharp[detail.textured], 90)) if detail.textured.any() else 0.0
    score = FrameScore(
        frame=frame.name,
        width_px=decoded.width_px,
        height_px=decoded.height_px,
        reduction=reduction,
        grid=grid,
        sharp=detail.sharp,
        textured=detail.textured,
        luma=luma,
        noise=noise,
        fineness=detail.fineness,
        clipped_high=clipped_high,
        clipped_low=clipped_low,
        smear_px=smear.length_px,
        smear_angle_deg=smear.angle_deg,
        smear_confidence=smear.confidence,
        small=small,
        thumbnail_jpeg=encode_jpeg(thumbnail, 80),
        sharpness=strongest / (strongest + _SHARPNESS_HALF),
        sharp_area_pct=100 * float(is_sharp.mean()),
        noise_sigma=_noise_full(decoded, work, float(np.median(noise))),
        frame_smear_px=smear.frame_px,
        frame_smear_angle_deg=smear.frame_angle_deg,
        shake_px=smear.shake_px,
        clipped_high_pct=_percent(decoded.clip_high),
        clipped_low_pct=_percent(decoded.clip_low),
        decoder=decoded.decoder,
    )
    return Scored(score=score, work=work)


def _percent(mask: NDArray[np.bool_]) -> float:
    return 100 * np.count_nonzero(mask) / mask.size


def _reduce(luma: NDArray[np.uint8], width_px: int, height_px: int, reduction: int) -> NDArray[np.uint8]:
    """Bring decoded luma, which may itself be reduced, to the working resolution."""
    width, height = max(width_px // reduction, 1), max(height_px // reduction, 1)
    if luma.shape == (height, width):
        return luma
    if luma.shape == (height_px, width_px):
        # Drop the odd last row or column, so that a working pixel is an exact square of full pixels.
        luma = luma[: height * reduction, : width * reduction]
    shrinks = luma.shape[0] >= height
    work: NDArray[np.uint8] = cv2.resize(
        luma, (width, height), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
    )
    return work


def _shrink(picture: NDArray[np.uint8], long_px: int) -> NDArray[np.uint8]:
    """Area-average a picture so that its long side fits; smaller pictures stay as they are."""
    height, width = picture.shape[:2]
    factor = long_px / max(height, width)
    if factor >= 1:
        return picture
    size = (max(round(width * factor), 1), max(round(height * factor), 1))
    # Means of 2 x 2 are a vectorised case of their own, areas of uneven size are not.
    shrunk: NDArray[np.uint8] = cv2.resize(halved(picture, 2 * long_px), size, interpolation=cv2.INTER_AREA)
    return shrunk


def _noise_full(decoded: Decoded, work: NDArray[np.uint8], work_sigma: float) -> float:
    """Noise at full resolution: the plainest of a lattice of patches, a few percent of the pixels.

    Of a frame decoded at a fraction of its size: what noise without structure would leave of itself there.
    """
    luma = decoded.luma
    height, width = luma.shape
    if luma.shape == work.shape:
        averaged = max(decoded.width_px, decoded.height_px) / max(height, width)
        if averaged <= 1:
            return work_sigma
        grain = max(work_sigma**2 - ROUNDING_VARIANCE, 0) * averaged**2
        return float(np.sqrt(grain + ROUNDING_VARIANCE))
    side = 64
    sigmas = [
        immerkaer_sigma(luma[y : y + side, x : x + side])
        for y in np.linspace(0, max(height - side, 0), 14).astype(int)
        for x in np.linspace(0, max(width - side, 0), 20).astype(int)
    ]
    return float(max(np.percentile(sigmas, 10), np.sqrt(ROUNDING_VARIANCE)))


@dataclass(frozen=True, slots=True, eq=False)
class _Smear:
    length_px: FloatMap
    angle_deg: FloatMap
    confidence: FloatMap
    frame_px: float | None
    frame_angle_deg: float | None
    shake_px: float | None


def _smear(
    work: NDArray[np.uint8],
    grid: TileGrid,
    reduction: int,
    usable: NDArray[np.bool_],
    noise: FloatMap,
    settings: ScoreSettings,
) -> _Smear:
    maps = blind_smear(work, grid, reduction, usable, float(np.median(noise)), settings)
    frame_px, angle, shake = summarise(maps, usable)
    return _Smear(maps.length_px, maps.angle_deg, maps.confidence, frame_px, angle, shake)
