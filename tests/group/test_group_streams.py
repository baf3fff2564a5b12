"""Bodies, clocks and counters."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import cv2
import numpy as np
import pytest

from group.light_shoots import FOCUS, Camera, Look
from windstill.group import Overrides, group_frames
from windstill.group.order import natural_key, streams
from windstill.records import CameraData, Frame, Grouping, SequenceMark, ShootFile
from windstill.settings import GroupSettings

NOON = datetime(2031, 6, 1, 12, 0, 0)


def frame(name: str, at: datetime | None, **camera: object) -> Frame:
    data = CameraData(captured_at=at, time_resolution_s=1.0, **camera)  # type: ignore[arg-type]
    return Frame(name, (ShootFile(f"{name}.JPG", "image", 1, 1),), f"{name}.JPG", 6000, 4000, data)


def names(shots: list[list[object]]) -> list[list[str]]:
    return [[s.frame.name for s in stream] for stream in shots]  # type: ignore[attr-defined]


def kinds(grouping: Grouping) -> list[tuple[str, int]]:
    return [(s.kind, len(s.frames)) for s in grouping.top_level()]


def test_names_sort_as_people_count() -> None:
    listed = ["b/Print 10", "b/print 9", "B/print 1", "a/print 11"]
    assert sorted(listed, key=natural_key) == ["a/print 11", "B/print 1", "b/print 9", "b/Print 10"]


def test_within_one_second_the_counter_decides_and_may_roll_over() -> None:
    shot = [frame(f"100CLIFF/THRF{n:04d}", NOON, body_serial="1") for n in (9998, 9999, 1, 2)]
    assert names(streams([shot[2], shot[1], shot[3], shot[0]])) == [[f.name for f in shot]]


def test_a_new_folder_goes_on_where_the_last_one_ended() -> None:
    shot = [frame("100CLIFF/THRF9999", NOON, body_serial="1"), frame("101CLIFF/THRF0001", NOON, body_serial="1")]
    assert names(streams(shot[::-1])) == [[f.name for f in shot]]


def test_two_bodies_of_one_model_without_serials_are_told_apart_by_their_counters() -> None:
    shot = []
    for k in range(6):
        at = NOON + timedelta(seconds=10 * k)
        for name in (f"100CLIFF/THRF{k + 1:04d}", f"100GULLS/SEAP{k + 40:04d}"):
            shot.append(frame(name, at, model="F2"))
    assert [len(s) for s in streams(shot)] == [6, 6]


def test_one_body_in_two_folders_stays_one() -> None:
    shot = [
        frame(f"{100 + (k > 2)}CLIFF/THRF{k + 1:04d}", NOON + timedelta(seconds=9 * k), model="F2") for k in range(6)
    ]
    assert [len(s) for s in streams(shot)] == [6]


def test_two_bodies_alternating_with_clocks_minutes_apart() -> None:
    left, right = Camera(serial="1"), Camera(serial="2", prefix="SEAP", folder="101GULLS")
    right.clock += timedelta(minutes=3)
    for focus in FOCUS:
        left.shoot(Look(61, focus_dpt=focus), idle_s=4)
        right.shoot(Look(62), idle_s=4)
    grouping = group_frames([*left.frames, *right.frames], {**left.scores, **right.scores}, GroupSettings())
    assert sorted(kinds(grouping)) == [("burst", 6), ("stack", 6)]


def test_a_long_exposure_is_no_pause() -> None:
    camera = Camera()
    for focus in FOCUS[:4]:
        # 32 s of exposure and as much again for the dark frame.
        camera.shoot(Look(63, focus_dpt=focus), base_s=32, idle_s=33)
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    assert kinds(grouping) == [("stack", 4)]


def test_counters_rolling_over_within_a_set() -> None:
    camera = Camera(counter=9998, whole_seconds=True)
    camera.bracket(Look(64), (0, -2, 2, -4, 4), "bracket", idle_s=0.1)
    assert kinds(group_frames(camera.frames, camera.scores, GroupSettings())) == [("bracket", 5)]


def _marked(camera: Camera, marks: list[SequenceMark | None]) -> list[Frame]:
    return [
        replace(f, camera=replace(f.camera, sequence=m)) for f, m in zip(camera.frames, marks, strict=True)
    ]


def test_written_sequences_part_takes_that_nothing_else_parts() -> None:
    camera = Camera(focus_written=False)
    for _ in range(6):
        camera.shoot(Look(65), idle_s=0.5)
    assert kinds(group_frames(camera.frames, camera.scores, GroupSettings())) == [("burst", 6)]
    marks: list[SequenceMark | None] = [
        SequenceMark(f"id-{k // 3}", "Burst Denoise", k % 3 + 1, 3, k % 3 == 2) for k in range(6)
    ]
    grouping = group_frames(_marked(camera, marks), camera.scores, GroupSettings())
    assert kinds(grouping) == [("burst", 3), ("burst", 3)]
    assert any("sequence" in why for s in grouping.sets for why in s.why)
    # The last frame of a sequence says so even where the identifiers were not renewed.
    stale: list[SequenceMark | None] = [
        SequenceMark("same", "Burst Denoise", k % 3 + 1, 3, k % 3 == 2) for k in range(6)
    ]
    assert kinds(group_frames(_marked(camera, stale), camera.scores, GroupSettings())) == [("burst", 3), ("burst", 3)]


@pytest.mark.parametrize(("pause_s", "sets"), [(6, 1), (9, 2)])
def test_frames_near_a_boundary_are_marked_on_both_sides_of_the_decision(pause_s: float, sets: int) -> None:
    camera = Camera(focus_written=False)
    camera.stack(Look(66), FOCUS[:3], "stack")
    camera.wait(pause_s)
    camera.stack(Look(66), FOCUS[3:], "stack")
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    assert len(kinds(grouping)) == sets
    marked = [name for name, place in grouping.placements.items() if place.near_boundary]
    assert sorted(marked) == [camera.frames[2].name, camera.frames[3].name]
    assert {n for s in grouping.sets for n in s.doubtful} == set(marked)


@pytest.mark.parametrize("pause_s", [0, 25])
def test_what_is_plain_is_not_marked(pause_s: float) -> None:
    camera = Camera()
    camera.stack(Look(66), FOCUS, "stack")
    camera.wait(pause_s)
    camera.stack(Look(66), FOCUS, "again")
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    assert kinds(grouping) == [("stack", 6), ("stack", 6)]
    assert not any(p.near_boundary for p in grouping.placements.values())


def test_a_cut_of_the_photographer_s_own_is_no_doubt() -> None:
    camera = Camera()
    camera.stack(Look(66), FOCUS, "stack")
    overrides = Overrides(splits=(camera.frames[3].name,))
    grouping = group_frames(camera.frames, camera.scores, GroupSettings(), overrides)
    assert kinds(grouping) == [("stack", 3), ("stack", 3)]
    assert not any(p.near_boundary for p in grouping.placements.values())


def test_a_rhythm_ends_with_the_walk_to_the_next_place() -> None:
    """A stack refocused by hand is no less one because bursts were fired before and after it elsewhere."""
    camera = Camera(focus_written=False)
    for look in (Look(67), Look(68)):
        for _ in range(5):
            camera.shoot(look, idle_s=0.3)
        camera.wait(200)
        if look == Look(67):
            camera.stack(Look(66), FOCUS[:3], "stack", idle_s=9)
            camera.wait(200)
    assert kinds(group_frames(camera.frames, camera.scores, GroupSettings())) == [
        ("burst", 5), ("stack", 3), ("burst", 5)
    ]


def test_an_unknown_iso_beside_a_known_one_may_be_any() -> None:
    """PhotographicSensitivity is a SHORT, capped at 65535 (Exif 2.32): above it, the next two may be unequal."""
    camera = Camera()
    camera.bracket(Look(69), (-1, 0, 1), "bracket")
    iso = (51200.0, None, None)
    frames = [
        replace(f, camera=replace(f.camera, iso=value, exposure_s=1 / 60))
        for f, value in zip(camera.frames, iso, strict=True)
    ]
    assert kinds(group_frames(frames, camera.scores, GroupSettings())) == [("bracket", 3)]


def test_files_that_name_no_body_keep_time_order_and_take_untimed_ones_in_by_name() -> None:
    shot = [
        frame("pier_a", NOON + timedelta(hours=2)), frame("pier_b", None), frame("quay_a", NOON), frame("quay_b", None),
        frame("arch_a", None),
    ]
    assert names(streams(shot)) == [["arch_a", "quay_a", "quay_b", "pier_a", "pier_b"]]


@pytest.mark.parametrize(
    ("pause_s", "level_ev", "found"),
    [
        (4.0, 0.0, [("panorama", 4)]),
        (16.0, 0.0, [("single", 1), ("panorama", 3)]),  # time to look for another picture
        (4.0, 2 / 3, [("single", 1), ("panorama", 3)]),  # set anew
    ],
)
def test_a_view_that_shows_nothing_in_common_goes_on_with_the_panorama_if_nothing_else_changes(
    pause_s: float, level_ev: float, found: list[tuple[str, int]]
) -> None:
    camera = Camera(focus_written=False)
    camera.shoot(Look(71, x=0.0, level_ev=level_ev), idle_s=pause_s)
    for view in range(3):
        camera.shoot(Look(71, x=1.1 + 0.65 * view), idle_s=4.0)
    assert kinds(group_frames(camera.frames, camera.scores, GroupSettings())) == found


def test_a_last_view_that_shows_nothing_in_common_stays_with_its_panorama_if_another_try_follows_later() -> None:
    camera = Camera(focus_written=False)
    for look in (Look(71, x=0.2), Look(71, x=0.85), Look(72, x=2.0)):
        camera.shoot(look, idle_s=4.0)
    camera.wait(21)
    for x in (1.5, 0.85, 0.2):
        camera.shoot(Look(71, x=x), idle_s=4.0)
    assert kinds(group_frames(camera.frames, camera.scores, GroupSettings())) == [("panorama", 3), ("panorama", 3)]


@pytest.mark.parametrize(("pauses_s", "found"), [((0.7,), [7, 7]), ((0.7, 4.0, 2.0, 6.0), [14])])
def test_a_pause_parts_bursts_of_a_steady_rhythm_and_not_those_that_waited(
    pauses_s: tuple[float, ...], found: list[int]
) -> None:
    camera = Camera(focus_written=False)
    for k in range(14):
        camera.shoot(Look(67), idle_s=7.7 if k == 6 else pauses_s[k % len(pauses_s)])
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    assert kinds(grouping) == [("burst", count) for count in found]


def test_a_frame_that_is_all_white_stays_in_its_bracket() -> None:
    camera = Camera(focus_written=False)
    camera.bracket(Look(68), (0, -2, 2, -4, 4, -6, 6), idle_s=0.3)
    white = camera.scores[camera.frames[-1].name].small
    assert (white > 250).mean() > 0.97
    assert kinds(group_frames(camera.frames, camera.scores, GroupSettings())) == [("bracket", 7)]


def test_a_frame_white_but_for_a_dull_rest_stays_in_its_bracket_in_a_stack() -> None:
    """Three stops over, the sea alone is left, and so near white that it resembles nothing."""
    camera = Camera()
    for dioptres in FOCUS[:4]:
        camera.bracket(Look(68, focus_dpt=dioptres), (-3, 0, 3), idle_s=0.4)
        camera.wait(1.6)
    for over in camera.frames[2::3]:
        small = np.full_like(camera.scores[over.name].small, 255)
        strip = np.s_[int(0.3 * small.shape[0]) : int(0.42 * small.shape[0])]
        dull = np.random.default_rng(5).integers(225, 250, small[strip].shape).astype(np.uint8)
        small[strip] = cv2.GaussianBlur(dull, (0, 0), 2.0)
        camera.scores[over.name] = replace(camera.scores[over.name], small=small)
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    assert kinds(grouping) == [("stack", 12)]
    assert [len(s.frames) for s in grouping.sets if s.kind == "bracket"] == [3] * 4


@pytest.mark.parametrize(("compensated", "found"), [(True, [("bracket", 3)]), (False, [("single", 1)] * 3)])
def test_frames_whose_compensation_steps_within_a_second_are_one_bracket_whatever_the_waves_do(
    compensated: bool, found: list[tuple[str, int]]
) -> None:
    camera = Camera(focus_written=False)
    for k, level in enumerate((-2.0, 0.0, 2.0)):
        camera.bracket(Look(68 + k), (level,), idle_s=0.4)  # three places: as little alike as a sea from wave to wave
    for k, level in enumerate((-2.0, 0.0, 2.0)):
        shown = camera.frames[k]
        bias = level if compensated else None
        camera.frames[k] = replace(shown, camera=replace(shown.camera, bias_ev=bias))
    grouping = group_frames(camera.frames, camera.scores, GroupSettings())
    assert kinds(grouping) == found


def test_no_set_reaches_across_a_change_of_lens() -> None:
    body = Camera()
    for _ in range(6):
        body.shoot(Look(61), idle_s=8)
    changed = [
        replace(f, camera=replace(f.camera, lens="Fernhill 24 mm shift")) if i >= 3 else f
        for i, f in enumerate(body.frames)
    ]
    assert kinds(group_frames(body.frames, body.scores, GroupSettings())) == [("burst", 6)]
    assert kinds(group_frames(changed, body.scores, GroupSettings())) == [("burst", 3), ("burst", 3)]
