"""What the command says when it is called wrongly, and where its script is not on the search path."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cli.conftest import Command, Here, environment
from run.small_shoots import write_shoot


def test_the_module_is_the_command(tmp_path: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "windstill", "--version"], env=environment(tmp_path / "cache"), text=True,
        capture_output=True, timeout=60, check=False,
    )  # fmt: skip
    assert ran.returncode == 0
    assert ran.stdout.strip()


def test_a_missing_option_names_the_help_of_its_own_command(windstill: Command) -> None:
    ran = windstill("plan")
    assert ran.returncode == 2
    assert "see windstill plan --help" in ran.stderr


def test_an_unknown_command_names_the_help_of_all(windstill: Command) -> None:
    ran = windstill("revue")
    assert ran.returncode == 2
    assert "see windstill --help" in ran.stderr


def test_settings_of_a_missing_folder_says_which_folder_to_give(here: Here) -> None:
    status, _, error = here("settings", "nowhere")
    assert status != 0
    assert "nowhere: no such folder; give the folder your reviews are in" in error
    assert len(error.splitlines()) == 1


@pytest.mark.parametrize("command", ["review", "field", "watch"])
@pytest.mark.parametrize("where", ["thrift/kept", "link/100CLIFF"])
def test_nothing_is_kept_inside_the_shoot(here: Here, tmp_path: Path, command: str, where: str) -> None:
    shoot = write_shoot(tmp_path / "thrift", bursts=0)
    (tmp_path / "link").symlink_to(shoot)
    before = sorted(shoot.rglob("*"))
    status, _, error = here(command, shoot, "--cache", where)
    assert status == 2
    assert "inside the shoot" in error and "--cache" in error and len(error.splitlines()) == 1
    assert sorted(shoot.rglob("*")) == before


@pytest.mark.parametrize("value", ["inf", "1e308", "nan", "-1e13", "1" * 4000, "1" * 5000, "[" * 3000])
def test_a_setting_beyond_all_reason_is_named(here: Here, small_shoot: Path, value: str) -> None:
    status, _, error = here("review", small_shoot, "--set", f"assess.tolerance_px={value}")
    assert status == 2
    assert "assess.tolerance_px" in error and len(error.splitlines()) == 1 and len(error) < 300


@pytest.mark.parametrize("written", ["gap_s = " + "1" * 5000, "gap_s = " + "[" * 3000, "gap_s = 1e13"])
def test_a_file_of_settings_that_no_parser_takes_is_named(here: Here, small_shoot: Path, written: str) -> None:
    Path("profile.toml").write_text(f"[group]\n{written}\n", "utf-8")
    Path("out").mkdir()
    Path("out/sets.toml").write_text(written, "utf-8")
    for words, name in (
        (("review", small_shoot, "--settings", "profile.toml"), "profile.toml"),
        (("review", small_shoot, "--out", "out"), "sets.toml"),
        (("simulate", "profile.toml", "drawn"), "profile.toml"),
    ):
        status, _, error = here(*words)
        assert status == 2
        assert f"{name}: " in error and len(error.splitlines()) == 1 and len(error) < 300


@pytest.mark.parametrize(
    "words",
    [("review", "SHOOT", "--out", ""), ("review", "SHOOT", "--out="), ("review", ""), ("gather", "x", ""),
     ("settings", "x", "--out", "")],
)  # fmt: skip
def test_an_empty_argument_does_not_stand_for_the_current_folder(
    here: Here, small_shoot: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    status, said, error = here(*(str(small_shoot) if word == "SHOOT" else word for word in words))
    assert (status, said) == (2, "")
    assert "empty" in error and len(error.splitlines()) == 1
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("folder", [".", "/", "..", "100CLIFF/.."])
@pytest.mark.parametrize("words", [("sidecar",), ("masks",), ("gather", "keepers"), ("settings",)])
def test_a_folder_without_a_name_of_its_own_is_no_review_either(
    here: Here, small_shoot: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], folder: str
) -> None:
    monkeypatch.chdir(small_shoot)
    status, _, error = here(words[0], folder, *words[1:])
    assert status in (1, 2)
    assert f"{folder}: no " in error and "review" in error and len(error.splitlines()) == 1


def test_the_review_beside_the_current_folder_is_named(
    here: Here, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "thrift").mkdir()
    (tmp_path / "thrift-windstill").mkdir()
    (tmp_path / "thrift-windstill" / "sets.csv").touch()
    monkeypatch.chdir(tmp_path / "thrift")
    assert f"did you mean {tmp_path / 'thrift-windstill'}?" in here("sidecar", ".")[2]


def test_a_card_takes_the_name_of_no_folder_and_no_pipe(here: Here, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name, why in (("folder", "it is a folder"), ("pipe", "it is no ordinary file")):
        status, _, error = here("plan", "--lens", "24", "--near", "0.6", "--card", name)
        assert status == 1
        assert error == f"windstill: {name}: {why}\n"
    assert (tmp_path / "pipe").is_fifo() and sorted(p.name for p in tmp_path.iterdir()) == ["folder", "pipe"]
