"""File names that hope to be read as something else: text, options, formulas, code, other paths."""

from __future__ import annotations

import csv
import os
from datetime import timedelta
from pathlib import Path

import piexif
from reliability_base import DUSK, TABLES, Torture, cliff, ended, one_line, state, windstill, write_frame

from windstill.records import decode_name

SECTION = "names"
SCRIPT = "<script>alert(1)</script>"
NAMES: dict[str, tuple[str, ...]] = {
    "line breaks and control characters": ("two\nlines.JPG", "carriage\rreturn.JPG", "tab\tbell\x07esc\x1b[2J.JPG"),
    "bytes that are no text": (os.fsdecode(b"caf\xe9.JPG"), os.fsdecode(b"\xff\xfe\x80.JPG")),
    "emoji, combining and right-to-left characters": ("thrift \U0001f33a\ufe0f.JPG", "e\u0301te\u0301.JPG",
                                                      "\u202egpj.exe.JPG"),
    "255 bytes": ("l" * 251 + ".JPG", "\u6d77" * 83 + "xx.JPG"),
    "alike but for case": ("Thrift.JPG", "THRIFT.JPG", "thrift.jpg"),
    "like options": ("--out.JPG", "-rf.JPG", "--.JPG"),
    "like formulas": ("=1+1.JPG", "@SUM(A1).JPG", "+cmd|' !A0.JPG", "'=1.JPG"),
    "quotes, separators and wildcards": ('a"b.JPG', "a;b>c,d.JPG", "a'b`c$(d)&e|f.JPG", "*.JPG", "100%25.JPG", "~.JPG"),
    "like code": ("<script>alert(2)<.JPG", '" onerror="alert(3).JPG', "<img src=x onerror=alert(4)>.JPG",
                  "{{7*7}}.JPG"),
    "like other paths": ("up...JPG", "x..JPG", "C:\\con.JPG", "nul.JPG", "x..\\..\\up.JPG"),
}  # fmt: skip


def torture_names(torture: Torture) -> None:
    """Review, gather and open in a browser what carries such names."""
    base = torture.folder("names")
    shoot = base / "-- =shoot\n\U0001f33a"
    held_by = {}
    for number, (what, names) in enumerate(NAMES.items()):
        for index, name in enumerate(names):
            folder = shoot / f"{number:02d}{'<b>' if number % 2 else ''}"
            write_frame(folder / name, cliff(number, 240, 160), DUSK + timedelta(minutes=7 * number, seconds=index))
            _lens(folder / name)
            held_by[str((folder / name).relative_to(shoot))] = what
    deep = _deep(shoot)
    held_by[str(deep.relative_to(shoot))] = "a path of nearly 4,000 characters"
    before = state(shoot)
    done = windstill("review", shoot, "--out", base / "out", cache=base / "cache")
    whole = torture.check("review of odd names", ended(done.returncode, 0), _clean(done.stderr + done.stdout))
    if not whole:
        return
    frames, found = _frames(base / "out")
    formulas = _formulas(base / "out")
    for what in dict.fromkeys(held_by.values()):
        mine = [name for name, of in held_by.items() if of == what]
        held = sum(torture.check(repr(name), "" if name in found else "no frame, or its name does not read back")
                   for name in mine)  # fmt: skip
        torture.row(SECTION, what, len(mine), held)
    safe = torture.check("cells", *formulas)
    torture.row(SECTION, "rows without a cell a spreadsheet would compute", frames, frames if safe else 0)
    _gathered(torture, base, shoot, len(held_by))
    torture.check("odd names", torture.untouched(before, shoot))
    bad = windstill("review", base / "none\n<b>", "--out", base / "elsewhere", cache=base / "cache")
    held = torture.check("a folder that is not there", ended(bad.returncode, 2), one_line(bad.stderr, "no such folder"))
    torture.row(SECTION, "an odd name in an error line", 1, int(held))
    _in_browser(torture, base / "out" / "report.html")


def _lens(path: Path) -> None:
    data = piexif.load(str(path))
    data["Exif"][0xA434] = SCRIPT.encode()
    data["0th"][0x0110] = b'"><img src=x onerror=alert(5)>'
    piexif.insert(piexif.dump(data), str(path))


def _deep(shoot: Path) -> Path:
    folder = shoot
    while len(os.fsencode(folder)) < 3_700:
        folder = folder / ("deep" * 50)
    write_frame(folder / "THRF9001.JPG", cliff(90, 240, 160), DUSK + timedelta(hours=9))
    return folder / "THRF9001.JPG"


def _clean(said: str) -> str:
    if "Traceback" in said:
        return f"a traceback: {said[-400:]!r}"
    steering = [c for c in said if not c.isprintable() and c != "\n"]
    return f"control characters on the screen: {steering[:5]!r}" if steering else ""


def _frames(out: Path) -> tuple[int, set[str]]:
    with (out / "frames.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return len(rows), {decode_name(name) for row in rows for name in row["files"].split(";")}


def _formulas(out: Path) -> list[str]:
    found = []
    for table in TABLES:
        if table.endswith(".csv"):
            with (out / table).open(encoding="utf-8", newline="") as file:
                for row in csv.reader(file):
                    found += [f"{table}: {cell[:40]!r}" for cell in row if _computes(cell)]
    return found


def _computes(cell: str) -> bool:
    if not cell.startswith(("=", "+", "-", "@", "\t", "\r")):
        return False
    try:
        float(cell.split(";")[0])
    except ValueError:
        return True
    return False


def _gathered(torture: Torture, base: Path, shoot: Path, expected: int) -> None:
    outside = state(base / "out")
    done = windstill("gather", base / "out", base / "keepers", cwd=base, cache=base / "cache")
    files = [path for path in (base / "keepers").rglob("*") if path.is_file() and not path.name.startswith("gathered")]
    strays = [path.name for path in base.iterdir() if path.name not in {shoot.name, "out", "cache", "keepers"}]
    held = torture.check(
        "gather of odd names", ended(done.returncode, 0), _clean(done.stderr + done.stdout),
        "" if files else "nothing gathered", f"escaped: {strays}" if strays else "",
        "" if state(base / "out").items() >= outside.items() else "the review was changed",
        "" if all(len(os.fsencode(path.name)) <= 255 for path in files) else "a name too long",
    )  # fmt: skip
    torture.row(SECTION, "gathered, all inside their folder", 1, int(held), f"{len(files)} files of {expected}")


def _in_browser(torture: Torture, report: Path) -> None:
    try:
        from report.browsing import Visit, opened_browser

        with opened_browser() as browser:
            seen = Visit(browser, report)
            seen.page.wait_for_timeout(500)
            text = seen.page.inner_text("body")
            injected = seen.page.locator("article img[src=x], script:not(head script):has-text('alert')").count()
            held = torture.check(
                "report in a browser", f"complaints: {seen.complaints[:3]}" if seen.complaints else "",
                "elements made of names" if injected else "",
                "" if "<script>alert(2)<" in text else "names are not shown as they are",
            )  # fmt: skip
            seen.close()
    except BaseException as err:  # pytest's own way of skipping is no Exception
        if type(err).__name__ != "Skipped":
            raise
        torture.left_out.append(f"names: the report in a browser: {err}")
        return
    torture.row(SECTION, f"a lens called {SCRIPT} in a browser does nothing".replace("<", "&lt;"), 1, int(held))
