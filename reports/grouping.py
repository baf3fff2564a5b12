"""How well frames are put into sets: writes grouping.md beside this file.

    python reports/grouping.py [--shoots N] [--sets N] [--first-seed S] [--width PX] [--growth 1000,10000] [--pairs DIR]
                               [--keep DIR]

Random shoots of seeds never used for tuning (1 to 999 are for tuning) are rendered, scanned, decoded and scored by
the real rooms, grouped, and compared with their truth; once with camera data, once without any. Real pairs are read
from `--pairs` where that folder is there. Growth is timed on features alone, as `tests/group` makes them. With `--keep`
the features of every shoot are kept in a folder and used again by the next run: rendering takes most of the time.
"""

from __future__ import annotations

import argparse
import json
import pickle
import platform
import shutil
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
from sklearn.metrics import adjusted_rand_score, v_measure_score

from windstill.group import group_frames
from windstill.imaging import ImagingError, decode
from windstill.records import KINDS, CameraData, Frame, FrameScore, Grouping
from windstill.report.aside import written_aside
from windstill.scan import scan_shoot
from windstill.score import score_frame
from windstill.settings import Settings
from windstill.simulate import Leanings, random_description, simulate

HERE = Path(__file__).resolve().parent
TARGETS = {"with camera data": (99.0, 97.0, 99.0), "without camera data": (95.0, 90.0, None)}


@dataclass
class Count:
    """Hits of tries."""

    hits: int = 0
    tries: int = 0

    def add(self, hit: bool) -> None:
        self.hits += hit
        self.tries += 1

    def __str__(self) -> str:
        return f"{100 * self.hits / self.tries:.2f} % ({self.hits} of {self.tries})" if self.tries else "none"


@dataclass
class Tally:
    """What is counted over many shoots."""

    innermost: Count = field(default_factory=Count)
    sets: Count = field(default_factory=Count)
    takes: Count = field(default_factory=Count)
    found_true: Count = field(default_factory=Count)
    by_kind: dict[str, Count] = field(default_factory=lambda: defaultdict(Count))
    by_level: dict[int, Count] = field(default_factory=lambda: defaultdict(Count))
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    rand: list[float] = field(default_factory=list)
    v_measure: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    seconds: float = 0.0


def features(root: Path, settings: Settings, bare: bool = False) -> tuple[list[Frame], dict[str, FrameScore]]:
    """Frames of a folder and their scores, by the rooms of a review; with `bare`, their camera data forgotten."""
    frames = list(scan_shoot(root, settings.scan).frames)
    if bare:
        frames = [replace(f, camera=CameraData(orientation=f.camera.orientation), derived=False) for f in frames]
    scores: dict[str, FrameScore] = {}
    for frame in frames:
        if frame.derived:
            continue
        try:
            decoded = decode(root / frame.pixels_from, frame.camera.orientation, settings.imaging)
        except ImagingError as err:
            print(f"{frame.name}: {err}", file=sys.stderr)
            continue
        scores[frame.name] = score_frame(frame, decoded, settings.score).score
    return frames, scores


def truth_sets(truth: dict[str, list[dict[str, object]]]) -> dict[str, dict[str, object]]:
    """True sets by id, with all their frames, from the members truth.json lists."""
    by_id = {str(s["set_id"]): dict(s) for s in truth["sets"]}

    def frames_of(set_id: str) -> frozenset[str]:
        found: set[str] = set()
        for member in by_id[set_id]["members"]:  # type: ignore[attr-defined]
            found |= frames_of(str(member)) if str(member) in by_id else {str(member)}
        return frozenset(found)

    for set_id, entry in by_id.items():
        entry["all"] = frames_of(set_id)
    return by_id


def compare(grouping: Grouping, truth: dict[str, list[dict[str, object]]], tally: Tally, label: str) -> None:
    """Count one shoot."""
    real = truth_sets(truth)
    found = {(frozenset(s.frames), s.kind): s for s in grouping.sets}
    kind_of = {frozenset(s.frames): s.kind for s in grouping.sets}
    inner_true = {str(f["frame"]): str(f["set_id"]) for f in truth["frames"]}
    inner_found = {name: place.set_id for name, place in grouping.placements.items()}
    true_keys = {(entry["all"], str(entry["kind"])) for entry in real.values()}
    for key in found:
        tally.found_true.add(key in true_keys)
    parts_true, parts_found = _parts(inner_true), _parts(inner_found)
    by_id = grouping.by_id()
    for name, set_id in inner_true.items():
        mine = inner_found.get(name)
        kind = str(real[set_id]["kind"])
        tally.innermost.add(
            mine is not None and parts_found[mine] == parts_true[set_id] and by_id[mine].kind == kind
        )
    for set_id, entry in real.items():
        kind, frames = str(entry["kind"]), entry["all"]
        match = found.get((frames, kind))  # type: ignore[arg-type]
        level = _depth(set_id, real)
        for count in (tally.sets, tally.by_kind[kind], tally.by_level[level]):
            count.add(match is not None)
        tally.confusion[kind, kind_of.get(frames, "other frames")] += 1  # type: ignore[call-overload]
        if match is None:
            tally.missed.append(f"{label}: {set_id}")
        if entry["parent_set"] is None:
            tally.takes.add(match is not None and match.take == entry["take"])
    shared = sorted(set(inner_true) & set(inner_found))
    tally.rand.append(adjusted_rand_score([inner_true[n] for n in shared], [inner_found[n] for n in shared]))
    tally.v_measure.append(v_measure_score([inner_true[n] for n in shared], [inner_found[n] for n in shared]))


def _parts(inner: dict[str, str]) -> dict[str, frozenset[str]]:
    parts: dict[str, set[str]] = defaultdict(set)
    for name, set_id in inner.items():
        parts[set_id].add(name)
    return {set_id: frozenset(names) for set_id, names in parts.items()}


def _depth(set_id: str, sets: dict[str, dict[str, object]]) -> int:
    depth, parent = 1, sets[set_id]["parent_set"]
    while parent is not None:
        depth, parent = depth + 1, sets[str(parent)]["parent_set"]
    return depth


def simulated(args: argparse.Namespace, work: Path, camera_data: bool) -> Tally:
    """Count random shoots."""
    tally, settings = Tally(), Settings()
    for k in range(args.shoots if camera_data else max(args.shoots // 2, 1)):
        seed = args.first_seed + k
        frames, scores, truth = simulated_features(args, work, seed, camera_data)
        start = time.process_time()
        grouping = group_frames(frames, scores, settings.group)
        tally.seconds += time.process_time() - start
        before = tally.innermost.hits, tally.innermost.tries
        compare(grouping, truth, tally, f"seed {seed}")
        print(
            f"seed {seed} {'with' if camera_data else 'without'} data: {len(frames)} frames, "
            f"{tally.innermost.tries - before[1] - tally.innermost.hits + before[0]} misplaced", flush=True,
        )
    return tally


Truth = dict[str, list[dict[str, object]]]


def simulated_features(
    args: argparse.Namespace, work: Path, seed: int, camera_data: bool
) -> tuple[list[Frame], dict[str, FrameScore], Truth]:
    """Frames, scores and truth of one random shoot, rendered unless they were kept."""
    kept = args.keep / f"{seed}-{args.sets}-{args.width}-{int(camera_data)}.pickle" if args.keep else None
    if kept is not None and kept.exists():
        found: tuple[list[Frame], dict[str, FrameScore], Truth] = pickle.loads(kept.read_bytes())
        return found
    leanings = Leanings(camera_data=camera_data)
    description = random_description(args.sets, seed, width_px=args.width, leanings=leanings, quick=True)
    out = work / f"{seed}-{camera_data}"
    simulate(description, out, workers=args.workers)
    truth: Truth = json.loads((out / "truth.json").read_text("utf-8"))
    frames, scores = features(out, Settings())
    shutil.rmtree(out)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        with written_aside(kept) as aside:
            aside.write_bytes(pickle.dumps((frames, scores, truth)))
    return frames, scores, truth


def real_pairs(root: Path, work: Path) -> tuple[Count, Count, list[str]]:
    """(pairs found as one set, kinds right, those missed) of the real pairs, all in one folder, in name order."""
    folder = work / "pairs"
    folder.mkdir()
    kind_of: dict[str, str] = {}
    for sub, kind in (("exposure-pairs", "bracket"), ("focus-pairs", "stack")):
        for path in sorted((root / sub).iterdir()):
            shutil.copyfile(path, folder / path.name)
            kind_of[path.stem] = kind
    frames, scores = features(folder, Settings(), bare=True)
    grouping = group_frames(frames, scores, Settings().group)
    found, right, missed = Count(), Count(), []
    pairs: dict[str, list[str]] = defaultdict(list)
    for name in kind_of:
        pairs[name.casefold()[:-2]].append(name)
    sets = {frozenset(s.frames): s for s in grouping.sets if s.parent_set is None}
    for names in pairs.values():
        match = sets.get(frozenset(names))
        found.add(match is not None)
        right.add(match is not None and match.kind == kind_of[names[0]])
        if match is None or match.kind != kind_of[names[0]]:
            missed.append(names[0][:-2])
    return found, right, missed


def growth(counts: Sequence[int]) -> Iterator[tuple[str, int, float]]:
    """(shoot, frames, CPU seconds) from features that are there."""
    sys.path.insert(0, str(HERE.parent / "tests"))
    from group.light_shoots import mixed_evening, vigil

    for make in (mixed_evening, vigil):
        for count in counts:
            camera = make(count)
            start = time.process_time()
            group_frames(camera.frames, camera.scores, Settings().group)
            yield make.__name__.replace("_", " "), len(camera.frames), time.process_time() - start


def report(
    args: argparse.Namespace, tallies: dict[str, Tally], pairs: str, speeds: list[tuple[str, int, float]]
) -> str:
    """grouping.md."""
    command = (
        f"python reports/grouping.py --shoots {args.shoots} --sets {args.sets} --first-seed {args.first_seed} "
        f"--width {args.width}"
    )
    lines = [
        "# Grouping, measured", "",
        f"`{command}` on {platform.machine()}, Python "
        f"{platform.python_version()}, {datetime.now(UTC):%Y-%m-%d}. Random shoots of seeds from {args.first_seed}, "
        f"{args.sets} top-level sets each, {args.width} px wide; files are written, scanned, decoded and scored as in "
        "a review. A set counts only if its frames and its kind are exactly right.", "",
        "| | frames in the right innermost set | sets exact, all levels | takes right | wanted | found and true |",
        "|---|---|---|---|---|---|",
    ]
    for name, tally in tallies.items():
        wanted = " / ".join("-" if t is None else f"{t:g} %" for t in TARGETS[name])
        lines.append(f"| {name} | {tally.innermost} | {tally.sets} | {tally.takes} | {wanted} | {tally.found_true} |")
    lines += ["", "Against scikit-learn's measures of partitions (innermost sets, mean over shoots, 1 is perfect):", ""]
    for name, tally in tallies.items():
        count = max(len(tally.rand), 1)
        lines.append(
            f"- {name}: adjusted Rand index {sum(tally.rand) / count:.4f}, V-measure {sum(tally.v_measure) / count:.4f}"
        )
    for name, tally in tallies.items():
        lines += ["", f"## {name[0].upper()}{name[1:]}", "", "| true kind | sets exact |", "|---|---|"]
        lines += [f"| {kind} | {tally.by_kind[kind]} |" for kind in KINDS if kind in tally.by_kind]
        lines += ["", "| level | sets exact |", "|---|---|"]
        lines += [f"| {level} | {tally.by_level[level]} |" for level in sorted(tally.by_level)]
        heads = [*KINDS, "other frames"]
        lines += ["", "True kind (rows) against the kind found for exactly its frames:", ""]
        lines += ["| | " + " | ".join(heads) + " |", "|---|" + "---|" * len(heads)]
        for kind in KINDS:
            lines.append(f"| {kind} | " + " | ".join(str(tally.confusion[kind, h]) for h in heads) + " |")
        lines += ["", "Missed: " + ("; ".join(tally.missed) if tally.missed else "none") + "."]
    lines += ["", "## Real pairs without camera data", "", pairs, "", "## Growth", ""]
    lines += ["CPU seconds from features that are there, on a machine that may be busy.", ""]
    lines += ["| shoot | frames | seconds | milliseconds per frame |", "|---|---|---|---|"]
    lines += [f"| {name} | {n} | {s:.2f} | {1000 * s / n:.2f} |" for name, n, s in speeds]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--shoots", type=int, default=40)
    parser.add_argument("--sets", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=7000)
    parser.add_argument("--width", type=int, default=640)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--growth", default="1000,2000,5000,10000")
    parser.add_argument("--pairs", type=Path, default=HERE.parent.parent / "shared" / "data")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--out", type=Path, default=HERE / "grouping.md")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        tallies = {
            "with camera data": simulated(args, work, True), "without camera data": simulated(args, work, False),
        }
        pairs = "The folder of real pairs is not there."
        if (args.pairs / "focus-pairs").is_dir():
            found, right, missed = real_pairs(args.pairs, work)
            pairs = (
                f"Found as one set, apart from their neighbours: {found}. Kind right: {right}. "
                f"Missed: {', '.join(missed) or 'none'}."
            )
        speeds = list(growth([int(n) for n in args.growth.split(",") if n]))
    with written_aside(args.out) as aside:
        aside.write_text(report(args, tallies, pairs, speeds), "utf-8")
    print(args.out)


if __name__ == "__main__":
    main()
