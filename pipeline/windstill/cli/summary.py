"""What a finished review says on screen."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from windstill.cli.guard import printable
from windstill.records import OUTLOOKS, Review, encode_name, worth_saying

_MOST_LINES = 20
_WORST_FIRST = ("lost", "hard", "unknown", "touch-up")


def print_summary(review: Review, out: Path) -> None:
    """How many sets will merge, which will not and why, what could not be read, and where the report is."""
    top = [node for node in review.grouping.top_level() if node.kind != "single"]
    alone = [node for node in review.grouping.top_level() if node.kind == "single"]
    judged = [n for n in alone if n.set_id in review.verdicts]
    smeared = [n for n in judged if worth_saying(n.kind, review.verdicts[n.set_id].outlook)]
    outlooks = Counter(review.verdicts[s.set_id].outlook for s in top if s.set_id in review.verdicts)
    said = ", ".join(f"{outlooks[name]} {name}" for name in OUTLOOKS if outlooks[name])
    sets = _count(len(top), "set") + (f": {said}" if said else "")
    besides = f"; {_count(len(alone), 'single frame')}" if alone else ""
    if smeared:
        besides += f", {len(smeared)} smeared"
    print(f"{_count(len(review.frames), 'frame')}, {sets}{besides}")
    lines = []
    for outlook in _WORST_FIRST:
        for node in [*top, *smeared]:
            verdict = review.verdicts.get(node.set_id)
            if verdict is not None and verdict.outlook == outlook:
                why = verdict.reasons[0] if verdict.reasons else ""
                lines.append(f"  {outlook:8}  {encode_name(node.set_id)}  {why}".rstrip())
    for line in lines[:_MOST_LINES]:
        print(printable(line))
    if len(lines) > _MOST_LINES:
        print(f"  and {len(lines) - _MOST_LINES} more in the report")
    if review.problems:
        files = len({problem.file for problem in review.problems})
        first = review.problems[0]
        print(printable(f"{_count(files, 'file')} with problems, such as {encode_name(first.file)}: {first.problem}; "
                        f"all in {out / 'problems.csv'}"))  # fmt: skip
    print(printable(f"report: {out.resolve() / 'report.html'}"))


def print_timing(review: Review) -> None:
    """Seconds by stage, decodes, memory."""
    run = review.run
    print(f"{'stage':10}{'seconds':>10}")
    for name, seconds in run.get("seconds", {}).items():
        print(f"{name:10}{seconds:10.2f}")
    print(f"{'total':10}{run.get('seconds_total', 0.0):10.2f}")
    print("processor seconds: " + ", ".join(f"{name} {spent:.2f}" for name, spent in run["cpu_seconds"].items()))
    print(f"{run['decodes']} decodes ({run['decodes_per_frame']:.2f} per frame), at most "
          f"{run['peak_memory_mb']:.0f} MB in {_count(run['processes'], 'process')}")  # fmt: skip


def _count(number: int, what: str) -> str:
    if number == 1:
        return f"1 {what}"
    return f"{number} {what}{'es' if what.endswith('s') else 's'}"
