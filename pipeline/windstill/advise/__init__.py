"""What to keep, which take to merge, and what to do about the rest."""

from windstill.advise.advise import Advised, advise, advise_sets

__all__ = ["Advised", "advise", "advise_sets"]
