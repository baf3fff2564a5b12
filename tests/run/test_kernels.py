"""Where compiled kernels cannot be kept, they work all the same."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

_SCRIPT = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from kernel import twice
if sys.argv[2] == "forgive":
    from windstill.run.kernels import forgive_full_disks
    forgive_full_disks()
    forgive_full_disks()
resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10))
print(twice(21))
"""


def test_a_full_disk_costs_no_measure(tmp_path: Path) -> None:
    (tmp_path / "kernel.py").write_text(
        "from numba import njit\n\n\n@njit(cache=True)\ndef twice(number):\n    return 2 * number\n"
    )

    def ran(word: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", _SCRIPT, str(tmp_path), word], text=True, capture_output=True, check=False
        )

    assert "File too large" in ran("as it is").stderr  # else this would test nothing
    assert ran("forgive").stdout == "42\n"
