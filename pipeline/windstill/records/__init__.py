"""Frozen, typed records passed between the rooms; units in the field names."""

from windstill.records.frames import (
    ISO_CAP,
    CameraData,
    FileRole,
    Frame,
    Problem,
    ScannedShoot,
    SequenceMark,
    ShootFile,
    seconds_from_first,
)
from windstill.records.measures import (
    CameraMapping,
    CoverageGap,
    CoverageMeasure,
    CropPair,
    PairMeasure,
    PairSmear,
    SetMeasure,
    SwayField,
)
from windstill.records.names import decode_name, encode_name
from windstill.records.review import Review
from windstill.records.scores import FloatMap, FrameScore, TileGrid
from windstill.records.sets import (
    KINDS,
    RELATION_OF_KIND,
    FrameSet,
    Grouping,
    Kind,
    Placement,
    Relation,
    make_set_id,
)
from windstill.records.verdicts import (
    OUTLOOKS,
    Borrow,
    FrameAdvice,
    Keep,
    Outlook,
    SetAdvice,
    SetVerdict,
    TakeFrom,
    worth_saying,
)

__all__ = [
    "ISO_CAP", "KINDS", "OUTLOOKS", "RELATION_OF_KIND",
    "Borrow", "CameraData", "CameraMapping", "CoverageGap", "CoverageMeasure", "CropPair", "FileRole", "FloatMap",
    "Frame", "FrameAdvice", "FrameScore", "FrameSet", "Grouping", "Keep", "Kind", "Outlook", "PairMeasure",
    "PairSmear", "Placement", "Problem", "Relation", "Review", "ScannedShoot", "SequenceMark", "SetAdvice",
    "SetMeasure", "SetVerdict", "ShootFile", "SwayField", "TakeFrom", "TileGrid",
    "decode_name", "encode_name", "make_set_id", "seconds_from_first", "worth_saying",
]
