"""`windstill sidecar`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from windstill.cli import common
from windstill.cli.guard import printable, say
from windstill.plan.words import plural
from windstill.run.errors import ReviewError

if TYPE_CHECKING:
    from windstill.handover.sidecars import Done, Planned, SidecarPlan

_EXAMPLES = """Examples:

windstill sidecar REVIEW

windstill sidecar REVIEW --rating clean=4 --rating keep:no=-1 --write

windstill sidecar REVIEW --undo

A sidecar is NAME.xmp beside the photograph, shared by its raw and its JPEG, or NAME.JPG.xmp where that is there.

What else it says stays; an existing rating is never replaced.

Exit status: 0 done; 1 a sidecar had to be left alone; 2 wrong usage."""


def add_sidecar_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("sidecar", epilog=_EXAMPLES)
    def sidecar_command(
        out: Path = common.FINISHED,
        write: bool = typer.Option(False, "--write", help="Write them; without it they are only shown."),
        rating: list[str] = typer.Option(
            [], "--rating", metavar="WORD=N",
            help="Rating for an outlook (clean=4) or for keep (keep:no=-1); may be repeated. None without it.",
        ),
        undo: bool = typer.Option(False, "--undo", help="Give every sidecar written from this review back as it was."),
        shoot: Path | None = common.MOVED,
        profile: str | None = common.HANDOVER_PROFILE,
        entries: list[str] = common.HANDOVER_ENTRIES,
    ) -> int:
        """Show or --write keywords for outlook, set and keep in XMP sidecars beside the photographs."""
        from windstill.cli.finished import finished_review
        from windstill.cli.progress import shown_progress
        from windstill.cli.review import settings_from
        from windstill.handover.sidecars import plan_sidecars, undo_sidecars, write_sidecars
        from windstill.handover.words import rating_map, words_of

        if undo:
            if write or rating:
                raise ReviewError("--undo goes without --write and --rating", 2)
            with shown_progress() as progress:
                done = undo_sidecars(out, shoot, progress)
            _say_problems(done.problems)
            print(f"{plural(done.done, 'sidecar')} given back")
            return 1 if done.problems else 0
        settings = settings_from(profile, entries, {}).handover
        ratings = rating_map(rating, settings.rating)
        review, where = finished_review(out, shoot)
        print(f"beside the photographs in {printable(str(where))}")
        with shown_progress() as progress:
            plan = plan_sidecars(words_of(review, ratings), where, settings, progress)
        if not write:
            for planned in plan.planned:
                print(_line(planned))
            _say_problems(plan.problems)
            print(_would(plan))
            return 1 if plan.problems else 0
        with shown_progress() as progress:
            done = write_sidecars(plan, where, review.out, progress)
        _say_problems([*plan.problems, *done.problems])
        print(_wrote(plan, done))
        if done.done:
            print(f"to undo: windstill sidecar {printable(str(out))} --undo")
        return 1 if plan.problems or done.problems else 0


def _line(planned: Planned) -> str:
    changed = planned.changed
    what = [f"+ {word}" for word in changed.added] + [f"- {word}" for word in changed.removed]
    if changed.rating is not None:
        what.append(f"+ rating {changed.rating:g}")
    new = "new" if planned.before is None else "add"
    return printable(f"  {new}  {planned.path}  {'  '.join(what)}")


def _would(plan: SidecarPlan) -> str:
    if not plan.planned:
        return f"nothing to write: {plural(plan.unchanged, 'sidecar')} already say so{_rest(plan)}"
    same = f", {plan.unchanged} already say so" if plan.unchanged else ""
    count = plural(len(plan.planned), "sidecar")
    return f"{count} to write ({_sorts(plan)}){same}{_rest(plan)}; nothing was written, add --write"


def _wrote(plan: SidecarPlan, done: Done) -> str:
    if not plan.planned:
        return f"nothing to write: {plural(plan.unchanged, 'sidecar')} already say so{_rest(plan)}"
    same = f", {plan.unchanged} already said so" if plan.unchanged else ""
    return f"{plural(done.done, 'sidecar')} written ({_sorts(plan)}){same}{_rest(plan)}"


def _sorts(plan: SidecarPlan) -> str:
    new = sum(planned.before is None for planned in plan.planned)
    return f"{new} new, {len(plan.planned) - new} added to"


def _rest(plan: SidecarPlan) -> str:
    rated = f"; {plan.rated_before} rated already, left so" if plan.rated_before else ""
    left = f"; {len(plan.problems)} left alone" if plan.problems else ""
    return f"{rated}{left}"


def _say_problems(problems: list[str]) -> None:
    for problem in problems:
        say(problem, 0)
