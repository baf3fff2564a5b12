"""Tries to lose a photograph, to break a run and to get something past it; writes reliability.md beside this file.

    python reports/reliability.py [--files N] [--kills N] [--minutes M] [--only SECTION] [--jobs N] [--seed N]

Everything is real: the command in processes of its own, real files, real signals, real disks (where mounting is
allowed). Sections: determinism, names, faults, kills, fuzz. When the minutes run out, fuzzing and killing stop early
and the report says how far they came. Exit status 1 if any promise was broken; what broke is listed in the report and
the files that broke it are kept in the folder named on screen.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

from reliability_base import ROOT, Torture
from reliability_faults import torture_faults
from reliability_fuzz import torture_files
from reliability_kills import torture_kills
from reliability_names import torture_names
from reliability_same import torture_sameness

SECTIONS = ("determinism", "names", "faults", "kills", "fuzz")
LIBRARIES = ("numpy", "opencv-python-headless", "pillow", "tifffile", "imagecodecs", "rawpy", "pillow-heif", "exifread")
# Shares of the time by which a section has to make room for the next.
_UNTIL = {"faults": 0.3, "kills": 0.6, "fuzz": 1.0}


def main() -> int:
    """Run the sections asked for and write the report."""
    parser = argparse.ArgumentParser(description="Torture windstill and write reliability.md.")
    parser.add_argument("--files", type=int, default=10_000, help="fuzzed files")
    parser.add_argument("--kills", type=int, default=50, help="kills of each kind")
    parser.add_argument("--minutes", type=float, default=58.0, help="stop starting new work after this")
    parser.add_argument("--only", action="append", choices=SECTIONS, default=[], help="may be repeated")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="batches of fuzzed files at once")
    parser.add_argument("--seed", type=int, default=20311)
    parser.add_argument("--out", type=Path, default=ROOT / "reports" / "reliability.md")
    given = parser.parse_args()
    sections = [name for name in SECTIONS if not given.only or name in given.only]
    work = Path(tempfile.mkdtemp(prefix="windstill-torture-"))
    torture = Torture(work, given.seed)
    began = time.monotonic()
    until = {name: began + 60 * given.minutes * share for name, share in _UNTIL.items()}
    if "determinism" in sections:
        torture_sameness(torture)
    if "names" in sections:
        torture_names(torture)
    if "faults" in sections:
        torture_faults(torture, until["faults"])
    if "kills" in sections:
        torture_kills(torture, given.kills, until["kills"])
    if "fuzz" in sections:
        torture_files(torture, given.files, given.jobs, until["fuzz"])
    given.out.write_text(_report(torture, given, sections, time.monotonic() - began), "utf-8")
    print(f"{given.out}: {len(torture.failures)} promises broken")
    if torture.failures:
        print(f"kept for a closer look: {work}")
        return 1
    shutil.rmtree(work, ignore_errors=True)
    return 0


def _report(torture: Torture, given: argparse.Namespace, sections: list[str], seconds: float) -> str:
    asked = f"--files {given.files} --kills {given.kills} --minutes {given.minutes:g}"
    asked += f" --jobs {given.jobs} --seed {given.seed}"
    asked += "".join(f" --only {name}" for name in given.only)
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    lines = [
        "# What was tried to lose a photograph",
        "",
        f"Made by `python reports/reliability.py {asked}` in {seconds / 60:.0f} minutes on {platform.system()} "
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {libraries}. "
        f"Sections run: {', '.join(sections)}.",
        "",
        "| | |",
        "|---|---:|",
        f"| fuzzed files tried | {torture.files_tried} |",
        f"| faults survived | {torture.faults} |",
        f"| kills | {torture.kills} |",
        "| originals compared with what they were (content, name, time, permissions) | "
        f"{torture.originals_compared} |",
        f"| originals changed | {torture.originals_changed} |",
        f"| promises broken | {len(torture.failures)} |",
        "",
        "Held: cases that kept every promise named in DEVELOPERS.md under "
        "\"What is promised and how it is tested\".",
        "",
        "| section | what | tried | held | |",
        "|---|---|---:|---:|---|",
        *(f"| {row.section} | {row.what} | {row.tried} | {row.held} | {row.note} |" for row in torture.rows),
        "",
    ]  # fmt: skip
    if torture.left_out:
        lines += ["Left out on this machine:", "", *(f"- {line}" for line in torture.left_out), ""]
    if torture.failures:
        lines += ["Broken:", "", *(f"- {' '.join(line.split())[:600]}" for line in torture.failures), ""]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
