"""A review written by hand: thrift on a sea cliff at dusk, with everything a report can meet.

Pictures are painted, measures are made up but consistent; names, lenses and notes include hostile ones.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import MISSING, fields, replace
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from windstill.records import (
    RELATION_OF_KIND,
    CameraData,
    CameraMapping,
    CoverageMeasure,
    CropPair,
    Frame,
    FrameAdvice,
    FrameScore,
    FrameSet,
    Grouping,
    Keep,
    Kind,
    Outlook,
    PairMeasure,
    Placement,
    Problem,
    Review,
    SetAdvice,
    SetMeasure,
    SetVerdict,
    ShootFile,
    SwayField,
    TileGrid,
    make_set_id,
)

WIDTH, HEIGHT = 6000, 4000
GRID = TileGrid(tile_px=75, rows=53, cols=80)
BODY_SERIAL = "SN-77100423"
SCRIPT_LENS = "<script>alert(1)</script>"
HOSTILE_NAME = "105TIDE/=odd; 50% > all\nnight\udcff\u202etxt"
EVENING = datetime(2026, 5, 3, 20, 41, 10, 120000, tzinfo=timezone(timedelta(hours=1)))


@cache
def _base(view: int) -> Image.Image:
    """One view of the cliff, painted once: dusk sky, sea, headland, turf."""
    rng = np.random.default_rng(view)
    h, w = 640, 960
    y = np.linspace(0, 1, h)[:, None]
    top, low = np.array([58, 74, 128.0]), np.array([246, 176, 122.0])
    sky = top + (low - top) * np.clip(y * 2.1, 0, 1)[..., None]
    picture = np.repeat(sky, w, axis=1)
    sea = y[:, 0] > 0.48
    ripple = rng.normal(0, 9, (h, w)).cumsum(axis=1)
    ripple = np.asarray(Image.fromarray((ripple % 40).astype(np.uint8)).filter(ImageFilter.GaussianBlur(2)), float)
    picture[sea] = (np.array([62, 82, 110.0]) + ripple[sea][..., None] * 0.8)
    image = Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8))
    draw = ImageDraw.Draw(image)
    ridge = [(0, 300 + 40 * view)]
    for x in range(0, w + 1, 24):
        ridge.append((x, int(330 + 70 * np.sin(x / 190 + view * 1.3) + rng.normal(0, 7) + x * 0.12)))
    draw.polygon([*ridge, (w, h), (0, h)], fill=(52, 58, 46))
    for _ in range(2600):
        x = int(rng.integers(0, w))
        ground = 340 + 70 * np.sin(x / 190 + view * 1.3) + x * 0.12
        yy = int(rng.uniform(ground, h))
        shade = int(rng.integers(-14, 24))
        draw.line([(x, yy), (x + int(rng.integers(-4, 5)), yy - int(rng.integers(3, 12)))],
                  fill=(62 + shade, 82 + shade, 54 + shade))
    return image


@cache
def paint(view: int, *, lean_px: float = 0.0, ev: float = 0.0, focus: float = 0.5, seed: int = 0) -> Image.Image:
    """A 960 x 640 picture of one view: blooms leaning by `lean_px`, brightness by `ev`, near or far sharp."""
    image = _base(view).copy()
    rng = np.random.default_rng(100 + view)
    draw = ImageDraw.Draw(image)
    for _ in range(70):
        x, y = rng.uniform(0, 420), rng.uniform(470, 630)
        size = 5 + (y - 470) / 14
        x += lean_px * (y - 440) / 100
        draw.line([(x, y), (x - lean_px / 2, y + 4 * size)], fill=(88, 116, 66), width=2)
        tone = int(rng.integers(-25, 25))
        for k in range(7):
            a = k * 0.9 + tone
            draw.ellipse([x + size * 0.55 * np.cos(a) - size / 2, y + size * 0.4 * np.sin(a) - size / 2,
                          x + size * 0.55 * np.cos(a) + size / 2, y + size * 0.4 * np.sin(a) + size / 2],
                         fill=(214 + tone, 108 + tone, 160 + tone))
    sharp = np.asarray(image, np.float32)
    blurred = cv2.GaussianBlur(sharp, (0, 0), 5)
    rows = np.linspace(0, 1, image.height, dtype=np.float32)
    mask = np.clip(np.abs(rows - focus) * 2 - 0.3, 0, 1)[:, None, None]
    pixels = (sharp + (blurred - sharp) * mask) * np.float32(2.0 ** (ev / 2))
    pixels += np.roll(_noise(), 7919 * seed)
    return Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8))


@cache
def _noise() -> np.ndarray:
    return np.random.default_rng(5).normal(0, 2.5, (640, 960, 3)).astype(np.float32)


def _written(exposure_s: float) -> float:
    """As a camera rounds it: 1/64 s is written 1/60."""
    return exposure_s if exposure_s > 0.3 else 1 / round(15 / 16 / exposure_s)


def jpeg(image: Image.Image, quality: int = 85) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality)
    return out.getvalue()


def _score_record(**known: Any) -> FrameScore:
    """A `FrameScore`; maps the report does not read are left at zero."""
    for entry in fields(FrameScore):
        if entry.name not in known and entry.default is MISSING:
            known[entry.name] = np.zeros(GRID.shape, np.float32)
    return FrameScore(**known)


def _bump(x: float, y: float, size: float) -> np.ndarray:
    yy, xx = np.mgrid[0 : GRID.rows, 0 : GRID.cols]
    return np.exp(-(((xx / GRID.cols - x) / size) ** 2 + ((yy / GRID.rows - y) / size) ** 2))


def sway_field(peak_px: float, seed: int, *, x: float = 0.22, y: float = 0.85, unmeasured: float = 0.06,
               changed: float = 0.0) -> SwayField:
    """Blooms lower left moved by up to `peak_px`; sky without texture; a few tiles not measured."""
    rng = np.random.default_rng(seed)
    textured = np.ones(GRID.shape, bool)
    textured[: GRID.rows // 3] = False
    reach = _bump(x, y, 0.14)
    noise = rng.normal(0, 0.12, (2, *GRID.shape))
    confidence = np.clip(rng.normal(0.88, 0.06, GRID.shape), 0, 1)
    confidence[rng.random(GRID.shape) < unmeasured] = 0.0
    confidence[~textured] = 0.0
    relevance = np.clip(_bump(x + 0.12, y - 0.05, 0.34) * 1.6, 0, 1)
    return SwayField(
        grid=GRID, textured=textured,
        sway_x_px=(peak_px * reach + noise[0]).astype(np.float32),
        sway_y_px=(-0.25 * peak_px * reach + noise[1]).astype(np.float32),
        confidence=confidence.astype(np.float32), relevance=relevance.astype(np.float32),
        changed=np.clip(rng.normal(0.03, 0.02, GRID.shape) + changed * _bump(x + 0.2, y - 0.2, 0.1), 0, 1).astype(
            np.float32),
        sharp_a=rng.uniform(0, 1, GRID.shape).astype(np.float32),
        sharp_b=rng.uniform(0, 1, GRID.shape).astype(np.float32),
    )


def _weighted(values: np.ndarray, weights: np.ndarray, q: float) -> float:
    order = np.argsort(values)
    cum = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(cum, q * cum[-1])])


class ReviewMaker:
    """Collects frames and sets in capture order and hands over a `Review`."""

    def __init__(self, light: bool = False) -> None:
        self.light = light
        self.clock = EVENING
        self.frames: list[Frame] = []
        self.scores: dict[str, FrameScore] = {}
        self.sets: list[FrameSet] = []
        self.placements: dict[str, Placement] = {}
        self.measures: dict[str, SetMeasure] = {}
        self.verdicts: dict[str, SetVerdict] = {}
        self.advice: dict[str, SetAdvice] = {}
        self.frame_advice: dict[str, FrameAdvice] = {}
        self.problems: list[Problem] = []
        self._thumbs: dict[tuple[Any, ...], bytes] = {}

    def frame(self, name: str, *, view: int = 0, lean: float = 0.0, ev: float = 0.0, focus: float = 0.5,
              exposure_s: float = 1 / 64, lens: str = "Skarv 24 mm f/2.8", smear: float = 0.6,
              keep: Keep = "yes", gap_s: float = 1.4, scored: bool = True, raw: bool = True, **extra: Any) -> str:
        self.clock += timedelta(seconds=gap_s + exposure_s)
        n = len(self.frames)
        files = [ShootFile(f"{name}.JPG", "image", 9_400_000 + n, 1_777_000_000_000_000_000 + n)]
        if raw:
            files.append(ShootFile(f"{name}.RAW", "raw", 31_000_000 + n, 1_777_000_000_000_000_000 + n))
        camera = CameraData(
            maker="Skarv", model="Skarv L4", body_serial=BODY_SERIAL, lens=lens, captured_at=self.clock,
            time_resolution_s=0.01, exposure_s=exposure_s, exposure_written_s=_written(exposure_s), f_number=8.0,
            iso=400.0,
            focal_mm=24.0, focus_m=float("inf") if focus < 0.4 else 0.6 + (1 - focus) * 2, bias_ev=0.0)
        if extra:
            camera = replace(camera, **extra)
        self.frames.append(Frame(name, tuple(files), files[0].path, WIDTH, HEIGHT, camera))
        if scored:
            self.scores[name] = self._score(name, view, lean, ev, focus, smear)
            self.frame_advice[name] = FrameAdvice(name, keep, "" if keep == "yes" else "adds under 0.5 % to the set")
        return name

    def _score(self, name: str, view: int, lean: float, ev: float, focus: float, smear: float) -> FrameScore:
        rng = np.random.default_rng(len(self.frames))
        key = (view, round(lean), ev, round(focus, 1), len(self.frames) % 12)
        if key not in self._thumbs:
            self._thumbs[key] = jpeg(paint(view, lean_px=lean, ev=ev, focus=focus, seed=key[-1]).resize((480, 320)))
        textured = np.ones(GRID.shape, bool)
        textured[: GRID.rows // 3] = False
        where = _bump(0.22, 0.85, 0.16)
        return _score_record(
            frame=name, width_px=WIDTH, height_px=HEIGHT, reduction=2, grid=GRID,
            sharp=rng.uniform(0, 1, GRID.shape).astype(np.float32), textured=textured,
            luma=np.full(GRID.shape, 0.4 * 2.0 ** (ev / 2), np.float32), clipped_high=np.zeros(GRID.shape, np.float32),
            clipped_low=np.zeros(GRID.shape, np.float32), smear_px=(smear * where).astype(np.float32),
            smear_angle_deg=np.full(GRID.shape, 12, np.float32),
            smear_confidence=np.where(textured, 0.8, 0).astype(np.float32),
            small=np.zeros((340, 512), np.uint8), thumbnail_jpeg=self._thumbs[key],
            sharpness=0.71 + 0.01 * (len(self.frames) % 9), sharp_area_pct=41.5, noise_sigma=1.83,
            frame_smear_px=smear, frame_smear_angle_deg=12.0, shake_px=0.2, clipped_high_pct=0.4 if ev > 1 else 0.0,
            clipped_low_pct=1.2 if ev < -1 else 0.0, decoder="hand")

    def set(self, kind: Kind, members: Sequence[str], *, scene: int, take: int = 1, outlook: Outlook = "clean",
            peaks: Sequence[float] = (), reasons: Sequence[str] = (), advice: str = "Merge all frames as they are.",
            best: bool | None = None, parent: str | None = None, area: float = 0.0, coverage: float = 99.4,
            smear: float = 0.6, view: int = 0, overlap: float | None = None, step_ev: float | None = None,
            measured: float = 93.0, lean: Sequence[float] = (), failed: bool = False) -> str:
        """Add one set over frames or earlier child sets; `peaks` is the largest sway of each of its pairs."""
        by_id = {s.set_id: s for s in self.sets}
        frames = [f for m in members for f in (by_id[m].frames if m in by_id else (m,))]
        heads = [by_id[m].frames[0] if m in by_id else m for m in members]
        set_id = make_set_id(frames[0], kind)
        for m in members:
            if m in by_id:
                self.sets[self.sets.index(by_id[m])] = replace(by_id[m], parent_set=set_id, scene=scene, take=take)
        self.sets.append(FrameSet(set_id, parent, scene, take, kind, tuple(members), tuple(frames),
                                  why=("exposures 1.4 s apart", "same view, 0.9 px apart")))
        self._place(set_id, kind, members, by_id)
        pairs: list[PairMeasure] = []
        pairs_inside: list[PairMeasure] = []
        for i, peak in enumerate(peaks):
            pairs.append(self._pair(set_id, kind, heads[i], heads[i + 1], peak, i, view, failed,
                                    lean[i : i + 2] or (0, peak)))
        below = [m for m in members if m in by_id]
        while below:
            inner = below.pop()
            pairs_inside.extend(self.measures[inner].pairs)
            below += [m for m in by_id[inner].members if m in by_id]
        judged = [p for p in [*pairs, *pairs_inside] if p.sway_max_px is not None]
        worst = max(judged, key=lambda p: p.sway_max_px or 0) if judged else None
        served = np.ones(GRID.shape, np.float32)
        best_of = np.zeros(GRID.shape, np.int16)
        best_of[:] = np.clip((np.arange(GRID.rows) * len(frames) // GRID.rows), 0, len(frames) - 1)[:, None]
        if coverage < 99:
            gap = _bump(0.8, 0.7, 0.12) > 0.6
            served[gap] = 0.1
            best_of[gap] = -1
        single = kind == "single"
        self.measures[set_id] = SetMeasure(
            set_id, kind, tuple(frames), tuple(pairs),
            None if single else CoverageMeasure(GRID, best_of, served, coverage,
                                                ("3.1 % is sharp in no frame, right of the middle",) if coverage < 99
                                                else ()),
            smear, frames[len(frames) // 2], overlap, step_ev, 1.4, 64.0)
        self.verdicts[set_id] = SetVerdict(
            set_id, outlook, tuple(reasons), 2.0, worst.sway_p95_px if worst else None,
            worst.sway_max_px if worst else None, area * 3 if worst else None, area if worst else None,
            measured if worst or failed else None, smear, None if single else coverage, overlap, 1.4,
            (worst.frame_a, worst.frame_b) if worst else None)
        keep = tuple(f for f in frames if self.frame_advice[f].keep == "yes")
        self.advice[set_id] = SetAdvice(set_id, frames[len(frames) // 2], keep, advice, best,
                                        frames[-1] if outlook == "lost" else None, 62.0 if outlook == "lost" else None)
        return set_id

    def _place(self, set_id: str, kind: Kind, members: Sequence[str], by_id: dict[str, FrameSet]) -> None:
        field = {"panorama": "view_index", "stack": "focus_index", "bracket": "exposure_index"}.get(kind)
        for i, m in enumerate(members, 1):
            for f in by_id[m].frames if m in by_id else (m,):
                place = self.placements.get(f) or Placement(f, set_id)
                self.placements[f] = replace(place, **{field: i}) if field else place

    def _pair(self, set_id: str, kind: Kind, a: str, b: str, peak: float, i: int, view: int, failed: bool,
              lean: Sequence[float]) -> PairMeasure:
        relation = RELATION_OF_KIND[kind]
        if failed:
            return PairMeasure(set_id, a, b, relation, CameraMapping(failed=True, reason="no texture in common"), None)
        x = 0.5 if kind == "panorama" else 0.22
        field = sway_field(peak, seed=len(self.sets) * 50 + i, x=x, changed=float(kind == "bracket"))
        length = np.hypot(field.sway_x_px, field.sway_y_px)
        use = (field.confidence >= 0.5) & (field.relevance >= 0.5)
        row, col = np.unravel_index(int(np.argmax(np.where(use, length, -1))), GRID.shape)
        crops = None
        if not self.light or i == 0:
            box = (110, 430, 430, 640)
            crops = CropPair(
                jpeg(paint(view, lean_px=float(round(lean[0])), focus=0.8).crop(box).resize((320, 210))),
                jpeg(paint(view, lean_px=float(round(lean[1])), focus=0.8, seed=1).crop(box).resize((320, 210))),
                int(col) * 75 - 160, int(row) * 75 - 105, 320, 210)
        homography = (1.0, 0.01, 1800.0, -0.01, 1.0, 4.0, 1e-6, 0.0, 1.0) if relation == "view" else None
        return PairMeasure(
            set_id, a, b, relation, CameraMapping(1.13 * i - 0.4, -0.62, 1.0008, 0.012, homography, 0.09), field,
            _weighted(length[use], field.relevance[use], 0.5), _weighted(length[use], field.relevance[use], 0.95),
            float(np.sort(length[use])[-2]), 31.0, 93.0, 28.0, 0.6, float(col * 75 + 37), float(row * 75 + 37),
            31.0 if relation == "view" else None, None, crops)

    def review(self, root: str = "cliff-thrift", order: Sequence[str] = ()) -> Review:
        starts = {f.name: i for i, f in enumerate(self.frames)}
        depth = {s.set_id: len(s.frames) for s in self.sets}
        sets = sorted(self.sets, key=lambda s: (starts[s.frames[0]], -depth[s.set_id]))
        return Review(
            root, tuple(self.frames), self.scores, Grouping(tuple(sets), self.placements), self.measures,
            self.verdicts, self.advice, self.frame_advice, tuple(self.problems), tuple(order),
            {"version": "0.1.0", "command": "windstill review cliff-thrift",
             "counts": {"frames": len(self.frames)}, "seconds": {"scan": 0.8, "score": 6.1}})


@cache
def evening_review() -> Review:
    """The whole evening: two takes and an aborted one, brackets, a nested panorama, a burst, hostile names."""
    make = ReviewMaker()

    def name(n: int) -> str:
        return f"104CLIFF/THRF{n:04d}"

    leans = (0, 2, 9, 16, 5, 1)
    first = [make.frame(name(n), lean=leans[n - 1], focus=0.95 - 0.12 * n, smear=0.6 + leans[n - 1] / 3,
                        keep="yes" if n < 6 else "spare") for n in range(1, 7)]
    s1 = make.set("stack", first, scene=1, take=1, outlook="lost", peaks=(4, 14, 19, 9, 2), lean=leans, area=12.4,
                  smear=6.2,
                  reasons=("blooms at lower left moved 19 px between focus 3 and 4",
                           "12.4 % of the picture lies above 2 px", "focus 4 is smeared by 6.2 px there"),
                  advice="Use take 2. If only this take is left, frame THRF0006 alone holds 62 % of the picture sharp.",
                  best=False)
    aborted = [make.frame(name(n), focus=0.95 - 0.12 * (n - 6), gap_s=14 if n == 7 else 1.4, keep="no")
               for n in range(7, 9)]
    s2 = make.set("stack", aborted, scene=1, take=2, outlook="unknown", peaks=(0,), failed=True, best=False,
                  measured=12.0, coverage=48.0,
                  reasons=("camera could not be lined up: no texture in common", "48 % of the picture covered"),
                  advice="Leave this aborted take out.")
    third = [make.frame(name(n), focus=0.95 - 0.12 * (n - 8), gap_s=22 if n == 9 else 1.4,
                        keep="spare" if n == 11 else "yes") for n in range(9, 15)]
    s3 = make.set("stack", third, scene=1, take=3, peaks=(0.4, 0.6, 0.9, 0.5, 0.3), best=True,
                  reasons=("largest sway 0.9 px, under 2 px", "99.4 % of the textured picture is sharp somewhere"),
                  advice="Merge five frames; THRF0011 adds nothing.")
    evs = (0, -2, 2)
    swayed = [make.frame(name(15 + i), view=1, lean=(0, 3, 5)[i], ev=ev, exposure_s=1 / 64 * 2.0**ev,
                         gap_s=95 if i == 0 else 0.4) for i, ev in enumerate(evs)]
    s4 = make.set("bracket", swayed, scene=2, outlook="touch-up", peaks=(3.1, 5.2), lean=(0, 3, 5), area=0.6, view=1,
                  step_ev=2.0, smear=2.4, best=True,
                  reasons=("blooms at lower left moved 5.2 px between exposure 1 and 3", "0.6 % of the picture"),
                  advice="Merge all three; take the blooms from THRF0015 alone.")
    calm = [make.frame(name(18 + i), view=2, ev=ev, exposure_s=1 / 32 * 2.0**ev, gap_s=120 if i == 0 else 0.4)
            for i, ev in enumerate((0, -1, 1, -2, 2))]
    s5 = make.set("bracket", calm, scene=3, peaks=(0.3, 0.4, 0.5, 0.6), step_ev=1.0, view=2, best=True,
                  reasons=("largest sway 0.6 px, under 2 px",))
    views, n = [], 23
    for v in range(3):
        positions = []
        for p in range(2):
            triple = [make.frame(name(n + k), view=3 + v, ev=ev, focus=0.8 - 0.4 * p, exposure_s=1 / 16 * 2.0**ev,
                                 gap_s=60 if n + k == 23 else 0.5) for k, ev in enumerate(evs)]
            n += 3
            positions.append(make.set("bracket", triple, scene=4, peaks=(0.5, 0.8), step_ev=2.0, view=3 + v,
                                      reasons=("largest sway 0.8 px, under 2 px",), advice=""))
        views.append(make.set("stack", positions, scene=4, peaks=(1.1 if v else 6.4,), view=3 + v,
                              outlook="clean" if v else "hard", area=0.0 if v else 2.8,
                              coverage=99.5 if v else 96.9,
                              reasons=("largest sway 1.1 px, under 2 px",) if v else
                              ("grasses at the left edge moved 6.4 px between focus 1 and 2",), advice=""))
    s6 = make.set("panorama", views, scene=4, outlook="hard", peaks=(1.4, 2.2), overlap=31.0, area=2.8, coverage=96.9,
                  view=3, best=True,
                  reasons=("view 1: grasses at the left edge moved 6.4 px between focus 1 and 2",
                           "seam 2-3: 2.2 px on the ridge", "3.1 % is sharp in no frame, right of the middle"),
                  advice="Shoot view 1 again in a lull, focus 1 and 2: 1/125 s at ISO 1600 would have held this sway. "
                         "Tide and edge: keep back, and never turn your back on the sea.")
    quick = [make.frame(name(41 + i), view=6, lean=i % 2, gap_s=80 if i == 0 else 0.2, raw=False,
                        keep="yes" if i == 2 else "spare") for i in range(5)]
    s7 = make.set("burst", quick, scene=5, peaks=(1.0, 1.2, 0.9, 1.1), view=6, best=True,
                  reasons=("largest sway 1.2 px, under 2 px",), advice="Use THRF0043, the stillest frame.")
    odd = make.frame(HOSTILE_NAME, view=7, lens=SCRIPT_LENS, gap_s=300)
    s8 = make.set("single", [odd], scene=6, advice="A frame on its own.")
    bare = make.frame("105TIDE/+plus, \"quoted\" &amp; 100%", view=8, gap_s=200, lens="@SUM(A1)", captured_at=None,
                      exposure_s=0.5, exposure_written_s=None, f_number=None, iso=None, focus_m=None, focal_mm=None)
    s9 = make.set("single", [bare], scene=7, advice="A frame on its own.")
    make.frame("104CLIFF/THRF0050", scored=False)
    torn = make.frames[-1]
    s10 = make_set_id(torn.name, "single")
    make.sets.append(FrameSet(s10, None, 8, 1, "single", (torn.name,), (torn.name,)))
    make.placements[torn.name] = Placement(torn.name, s10)
    make.frame("104CLIFF/merged-export", view=1, raw=False)
    make.frames[-1] = replace(make.frames[-1], derived=True, notes=("derived",))
    make.problems += [
        Problem("104CLIFF/THRF0050.JPG", "score", "cut off after 61 % of its data", "left out of every set"),
        Problem(HOSTILE_NAME + ".JPG", "scan", "=HYPERLINK(\"x\") in the lens name", "kept as text"),
        Problem("104CLIFF/THRF0012 copy.JPG", "scan", "byte-identical to 104CLIFF/THRF0012.JPG", "counted once"),
    ]
    return make.review(order=(s3, s5, s7, s4, s6, s8, s9, s2, s1))


def many_frames_review(frames: int = 2000, per_set: int = 5) -> Review:
    """A long shoot of stacks, every fourth with trouble; pictures repeat in content but not in bytes."""
    make = ReviewMaker(light=True)
    order = []
    for s in range(frames // per_set):
        troubled = s % 4 == 3
        names = [make.frame(f"1{s // 200:02d}VIGIL/MAST{s * per_set + i:05d}", view=s % 4, lean=3.0 * i * troubled,
                            focus=0.9 - 0.15 * i, gap_s=40 if i == 0 else 1.2) for i in range(per_set)]
        order.append(make.set(
            "stack", names, scene=1 + s // 2, take=1 + s % 2, view=s % 4,
            outlook="hard" if troubled else "clean", area=3.0 if troubled else 0.0,
            peaks=[9.0 if troubled else 0.5] * (per_set - 1),
            reasons=("blooms moved 9 px",) if troubled else ("largest sway 0.5 px, under 2 px",)))
    return make.review(root="long-vigil", order=order)


def empty_review() -> Review:
    """Nothing but one problem."""
    return Review("nothing", (), {}, Grouping(()), {}, {}, {}, {},
                  (Problem("readme.txt", "scan", "not a picture", "skipped"),), (), {})


__all__ = ["BODY_SERIAL", "HOSTILE_NAME", "SCRIPT_LENS", "UTC", "ReviewMaker", "empty_review", "evening_review",
           "jpeg", "many_frames_review", "paint"]
