"""Advice in words a tired person follows: first what to do, then at most what it spares."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from windstill.advise.settings_that_hold import shutter_phrase
from windstill.records import (
    CoverageGap,
    Frame,
    FrameSet,
    Grouping,
    Kind,
    PairMeasure,
    SetAdvice,
    SetMeasure,
    SetVerdict,
)
from windstill.settings import AdviseSettings

_STEP: dict[Kind, tuple[str, str]] = {
    "stack": ("focus", "focus_index"), "bracket": ("exposure", "exposure_index"), "panorama": ("view", "view_index"),
}  # fmt: skip
_COUNT = ("no frame", "one frame", "two frames", "three frames", "four frames", "five frames", "six frames")
_FEW = 4  # names that are read out one by one


def base(name: str) -> str:
    """File name without its folders."""
    return name.rsplit("/", 1)[-1]


def listed(items: Sequence[str]) -> str:
    """``"a, b and c"``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


class Speaker:
    """Puts the advice on one set into words.

    Parameters
    ----------
    node : FrameSet
    verdict : SetVerdict
    measure : SetMeasure or None
    frames : mapping by name
    grouping : Grouping
    tree : sequence of (FrameSet, SetMeasure)
        The set and all below it, as far as measured: a nested set's trouble often lies in a child.
    settings : AdviseSettings
    """

    def __init__(
        self, node: FrameSet, verdict: SetVerdict, measure: SetMeasure | None, frames: Mapping[str, Frame],
        grouping: Grouping, tree: Sequence[tuple[FrameSet, SetMeasure]], settings: AdviseSettings,
    ) -> None:
        self.node, self.verdict, self.measure = node, verdict, measure
        self.frames, self.grouping, self.tree, self.settings = frames, grouping, tree, settings

    def single(self) -> str:
        """A frame by itself."""
        if self.verdict.outlook != "lost":
            return ""
        hold = self._hold(self.node.frames[0])
        return "Take it again if it matters: it is smeared" + (f"; {hold} would have held it." if hold else ".")

    def sentence(self, advice: SetAdvice, better_take: int | None, takes: int) -> str:
        """What to do with a set of several frames.

        Parameters
        ----------
        advice : SetAdvice
            Everything but its words.
        better_take : int, optional
            Number of the take to merge instead.
        takes : int
            How many takes of the scene there are.
        """
        if better_take is not None:
            alike = "" if self.verdict.outlook in ("hard", "lost", "unknown") else ", though this one would do"
            return f"Merge take {better_take} of this scene instead{alike}."
        parts = [self._do(advice)]
        lead = self.verdict.outlook in ("hard", "lost") and not advice.holds_without
        if lead:
            parts += self._until_then(advice)
        if takes > 1:
            parts.append(f"This is the best of its {takes} takes.")
        return " ".join(parts)

    def _do(self, advice: SetAdvice) -> str:
        outlook = self.verdict.outlook
        if advice.left_out and advice.holds_without and outlook != "clean":
            if len(advice.keep_frames) == 1:
                alone = "it covers what the others do" if self.node.kind != "burst" else "it is the stillest"
                return f"Use {base(advice.keep_frames[0])} alone, {alone}: the subject moved in the others."
            if len(advice.left_out) > max(len(advice.keep_frames), 2):
                return f"Merge only {self._exactly(advice.keep_frames)}: the subject moved in the others."
            spare = len(self.node.frames) > len(advice.keep_frames) + len(advice.left_out)
            enough = f"; {self._enough(advice.keep_frames)}" if spare else ""
            return f"Merge without {self._exactly(advice.left_out)}: {self._why_without(advice)}{enough}."
        if outlook == "clean":
            return self._as_it_is(advice)
        if outlook == "touch-up":
            without = f" without {self._exactly(advice.left_out)}" if advice.left_out else ""
            if not self._moved_pairs() and self._smeared_frame():
                return f"Merge{without}, once you have looked at 100 % whether what seems smeared is more than soft."
            if not self._moved_pairs() and self._camera_moved():
                seams = f"Merge{without}, with the seams laid through what is far: near things shifted with the camera"
                return f"{seams}{self._one_sky(advice)}; next time turn it about the lens, on a tripod."
            places = self._sources(advice, "the places that moved, shown on the map")
            return f"Merge{without}, then retouch {places}{self._one_sky(advice)}."
        if outlook == "unknown":
            return self._look()
        return self._again()

    def _as_it_is(self, advice: SetAdvice) -> str:
        gaps = self._gap_steps()
        text = "Merge as it is"
        fewer = len(advice.keep_frames) < len(self.node.frames)
        if fewer and len(advice.keep_frames) == 1:
            text = f"No merge needed: {base(advice.keep_frames[0])} holds by itself what the others show"
        elif fewer:
            text += f"; {self._enough(advice.keep_frames)}"
        text += self._one_sky(advice) + self._not_from_smeared(advice)
        return text + (f"; should you shoot it again, {gaps[0]}." if gaps else ".")

    def _camera_moved(self) -> bool:
        return self.measure is not None and any(
            pair.parallax_sure and (pair.parallax_px or 0.0) > self.verdict.tolerance_px for pair in self.measure.pairs
        )

    def _one_sky(self, advice: SetAdvice) -> str:
        """What to do about sky or water that moved on between frames that are merged."""
        what = [
            pair.passing
            for _, measure in self.tree
            if len(set(measure.frames) & set(advice.keep_frames)) > 1
            for pair in measure.pairs
            if (pair.passing_px or 0.0) > self.verdict.tolerance_px
        ]
        return f"; take the {max(what, key=len)} from one frame" if any(what) else ""

    def _not_from_smeared(self, advice: SetAdvice) -> str:
        """What to do about smear in a frame that is merged all the same, for what it alone holds."""
        measure = self.measure
        if measure is None or measure.smear_frame is None or self.node.kind not in ("stack", "bracket"):
            return ""
        smear = measure.smear_px or 0.0
        held = measure.smear_held_px if measure.smear_held_px is not None else smear
        merged = measure.smear_frame in advice.keep_frames and len(advice.keep_frames) > 1
        if not merged or smear <= 2 * self.verdict.tolerance_px or held > smear / 2:
            return ""
        return f"; take what is smeared in {self._places((measure.smear_frame,))} from another frame"

    def _enough(self, kept: Sequence[str]) -> str:
        """That some of the frames do."""
        if len(kept) > _FEW:
            return f"{len(kept)} of the {len(self.node.frames)} frames are enough"
        verb = "is" if len(self._whole_steps(kept)) == 1 else "are"
        return f"{self._exactly(kept)} {verb} enough"

    def _why_without(self, advice: SetAdvice) -> str:
        it = "it" if len(advice.left_out) == 1 else "they"
        its = "its part" if len(advice.left_out) == 1 else "their parts"
        moved = self.verdict.sway_max_px
        how = f"the subject moved {_px(moved)} there" if moved else f"{it} spoil the merge"
        if self.node.kind == "burst":
            return f"{how}, and the others agree"
        return f"{how}, and the others cover {its}"

    def _sources(self, advice: SetAdvice, otherwise: str) -> str:
        """"the subject at lower left, taking it from focus 3"."""
        by_frame: dict[str, list[str]] = {}
        for taken in advice.take_from:
            by_frame.setdefault(taken.frame, []).append(taken.where)
        said = [
            f"the subject {listed(where)}, taking it from {self._places((frame,))}"
            for frame, where in list(by_frame.items())[:2]
        ]
        return "; and ".join(said) if said else otherwise

    def _until_then(self, advice: SetAdvice) -> list[str]:
        """What can be had tonight without a reshoot."""
        said = []
        for lent in advice.borrow[:1]:
            light = "in the same light" if abs(lent.light_ev) < 0.1 else (
                f"{abs(lent.light_ev):.1f} EV {'brighter' if lent.light_ev > 0 else 'darker'}")  # fmt: skip
            said.append(
                f"{base(lent.frame)} of take {lent.take} may stand in for {base(lent.instead_of)} ({light}, shifted "
                f"{_px(lent.shift_px)})."
            )
        if self.verdict.outlook == "hard" and advice.take_from:
            without = f"merge without {self._exactly(advice.left_out)} and " if advice.left_out else ""
            said.append(f"To save this one, {without}retouch {self._sources(advice, '')}.")
        elif advice.single_frame and (advice.single_frame_pct or 0) >= self.settings.sharp_alone_pct:
            known = self.measure is not None and self.measure.coverage is not None and self.measure.coverage.alone_pct
            share = f"{advice.single_frame_pct:.0f} % of {'what has texture' if known else 'the picture'}"
            how = "exposes {} well" if known and self.node.kind == "bracket" else "holds {} sharp"
            said.append(f"Or use {base(advice.single_frame)} alone: it {how.format(share)}.")
        return said

    # -- again ----------------------------------------------------------------------------------------------------

    def _again(self) -> str:
        pairs = self._moved_pairs()
        gaps = self._gap_steps()
        smeared = self._smeared_frame()
        if not pairs and smeared is None and gaps:
            return f"Again, and {'; '.join(gaps)}."
        names = list(dict.fromkeys(n for p in pairs for n in (p.frame_a, p.frame_b)))
        if not names and smeared is not None:
            names = [smeared]
        if not names:
            return "Shoot the whole set again."
        if pairs and pairs[0].mapping.sideways:
            # No lull and no shutter keeps near and far things together.
            return "; ".join([f"Again {self._span(names)}, from a tripod: the camera moved sideways", *gaps]) + "."
        steps = [f"Again {self._span(names)}", "wait for a lull", *gaps]
        hold = self._hold(smeared or names[0])
        held = f"; {hold} would have held it within {_px(self.verdict.tolerance_px)}" if hold else ""
        return "; ".join(steps) + held + "."

    def _moved_pairs(self) -> list[PairMeasure]:
        pairs = [p for _, m in self.tree for p in m.pairs if (p.sway_max_px or 0.0) > self.verdict.tolerance_px]
        return sorted(pairs, key=lambda p: -(p.sway_max_px or 0.0))

    def _smeared_frame(self) -> str | None:
        """Frame of the worst smear, when smear is what spoils the set."""
        worst = [(m.smear_px, m.smear_frame) for _, m in self.tree if m.smear_px and m.smear_frame]
        if not worst:
            return None
        smear, frame = max(worst)
        return frame if smear > 2 * self.verdict.tolerance_px else None

    def _hold(self, name: str) -> str | None:
        frame = self.frames.get(name)
        if frame is None:
            return None
        longest = max(
            (self.frames[n] for n in self.node.frames if n in self.frames and self.frames[n].camera.exposure_s),
            key=lambda f: f.camera.exposure_s or 0.0, default=frame,
        )  # fmt: skip
        camera = frame.camera if self._smeared_frame() == name else longest.camera
        return shutter_phrase(
            camera, self.verdict.smear_px, self.verdict.sway_max_px, self.verdict.tolerance_px,
            self.settings.highest_iso,
        )  # fmt: skip

    def _span(self, names: Sequence[str]) -> str:
        """"from focus 3, two frames" where they lie side by side, "the whole set" where nearly all did, else names."""
        steps = self._indices(names)
        members = len(self.node.members)
        if steps is None:
            return "the whole set" if len(names) > _FEW else listed([base(n) for n in sorted(names)])
        word, at = steps
        if len(at) >= 0.8 * members and members > 2:
            return "the whole set"
        if at[-1] - at[0] + 1 == len(at):
            per = len(self.node.frames) // max(members, 1)
            if per > 1:
                which = f"{word}s {at[0]} to {at[-1]}" if len(at) > 1 else f"{word} {at[0]}"
                return which.replace("focuss", "focus")
            count = _COUNT[len(at)] if len(at) < len(_COUNT) else f"{len(at)} frames"
            return f"from {word} {at[0]}, {count}"
        return f"{word} {listed([str(i) for i in at])}"

    def _indices(self, names: Iterable[str]) -> tuple[str, list[int]] | None:
        """Steps of the set that the frames belong to, 1-based, with the word for them."""
        step = _STEP.get(self.node.kind)
        if step is None:
            return None
        found = set()
        for name in names:
            place = self.grouping.placements.get(name)
            index = getattr(place, step[1]) if place is not None else None
            if index is None:
                return None
            found.add(int(index))
        return (step[0], sorted(found)) if found else None

    def _places(self, names: Sequence[str]) -> str:
        """"focus 3 and 4" or the file names."""
        steps = self._indices(names)
        if steps is not None and len(steps[1]) * max(len(self.node.frames) // len(self.node.members), 1) >= len(names):
            word, at = steps
            plural = word if len(at) == 1 or word == "focus" else word + "s"
            if len(at) > _FEW and at[-1] - at[0] + 1 == len(at):
                return f"{plural} {at[0]} to {at[-1]}"
            return f"{plural} {listed([str(i) for i in at])}"
        return self._files(names)

    def _files(self, names: Sequence[str]) -> str:
        shown = [base(n) for n in names]
        return listed(shown) if len(shown) <= _FEW else f"{listed(shown[:_FEW - 1])} and {len(shown) - _FEW + 1} more"

    def _exactly(self, names: Sequence[str]) -> str:
        """As `_places`, but a view or focus position of which only some frames are meant is not named as a whole."""
        steps = self._indices(names)
        if steps is None or self._whole_steps(names):
            return self._places(names)
        # The same exposure of several views, say; what is less regular is named by its files.
        for kind in {child.kind for child in self.grouping.children(self.node.set_id)} & set(_STEP):
            word, index = _STEP[kind]
            inner = {getattr(self.grouping.placements[name], index) for name in names}
            if len(inner) == 1 and len(names) == len(steps[1]) and None not in inner:
                return f"{word} {inner.pop()} of {self._places(names)}"
        return self._files(names)

    def _whole_steps(self, names: Sequence[str]) -> list[int]:
        """Steps of the set that the frames make up, each with all its frames; empty where some are missing."""
        steps = self._indices(names)
        if steps is None:
            return []
        theirs = {n for n in self.node.frames if (at := self._indices((n,))) and at[1][0] in steps[1]}
        return steps[1] if theirs == set(names) else []

    # -- gaps -----------------------------------------------------------------------------------------------------

    def _gap_steps(self) -> list[str]:
        """What to add next time so that nothing is missing, most important first."""
        said = []
        for _, measure in self.tree:
            found = measure.coverage.found if measure.coverage else ()
            seams = [g for g in found if g.what == "seam"]
            if len(seams) > 1:
                said.append("turn less from view to view, so that a third of each overlaps")
            said += [self._gap_step(g, measure) for g in found if g.what != "seam" or len(seams) == 1]
        return list(dict.fromkeys(said))[:2]

    def _gap_step(self, gap: CoverageGap, measure: SetMeasure) -> str:
        at = measure.frames[min(gap.first, len(measure.frames) - 1)]
        if gap.add_focus_m:
            far = [_metres(m) for m in gap.add_focus_m]
            if len(far) > _FEW:
                return f"add {len(far)} frames focused from {far[0]} to {far[-1]}"
            return f"add {_COUNT[len(far)]} focused at {listed(far)}"
        if gap.what in ("near", "far"):
            return f"focus {'nearer' if gap.what == 'near' else 'farther'} than {base(at)}"
        if gap.what in ("before", "after"):
            return f"go on past {base(at)}, the {'first' if gap.what == 'before' else 'last'} focus"
        if gap.what == "between" and gap.second is not None:
            return f"add a focus between {base(at)} and {base(measure.frames[gap.second])}"
        if gap.what == "bright":
            return "add a darker frame"
        if gap.what == "dark":
            return "add a brighter frame"
        if gap.what == "step":
            return "shoot the step left out as well"
        if gap.what == "seam":
            return f"turn less after {base(at)}, so that a third of the view overlaps"
        return "level the camera before turning"

    def _look(self) -> str:
        """The tool cannot tell: which frames to compare by eye."""
        for node, measure in self.tree:
            for pair in measure.pairs:
                if pair.mapping.failed or pair.field is None or (pair.measured_pct or 0.0) < 50:
                    speaker = Speaker(
                        node, self.verdict, measure, self.frames, self.grouping, (), self.settings)  # fmt: skip
                    both = speaker._places((pair.frame_a, pair.frame_b))
                    if pair.mapping.failed:
                        return f"Lay {both} over each other yourself before merging: the camera may have moved."
                    return f"Compare {both} by eye at 100 % before merging: there is too little detail to measure."
                if max(pair.parallax_px or 0.0, pair.sway_max_px or 0.0) > self.verdict.tolerance_px:
                    both = self._places((pair.frame_a, pair.frame_b))
                    return (
                        f"Compare near things in {both} by eye at 100 %: moved by the camera or by wind, they need a "
                        "seam that runs past them."
                    )
        return "Look through its frames before deciding: too few of them could be read."


def _px(value: float | None) -> str:
    if value is None:
        return "0 px"
    return f"{value:.0f} px" if value >= 10 or value == round(value) else f"{value:.1f} px"


def _metres(distance: float) -> str:
    if math.isinf(distance) or distance > 500:
        return "infinity"
    return f"{distance:.2f} m" if distance < 1 else f"{distance:.1f} m" if distance < 10 else f"{distance:.0f} m"
