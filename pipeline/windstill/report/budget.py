"""How large a report will be under one plan of pictures, so that only plans that can fit are tried."""

from __future__ import annotations

from windstill.records import Review
from windstill.report.pictures import PLANS, PicturePlan, resized, wanted

# Markup of one frame and of one set, and one graph and one map, as they are embedded: measured on long shoots,
# and used only to skip plans that cannot fit.
_FRAME_BYTES, _SET_BYTES, _GRAPH_BYTES, _MAP_BYTES = 900, 8_000, 20_000, 2_500
_SAMPLED = 12


def first_plan(review: Review, limit: int) -> int:
    """The largest plan that could fit, judged by a few of the shoot's own pictures."""
    for i, plan in enumerate(PLANS):
        if expected_bytes(review, plan) < limit:
            return i
    return len(PLANS) - 1


def expected_bytes(review: Review, plan: PicturePlan) -> float:
    """About how large a report is under one plan."""
    names = list(review.scores)
    picked = names[:: max(1, len(names) // _SAMPLED)]
    sets = [s for s in review.grouping.sets if s.kind != "single"]

    def typical(long_px: int, quality: int) -> float:
        sizes = [len(resized(review.scores[n].thumbnail_jpeg, long_px, quality)[0]) for n in picked]
        return 4 / 3 * sum(sizes) / max(1, len(sizes))

    total = len(names) * typical(plan.strip_px, plan.strip_quality) * (1 + 1 / max(1, len(names) / max(1, len(sets))))
    total += len(review.frames) * _FRAME_BYTES
    plate = typical(plan.plate_px, plan.plate_quality)
    for node in sets:
        verdict, measure = review.verdicts.get(node.set_id), review.measures.get(node.set_id)
        total += _SET_BYTES
        if verdict is None or measure is None:
            continue
        if wanted(plan.maps, verdict.outlook):
            total += (plate + _MAP_BYTES) * (3 if plan.quiet else 1)
            total += _MAP_BYTES * len(measure.pairs) * plan.every_pair
        if wanted(plan.crops, verdict.outlook):
            total += _GRAPH_BYTES * (node.parent_set is None)
            total += 4 / 3 * max((len(p.crops.a_jpeg) * 2 for p in measure.pairs if p.crops), default=0)
    return total
