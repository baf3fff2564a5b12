"""What is kept and what is said, on photographs with a known mover."""

from __future__ import annotations

import re
from typing import Any

import cv2
import numpy as np
import pytest
from layered_scenes import seen_from

from advise_sets import Shot, at_places, camera, disc_blur, exposed, landscape, shoot, taken, with_mover
from windstill.advise.say import Speaker
from windstill.records import FrameSet, Grouping, Outlook, Placement, SetAdvice, SetVerdict
from windstill.report.summary import single_way_out
from windstill.settings import AdviseSettings

SCENE = landscape(840)
PLACES = (0.0, 6.0, 12.0)
MOVER = (420.0, 280.0, 48.0)  # x, y, radius


def _burst(moved: dict[int, float], count: int = 5, seed: int = 0) -> list[object]:
    return [taken(with_mover(SCENE, *MOVER, moved.get(i, 0.0), 0), seed=seed + i) for i in range(count)]


def test_a_burst_is_merged_without_the_frame_that_moved() -> None:
    found = shoot(Shot("burst", _burst({2: 12.0})))  # type: ignore[arg-type]
    assert found.keep(0) == ["yes", "yes", "spare", "yes", "yes"]
    assert found.of(0).left_out == ("100THRFT/THRF0003",)
    assert found.of(0).advice.startswith("Merge without THRF0003: the subject moved 12 px there")
    assert found.of(0).base_frame != "100THRFT/THRF0003"
    assert "moved" in found.advised.frames["100THRFT/THRF0003"].note


def test_frames_in_which_the_subject_melts_are_not_averaged_with_those_that_hold_it() -> None:
    """A gust through the third and fourth frame: the head swings about its place and stays there in the mean."""
    swung = np.mean([with_mover(SCENE, *MOVER, x, 0) for x in np.linspace(-7, 7, 29)], axis=0).astype(np.float32)
    crisp = with_mover(SCENE, *MOVER, 0, 0)
    found = shoot(Shot("burst", [taken(swung if i in (2, 3) else crisp, seed=i) for i in range(6)]))
    assert found.keep(0) == ["yes", "yes", "spare", "spare", "yes", "yes"]
    assert "smeared" in found.advised.frames["100THRFT/THRF0003"].note


def test_a_frame_that_cannot_be_laid_over_the_others_is_not_averaged_with_them() -> None:
    elsewhere = taken(landscape(840, photograph="flower.jpg"), seed=9)
    found = shoot(Shot("burst", [*_burst({}, 3), elsewhere]))  # type: ignore[arg-type,list-item]
    assert found.keep(0) == ["yes", "yes", "yes", "spare"]
    assert found.advised.frames["100THRFT/THRF0004"].note == "it could not be laid over the others"


def _said_of_a_panorama_of_brackets(outlook: Outlook, **advice: Any) -> str:
    """Three views of three exposures, frames 1 to 9."""
    names = tuple(f"100THRFT/THRF{n:04d}" for n in range(1, 10))
    top = f"{names[0]}~panorama"
    views = [names[i : i + 3] for i in (0, 3, 6)]
    inner = [FrameSet(f"{v[0]}~bracket", top, 1, 1, "bracket", v, v) for v in views]
    whole = FrameSet(top, None, 1, 1, "panorama", tuple(s.set_id for s in inner), names)
    places = {n: Placement(n, inner[i // 3].set_id, view_index=i // 3 + 1, exposure_index=i % 3 + 1)
              for i, n in enumerate(names)}  # fmt: skip
    verdict = SetVerdict(top, outlook, ("moved",), 2.0, sway_max_px=4.1)
    speaker = Speaker(whole, verdict, None, {}, Grouping((whole, *inner), places), (), AdviseSettings())
    numbers = {key: tuple(names[n - 1] for n in of) for key, of in advice.items()}
    return speaker.sentence(SetAdvice(top, None, advice="", holds_without=True, **numbers), None, 1)  # type: ignore[arg-type]


def test_a_view_is_not_given_up_for_one_of_its_exposures() -> None:
    some = _said_of_a_panorama_of_brackets("touch-up", left_out=(1, 7), keep_frames=(2, 3, 4, 5, 6, 8, 9))
    assert some.startswith("Merge without exposure 1 of views 1 and 3: the subject moved 4.1 px there")
    # Frames that are neither given up nor needed: what to merge is said, or one would merge them all.
    few = _said_of_a_panorama_of_brackets("touch-up", left_out=(1, 4, 7), keep_frames=(2, 5, 8))
    assert few.startswith("Merge without exposure 1 of views 1, 2 and 3: ")
    assert few.endswith("; exposure 2 of views 1, 2 and 3 are enough.")
    uneven = _said_of_a_panorama_of_brackets("touch-up", left_out=(1, 8), keep_frames=(2, 3, 4, 5, 6, 7, 9))
    assert uneven.startswith("Merge without THRF0001 and THRF0008:")
    whole = _said_of_a_panorama_of_brackets("touch-up", left_out=(4, 5, 6), keep_frames=(1, 2, 3, 7, 8, 9))
    assert whole.startswith("Merge without view 2:")
    enough = _said_of_a_panorama_of_brackets("clean", keep_frames=(4, 5, 6))
    assert enough == "Merge as it is; view 2 is enough."
    enough = _said_of_a_panorama_of_brackets("clean", keep_frames=(2, 5, 8))
    assert enough == "Merge as it is; exposure 2 of views 1, 2 and 3 are enough."


def test_a_calm_burst_is_merged_whole() -> None:
    found = shoot(Shot("burst", _burst({})))  # type: ignore[arg-type]
    assert found.keep(0) == ["yes"] * 5
    assert found.of(0).advice == "Merge as it is."


def test_an_exposure_that_moved_is_left_out_where_its_neighbours_cover_it() -> None:
    levels = (-2.0, -1.0, 0.0, 1.0, 2.0)
    pictures = [
        exposed(with_mover(SCENE, *MOVER, 9.0 if level == 1.0 else 0.0, 0), level, seed=i)
        for i, level in enumerate(levels)
    ]
    data = [camera(exposure_s=2.0**level / 64) for level in levels]
    found = shoot(Shot("bracket", pictures, data))
    assert "100THRFT/THRF0004" in found.of(0).left_out
    assert found.keep(0)[3] == "spare"
    assert found.keep(0)[0] == "yes" and found.keep(0)[4] == "yes"
    assert "exposure 4" in found.of(0).advice


@pytest.mark.parametrize(("brightness", "keep"), [(0.17, "yes"), (0.3, "spare")])
def test_an_exposure_that_moved_is_kept_for_shadows_that_are_in_part_too_dark_without_it(
    brightness: float, keep: str
) -> None:
    # A band of coarse ground: on the mean it is well exposed in the first frame, yet much of it is under the limit.
    even = (118 + 0.4 * (SCENE - 118)).astype(np.float32)
    grain = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 30, (60, even.shape[1])), (0, 0), 1.0)
    pictures = []
    for i, (level, dx) in enumerate(((0.0, 0.0), (1.0, 9.0))):
        picture = with_mover(even, *MOVER, dx, 0)
        picture[-60:] = np.clip(255 * brightness + grain, 4, 120)
        pictures.append(exposed(picture, level, seed=i))
    found = shoot(Shot("bracket", pictures, [camera(exposure_s=2.0**level / 64) for level in (0.0, 1.0)]))
    assert found.keep(0) == ["yes", keep]


def test_a_large_sway_in_a_faint_blend_is_not_kept_to_be_rid_of_a_small_one() -> None:
    """The dark frame and the next both hold the bright band; in one much swayed far, in the other a little swayed less.

    The lightest alone holds the dark band. Seen from it the dark frame counts by less than half of the weight: by the
    contract's measure nothing.
    """
    even = (125 + 0.5 * (SCENE - SCENE.mean())).astype(np.float32)
    pictures, levels = [], (-3.0, -1.0, 0.0)
    for i, (level, far, near) in enumerate(zip(levels, (14.0, 0.0, 0.0), (0.0, 4.0, 0.0), strict=True)):
        picture = with_mover(with_mover(even, 300, 300, 110, far, 0), 640, 420, 40, near, 0)
        picture[:110] = 275 + 0.5 * (SCENE[:110] - SCENE[:110].mean())
        picture[-90:] = 45 + 0.15 * (SCENE[-90:] - SCENE[-90:].mean())
        pictures.append(exposed(picture, level, seed=i))
    found = shoot(Shot("bracket", pictures, [camera(exposure_s=2.0**level / 64) for level in levels]))
    assert found.keep(0) == ["spare", "yes", "yes"]


def test_only_what_moved_is_left_out_after_a_pair_that_could_not_be_aligned() -> None:
    levels = (-2.0, -1.0, 0.0, 1.0, 2.0)
    pictures = [
        exposed(with_mover(SCENE, *MOVER, 9.0 if level == 1.0 else 0.0, 0), level, seed=i)
        for i, level in enumerate(levels)
    ]
    pictures[0] = exposed(landscape(840, photograph="flower.jpg"), -2.0)  # another place altogether
    data = [camera(exposure_s=2.0**level / 64) for level in levels]
    found = shoot(Shot("bracket", pictures, data))
    assert any("could not be aligned" in r for r in found.verdicts[found.grouping.sets[0].set_id].reasons)
    assert found.keep(0)[1:] == ["yes", "yes", "spare", "yes"]
    assert "moved" in found.advised.frames["100THRFT/THRF0004"].note


def test_of_many_focus_positions_in_still_air_those_are_kept_that_hold_something_sharp() -> None:
    # Things at three distances, nine positions: frames far apart in focus have too little in common to be compared.
    focus = tuple(2.0 * i for i in range(9))
    pictures = [at_places(SCENE, (0.0, 8.0, 16.0), x, seed=i, noise=2.0) for i, x in enumerate(focus)]
    kept = shoot(Shot("stack", pictures)).keep(0)
    assert [i for i, keep in enumerate(kept) if keep == "yes"] == [0, 4, 8]


def test_a_focus_position_shot_twice_is_kept_once() -> None:
    focus = (0.0, 0.0, 6.0, 12.0)
    found = shoot(Shot("stack", [at_places(SCENE, PLACES, x, seed=i) for i, x in enumerate(focus)]))
    assert found.keep(0).count("yes") == 3
    assert found.keep(0)[2:] == ["yes", "yes"]
    assert "are enough" in found.of(0).advice


def test_no_position_is_given_up_of_a_stack_of_which_it_cannot_be_told_what_it_covers() -> None:
    """Focused alike and without distances, the frames do not tell what lies beyond: one was called a double."""
    found = shoot(Shot("stack", [at_places(SCENE, PLACES, x, seed=i) for i, x in enumerate((5.0, 5.5, 6.0))]))
    assert found.verdicts[found.grouping.sets[0].set_id].coverage_pct is None
    assert found.keep(0) == ["yes"] * 3


def test_no_frame_is_given_up_that_alone_holds_its_part_sharp() -> None:
    found = shoot(Shot("stack", [at_places(SCENE, PLACES, x, seed=i) for i, x in enumerate(PLACES)]))
    assert found.keep(0) == ["yes"] * 3


def test_the_nearest_flower_is_no_double_however_little_of_the_picture_it_takes() -> None:
    # A head of 0.3 % of the picture, 12 px of blur away from all else: one frame is focused on it, and holds no more.
    def frame(focus: float, seed: int) -> object:
        picture = np.asarray(at_places(SCENE, (0.0, 4.0), focus, seed)).copy()
        y, x = np.s_[400:436], np.s_[400:440]
        picture[y, x] = taken(disc_blur(SCENE, abs(-12.0 - focus) / 2) if focus > -12 else SCENE, seed=seed)[y, x]
        return picture

    found = shoot(Shot("stack", [frame(focus, i) for i, focus in enumerate((-12.0, 0.0, 0.0, 4.0))]))  # type: ignore[misc]
    assert found.keep(0)[0] == "yes" and found.keep(0)[3] == "yes"
    assert found.keep(0)[1:3].count("yes") == 1, "the frame shot twice is a double"


def test_one_frame_alone_is_said_to_hold_of_what_has_texture_and_no_more_than_all_frames_do() -> None:
    k = 50.0**2 / (8.0 * 0.030 * 1000)
    focus = (6.5, 5.5)  # the outer strips, at 0 and 12, lie in no frame's reach
    pictures = [at_places(SCENE, PLACES, x, seed=i) for i, x in enumerate(focus)]
    found = shoot(Shot("stack", pictures, [camera(focus_m=k / x) for x in focus]))
    verdict, advice = found.verdicts[found.grouping.sets[0].set_id], found.of(0)
    assert verdict.outlook == "lost" and verdict.coverage_pct is not None
    said = re.search(r"alone: it holds (\d+) % of what has texture sharp", advice.advice)
    assert said and 5 < int(said[1]) <= round(verdict.coverage_pct)


def test_where_one_frame_would_do_and_more_are_kept_what_they_add_is_said() -> None:
    # Nothing is clipped in the middle exposure, yet its darkest and brightest parts are better in the others.
    k = 50.0**2 / (8.0 * 0.030 * 1000)
    places = (4.0, 6.0, 8.0)
    found = shoot(
        Shot("bracket", [exposed(SCENE, ev, seed=i) for i, ev in enumerate((0, -2, 2))],
             [camera(exposure_s=t) for t in (1 / 60, 1 / 240, 1 / 15)]),
        Shot("stack", [at_places(SCENE, places, x, seed=i) for i, x in enumerate(places)],
             [camera(focus_m=k / x) for x in places]),
    )  # fmt: skip
    assert found.keep(0).count("yes") > 1 and found.keep(1).count("yes") > 1
    bracket, stack = (single_way_out(found.of(i), found.grouping.sets[i].kind) for i in (0, 1))
    assert re.search(r"^THRF0001 alone exposes [\d.]+ % well; the merge exposes \d+ % better$", bracket)
    said = re.search(r"^THRF000[456] alone holds [\d.]+ % sharp; the merge is sharper in (\d+) %$", stack)
    assert said and 20 < int(said[1]) < 80  # the frame is focused on one strip of three


def test_what_moved_at_the_far_end_of_a_long_stack_is_left_out_though_the_first_frame_shows_nothing_of_it() -> None:
    # A mover in the last strip (place 24) is sharp in the last two frames, and twice the whole blur away in the first.
    places, focus = (0.0, 8.0, 16.0, 24.0), (0.0, 8.0, 16.0, 23.0, 24.5)
    pictures = [
        at_places(with_mover(SCENE, 735, 280, 60, dx, 0), places, x, seed=i)
        for i, (x, dx) in enumerate(zip(focus, (0, 0, 0, 9, 0), strict=True))
    ]
    k = 50.0**2 / (8.0 * 0.030 * 1000)
    found = shoot(Shot("stack", pictures, [camera(focus_m=k / max(x, 0.1)) for x in focus]))
    assert found.keep(0) == ["yes", "yes", "yes", "spare", "yes"]
    assert "moved" in found.advised.frames["100THRFT/THRF0004"].note


def test_of_two_focus_positions_that_show_a_mover_twice_one_is_left_out_and_flowers_are_taken_from_the_rest() -> None:
    # The mover stands in the middle strip (place 6), sharp in two frames: its disc is 1.5 px in that focused at 7.5.
    focus, moved = (0.0, 6.0, 7.5, 12.0), (0.0, 9.0, 0.0, 0.0)
    pictures = [
        at_places(with_mover(SCENE, 420, 280, 60, dx, 0), PLACES, x, seed=i)
        for i, (x, dx) in enumerate(zip(focus, moved, strict=True))
    ]
    k = 50.0**2 / (8.0 * 0.030 * 1000)
    found = shoot(Shot("stack", pictures, [camera(focus_m=k / max(x, 0.1)) for x in focus]))
    assert found.keep(0)[::3] == ["yes", "yes"], "what one frame alone holds is kept"
    assert sorted(found.keep(0)[1:3]) == ["spare", "yes"]
    assert re.match(r"Merge without focus [23]: the subject moved 9\.\d px there", found.of(0).advice)
    assert all(t.frame in found.of(0).keep_frames for t in found.of(0).take_from)


def test_the_frame_that_holds_the_flowers_best_is_not_left_out_where_they_sway_as_well_without_it() -> None:
    # Two heads in the middle strip, sharp in the second frame and a little soft in the others. Without it one pair less
    # sways, but the first against the third as far as ever.
    first, second = (0.0, 6.0, 12.0), (0.0, 0.0, 9.0)
    pictures = [
        at_places(with_mover(with_mover(SCENE, 420, 170, 45, a, 0), 420, 390, 45, b, 0), (2.0, 5.0, 8.0), x, seed=i)
        for i, (x, a, b) in enumerate(zip((2.5, 5.0, 7.5), first, second, strict=True))
    ]
    k = 50.0**2 / (8.0 * 0.030 * 1000)
    found = shoot(Shot("stack", pictures, [camera(focus_m=k / x) for x in (2.5, 5.0, 7.5)]))
    assert found.keep(0) == ["yes"] * 3


def test_of_a_frame_that_is_needed_though_a_head_is_smeared_in_it_the_head_is_not_to_be_taken() -> None:
    # Two positions hold the middle strip, each one of the others; in the first the head swings about its place.
    crisp = with_mover(SCENE, 420, 280, 60, 0, 0)
    swings = [with_mover(SCENE, 420, 280, 60, 1.5 + x, 0) for x in np.linspace(-8, 8, 33)]
    swung = np.mean(swings, axis=0).astype(np.float32)
    pictures = [at_places(swung, (2.0, 5.0, 8.0), 3.5, seed=1), at_places(crisp, (2.0, 5.0, 8.0), 6.5, seed=2)]
    k = 50.0**2 / (8.0 * 0.030 * 1000)
    found = shoot(Shot("stack", pictures, [camera(1 / 2, focus_m=k / x) for x in (3.5, 6.5)]))
    (verdict,) = found.verdicts.values()
    assert verdict.outlook == "clean" and any("another frame holds it" in r for r in verdict.reasons), verdict
    assert found.keep(0) == ["yes"] * 2
    assert found.of(0).advice == "Merge as it is; take what is smeared in focus 1 from another frame."


def test_what_must_be_shot_again_is_named_with_a_shutter_that_holds() -> None:
    def frame(focus: float, dx: float, seed: int) -> object:
        return at_places(with_mover(SCENE, 570, 280, 70, dx, 0), PLACES, focus, seed)

    pictures = [frame(0.0, 0, 1), frame(6.0, 0, 2), frame(12.0, 14.0, 3)]
    found = shoot(Shot("stack", pictures, [camera(1 / 4, 200)] * 3))  # type: ignore[arg-type]
    verdict = found.verdicts[found.grouping.sets[0].set_id]
    assert verdict.outlook in ("hard", "lost")
    advice = found.of(0).advice
    assert advice.startswith("Again from focus 2, two frames; wait for a lull")
    assert re.search(r"1/\d+ s at ISO \d+ would have held it within 2 px", advice)
    assert verdict.reasons[0] not in advice
    assert found.keep(0) == ["yes"] * 3, "a hard set is kept until it has been shot again"


def test_of_two_takes_the_calm_one_is_merged_and_the_other_spare() -> None:
    still = Shot("burst", _burst({}, 3, 10), take=2)  # type: ignore[arg-type]
    windy = Shot("burst", _burst({0: 0.0, 1: 15.0, 2: 31.0}, 3), take=1)  # type: ignore[arg-type]
    found = shoot(windy, still)
    assert found.of(1).best_take is True and found.of(0).best_take is False
    assert found.keep(0) == ["spare"] * 3 and found.keep(1) == ["yes"] * 3
    assert found.of(0).advice == "Merge take 2 of this scene instead."
    assert "best of its 2 takes" in found.of(1).advice
    assert found.advised.order[0] == found.grouping.sets[1].set_id


@pytest.mark.slow
def test_a_frame_of_the_other_take_is_offered_with_its_light() -> None:
    def take(light: float, moved: float, seed: int) -> list[object]:
        dx = (0.0, moved, 0.0)
        return [exposed(with_mover(SCENE, *MOVER, dx[i], 0), light + (-2, 0, 2)[i], seed + i) for i in range(3)]

    data = [camera(exposure_s=2.0**level / 64) for level in (-2, 0, 2)]
    best = Shot("bracket", take(0.0, 25.0, 1), data, take=1)  # type: ignore[arg-type]
    other = Shot("bracket", take(-0.4, 25.0, 7)[:1] + take(-0.4, 0.0, 7)[1:], data, take=2)  # type: ignore[arg-type]
    found = shoot(best, other)
    offers = [b for i in (0, 1) for b in found.of(i).borrow]
    for offer in offers:
        assert offer.frame != offer.instead_of
        assert abs(abs(offer.light_ev) - 0.4) < 0.15
        assert offer.shift_px < 3


def test_easy_sets_come_first() -> None:
    windy = Shot("burst", _burst({0: 0.0, 1: 15.0, 2: 31.0}, 3))  # type: ignore[arg-type]
    calm = Shot("burst", _burst({}, 3, 20), scene=2)  # type: ignore[arg-type]
    found = shoot(windy, calm)
    assert found.advised.order == (found.grouping.sets[1].set_id, found.grouping.sets[0].set_id)


def test_a_sweep_that_stops_short_says_where_to_focus_next_time() -> None:
    k = 50.0**2 / (8.0 * 0.030 * 1000)  # computed: f^2 / (N pitch) of `camera`, px metres
    places = (k / 0.6, k / 0.9, k / 1.8, k / 50)
    focus = (17.4, 14.5, 11.6, 8.7)  # the last at 1.2 m; the farthest strip keeps a disc of 8.5 px
    pictures = [at_places(SCENE, places, x, seed=i) for i, x in enumerate(focus)]
    found = shoot(Shot("stack", pictures, [camera(focus_m=k / x) for x in focus]))
    said = found.of(0).advice
    metres = [float(m) for m in re.findall(r"(\d+(?:\.\d+)?) m", said)]
    assert "focused at" in said
    assert metres and min(metres) > 1.8


def test_a_bracket_of_a_camera_that_moved_is_to_be_shot_again_from_a_tripod() -> None:
    pictures = [exposed(SCENE, 0.0, seed=1), exposed(seen_from(SCENE, 32.0), 1.0, seed=2)]
    found = shoot(Shot("bracket", pictures, [camera(exposure_s=s) for s in (1 / 64, 1 / 32)]))
    assert found.of(0).advice.startswith("Again"), found.of(0).advice
    assert "tripod" in found.of(0).advice and "lull" not in found.of(0).advice


@pytest.mark.parametrize(
    ("levels", "asked"),
    [
        ((1.0, 2.0, 3.0), "add a darker frame"), ((-8.0, -7.0, -6.0), "add a brighter frame"),
        ((-3.0, -2.0, 1.0), "shoot the step left out as well"),
    ],
)  # fmt: skip
def test_what_a_bracket_lacks_is_asked_for(levels: tuple[float, ...], asked: str) -> None:
    pictures = [exposed(SCENE, level, seed=i) for i, level in enumerate(levels)]
    found = shoot(Shot("bracket", pictures, [camera(exposure_s=2.0**level / 64) for level in levels]))
    assert asked in found.of(0).advice, (found.of(0).advice, found.verdicts)


@pytest.mark.parametrize(
    ("focus", "asked"),
    [((17.0, 12.0, 6.0), "go on past THRF0003, the last focus"), ((12.0, 6.0, 1.0), "go on past THRF0001, the first")],
)  # fmt: skip
def test_without_distances_what_a_stack_lacks_is_named_by_its_frames(focus: tuple[float, ...], asked: str) -> None:
    found = shoot(Shot("stack", [at_places(SCENE, (17.4, 11.6, 5.8, 0.2), x, seed=i) for i, x in enumerate(focus)]))
    assert asked in found.of(0).advice, (found.of(0).advice, found.verdicts)


def test_a_small_place_that_moved_is_to_be_retouched() -> None:
    """Both exposures are needed: the dark one for the highlights, the light one for the shadows."""
    pictures = [exposed(with_mover(SCENE, 420.0, 280.0, 18.0, dx, 0), ev, i)
                for i, (dx, ev) in enumerate(((0.0, -2.5), (5.0, 1.5)))]  # fmt: skip
    found = shoot(Shot("bracket", pictures, [camera(exposure_s=2.0**ev / 64) for ev in (-2.5, 1.5)]))
    (verdict,) = found.verdicts.values()
    assert verdict.outlook == "touch-up", (verdict, found.of(0))
    assert re.match(r"Merge.*, then retouch ", found.of(0).advice), found.of(0).advice


def test_of_a_sky_that_moved_on_one_frame_is_to_be_taken() -> None:
    clouds = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 1, (560, 1200)).astype(np.float32), (0, 0), 12)
    clouds = 120 + 60 / (1 + np.exp(-3 * clouds / clouds.std()))
    frames = []
    for k, x in enumerate((0, 12)):
        picture = SCENE.copy()
        picture[:240] = clouds[:240, 100 - x : 940 - x]
        frames.append(taken(picture, seed=k))
    found = shoot(Shot("burst", frames))
    assert found.of(0).advice.startswith("Merge as it is; take the sky from one frame")
