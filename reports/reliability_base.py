"""What the sections of `reliability.py` share: real runs of the command, what it left behind, and the counts."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from run.small_shoots import DUSK, cliff, moved, write_frame  # noqa: E402

SAMPLE = ROOT / "sample_data" / "cliff-thrift" / "DCIM"
TABLES = ("frames.csv", "sets.csv", "pairs.csv", "tiles.parquet", "problems.csv")
RUN_LIMIT_S = 600.0
State = dict[str, tuple[str, int, int]]


@dataclass(slots=True)
class Row:
    """One line of the report: of `tried` cases `held` went as promised."""

    section: str
    what: str
    tried: int
    held: int
    note: str = ""


@dataclass(slots=True)
class Torture:
    """One run of the whole script.

    Attributes
    ----------
    work : Path
        Folder for everything that is made.
    seed : int
        Names every random choice.
    """

    work: Path
    seed: int
    rows: list[Row] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    files_tried: int = 0
    kills: int = 0
    faults: int = 0
    originals_compared: int = 0
    originals_changed: int = 0

    def check(self, what: str, *complaints: str) -> bool:
        """Note what went wrong, if anything did; gives whether nothing did."""
        found = [complaint for complaint in complaints if complaint]
        for complaint in found:
            self.failures.append(f"{what}: {complaint}")
            print(f"BROKEN: {self.failures[-1]}", flush=True)
        return not found

    def row(self, section: str, what: str, tried: int, held: int, note: str = "") -> None:
        """Add a line to the report and show it."""
        self.rows.append(Row(section, what, tried, held, note))
        print(f"{section}: {what}: {held} of {tried}{'; ' + note if note else ''}", flush=True)

    def untouched(self, before: State, folder: Path, sidecars: bool = True) -> str:
        """Compare a shoot with what it was; empty when every file is as it was."""
        after = state(folder, sidecars)
        changed = [name for name in sorted({*before, *after}) if before.get(name) != after.get(name)]
        self.originals_compared += len(before)
        self.originals_changed += len(changed)
        return f"originals changed: {changed[:3]}" if changed else ""

    def folder(self, name: str) -> Path:
        """An empty folder of that name."""
        place = self.work / name
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir(parents=True)
        return place


def state(folder: Path, sidecars: bool = True) -> State:
    """Content, time and permissions of everything in a folder; without sidecars, of the files that are none."""
    found: State = {}
    for place, folders, files in os.walk(folder):
        for name in [*files, *folders] if sidecars else files:
            if not sidecars and name.endswith(".xmp"):
                continue
            path = Path(place) / name
            known = path.lstat()
            digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
            found[str(path)] = (digest, known.st_mtime_ns, known.st_mode)
    return found


def arguments(words: Sequence[str | Path]) -> list[str]:
    """The command line of a real run."""
    return [sys.executable, "-c", "from windstill.cli import main; main()", *map(str, words)]


def environment(cache: Path, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """This environment with a cache of the run's own."""
    return {**os.environ, "WINDSTILL_CACHE": str(cache), "COLUMNS": "200", **(more or {})}


def windstill(*words: str | Path, cache: Path, **more: object) -> subprocess.CompletedProcess[str]:
    """Run ``windstill WORDS`` to its end."""
    return subprocess.run(
        arguments(words), env=environment(cache), capture_output=True, timeout=RUN_LIMIT_S, check=False,
        text=True, errors="backslashreplace", **more,  # type: ignore[call-overload]
    )  # fmt: skip


def started(*words: str | Path, cache: Path, more: Mapping[str, str] | None = None) -> subprocess.Popen[str]:
    """Start ``windstill WORDS`` in a process group of its own."""
    return subprocess.Popen(
        arguments(words), env=environment(cache, more), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        errors="backslashreplace", start_new_session=True,
    )  # fmt: skip


def said_until(run: subprocess.Popen[str], words: str) -> str:
    """Read what a run says until it says `words` or ends."""
    assert run.stderr is not None
    said = ""
    while words not in said:
        line = run.stderr.readline()
        if not line:
            break
        said += line
    return said


def one_line(error: str, words: str = "") -> str:
    """What is wrong with an error's output: it should be one line of ours with `words` in it."""
    lines = [line for line in error.splitlines() if line.startswith("windstill: ")]
    if "Traceback" in error:
        return f"a traceback: {error[-400:]!r}"
    if len(lines) != 1:
        return f"{len(lines)} lines instead of one: {lines}"
    return "" if words in lines[0] else f"expected {words!r} in {lines[0]!r}"


def ended(status: int | None, *expected: int) -> str:
    """What is wrong with an exit status."""
    return "" if status in expected else f"exit status {status} instead of {' or '.join(map(str, expected))}"


def outputs(out: Path) -> dict[str, bytes]:
    """All files of a run folder but run.json, by path, that stand under their final names."""
    return {
        str(path.relative_to(out)): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name != "run.json" and not path.name.startswith(".") and path.suffix != ".part"
    }


def same_outputs(out: Path, undisturbed: Path, names: Sequence[str] = ()) -> str:
    """What differs between a run folder and an undisturbed run's, byte for byte (run.json aside)."""
    ours, theirs = outputs(out), outputs(undisturbed)
    if names:
        ours, theirs = ({name: found.get(name, b"") for name in names} for found in (ours, theirs))
    different = [name for name in sorted({*ours, *theirs}) if ours.get(name) != theirs.get(name)]
    return f"differs from the undisturbed run: {different}" if different else ""


def half_files(out: Path, *whole: Path) -> str:
    """What stands under a final name and is neither an old nor a new whole file."""
    known = [outputs(folder) for folder in whole]
    broken = [name for name, data in outputs(out).items() if data not in [each.get(name) for each in known]]
    with suppress(FileNotFoundError):
        try:
            json.loads((out / "run.json").read_text("utf-8"))
        except ValueError:
            broken.append("run.json")
    return f"half files under final names: {broken}" if broken else ""


def litter(*folders: Path) -> str:
    """Temporary files left behind."""
    left = [path.name for folder in folders for path in folder.rglob("*") if path.name.endswith(".part")]
    return f"temporary files left behind: {left[:5]}" if left else ""


def small_shoot(folder: Path, raws: bool = False) -> Path:
    """Three bursts (one of them moves) and a frame alone, as a camera writes them; with files of a raw's name beside.

    Seven hundred kilobytes; a review takes seconds.
    """
    for scene, names in enumerate((("0001", "0002", "0003"), ("0004", "0005", "0006"), ("0007",))):
        picture = cliff(scene)
        for index, name in enumerate(names):
            taken = DUSK + timedelta(minutes=5 * scene, seconds=index, milliseconds=137 * index)
            swayed = picture.copy()
            if scene == 1:
                swayed[100:220, 150:330] = moved(picture, 4.0 * index)[100:220, 150:330]
            path = folder / "100CLIFF" / f"THRF{name}.JPG"
            write_frame(path, swayed, taken)
            if raws and scene != 1:
                write_frame(path.with_suffix(".raw.jpg"), swayed * 0.99, taken)
                path.with_suffix(".raw.jpg").rename(path.with_suffix(".NEF"))
    return folder


def wait_for_group(group: int, limit_s: float = 15.0) -> str:
    """Wait until no process of a process group is left."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return ""
        except PermissionError:
            break
        time.sleep(0.05)
    return "processes were left running"
