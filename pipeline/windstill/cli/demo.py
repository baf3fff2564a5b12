"""`windstill demo`."""

from __future__ import annotations

from pathlib import Path

import typer

from windstill.run.errors import ReviewError
from windstill.settings import load_settings

_SHOOT = "cliff-thrift"
_PACKAGE = Path(__file__).resolve().parent.parent
# Inside the package when installed; at the top of the source tree when run from there.
_PLACES = (_PACKAGE / "sample_data" / _SHOOT, _PACKAGE.parent.parent / "sample_data" / _SHOOT)


def add_demo_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Example: windstill demo --out REVIEW")
    def demo(
        out: Path | None = typer.Option(
            None, "--out", help=f"Folder for the report. Default: {_SHOOT}-windstill, here."
        ),
        cache: Path | None = typer.Option(None, "--cache", envvar="WINDSTILL_CACHE", hidden=True),
    ) -> int:
        """Review the sample shoot that comes along: thrift on a sea cliff at dusk."""
        from windstill.cli.review import run_review

        return run_review(sample_shoot(), out, load_settings(), cache=cache)


def sample_shoot() -> Path:
    """Folder of the sample shoot.

    Raises
    ------
    ReviewError
        It is not there.
    """
    for folder in _PLACES:
        if folder.is_dir():
            return folder
    raise ReviewError(f"the sample shoot {_SHOOT} is missing from this installation; install windstill again")
