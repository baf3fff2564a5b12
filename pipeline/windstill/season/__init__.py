"""What many reviews say together: how long a shutter holds, in which conditions, and what it costs to be safer."""

from windstill.season.learn import Season, learn
from windstill.season.write import write_season

__all__ = ["Season", "learn", "write_season"]
