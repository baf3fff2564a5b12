"""What `make audit` makes of an answer; the form is that of pip-audit's JSON."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / ".ci" / "audit.py"
SOUND = {"name": "heather", "version": "1.2", "vulns": []}
WEAK = {"name": "gorse", "version": "3.0", "vulns": [{"id": "PYSEC-2031-7", "fix_versions": ["3.1"], "aliases": []}]}
UNKNOWN = {"name": "broom", "skip_reason": "Dependency not found on PyPI and could not be audited: broom (0.1)"}


@pytest.mark.parametrize(
    ("answer", "status", "says"),
    [
        ({"dependencies": [SOUND]}, 0, "1 packages checked, 0 weaknesses known"),
        ({"dependencies": [SOUND, WEAK]}, 1, "gorse 3.0: PYSEC-2031-7, fixed in 3.1"),
        ({"dependencies": [SOUND, UNKNOWN]}, 0, "1 packages checked, 1 unknown to the registry"),
        ({"dependencies": [UNKNOWN]}, 2, "not checked"),
        (None, 2, "not checked"),
    ],
)  # fmt: skip
def test_an_answer_is_told_in_a_line(answer: Any, status: int, says: str) -> None:
    spec = importlib.util.spec_from_file_location("audit", SCRIPT)
    assert spec and spec.loader
    audit = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(audit)
    got, lines = audit.told(answer, len(answer["dependencies"]) if answer else 1)
    assert got == status
    assert says in "\n".join(lines)
