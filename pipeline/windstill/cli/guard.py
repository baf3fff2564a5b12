"""What stands between an error and the user: one line, the right exit status, never a traceback."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

import windstill.threads  # noqa: F401  # before anything loads NumPy
from windstill.memory import uncollected

FAILED = 1
WRONG_USAGE = 2
_DEBUG = "--debug"
_ENDING = (signal.SIGINT, signal.SIGTERM)


class Stopped(BaseException):
    """The user or the system asks us to end. Not a `KeyboardInterrupt`, which the parser would answer itself.

    Parameters
    ----------
    number : int
        The signal.
    """

    def __init__(self, number: int) -> None:
        super().__init__()
        self.status = 128 + number


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and exit with its status."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    debug = _DEBUG in given
    given = [word for word in given if word != _DEBUG]
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # names on a card need not be text
    before = {number: signal.signal(number, _stop) for number in _ENDING}
    try:
        status = _run(given, debug)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our lines has gone (`| head`); whatever was asked for is done or was not wanted.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = FAILED
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    sys.exit(status)


def _run(given: Sequence[str], debug: bool) -> int:
    with uncollected():
        import typer

        from windstill.cli.app import build
        from windstill.run.errors import ReviewError
        from windstill.settings import SettingsError

    if any(not word or (word.startswith("--") and word.endswith("=")) for word in given):
        # It would stand for the current folder, and most likely be a variable of a script that was never set.
        return say("one of the arguments is empty; leave it out or say what is meant", WRONG_USAGE)
    try:
        with uncollected():
            command = typer.main.get_command(build())
        result = command.main(args=list(given), prog_name="windstill", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except ReviewError as err:
        _log(debug)
        return say(str(err), err.status)
    except SettingsError as err:
        return say(str(err), WRONG_USAGE)
    except Stopped as err:
        return say("stopped; what was measured is kept, run again to go on", err.status)
    except MemoryError:
        _log(debug)
        return say("not enough memory; close other programs or run with --workers 1", FAILED)
    except Exception as err:
        if hasattr(err, "format_message") and hasattr(err, "exit_code"):  # wrong usage, found by the parser
            asked = getattr(getattr(err, "ctx", None), "command_path", "windstill")
            return say(f"{err.format_message()} (see {asked} --help)", int(err.exit_code))
        if isinstance(err, OSError) and err.strerror:
            _log(debug)
            return say(f"{err.filename or 'the system'}: {err.strerror}", FAILED)
        return say(_unexpected(err, debug), FAILED)


def say(line: str, status: int) -> int:
    """Print one line on the error stream and give back the status."""
    print(f"windstill: {printable(line)}", file=sys.stderr, flush=True)
    return status


def printable(text: str) -> str:
    """Text that stays on its line and cannot steer the terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "surrogateescape").decode() for c in text)


def _unexpected(err: Exception, debug: bool) -> str:
    what = type(err).__name__  # its text may be a library's, for those who read its source
    where = _log(debug)
    if where is None:
        return f"something went wrong that should not ({what}); run again with {_DEBUG} to write down the details"
    return f"something went wrong that should not ({what}); the details are in {where}"


def _log(debug: bool) -> Path | None:
    """With --debug, write the traceback beside other temporary files, never into the shoot."""
    if not debug:
        return None
    handle, name = tempfile.mkstemp(prefix="windstill-debug-", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
        traceback.print_exc(file=file)
    print(f"windstill: details in {name}", file=sys.stderr)
    return Path(name)


def _stop(number: int, frame: FrameType | None) -> Any:
    raise Stopped(number)
