"""The worst place of a pair at 100 %, the way the photographer will meet it at the merge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np

from windstill.assess.geometry import Matrix, apply, enclosing, inverse, mapping_matrix, similarity_matrix
from windstill.assess.planes import PlaneSource
from windstill.imaging import Region, encode_jpeg
from windstill.records import CropPair, FrameScore, PairMeasure
from windstill.settings import AssessSettings

_QUALITY = 85


def cut_crops(
    pair: PairMeasure,
    scores: Mapping[str, FrameScore],
    planes: PlaneSource,
    settings: AssessSettings,
) -> PairMeasure:
    """Add crops of a and of b, brought to a's coordinates, around the worst tile of a pair."""
    if pair.worst_x_px is None or pair.worst_y_px is None:
        return pair
    score = scores[pair.frame_a]
    side_x, side_y = min(settings.crop_px, score.width_px), min(settings.crop_px, score.height_px)
    x = int(np.clip(pair.worst_x_px - side_x / 2, 0, score.width_px - side_x))
    y = int(np.clip(pair.worst_y_px - side_y / 2, 0, score.height_px - side_y))
    colour_a = planes.colour(pair.frame_a, (x, y, side_x, side_y))
    b_to_a = mapping_matrix(pair.mapping, score.width_px, score.height_px)
    other = scores[pair.frame_b]
    left, top, width, height = _shown(inverse(b_to_a), (x, y, side_x, side_y), (other.width_px, other.height_px))
    part = planes.colour(pair.frame_b, (left, top, width, height))
    to_crop = similarity_matrix(1, 0, -x, -y, (0, 0)) @ b_to_a @ similarity_matrix(1, 0, left, top, (0, 0))
    colour_b = cv2.warpPerspective(part, to_crop, (side_x, side_y), flags=cv2.INTER_LINEAR)
    return replace(
        pair,
        crops=CropPair(
            encode_jpeg(colour_a, _QUALITY), encode_jpeg(colour_b, _QUALITY), x, y, side_x, side_y
        ),
    )


def _shown(a_to_b: Matrix, region: Region, size: tuple[int, int]) -> Region:
    """The part of b, of `size` width and height, that a region of a shows; at least a pixel of it."""
    left, top, width, height = region
    corners = apply(a_to_b, np.array([(left + w, top + h) for w in (0.0, width) for h in (0.0, height)]))
    return enclosing(corners, size)
