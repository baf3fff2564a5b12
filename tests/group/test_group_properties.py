"""What must hold whatever was photographed."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import timedelta, timezone
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from group.light_shoots import FOCUS, Camera, Look
from windstill.group import group_frames
from windstill.records import Frame, Grouping
from windstill.settings import GroupSettings

QUICK = settings(max_examples=5, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def evening(data: bool = True) -> Camera:
    """One of each, a stray among them."""
    camera = Camera(data=data)
    camera.bracket(Look(21), (0, -2, 2), "bracket")
    camera.wait(70)
    camera.stack(Look(22), FOCUS[:3], "stack", idle_s=2)
    camera.shoot(Look(23, x=2.0), "stray", idle_s=2)
    camera.stack(Look(22), FOCUS[3:], "stack", idle_s=2)
    camera.wait(80)
    for k in range(2):
        camera.bracket(Look(24, x=0.4 + 0.65 * k), (0, -2, 2), "panorama", f"view {k}")
        camera.wait(3)
    camera.wait(90)
    for _ in range(4):
        camera.shoot(Look(25), "burst", idle_s=2)
    return camera


def sets_of(grouping: Grouping) -> set[tuple[object, ...]]:
    return {(s.set_id, s.parent_set, s.kind, s.members, s.frames) for s in grouping.sets}


def shifted(frame: Frame, by: timedelta) -> Frame:
    moment = frame.camera.captured_at
    assert moment is not None
    return replace(frame, camera=replace(frame.camera, captured_at=moment + by))


TIMED, UNTIMED = evening(), evening(data=False)


@cache
def straight(data: bool) -> Grouping:
    """The evening as it was taken, grouped: what every change is compared with."""
    camera = TIMED if data else UNTIMED
    return group_frames(camera.frames, camera.scores, GroupSettings())


@QUICK
@given(order=st.permutations(range(len(TIMED.frames))), data=st.booleans())
def test_the_order_of_input_never_matters(order: list[int], data: bool) -> None:
    camera = TIMED if data else UNTIMED
    mixed = group_frames([camera.frames[i] for i in order], camera.scores, GroupSettings())
    assert mixed == straight(data)


@QUICK
@given(seconds=st.integers(-10**8, 10**8), micro=st.sampled_from([0, 250_000, 500_000]))
def test_a_clock_set_otherwise_changes_nothing(seconds: int, micro: int) -> None:
    by = timedelta(seconds=seconds, microseconds=micro)
    moved = group_frames([shifted(f, by) for f in TIMED.frames], TIMED.scores, GroupSettings())
    assert moved.sets == straight(True).sets


def test_a_time_zone_written_or_not_changes_nothing() -> None:
    aware = []
    for frame in TIMED.frames:
        moment = frame.camera.captured_at
        assert moment is not None
        local = moment.replace(tzinfo=timezone(timedelta(hours=1)))
        aware.append(replace(frame, camera=replace(frame.camera, captured_at=local)))
    assert group_frames(aware, TIMED.scores, GroupSettings()).sets == straight(True).sets
    # One file that lost its offset must not fly off by an hour.
    mixed = [aware[0], TIMED.frames[1], *aware[2:]]
    assert group_frames(mixed, TIMED.scores, GroupSettings()).sets == straight(True).sets


@QUICK
@given(hours=st.sampled_from([-30, -3, 2, 500]), what=st.integers(40, 43), copies=st.integers(1, 3))
def test_a_far_frame_never_changes_other_sets(hours: int, what: int, copies: int) -> None:
    far = Camera(counter=5001, clock=TIMED.clock + timedelta(hours=hours))
    for _ in range(copies):
        far.shoot(Look(what, focus_dpt=0.5))
    alone = sets_of(straight(True))
    both = group_frames([*TIMED.frames, *far.frames], {**TIMED.scores, **far.scores}, GroupSettings())
    assert alone <= sets_of(both)
    assert {f.name for f in far.frames} == {n for s in both.sets for n in s.frames} - {f.name for f in TIMED.frames}


@pytest.mark.parametrize("camera", [TIMED, UNTIMED], ids=["timed", "untimed"])
def test_every_frame_has_one_innermost_set_and_members_add_up(camera: Camera) -> None:
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    by_id = grouping.by_id()
    assert set(grouping.placements) == {f.name for f in camera.frames}
    assert len(by_id) == len(grouping.sets)
    for node in grouping.sets:
        assert node.set_id == f"{node.frames[0]}~{node.kind}"
        below = [n for m in node.members for n in (by_id[m].frames if m in by_id else (m,))]
        assert sorted(below) == sorted(node.frames)
        assert node.parent_set is None or set(node.frames) < set(by_id[node.parent_set].frames)
        assert (node.kind == "single") == (len(node.frames) == 1)
        assert node.why
    for name, place in grouping.placements.items():
        children = [c for c in grouping.children(place.set_id) if name in c.frames]
        assert name in by_id[place.set_id].frames and not children
    seen: set[str] = set()
    for node in grouping.sets:
        assert node.parent_set is None or node.parent_set in seen
        seen.add(node.set_id)


def test_frames_that_could_not_be_decoded_are_placed_by_camera_data() -> None:
    without = {k: v for i, (k, v) in enumerate(TIMED.scores.items()) if i not in (1, 12)}
    grouping = group_frames(TIMED.frames, without, GroupSettings())
    assert set(grouping.placements) == {f.name for f in TIMED.frames}
    bracket = grouping.by_id()[f"{TIMED.frames[0].name}~bracket"]
    assert bracket.frames == tuple(f.name for f in TIMED.frames[:3])
    assert group_frames(TIMED.frames, {}, GroupSettings()).placements.keys() == grouping.placements.keys()


def test_no_frames_give_no_sets() -> None:
    assert group_frames([], {}, GroupSettings()) == Grouping((), {})


def test_derived_frames_join_no_set() -> None:
    frames = [replace(f, derived=True) if i == 1 else f for i, f in enumerate(TIMED.frames)]
    grouping = group_frames(frames, TIMED.scores, GroupSettings())
    assert all(TIMED.frames[1].name not in s.frames for s in grouping.sets)
    assert TIMED.frames[1].name not in grouping.placements


def vigil(count: int) -> Camera:
    camera = Camera(counter=1)
    for _ in range(count):
        camera.shoot(Look(31), idle_s=2.5)
    return camera


def test_a_long_vigil_is_one_burst_at_linear_cost() -> None:
    took = []
    for count in (100, 400):
        camera = vigil(count)
        tries = []
        for _ in range(3):
            start = time.process_time()
            grouping = group_frames(camera.frames, camera.scores, GroupSettings())
            tries.append(time.process_time() - start)
            assert [(s.kind, len(s.frames)) for s in grouping.sets] == [("burst", count)]
        took.append(min(tries))
    # Quadratic growth would make it sixteen times; machines under load jitter.
    assert took[1] < 9 * took[0]
