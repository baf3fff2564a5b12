"""One set: the camera's shift, sway where the merge blends, coverage, and the outlook."""

from windstill.assess.judge import judge, tolerance_for
from windstill.assess.measure import measure_set
from windstill.assess.planes import PlaneSource

__all__ = ["PlaneSource", "judge", "measure_set", "tolerance_for"]
