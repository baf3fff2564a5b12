"""What the README tells the reader to type works."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from cli.conftest import Here, SampleReview, environment

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")


def test_the_python_example_runs(sample_shoot: Path, tmp_path: Path) -> None:
    if not sample_shoot.is_dir():
        pytest.skip("the sample shoot is not there")
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    # As a plain script, without a guard around it, as people write them.
    (tmp_path / "script.py").write_text(code)
    done = subprocess.run(
        [sys.executable, tmp_path / "script.py"], cwd=ROOT, env=environment(tmp_path / "cache"), text=True,
        capture_output=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "outlook" in done.stdout
    assert "THRF0001~stack" in done.stdout


def test_every_option_and_profile_named_exists(here: Here) -> None:
    names = ("review", "demo", "gather", "sidecar", "masks", "field", "watch")
    helps = {name: here(name, "--help")[1] for name in names}
    for option in set(re.findall(r"(--[a-z]+(?:-[a-z]+)*)", README)) - {"--help", "--host", "--nthreads", "--nworkers"}:
        assert any(option in text for text in helps.values()), option
    for profile in ("on-location", "at-home", "film-scans"):
        assert profile in README
        assert (ROOT / "configs" / f"{profile}.toml").is_file()


def test_every_extra_named_exists() -> None:
    import tomllib

    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    for name in re.findall(r"`(\w+)` \(", README.split("Installed with")[1].split("From Python")[0]):
        assert name in extras


def test_every_file_promised_is_written(
    sample_review: SampleReview, tmp_path: Path, here: Here, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WINDSTILL_CACHE", str(sample_review.cache))
    assert "windstill demo --out REVIEW" in here("demo", "--help")[1]
    status, said, error = here("demo", "--out", tmp_path / "out")
    assert status == 0, error
    named = re.findall(r"^\| `([\w./]+)` \|", README, re.MULTILINE)
    assert len(named) == 8
    for name in named:
        assert (tmp_path / "out" / name).exists(), name
    assert str(tmp_path / "out" / "report.html") in said
