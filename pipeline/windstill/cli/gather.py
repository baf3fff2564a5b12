"""`windstill gather`."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from windstill.cli import common
from windstill.cli.guard import printable, say
from windstill.plan.words import plural
from windstill.run.errors import ReviewError
from windstill.settings import HandoverSettings

if TYPE_CHECKING:
    from windstill.handover.gather import Gathered
    from windstill.handover.plan import SetFolder

_MOST_LINES = 20

_EXAMPLES = """Examples:

windstill gather REVIEW KEEPERS

windstill gather REVIEW KEEPERS --only clean --only touch-up --best-takes

windstill gather REVIEW --as list

windstill gather --undo KEEPERS

Exit status: 0 all gathered; 1 a file could not be, or had to stay; 2 wrong usage."""


def add_gather_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("gather", epilog=_EXAMPLES)
    def gather_command(
        folders: list[Path] = typer.Argument(
            ..., metavar="OUT DEST", help="Folder of a finished review, and the folder to gather to."
        ),
        how: str = typer.Option(
            "copies", "--as", metavar="HOW",
            help="copies, each read back and compared; links (editing one edits the original); or list: no files.",
        ),
        only: list[str] = common.ONLY,
        best_takes: bool = typer.Option(False, "--best-takes", help="Leave out takes another take is better than."),
        manifest: str | None = typer.Option(
            None, "--manifest", metavar="FORM", help="Form of the manifest: json (default) or csv."
        ),
        undo: bool = typer.Option(
            False, "--undo", help="Take away what the manifest in DEST lists and is still as it was written."
        ),
        shoot: Path | None = common.MOVED,
        profile: str | None = common.HANDOVER_PROFILE,
        entries: list[str] = common.HANDOVER_ENTRIES,
    ) -> int:
        """Gather the frames to keep, a folder per set, with all files of each exposure. Originals are only read."""
        if undo:
            if len(folders) > 2:
                raise ReviewError("gather --undo takes the folder that was gathered to (see gather --help)", 2)
            return _undo(folders[-1])
        for given, known in ((how, ("copies", "links", "list")), (manifest or "json", ("json", "csv"))):
            if given not in known:
                raise ReviewError(f"{given}: give one of {', '.join(known)} (see gather --help)", 2)
        if len(folders) != 2 and not (len(folders) == 1 and how == "list"):
            raise ReviewError("give the review's folder and a folder to gather to (see gather --help)", 2)
        from windstill.cli.review import settings_from

        settings = settings_from(profile, entries, {}).handover
        dest = folders[1] if len(folders) == 2 else None
        return _gather(folders[0], dest, how, only, best_takes, manifest, shoot, settings)


def _gather(
    out: Path,
    dest: Path | None,
    how: Any,
    only: list[str],
    best_takes: bool,
    form: Any,
    given: Path | None,
    settings: HandoverSettings,
) -> int:
    from windstill.cli.finished import finished_review
    from windstill.cli.progress import shown_progress
    from windstill.handover import check_dest, choose_sets, gather, planned_folders, spoilt_singles

    review, shoot = finished_review(out, given)
    sets = choose_sets(review, only, best_takes)
    if not sets:
        raise ReviewError(f"{printable(str(out))}: no set of it is asked for; leave out --only or --best-takes")
    if dest is None:
        for folder in planned_folders(review, shoot, sets):
            for planned in folder.files:
                print(f"{printable(planned.gathered)}\t{printable(str(shoot / planned.original))}")
        return 0
    dest = check_dest(dest, shoot, review.out)
    print(f"from {printable(str(shoot))}")
    if how == "links":
        say("links: editing one in the new folder edits the original; gather copies to keep them apart", 0)
    with shown_progress() as progress:
        folders = planned_folders(review, shoot, sets)
        done = gather(folders, shoot, dest, how, form, settings, progress)
    _print_folders(folders, {row.set_id for row in choose_sets(review, only, True)})
    if spoilt := [] if only else spoilt_singles(review):
        print(f"left out: {plural(len(spoilt), 'spoilt single frame')}; --only lost takes what is lost")
    for problem in done.problems[:_MOST_LINES]:
        say(problem, 0)
    if len(done.problems) > _MOST_LINES:
        say(f"and {len(done.problems) - _MOST_LINES} more", 0)
    print(_summary(folders, done, how))
    print(f"manifest: {printable(str(done.manifest))}")
    if done.written:
        print(f"to undo: windstill gather --undo {shlex.quote(printable(str(dest)))}")
    return 1 if done.problems else 0


def _print_folders(folders: list[SetFolder], best: set[str]) -> None:
    """One line per folder: how much it holds, how its merge will go, whether another take is better."""
    singles = [folder for folder in folders if folder.row.kind == "single"]
    shown_folders = [folder for folder in folders if folder.row.kind != "single"]
    width = max((len(folder.folder) for folder in shown_folders), default=0)
    for folder in shown_folders[:_MOST_LINES]:
        other = "" if folder.row.set_id in best else "; another take is better"
        print(f"  {folder.folder:{width}}  {plural(folder.frames, 'frame')}, {folder.row.outlook}{other}")
    if len(shown_folders) > _MOST_LINES:
        print(f"  and {len(shown_folders) - _MOST_LINES} more")
    if singles:
        print(f"  {singles[0].files[0].gathered.split('/')[0] if singles[0].files else 'singles':{width}}  "
              f"{plural(len(singles), 'frame')} in no set")  # fmt: skip


def _summary(folders: list[SetFolder], done: Gathered, how: str) -> str:
    files = sum(len(folder.files) for folder in folders)
    if how == "list":
        return f"{plural(files, 'file')} listed, nothing copied"
    failed = f", {len(done.problems)} not gathered" if done.problems else ""
    if not done.written:
        return f"nothing to do: {plural(done.there_already, 'file')} there already, each compared{failed}"
    size = done.written_bytes
    amount = f" ({size / 1e9:.1f} GB)" if size >= 1e9 else f" ({size / 1e6:.1f} MB)"
    what = f"copied and verified{amount}" if how == "copies" else f"linked ({', '.join(sorted(done.links)) or 'none'}s)"
    there = f", {done.there_already} there already" if done.there_already else ""
    return f"{plural(done.written, 'file')} {what}{there}{failed}"


def _undo(dest: Path) -> int:
    from windstill.cli.progress import shown_progress
    from windstill.handover import undo_gather

    with shown_progress() as progress:
        undone = undo_gather(dest, progress)
    for line in undone.kept:
        say(line, 0)
    kept = f", {len(undone.kept)} kept (still in the manifest)" if undone.kept else ""
    print(f"{plural(undone.removed, 'file')} taken away{kept}")
    return 1 if undone.kept else 0
