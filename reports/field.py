"""What the quick check costs, against decoding alone: writes field.md beside this file.

    python reports/field.py [--rounds N]

The pictures of the sample shoot are enlarged to 24 megapixels, given noise and a preview of 1620 x 1080 pixels, as
cameras embed it. Every round runs both floors and every task once over all frames, one after the other, in this
process; figures are CPU time per frame, medians over the rounds, so that a busy machine disturbs all alike. The stages
of the check are told apart by its own progress. Last, the command is run as a user runs it, with nothing kept and
again with everything kept, and the sets are set beside what a review of the same card says of them.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
import piexif
import simplejpeg
from decoding import with_preview
from numpy.typing import NDArray

from windstill import review, score
from windstill.field import Check, FieldDesk, quick_check
from windstill.field.check import for_previews
from windstill.field.read import read_quick
from windstill.records import Frame
from windstill.report.aside import written_aside
from windstill.run.progress import Silent
from windstill.scan import scan_shoot
from windstill.settings import Settings

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_data" / "cliff-thrift"
WIDTH, HEIGHT = 6000, 4000
PREVIEW = (1620, 1080)
NOISE_STEPS = 3.0
QUALITY = 92
SETTINGS = Settings()
TARGET = 0.3
STAGES = (
    ("opening the kept results, listing the folder", "open"), ("finding the frames, reading their headers", "scan"),
    ("reading previews, scoring them", "score"), ("grouping", "group"), ("measuring motion", "assess"),
    ("judging", "judge"),
)


def enlarge(source: Path, target: Path, seed: int) -> tuple[bytes, bytes]:
    """Write a 24 megapixel copy with a preview; gives the bytes of the picture alone and of the preview alone."""
    data = source.read_bytes()
    original = simplejpeg.decode_jpeg(data)
    picture = cv2.resize(original, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(seed).normal(0, NOISE_STEPS, (HEIGHT, WIDTH, 1)).astype(np.float32)
    noisy: NDArray[np.uint8] = np.clip(picture + noise, 0, 255).astype(np.uint8)
    tables = piexif.load(data)
    tables["thumbnail"], tables["1st"] = None, {}
    tables["Exif"][piexif.ExifIFD.PixelXDimension], tables["Exif"][piexif.ExifIFD.PixelYDimension] = WIDTH, HEIGHT
    for tag in (piexif.ExifIFD.FocalPlaneXResolution, piexif.ExifIFD.FocalPlaneYResolution):
        count, per = tables["Exif"][tag]  # a sensor as large, with as many more pixels
        tables["Exif"][tag] = round(count * WIDTH / original.shape[1]), per
    exif = piexif.dump(tables)
    main = simplejpeg.encode_jpeg(noisy, QUALITY, colorsubsampling="422")
    main = main[:2] + b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif + main[2:]
    small = np.ascontiguousarray(cv2.resize(noisy, PREVIEW, interpolation=cv2.INTER_AREA))
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(with_preview(main, small))
    return main, simplejpeg.encode_jpeg(small, 85, colorsubsampling="422")


def spent_s(task: Callable[[], object]) -> float:
    """CPU seconds of one call, this process and its children."""
    began = os.times()
    task()
    ended = os.times()
    return sum(ended[:4]) - sum(began[:4])


class Stopwatch(Silent):
    """CPU seconds by stage; what comes after the last set is measured is judging."""

    def __init__(self) -> None:
        self.spent: Counter[str] = Counter()
        self._stage, self._since = "open", time.process_time()

    def stage(self, name: str, total: int) -> None:
        self._book()
        self._stage = name

    def step(self, count: int = 1) -> None:
        self._book()

    def end(self) -> None:
        """Book what is left."""
        self._stage = "judge"
        self._book()

    def _book(self) -> None:
        now = time.process_time()
        self.spent[self._stage] += now - self._since
        self._since = now


def checked(card: Path, folder: Path, watch: Stopwatch | None = None, why: bool = False) -> Check:
    """One check of the whole card with nothing kept from before, in this process."""
    with tempfile.TemporaryDirectory(dir=folder) as cache, FieldDesk(SETTINGS, Path(cache), watch) as desk:
        check = quick_check(card, desk, why=why)
        if watch is not None:
            watch.end()
        assert len(check.scores) == len(check.frames)  # read while the desk is open
        return check


def by_stage(card: Path, folder: Path, rounds: int) -> dict[str, float]:
    """CPU milliseconds per frame of every stage of a check."""
    found: dict[str, list[float]] = {}
    for _ in range(rounds):
        watch = Stopwatch()
        frames = len(checked(card, folder, watch).frames)
        for name, spent in watch.spent.items():
            found.setdefault(name, []).append(1000 * spent / frames)
    return {name: statistics.median(values) for name, values in found.items()}


def as_command(card: Path, folder: Path, rounds: int) -> tuple[float, float]:
    """CPU seconds of `windstill field` with nothing kept, and again with everything kept."""

    def run(cache: str) -> None:
        words = ["field", str(card), "--latest", "all", "--cache", cache, "--workers", "1"]
        program = f"from windstill.cli import main; main({words!r})"
        subprocess.run([sys.executable, "-c", program], capture_output=True, check=False)

    first, again = [], []
    for _ in range(rounds):
        with tempfile.TemporaryDirectory(dir=folder) as cache:
            first.append(spent_s(lambda: run(cache)))
            again.append(spent_s(lambda: run(cache)))
    return statistics.median(first), statistics.median(again)


def beside_review(card: Path, folder: Path, check: Check) -> list[str]:
    """Rows of a table: every set with what the check and a review of the same files say."""
    with review(card, folder / "review", SETTINGS, cache=folder / "cache") as reviewed:
        told = {row["set_id"]: (row["outlook"], row["sway_max_px"]) for _, row in reviewed.sets.iterrows()}
    rows = []
    for node in check.grouping.top_level():
        if node.kind == "single":
            continue
        verdict = check.verdicts[node.set_id]
        outlook, sway_px = told.get(node.set_id, ("no such set", 0.0))
        size = f"{node.kind} {len(node.frames)}"
        seen = f"{verdict.outlook}, {verdict.sway_max_px or 0:.0f} px"
        rows.append(f"| {node.frames[0].rsplit('/', 1)[-1]} {size} | {seen} | {outlook}, {sway_px:.1f} px |")
    return rows


def decoded_alone(files: Sequence[bytes]) -> None:
    """The library's fastest decode of each; none is held, or the system's clearing of memory would be half of it."""
    for data in files:
        simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True)


def measured(card: Path, folder: Path, pictures: list[bytes], previews: list[bytes], rounds: int) -> dict[str, float]:
    """CPU milliseconds per frame of every task."""
    frames = scan_shoot(card).frames
    used = for_previews(SETTINGS)

    def read(frame: Frame) -> object:
        return read_quick(card / frame.pixels_from, frame, used.imaging, used.score)

    def scored(frame: Frame) -> object:
        decoded = read_quick(card / frame.pixels_from, frame, used.imaging, used.score)
        return score.score_frame(frame, decoded, used.score)

    tasks: dict[str, Callable[[], object]] = {
        "full": lambda: decoded_alone(pictures),
        "preview": lambda: decoded_alone(previews),
        "read": lambda: [read(frame) for frame in frames],
        "scored": lambda: [scored(frame) for frame in frames],
        "checked": lambda: checked(card, folder),
        "why": lambda: checked(card, folder, why=True),
    }
    for task in tasks.values():  # kernels are loaded, the disk's cache is filled
        task()
    times: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(rounds):
        for name, task in tasks.items():
            times[name].append(1000 * spent_s(task) / len(frames))
    return {name: statistics.median(values) for name, values in times.items()}


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    rounds = parser.parse_args().rounds
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        card = folder / "card"
        sources = sorted(SAMPLE.glob("DCIM/*/*.JPG"))
        made = [enlarge(path, card / path.relative_to(SAMPLE), seed) for seed, path in enumerate(sources)]
        pictures, previews = [m for m, _ in made], [p for _, p in made]
        began = time.monotonic()
        check = checked(card, folder)
        outlooks = Counter(check.verdicts[node.set_id].outlook for node in check.grouping.top_level())
        ms = measured(card, folder, pictures, previews, rounds)
        stages = by_stage(card, folder, rounds)
        first_s, again_s = as_command(card, folder, rounds)
        rows_beside = beside_review(card, folder, check)
    size_mb = statistics.mean(map(len, pictures)) / 1e6
    rows = [
        ("full colour decode, the library alone", "full"),
        ("embedded preview decoded, the library alone", "preview"),
        ("preview found, decoded, brought to the working size", "read"),
        ("the same, and scored", "scored"),
        ("the whole check: scan, score, group, measure, judge", "checked"),
        ("the same, with what to do about each set that will not merge (`--why`)", "why"),
    ]
    lines = [
        "# What the quick check costs",
        "",
        f"Made by `python reports/field.py --rounds {rounds}` on {platform.system()} {platform.machine()}, "
        f"{os.cpu_count()} cores, Python {platform.python_version()}, simplejpeg {simplejpeg.__version__}, "
        f"OpenCV {cv2.__version__}.",
        "",
        f"{len(pictures)} frames of {WIDTH} x {HEIGHT} pixels ({size_mb:.1f} MB each, preview {PREVIEW[0]} x "
        f"{PREVIEW[1]}), the sample shoot enlarged. CPU time per frame, one process, nothing kept from before, kernels "
        "compiled and loaded; starting the program is not counted.",
        "",
        "| task | CPU, ms per frame | over a full colour decode | over the preview's decode |",
        "|---|---:|---:|---:|",
        *(
            f"| {text} | {ms[key]:.0f} | {ms[key] / ms['full']:.2f} | {ms[key] / ms['preview']:.1f} |"
            for text, key in rows
        ),
        "",
        verdict_on(ms),
        "",
        "| stage of the whole check | CPU, ms per frame |",
        "|---|---:|",
        *(f"| {text} | {stages.get(key, 0.0):.1f} |" for text, key in STAGES),
        "",
        f"As a command on this card: {first_s:.1f} s of CPU with nothing kept, "
        f"{first_s - len(pictures) * ms['checked'] / 1000:.1f} s of it for starting the program and loading compiled "
        f"kernels; {again_s:.1f} s when nothing is new.",
        "",
        "| set | the check says | a review of the same files says |",
        "|---|---|---|",
        *rows_beside,
        "",
        f"Outlooks found: {', '.join(f'{count} {name}' for name, count in sorted(outlooks.items()))}; motion is seen "
        f"from {max(check.floors_px.values())} px on.",
        "",
    ]
    with written_aside(Path(__file__).with_suffix(".md")) as aside:
        aside.write_text("\n".join(lines), "utf-8")
    print("\n".join(lines))
    print(f"{time.monotonic() - began:.0f} s")


def verdict_on(ms: dict[str, float]) -> str:
    """Whether the target is met, in a sentence."""
    told = []
    for name, key in (("reading and scoring a frame", "scored"), ("the whole check", "checked")):
        ratio = ms[key] / ms["full"]
        told.append(f"{name} takes {ratio:.2f}, {'within' if ratio <= TARGET else 'above'} it")
    above = " Measuring motion tile by tile is what costs." if ms["checked"] > TARGET * ms["full"] else ""
    return f"The target is {TARGET} of a full colour decode per frame: {'; '.join(told)}.{above}"


if __name__ == "__main__":
    main()
