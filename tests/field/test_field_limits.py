"""What a preview cannot tell of coverage, the quick check does not claim."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from windstill.assess import judge
from windstill.field.limits import seen
from windstill.records import CoverageMeasure, FrameSet, Grouping, Kind, SetMeasure, SetVerdict, TileGrid
from windstill.settings import Settings

GRID = TileGrid(tile_px=64, rows=50, cols=80)
FLOOR_PX = 4


def covered(
    kind: Kind, pct: float, gap: NDArray[np.bool_] | None = None, sky: NDArray[np.bool_] | None = None
) -> SetMeasure:
    gap = np.zeros(GRID.shape, bool) if gap is None else gap
    coverage = CoverageMeasure(
        GRID, np.zeros(GRID.shape, np.int16), np.ones(GRID.shape, np.float32), pct, gap=gap,
        alone_pct=(pct / 2, pct / 2), sky=sky,
    )
    return SetMeasure("A~" + kind, kind, ("A", "B"), (), coverage, None, None, None, None, None, 60.0)


def judged(measure: SetMeasure, floor_px: int) -> SetVerdict:
    node = FrameSet(measure.set_id, None, 1, 1, measure.kind, ("A", "B"), ("A", "B"))
    clear = seen(measure, floor_px, Settings())
    return judge(Grouping((node,)), {node.set_id: clear}, (), Settings().assess)[node.set_id]


@pytest.mark.parametrize(
    ("pct", "outlook", "words"),
    [(78.0, "clean", "perhaps 22 % of the textured picture is sharp in no frame: look before you merge"),
     (55.0, "lost", "only 55 % of the textured picture is sharp in any frame")],
)  # fmt: skip
def test_a_stack_is_lost_by_coverage_only_well_under_the_limit(pct: float, outlook: str, words: str) -> None:
    verdict = judged(covered("stack", pct), FLOOR_PX)
    assert verdict.outlook == outlook
    assert words in verdict.reasons
    assert (verdict.coverage_pct is None) is (outlook == "clean")


@pytest.mark.parametrize(("rows", "outlook"), [(7, "clean"), (14, "lost")])
def test_what_a_bracket_clips_is_counted_against_the_picture_not_the_texture_a_preview_shows(
    rows: int, outlook: str
) -> None:
    gap = np.zeros(GRID.shape, bool)
    gap[30 : 30 + rows] = True
    verdict = judged(covered("bracket", 75.0, gap), FLOOR_PX)
    assert verdict.outlook == outlook
    # A white sky is no gap of the picture.
    sky = np.zeros(GRID.shape, bool)
    sky[:20] = True
    assert judged(covered("bracket", 75.0, gap | sky, sky), FLOOR_PX).outlook == outlook


def test_a_preview_as_large_as_the_picture_tells_it_all() -> None:
    assert judged(covered("stack", 78.0), 1).outlook == "lost"
