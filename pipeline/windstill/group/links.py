"""What stands between two frames, or two sets: the evidence, not yet the judgement."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from statistics import median

import cv2
import numpy as np
from numpy.typing import NDArray

from windstill.group import content, focus, views
from windstill.group.content import ContentLink, Picture
from windstill.group.focus import FocusLink, SharpMap
from windstill.group.order import Shot, counter_of
from windstill.records import CameraData, FrameScore
from windstill.settings.group import GroupSettings


@dataclass(frozen=True, slots=True)
class Link:
    """Evidence between an earlier thing a and a later thing b (frames, or sets by their most alike frames).

    Attributes
    ----------
    idle_s : float or None
        Pause from the end of a to the start of b, exposure and noise-reduction dark frame taken off.
    rhythm : float
        The pause over the usual one around it; 1 where there is no usual one.
    breaks_steady : bool
        The pause breaks a rhythm of pauses that are alike.
    content : ContentLink
    reframe : float
        The shift over the usual one between neighbouring frames of one view around it.
    zoom_sureness : float
        Change of scale over what registration alone may feign, signed like the change; frames whose scale steps on
        the same way speak together. ``nan`` where the camera was not still.
    ev_nominal, ev : float or None
        Step of recorded level by camera data; the step believed after looking at the pictures.
    focus_step : float or None
        Change of written focus, dioptres.
    focus : FocusLink
    focus_return, view_return : float
        How surely b goes back to where an earlier frame of the run stood, 0..1.
    focus_back, view_back : int
        The latest place it goes back to; -1 where it goes back to none.
    row : bool
        b overlaps no neighbour but an earlier view: a new row.
    clash : float
        0..1: lens, focal length, orientation or size that no set mixes.
    by_itself : bool
        Written exposure compensation stepped with the exposure, faster than a hand dials it.
    mark : float
        Evidence of the camera's own sequence marks, nats; positive for belonging together.
    mark_kind : str
        Kind the mark names, or "".
    alike : float
        0..1 likeness of structure (sets only).
    """

    idle_s: float | None = None
    rhythm: float = 1.0
    breaks_steady: bool = False
    content: ContentLink = content.UNKNOWN
    reframe: float = 1.0
    zoom_sureness: float = math.nan
    ev_nominal: float | None = None
    ev: float | None = None
    aperture_changed: bool = False
    focus_step: float | None = None
    focus: FocusLink = focus.NOTHING
    focus_return: float = 0.0
    view_return: float = 0.0
    focus_back: int = -1
    view_back: int = -1
    row: bool = False
    clash: float = 0.0
    by_itself: bool = False
    mark: float = 0.0
    mark_kind: str = ""
    name: float = 0.0
    alike: float = 1.0


@dataclass
class Gallery:
    """Pictures and sharpness of one stream; the large part is kept for the recent frames only."""

    shots: Sequence[Shot]
    scores: Mapping[str, FrameScore]
    settings: GroupSettings
    _recent: OrderedDict[int, Picture | None] = field(default_factory=OrderedDict)
    _ready: OrderedDict[int, None] = field(default_factory=OrderedDict)
    _maps: dict[int, SharpMap | None] = field(default_factory=dict)
    _lit: dict[int, float] = field(default_factory=dict)
    _features: OrderedDict[tuple[int, bool], views.Features] = field(default_factory=OrderedDict)

    def level_ev(self, i: int) -> float | None:
        """Recorded level of frame i; ``None`` where its body writes ISOs and this one is unknown (above Exif's cap)."""
        camera = self.shots[i].frame.camera
        return None if self._iso_written and not camera.iso else level_ev(camera)

    @cached_property
    def _iso_written(self) -> bool:
        return any(shot.frame.camera.iso for shot in self.shots)

    def picture(self, i: int) -> Picture | None:
        """Content of frame i, ``None`` where it could not be decoded."""
        if i in self._recent:
            self._recent.move_to_end(i)
        else:
            self._load(i)
        self._ready[i] = None
        self._ready.move_to_end(i)
        while len(self._ready) > self.settings.pictures_ready:
            old = self._recent.get(self._ready.popitem(last=False)[0])
            if old is not None:
                old.forget()
        return self._recent[i]

    def sharp(self, i: int) -> SharpMap | None:
        """Sharpness of frame i."""
        if i not in self._maps:
            self._load(i)
        return self._maps[i]

    def badly_lit(self, i: int) -> float:
        """Distance of the mean brightness from mid-grey, 0..0.5, to choose the frame that shows most."""
        if i not in self._lit:
            self._load(i)
        return self._lit[i]

    def _load(self, i: int) -> None:
        frame = self.shots[i].frame
        score = self.scores.get(frame.name)
        if score is None:
            self._recent[i], self._maps[i], self._lit[i] = None, None, 0.5
        else:
            self._recent[i] = content.picture_of(score, frame.camera, self.settings)
            if i not in self._maps:
                self._maps[i] = focus.sharp_map(score, self.settings)
            self._lit[i] = abs(cv2.mean(score.small)[0] / 255 - 0.45)
        while len(self._recent) > self.settings.pictures_kept:
            self._recent.popitem(last=False)

    def dioptres(self, i: int) -> float | None:
        """Written focus of frame i, 1/m."""
        metres = self.shots[i].frame.camera.focus_m
        return 1 / metres if metres is not None and metres > 0 else None

    def focus_distances(self, i: int, others: Sequence[int]) -> NDArray[np.float64] | None:
        """How differently frame i is sharp from each of `others`; ``None`` where that cannot be said."""
        own = self.sharp(i)
        maps = [self.sharp(k) for k in others]
        if own is None or any(m is None or m.sharp.shape != own.sharp.shape for m in maps):
            return None
        return focus.distances(own, [m for m in maps if m is not None])

    def compare(self, i: int, j: int, *, far: bool = True) -> ContentLink:
        """Content of frame j against frame i; with `far`, views that correlation misses are sought by features."""
        a, b = self.picture(i), self.picture(j)
        if a is None or b is None:
            return content.UNKNOWN
        link = content.compare(a, b, self.settings)
        if not far or link.view in ("same", "unknown") or link.odds >= self.settings.surely_overlap:
            return link
        found = views.match_views(self.features(i, False), self.features(j, False), self.settings)
        hinted = found.odds > views.NOTHING_FOUND or link.odds > -self.settings.care_odds
        if hinted and found.odds < self.settings.surely_overlap:
            found = views.match_views(self.features(i, True), self.features(j, True), self.settings)
        if found.odds > max(link.odds, 0):
            return found
        return replace(link, odds=link.odds + found.odds) if link.view == "overlap" and found.view == "other" else link

    def features(self, i: int, careful: bool) -> views.Features:
        """Features of frame i; a few frames' are kept."""
        key = (i, careful)
        if key not in self._features:
            score = self.scores[self.shots[i].frame.name]
            self._features[key] = views.features_of(score.small, careful=careful)
            while len(self._features) > self.settings.features_kept:
                self._features.popitem(last=False)
        return self._features[key]

    def compare_focus(self, i: int, j: int, link: ContentLink) -> FocusLink:
        """Sharpness of frame j against frame i; nothing where they do not show the same."""
        a, b = self.sharp(i), self.sharp(j)
        if a is None or b is None or link.view not in ("same", "overlap"):
            return focus.NOTHING
        return focus.compare_focus(a, b, link.shift_x, link.shift_y, self.settings)


def level_ev(camera: CameraData) -> float | None:
    """Recorded level log2(S t / (100 N^2)); parts no frame of the body knows count as constant.

    A fully manual lens writes no aperture, a scan no ISO: what is left still gives steps. Where only some frames of
    a body lack a part, ask `Gallery.level_ev`.
    """
    if camera.exposure_s is None or camera.exposure_s <= 0:
        return None
    level = math.log2(camera.exposure_s)
    if camera.iso:
        level += math.log2(camera.iso / 100)
    if camera.f_number:
        level -= 2 * math.log2(camera.f_number)
    return level


def idle_between(a: Shot, b: Shot) -> float | None:
    """Pause between the end of a's exposure and the start of b's, seconds, at least 0.

    Whole-second clocks may be a second off either way; a dark frame as long as a long exposure is no pause.
    """
    if a.start_s is None or b.start_s is None:
        return None
    exposure = a.frame.camera.exposure_s or 0.0
    slack = 1.0 if max(a.resolution_s, b.resolution_s) >= 1.0 else 0.0
    # Sets can be joined out of order; a clock that went backwards is a pause all the same.
    apart = b.start_s - a.start_s if b.start_s >= a.start_s else a.start_s - b.start_s + exposure
    idle = max(apart - exposure - slack, 0.0)
    if exposure >= 1.0 and idle >= 0.7 * exposure:
        idle = max(idle - exposure, 0.0)
    return idle


def believed_ev(nominal: float | None, link: ContentLink, settings: GroupSettings) -> float | None:
    """The exposure step between two frames, after looking.

    Where the light falls and the shutter follows, the nominal step leaves the picture as bright as it was: no
    step of a bracket. Where camera data are silent, only the picture speaks.
    """
    if nominal is None:
        # Of frames hardly to be compared, one may be black or white: then brightness is what tells.
        return link.ev if link.odds > -settings.lookback_odds else None
    seen = link.ev if link.view in ("same", "overlap") else None
    if seen is None:
        return nominal
    if abs(nominal) >= settings.ev_same and abs(nominal) <= settings.drift_max_ev:
        share = seen / nominal
        if share < settings.drift_share:
            return nominal * max(share, 0.0)
    if abs(nominal) < settings.ev_same and abs(seen) > settings.ev_unsaid:
        return seen
    return nominal


def clash_between(a: Shot, b: Shot) -> float:
    """Whether lens, focal length, orientation or size differ as they never do within a set, 0..1."""
    one, two = a.frame, b.frame
    worst = 0.0
    if one.camera.lens and two.camera.lens and one.camera.lens != two.camera.lens:
        worst = 1.0
    if one.camera.focal_mm and two.camera.focal_mm:
        ratio = abs(math.log(one.camera.focal_mm / two.camera.focal_mm))
        worst = max(worst, min(ratio / math.log(1.15), 1.0))
    if min(one.width_px, one.height_px, two.width_px, two.height_px) > 0:
        turned = (one.width_px > one.height_px) != (two.width_px > two.height_px)
        area = abs(math.log(one.width_px * one.height_px / (two.width_px * two.height_px)))
        if turned and one.width_px != one.height_px and two.width_px != two.height_px:
            worst = 1.0
        elif area > 0.05:
            worst = max(worst, 0.8)
    return worst


_LEAST_STEP_EV = 0.3  # a third of a stop, the smallest there is

_KIND_OF_SEQUENCE = {
    "exposure bracket": "bracket", "focus stack": "stack", "panorama segment": "panorama", "burst denoise": "burst",
}


def mark_between(a: CameraData, b: CameraData, settings: GroupSettings) -> tuple[float, str]:
    """Evidence of sequence marks: (nats for belonging together, kind named or "")."""
    nats, kind = 0.0, ""
    if a.sequence is not None and b.sequence is not None and a.sequence.sequence_id and b.sequence.sequence_id:
        same = (a.sequence.sequence_id, a.sequence.sequence_type) == (b.sequence.sequence_id, b.sequence.sequence_type)
        if same and a.sequence.index is not None and b.sequence.index is not None:
            same = b.sequence.index > a.sequence.index
        if same and a.sequence.final:
            same = False
        nats += settings.sequence_nats if same else -settings.sequence_nats
        kind = _KIND_OF_SEQUENCE.get(a.sequence.sequence_type.strip().casefold(), "") if same else ""
    elif (a.sequence is None) != (b.sequence is None):
        nats -= 0.5 * settings.sequence_nats
    if a.bracket_shot is not None and b.bracket_shot is not None and (a.bracket_shot or b.bracket_shot):
        follows = b.bracket_shot == a.bracket_shot + 1
        nats += settings.maker_nats if follows else -settings.maker_nats
        kind = kind or ("bracket" if follows and a.bracket_mark and b.bracket_mark else "")
    elif a.bracket_mark is not None and b.bracket_mark is not None and a.bracket_mark != b.bracket_mark:
        nats -= settings.maker_nats
    if a.sequence_number and b.sequence_number and b.sequence_number == a.sequence_number + 1:
        nats += 0.5 * settings.maker_nats
    return nats, kind


def frame_links(gallery: Gallery) -> dict[tuple[int, int], Link]:
    """Links of every frame to the next, and across frames that fit neither side (strays).

    The number of links, and of comparisons behind them, grows with the number of frames.
    """
    shots, settings = gallery.shots, gallery.settings
    found: dict[tuple[int, int], Link] = {}
    names = _name_evidence(shots)
    for j in range(1, len(shots)):
        found[j - 1, j] = _by_way_of_others(gallery, found, j, link_between(gallery, j - 1, j, name=names[j - 1]))
        for back in range(2, settings.strays_skipped + 2):
            i = j - back
            # Everything between must fit neither side.
            if i < 0 or found[i, i + 1].content.view in ("same", "overlap"):
                continue
            if found[j - 1, j].content.view in ("same", "overlap"):
                continue
            link = link_between(gallery, i, j)
            if link.content.view in ("same", "overlap"):
                found[i, j] = link
                break
    found = _with_surroundings(_in_step(found, len(shots), settings), len(shots), settings)
    return _turned_on(found, len(shots), settings)


def _by_way_of_others(gallery: Gallery, found: dict[tuple[int, int], Link], j: int, link: Link) -> Link:
    """Where exposure parts two frames too far to compare, look for the view in earlier frames of the set.

    A bracket of 0, -2, +2, -4, +4 EV has 8 EV between its last two; both still resemble the first.
    """
    settings = gallery.settings
    if link.clash >= 1 or link.content.view in ("same", "overlap") or link.content.odds <= -12:
        return link
    if link.ev_nominal is not None and abs(link.ev_nominal) < settings.far_exposure_ev:
        return link
    step, x, y = link.ev_nominal, 0.0, 0.0
    for k in range(j - 2, max(j - 2 - settings.far_exposure_reach, -1), -1):
        earlier = found[k, k + 1]
        if earlier.content.view != "same":
            break
        x, y = x - earlier.content.shift_x, y - earlier.content.shift_y
        nearer = None if step is None or earlier.ev_nominal is None else step + earlier.ev_nominal
        step = nearer
        if nearer is not None and link.ev_nominal is not None and abs(nearer) > abs(link.ev_nominal) - 1:
            continue
        seen = gallery.compare(k, j, far=False)
        if seen.view == "same":
            chained = sum(found[m, m + 1].ev or 0.0 for m in range(k, j - 1))
            ev = None if seen.ev is None else seen.ev - chained
            x, y = x + seen.shift_x, y + seen.shift_y
            seen = replace(seen, shift_x=x, shift_y=y, ev=ev, zoom=0.0, agreement=min(seen.agreement, 0.8))
            return replace(link, content=seen, ev=believed_ev(link.ev_nominal, seen, settings))
    return link


def _in_step(
    found: dict[tuple[int, int], Link], count: int, settings: GroupSettings
) -> dict[tuple[int, int], Link]:
    """Believe a doubtful overlap that steps as far as the sure ones beside it: a panorama is turned evenly.

    The best shift of two unrelated pictures falls that near another only once in some hundred times.
    """
    sure = {
        k: (found[k, k + 1].content.shift_x, found[k, k + 1].content.shift_y) for k in range(count - 1)
        if found[k, k + 1].content.view == "overlap" and found[k, k + 1].content.odds > settings.lookback_odds
    }
    result = dict(found)
    for k in range(count - 1):
        seen = found[k, k + 1].content
        if seen.view != "other" or seen.odds < -settings.step_odds or found[k, k + 1].clash >= 1 or seen.support <= 0:
            continue
        beside = [sure[n] for n in (k - 2, k - 1, k + 1, k + 2) if n in sure]
        if any(
            math.hypot(abs(seen.shift_x) - abs(x), abs(seen.shift_y) - abs(y)) < settings.step_evenness
            for x, y in beside
        ):
            overlap = max(1 - max(abs(seen.shift_x), abs(seen.shift_y)), 0.05)
            result[k, k + 1] = replace(
                found[k, k + 1], content=replace(seen, view="overlap", odds=1.0, overlap=overlap)
            )
    return result


def _turned_on(
    found: dict[tuple[int, int], Link], count: int, settings: GroupSettings
) -> dict[tuple[int, int], Link]:
    """Believe that a view goes on with the panorama right beside it though nothing in their overlap says so.

    Of the overlaps of panoramas one in fifteen holds too little to be laid together. Where nothing was set anew and the
    pause is that of the steps beside it, that is likelier than another picture begun in the same breath.
    """
    result = dict(found)
    for k in range(count - 1):
        link = found[k, k + 1]
        # What lies between two frames that fit is a stray, unless they are far apart in time and it is near the first.
        across = [found[jump] for jump in ((k - 1, k + 1), (k, k + 2)) if jump in found]
        if any(jump.rhythm < settings.rhythm_broken for jump in across):
            continue
        if link.content.view != "other" or not _nothing_set(link, settings):
            continue
        near = _turn_beside(found, k, settings, alone=bool(across))
        if near is not None:
            seen = replace(near, odds=0.0, agreement=link.content.agreement, support=link.content.support, ev=None)
            result[k, k + 1] = replace(link, content=seen)
    return result


def _turn_beside(
    found: Mapping[tuple[int, int], Link], k: int, settings: GroupSettings, *, alone: bool
) -> ContentLink | None:
    """How the camera was turned in the two steps beside that from k to k + 1, where it surely was.

    With `alone`, a sure step before is enough: a view that was left for another try of the whole has none after it.
    """
    for beside in ((k - 1, k + 1), (k + 1, k + 2), (k - 1, k - 2)):
        steps = [found[n, n + 1] for n in beside if (n, n + 1) in found]
        turned = [step.content for step in steps if _is_turn(step, settings)]
        if len(turned) == 2 and _sure_turn(turned[0], turned[1], settings):
            return turned[0]
    before = found.get((k - 1, k))
    if alone and before is not None and _is_turn(before, settings) and before.content.odds > settings.lookback_odds:
        return before.content
    return None


def _is_turn(link: Link, settings: GroupSettings) -> bool:
    """Whether the camera was turned between two frames, and nothing else was done to it."""
    return link.content.view == "overlap" and _nothing_set(link, settings)


def _sure_turn(one: ContentLink, two: ContentLink, settings: GroupSettings) -> bool:
    """Whether two overlaps are those of a camera that was turned: one is sure, or both stepped on alike."""
    alike = math.hypot(one.shift_x - two.shift_x, one.shift_y - two.shift_y) < settings.step_evenness
    return alike or max(one.odds, two.odds) > settings.lookback_odds


def _nothing_set(link: Link, settings: GroupSettings) -> bool:
    """Whether the camera data say that nothing was set anew between two frames, and the pause is the usual one."""
    return (
        link.ev_nominal is not None
        and abs(link.ev_nominal) < settings.ev_same
        and not link.aperture_changed
        and (link.focus_step is None or abs(link.focus_step) <= settings.focus_written_dpt)
        and link.clash <= 0
        and link.mark >= 0
        and link.idle_s is not None
        and 1 / settings.rhythm_kept <= link.rhythm < settings.rhythm_kept
    )


def link_between(gallery: Gallery, i: int, j: int, name: float = 0.0) -> Link:
    """All evidence between two frames of a stream."""
    a, b = gallery.shots[i], gallery.shots[j]
    settings = gallery.settings
    one, two = a.frame.camera, b.frame.camera
    idle, clash = idle_between(a, b), clash_between(a, b)
    if clash >= 1 or (idle is not None and idle > settings.gap_s):
        # Nothing in the pictures could keep these in one set.
        seen = content.APART
    else:
        seen = gallery.compare(i, j)
    level_a, level_b = gallery.level_ev(i), gallery.level_ev(j)
    nominal = None if level_a is None or level_b is None else level_b - level_a
    nats, kind = mark_between(one, two, settings)
    return Link(
        idle_s=idle,
        content=seen,
        ev_nominal=nominal,
        ev=believed_ev(nominal, seen, settings),
        aperture_changed=bool(one.f_number and two.f_number and one.f_number != two.f_number),
        focus_step=focus_step(one.focus_m, two.focus_m),
        focus=gallery.compare_focus(i, j, seen),
        clash=clash,
        by_itself=idle is not None and idle <= settings.by_itself_s and _compensated(one.bias_ev, two.bias_ev, nominal),
        mark=nats,
        mark_kind=kind,
        name=name,
    )


def _compensated(a: float | None, b: float | None, nominal_ev: float | None) -> bool:
    """Whether written exposure compensation stepped, and the exposure with it."""
    if a is None or b is None or nominal_ev is None:
        return False
    return abs(b - a) > _LEAST_STEP_EV and abs(b - a - nominal_ev) < _LEAST_STEP_EV


def focus_step(a: float | None, b: float | None) -> float | None:
    """Change of focus in dioptres, positive towards the camera."""
    if a is None or b is None or a <= 0 or b <= 0:
        return None
    return 1 / b - 1 / a


def _with_surroundings(
    found: dict[tuple[int, int], Link], count: int, settings: GroupSettings
) -> dict[tuple[int, int], Link]:
    """Set each pause and shift against what is usual around it."""
    reach = settings.surroundings
    shifts = np.full(max(count - 1, 0), np.nan)
    idles = np.full(max(count - 1, 0), np.nan)
    for k in range(count - 1):
        link = found[k, k + 1]
        if link.content.view == "same":
            shifts[k] = link.content.shift
        if link.idle_s is not None and link.content.view != "other":
            idles[k] = link.idle_s
    sureness = _steady(np.array([zoom_sureness(found[k, k + 1].content, settings) for k in range(count - 1)]))
    comparable = ComparablePauses(found, count, settings)
    result: dict[tuple[int, int], Link] = {}
    for (i, j), link in found.items():
        zoom = float(sureness[i]) if j == i + 1 else zoom_sureness(link.content, settings)
        low, high = max(i - reach, 0), min(i + reach + 1, count - 1)
        usual_shift = _median(shifts[low:high], settings.shift_floor)
        rhythm, breaks = 1.0, False
        if link.idle_s is not None:
            others = idles[comparable.to(i, j, link)]
            known = others[~np.isnan(others)]
            # A pause on its own keeps no rhythm. But who sets another exposure by hand over the same view takes his
            # time.
            set_anew = link.content.view == "same" and abs(link.ev_nominal or 0.0) >= settings.ev_set_anew
            rhythm = 1.0 if set_anew else settings.rhythm_kept
            if known.size:
                rhythm = rhythm_of(link.idle_s, _median(np.append(known, link.idle_s), 0.0), settings)
                breaks = rhythm > settings.rhythm_broken and _steady_pauses(known, settings)
        reframe = link.content.shift / max(usual_shift, settings.shift_floor)
        result[i, j] = replace(link, rhythm=rhythm, breaks_steady=breaks, reframe=reframe, zoom_sureness=zoom)
    return result


class ComparablePauses:
    """Which pauses around one may say what is usual there.

    Turning the head takes its own time: views keep the rhythm of views. A walk ends all rhythm.
    """

    def __init__(self, found: Mapping[tuple[int, int], Link], count: int, settings: GroupSettings) -> None:
        between = [found[k, k + 1] for k in range(count - 1)]
        walks = np.array([link.idle_s is not None and link.idle_s > settings.gap_s for link in between], np.intp)
        self._turns = np.array([link.content.view == "overlap" for link in between], np.bool_)
        self._stretch = 2 * np.cumsum(walks) - walks
        self._reach = settings.surroundings

    def to(self, i: int, j: int, link: Link) -> NDArray[np.intp]:
        """Places k of the pauses between k and k + 1 that compare with the one between i and j."""
        low, high = max(i - self._reach, 0), min(i + self._reach + 1, len(self._turns))
        turned = link.content.view != "same" and bool(self._turns[max(i - 1, 0) : j + 1].any())
        near = (self._turns[low:high] == turned) & (self._stretch[low:high] == self._stretch[i])
        places = low + np.flatnonzero(near)
        others: NDArray[np.intp] = places[places != i]
        return others


def _steady_pauses(idles: NDArray[np.float64], settings: GroupSettings) -> bool:
    """Whether most pauses are alike: where they vary, a long one says little."""
    if idles.size < settings.steady_pauses:
        return False
    low, high = np.percentile(idles, (25, 75)) + settings.rhythm_jitter_s
    return bool(high < settings.steady_spread * low)


def rhythm_of(idle_s: float, usual_s: float, settings: GroupSettings) -> float:
    """A pause over the usual one, both taken as longer by what pauses vary of themselves."""
    return (idle_s + settings.rhythm_jitter_s) / (usual_s + settings.rhythm_jitter_s)


def zoom_sureness(seen: ContentLink, settings: GroupSettings) -> float:
    """Change of scale over what registration alone may feign; ``nan`` where the camera was not still enough to say."""
    if seen.view != "same":
        return math.nan
    still = seen.shift <= settings.still_shift and abs(seen.turn_deg) <= settings.still_turn_deg
    # What does not match (clipping, wind) may pull the scale, and so does a head that gives.
    moved = math.hypot(seen.shift, math.radians(seen.turn_deg))
    doubt = settings.breathing_unsure * (1 - seen.agreement)
    doubt += (settings.breathing_moved if still else settings.breathing_loose) * moved
    sureness = seen.zoom / (settings.breathing_zoom + doubt)
    return sureness if still or abs(sureness) > 1 else math.nan


def _steady(single: NDArray[np.float64]) -> NDArray[np.float64]:
    """Let neighbours whose scale steps the same way speak together.

    What chance adds to a frame's scale enters the links on both its sides with opposite signs, so along a run it does
    not add up and small steps of one sign do. Each step of a run counts as the least of them, so that a large one
    beside them lends them nothing.
    """
    best = single.copy()
    for length in range(2, 6):
        if len(single) < length:
            break
        runs = np.lib.stride_tricks.sliding_window_view(single, length)
        least = length * np.abs(runs).min(axis=1)
        for start in np.flatnonzero(np.all(runs > 0, axis=1) | np.all(runs < 0, axis=1)):
            part = best[start : start + length]
            part[np.abs(part) < least[start]] = math.copysign(least[start], runs[start][0])
    return best


def _median(values: NDArray[np.float64], default: float) -> float:
    known = [v for v in values.tolist() if v == v]
    return median(known) if known else default


def _name_evidence(shots: Sequence[Shot]) -> list[float]:
    """What the names of neighbours say where either has no time: -1 for a new stem, up to 1 for the same one.

    A stem shared by two or three files ("pier_a", "pier_b") is a pair or a set; one shared by forty is a counter
    and says next to nothing.
    """
    stems = [_stem(s.frame.name) for s in shots]
    lengths: dict[int, int] = {}
    run = 0
    for k, stem in enumerate(stems):
        run = run + 1 if k and stem == stems[k - 1] else 1
        lengths[k - run + 1] = run
    evidence: list[float] = []
    start = 0
    for k in range(1, len(stems)):
        timed = shots[k].start_s is not None and shots[k - 1].start_s is not None
        if stems[k] != stems[k - 1]:
            start = k
        if timed:
            evidence.append(0.0)
        else:
            evidence.append(-1.0 if start == k else 2 / lengths[start])
    return evidence


def _stem(name: str) -> str:
    folded = name.casefold()
    if len(folded) > 2 and folded[-1].isalpha() and folded[-2] in "_- .":
        return folded[:-2]
    counter = counter_of(folded)
    return counter[0] if counter else folded
