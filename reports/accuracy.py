"""How right windstill is, on simulated shoots it was never tuned on: writes accuracy.md and its plots beside this file.

    python reports/accuracy.py [--shoots N] [--first-seed S] [--width PX] [--sets N] [--kinds stack,bracket] [--full]

Random shoots are drawn and rendered with known truth, reviewed by the real pipeline, and only the tables it writes are
compared with the truth. Seeds 1 to 999 are for tuning; the report starts at 5000. Renderings, reviews and baselines
are kept under `--work` and reused while the code that made them is the same. `--full` adds 24-megapixel shoots.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
from accuracy_baselines import baselines
from accuracy_rows import NAMES, rows_of
from accuracy_shoots import REVIEW_ROOMS, Ask, asks, reviewed
from accuracy_text import report, terminal
from said import machine

from windstill.records import KINDS, Kind
from windstill.run.keys import key_of, versions

HERE = Path(__file__).resolve().parent
TUNING_SEEDS = range(1, 1000)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the bench."""
    options = parse(argv)
    started = time.time()
    planned = plan(options)
    tables: dict[str, list[pd.DataFrame]] = {name: [] for name in NAMES}
    done: list[Ask] = []
    failed: list[str] = []
    for ask in planned:
        began = time.time()
        try:
            shoot = reviewed(ask, options.work, options.workers, options.keep_renders)
            plain = None if options.no_baselines else baselines(
                shoot.folder, shoot.truth, options.work, options.workers
            )
            rows = rows_of(shoot, plain)
        except Exception as err:
            # A shoot the pipeline cannot take is a result: the bench goes on and says so.
            failed.append(f"seed {ask.seed} at {ask.width_px} px: {type(err).__name__}: {err}")
            print(failed[-1], file=sys.stderr, flush=True)
            continue
        done.append(ask)
        for name in NAMES:
            tables[name].append(pd.DataFrame(rows[name]))
        print(f"seed {ask.seed}: {len(rows['frames'])} frames, {time.time() - began:.0f} s", flush=True)
    if not done:
        print("no shoot could be reviewed", file=sys.stderr)
        return 1
    joined = {name: pd.concat(parts, ignore_index=True) for name, parts in tables.items()}
    head = {
        "date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"), "command": command_line(options),
        "machine": machine(),
        "note": options.note, "code": key_of(versions(REVIEW_ROOMS))[:12],
        "shoots": ", ".join(f"{a.seed} ({a.width_px} px)" for a in done), "seconds": f"{time.time() - started:.0f}",
    }  # fmt: skip
    print(terminal(joined))
    if not options.no_write:
        report(joined, head, failed, HERE)
    return 0


def parse(argv: Sequence[str] | None) -> argparse.Namespace:
    """The command's options."""
    parser = argparse.ArgumentParser(description="How right windstill is, on simulated shoots with known truth.")
    parser.add_argument("--shoots", type=int, default=12, help="how many shoots (default 12)")
    parser.add_argument("--first-seed", type=int, default=5000, help="seed of the first (default 5000)")
    parser.add_argument("--width", type=int, default=1800, help="long side in pixels (default 1800)")
    parser.add_argument("--sets", type=int, default=6, help="top-level sets a shoot (default 6)")
    parser.add_argument("--kinds", default="", help="only sets of these kinds, comma-separated")
    parser.add_argument("--full", action="store_true", help="40 shoots, and 4 more at 24 megapixels")
    parser.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--no-baselines", action="store_true", help="leave the plain library methods out")
    parser.add_argument("--no-write", action="store_true", help="print only; leave accuracy.md as it is")
    parser.add_argument("--note", default="", help="a remark on this run, printed in the report")
    parser.add_argument("--keep-renders", action="store_true",
                        help="reuse renderings of the same description made by an earlier simulator")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "windstill-accuracy",
                        help="folder for renderings and reviews")
    options = parser.parse_args(argv)
    options.kinds = [k for k in options.kinds.split(",") if k]
    if unknown := set(options.kinds) - set(KINDS):
        parser.error(f"no such kind: {', '.join(sorted(unknown))}; there are {', '.join(KINDS)}")
    if not options.no_write and options.first_seed in TUNING_SEEDS:
        parser.error("seeds 1 to 999 are for tuning: report on others, or add --no-write")
    return options


def plan(options: argparse.Namespace) -> list[Ask]:
    """The shoots to draw."""
    kinds: list[Kind] | None = options.kinds or None
    planned = asks(options.first_seed, 40 if options.full else options.shoots, options.sets, options.width, kinds)
    if options.full:
        planned += asks(options.first_seed + 1000, 4, options.sets, 6000, kinds)
    return planned


def command_line(options: argparse.Namespace) -> str:
    """The command that draws the same shoots, without folders of this machine."""
    text = f"python reports/accuracy.py --shoots {options.shoots} --first-seed {options.first_seed}"
    text += f" --width {options.width} --sets {options.sets}"
    text += f" --kinds {','.join(options.kinds)}" if options.kinds else ""
    return text + " --full" * options.full


if __name__ == "__main__":
    raise SystemExit(main())
