"""Thousands of broken and hostile files through whole reviews: each a frame or one line, in bounded time and memory."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
import threading
import time
from collections import Counter, deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from reliability_base import Torture, environment, small_shoot, state
from reliability_files import WAYS, Source, fuzzed, sources

from windstill.records import decode_name

SECTION = "fuzz"
BATCH = 200
LIMIT_BYTES = 2_000_000_000
LIMIT_S = 20.0
# A decoder is stopped after the limit; then there is still a line to write and a new process to start.
_GRACE_S = 10.0
_BATCH_LIMIT_S = 1800.0
# Lines that blame the file for what is a fault of ours.
_OURS = ("Error", "Exception", "Traceback", "object has no", "something went wrong", "not subscriptable", "division by")
_SURVIVED = {"gave up on": "crashed", "broke down": "crashed", "process working on it": "crashed",
             "took longer": "stopped", "did not finish": "stopped", "nothing came of it": "stopped",
             "memory": "out of memory"}  # fmt: skip


@dataclass(slots=True)
class Batch:
    """One folder of files and what came of it."""

    number: int
    folder: Path
    ways: dict[str, str] = field(default_factory=dict)
    complaints: list[tuple[str, str]] = field(default_factory=list)
    frames: int = 0
    lines: int = 0
    survived: Counter[str] = field(default_factory=Counter)
    scan_s: float = 0.0
    slowest: dict[str, float] = field(default_factory=dict)
    peak_process: int = 0
    peak_all: int = 0


def torture_files(torture: Torture, count: int, jobs: int, deadline: float) -> None:
    """Make the files, review them in batches, count."""
    base = torture.folder("fuzz")
    sound = sources()
    waiting = deque(range((count + BATCH - 1) // BATCH))
    batches: list[Batch] = []

    def work() -> None:
        while waiting and time.monotonic() < deadline:
            with suppress(IndexError):
                number = waiting.popleft()
                size = min(BATCH, count - number * BATCH)
                batches.append(_one_batch(torture, base, number, size, sound))

    with ThreadPoolExecutor(jobs) as pool:
        for future in [pool.submit(work) for _ in range(jobs)]:
            future.result()
    _tell(torture, batches, count)


def _tell(torture: Torture, batches: list[Batch], asked: int) -> None:
    tried: Counter[str] = Counter()
    broken: Counter[str] = Counter()
    survived: Counter[str] = Counter()
    for batch in batches:
        tried.update(batch.ways.values())
        survived.update(batch.survived)
        for file, complaint in batch.complaints:
            way = batch.ways.get(file, "")
            broken[way] += 1
            torture.check(f"fuzz, batch {batch.number}, {file} ({way or 'the whole batch'})", complaint)
    torture.files_tried = sum(tried.values())
    for way in WAYS:
        torture.row(SECTION, way, tried[way], tried[way] - broken[way])
    slowest = {stage: max((b.slowest.get(stage, 0.0) for b in batches), default=0.0) for stage in ("score", "assess")}
    torture.row(
        SECTION, f"batches of {BATCH} files, each one review", len(batches), len(batches) - broken[""],
        f"{sum(b.frames for b in batches)} frames, {sum(b.lines for b in batches)} lines in problems.csv; decoders "
        f"that crashed {survived['crashed']}, were stopped {survived['stopped']}, ran out of memory "
        f"{survived['out of memory']}",
    )  # fmt: skip
    torture.row(
        SECTION, "wall time on this machine (s)", len(batches), len(batches),
        f"{max((b.scan_s for b in batches), default=0):.1f} for all headers of the slowest batch, "
        f"{slowest['score']:.1f} for the pixels of the slowest file, {slowest['assess']:.1f} for the slowest set",
    )  # fmt: skip
    torture.row(
        SECTION, "memory: largest process, all together (MB)", len(batches), len(batches),
        f"{max((b.peak_process for b in batches), default=0) / 1e6:.0f}, "
        f"{max((b.peak_all for b in batches), default=0) / 1e6:.0f} (memory they share counted in each)",
    )  # fmt: skip
    if torture.files_tried < asked:
        torture.left_out.append(f"fuzz: {asked - torture.files_tried} of {asked} files, no time left")


def _one_batch(torture: Torture, base: Path, number: int, size: int, sound: list[Source]) -> Batch:
    """Write the files of a batch beside a few sound ones, review them, look at every one of them in the tables."""
    batch = Batch(number, base / f"{number}")
    shoot = small_shoot(batch.folder / "shoot")
    names = {}
    for index in range(size):
        suffix, data, way = fuzzed(number * BATCH + index, torture.seed, sound)
        name = f"{101 + index // 100}FUZZ/FUZZ{index:04d}{suffix}"
        (shoot / name).parent.mkdir(exist_ok=True)
        (shoot / name).write_bytes(data)
        batch.ways[name] = way
        names[name] = data
    before = state(shoot)
    status, said, error = _reviewed(batch, shoot)
    if status or error.strip():
        batch.complaints.append(("", f"status {status}; {error[-700:]}"))
    else:
        with suppress(ValueError):
            times = json.loads(said)
            batch.scan_s, batch.slowest = times["scan_s"], times["slowest"]
        _look(batch)
    _limits(batch)
    if wrong := torture.untouched(before, shoot):
        batch.complaints.append(("", wrong))
    kept = torture.work / "kept"
    for file, _ in batch.complaints:
        if file in names:
            kept.mkdir(exist_ok=True)
            (kept / f"{number}-{Path(file).name}").write_bytes(names[file])
    if any(not file for file, _ in batch.complaints):
        shutil.copytree(batch.folder, kept / f"batch-{number}", dirs_exist_ok=True)
    shutil.rmtree(batch.folder, ignore_errors=True)
    print(f"batch {number}: {batch.frames} frames, {batch.lines} lines, {len(batch.complaints)} complaints", flush=True)
    return batch


def _reviewed(batch: Batch, shoot: Path) -> tuple[int, str, str]:
    """Run this file as a script over the batch, watching what its processes take."""
    run = subprocess.Popen(
        [sys.executable, __file__, str(shoot), str(batch.folder / "out"), str(batch.folder / "cache")],
        env=environment(batch.folder / "cache"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        errors="backslashreplace",
    )  # fmt: skip
    over = threading.Event()
    watch = threading.Thread(target=_watch, args=(run.pid, batch, over), daemon=True)
    watch.start()
    try:
        said, error = run.communicate(timeout=_BATCH_LIMIT_S)
    except subprocess.TimeoutExpired:
        run.kill()
        said, error = run.communicate()
        error += f"\nnot done in {_BATCH_LIMIT_S:.0f} s"
    over.set()
    watch.join()
    return run.returncode, said, error


def _watch(pid: int, batch: Batch, over: threading.Event) -> None:
    while not over.wait(0.05):
        together = 0
        with suppress(psutil.Error):
            parent = psutil.Process(pid)
            for process in (parent, *parent.children(recursive=True)):
                with suppress(psutil.Error):
                    taken = process.memory_info().rss
                    together += taken
                    batch.peak_process = max(batch.peak_process, taken)
        batch.peak_all = max(batch.peak_all, together)


def _limits(batch: Batch) -> None:
    if batch.peak_all > LIMIT_BYTES:
        batch.complaints.append(("", f"{batch.peak_all / 1e6:.0f} MB together"))
    if (seconds := batch.slowest.get("score", 0.0)) > LIMIT_S + _GRACE_S:
        batch.complaints.append(("", f"{seconds:.1f} s for one file"))


def _look(batch: Batch) -> None:
    """Every file in a frame or a line, every frame measured or in a line, every line in plain words."""
    out = batch.folder / "out"
    frames, problems = _rows(out / "frames.csv"), _rows(out / "problems.csv")
    batch.frames, batch.lines = len(frames), len(problems)
    told = {decode_name(row["file"]) for row in problems}
    framed: set[str] = set()
    for row in frames:
        files = [decode_name(name) for name in row["files"].split(";")]
        framed.update(files)
        if not row["sharpness"] and not told.intersection(files):
            batch.complaints.append((files[0], "a frame without measures and without a line"))
    for name in batch.ways:
        if name not in framed and name not in told:
            batch.complaints.append((name, "neither a frame nor a line"))
    for row in problems:
        text = row["problem"]
        name = decode_name(row["file"])
        for words, what in _SURVIVED.items():
            if words in text:
                batch.survived[what] += 1
                break
        if not text.isprintable() or not text or any(word in text for word in _OURS) or row["stage"] == "assess":
            batch.complaints.append((name if name in batch.ways else "", f"{row['stage']} {name}: {text!r}"))
        elif row["stage"] == "score":
            batch.complaints.append((name if name in batch.ways else "", f"a picture that was decoded: {text!r}"))


def _rows(path: Path) -> list[dict[str, str]]:
    csv.field_size_limit(64_000_000)
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _review(shoot: Path, out: Path, cache: Path) -> None:
    """In a process of its own: one review by one worker, so that the time between two frames is one frame's."""
    from windstill.run import Options, Silent, reviewed
    from windstill.settings import load_settings

    class Watch(Silent):
        def __init__(self) -> None:
            self.began: dict[str, float] = {}
            self.slowest: dict[str, float] = {}
            self.now, self.last = "", 0.0

        def stage(self, name: str, total: int) -> None:
            self.now, self.last = name, time.monotonic()
            self.began[name] = self.last

        def step(self, count: int = 1) -> None:
            now = time.monotonic()
            # The first of a stage also waits for its worker to start.
            known = self.slowest.get(self.now)
            self.slowest[self.now] = 0.0 if known is None else max(known, now - self.last)
            self.last = now

    watch = Watch()
    settings = load_settings(overrides={"run": {"workers": 1}})
    with reviewed(shoot, out, settings, Options(cache_folder=cache), watch):
        pass
    print(json.dumps({"scan_s": watch.began["score"] - watch.began["scan"], "slowest": watch.slowest}))


if __name__ == "__main__":
    _review(*map(Path, sys.argv[1:4]))
