"""What must hold of sway whatever moved: turned round with the pair, scaled with the picture, the same in any light."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from layered_scenes import assess_pictures, landscape, taken, with_mover
from numpy.typing import NDArray

from windstill.assess.matching import DX, DY, RESIDUAL, START_RESIDUAL, START_ZNCC, ZNCC, refine_windows
from windstill.records import PairMeasure
from windstill.records.levels import BLACK, WHITE
from windstill.settings import AssessSettings

SCENE = landscape(900)
FEW = settings(max_examples=4, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
MOVES = st.tuples(st.floats(2, 14), st.floats(0, 2 * np.pi)).map(lambda m: (m[0] * np.cos(m[1]), m[0] * np.sin(m[1])))
PLACES = st.tuples(st.integers(225, 675), st.integers(190, 410))


def frames(place: tuple[int, int], move: tuple[float, float], radius: float = 75) -> list[NDArray[np.float32]]:
    """The scene with a disc, before and after it moved."""
    return [with_mover(SCENE, *place, radius, 0, 0), with_mover(SCENE, *place, radius, *move)]


def pair_of(pictures: list[NDArray[np.uint8]]) -> PairMeasure:
    return assess_pictures("burst", pictures)[0].pairs[0]


def sway_at(pair: PairMeasure, x: float, y: float) -> NDArray[np.float64]:
    """Median sway of the sure tiles about a place, full-resolution pixels."""
    field = pair.field
    assert field is not None
    row, col = int(y // field.grid.tile_px), int(x // field.grid.tile_px)
    about = (slice(row - 1, row + 2), slice(col - 1, col + 2))
    sure = field.confidence[about] >= 0.5
    assert sure.any()
    return np.array([np.median(m[about][sure]) for m in (field.sway_x_px, field.sway_y_px)])


@FEW
@given(place=PLACES, move=MOVES)
def test_swapping_the_frames_turns_the_sway_round(place: tuple[int, int], move: tuple[float, float]) -> None:
    a, b = (taken(picture, seed=i) for i, picture in enumerate(frames(place, move)))
    forth, back = pair_of([a, b]), pair_of([b, a])
    there = (place[0] + move[0], place[1] + move[1])
    assert sway_at(forth, *place) == pytest.approx(move, abs=0.3, rel=0.08)
    assert sway_at(back, *there) == pytest.approx(np.negative(move), abs=0.3, rel=0.08)
    assert forth.sway_max_px == pytest.approx(back.sway_max_px, abs=0.4)


@FEW
@given(place=PLACES, move=MOVES, factor=st.sampled_from([1.5, 2.0, 2.5]))
def test_a_larger_picture_sways_by_as_much_more(
    place: tuple[int, int], move: tuple[float, float], factor: float
) -> None:
    pictures = frames(place, move)
    larger = [cv2.resize(p, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC) for p in pictures]
    small, large = (pair_of([taken(p, seed=i) for i, p in enumerate(size)]) for size in (pictures, larger))
    assert small.sway_max_px is not None
    assert large.sway_max_px == pytest.approx(factor * small.sway_max_px, abs=0.4, rel=0.03)


@FEW
@given(place=PLACES, move=MOVES, gain=st.floats(0.6, 1.0), lift=st.floats(0, 30))
def test_light_that_changes_alike_changes_no_sway(
    place: tuple[int, int], move: tuple[float, float], gain: float, lift: float
) -> None:
    a, b = frames(place, move)
    dimmed = pair_of([taken(a, seed=1), taken(gain * b + lift * (1 - gain), seed=2)])
    assert sway_at(dimmed, *place) == pytest.approx(move, abs=0.3, rel=0.08)
    assert dimmed.mapping.shift_px < 0.1


def test_frames_that_lie_close_enough_are_compared_as_they_lie() -> None:
    a, b = frames((450, 300), (6.0, 0.0))
    moved = cv2.warpAffine(b, np.array([[1.0, 0, 0.3], [0, 1, 0]]), b.shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    pictures = [taken(p, seed=i) for i, p in enumerate((a, moved))]
    laid, left = (
        assess_pictures("burst", pictures, AssessSettings(laid_enough_px=px))[0].pairs[0] for px in (0.0, 1.0)
    )
    assert laid.sway_p50_px == pytest.approx(0, abs=0.1) and left.sway_p50_px == pytest.approx(0.3, abs=0.1)
    assert sway_at(left, 450, 300) == pytest.approx((6.3, 0), abs=0.3)


@FEW
@given(place=PLACES, move=MOVES)
def test_halved_pictures_show_the_same_sway_less_closely(place: tuple[int, int], move: tuple[float, float]) -> None:
    pictures = [taken(p, seed=i) for i, p in enumerate(frames(place, move))]
    coarser = AssessSettings(sway_halved=1, least_half_window=6)
    halved = assess_pictures("burst", pictures, coarser)[0].pairs[0]
    assert sway_at(halved, *place) == pytest.approx(move, abs=0.5, rel=0.08)


def test_what_is_known_of_rest_is_what_rest_shows() -> None:
    a, b = (taken(p, seed=i) for i, p in enumerate(frames((450, 300), (6.0, 0.0))))
    centres = np.array([(450.0, 300.0), (200.0, 200.0), (2.0, 300.0), (700.5, 410.5)])
    led, resting = (
        refine_windows(a, b, centres, np.zeros((4, 2)), 9, BLACK, WHITE, steps, 4.0, 4, 0.01) for steps in (10, 0)
    )
    assert np.hypot(led[0, DX], led[0, DY]) > 2 and resting[0, DX] == 0
    assert np.array_equal(led[:, [START_ZNCC, START_RESIDUAL]], resting[:, [ZNCC, RESIDUAL]])
