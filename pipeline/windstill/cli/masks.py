"""`windstill masks`."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from windstill.cli import common
from windstill.cli.guard import printable, say
from windstill.run.errors import ReviewError

if TYPE_CHECKING:
    from windstill.handover.masks import SetMasks

_EXAMPLES = """Examples:

windstill masks REVIEW

windstill masks REVIEW --to MASKS --form tiff --only hard --only touch-up

Each set's folder holds a legend.txt that says what its masks mark and over which frame they lie.

Exit status: 0 written; 1 something could not be; 2 wrong usage."""
_MOST_LINES = 40


def add_masks_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("masks", epilog=_EXAMPLES)
    def masks_command(
        out: Path = common.FINISHED,
        to: Path | None = typer.Option(None, "--to", metavar="FOLDER", help="Where to; by default OUT/masks."),
        form: str = typer.Option("png", "--form", metavar="FORM", help="png or tiff, 8 bits."),
        only: list[str] = common.ONLY,
        shoot: Path | None = common.MOVED,
        profile: str | None = common.HANDOVER_PROFILE,
        entries: list[str] = common.HANDOVER_ENTRIES,
        cache: Path | None = typer.Option(None, "--cache", envvar="WINDSTILL_CACHE", hidden=True),
    ) -> int:
        """Masks for the retouching, over each set's base frame: sway, smear, gaps, and which frame holds what best."""
        if form not in ("png", "tiff"):
            raise ReviewError(f"--form {form}: give png or tiff", 2)
        from windstill.cli.finished import finished_review
        from windstill.cli.progress import shown_progress
        from windstill.cli.review import settings_from
        from windstill.handover import check_dest, choose_sets, read_review
        from windstill.handover.masks import write_masks
        from windstill.handover.record import measures_of

        settings = settings_from(profile, entries, {}).handover
        why = ""
        where = None
        try:
            review, where = finished_review(out, shoot)
        except ReviewError as err:
            if err.status != 1:
                raise
            review, why = read_review(out), "the photographs are not where they were (--shoot FOLDER says where)"
        sets = [row for row in choose_sets(review, only, False) if row.kind != "single"]
        if not sets:
            raise ReviewError(f"{printable(str(out))}: no set to merge is asked for; leave out --only")
        dest = check_dest(to or review.out / "masks", where, review.out)
        with shown_progress() as progress:
            source: Any = nullcontext((None, why))
            if where is not None:
                source = measures_of(review, where, cache, progress)
            with source as (record, reason):
                done = write_masks(review, record, sets, dest, form, settings, progress)  # type: ignore[arg-type]
        for masks in done.sets[:_MOST_LINES]:
            print(printable(_line(masks)))
        if len(done.sets) > _MOST_LINES:
            print(f"  and {len(done.sets) - _MOST_LINES} more")
        for problem in done.problems:
            say(problem, 0)
        if reason:
            say(f"without smear and gaps: {reason}", 0)
        count = f"{done.files} mask{'s' if done.files != 1 else ''}"
        print(printable(f"{count} in {done.folder} (shares are of the picture)"))
        return 1 if done.problems or reason else 0


def _line(masks: SetMasks) -> str:
    """What the masks of one set mark."""
    marked = [f"{what} {share:.1f} %" for what, share in masks.marked_pct.items()]
    said = ", ".join(marked) or "nothing to retouch"
    return f"  {masks.folder}  {masks.outlook}: {said}"
