"""`windstill simulate`."""

from __future__ import annotations

from pathlib import Path

import typer

from windstill.run.errors import ReviewError

_EXAMPLES = """Examples:

windstill simulate cliff-thrift OUT

windstill simulate --random 2 --seed 7 --width 320 OUT

Exit status: 0 written; 1 cannot be written; 2 wrong usage."""


def add_simulate_command(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("simulate", epilog=_EXAMPLES)
    def simulate_command(
        words: list[str] = typer.Argument(
            ..., metavar="[DESCRIPTION] OUT", help="A TOML file or the name of a shoot that comes along; and a folder."
        ),
        random: int = typer.Option(
            0, "--random", metavar="N", min=0, help="Instead of a description: a shoot of N sets drawn by chance."
        ),
        seed: int | None = typer.Option(None, "--seed", help="Another seed gives another shoot of the same kind."),
        width: int | None = typer.Option(None, "--width", metavar="PX", help="Long side of the pictures drawn."),
        workers: int | None = typer.Option(None, "--workers", metavar="N", help="Processes; default one per core."),
    ) -> int:
        """Render a shoot with known truth: photographs in OUT/DCIM, what is true of them in OUT/truth.json."""
        return _simulate(words, random, seed, width, workers)


def _simulate(words: list[str], sets: int, seed: int | None, width: int | None, workers: int | None) -> int:
    from windstill.cli.guard import printable
    from windstill.cli.progress import shown_progress
    from windstill.simulate import DescriptionError, SimulationError, load_description, random_description, simulate

    if len(words) != (1 if sets else 2):
        raise ReviewError("give a description and a folder, or --random N and a folder (see simulate --help)", 2)
    out = Path(words[-1])
    changes = {name: value for name, value in (("seed", seed), ("width_px", width)) if value is not None}
    told = 0
    try:
        if sets:
            description = random_description(sets, **{"seed": 0, **changes})  # type: ignore[arg-type]
        else:
            description = load_description(words[0])
            if seed is not None:
                description = description.model_copy(update={"seed": seed})
            if width is not None:
                description = description.at_width(width)
        with shown_progress() as progress:

            def step(done: int, total: int) -> None:
                nonlocal told
                if not told:
                    progress.stage("rendering frames", total)
                progress.step(done - told)
                told = done

            done = simulate(description, out, workers=workers, progress=step)
    except DescriptionError as err:
        raise ReviewError(str(err), 2) from err
    except SimulationError as err:
        raise ReviewError(str(err)) from err
    except OSError as err:
        raise ReviewError(f"{err.filename or out}: cannot be written ({err.strerror})") from err
    print(printable(f"{done.frames} frames in {done.out / 'DCIM'}, what is true of them in {done.truth}"))
    return 0
