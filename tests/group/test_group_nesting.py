"""Sets are found at every level, whatever the files say about themselves."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import cv2
import numpy as np
import pytest

from group.light_shoots import FOCUS, Camera, Look
from windstill.group import group_frames
from windstill.records import Grouping
from windstill.settings import GroupSettings

SAYS = {
    "everything": {},
    "no focus distance": {"focus_written": False},
    "whole seconds": {"whole_seconds": True},
    "nothing": {"data": False, "focus_written": False},
}


def grouped(camera: Camera) -> Grouping:
    return group_frames(camera.frames, camera.scores, GroupSettings())


def partition(camera: Camera, depth: int) -> set[frozenset[str]]:
    """The true sets at one depth (1 outermost), by their frames; frames nested less deeply are left out."""
    sets = defaultdict(set)
    for name, groups in camera.truth.items():
        if len(groups) >= depth:
            sets[groups[:depth]].add(name)
    return {frozenset(s) for s in sets.values()}


def found(grouping: Grouping, depth: int) -> set[frozenset[str]]:
    by_id = grouping.by_id()
    at_depth = set()
    for node in grouping.sets:
        level, parent = 1, node.parent_set
        while parent is not None:
            level, parent = level + 1, by_id[parent].parent_set
        if level == depth:
            at_depth.add(frozenset(node.frames))
    return at_depth


def kinds(grouping: Grouping) -> list[str]:
    return [s.kind for s in grouping.top_level()]


@pytest.mark.parametrize("says", SAYS, ids=str)
def test_an_evening_of_plain_sets(says: str) -> None:
    camera = Camera(**SAYS[says])
    camera.bracket(Look(1), (0, -2, 2), "bracket")
    camera.wait(60)
    camera.stack(Look(2), FOCUS, "stack")
    camera.wait(40)
    for k in range(3):
        camera.shoot(Look(3, x=0.3 + 0.65 * k), "panorama", idle_s=4)
    camera.wait(100)
    for _ in range(5):
        camera.shoot(Look(4), "burst", idle_s=3)
    grouping = grouped(camera)
    assert found(grouping, 1) == partition(camera, 1)
    assert kinds(grouping) == ["bracket", "stack", "panorama", "burst"]


@pytest.mark.parametrize("says", SAYS, ids=str)
def test_stack_of_brackets(says: str) -> None:
    camera = Camera(**SAYS[says])
    for z in FOCUS:
        camera.bracket(Look(5, focus_dpt=z), (0, -2, 2), "whole", f"focus {z}")
        camera.wait(2)
    grouping = grouped(camera)
    assert found(grouping, 1) == partition(camera, 1)
    assert found(grouping, 2) == partition(camera, 2)
    assert kinds(grouping) == ["stack"]
    assert {s.kind for s in grouping.sets if s.parent_set} == {"bracket"}


@pytest.mark.parametrize("says", SAYS, ids=str)
def test_bracket_of_stacks(says: str) -> None:
    camera = Camera(**SAYS[says])
    for ev in (-2, 0, 2):
        camera.stack(Look(6, level_ev=ev), FOCUS, "whole", f"exposure {ev}")
        camera.wait(3)
    grouping = grouped(camera)
    assert found(grouping, 1) == partition(camera, 1)
    assert found(grouping, 2) == partition(camera, 2)
    assert kinds(grouping) == ["bracket"]
    assert {s.kind for s in grouping.sets if s.parent_set} == {"stack"}


@pytest.mark.parametrize("says", SAYS, ids=str)
def test_panorama_of_stacks_of_brackets(says: str) -> None:
    camera = Camera(**SAYS[says])
    for view in range(3):
        for z in FOCUS[:4]:
            look = Look(7, x=0.3 + 0.65 * view, focus_dpt=z)
            camera.bracket(look, (0, -2, 2), "whole", f"view {view}", f"focus {z}")
            camera.wait(2)
        camera.wait(6)
    grouping = grouped(camera)
    for depth in (1, 2, 3):
        assert found(grouping, depth) == partition(camera, depth)
    last = grouping.placements[camera.frames[-1].name]
    assert (last.view_index, last.focus_index, last.exposure_index) == (3, 4, 3)


def test_the_pauses_of_a_panorama_of_stacks_are_not_judged_by_those_of_the_next_place() -> None:
    camera = Camera(whole_seconds=True, focus_written=False)
    for view, pause_s in enumerate((8, 12, 0)):
        for z in FOCUS[:3]:
            camera.shoot(Look(17, x=0.3 + 0.65 * view, focus_dpt=z), "panorama", f"view {view}", idle_s=3)
        camera.wait(pause_s)
    camera.wait(225)
    for take in range(2):
        for z in FOCUS[:3]:
            camera.bracket(Look(18, focus_dpt=z), (0, -2), f"take {take}", f"focus {z}")
            camera.wait(3)
        camera.wait(20)
    grouping = grouped(camera)
    assert kinds(grouping)[0] == "panorama"
    for depth in (1, 2):
        assert found(grouping, depth) == partition(camera, depth)


@pytest.mark.parametrize("says", ["everything", "no focus distance"])
def test_takes_of_a_stack_in_falling_light(says: str) -> None:
    camera = Camera(**SAYS[says])
    for take in range(3):
        camera.stack(Look(8, x=1 + 0.02 * take, light_ev=-0.3 * take), FOCUS, f"take {take}")
        camera.wait(12)
    grouping = grouped(camera)
    assert found(grouping, 1) == partition(camera, 1)
    assert [(s.scene, s.take) for s in grouping.top_level()] == [(1, 1), (1, 2), (1, 3)]


def clouded(camera: Camera, seed: int) -> None:
    """Give every frame other clouds over its upper half: brightness and contrast of large patches change."""
    rng = np.random.default_rng(seed)
    for name, score in camera.scores.items():
        patches = cv2.resize(rng.normal(0, 1, (6, 10)).astype(np.float32), score.small.shape[::-1], None, 0, 0, 2)
        patches[score.small.shape[0] // 2 :] = 0
        on_tiles = cv2.resize(patches, score.sharp.shape[::-1], interpolation=cv2.INTER_AREA)
        camera.scores[name] = replace(
            score, small=np.clip(score.small * np.exp(0.06 * patches), 0, 255).astype(np.uint8),
            luma=np.clip(score.luma * np.exp(0.06 * on_tiles), 0, 1), sharp=score.sharp * np.exp(0.2 * on_tiles),
        )


@pytest.mark.parametrize("says", ["no focus distance", "nothing"])
def test_clouds_that_change_are_no_change_of_focus(says: str) -> None:
    camera = Camera(**SAYS[says])
    for _ in range(6):
        camera.shoot(Look(9), "burst", idle_s=1.2)
    clouded(camera, 1)
    assert kinds(grouped(camera)) == ["burst"]
    stack = Camera(**SAYS[says])
    stack.stack(Look(9), FOCUS, "stack")
    clouded(stack, 2)
    assert kinds(grouped(stack)) == ["stack"]


def test_a_panorama_turned_the_other_way_is_a_take_of_the_same_scene() -> None:
    camera = Camera()
    for views in ((0.2, 0.85, 1.5, 2.15), (2.1, 1.5, 0.9, 0.3)):
        for x in views:
            camera.shoot(Look(10, x=x), str(views), idle_s=4)
        camera.wait(90)
    grouping = grouped(camera)
    assert [(s.kind, s.scene, s.take) for s in grouping.top_level()] == [("panorama", 1, 1), ("panorama", 1, 2)]


def test_a_second_row_makes_a_panorama_another_scene_than_one_row_of_it() -> None:
    camera = Camera()
    rows = [(0.2, 0.2), (0.85, 0.2), (1.5, 0.2), (1.5, 0.75), (0.85, 0.75), (0.2, 0.75)]
    for x, y in rows:
        camera.shoot(Look(11, x=x, y=y), "two rows", idle_s=4)
    camera.wait(90)
    for x in (0.2, 0.85):
        camera.shoot(Look(11, x=x, y=0.75), "part of one", idle_s=4)
    grouping = grouped(camera)
    assert [(s.kind, len(s.frames)) for s in grouping.top_level()] == [("panorama", 6), ("panorama", 2)]
    assert [s.scene for s in grouping.top_level()] == [1, 2]
