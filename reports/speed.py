"""What a review costs, as ratios to decoding the same files once: writes speed.md beside this file.

    python reports/speed.py [--megapixels 24] [--evening 100 ...] [--shoot FOLDER ...] [--no-noisy] [--workers N]

For every shoot, in one run and on one machine:

- the floor: every photograph decoded once, in colour, with simplejpeg, one thread (the fastest library decoder);
- a first review into an empty cache; again with nothing changed; again with another tolerance; again with one file new.

Besides: the first two frames of each shoot by a plain scikit-image script (speed_baseline.py) and by a review of just
them; the peak memory of sets of ten and sixty frames; elapsed time on a dask cluster of one and of two workers.

CPU is user and system time of the whole tree of processes, orphans included. A first review of one small frame tells
what starting the program costs whatever the shoot; `net` is CPU without that. The JIT compiler's cache is warm, as it
is from the second review on, and Python keeps its modules compiled, as an installation does. Linux only.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import json
import multiprocessing
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import piexif
import psutil
from PIL import Image
from speed_more import PlainPair, dask_workers, long_set, plain_pair

from field import enlarge

HERE = Path(__file__).resolve().parent
SAMPLE = HERE.parent / "sample_data" / "cliff-thrift"
NOISY = "noisy-24"
_SUBREAPER = 36  # prctl(2): orphans become children of this process, so that their time is counted
_FLOOR = """
import sys, simplejpeg
for line in sys.stdin:
    with open(line.rstrip("\\n"), "rb") as file:
        simplejpeg.decode_jpeg(file.read(), "RGB")
"""


@dataclass(frozen=True, slots=True)
class Cost:
    """One run: CPU and elapsed seconds, and what run.json says of it."""

    cpu_s: float
    wall_s: float
    run: dict[str, object]


@dataclass(frozen=True, slots=True)
class Measured:
    """One shoot measured."""

    name: str
    frames: int
    megapixels: float
    floor: Cost
    first: Cost
    again: Cost
    tolerance: Cost
    one_new: Cost


def run(command: Sequence[str | Path], **more: object) -> Cost:
    """Run a command and count the CPU of everything it starts."""
    others = {child.pid for child in psutil.Process().children()}
    before, started = _children_cpu_s(), time.monotonic()
    subprocess.run([str(word) for word in command], check=True, **more)  # type: ignore[call-overload]
    wall = time.monotonic() - started
    for orphan in psutil.Process().children():  # those that are just ending
        if orphan.pid not in others:
            with contextlib.suppress(ChildProcessError):
                os.waitpid(orphan.pid, 0)
    return Cost(_children_cpu_s() - before, wall, {})


def _children_cpu_s() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def review(shoot: Path, out: Path, cache: Path, *more: str) -> Cost:
    """One review by the command line."""
    code = "from windstill.cli import main; main()"
    words = ["review", shoot, "--out", out, "--cache", cache, *more]
    cost = run([sys.executable, "-c", code, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return Cost(cost.cpu_s, cost.wall_s, json.loads((out / "run.json").read_text()))


def floor(files: Sequence[Path]) -> Cost:
    """Every file decoded once in colour; the cost of starting Python is taken off."""
    empty = run([sys.executable, "-c", _FLOOR], input="", text=True)
    whole = run([sys.executable, "-c", _FLOOR], input="".join(f"{file}\n" for file in files), text=True)
    return Cost(whole.cpu_s - empty.cpu_s, whole.wall_s - empty.wall_s, {})


def measure(name: str, shoot: Path, work: Path, workers: int) -> Measured:
    """All the figures of one shoot."""
    files = photographs(shoot)
    for file in files:
        file.read_bytes()  # from memory for floor and review alike
    megapixels = megapixels_of(files[0])
    few = ["--workers", str(workers)]
    cache, out = work / f"{name}-cache", work / f"{name}-out"
    base = floor(files)
    first = review(shoot, out, cache, *few)
    again = review(shoot, out, cache, *few)
    tolerance = review(shoot, out, cache, "--tolerance", "2.5", *few)
    grown = work / f"{name}-grown"
    shutil.copytree(shoot, grown, copy_function=os.link)
    review(grown, out, cache, *few)
    dated_copy(files[-1], grown / "LATE0001.JPG", datetime(2031, 12, 24, 12, 0))
    one_new = review(grown, out, cache, *few)
    return Measured(name, len(files), megapixels, base, first, again, tolerance, one_new)


def megapixels_of(file: Path) -> float:
    """The size of a photograph."""
    with Image.open(file) as image:
        return image.width * image.height / 1e6


def photographs(shoot: Path) -> list[Path]:
    """The JPEG files of a shoot."""
    return sorted(path for path in shoot.rglob("*") if path.suffix.lower() in (".jpg", ".jpeg"))


def dated_copy(source: Path, target: Path, taken: datetime) -> None:
    """The same pixels as another exposure: another time."""
    target.parent.mkdir(parents=True, exist_ok=True)
    data = piexif.load(str(source))
    stamp = taken.strftime("%Y:%m:%d %H:%M:%S").encode()
    data["Exif"][piexif.ExifIFD.DateTimeOriginal] = stamp
    data["Exif"][piexif.ExifIFD.SubSecTimeOriginal] = f"{taken.microsecond // 1000:03d}".encode()
    data["Exif"].pop(piexif.ExifIFD.ImageUniqueID, None)
    data["0th"].pop(piexif.ImageIFD.DateTime, None)
    shutil.copyfile(source, target)
    piexif.insert(piexif.dump(data), str(target))


def evening(shoot: Path, frames: int, target: Path) -> Path:
    """A longer evening: the shoot's frames over and over, each round half an hour after the last."""
    files = photographs(shoot)
    times = [_taken(file) for file in files]
    for number in range(frames):
        round_, index = divmod(number, len(files))
        taken = times[index] + timedelta(minutes=30 * round_)
        folder = f"{100 + number // 9000}EVENG"
        dated_copy(files[index], target / folder / f"EVEN{number % 9000 + 1:04d}.JPG", taken)
    return target


def _taken(file: Path) -> datetime:
    exif = piexif.load(str(file))["Exif"]
    moment = datetime.strptime(exif[piexif.ExifIFD.DateTimeOriginal].decode(), "%Y:%m:%d %H:%M:%S")
    fraction = exif.get(piexif.ExifIFD.SubSecTimeOriginal, b"0").decode().strip() or "0"
    return moment + timedelta(seconds=float(f"0.{fraction}"))


def start_up(work: Path, workers: int) -> Cost:
    """A first review of one small frame."""
    shoot = work / "one"
    shoot.mkdir()
    picture = np.random.default_rng(1).integers(60, 190, (120, 160, 3)).astype(np.uint8)
    Image.fromarray(picture).save(shoot / "ONE_0001.JPG")
    review(SAMPLE, work / "warm-out", work / "warm-cache")  # compiles what is compiled once
    return review(shoot, work / "one-out", work / "one-cache", "--workers", str(workers))


def against_plain(name: str, shoot: Path, work: Path, workers: int) -> PlainPair:
    """The first two frames by the plain script and by a review."""
    files = photographs(shoot)[:2]
    megapixels = megapixels_of(files[0])

    def plain(command: Sequence[str | Path], into: Path) -> float:
        with into.open("w") as output:
            return run(command, stdout=output).cpu_s

    def reviewing(folder: Path, out: Path, cache: Path) -> float:
        return review(folder, out, cache, "--workers", str(workers)).cpu_s

    return plain_pair(name, files, megapixels, work, plain, reviewing)


def set_memory(shoot: Path, sizes: Sequence[int], work: Path, workers: int) -> list[tuple[int, Cost]]:
    """Reviews of one burst each, of rising length."""
    source = photographs(shoot)[0]
    costs = []
    for frames in sizes:
        burst = long_set(source, frames, work / f"burst-{frames}", dated_copy)
        few = ["--workers", str(workers)]
        costs.append((frames, review(burst, work / f"burst-{frames}-out", work / f"burst-{frames}-cache", *few)))
        shutil.rmtree(burst)
    return costs


def on_cluster(shoot: Path, work: Path) -> list[Cost]:
    """The same review on one and on two workers of a dask cluster on this machine."""
    costs = []
    for workers in (1, 2):
        with dask_workers(workers, work / f"cluster-{workers}") as address:
            # Once for the workers to load their libraries and kernels, once for the figure.
            for turn in ("warm", "timed"):
                where = work / f"cluster-{workers}-{turn}"
                cost = review(shoot, where / "out", where / "cache", "--scheduler", address)
        costs.append(cost)
    return costs


def more_lines(
    plain: Sequence[PlainPair],
    memory: Sequence[tuple[str, Sequence[tuple[int, Cost]]]],
    cluster: Sequence[Cost],
    start: Cost,
    plain_start: Cost,
) -> Iterator[str]:
    """The part of the report that is not about whole shoots."""
    yield "\nTwo frames by a plain scikit-image script and by a review of just them, start of the program included:\n\n"
    yield "| shoot | MP | plain s | review s | ratio | without starts | tiles compared | apart, median px | "
    yield "moved, 99th percentile px: plain | review |\n|---|---|---|---|---|---|---|---|---|---|"
    for p in plain:
        yield (
            f"\n| {p.shoot} | {p.megapixels:.1f} | {p.plain_cpu_s:.1f} | {p.review_cpu_s:.1f} | "
            f"{p.plain_cpu_s / p.review_cpu_s:.0f} | "
            f"{(p.plain_cpu_s - plain_start.cpu_s) / max(p.review_cpu_s - start.cpu_s, 0.1):.0f} | "
            f"{p.tiles} | {p.apart_px:.2f} | {p.plain_moved_px:.1f} | "
            f"{p.review_moved_px:.1f} |"
        )
    yield "\n"
    if memory:
        yield "\nPeak memory of all processes by length of one set:\n\n"
        yield "| frames of | in the set | peak MB |\n|---|---|---|"
        for name, sizes in memory:
            for frames, cost in sizes:
                yield f"\n| {name} | {frames} | {cost.run['peak_memory_mb']} |"
        yield "\n"
    if cluster:
        one, two = (cost.wall_s for cost in cluster)
        yield f"\nOn a dask cluster on this machine, whose {os.cpu_count()} cores scheduler and asking process share: "
        yield f"{one:.1f} s on one worker, {two:.1f} s on two: {100 * one / (2 * two):.0f} % efficiency.\n"


def lines(found: Sequence[Measured], start: Cost, workers: int, note: str = "") -> Iterator[str]:
    """The report."""
    yield "# What a review costs\n"
    yield "\nWritten by `python reports/speed.py`; what is measured and how is said at the top of that script. "
    yield "`sample` is the sample shoot, `evening-N` its frames re-dated until there are N; a shoot called "
    yield "`simulated-24` is made by `windstill simulate cliff-thrift simulated-24 --width 6000` and given with "
    yield f"`--shoot`; `{NOISY}` is the sample enlarged to 24 megapixels with a camera's noise: its files are as large "
    yield "as photographs are, those rendered are smoother and decode in half the time.\n\n"
    yield f"{platform.machine()}, {os.cpu_count()} cores, {workers} workers, Python {platform.python_version()}, "
    yield f"{datetime.now():%Y-%m-%d}; load average over the last 15 minutes {os.getloadavg()[2]:.1f}. Starting the "
    yield f"program costs {start.cpu_s:.1f} s of CPU whatever the shoot.{f' {note}' if note else ''}\n\n"
    yield "| shoot | frames | MP | floor s | first review s | ratio | net ratio | elapsed s | decodes per frame | "
    yield "peak MB |\n|---|---|---|---|---|---|---|---|---|---|"
    for m in found:
        net = (m.first.cpu_s - start.cpu_s) / m.floor.cpu_s
        yield (
            f"\n| {m.name} | {m.frames} | {m.megapixels:.1f} | {m.floor.cpu_s:.2f} | {m.first.cpu_s:.2f} | "
            f"{m.first.cpu_s / m.floor.cpu_s:.2f} | {net:.2f} | {m.first.wall_s:.1f} | "
            f"{m.first.run['decodes_per_frame']} | {m.first.run['peak_memory_mb']} |"
        )
    yield "\n\nAgain, in percent of the first review's CPU:\n\n"
    yield "| shoot | nothing changed | another tolerance | one file new |\n|---|---|---|---|"
    for m in found:
        shares = [100 * cost.cpu_s / m.first.cpu_s for cost in (m.again, m.tolerance, m.one_new)]
        yield f"\n| {m.name} | " + " | ".join(f"{share:.1f}" for share in shares) + " |"
    yield "\n\nWhere the CPU of the first review went, seconds by stage:\n\n| shoot | "
    stages = list(dict.fromkeys(name for m in found for name in _spent(m)))
    yield " | ".join(stages) + " |\n|---" + "|---" * len(stages) + "|"
    for m in found:
        yield f"\n| {m.name} | " + " | ".join(f"{_spent(m).get(name, 0.0):.2f}" for name in stages) + " |"
    yield "\n"


def _spent(measured: Measured) -> dict[str, float]:
    spent = measured.first.run["cpu_seconds"]
    assert isinstance(spent, dict)
    return spent


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24.0, help="of the simulated shoot; 0 leaves it out")
    parser.add_argument("--shoot", type=Path, action="append", default=[], help="another shoot to measure; repeatable")
    parser.add_argument("--no-noisy", dest="noisy", action="store_false", help=f"leave `{NOISY}` out")
    parser.add_argument("--evening", type=int, nargs="*", default=[], help="frames of longer evenings")
    parser.add_argument("--sets", type=int, nargs="*", default=[10, 60], help="frames of sets whose memory is measured")
    parser.add_argument("--cluster", type=int, default=72, help="frames of the evening run on a cluster; 0: none")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--note", default="", help="a sentence for the report, such as what else the machine did")
    parser.add_argument("--out", type=Path, default=HERE / "speed.md")
    given = parser.parse_args()
    ctypes.CDLL(None).prctl(_SUBREAPER, 1, 0, 0, 0)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # set, our modules alone would be compiled again by every process
    with tempfile.TemporaryDirectory(prefix="windstill-speed-") as folder:
        work = Path(folder)
        shoots = {"sample": SAMPLE, **{_named(path): path for path in given.shoot}}
        if given.megapixels:
            shoots[f"simulated-{given.megapixels:.0f}"] = simulated(work, given.megapixels)
        if given.noisy:
            shoots[NOISY] = noisy(work / NOISY)
        start = start_up(work, given.workers)
        found = [measure(name, shoot, work, given.workers) for name, shoot in shoots.items()]
        for frames in given.evening:
            made = evening(SAMPLE, frames, work / f"evening-{frames}")
            found.append(measure(f"evening-{frames}", made, work, given.workers))
            shutil.rmtree(made)
        plain = [against_plain(name, shoot, work, given.workers) for name, shoot in shoots.items() if name != NOISY]
        plain_start = run([sys.executable, "-c", "import speed_baseline"], cwd=HERE)
        largest = list(shoots.items())[-1]
        memory = [(largest[0], set_memory(largest[1], given.sets, work, given.workers))] if given.sets else []
        cluster = on_cluster(evening(SAMPLE, given.cluster, work / "cluster"), work) if given.cluster else []
    shoots_part = lines(found, start, given.workers, given.note)
    text = "".join([*shoots_part, *more_lines(plain, memory, cluster, start, plain_start)])
    given.out.write_text(text, "utf-8")
    print(text)


def noisy(shoot: Path) -> Path:
    """The sample's frames enlarged to 24 megapixels, with a camera's noise and an embedded preview.

    In a process of its own: on Linux the peak memory of a process begins at that of the one that started it.
    """
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        for seed, file in enumerate(photographs(SAMPLE)):
            pool.submit(enlarge, file, shoot / "DCIM" / "100CLIFF" / file.name, seed).result()
    return shoot / "DCIM"


def _named(shoot: Path) -> str:
    """A shoot's name in the report: that of its folder, or of the one above a card's DCIM."""
    return shoot.resolve().parent.name if shoot.name == "DCIM" else shoot.resolve().name


def simulated(work: Path, megapixels: float) -> Path:
    """The sample shoot's description rendered larger."""
    from windstill.simulate import load_description, simulate

    width = round((megapixels * 1.5e6) ** 0.5 / 16) * 16
    simulate(load_description("cliff-thrift").at_width(width), work / "simulated")
    return work / "simulated" / "DCIM"


if __name__ == "__main__":
    main()
