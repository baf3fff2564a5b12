"""Two views: parallax of the ground is the camera's, a moved head the wind's; what cannot be joined is unknown."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from layered_scenes import Picture, assess_pictures, landscape, taken, with_mover

WIDE = landscape(2400)


def views(second: Picture, nearness_px: float = 0.0) -> list[np.ndarray]:
    """Two views that share 500 of 1500 columns; in the second the ground shifts by up to `nearness_px` at the foot."""
    height = second.shape[0]
    ys, xs = np.mgrid[:height, : second.shape[1]].astype(np.float32)
    foot = np.clip((ys - 0.5 * height) / (0.5 * height), 0, 1) * np.float32(nearness_px)
    seen = cv2.remap(second, xs + foot, ys, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return [taken(WIDE[:, :1500], seed=1), taken(seen[:, 900:2400], seed=2)]


def test_calm_views_that_line_up_are_clean() -> None:
    measure, verdict = assess_pictures("panorama", views(WIDE))
    assert verdict.outlook == "clean"
    assert (measure.pairs[0].parallax_px or 0.0) < 1


def test_parallax_of_the_ground_is_named_and_not_called_sway() -> None:
    measure, verdict = assess_pictures("panorama", views(WIDE, nearness_px=8.0))
    pair = measure.pairs[0]
    assert pair.parallax_px == pytest.approx(8, abs=3)
    assert verdict.outlook in ("clean", "touch-up")
    assert any("near things shift" in reason for reason in verdict.reasons)


def test_a_head_that_moved_in_the_overlap_is_sway() -> None:
    first = taken(with_mover(WIDE, 1200, 800, 60, 0, 0)[:, :1500], seed=1)
    second = taken(with_mover(WIDE, 1200, 800, 60, 9, -4)[:, 900:2400], seed=2)
    measure, _ = assess_pictures("panorama", [first, second])
    assert measure.pairs[0].sway_max_px == pytest.approx(np.hypot(9, 4), abs=0.5)
    assert (measure.pairs[0].parallax_px or 0.0) < 2


def test_views_that_share_nothing_are_unknown_not_lost() -> None:
    other = landscape(1500, photograph="flower.jpg")
    _, verdict = assess_pictures("panorama", [taken(WIDE[:, :1500], seed=1), taken(other, seed=2)])
    assert verdict.outlook == "unknown"
