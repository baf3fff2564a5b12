"""What is true of a simulated shoot, computed from the scene and never from the pictures.

Sharpness of a thing in a frame, for relevance and coverage: the fine detail of natural texture falls as 1 / sigma of
the whole blur (its spectrum is near 1/f, so the root mean square of its gradient goes as 1 / sigma). A disc of
diameter b has a deviation of b / 4 in each direction.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windstill.records import RELATION_OF_KIND, Relation
from windstill.simulate.blooms import Bloom
from windstill.simulate.describe import Description
from windstill.simulate.files import file_names
from windstill.simulate.geometry import apply_homography, apply_similarity, fit_similarity
from windstill.simulate.layers import GAMMA
from windstill.simulate.lens import corner_light
from windstill.simulate.sensor import display
from windstill.simulate.stage import Path as MovePath
from windstill.simulate.stage import Stage
from windstill.simulate.timeline import Exposure, Timeline, TrueSet

Array = NDArray[np.float64]
SHARP_SIGMA_PX = 0.7
"""Pixels. Deviation of the blur that every rendered detail has: pixel, softness, and a little diffraction."""
OTHER_SHARPNESS = 0.2
"""CONTRACT's definition of relevance in a stack: the other frame holds at least a fifth of the sharpness."""
SERVED_DISC_PX = 3.0
"""Pixels. A place is sharp in a frame when its blur disc is at most this (or 0.030 mm, if that is larger)."""
SERVED_WEIGHT = 0.2
"""A place is well exposed in a frame when its blend weight is at least this (displayed brightness 0.14 to 0.86)."""
RUINED_PX, RUINED_AREA_PX, RUINED_AREA, CALM_PX = 5.0, 10.0, 0.1, 1.0
"""At 6000 px along the long side; CONTRACT's definition of ruined and calm."""
LEAST_AREA = 0.0005
"""Share of the picture. A smaller object is no robust maximum by itself."""
_VISIBLE, _PART = 0.25, 0.002
"""A head counts of which so much is seen, of itself or of the picture: a large one's rim is as large as a small one."""
_GRID = (48, 32)
"""Places along the long and the short side where the still scene is looked at."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """The still scene on a coarse grid of one frame: what is in front, how far and how bright."""

    x: Array
    y: Array
    distance: Array
    textured: NDArray[np.bool_]
    light: Array
    layer: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Head:
    """A bloom in one frame."""

    at: Array
    smear_px: float
    smear_angle_deg: float
    blur_px: float
    width_px: float
    height_px: float
    path: MovePath


class SceneTruth:
    """Everything true about the frames and sets of one scene.

    Parameters
    ----------
    description : Description
    timeline : Timeline
    stage : Stage
        The scene; only its layers and blooms are used, nothing is rendered.
    scene : int
        Its index.
    """

    def __init__(self, description: Description, timeline: Timeline, stage: Stage, scene: int) -> None:
        self.description, self.timeline, self.stage, self.scene = description, timeline, stage, scene
        self._seen: dict[int, _Seen] = {}
        self._heads: dict[int, dict[int, _Head]] = {}
        self._frames = {f.name: f for f in timeline.frames if f.scene == scene}
        indices = {f.index for f in self._frames.values()}
        self._own = [s for s in timeline.sets if s.frames[0] in indices]
        self._sets = {s.set_id: s for s in self._own}
        self.unit = description.unit_px

    def rows(self) -> dict[str, Any]:
        """Rows of the scene's frames, pairs (with the private figures sets are judged by) and coverage by set."""
        places = self._places_in_sets()
        return {
            "frames": [self._frame_row(f, places[f.index]) for f in self._frames.values()],
            "pairs": [p for s in self._own for p in self._pairs_of(s)],
            "coverage": {s.set_id: self._coverage(s) for s in self._own},
        }

    def _places_in_sets(self) -> dict[int, dict[str, Any]]:
        """Innermost set and 1-based index along each axis, by frame."""
        places: dict[int, dict[str, Any]] = {f.index: {} for f in self._frames.values()}
        for s in self._own:
            for i, member in enumerate(s.members):
                for f in self._member_frames(member):
                    places[f.index]["set_id"] = s.set_id
                    if s.axis is not None:
                        places[f.index][s.axis] = i + 1
        return places

    def _frame_row(self, frame: Exposure, place: dict[str, Any]) -> dict[str, Any]:
        shake = MovePath(self.stage.shake(frame, self.stage.times(frame, 257))).extent()
        smear, angle = shake
        for bloom in self.stage.blooms:
            head = self._head(frame, bloom)
            if head is not None and head.smear_px > smear and self._area(head) >= LEAST_AREA:
                smear, angle = head.smear_px, head.smear_angle_deg
        return {
            "frame": frame.name, "set_id": place["set_id"], "view_index": place.get("view"),
            "focus_index": place.get("focus"), "exposure_index": place.get("exposure"),
            "smear_px": _r(smear), "smear_angle_deg": _r(angle, 1) if smear > 0 else None, "shake_px": _r(shake[0]),
            "focus_m": frame.focus_m, "files": list(file_names(self.description, frame)),
            "true_time_s": round(frame.t_s, 4), "exposure_s": frame.exposure_s, "f_number": frame.f_number,
            "iso": frame.iso,
        }

    # -- where things are -----------------------------------------------------------------------------------------

    def seen(self, frame: Exposure) -> _Seen:
        """The still scene on a coarse grid."""
        found = self._seen.get(frame.index)
        if found is None:
            found = self._seen[frame.index] = self._look(frame)
        return found

    def _look(self, frame: Exposure) -> _Seen:
        stage = self.stage
        nx, ny = _GRID if stage.width >= stage.height else _GRID[::-1]
        step = max(1, math.ceil(max(stage.width / nx, stage.height / ny)))
        camera = stage.camera(frame)
        rows = (stage.height + step - 1) // step
        shared = camera.surface(0, rows, math.inf, step)
        y, x = np.mgrid[0:rows, 0 : shared[0].shape[1]] * float(step)
        distance = np.full(x.shape, math.inf)
        textured = np.zeros(x.shape, bool)
        light = np.zeros(x.shape)
        which = np.zeros(x.shape, np.int64)
        for k, layer in enumerate(stage.layers):
            aside = math.hypot(*frame.at) * stage.focal_px
            u, v = camera.surface(0, rows, layer.distance_m, step) if aside > 0.05 * layer.distance_m else shared
            opacity, level = layer.look_up(u.astype(np.float64), v.astype(np.float64))
            front = opacity > 0.5
            distance[front] = layer.distance_m
            textured[front] = layer.textured
            light[front] = level[front]
            which[front] = k
        return _Seen(x, y, distance, textured, light * self.corner_light(frame, x, y), which)

    def corner_light(self, frame: Exposure, x: Array | float, y: Array | float) -> Array:
        """Light that the lens leaves of what a place (pixels) would get in the middle of the picture, 0..1."""
        return corner_light(x, y, (self.stage.width, self.stage.height), self.stage.body(frame).vignetting_ev)

    def _head(self, frame: Exposure, bloom: Bloom) -> _Head | None:
        cached = self._heads.setdefault(frame.index, {})
        if bloom.index not in cached:
            stage = self.stage
            path = stage.head_path(bloom, frame)
            mean = path.mean
            if not stage.near_picture(mean):
                return None
            jac = np.abs(stage.camera(frame).jacobian(bloom.u, bloom.v, bloom.distance_m))
            size = 2 * jac @ np.array([bloom.half_u, bloom.half_v])
            smear, angle = path.extent()
            cached[bloom.index] = _Head(
                mean, smear, angle, stage.blur_px(frame, bloom.distance_m), float(size[0]), float(size[1]), path
            )
        return cached[bloom.index]

    def _area(self, head: _Head) -> float:
        """Share of the picture."""
        long_px, short_px = self.description.size_px
        return math.pi / 4 * head.width_px * head.height_px / (long_px * short_px)

    def _visible(self, frame: Exposure, bloom: Bloom, head: _Head) -> float:
        """Share of a head that is inside the picture and behind nothing."""
        stage = self.stage
        grid = np.linspace(-0.9, 0.9, 9)
        gx, gy = np.meshgrid(grid, grid)
        inside = gx**2 + gy**2 <= 0.85
        x = head.at[0] + gx[inside] * head.width_px / 2
        y = head.at[1] + gy[inside] * head.height_px / 2
        free = (x >= 0) & (x < stage.width) & (y >= 0) & (y < stage.height)
        u = bloom.u + gx[inside] * bloom.half_u
        v = bloom.v + gy[inside] * bloom.half_v
        for layer in stage.layers:
            if layer.distance_m < bloom.distance_m:
                free &= layer.look_up(u, v)[0] < 0.5
        for other in stage.blooms:
            if other.distance_m < bloom.distance_m:
                near = self._head(frame, other)
                if near is not None:
                    ex = (x - near.at[0]) / (near.width_px / 2)
                    ey = (y - near.at[1]) / (near.height_px / 2)
                    free &= ex**2 + ey**2 > 1
        return float(free.mean())

    # -- pairs ----------------------------------------------------------------------------------------------------

    def _pairs_of(self, s: TrueSet) -> list[dict[str, Any]]:
        if s.axis is None or len(s.members) < 2:
            return []
        relation = RELATION_OF_KIND[s.kind]
        return [self._pair(s, a, b, relation) for a, b in self._neighbours(s)]

    def _member_frames(self, member: str) -> list[Exposure]:
        if member in self._sets:
            return [self.timeline.frames[i] for i in self._sets[member].frames]
        return [self._frames[member]]

    def _represent(self, member: str) -> Exposure:
        """Middle exposure, middle focus position of a member."""
        frames = self._member_frames(member)
        by_level = sorted(frames, key=lambda f: f.metered_ev)
        level = by_level[len(by_level) // 2].metered_ev
        same = [f for f in frames if abs(f.metered_ev - level) < 0.2]
        return same[len(same) // 2]

    def _neighbours(self, s: TrueSet) -> list[tuple[Exposure, Exposure]]:
        first = [self._represent(m) for m in s.members]
        if s.axis == "focus":
            # A position photographed twice stands beside its double.
            first.sort(key=lambda f: (f.focus_m, f.index))
        elif s.axis == "exposure":
            first.sort(key=lambda f: (f.metered_ev, f.index))
        if s.axis != "view":
            return [_in_time(a, b) for a, b in itertools.pairwise(first)]
        shot = self.description.shots[first[0].shot]
        out = []
        for i, a in enumerate(first):
            for b in first[i + 1 :]:
                beside = a.row == b.row and abs((a.view or 0) - (b.view or 0)) == 1
                above = a.view == b.view and abs((a.row or 0) - (b.row or 0)) == 1 and shot.views.rows > 1
                if beside or above:
                    out.append(_in_time(a, b))
        return out

    def _pair(self, s: TrueSet, a: Exposure, b: Exposure, relation: Relation) -> dict[str, Any]:
        stage = self.stage
        ca, cb = stage.camera(a), stage.camera(b)
        seen = self.seen(b)
        camera_points = self._world(stage, b, seen)
        in_a = ca.project(camera_points)
        in_b = np.stack([seen.x.ravel(), seen.y.ravel()], axis=-1)
        good = np.isfinite(in_a).all(axis=1)
        homography = ca.homography_from(cb)
        overlap = None
        if relation == "view":
            inside = good & (in_a[:, 0] >= 0) & (in_a[:, 0] < ca.width) & (in_a[:, 1] >= 0) & (in_a[:, 1] < ca.height)
            overlap = 100 * float(inside.mean())
            use = inside if inside.sum() >= 8 else good
        else:
            use = good
        mapping = fit_similarity(in_a[use], in_b[use], ca.centre) if use.sum() >= 3 else (0.0, 0.0, 1.0, 0.0)
        regions = []
        for bloom in stage.blooms:
            row = self._region(stage, s, a, b, bloom, relation, mapping, homography)
            if row is not None:
                regions.append(row)
        if relation != "view" and a.at != b.at:
            regions += self._parallax(stage, s, a, b, relation, mapping)
        clouds = self._clouds(stage, a, b)
        if clouds is not None:
            regions.append(clouds)
        sway = [(math.hypot(r["sway_x_px"], r["sway_y_px"]), r["_area"]) for r in regions if r["relevant"]]
        p95 = weighted_percentile([v for v, _ in sway], [w for _, w in sway], 95)
        largest = max((v for v, w in sway if w >= LEAST_AREA), default=0.0)
        pair: dict[str, Any] = {
            "set_id": s.set_id, "frame_a": a.name, "frame_b": b.name, "relation": relation,
            "shift_x_px": _r(mapping[0]), "shift_y_px": _r(mapping[1]), "scale": round(mapping[2], 6),
            "rotation_deg": round(mapping[3], 5), "sway_p95_px": _r(p95), "sway_max_px": _r(largest),
            "regions": [{k: v for k, v in r.items() if not k.startswith("_")} for r in regions], "_sway": sway,
        }
        pair["changing"] = self._changing(a)
        if relation == "view":
            pair["homography"] = [float(f"{v:.9g}") for v in homography.ravel()]
            pair["overlap_pct"] = _r(overlap or 0.0, 2)
        return pair

    def _world(self, stage: Stage, frame: Exposure, seen: _Seen) -> Array:
        camera = stage.camera(frame)
        u, v = _places(camera, seen)
        return camera.place(u, v, seen.distance.ravel())

    def _region(
        self, stage: Stage, s: TrueSet, a: Exposure, b: Exposure, bloom: Bloom, relation: Relation,
        mapping: tuple[float, float, float, float], homography: Array,
    ) -> dict[str, Any] | None:
        ha, hb = self._head(a, bloom), self._head(b, bloom)
        if ha is None or hb is None:
            return None
        visible = self._visible(a, bloom, ha)
        visible_b = self._visible(b, bloom, hb)
        least = min(_VISIBLE, _PART / max(self._area(ha), 1e-9))
        if visible < least or (relation == "view" and visible_b < least):
            return None
        centre = stage.camera(a).centre
        parallax = np.zeros(2)
        if relation == "view":
            # What moved while the camera turned: b as it stood when a was taken, both mapped to a.
            rest = MovePath(stage.camera(b).project(stage.points(
                bloom, stage.bloom_sway_m(bloom, a, stage.times(a, stage.samples(bloom, a)))))).mean
            moved = apply_homography(hb.at, homography) - apply_homography(rest, homography)
            parallax = apply_homography(rest, homography) - ha.at
        else:
            moved = apply_similarity(hb.at, mapping, centre) - ha.at
        if relation == "view":
            inside = 0 <= hb.at[0] < stage.width and 0 <= hb.at[1] < stage.height
            relevant, why = inside, "overlap"
        elif relation == "exposure":
            relevant, why = self._blends(stage, a, b, bloom), "weights"
        elif relation == "focus":
            relevant, why = self._switches(stage, s, a, b, bloom)
        else:
            relevant, why = True, "repeat"
        row = {
            "x_px": _r(ha.at[0]), "y_px": _r(ha.at[1]), "w_px": _r(ha.width_px), "h_px": _r(ha.height_px),
            "sway_x_px": _r(moved[0]), "sway_y_px": _r(moved[1]), "relevant": bool(relevant),
            "smear_px": _r(max(ha.smear_px, hb.smear_px)), "blur_px": _r(max(ha.blur_px, hb.blur_px)),
            "object": bloom.kind, "why": why if relevant else "", "distance_m": _r(bloom.distance_m),
            "visible": _r(min(visible, visible_b), 2), "smear_a_px": _r(ha.smear_px), "smear_b_px": _r(hb.smear_px),
            "smear_angle_deg": _r(ha.smear_angle_deg if ha.smear_px >= hb.smear_px else hb.smear_angle_deg, 1),
            "blur_a_px": _r(ha.blur_px), "blur_b_px": _r(hb.blur_px), "_area": self._area(ha) * visible,
        }
        if relation == "view":
            row["parallax_x_px"], row["parallax_y_px"] = _r(parallax[0]), _r(parallax[1])
        return row

    def _clouds(self, stage: Stage, a: Exposure, b: Exposure) -> dict[str, Any] | None:
        """Drifting clouds, one region: changed by the contract, whatever their displacement, so never relevant."""
        sky = stage.layers[0]
        here = self.seen(a).layer == 0
        if sky.drift_u_s == 0 or not here.any() or stage.scene.clouds < 0.2:
            return None
        seconds = b.t_s + b.exposure_s / 2 - a.t_s - a.exposure_s / 2
        moved = sky.drift_u_s * seconds * stage.camera(a).focal_px
        smear = abs(sky.drift_u_s) * stage.camera(a).focal_px * max(a.exposure_s, b.exposure_s)
        box = _box(self.seen(a), here)
        return {
            **box, "sway_x_px": _r(moved), "sway_y_px": 0.0, "relevant": False, "smear_px": _r(smear),
            "blur_px": _r(max(stage.blur_px(f, math.inf) for f in (a, b))), "object": "clouds",
            "why": "", "visible": 1.0, "_area": float(here.mean()),
        }

    def _parallax(
        self, stage: Stage, s: TrueSet, a: Exposure, b: Exposure, relation: Relation,
        mapping: tuple[float, float, float, float],
    ) -> list[dict[str, Any]]:
        """Still scenery that the camera's own move displaced against the rest: one region for each layer."""
        seen = self.seen(a)
        u, v = _places(stage.camera(a), seen)
        out = []
        for i, layer in enumerate(stage.layers):
            here = (seen.layer == i).ravel()
            if here.mean() < LEAST_AREA or not layer.textured:
                continue
            points = stage.camera(a).place(u[here], v[here], layer.distance_m)
            in_b = stage.camera(b).project(points)
            apart = apply_similarity(in_b, mapping, stage.camera(a).centre) - np.stack(
                [seen.x.ravel()[here], seen.y.ravel()[here]], axis=-1)
            moved = np.median(apart, axis=0)
            if not np.all(np.isfinite(moved)) or math.hypot(*moved) < 0.05:
                continue
            relevant = True
            if relation == "focus":
                relevant = self._switching(stage, s, a, b, layer.distance_m)
            elif relation == "exposure":
                flat, light = stage.body(a).flat_response, seen.light.ravel()[here]
                ia, ib = display(light * stage.gain(a), flat), display(light * stage.gain(b), flat)
                relevant = bool((blend_relevance(ia, ib) >= 0.5).mean() > 0.5)
            blurs = stage.blur_px(a, layer.distance_m), stage.blur_px(b, layer.distance_m)
            out.append({
                **_box(seen, here.reshape(seen.x.shape)), "sway_x_px": _r(moved[0]), "sway_y_px": _r(moved[1]),
                "relevant": relevant, "smear_px": 0.0, "blur_px": _r(max(blurs)), "object": layer.name,
                "why": "parallax" if relevant else "", "distance_m": _r(layer.distance_m), "visible": 1.0,
                "_area": float(here.mean()),
            })
        return out

    def _changing(self, a: Exposure) -> list[dict[str, Any]]:
        """Areas whose texture is another one in every frame: water."""
        out = []
        for i, layer in enumerate(self.stage.layers):
            here = self.seen(a).layer == i
            if layer.waves is not None and here.any():
                out.append({**_box(self.seen(a), here), "what": layer.name})
        return out

    def _blends(self, stage: Stage, a: Exposure, b: Exposure, bloom: Bloom) -> bool:
        """Most of the head has blend weights within a factor of two in the two frames."""
        head = self._head(a, bloom)
        levels = self._head_levels(stage, bloom) * (self.corner_light(a, *head.at) if head is not None else 1.0)
        flat = stage.body(a).flat_response
        ia = display(levels * stage.gain(a), flat)
        ib = display(levels * stage.gain(b), flat)
        return bool((blend_relevance(ia, ib) >= 0.5).mean() > 0.5)

    def _head_levels(self, stage: Stage, bloom: Bloom) -> Array:
        sprite = stage.sprites[bloom.index]
        step = max(1, min(sprite.shape[:2]) // 24)
        px = sprite[::step, ::step].reshape(-1, 4).astype(np.float64) / 255
        solid = px[px[:, 3] >= 0.5 * px[:, 3].max()][:, :3]
        return np.asarray((solid**GAMMA) @ np.array([0.2126, 0.7152, 0.0722]))

    def _sharpness(self, stage: Stage, frame: Exposure, distance: float) -> float:
        b = stage.blur_px(frame, distance)
        return SHARP_SIGMA_PX / math.sqrt(SHARP_SIGMA_PX**2 + b * b / 16)

    def _switching(self, stage: Stage, s: TrueSet, a: Exposure, b: Exposure, distance: float) -> bool:
        """The merge switches between a and b for things at a distance."""
        best = max(self._sharpness(stage, self._represent(m), distance) for m in s.members)
        sa, sb = self._sharpness(stage, a, distance), self._sharpness(stage, b, distance)
        return max(sa, sb) >= best * 0.999 and min(sa, sb) >= OTHER_SHARPNESS * max(sa, sb)

    def _switches(self, stage: Stage, s: TrueSet, a: Exposure, b: Exposure, bloom: Bloom) -> tuple[bool, str]:
        if self._switching(stage, s, a, b, bloom.distance_m):
            return True, "switch"
        # Its blurred outline lies over what is behind: relevant where that is being switched.
        if min(stage.blur_px(a, bloom.distance_m), stage.blur_px(b, bloom.distance_m)) > 2 * SERVED_DISC_PX * self.unit:
            return False, ""
        behind = [la.distance_m for la in stage.layers if la.distance_m > bloom.distance_m and la.textured]
        if behind and self._switching(stage, s, a, b, min(behind)):
            return True, "outline"
        return False, ""

    # -- sets -----------------------------------------------------------------------------------------------------

    def _coverage(self, s: TrueSet) -> float | None:
        if s.kind == "panorama":
            return 100.0 if all(p > 0 for p in self._join_overlaps(s)) else None
        served = self.service(s)
        if not served:
            return None
        union = np.logical_or.reduce(list(served.values()))
        return _r(100 * float(union.mean()), 2)

    def served_disc_px(self, frame: Exposure) -> float:
        """Largest blur disc with which a place counts as sharp in a frame, pixels."""
        return max(SERVED_DISC_PX, 0.030 / self.stage.pitch_mm(frame))

    def service(self, s: TrueSet, discs: float = 1.0) -> dict[str, NDArray[np.bool_]]:
        """Which textured places of the set's first frame each of its frames serves: sharp, or well exposed.

        Parameters
        ----------
        s : TrueSet
        discs : float
            Times the largest disc that counts as sharp; above 0.

        Returns
        -------
        dict of bool array
            By frame name, one entry per place; empty for kinds without such a measure and pictures without texture.
        """
        if s.kind not in ("stack", "bracket"):
            return {}
        frames = [self.timeline.frames[i] for i in s.frames]
        stage = self.stage
        seen = self.seen(frames[0])
        if not seen.textured.any():
            return {}
        distance, light = seen.distance[seen.textured], seen.light[seen.textured]
        limit = discs * self.served_disc_px(frames[0])
        flat = stage.body(frames[0]).flat_response
        served: dict[str, NDArray[np.bool_]] = {}
        for f in frames:
            if s.kind == "stack":
                near = [d for d in np.unique(distance) if stage.blur_px(f, float(d)) <= limit]
                served[f.name] = np.isin(distance, near)
            else:
                served[f.name] = blend_weight(display(light * stage.gain(f), flat)) >= SERVED_WEIGHT
        return served

    def pair_row(self, s: TrueSet, a: Exposure, b: Exposure) -> dict[str, Any]:
        """The truth of any two frames of a set as the merge of its members would blend them, as in truth.json."""
        row = self._pair(s, *_in_time(a, b), RELATION_OF_KIND[s.kind])
        return {k: v for k, v in row.items() if not k.startswith("_")}

    def _join_overlaps(self, s: TrueSet) -> list[float]:
        out = []
        for a, b in self._neighbours(s):
            in_a = self.stage.camera(a).project(self._world(self.stage, b, self.seen(b)))
            inside = (in_a[:, 0] >= 0) & (in_a[:, 0] < self.stage.width)
            inside &= (in_a[:, 1] >= 0) & (in_a[:, 1] < self.stage.height)
            out.append(float((np.isfinite(in_a).all(1) & inside).mean()))
        return out


def assemble(description: Description, timeline: Timeline, scenes: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The contents of truth.json from the rows of every scene."""
    frames = {row["frame"]: row for part in scenes for row in part["frames"]}
    coverage = {k: v for part in scenes for k, v in part["coverage"].items()}
    own: dict[str, list[dict[str, Any]]] = {}
    for part in scenes:
        for pair in part["pairs"]:
            own.setdefault(pair["set_id"], []).append(pair)
    children: dict[str, list[TrueSet]] = {}
    for s in timeline.sets:
        if s.parent_set is not None:
            children.setdefault(s.parent_set, []).append(s)

    def below(s: TrueSet) -> list[dict[str, Any]]:
        return own.get(s.set_id, []) + [p for c in children.get(s.set_id, ()) for p in below(c)]

    rows = [
        _set_row(timeline, s, below(s), own.get(s.set_id, []), coverage[s.set_id], description.unit_px)
        for s in timeline.sets
    ]
    _mark_best(rows)
    pairs = [p for s in timeline.sets for p in own.get(s.set_id, ())]
    return {
        "frames": [frames[f.name] for f in timeline.frames], "sets": rows,
        "pairs": [{k: v for k, v in p.items() if not k.startswith("_")} for p in pairs],
    }


def _set_row(
    timeline: Timeline, s: TrueSet, pairs: list[dict[str, Any]], own: list[dict[str, Any]], coverage: float | None,
    unit: float,
) -> dict[str, Any]:
    """A set's figures are the worst of its own pairs and its children's."""
    p95 = max((p["sway_p95_px"] for p in pairs), default=0.0)
    largest = max((p["sway_max_px"] for p in pairs), default=0.0)
    ruined = calm = False
    if pairs:
        wide = any(_area_above(p["_sway"], RUINED_AREA_PX * unit) > RUINED_AREA for p in pairs)
        ruined = p95 > RUINED_PX * unit or wide
        calm = all(v <= CALM_PX * unit for p in pairs for v, _ in p["_sway"])
    overlaps = [p["overlap_pct"] for p in own if "overlap_pct" in p]
    return {
        "set_id": s.set_id, "parent_set": s.parent_set, "scene": s.scene, "take": s.take, "kind": s.kind,
        "members": list(s.members), "sway_p95_px": _r(p95) if pairs else None,
        "sway_max_px": _r(largest) if pairs else None, "coverage_pct": coverage,
        "overlap_pct": min(overlaps) if overlaps else None, "ruined": ruined, "calm": calm if pairs else None,
        "best_take": None, "frames": [timeline.frames[i].name for i in s.frames], "aborted": s.aborted,
    }


def _mark_best(sets: list[dict[str, Any]]) -> None:
    """Of several whole takes of one set, the one whose blooms moved least."""
    groups: dict[tuple[int, str], list[dict[str, Any]]] = {}
    for row in sets:
        if row["parent_set"] is None and row["sway_p95_px"] is not None:
            groups.setdefault((row["scene"], row["kind"]), []).append(row)
    for rows in groups.values():
        if len(rows) < 2:
            continue
        for row in rows:
            row["best_take"] = False
        whole = [r for r in rows if not r["aborted"]] or rows
        min(whole, key=lambda r: (r["sway_p95_px"], r["sway_max_px"]))["best_take"] = True


def _box(seen: _Seen, here: NDArray[np.bool_]) -> dict[str, float]:
    """Middle and size of the places marked."""
    step = float(seen.x[0, 1] - seen.x[0, 0]) if seen.x.shape[1] > 1 else 1.0
    x, y = seen.x[here], seen.y[here]
    return {
        "x_px": _r((x.min() + x.max()) / 2), "y_px": _r((y.min() + y.max()) / 2),
        "w_px": _r(x.max() - x.min() + step), "h_px": _r(y.max() - y.min() + step),
    }


def _places(camera: Any, seen: _Seen) -> tuple[Array, Array]:
    """(u, v) of the grid's points on the layer each of them shows."""
    step = int(seen.x[0, 1] - seen.x[0, 0]) if seen.x.shape[1] > 1 else 1
    rows = seen.x.shape[0]
    shared = camera.surface(0, rows, math.inf, step)
    u, v = (np.array(c, np.float64) for c in shared)
    if any(camera.at):
        for distance in np.unique(seen.distance):
            here = seen.distance == distance
            us, vs = camera.surface(0, rows, float(distance), step)
            u[here], v[here] = us[here], vs[here]
    return u.ravel(), v.ravel()


def blend_weight(brightness: Array) -> Array:
    """CONTRACT's weight of a well-exposed pixel, displayed brightness 0..1."""
    return np.asarray(np.exp(-((brightness - 0.5) ** 2) / 0.08))


def blend_relevance(a: Array, b: Array) -> Array:
    """The smaller over the larger of two blend weights, 0 where both are under 0.2."""
    wa, wb = blend_weight(a), blend_weight(b)
    ratio = np.minimum(wa, wb) / np.maximum(wa, wb)
    return np.where(np.maximum(wa, wb) < 0.2, 0.0, ratio)


def weighted_percentile(values: list[float], weights: list[float], percent: float) -> float:
    """Smallest value with at least `percent` of the weight at or below it; 0 for none."""
    if not values:
        return 0.0
    order = np.argsort(values)
    v, w = np.asarray(values)[order], np.cumsum(np.asarray(weights)[order])
    if w[-1] <= 0:
        return float(v[-1])
    return float(v[min(int(np.searchsorted(w, percent / 100 * w[-1])), v.size - 1)])


def _area_above(sway: list[tuple[float, float]], limit: float) -> float:
    total = sum(w for _, w in sway)
    return sum(w for v, w in sway if v > limit) / total if total > 0 else 0.0


def _in_time(a: Exposure, b: Exposure) -> tuple[Exposure, Exposure]:
    return (a, b) if a.index <= b.index else (b, a)


def _r(value: float, digits: int = 4) -> float:
    return round(float(value), digits)


def dump_truth(truth: dict[str, Any], path: Path) -> None:
    """Write truth.json, one row to a line; infinity is written as 1e999, which JSON readers take for infinity."""
    parts = []
    for key, rows in truth.items():
        lines = ",\n".join(json.dumps(row).replace(": Infinity", ": 1e999") for row in rows)
        parts.append(f'"{key}": [\n{lines}\n]')
    aside = path.with_name(path.name + ".part")
    aside.write_text("{" + ",\n".join(parts) + "}\n", "utf-8")
    aside.replace(path)
