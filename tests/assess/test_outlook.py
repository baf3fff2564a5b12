"""From sway to the outlook, by the contract's definitions."""

from __future__ import annotations

import numpy as np
import pytest
from layered_scenes import assess_pictures, landscape, taken, with_mover

from smear_scenes import blurred
from windstill.assess.statistics import robust_maximum, weighted_percentile

SCENE = landscape()


@pytest.mark.parametrize(
    ("radius", "dx", "outlooks"),
    [
        (40.0, 1.2, {"clean"}),
        (40.0, 6.0, {"touch-up"}),
        (45.0, 18.0, {"hard"}),
        (330.0, 12.0, {"lost"}),
    ],
)
def test_outlook_grows_with_reach_and_area(radius: float, dx: float, outlooks: set[str]) -> None:
    a = taken(with_mover(SCENE, 750, 500, radius, 0, 0), seed=1)
    b = taken(with_mover(SCENE, 750, 500, radius, dx, 0), seed=2)
    _, verdict = assess_pictures("burst", [a, b])
    assert verdict.outlook in outlooks
    assert verdict.reasons
    if outlooks != {"clean"}:
        assert " px " in verdict.reasons[0] and "%" in verdict.reasons[0]


@pytest.mark.parametrize(("moved_px", "outlook"), [(0, "touch-up"), (12, "lost")])
def test_what_is_smeared_in_every_frame_loses_the_set_only_if_it_moved(moved_px: int, outlook: str) -> None:
    """Soft water may look smeared; a bush that the wind swings through both exposures is smeared and moves."""
    smeared = blurred(SCENE, 14.0, 15.0)
    frames = []
    for k, x in enumerate((0, moved_px)):
        picture = SCENE.copy()
        picture[300:800, 300:1000] = smeared[300:800, 300 - x : 1000 - x]
        frames.append(taken(picture, seed=k))
    _, verdict = assess_pictures("burst", frames)
    assert verdict.outlook == outlook, verdict.reasons
    assert any("smeared by 1" in reason for reason in verdict.reasons)


def test_the_worst_place_is_shown_as_two_crops_where_it_moved() -> None:
    a = taken(with_mover(SCENE, 750, 500, 60, 0, 0), seed=1)
    b = taken(with_mover(SCENE, 750, 500, 60, 9, 4), seed=2)
    measure, _ = assess_pictures("burst", [a, b])
    crops = measure.pairs[0].crops
    assert crops is not None
    assert crops.x_px <= 750 <= crops.x_px + crops.width_px
    assert crops.y_px <= 500 <= crops.y_px + crops.height_px
    assert crops.a_jpeg != crops.b_jpeg


def test_the_worst_pair_is_the_one_the_largest_sway_is_of() -> None:
    """`worst_pair` and `sway_max_px` stand in one row of sets.csv: who looks the pair up must find that figure."""
    moved = [(45, 0), (45, 18), (330, 0), (330, 9)]
    measure, verdict = assess_pictures(
        "burst", [taken(with_mover(SCENE, 750, 500, radius, x, 0), seed=n) for n, (radius, x) in enumerate(moved)]
    )
    told = {(pair.frame_a, pair.frame_b): pair for pair in measure.pairs}
    assert verdict.worst_pair is not None
    assert verdict.sway_max_px == told[verdict.worst_pair].sway_max_px
    spread = told["TEST0003", "TEST0004"]
    assert (spread.sway_max_px or 0) < (verdict.sway_max_px or 0), "the pair that moved most widely moved less far"


def test_robust_maximum_needs_two_touching_tiles() -> None:
    values = np.zeros((20, 30), np.float32)
    everywhere = np.ones(values.shape, bool)
    values[3, 4] = 9
    assert robust_maximum(values, everywhere, values.size) == 0
    values[4, 5] = 7  # touches at a corner only
    assert robust_maximum(values, everywhere, values.size) == 0
    values[3, 5] = 5
    assert robust_maximum(values, everywhere, values.size) == 5


def test_robust_maximum_covers_a_share_of_large_pictures() -> None:
    values = np.zeros((60, 100), np.float32)  # 0.05 % of 6,000 tiles is three tiles
    values[10, 10:12] = 8
    assert robust_maximum(values, np.ones(values.shape, bool), values.size) == 0
    values[10, 12] = 6
    assert robust_maximum(values, np.ones(values.shape, bool), values.size) == 6


def test_weighted_percentile_follows_the_weights() -> None:
    values = np.array([1, 2, 3, 4], np.float32)
    assert weighted_percentile(values, np.ones(4, np.float32), 50) == 2
    assert weighted_percentile(values, np.array([0, 0, 0, 1], np.float32), 50) == 4
    assert weighted_percentile(values, np.zeros(4, np.float32), 50) is None


@pytest.mark.parametrize("shape", [(1, 900), (900, 1), (3, 700), (12, 12), (1, 1)])
@pytest.mark.parametrize("kind", ["bracket", "stack", "burst", "panorama"])
def test_strips_and_specks_are_unknown_or_calm_and_no_error(shape: tuple[int, int], kind: str) -> None:
    grain = np.random.default_rng(3).integers(0, 255, shape).astype(np.uint8)
    _, verdict = assess_pictures(kind, [grain, (grain // 2).astype(np.uint8)])  # type: ignore[arg-type]
    assert verdict.outlook in ("unknown", "clean", "lost")
