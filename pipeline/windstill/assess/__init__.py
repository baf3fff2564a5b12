"""One set: the camera's shift, sway where the merge blends, coverage, and the outlook."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.assess.judge import judge, tolerance_for
from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.assess.measure import measure_set
    from windstill.assess.planes import PlaneSource

__all__ = ["PlaneSource", "judge", "measure_set", "tolerance_for"]

__getattr__ = loaded_on_use(__name__, {"PlaneSource": "planes", "measure_set": "measure"})
