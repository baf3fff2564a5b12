"""What a set leaves out: ends of a focus sweep, positions between, exposures, seams."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from layered_scenes import scored

from advise_sets import SETTINGS, at_places, camera, exposed, landscape
from windstill.assess import judge
from windstill.assess.coverage import (
    bracket_coverage,
    breathing_scale,
    focus_scale_px,
    panorama_coverage,
    stack_coverage,
    taken_order,
)
from windstill.assess.defocus import place_in_focus
from windstill.records import (
    CameraMapping,
    CoverageMeasure,
    Frame,
    FrameScore,
    FrameSet,
    Grouping,
    PairMeasure,
    SetMeasure,
    SetVerdict,
)

SCENE = landscape(960)
K = 50.0**2 / (8.0 * 0.030 * 1000)  # px metres: f^2 / (N pitch) of `camera`, 10.417
PLACES = tuple(K / s for s in (0.6, 0.9, 1.8, 50.0))  # 17.4, 11.6, 5.8 and 0.2 px: strips at these distances


def _node(frames: list[Frame]) -> FrameSet:
    names = tuple(f.name for f in frames)
    return FrameSet("TEST0001~stack", None, 1, 1, "stack", names, names)


def _judged(cover: CoverageMeasure, frames: list[Frame]) -> SetVerdict:
    """The verdict on a stack in which nothing moved."""
    node = _node(frames)
    measure = SetMeasure(node.set_id, "stack", node.frames, (), cover, None, None, None, None, None, 90.0)
    return judge(Grouping((node,), {}), {node.set_id: measure}, frames, SETTINGS.assess)[node.set_id]


def _stack(
    focus_px: tuple[float, ...],
    written: bool,
    noise: float = 0.0,
    times: float = 1.0,
    scene: np.ndarray[tuple[int, ...], np.dtype[np.float32]] = SCENE,
) -> tuple[CoverageMeasure, list[Frame]]:
    """A stack at places on the scale of blur.

    `noise` (8-bit steps) is added coarser than a pixel, as cameras do; written distances are `times` the true ones.
    """
    frames: list[Frame] = []
    scores: list[FrameScore] = []
    for i, x in enumerate(focus_px):
        luma = at_places(scene, PLACES, x, seed=i)
        if noise:
            grain = cv2.GaussianBlur(np.random.default_rng(i).normal(0, 1, luma.shape), (0, 0), 0.7)
            luma = np.clip(luma + noise * grain / grain.std(), 0, 255).astype(np.uint8)
        frame, made = scored(f"TEST{i + 1:04d}", luma)
        frames.append(replace(frame, camera=camera(focus_m=times * K / x)) if written else frame)
        scores.append(made.score)
    node = _node(frames)
    chain = [np.eye(3)] * len(frames)
    return stack_coverage(frames, scores, chain, taken_order(node, frames), SETTINGS.assess), frames


@pytest.mark.parametrize("written", [True, False])
def test_a_sweep_from_end_to_end_has_no_gap(written: bool) -> None:
    cover, _ = _stack((17.0, 12.0, 6.0, 1.0), written)
    assert cover.gaps == ()
    assert cover.coverage_pct is not None and cover.coverage_pct > 95


@pytest.mark.parametrize("softness_px", [1.0, 1.2])
@pytest.mark.parametrize("written", [True, False])
def test_what_is_soft_by_nature_at_the_ends_of_a_sweep_is_not_out_of_reach(written: bool, softness_px: float) -> None:
    # Petals before grass, hills behind it: in focus in the first and the last frame, and less fine than the rest.
    soft = cv2.GaussianBlur(SCENE, (0, 0), softness_px)
    scene = SCENE.copy()
    for end in (np.s_[:, :240], np.s_[:, 720:]):
        scene[end] = soft[end]
    cover, _ = _stack((17.0, 12.0, 6.0, 1.0), written, scene=scene)
    assert cover.gaps == ()
    assert cover.coverage_pct is not None and cover.coverage_pct > (92 if written else 82)


@pytest.mark.parametrize("written", [True, False])
def test_a_far_end_not_reached_is_found_where_it_is(written: bool) -> None:
    # Stops short: the farthest strip keeps a disc of 8 px, the one before it 2.4 px, which is sharp.
    cover, _ = _stack((17.4, 14.3, 11.2, 8.2), written)
    assert cover.found[0].what == ("far" if written else "after")
    assert cover.gap is not None
    shares = [float(strip.mean()) for strip in np.array_split(cover.gap, 4, axis=1)]
    assert shares[3] > 0.4 and max(shares[:3]) < 0.3 * shares[3]
    assert cover.coverage_pct == pytest.approx(75, abs=5), "one of four strips is out of reach"


@pytest.mark.parametrize("written", [True, False])
def test_coarse_noise_is_not_taken_for_detail_that_no_frame_holds(written: bool) -> None:
    cover, _ = _stack((17.4, 14.0, 10.5, 7.0, 3.5, 0.2), written, noise=5.0)
    assert cover.gaps == ()
    assert cover.coverage_pct is not None and cover.coverage_pct > 95


@pytest.mark.parametrize("written", [True, False])
def test_no_more_is_said_to_be_sharp_than_noise_lets_see(written: bool) -> None:
    # A quarter of the picture is out of reach; the noisier, the less of it can be told from noise.
    some, _ = _stack((17.4, 14.3, 11.2, 8.2), written, noise=8.0)
    assert some.coverage_pct is not None and 70 < some.coverage_pct < 90
    much, frames = _stack((17.4, 14.3, 11.2, 8.2), written, noise=16.0)
    assert much.coverage_pct is None and much.told_pct is not None and much.told_pct < 75
    verdict = _judged(much, frames)
    assert verdict.outlook == "clean" and verdict.coverage_pct is None
    assert re.fullmatch(r"on \d\d % of the textured picture noise hides whether it is sharp", verdict.reasons[0])


def test_a_share_that_is_sure_nowhere_is_unknown_rather_than_lost() -> None:
    # Without distances and in noise, many tiles are each a little likelier out of reach than not: 77 % if added up.
    unsure, frames = _stack((12.0, 6.0, 0.0), False, noise=8.0)
    assert unsure.gaps == () and unsure.coverage_pct is None
    verdict = _judged(unsure, frames)
    assert verdict.outlook == "clean"
    assert re.fullmatch(r"perhaps 2\d % of the textured picture is sharp in no frame: .*", verdict.reasons[0])
    # A quarter out of reach that most of its tiles are sure of is said, noise or not.
    sure, _ = _stack((17.4, 14.3, 11.2, 8.2), True, noise=3.0)
    assert sure.gaps and sure.coverage_pct is not None and sure.coverage_pct < 80


@pytest.mark.parametrize("noise", [0.0, 3.0, 6.0])
def test_a_stack_is_not_lost_by_discs_a_hair_over_the_limit_on_a_scale_that_is_only_learnt(noise: float) -> None:
    # The farthest strip keeps a disc of 3.2 px where 3 are sharp, the others 2.4 to 2.6.
    cover, frames = _stack((14.2, 8.2, 3.4, -2.4), False, noise)
    assert cover.coverage_pct is None
    verdict = _judged(cover, frames)
    assert verdict.outlook == "clean"
    assert any(reason.startswith("perhaps") for reason in verdict.reasons), verdict.reasons


def test_what_two_frames_focused_nearly_alike_leave_out_is_found_by_their_distances() -> None:
    cover, _ = _stack((6.0, 5.4), True)  # the third strip is sharp, its neighbours keep discs of 5 px and more
    assert "far" in [g.what for g in cover.found]
    assert cover.gap is not None
    shares = [float(strip.mean()) for strip in np.array_split(cover.gap, 4, axis=1)]
    assert shares[3] > 0.2 and shares[1] > 0.3 and shares[2] < 0.1


def test_frames_of_a_sweep_too_narrow_to_tell_its_ends_hold_what_any_of_them_does() -> None:
    # Without distances: discs differ by under 1 px between its frames, and 3 px count as sharp.
    cover, _ = _stack((6.2, 5.8, 5.4), False)
    assert cover.coverage_pct is None and cover.gaps == ()
    assert cover.reached is not None
    third = [np.array_split(held, 4, axis=1)[2].mean() for held in cover.reached]  # at 5.8 px, in focus
    assert min(third) > 0.5


def test_a_stack_whose_coverage_cannot_be_told_says_so_beside_what_moved() -> None:
    two, frames = _stack((17.0, 1.0), False)  # what lies between is sharp in neither
    verdict = _judged(two, frames)
    assert verdict.coverage_pct is None and verdict.outlook == "clean"
    assert verdict.reasons[1:] == ("how much of it is sharp in some frame cannot be told",)
    told, frames = _stack((17.0, 12.0, 6.0, 1.0), True)
    assert len(_judged(told, frames).reasons) == 1


def test_brackets_that_expose_everything_say_nothing_of_a_stack_whose_focus_cannot_be_told() -> None:
    unknown, frames = _stack((6.2, 5.8, 5.4), False)
    known, _ = _stack((17.0, 12.0, 6.0, 1.0), True)
    names = tuple(f.name for f in frames)
    parent = FrameSet("TEST0001~stack", None, 1, 1, "stack", ("TEST0001~bracket",), names)
    child = FrameSet("TEST0001~bracket", parent.set_id, 1, 1, "bracket", names, names)
    grouping = Grouping((parent, child), {})

    def said(cover: CoverageMeasure, levels: tuple[float, ...]) -> float | None:
        scene = SCENE.copy()
        scene[380:620, 60:900] = 250
        exposing = _bracket(levels, scene)
        measures = {
            node.set_id: SetMeasure(node.set_id, node.kind, names, (), of, None, None, None, None, None, 90.0)
            for node, of in ((parent, cover), (child, exposing))
        }
        return judge(grouping, measures, frames, SETTINGS.assess)[parent.set_id].coverage_pct

    fine, clipped = (-2.0, 0.0, 2.0), (0.5, 1.5, 2.5)
    assert said(unknown, fine) is None
    assert said(known, fine) == known.coverage_pct
    lost = said(unknown, clipped)
    assert lost is not None and lost < 80, "what loses the set counts whatever else is known"


def test_one_frame_alone_never_holds_more_than_all_do() -> None:
    for focus in ((17.4, 14.3, 11.2, 8.2), (17.0, 12.0, 6.0, 1.0)):
        cover, _ = _stack(focus, True)
        assert cover.coverage_pct is not None and len(cover.alone_pct) == len(focus)
        assert 5 < max(cover.alone_pct) <= cover.coverage_pct
    bright = _bracket((1.0, 2.5), SCENE)
    assert bright.coverage_pct is not None and 5 < max(bright.alone_pct) <= bright.coverage_pct


def test_a_far_end_is_told_in_metres_with_the_focus_that_closes_it() -> None:
    cover, _ = _stack((17.4, 14.5, 11.6, 8.7), True)
    gap = cover.found[0]
    # computed: a disc of 3 px from 10.417 px m / 8.7 px = 1.197 m reaches to 10.417 / (8.7 - 3) = 1.83 m
    assert gap.near_m == pytest.approx(1.83, rel=0.05)
    assert gap.far_m is not None and np.isinf(gap.far_m)
    assert "beyond 1.8 m" in gap.phrase or "beyond 1.9 m" in gap.phrase
    assert gap.add_focus_m and all(m > 1.83 for m in gap.add_focus_m)


def test_a_near_end_not_reached_is_found() -> None:
    cover, _ = _stack((8.7, 5.8, 3.0, 0.4), True)
    assert cover.found[0].what == "near"
    assert cover.gap is not None and cover.gap[:, : cover.gap.shape[1] // 4].mean() > 0.5
    assert "nearer than" in cover.gaps[0]


def test_a_few_tiles_of_a_plain_picture_are_no_gap() -> None:
    """A small bush before fog: what is out of reach is a tenth of what has texture, and next to nothing to miss."""
    fog = np.full_like(SCENE, 140)
    bush = (slice(320, 340), slice(0, 800))
    fog[bush] = SCENE[bush]
    few, _ = _stack((17.4, 14.5, 11.6, 8.7), True, scene=fog)
    assert few.found == ()
    assert _stack((17.4, 14.5, 11.6, 8.7), True)[0].found != ()


def test_a_position_left_out_between_is_named_by_its_neighbours_and_metres() -> None:
    cover, _ = _stack((17.4, 15.0, 1.0), True)  # 11.6 and 5.8 px lie 3.4 and 4.8 px from the nearest focus
    assert [g.what for g in cover.found] == ["between"]
    gap = cover.found[0]
    assert (gap.first, gap.second) == (1, 2)
    assert "between focus 2 and 3" in gap.phrase and " m to " in gap.phrase


def test_one_distance_written_for_all_frames_is_no_scale() -> None:
    pairs = [scored(f"TEST{i}", at_places(SCENE, PLACES, 6.0, seed=i)) for i in range(2)]
    frames = [replace(f, camera=camera(focus_m=2.0)) for f, _ in pairs]
    assert focus_scale_px(frames, [s.score for _, s in pairs]) is None
    apart = [replace(frames[0], camera=camera(focus_m=1.0)), frames[1]]
    places = focus_scale_px(apart, [s.score for _, s in pairs])
    assert places == pytest.approx([K, K / 2])


def test_written_distances_that_the_pictures_speak_against_are_not_believed() -> None:
    # As a coarse encoder writes them, or a picture resized whose file keeps the sensor's pixel pitch.
    whole, _ = _stack((17.0, 12.0, 6.0, 1.0), True, times=0.4)
    assert whole.gaps == () and whole.coverage_pct is not None and whole.coverage_pct > 90
    short, _ = _stack((17.4, 14.3, 11.2, 8.2), True, times=2.5)
    assert [g.what for g in short.found] == ["after"], "found all the same, and not told in metres"
    assert " m" not in short.gaps[0].replace(" mostly", "")
    right, _ = _stack((17.4, 14.3, 11.2, 8.2), True)
    assert [g.what for g in right.found] == ["far"]


def test_focus_breathing_tells_the_steps_and_is_not_believed_against_the_pictures() -> None:
    focus = (17.4, 11.6, 5.8, 0.2)
    scores = [scored(f"TEST{i}", at_places(SCENE, PLACES, x, seed=i))[1].score for i, x in enumerate(focus)]
    sharp, fineness = (np.stack([getattr(s, what) for s in scores]) for what in ("sharp", "fineness"))
    known = np.all([s.textured for s in scores], axis=0)
    noise = np.full_like(sharp, 0.005)

    def steps(breathing: list[float]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        found = place_in_focus(sharp, fineness, noise, known, 3.0, breathing_px=breathing)
        assert found is not None
        return np.abs(np.diff(found.positions_px))

    true = np.abs(np.diff(focus))
    assert steps([x - focus[0] for x in focus]) == pytest.approx(true, abs=0.01)
    assert steps([3 * (x - focus[0]) for x in focus]) == pytest.approx(true, rel=0.35)
    assert steps([0.0] * 4) == pytest.approx(true, rel=0.35), "a lens that does not breathe tells nothing"


def test_breathing_of_a_thin_lens_is_read_as_places() -> None:
    frames = [replace(scored("TEST", at_places(SCENE, PLACES, 6.0))[0], camera=camera())] * 2
    scores = [scored("TEST", at_places(SCENE, PLACES, 6.0))[1].score] * 2
    # computed: 50 mm drawn out for 1 m instead of 2 m magnifies by 1 + .05 / 1 - .05 / 2, nearly: K / 1 - K / 2 px
    smaller = np.diag([1 / 1.025, 1 / 1.025, 1.0])
    places = breathing_scale(frames, scores, [np.eye(3), smaller])
    assert places is not None
    assert places[1] - places[0] == pytest.approx((K - K / 2) / scores[0].reduction, rel=0.03)


def _bracket(levels: tuple[float, ...], scene: np.ndarray[tuple[int, ...], np.dtype[np.float32]]) -> CoverageMeasure:
    scores = [scored(f"TEST{i}", exposed(scene, level, seed=i))[1].score for i, level in enumerate(levels)]
    return bracket_coverage(scores, [np.eye(3)] * len(levels), levels, SETTINGS.assess)


def test_pixels_clipped_in_every_frame_are_a_gap_and_those_of_one_frame_are_not() -> None:
    bright = SCENE.copy()
    bright[350:510, 240:720] = 250  # a wet rock in the sun, away from the upper border
    share = 100 * 160 * 480 / bright.size
    gap = _bracket((0.5, 1.5, 2.5), bright).found[0]
    assert gap.what == "bright" and "clipped in every frame" in gap.phrase
    assert gap.share_pct > 0.8 * share
    assert _bracket((-2.0, 0.0, 2.0), SCENE).gaps == ()


def test_petals_with_glints_are_not_lost_with_the_glints() -> None:
    """A bed of white daisies: a fifth of each petal is clipped in both frames, and the rest is well exposed."""
    bed = SCENE.copy()
    glints = np.random.default_rng(5).random((bed.shape[0] // 4 + 1, bed.shape[1] // 4 + 1)) < 0.2
    glints = np.kron(glints, np.ones((4, 4)))[: bed.shape[0], : bed.shape[1]] > 0
    glints[: bed.shape[0] // 2] = False
    bed[glints] = 250
    cover = _bracket((0.5, 1.0), np.minimum(bed, np.where(glints, 250, 150)))
    assert cover.coverage_pct == pytest.approx(100 * (1 - glints.mean()), abs=4)


def test_a_sky_blown_above_the_horizon_is_a_gap_of_a_bracket_that_covers_the_land() -> None:
    """As at sunset: white where the sun is, and plain, well exposed sky above it."""
    height = SCENE.shape[0]
    sunset = SCENE.copy()
    down = np.arange(height // 2, dtype=np.float32)[:, None] / (height // 2)
    sunset[: height // 2] = 150 + 90 * down  # white from 218 on, in the lower quarter
    cover = _bracket((0.5, 1.5, 2.5), sunset)
    assert cover.found and cover.found[0].what == "bright" and cover.found[0].share_pct > 5
    assert cover.coverage_pct is not None and cover.coverage_pct > 95


def test_a_step_left_out_of_a_bracket_is_named() -> None:
    cover = _bracket((-2.0, -1.0, 2.0), SCENE)
    assert [g.what for g in cover.found] == ["step"]
    assert "3.0 EV where the others are 1.0 EV" in cover.gaps[0]
    assert _bracket((-3.0, 0.0, 3.0), SCENE).gaps == ()


def _seam(a: str, b: str, overlap: float, detail: float = 0.8, dx: float = 800, dy: float = 0) -> PairMeasure:
    return PairMeasure(
        "P~panorama", a, b, "view", CameraMapping(shift_x_px=dx, shift_y_px=dy), None, relevant_pct=overlap,
        textured_relevant_pct=overlap * detail, overlap_pct=overlap,
    )  # fmt: skip


def _panorama(*seams: PairMeasure) -> CoverageMeasure:
    score = scored("TEST", at_places(SCENE, PLACES, 6.0))[1].score
    names = ["A", "B", "C"]
    return panorama_coverage([score] * 3, seams, names, SETTINGS.assess)


def test_seams_too_narrow_or_bare_are_counted_and_named() -> None:
    cover = _panorama(_seam("A", "B", 30), _seam("B", "C", 6))
    assert cover.coverage_pct == 50
    assert cover.gaps == ("views 2 and 3 overlap by only 6 %",)
    bare = _panorama(_seam("A", "B", 30), _seam("B", "C", 30, detail=0.01))
    assert "has detail on only 1 %" in bare.gaps[0]


def test_a_row_of_views_that_climbs_is_named() -> None:
    level = _panorama(_seam("A", "B", 30), _seam("B", "C", 30))
    climbing = _panorama(_seam("A", "B", 30, dy=110), _seam("B", "C", 30, dy=110))
    assert level.gaps == ()
    assert [g.what for g in climbing.found] == ["drift"]
    assert climbing.coverage_pct == 100


def test_views_turned_against_each_other_are_named() -> None:
    level, turned = _seam("A", "B", 30), _seam("B", "C", 30)
    turned = replace(turned, mapping=replace(turned.mapping, rotation_deg=-14.0))
    cover = _panorama(level, turned)
    assert [g.what for g in cover.found] == ["drift"]
    assert cover.gaps == ("views 2 and 3 are turned by 14.0 degrees against each other",)
