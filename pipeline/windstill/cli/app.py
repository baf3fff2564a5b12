"""The commands."""

from __future__ import annotations

import importlib

import typer

from windstill.cli.demo import add_demo_command
from windstill.cli.review import add_review_command

# Commands of rooms that bring their own: module below windstill.cli, and the function that adds them.
_MORE = (
    ("field", "add_field_command"),
    ("gather", "add_gather_command"),
    ("masks", "add_masks_command"),
    ("plan", "add_plan_command"),
    ("season", "add_settings_command"),
    ("sidecar", "add_sidecar_command"),
    ("simulate", "add_simulate_command"),
    ("watch", "add_watch_command"),
)


def build() -> typer.Typer:
    """The command line with every command that is there."""
    app = typer.Typer(
        name="windstill",
        help="Finds which frames of a landscape shoot belong together, measures where the subject moved between "
        "them, and says which sets will merge. Photographs are only ever read.",
        epilog="Example: windstill review ~/Pictures/thrift --out ~/reviews/thrift",
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback(invoke_without_command=True)
    def common(
        context: typer.Context,
        version: bool = typer.Option(False, "--version", help="Print the version and exit.", is_eager=True),
        debug: bool = typer.Option(False, "--debug", help="On an error, write the details to a file (any command)."),
    ) -> None:
        if version:
            from windstill import __version__

            print(f"windstill {__version__}")
        elif context.invoked_subcommand is None:
            print(context.get_help())

    add_review_command(app)
    add_demo_command(app)
    for name, function in _MORE:
        module = f"windstill.cli.{name}"
        if importlib.util.find_spec(module) is not None:
            getattr(importlib.import_module(module), function)(app)
    return app
