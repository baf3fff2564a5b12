"""The tables of a review, column by column as the contract lists them."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pyarrow as pa
import pyarrow.parquet as pq

from windstill.records import Frame, FrameSet, PairMeasure, Placement, Review, encode_name
from windstill.report.aside import written_aside
from windstill.report.cells import fixed, known, moment, names_cell, phrases_cell, significant, text_cell

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, its type in Parquet, and how a number is written in CSV."""

    name: str
    type: Literal["text", "integer", "number"] = "text"
    write: Callable[[Any], str] = str


def _px(name: str) -> Column:
    return Column(name, "number", lambda v: fixed(v, 3))


def _pct(name: str) -> Column:
    return Column(name, "number", lambda v: fixed(v, 3))


def _number(name: str, decimals: int) -> Column:
    return Column(name, "number", lambda v: fixed(v, decimals))


def _written(name: str) -> Column:
    return Column(name, "number", significant)


def _integer(name: str) -> Column:
    return Column(name, "integer")


FRAMES = (
    Column("frame"), Column("files"), Column("captured_at"), Column("camera"), Column("lens"), _written("exposure_s"),
    _written("f_number"), _written("iso"), _written("focal_mm"), _written("focus_m"), _number("bias_ev", 3),
    _integer("width_px"), _integer("height_px"), _integer("scene"), Column("set_id"), Column("kind"),
    _integer("view_index"), _integer("focus_index"), _integer("exposure_index"), _number("sharpness", 4),
    _pct("sharp_area_pct"), _number("noise_sigma", 3), _px("smear_px"), _number("smear_angle_deg", 1),
    _px("shake_px"), _pct("clipped_high_pct"), _pct("clipped_low_pct"), Column("keep"), Column("note"),
)  # fmt: skip
SETS = (
    Column("set_id"), Column("parent_set"), _integer("scene"), _integer("take"), Column("kind"), _integer("frames"),
    Column("members"), Column("started_at"), _number("duration_s", 3), _px("shift_px"), _px("sway_p95_px"),
    _px("sway_max_px"), _pct("sway_area_pct"), _pct("picture_area_pct"), _pct("measured_pct"), _px("tolerance_px"),
    _px("smear_px"), _pct("coverage_pct"), _pct("overlap_pct"), _number("step_ev", 3), Column("outlook"),
    Column("reasons"), Column("worst_pair"), Column("base_frame"), Column("keep_frames"), Column("advice"),
)  # fmt: skip
PAIRS = (
    Column("set_id"), Column("frame_a"), Column("frame_b"), Column("relation"), _px("shift_x_px"), _px("shift_y_px"),
    _number("scale", 6), _number("rotation_deg", 4), Column("homography"), _px("sway_p50_px"), _px("sway_p95_px"),
    _px("sway_max_px"), _pct("relevant_pct"), _pct("measured_pct"), _pct("sway_area_pct"),
    _number("worst_x_px", 1), _number("worst_y_px", 1),
)  # fmt: skip
PROBLEMS = (Column("file"), Column("stage"), Column("problem"), Column("consequence"))


def frame_rows(review: Review) -> Iterator[Row]:
    """One row per frame, in capture order."""
    sets = review.grouping.by_id()
    against = smear_against_others(all_pairs(review))
    for frame in review.frames:
        place = review.grouping.placements.get(frame.name) or Placement(frame.name, "")
        node = sets.get(place.set_id)
        camera, score = frame.camera, review.scores.get(frame.name)
        advice = review.frame_advice.get(frame.name)
        row: Row = {
            "frame": encode_name(frame.name),
            "files": names_cell(f.path for f in frame.files),
            "captured_at": moment(camera.captured_at, camera.time_resolution_s),
            "camera": text_cell(camera.camera),
            "lens": text_cell(camera.lens),
            "exposure_s": camera.exposure_s,
            "f_number": camera.f_number,
            "iso": camera.iso,
            "focal_mm": camera.focal_mm,
            "focus_m": camera.focus_m,
            "bias_ev": camera.bias_ev,
            "width_px": (score.width_px if score else frame.width_px) or None,
            "height_px": (score.height_px if score else frame.height_px) or None,
            "scene": node.scene if node else None,
            "set_id": encode_name(node.set_id) if node else "",
            "kind": node.kind if node else "",
            "view_index": place.view_index,
            "focus_index": place.focus_index,
            "exposure_index": place.exposure_index,
            "keep": advice.keep if advice else "",
            "note": text_cell("; ".join(frame_notes(review, frame))),
        }
        if score:
            smear = longer_smear((score.frame_smear_px, score.frame_smear_angle_deg), against.get(frame.name))
            row |= {
                "sharpness": score.sharpness,
                "sharp_area_pct": score.sharp_area_pct,
                "noise_sigma": score.noise_sigma,
                "smear_px": smear[0],
                "smear_angle_deg": smear[1],
                "shake_px": score.shake_px,
                "clipped_high_pct": score.clipped_high_pct,
                "clipped_low_pct": score.clipped_low_pct,
            }
        yield row


def smear_against_others(pairs: Iterable[PairMeasure]) -> dict[str, tuple[float, float | None]]:
    """Smear of each frame that a crisper frame of its set told, px and degrees, by frame name."""
    found: dict[str, tuple[float, float | None]] = {}
    for pair in pairs:
        for name, length in ((pair.frame_a, pair.smear_a_px), (pair.frame_b, pair.smear_b_px)):
            if length is not None and length >= found.get(name, (-1.0, None))[0]:
                found[name] = (length, pair.smear_angle_deg if length == pair.smear_px and length > 0 else None)
    return found


def longer_smear(
    alone: tuple[float | None, float | None], against: tuple[float, float | None] | None
) -> tuple[float | None, float | None]:
    """The longer of the smear seen in a frame by itself and against a crisper one.

    That no other frame is crisper says nothing by itself: all may be smeared alike.
    """
    return alone if against is None or (alone[0] or 0.0) >= against[0] else against


def frame_notes(review: Review, frame: Frame) -> list[str]:
    """All remarks on one frame, each once, `derived` first."""
    score, advice = review.scores.get(frame.name), review.frame_advice.get(frame.name)
    notes = [*(["derived"] if frame.derived else []), *frame.notes]
    notes += score.notes if score else ()
    notes += [advice.note] if advice and advice.note else []
    return list(dict.fromkeys(notes))


def set_rows(review: Review) -> Iterator[Row]:
    """One row per set at every level, parents before children."""
    cameras = {f.name: f for f in review.frames}
    for node in review.grouping.sets:
        verdict, advice = review.verdicts.get(node.set_id), review.advice.get(node.set_id)
        measure = review.measures.get(node.set_id)
        started_at, duration_s = set_times(node, cameras)
        row: Row = {
            "set_id": encode_name(node.set_id),
            "parent_set": encode_name(node.parent_set) if node.parent_set else "",
            "scene": node.scene,
            "take": node.take,
            "kind": node.kind,
            "frames": len(node.frames),
            "members": names_cell(node.members),
            "started_at": started_at,
            "duration_s": duration_s,
            "step_ev": measure.step_ev if measure else None,
        }
        if verdict:
            row |= {
                "shift_px": verdict.shift_px,
                "sway_p95_px": verdict.sway_p95_px,
                "sway_max_px": verdict.sway_max_px,
                "sway_area_pct": verdict.sway_area_pct,
                "picture_area_pct": verdict.picture_area_pct,
                "measured_pct": verdict.measured_pct,
                "tolerance_px": verdict.tolerance_px,
                "smear_px": verdict.smear_px,
                "coverage_pct": verdict.coverage_pct,
                "overlap_pct": verdict.overlap_pct,
                "outlook": verdict.outlook,
                "reasons": phrases_cell(verdict.reasons),
                "worst_pair": ">".join(encode_name(n) for n in verdict.worst_pair or ()),
            }
        if advice:
            row |= {
                "base_frame": encode_name(advice.base_frame) if advice.base_frame else "",
                "keep_frames": names_cell(advice.keep_frames),
                "advice": text_cell(advice.advice),
            }
        yield row


def set_times(node: FrameSet, frames: Mapping[str, Frame]) -> tuple[str, float | None]:
    """When the set's first frame was taken, and the seconds from there to its last; unknown where a time is."""
    cameras = [frames[name].camera for name in node.frames if name in frames]
    times = [c.captured_at for c in cameras]
    if not cameras or times[0] is None:
        return "", None
    known_times = [t for t in times if t is not None]
    same_clock = len({t.tzinfo is None for t in known_times}) == 1
    if len(known_times) < len(times) or not same_clock:
        return moment(times[0], cameras[0].time_resolution_s), None
    first = min(range(len(known_times)), key=known_times.__getitem__)
    span: float = (max(known_times) - known_times[first]).total_seconds()
    return moment(known_times[first], cameras[first].time_resolution_s), span


def all_pairs(review: Review) -> Iterator[PairMeasure]:
    """Judged pairs, set by set in the order of sets.csv."""
    for node in review.grouping.sets:
        measure = review.measures.get(node.set_id)
        yield from measure.pairs if measure else ()


def pair_rows(review: Review) -> Iterator[Row]:
    """One row per judged pair. Where the camera could not be lined up its mapping is unknown."""
    for pair in all_pairs(review):
        row: Row = {
            "set_id": encode_name(pair.set_id),
            "frame_a": encode_name(pair.frame_a),
            "frame_b": encode_name(pair.frame_b),
            "relation": pair.relation,
            "sway_p50_px": pair.sway_p50_px,
            "sway_p95_px": pair.sway_p95_px,
            "sway_max_px": pair.sway_max_px,
            "relevant_pct": pair.relevant_pct,
            "measured_pct": pair.measured_pct,
            "sway_area_pct": sway_area_pct(review, pair),
            "worst_x_px": pair.worst_x_px,
            "worst_y_px": pair.worst_y_px,
        }
        if not pair.mapping.failed:
            row |= {
                "shift_x_px": pair.mapping.shift_x_px,
                "shift_y_px": pair.mapping.shift_y_px,
                "scale": pair.mapping.scale,
                "rotation_deg": pair.mapping.rotation_deg,
                "homography": ";".join(significant(v, 10) for v in pair.mapping.homography or ()),
            }
        yield row


def sway_area_pct(review: Review, pair: PairMeasure) -> float | None:
    """Share of the pair's relevant measured area with sway above the set's tolerance, in percent.

    Areas are weighted by relevance, as the contract's percentiles are.
    """
    verdict, field = review.verdicts.get(pair.set_id), pair.field
    if verdict is None or field is None or pair.sway_max_px is None:
        return None
    used = (field.confidence >= 0.5) & (field.relevance >= 0.5) & field.textured
    weight = field.relevance[used].astype(float)
    if not weight.size:
        return None
    over = (field.sway_x_px[used] ** 2 + field.sway_y_px[used] ** 2) > verdict.tolerance_px**2
    return float(100 * weight[over].sum() / weight.sum())


def problem_rows(review: Review) -> Iterator[Row]:
    """One row per problem, in the order they were met."""
    for p in review.problems:
        yield {
            "file": encode_name(p.file),
            "stage": text_cell(p.stage),
            "problem": text_cell(p.problem),
            "consequence": text_cell(p.consequence),
        }


def write_csv(target: Path, columns: Sequence[Column], rows: Iterable[Row]) -> None:
    """Write one table as CSV after RFC 4180."""
    with written_aside(target) as aside, aside.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(c.name for c in columns)
        for row in rows:
            writer.writerow("" if row.get(c.name) is None else c.write(row[c.name]) for c in columns)


def write_parquet(target: Path, columns: Sequence[Column], rows: Iterable[Row]) -> None:
    """Write one table as Parquet: the same cells with their types, unknown as null."""
    types = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64()}
    listed = list(rows)
    arrays = []
    for c in columns:
        values: list[Any] = [row.get(c.name) for row in listed]
        if c.type == "number":
            values = [known(v) for v in values]
        elif c.type == "text":
            values = [v or None for v in values]
        arrays.append(pa.array(values, types[c.type]))
    with written_aside(target) as aside:
        pq.write_table(pa.table(arrays, names=[c.name for c in columns]), aside, compression="zstd")


TABLES: tuple[tuple[str, Sequence[Column], Callable[[Review], Iterator[Row]]], ...] = (
    ("frames", FRAMES, frame_rows),
    ("sets", SETS, set_rows),
    ("pairs", PAIRS, pair_rows),
    ("problems", PROBLEMS, problem_rows),
)


