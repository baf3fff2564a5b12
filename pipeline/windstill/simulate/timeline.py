"""From a description to the frames in the order of true time, and the sets they form.

Everything random about the order of work is drawn here from the description's seed; what comes after is a function
of the frames.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from windstill.records import Kind, make_set_id
from windstill.simulate.describe import Axis, Body, Description, Scene, Shot
from windstill.simulate.series import exact_aperture, exact_iso, exact_shutter
from windstill.simulate.wind import Gusts

KIND_OF_AXIS: dict[Axis, Kind] = {"view": "panorama", "focus": "stack", "exposure": "bracket", "repeat": "burst"}


_HIGHEST_ISO = 25_600


@dataclass(frozen=True, slots=True)
class Exposure:
    """One frame as it is taken. Angles in radians, lengths in metres, exact exposure values.

    `t_s` is true time since the start of the shoot at which the shutter opens. `shake_rad` is the amplitude of
    shake, `settle_rad` that of ringing `since_move_s` after the camera was last touched.
    """

    index: int
    shot: int
    take: int
    scene: int
    body: int
    name: str
    t_s: float
    written_at: datetime
    exposure_s: float
    f_number: float
    iso: float
    focal_mm: float
    focus_m: float
    yaw: float
    pitch: float
    roll: float
    at: tuple[float, float, float]
    wind_ms: float
    light_ev: float
    shake_rad: float = 0.0
    settle_rad: float = 0.0
    since_move_s: float = 1e3
    bias_ev: float = 0.0
    metered_ev: float = 0.0
    view: int | None = None
    row: int | None = None
    focus: int | None = None
    step: int | None = None
    repeat: int | None = None
    marked: str | None = None
    mark_index: int = 0
    mark_count: int = 0
    mark_id: str = ""


@dataclass(frozen=True, slots=True)
class TrueSet:
    """One set as it was meant. `axis` relates its children; members are frame names or ids of child sets."""

    set_id: str
    parent_set: str | None
    scene: int
    take: int
    kind: Kind
    members: tuple[str, ...]
    frames: tuple[int, ...]
    axis: Axis | None
    aborted: bool = False


@dataclass(frozen=True, slots=True)
class Timeline:
    """All frames in order of true time, and the sets (parents before children)."""

    frames: tuple[Exposure, ...]
    sets: tuple[TrueSet, ...]


@dataclass(slots=True)
class _Counter:
    """The numbering of one body's card."""

    body: Body
    folder: int = 0
    number: int = 0
    in_folder: int = 0

    def __post_init__(self) -> None:
        self.folder, self.number = self.body.first_folder, self.body.first_number

    def next(self) -> str:
        if self.number > 9999 or self.in_folder >= self.body.frames_per_folder:
            if self.number > 9999:
                self.number = 1
            self.folder = self.folder + 1 if self.folder < 999 else 100
            self.in_folder = 0
        name = f"DCIM/{self.folder}{self.body.folder}/{self.body.prefix}{self.number:04d}"
        self.number += 1
        self.in_folder += 1
        return name


@dataclass(frozen=True, slots=True)
class _Step:
    """Where one frame stands in its shot."""

    view: int | None = None
    row: int | None = None
    focus: int | None = None
    step: int | None = None
    repeat: int | None = None
    chain: tuple[tuple[Axis, int], ...] = ()


@dataclass(slots=True)
class _Taken:
    """A take on its way to becoming sets."""

    shot: int
    take: int
    role: str
    frames: list[Exposure] = field(default_factory=list)
    chains: list[tuple[tuple[Axis, int], ...]] = field(default_factory=list)
    aborted: bool = False


def lay_out(description: Description) -> Timeline:
    """Frames and sets of a description.

    Parameters
    ----------
    description : Description

    Returns
    -------
    Timeline
        Deterministic: the same description gives the same timeline.
    """
    scenes = {s.name: (i, s) for i, s in enumerate(description.scenes)}
    bodies = {b.name: (i, b) for i, b in enumerate(description.bodies)}
    counters = [_Counter(b) for b in description.bodies]
    now = 0.0
    taken: list[_Taken] = []
    for number, shot in enumerate(description.shots):
        scene_index, scene = scenes[shot.scene]
        body_index, body = bodies[shot.body]
        for take in range(shot.takes):
            rng = np.random.default_rng([description.seed, 31, number, take])
            now = shot.start_s if shot.start_s is not None and take == 0 else now + shot.pause_s
            if shot.wait_for_lull:
                wind = scene.wind
                now = Gusts(wind, description.seed + scene.seed).next_lull(now)
            one = _take(description, shot, number, take, scene_index, scene, body_index, body, now, rng)
            taken.append(one)
            last = one.frames[-1]
            now = last.t_s + last.exposure_s
    return _number_and_nest(taken, description, counters)


def focus_positions(shot: Shot, rng: np.random.Generator) -> list[float]:
    """Focus distances of a stack in the order as shot, metres: even in 1 / distance, or uneven by hand."""
    f = shot.focus
    if f.positions_m:
        positions = list(f.positions_m)
    else:
        near, far = 1 / f.near_m, 1 / f.far_m
        share = np.arange(f.count) / max(f.count - 1, 1)
        if f.by_hand and f.count > 2:
            inner = share[1:-1] + rng.uniform(-0.3, 0.3, f.count - 2) / (f.count - 1)
            share = np.concatenate([share[:1], inner, share[-1:]])
        positions = [float(1 / (near + (far - near) * s)) for s in share]
        if f.order == "far-near":
            positions.reverse()
    if f.repeat_position is not None and f.repeat_position <= len(positions):
        positions.insert(f.repeat_position, positions[f.repeat_position - 1])
    return positions


def _axis_length(shot: Shot, axis: Axis, positions: Sequence[float]) -> int:
    if axis == "view":
        return shot.views.count * shot.views.rows
    if axis == "focus":
        return len(positions)
    if axis == "exposure":
        return len(shot.exposures.steps_ev)
    return shot.repeats


def _steps(order: tuple[Axis, ...], lengths: dict[Axis, int], shot: Shot) -> Iterator[_Step]:
    counts = [lengths[a] for a in order]
    for flat in range(math.prod(counts)):
        step = _Step()
        chain: list[tuple[Axis, int]] = []
        rest = flat
        for k in range(len(order) - 1, -1, -1):
            i = rest % counts[k]
            rest //= counts[k]
            chain.insert(0, (order[k], i))
            if order[k] == "view":
                row = i // shot.views.count
                col = i % shot.views.count
                # A second row is photographed on the way back.
                if row % 2:
                    col = shot.views.count - 1 - col
                step = replace(step, view=col, row=row)
            elif order[k] == "focus":
                step = replace(step, focus=i)
            elif order[k] == "exposure":
                step = replace(step, step=i)
            else:
                step = replace(step, repeat=i)
        yield replace(step, chain=tuple(chain))


def _take(
    description: Description, shot: Shot, number: int, take: int, scene_index: int, scene: Scene, body_index: int,
    body: Body, now: float, rng: np.random.Generator,
) -> _Taken:
    positions = focus_positions(shot, rng)
    order: tuple[Axis, ...] = shot.order
    if not order and shot.repeats > 1:
        order = ("repeat",)
    steps = list(_steps(order, {a: _axis_length(shot, a, positions) for a in order}, shot)) if order else [_Step()]
    aborted = shot.abort_after is not None and shot.abort_after < len(steps)
    if aborted:
        steps = steps[: shot.abort_after]
    unit = math.atan(body.sensor_mm / 6000 / scene.focal_mm)
    long_px, short_px = description.size_px
    width, height = (short_px, long_px) if scene.upright else (long_px, short_px)
    pitch_mm = body.sensor_mm / long_px
    across = 2 * math.atan(width * pitch_mm / 2 / scene.focal_mm)
    up = 2 * math.atan(height * pitch_mm / 2 / scene.focal_mm)
    aim = np.radians(shot.aim_deg) + rng.normal(0, 1, 2) * math.radians(shot.reframe_deg)
    aim[1] += math.radians(scene.pitch_deg)
    f_number, iso = exact_aperture(shot.f_number), exact_iso(shot.iso)
    light = description.light_ev - description.light_fall_ev_min * now / 60
    metered = 2 ** (-light + shot.compensation_ev) * f_number**2 * 100 / iso
    while shot.exposure_s is None and metered > shot.longest_s and iso < _HIGHEST_ISO:
        iso = exact_iso(iso * 2 ** (1 / 3))
        metered = 2 ** (-light + shot.compensation_ev) * f_number**2 * 100 / iso
    metered = min(metered, 4 * shot.longest_s)
    base = exact_shutter(shot.exposure_s if shot.exposure_s is not None else metered)
    one = _Taken(number, take, shot.role, aborted=aborted)
    previous: _Step | None = None
    touched = now - 30.0
    for step in steps:
        if previous is not None:
            pause = shot.interval_s
            if step.view != previous.view or step.row != previous.row:
                pause += shot.view_pause_s
            if step.focus != previous.focus:
                pause += shot.focus_pause_s
            now += pause * float(rng.uniform(1 - shot.irregular, 1 + shot.irregular))
            if step.view != previous.view or step.row != previous.row:
                touched = now - 0.6 * shot.view_pause_s
            elif step.focus != previous.focus and shot.focus.by_hand:
                touched = now - 0.5 * shot.focus_pause_s
        previous = step
        t, n, s = base, f_number, iso
        bias = 0.0
        if step.step is not None:
            bias = shot.exposures.steps_ev[step.step]
            exact = round(bias * 3) / 3
            if shot.exposures.by == "shutter":
                t = exact_shutter(t * 2**exact)
            elif shot.exposures.by == "iso":
                s = exact_iso(s * 2**exact)
            else:
                n = exact_aperture(n * 2 ** (-exact / 2))
        yaw, tilt = float(aim[0]), float(aim[1])
        at = [0.0, 0.0, 0.0]
        if step.view is not None:
            v = shot.views
            place = step.view - (v.count - 1) / 2
            if v.direction == "left":
                place = -place
            yaw += place * across * (1 - v.overlap_pct / 100)
            if step.row is not None and v.rows > 1:
                tilt += ((v.rows - 1) / 2 - step.row) * up * (1 - v.overlap_pct / 100)
            if v.ev_drift:
                t = exact_shutter(t * 2 ** v.ev_drift[step.view % len(v.ev_drift)])
            ahead = v.pivot_offset_mm / 1000
            at[0] += ahead * math.sin(yaw)
            at[2] += ahead * (math.cos(yaw) - 1)
        jitter = rng.normal(0, 0.6, 2) * shot.shift_px * unit
        yaw += float(jitter[0])
        tilt += float(jitter[1]) + shot.sink_px * unit * (now - one.frames[0].t_s if one.frames else 0.0) / 60
        roll = math.radians(float(rng.normal(0, 0.6)) * shot.roll_deg)
        move = rng.normal(0, 0.6, 3) * shot.translate_mm / 1000
        at = [at[0] + float(move[0]), at[1] + float(move[1]), at[2] + 0.3 * float(move[2])]
        shake = shot.shake_px * unit * float(rng.uniform(0.5, 1.2))
        if shot.handheld:
            drift = rng.normal(0, 1, 3)
            yaw += float(drift[0]) * math.radians(0.12)
            tilt += float(drift[1]) * math.radians(0.12)
            roll += float(drift[2]) * math.radians(0.15)
            at = [a + float(m) * 0.004 for a, m in zip(at, rng.normal(0, 1, 3), strict=True)]
        focus = positions[step.focus] if step.focus is not None else shot.focus_m
        mark = shot.order[-1] if shot.order and description.files.marks and shot.order[-1] != "repeat" else None
        inner = [c for c in step.chain if c[0] == mark]
        one.frames.append(Exposure(
            index=0, shot=number, take=take, scene=scene_index, body=body_index, name="", t_s=now,
            written_at=description.start, exposure_s=t, f_number=n, iso=s, focal_mm=scene.focal_mm, focus_m=focus,
            yaw=yaw, pitch=tilt, roll=roll, at=(at[0], at[1], at[2]),
            wind_ms=shot.wind_ms if shot.wind_ms is not None else scene.wind.speed_ms,
            light_ev=description.light_ev - description.light_fall_ev_min * now / 60, shake_rad=shake,
            settle_rad=shot.settle_px * unit, since_move_s=now - touched, bias_ev=bias,
            metered_ev=math.log2(t / metered) + math.log2(s / iso) - 2 * math.log2(n / f_number),
            view=step.view, row=step.row, focus=step.focus, step=step.step, repeat=step.repeat,
            marked=mark, mark_index=inner[0][1] + 1 if inner else 0,
            mark_count=_axis_length(shot, mark, positions) if mark else 0,
            mark_id=f"{number}-{take}-" + "-".join(f"{a[0]}{i}" for a, i in step.chain[:-1]) if mark else "",
        ))
        one.chains.append(step.chain)
        now += t
    return one


def _number_and_nest(taken: list[_Taken], description: Description, counters: list[_Counter]) -> Timeline:
    """Name files in the order each body took them, put frames in true order, and form the sets."""
    flat = [(f.t_s, i, j) for i, one in enumerate(taken) for j, f in enumerate(one.frames)]
    flat.sort()
    frames: list[Exposure] = []
    index_of: dict[tuple[int, int], int] = {}
    for k, (_, i, j) in enumerate(flat):
        f = taken[i].frames[j]
        body = description.bodies[f.body]
        name = counters[f.body].next()
        if description.files.names == "scan":
            name = f"DCIM/scans/print_{k + 1:03d}"
        written = description.start + timedelta(seconds=f.t_s + body.clock_offset_s)
        frames.append(replace(f, index=k, name=name, written_at=written))
        index_of[i, j] = k
    places: list[tuple[str, float, _Span]] = []
    takes_seen: dict[tuple[int, Kind], int] = {}
    sets: list[TrueSet] = []
    for i in sorted(range(len(taken)), key=lambda i: taken[i].frames[0].t_s):
        one = taken[i]
        members = [(one.chains[j], index_of[i, j]) for j in range(len(one.frames))]
        scene = _scene_number(places, description, description.shots[one.shot].scene, one.frames)
        formed = _nest(members, frames, None, one.aborted)
        kind = formed[0].kind
        takes_seen[scene, kind] = take = takes_seen.get((scene, kind), 0) + 1
        sets.extend(replace(s, scene=scene, take=take) for s in formed)
    return Timeline(tuple(frames), tuple(sets))


_Span = tuple[float, float, float, float]
"""Left, right, lower and upper bound of what a set sees, radians."""


def _scene_number(
    places: list[tuple[str, float, _Span]], description: Description, name: str, frames: list[Exposure]
) -> int:
    """CONTRACT's scene: what shares at least half of the picture (of its span), at focal lengths within 15 %."""
    scene = next(s for s in description.scenes if s.name == name)
    long_px, short_px = description.size_px
    width, height = (short_px, long_px) if scene.upright else (long_px, short_px)
    pitch_mm = description.bodies[frames[0].body].sensor_mm / long_px
    across, up = (math.atan(side * pitch_mm / 2 / scene.focal_mm) for side in (width, height))
    yaw, tilt = [f.yaw for f in frames], [f.pitch for f in frames]
    span = (min(yaw) - across, max(yaw) + across, min(tilt) - up, max(tilt) + up)
    field = scene.focal_mm / description.bodies[frames[0].body].sensor_mm
    for number, (other, other_field, seen) in enumerate(places, 1):
        common = max(0.0, min(span[1], seen[1]) - max(span[0], seen[0]))
        common *= max(0.0, min(span[3], seen[3]) - max(span[2], seen[2]))
        larger = max((s[1] - s[0]) * (s[3] - s[2]) for s in (span, seen))
        if other == name and abs(math.log(field / other_field)) <= math.log(1.15) and common >= 0.5 * larger:
            return number
    places.append((name, field, span))
    return len(places)


def _nest(
    members: list[tuple[tuple[tuple[Axis, int], ...], int]], frames: list[Exposure], parent: str | None, aborted: bool
) -> list[TrueSet]:
    """Sets of one take, parents first. An axis along which nothing changes makes no set."""
    chains = [c for c, _ in members]
    depth = 0
    while depth < len(chains[0]) and len({c[depth] for c in chains}) == 1:
        depth += 1
    indices = tuple(k for _, k in members)
    first = frames[indices[0]].name
    if len(members) == 1 or depth == len(chains[0]):
        return [TrueSet(make_set_id(first, "single"), parent, 0, 0, "single", (first,), indices, None, aborted)]
    axis = chains[0][depth][0]
    kind = KIND_OF_AXIS[axis]
    set_id = make_set_id(first, kind)
    groups: dict[int, list[tuple[tuple[tuple[Axis, int], ...], int]]] = {}
    for c, k in members:
        groups.setdefault(c[depth][1], []).append((c, k))
    below: list[TrueSet] = []
    names: list[str] = []
    for group in groups.values():
        if len(group) == 1:
            names.append(frames[group[0][1]].name)
        else:
            formed = _nest(group, frames, set_id, False)
            below.extend(formed)
            names.append(formed[0].set_id)
    return [TrueSet(set_id, parent, 0, 0, kind, tuple(names), indices, axis, aborted), *below]
