"""A finished review handed on: gathered files, words in sidecars, masks for the retouching."""

from windstill.handover.gather import Gathered, check_dest, gather, planned_folders
from windstill.handover.plan import choose_sets, spoilt_singles
from windstill.handover.runfolder import FinishedReview, find_shoot, read_review
from windstill.handover.undo import Undone, undo_gather

__all__ = [
    "FinishedReview", "Gathered", "Undone", "check_dest", "choose_sets", "find_shoot", "gather", "planned_folders",
    "read_review", "spoilt_singles", "undo_gather",
]
