"""Look for known weaknesses in the versions of a lock file: python .ci/audit.py requirements-dev.lock

It asks with pip-audit, about one package first: not every registry serves advisories. Exit status: 0 none known; 1 some
known; 2 not checked, for want of advisories.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any


def main(lock: Path) -> int:
    """Ask, and say what is known."""
    pins = [line.strip() for line in lock.read_text("utf-8").splitlines() if "==" in line and line[0] != "#"]
    for some in (pins[:1], pins):
        status, lines = told(asked(some), len(some))
        if status == 2:
            break
    print("\n".join(lines))
    return status


def asked(pins: Sequence[str]) -> Any:
    """What pip-audit says of some pins, from its JSON; None where it gives no answer."""
    with tempfile.TemporaryDirectory() as folder:
        wanted = Path(folder) / "pins.txt"
        wanted.write_text("\n".join(pins), "utf-8")
        run = subprocess.run(
            [sys.executable, "-m", "pip_audit", "-r", str(wanted), "--no-deps", "--disable-pip", "--format", "json",
             "--progress-spinner", "off"], capture_output=True, text=True, check=False,
        )  # fmt: skip
    try:
        return json.loads(run.stdout)
    except ValueError:
        return None


def told(answer: Any, count: int) -> tuple[int, list[str]]:
    """Exit status and lines for what pip-audit said of `count` packages."""
    found = answer["dependencies"] if answer else []
    known = [package for package in found if "vulns" in package]
    if not known:
        return 2, ["not checked: no advisories are served here; run it where PyPI's own can be reached"]
    lines = [
        f"{package['name']} {package['version']}: {weak['id']}, fixed in {', '.join(weak['fix_versions']) or 'nothing'}"
        for package in known for weak in package["vulns"]
    ]  # fmt: skip
    missing = f", {count - len(known)} unknown to the registry" if len(known) < count else ""
    return (1 if lines else 0), [*lines, f"{len(known)} packages checked{missing}, {len(lines)} weaknesses known"]


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
