"""The guide: its links lead somewhere, its commands are commands, its pictures come from the code that is there."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest
import typer.main
from PIL import Image

from windstill.cli.app import build
from windstill.settings import assignments, find_profile

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted((ROOT / "docs").glob("*.md"))
FENCED = re.compile(r"^```\n(.*?)^```", re.DOTALL | re.MULTILINE)
COMMANDS = [
    pytest.param(line, id=f"{page.stem}: {line}")
    for page in [*PAGES, ROOT / "README.md"]
    for block in FENCED.findall(page.read_text("utf-8"))
    for line in block.splitlines()
    if line.startswith("windstill ")
]


def test_the_site_builds_without_a_dead_link(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--quiet", "--site-dir", tmp_path / "site"],
        cwd=ROOT, text=True, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "site" / "limits.html").is_file()


def test_a_dead_link_would_be_found(tmp_path: Path) -> None:
    """What the test above rests on: mkdocs, set up as here, refuses what is not there: page, anchor, picture."""
    (tmp_path / "docs").mkdir()
    (tmp_path / "docs" / "index.md").write_text("# A\n\n[a](b.md) [c](#none) ![d](d.webp)\n")
    config = (ROOT / "mkdocs.yml").read_text()
    (tmp_path / "mkdocs.yml").write_text(re.sub(r"^nav:.*?(?=^\w)", "", config, flags=re.DOTALL | re.MULTILINE))
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict"], cwd=tmp_path, text=True, capture_output=True, check=False
    )
    assert done.returncode != 0
    for missing in ("b.md", "none", "d.webp"):
        assert missing in done.stderr


def test_links_of_the_readme_lead_to_files() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    links = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text)
    assert len(links) >= 3
    for link in links:
        assert (ROOT / link).exists(), link


@pytest.mark.parametrize("line", COMMANDS)
def test_quoted_commands_parse(line: str) -> None:
    """Parsed by the real command line, not run: options exist and take what they are given, nothing is missing."""
    _, name, *words = shlex.split(line, comments=True)
    app = typer.main.get_command(build())
    assert isinstance(app, click.Group) or hasattr(app, "commands")
    command = app.commands[name]  # type: ignore[attr-defined]
    command.make_context(name, list(words))
    for word in re.findall(r"--set (\S+)", line):
        assert assignments([word])
    for word in re.findall(r"--settings (\S+)", line):
        assert find_profile(word)


def test_commands_were_found() -> None:
    quoted = {shlex.split(param.values[0])[1] for param in COMMANDS}
    assert quoted >= {"review", "demo", "field", "watch", "gather", "sidecar", "masks", "plan", "settings"}


def test_the_overrules_shown_are_obeyed(tmp_path: Path) -> None:
    from windstill.group import load_overrides

    (shown,) = re.findall(r"```toml\n(.*?)```", (ROOT / "docs" / "grouping.md").read_text("utf-8"), re.DOTALL)
    tomllib.loads(shown)
    (tmp_path / "sets.toml").write_text(shown)
    found = load_overrides(tmp_path / "sets.toml")
    assert (found.gap_s, len(found.pins), len(found.splits), len(found.joins)) == (45, 1, 1, 1)


@pytest.mark.parametrize("page", ["location", "before"])
def test_field_work_comes_with_its_cautions(page: str) -> None:
    text = " ".join((ROOT / "docs" / f"{page}.md").read_text("utf-8").split())
    for caution in ("sun through camera optics", "neutral-density", "tide tables", "back on the sea", "30 minutes",
                    "Keep off the plants", "licensed guidance"):  # fmt: skip
        assert caution in text


def test_limits_named_are_the_settings() -> None:
    from windstill.settings import Settings

    settings, limits = Settings(), (ROOT / "docs" / "limits.md").read_text("utf-8")
    numbers = (ROOT / "docs" / "numbers.md").read_text("utf-8")
    assert f"{settings.assess.search_px:.0f} pixels at 6000" in limits
    assert f"fits {settings.score.working_long_px}" in limits
    assert f"at most {settings.assess.touch_up_area_pct:.0f} %" in numbers
    assert f"A over {settings.assess.lost_area_pct:.0f} %" in numbers
    assert f"coverage under {settings.assess.lost_coverage_pct:.0f} %" in numbers
    assert f"under {settings.assess.least_measured_pct:.0f} % of what matters" in numbers


def test_pictures_are_small_and_those_shown() -> None:
    folder = ROOT / "docs" / "pictures"
    shown = {name for page in PAGES for name in re.findall(r"\(pictures/([\w.]+)\)", page.read_text("utf-8"))}
    assert shown == {path.name for path in folder.iterdir()}
    for path in folder.iterdir():
        assert path.stat().st_size < 300_000
        with Image.open(path) as picture:
            assert picture.width >= 480
