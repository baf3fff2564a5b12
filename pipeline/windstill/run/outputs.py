"""Writing what a review found, once, and not again when nothing has changed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import windstill
from windstill.memory import uncollected
from windstill.records import Review
from windstill.run import codec
from windstill.run.cache import Cache
from windstill.run.errors import ReviewError
from windstill.run.keys import key_of, section_values, versions
from windstill.run.ledger import Ledger
from windstill.run.lock import FolderLock
from windstill.run.progress import Progress
from windstill.settings import Settings

RUN_FILE = "run.json"
REPORT_FILE = "report.html"
_PART = re.compile(r"\..+\.(html|csv|parquet|png|jpg|webp|json)\.\d+\.part")
_FILES = ("*.html", "*.csv", "*.parquet", "maps/**/*", "report-pictures/**/*")


@dataclass(frozen=True, slots=True)
class Written:
    """One file we wrote, as it was when we had written it."""

    path: str
    size_bytes: int
    mtime_ns: int


def write(
    review: Review,
    out: Path,
    settings: Settings,
    cache: Cache,
    outcome_key: str,
    ledger: Ledger,
    lock: FolderLock,
    progress: Progress,
    fresh: bool,
) -> None:
    """Write report, tables and maps into `out`, unless they lie there just as this review wrote them before.

    run.json is written every time, last: it tells of this run.

    Raises
    ------
    ReviewError
        The folder is gone, full or cannot be written to.
    """
    from windstill.report.runfile import write_run

    key = key_of("outputs", outcome_key, str(out), section_values(settings.report), versions(("report", "run")))
    progress.stage("report", 0)
    try:
        with ledger.stage("report"):
            if not lock.still_ours():
                raise ReviewError(f"{out}: the folder disappeared during the run; run again, what was measured is kept")
            _remove_parts(out)
            if fresh or not _untouched(cache, key, out):
                with uncollected():
                    from windstill.report import write_report

                write_report(review, out, settings)
                if settings.report.format == "csv":
                    _remove_stale(out)
                cache.put(key, codec.dumps(_present(out)))
        review.run.update(version=windstill.__version__, settings=settings.model_dump(mode="json"))
        review.run.update(ledger.record(len(review.frames)))
        write_run(review, out / RUN_FILE, settings)
    except OSError as err:
        where = err.filename or out
        raise ReviewError(
            f"{where}: cannot be written ({err.strerror}); free some space or give another --out, then run again: "
            "what was measured is kept"
        ) from err


def _remove_stale(out: Path) -> None:
    """Parquet tables of an earlier run would tell another story than the CSV tables beside them."""
    for name in ("frames", "sets", "pairs", "problems"):
        (out / f"{name}.parquet").unlink(missing_ok=True)


def _remove_parts(out: Path) -> None:
    """What a killed run was writing aside; the caller holds the folder's lock."""
    for folder in (out, out / "maps", out / "report-pictures"):
        for part in folder.glob(".*.part"):
            if _PART.fullmatch(part.name) and part.is_file():
                part.unlink(missing_ok=True)


def _untouched(cache: Cache, key: str, out: Path) -> bool:
    data = cache.get(key)
    if data is None:
        return False
    try:
        return codec.loads(data, tuple[Written, ...]) == _present(out)
    except codec.CodecError:
        return False


def _present(out: Path) -> tuple[Written, ...]:
    """The files in `out` that a review writes."""
    found = []
    for path in sorted({path for pattern in _FILES for path in out.glob(pattern)}):
        if path.is_file():
            known = path.stat()
            found.append(Written(path.relative_to(out).as_posix(), known.st_size, known.st_mtime_ns))
    return tuple(found)
