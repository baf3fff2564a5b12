"""What the command says when it is called wrongly, and where its script is not on the search path."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from cli.conftest import Command, Here, environment


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
