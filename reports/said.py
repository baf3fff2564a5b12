"""What several reports say alike."""

from __future__ import annotations

import os
import platform


def machine() -> str:
    """Kind of machine, without its name."""
    return f"{platform.machine()}, {os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}"


def share(part: float, whole: float) -> str:
    """``"97.0 % (97 of 100)"``."""
    return f"{100 * part / whole:.1f} % ({part:.0f} of {whole:.0f})" if whole else "none to count"
