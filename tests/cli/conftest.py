"""Runs of the real command in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from run.small_shoots import write_shoot
from windstill.cli import main

Command = Callable[..., "subprocess.CompletedProcess[str]"]

Here = Callable[..., tuple[int, str, str]]


@dataclass(frozen=True)
class SampleReview:
    """A review of the sample shoot by the real command, only to be read: its folder, its cache, what was printed."""

    out: Path
    cache: Path
    said: str


def environment(cache: Path, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """This environment with a cache of the test's own and a wide terminal."""
    return {**os.environ, "WINDSTILL_CACHE": str(cache), "COLUMNS": "200", **(more or {})}


def arguments(words: Sequence[str | Path]) -> list[str]:
    """The command line for `subprocess`."""
    return [sys.executable, "-c", "from windstill.cli import main; main()", *map(str, words)]


def run_and_tell(words: Sequence[str], libraries: Sequence[str]) -> subprocess.CompletedProcess[str]:
    """Run ``windstill WORDS``; the last line of its errors names those of some libraries that it loaded."""
    program = f"""
import sys
from windstill.cli import main
try:
    main({words!r})
finally:
    print(*[name for name in {libraries!r} if name in sys.modules], file=sys.stderr)
"""
    return subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)


@pytest.fixture
def windstill(tmp_path: Path) -> Command:
    """Runs ``windstill WORDS`` in `tmp_path` (or `cwd`) and gives what it printed and its status."""

    def run(*words: str | Path, cwd: Path | None = None, **more: object) -> subprocess.CompletedProcess[str]:
        env = environment(tmp_path / "cache")
        if "preexec_fn" in more:  # limited: under `make coverage` what was watched could not be written down
            env = {name: value for name, value in env.items() if not name.startswith("COVERAGE_")}
        return subprocess.run(
            arguments(words), cwd=cwd or tmp_path, env=env, text=True,
            capture_output=True, timeout=240, check=False, **more,  # type: ignore[call-overload]
        )  # fmt: skip

    return run


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Here:
    """Runs ``windstill WORDS`` in this process; what its workers are forked from is started once."""
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path / "cache").items():
        monkeypatch.setenv(name, value)

    def run(*words: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main([str(word) for word in words])
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out, said.err

    return run


@pytest.fixture(scope="session")
def small_shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two still bursts of three frames and one frame alone; never written to by a test."""
    return write_shoot(tmp_path_factory.mktemp("shoots") / "thrift")
