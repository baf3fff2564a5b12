"""Kill -9 at random moments of every command that writes; then the rerun must finish as if nothing had happened."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from reliability_base import (
    Torture,
    ended,
    environment,
    half_files,
    litter,
    outputs,
    same_outputs,
    small_shoot,
    started,
    state,
    wait_for_group,
    windstill,
)

SECTION = "kills"
_TRIES = 4
_WRITER = """
import sys
from pathlib import Path
from windstill.run.cache import Cache
with Cache(Path(sys.argv[1]), 100) as cache:
    number = 0
    while True:
        data = str(number).encode() * 9000
        cache.put(f"{sys.argv[2]}-{number}", data)
        number += 1
"""


def torture_kills(torture: Torture, count: int, deadline: float) -> None:
    """`count` kills of each kind."""
    rng = random.Random(torture.seed)
    base = torture.folder("kills")
    shoot = small_shoot(base / "thrift", raws=True)
    began = time.monotonic()
    done = windstill("review", shoot, "--out", base / "whole", cache=base / "whole-cache")
    usual_s = time.monotonic() - began
    old = windstill("review", shoot, "--out", base / "old", "--tolerance", "0.5", cache=base / "whole-cache")
    if not torture.check("undisturbed review", ended(done.returncode, 0), ended(old.returncode, 0)):
        return
    kinds: tuple[tuple[str, Callable[[int], tuple[bool, bool]]], ...] = (
        ("a review from nothing", lambda n: _review(torture, base, shoot, rng, usual_s, n)),
        ("a review over an older one's outputs", lambda n: _rerun(torture, base, shoot, rng, n)),
        ("gather", lambda n: _gather(torture, base, shoot, rng, n)),
        ("sidecar --write", lambda n: _sidecar(torture, base, rng, n)),
        ("writing to the cache", lambda n: _cache(torture, base, rng, n)),
    )
    for what, kill in kinds:
        killed = held = tries = 0
        while killed < count and tries < _TRIES * count and time.monotonic() < deadline:
            hit, well = kill(tries)
            killed += hit
            held += hit and well
            tries += 1
        torture.kills += killed
        torture.row(SECTION, what, killed, held, "" if killed >= count else f"{count} were asked for")


def _killed(run: subprocess.Popen[str], delay_s: float, whole_group: bool) -> bool:
    """Kill a run after a time: it alone, or with its workers. Whether it was still running."""
    time.sleep(max(0.0, delay_s))
    if run.poll() is None:
        os.kill(run.pid, signal.SIGKILL)
        if whole_group:
            os.killpg(run.pid, signal.SIGKILL)
    run.communicate()
    return run.returncode == -signal.SIGKILL


def _review(
    torture: Torture, base: Path, shoot: Path, rng: random.Random, usual_s: float, number: int
) -> tuple[bool, bool]:
    place = torture.folder("kills/review")
    before = state(shoot)
    run = started("review", shoot, "--out", place / "out", cache=place / "cache")
    hit = _killed(run, rng.uniform(0, usual_s), number % 2 == 0)
    left = wait_for_group(run.pid)
    broken = half_files(place / "out", base / "whole")
    done = windstill("review", shoot, "--out", place / "out", cache=place / "cache")
    return hit, torture.check(
        f"review, kill {number}", left, broken, ended(done.returncode, 0), same_outputs(place / "out", base / "whole"),
        litter(place), torture.untouched(before, shoot),
    )  # fmt: skip


def _rerun(torture: Torture, base: Path, shoot: Path, rng: random.Random, number: int) -> tuple[bool, bool]:
    """The moments in which files are replaced: everything is measured, only the report is written."""
    place = torture.folder("kills/rerun")
    shutil.copytree(base / "old", place / "out")
    shutil.copytree(base / "whole-cache", place / "cache")
    before = state(shoot)
    first = {path: path.stat().st_mtime_ns for path in (place / "out").rglob("*")}
    run = started("review", shoot, "--out", place / "out", "--fresh", cache=place / "cache")
    while run.poll() is None and (place / "out" / "run.json").exists() and _unchanged(first):
        time.sleep(0.002)
    hit = _killed(run, rng.uniform(0, 0.3), number % 2 == 0)
    left = wait_for_group(run.pid)
    broken = half_files(place / "out", base / "old", base / "whole")
    done = windstill("review", shoot, "--out", place / "out", cache=place / "cache")
    return hit, torture.check(
        f"review over an older one, kill {number}", left, broken, ended(done.returncode, 0),
        same_outputs(place / "out", base / "whole"), litter(place), torture.untouched(before, shoot),
    )  # fmt: skip


def _unchanged(first: dict[Path, int]) -> bool:
    try:
        return all(path.stat().st_mtime_ns == known for path, known in first.items() if path.suffix)
    except OSError:
        return False


def _gather(torture: Torture, base: Path, shoot: Path, rng: random.Random, number: int) -> tuple[bool, bool]:
    whole = base / "gathered"
    if not whole.exists():
        windstill("gather", base / "whole", whole, cache=base / "whole-cache")
    place = torture.folder("kills/gather")
    before = state(shoot)
    run = started("gather", base / "whole", place / "keepers", cache=base / "whole-cache")
    while run.poll() is None and not (place / "keepers").exists():
        time.sleep(0.001)
    hit = _killed(run, rng.uniform(0, 0.15), False)
    known = set(outputs(whole).values())
    broken = [n for n, data in outputs(place / "keepers").items() if data not in known and n != "gathered.json"]
    manifest = _manifest(place / "keepers")
    done = windstill("gather", base / "whole", place / "keepers", cache=base / "whole-cache")
    ours, theirs = state(place / "keepers"), state(whole)
    return hit, torture.check(
        f"gather, kill {number}", f"half files under final names: {broken}" if broken else "",
        "half a manifest" if manifest is None else "", ended(done.returncode, 0), litter(place),
        "" if _manifest(place / "keepers") == _manifest(whole) else "another manifest",
        "" if _files(ours, place / "keepers") == _files(theirs, whole) else "other files than undisturbed",
        torture.untouched(before, shoot),
    )  # fmt: skip


def _files(found: dict[str, tuple[str, int, int]], folder: Path) -> dict[str, tuple[str, int, int]]:
    return {
        str(Path(name).relative_to(folder)): known for name, known in found.items()
        if known[0] and not name.endswith(("gathered.json", ".windstill-lock"))
    }  # fmt: skip


def _manifest(folder: Path) -> dict[str, str] | None:
    try:
        entries = json.loads((folder / "gathered.json").read_text("utf-8"))["files"]
        return {entry["gathered"]: entry["sha256"] for entry in entries}
    except FileNotFoundError:
        return {}
    except (ValueError, KeyError):
        return None


def _sidecar(torture: Torture, base: Path, rng: random.Random, number: int) -> tuple[bool, bool]:
    whole = base / "with-sidecars"
    words = ("--shoot", whole, "--rating", "clean=4", "--write")
    if not whole.exists():
        shutil.copytree(base / "thrift", whole)
        shutil.copytree(base / "whole", base / "whole-written")
        windstill("sidecar", base / "whole-written", *words, cache=base / "whole-cache")
    place = torture.folder("kills/sidecar")
    shutil.copytree(base / "thrift", place / "thrift")
    shutil.copytree(base / "whole", place / "out")
    before = state(place / "thrift", sidecars=False)
    own = ("--shoot", place / "thrift", *words[2:])
    run = started("sidecar", place / "out", *own, cache=base / "whole-cache")
    while run.poll() is None and not (place / "out" / "sidecars.json").exists():
        time.sleep(0.0005)
    hit = _killed(run, rng.uniform(0, 0.02), False)
    broken = []
    for path in (place / "thrift").rglob("*.xmp"):
        try:
            ElementTree.fromstring(path.read_bytes())
        except ElementTree.ParseError:
            broken.append(path.name)
    done = windstill("sidecar", place / "out", *own, cache=base / "whole-cache")
    same = _sidecars(place / "thrift") == _sidecars(whole)
    untouched = torture.untouched(before, place / "thrift", sidecars=False)
    undone = windstill("sidecar", place / "out", "--undo", "--shoot", place / "thrift", cache=base / "whole-cache")
    return hit, torture.check(
        f"sidecar, kill {number}", f"half sidecars: {broken}" if broken else "", ended(done.returncode, 0),
        "" if same else "other sidecars than undisturbed", litter(place), untouched, ended(undone.returncode, 0),
        "" if not _sidecars(place / "thrift") else "undo left sidecars",
    )  # fmt: skip


def _sidecars(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*.xmp")}


def _cache(torture: Torture, base: Path, rng: random.Random, number: int) -> tuple[bool, bool]:
    """A process that does nothing but write; what it leaves is read by another."""
    place = base / "written-cache"
    if number % 10 == 0:  # it grows with every kill
        shutil.rmtree(place, ignore_errors=True)
    run = subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(place), str(number)], env=environment(place), stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    while run.poll() is None and not _rows(place, f"SELECT 1 FROM uses WHERE key LIKE '{number}-%' LIMIT 1"):
        time.sleep(0.005)
    hit = _killed(run, rng.uniform(0, 0.1), False)
    entries = _rows(place, "SELECT entries.key, data, bytes FROM entries JOIN uses USING (key)")
    wrong = [key for key, data, size in entries if data != key.split("-")[1].encode() * 9000 or len(data) != size]
    sound = _rows(place, "PRAGMA integrity_check") == [("ok",)]
    return hit and bool(entries), torture.check(
        f"cache, kill {number}", f"half entries: {wrong[:3]}" if wrong else "", "" if sound else "damaged cache file"
    )


def _rows(folder: Path, query: str) -> list[tuple[Any, ...]]:
    if not (folder / "measures.sqlite").exists():
        return []
    try:
        with closing(sqlite3.connect(folder / "measures.sqlite")) as db:
            return db.execute(query).fetchall()
    except sqlite3.Error:
        return []
