"""Disks that fill or cannot be written to, folders that vanish, workers that die or stall, two runs at once."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from reliability_base import (
    RUN_LIMIT_S,
    TABLES,
    Torture,
    ended,
    half_files,
    litter,
    one_line,
    outputs,
    said_until,
    same_outputs,
    small_shoot,
    started,
    state,
    windstill,
)

SECTION = "faults"
_MEASURING = "reading and measuring frames"
_MOTION = "measuring motion"


class LeftOut(Exception):
    """This machine cannot stage the fault; the message says why."""


class _Stage:
    """Shoot, undisturbed run and a folder for one fault."""

    def __init__(self, torture: Torture, base: Path, shoot: Path) -> None:
        self.torture, self.base, self.shoot = torture, base, shoot
        self.whole = base / "whole"
        self.place = base

    def fresh(self) -> Path:
        """An empty folder for the next fault."""
        self.place = self.torture.folder("faults/one")
        return self.place

    def rerun(self, out: Path, cache: Path) -> str:
        """After the fault is over: the same command finishes and gives the undisturbed tables."""
        done = windstill("review", self.shoot, "--out", out, cache=cache)
        return ended(done.returncode, 0) or same_outputs(out, self.whole)


def torture_faults(torture: Torture, deadline: float) -> None:
    """Every fault once."""
    base = torture.folder("faults")
    shoot = small_shoot(base / "thrift", raws=True)
    done = windstill("review", shoot, "--out", base / "whole", cache=base / "cache")
    if not torture.check("undisturbed review", ended(done.returncode, 0)):
        return
    stage = _Stage(torture, base, shoot)
    for what, fault in _FAULTS.items():
        if time.monotonic() > deadline:
            torture.left_out.append(f"faults: {what}: no time left")
            continue
        stage.fresh()
        before = state(shoot)
        try:
            complaints = fault(stage)
        except LeftOut as err:
            torture.left_out.append(f"faults: {what}: {err}")
            continue
        except (OSError, subprocess.SubprocessError) as err:
            complaints = [f"the fault's own run failed: {err!r}"]
        held = torture.check(what, *complaints, torture.untouched(before, shoot))
        torture.faults += held
        torture.row(SECTION, what, 1, int(held))


@contextmanager
def _small_disk(folder: Path, size_kb: int, read_only: bool = False) -> Iterator[Path]:
    """A disk of its own in memory; needs the right to mount."""
    folder.mkdir(parents=True, exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "windstill-torture", str(folder)]
    try:
        done = subprocess.run(mount, capture_output=True, check=False)
    except OSError as err:
        raise LeftOut("there is no command to mount a small disk") from err
    if done.returncode:
        raise LeftOut("mounting a small disk needs more rights than this run has")
    try:
        if read_only:
            subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True, capture_output=True)
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=False, capture_output=True)


def _full_out(stage: _Stage) -> list[str]:
    with _small_disk(stage.place / "disk", 100) as disk:
        done = windstill("review", stage.shoot, "--out", disk / "out", cache=stage.place / "cache")
        found = [ended(done.returncode, 1), one_line(done.stderr, "cannot be written"), litter(disk)]
        found.append(half_files(disk / "out", stage.whole))
    return [*found, stage.rerun(stage.place / "out", stage.place / "cache")]


def _limited_files(stage: _Stage) -> list[str]:
    def little() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    out, cache = stage.place / "out", stage.place / "cache"
    done = windstill("review", stage.shoot, "--out", out, cache=cache, preexec_fn=little)
    found = [ended(done.returncode, 1), one_line(done.stderr, "cannot be written"), litter(out)]
    return [*found, half_files(out, stage.whole), stage.rerun(out, cache)]


def _full_cache(stage: _Stage) -> list[str]:
    with _small_disk(stage.place / "disk", 100) as disk:
        done = windstill("review", stage.shoot, "--out", stage.place / "out", cache=disk / "cache")
    return [ended(done.returncode, 0), _no_traceback(done.stderr), same_outputs(stage.place / "out", stage.whole)]


def _full_keepers(stage: _Stage) -> list[str]:
    with _small_disk(stage.place / "disk", 400) as disk:
        done = windstill("gather", stage.whole, disk / "keepers", cache=stage.base / "cache")
        known = {path.read_bytes() for path in stage.shoot.rglob("*") if path.is_file()}
        broken = [n for n, d in outputs(disk / "keepers").items() if d not in known and not n.startswith("gathered")]
        found = [ended(done.returncode, 1), _no_traceback(done.stderr), litter(disk)]
        found.append(f"half files: {broken}" if broken else "")
    return found


def _full_card(stage: _Stage) -> list[str]:
    """No room for a single sidecar beside the photographs."""
    with _small_disk(stage.place / "card", 8000) as card:
        shutil.copytree(stage.shoot, card / "thrift")
        filler = os.open(card / "filler", os.O_WRONLY | os.O_CREAT)
        try:
            while True:
                os.write(filler, bytes(4096))
        except OSError:
            os.close(filler)
        shutil.copytree(stage.whole, stage.place / "out")
        before = state(card / "thrift", sidecars=False)
        words = ("sidecar", stage.place / "out", "--shoot", card / "thrift", "--write")
        done = windstill(*words, cache=stage.base / "cache")
        left = [path.name for path in card.rglob("*.xmp")]
        found = [
            ended(done.returncode, 1), _no_traceback(done.stderr), litter(card),
            f"half sidecars {left}" if left else "",
            stage.torture.untouched(before, card / "thrift", sidecars=False),
        ]  # fmt: skip
        (card / "filler").unlink()
        again = windstill(*words, cache=stage.base / "cache")
        found.append(ended(again.returncode, 0) or ("" if list(card.rglob("*.xmp")) else "a rerun wrote no sidecar"))
    return found


def _read_only_out(stage: _Stage) -> list[str]:
    with _small_disk(stage.place / "disk", 400, read_only=True) as disk:
        done = windstill("review", stage.shoot, "--out", disk / "out", cache=stage.place / "cache")
        found = [ended(done.returncode, 1), one_line(done.stderr, "give another --out")]
        gathered = windstill("gather", stage.whole, disk / "keepers", cache=stage.base / "cache")
    return [*found, ended(gathered.returncode, 1), one_line(gathered.stderr, "give another folder")]


def _locked_folder(stage: _Stage) -> list[str]:
    if os.geteuid() == 0:
        raise LeftOut("permissions do not bind the administrator; the read-only disk stands for it")
    out = stage.place / "locked"
    out.mkdir(mode=0o500)
    done = windstill("review", stage.shoot, "--out", out, cache=stage.place / "cache")
    return [ended(done.returncode, 1), one_line(done.stderr, "give another --out")]


def _under_way(stage: _Stage, words: str, act: Callable[[], object], shoot: Path | None = None) -> tuple[int, str]:
    """Start a review, act as soon as it says `words`, and give its status and what it said."""
    run = started("review", shoot or stage.shoot, "--out", stage.place / "out", "--workers", "2",
                  cache=stage.place / "cache")  # fmt: skip
    said = said_until(run, words)
    act()
    said += run.communicate(timeout=RUN_LIMIT_S)[1]
    return run.returncode, said


def _out_gone(stage: _Stage) -> list[str]:
    out = stage.place / "out"
    status, said = _under_way(stage, _MOTION, lambda: shutil.rmtree(out))
    found = [ended(status, 1), one_line(said, "disappeared"), "out came back" if out.exists() else ""]
    return [*found, stage.rerun(out, stage.place / "cache")]


def _card_gone(stage: _Stage) -> list[str]:
    card = stage.place / "thrift"
    shutil.copytree(stage.shoot, card)
    status, said = _under_way(stage, _MEASURING, lambda: card.rename(stage.place / "pulled"), card)
    # What had been read by then may already be enough for a review of the rest.
    found = [ended(status, 0, 1), one_line(said) if status else _no_traceback(said), litter(stage.place / "out")]
    (stage.place / "pulled").rename(card)
    done = windstill("review", card, "--out", stage.place / "out", cache=stage.place / "cache")
    return [*found, ended(done.returncode, 0), same_outputs(stage.place / "out", stage.whole, TABLES)]


def _two_at_once(stage: _Stage) -> list[str]:
    runs = [started("review", stage.shoot, "--out", stage.place / "out", cache=stage.place / "cache") for _ in "ab"]
    said = [run.communicate(timeout=RUN_LIMIT_S)[1] for run in runs]
    found = [ended(run.returncode, 0, 1) for run in runs]
    found += [one_line(text, "another windstill run") for run, text in zip(runs, said, strict=True) if run.returncode]
    found.append("both gave up" if all(run.returncode for run in runs) else "")
    return [*found, same_outputs(stage.place / "out", stage.whole)]


def _worker_dies(stage: _Stage) -> list[str]:
    return _worker_meddled(stage, signal.SIGKILL)


def _worker_stalls(stage: _Stage) -> list[str]:
    return _worker_meddled(stage, signal.SIGSTOP, "--set", "run.item_timeout_s=8")


def _worker_meddled(stage: _Stage, number: signal.Signals, *words: str) -> list[str]:
    """Send one worker a signal while frames are read."""
    marks = stage.place / "tmp"
    marks.mkdir()
    run = started("review", stage.shoot, "--out", stage.place / "out", "--workers", "2", *words,
                  cache=stage.place / "cache", more={"TMPDIR": str(marks)})  # fmt: skip
    said = said_until(run, _MEASURING)
    workers: list[Path] = []
    while run.poll() is None and not workers:
        workers = [path for path in marks.glob("windstill-workers-*/*") if path.name.isdigit()]
        time.sleep(0.005)
    if not workers:
        run.communicate()
        raise LeftOut("the run was over before a worker could be met")
    os.kill(int(workers[0].name), number)
    said += run.communicate(timeout=RUN_LIMIT_S)[1]
    return [ended(run.returncode, 0), _no_traceback(said), same_outputs(stage.place / "out", stage.whole)]


def _interrupted(stage: _Stage) -> list[str]:
    run = started("review", stage.shoot, "--out", stage.place / "out", cache=stage.place / "cache")
    said = said_until(run, _MEASURING)
    os.killpg(run.pid, signal.SIGINT)
    said += run.communicate(timeout=RUN_LIMIT_S)[1]
    found = [ended(run.returncode, 130), one_line(said, "run again to go on"), litter(stage.place)]
    return [*found, stage.rerun(stage.place / "out", stage.place / "cache")]


def _damaged_cache(stage: _Stage) -> list[str]:
    cache = stage.place / "cache"
    shutil.copytree(stage.base / "cache", cache)
    data = bytearray((cache / "measures.sqlite").read_bytes())
    for at in range(100, len(data), 997):
        data[at] ^= 0x5A
    (cache / "measures.sqlite").write_bytes(data)
    return [stage.rerun(stage.place / "out", cache)]


def _no_traceback(said: str) -> str:
    return f"a traceback: {said[-400:]!r}" if "Traceback" in said else ""


_FAULTS: dict[str, Callable[[_Stage], list[str]]] = {
    "disk of the results full": _full_out,
    "no file may grow beyond 20 kB (a quota)": _limited_files,
    "disk of the cache full": _full_cache,
    "disk that is gathered to full": _full_keepers,
    "no room for a sidecar beside the photographs": _full_card,
    "results and gathered files to a read-only disk": _read_only_out,
    "results to a folder without permission": _locked_folder,
    "folder of the results removed under way": _out_gone,
    "shoot taken away under way": _card_gone,
    "two runs at once into one folder": _two_at_once,
    "a worker killed under way": _worker_dies,
    "a worker that stalls": _worker_stalls,
    "interrupted by Ctrl-C": _interrupted,
    "a cache file damaged at every 997th byte": _damaged_cache,
}
