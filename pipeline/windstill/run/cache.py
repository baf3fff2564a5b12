"""Results kept between runs: one SQLite file in WAL mode, shared by any number of runs, safe to delete.

Every entry is written in one transaction, so a run that is killed leaves whole entries or none. An entry that
cannot be read back counts as absent.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import platformdirs
import psutil

from windstill.records import ShootFile

_FILE = "measures.sqlite"
_BUSY_S = 30.0
_TRIM_TO = 0.9  # trimmed a little below the limit, so that not every run trims
_PAGE_BYTES = 32_768  # entries are some 300 kB: SQLite's own 4 kB cost twice the time
_CHUNK = 500  # keys per query; SQLite's default limit of parameters is larger
_SCHEMA = """
CREATE TABLE IF NOT EXISTS entries (key TEXT PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS uses (key TEXT PRIMARY KEY, used_ns INTEGER NOT NULL, bytes INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS files (path BLOB PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
                                  digest TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS files_size ON files (size);
CREATE TABLE IF NOT EXISTS runs (pid INTEGER NOT NULL, started_ns INTEGER NOT NULL);
"""


def default_cache_folder() -> Path:
    """``WINDSTILL_CACHE`` if set, else the folder for this user's caches by the platform's custom."""
    if given := os.environ.get("WINDSTILL_CACHE"):
        return Path(given)
    return Path(platformdirs.user_cache_dir("windstill", appauthor=False))


class Cache:
    """Bytes by key. Opened by one process; workers never see it.

    Parameters
    ----------
    folder : Path, optional
        Where the file lies; created when missing. None keeps everything in memory for this run only.
    limit_mb : int
        Trimmed to this when closed, least recently used first; entries that a running review has used stay.

    Attributes
    ----------
    trouble : str
        Why results are not being kept, in one line; empty when all is well.
    """

    def __init__(self, folder: Path | None, limit_mb: int) -> None:
        self._limit = limit_mb * 1_000_000
        self._overflow: dict[str, bytes] = {}
        self._full = False
        self.trouble = ""
        self._started_ns = time.time_ns()
        self._db = self._open(folder) if folder is not None else None

    def __enter__(self) -> Cache:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def _open(self, folder: Path) -> sqlite3.Connection | None:
        path = folder / _FILE
        for attempt in (1, 2):
            try:
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                return self._connect(path)
            except sqlite3.OperationalError as err:
                self.trouble = f"{path}: cannot be opened ({err}); this run remembers nothing for the next"
                return None
            except sqlite3.DatabaseError as err:
                # Not a database any more (a failing disk, a half copied folder): nothing in it is worth a repair.
                self.trouble = f"{path}: damaged ({err}); this run remembers nothing for the next"
                if attempt == 1:
                    _remove(path)
            except OSError as err:
                self.trouble = f"{folder}: {err.strerror}; this run remembers nothing for the next"
                return None
        return None

    def _connect(self, path: Path) -> sqlite3.Connection:
        db = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        try:
            db.execute(f"PRAGMA page_size={_PAGE_BYTES}")
            db.execute("PRAGMA auto_vacuum=INCREMENTAL")
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=NORMAL")
            db.executescript(_SCHEMA)
            db.execute("INSERT INTO runs VALUES (?, ?)", (os.getpid(), self._started_ns))
        except BaseException:
            db.close()
            raise
        self.trouble = ""
        return db

    def present(self, keys: Iterable[str]) -> set[str]:
        """Which of these keys have an entry; marks them as used by this run."""
        wanted = list(dict.fromkeys(keys))
        found = {key for key in wanted if key in self._overflow}
        for at in range(0, len(wanted), _CHUNK):
            part = wanted[at : at + _CHUNK]
            marks = ",".join("?" * len(part))
            found.update(str(row[0]) for row in self._read(f"SELECT key FROM uses WHERE key IN ({marks})", part))
            self._write([(f"UPDATE uses SET used_ns = ? WHERE key IN ({marks})", [(time.time_ns(), *part)])])
        return found

    def get(self, key: str) -> bytes | None:
        """The bytes of an entry, or None."""
        if key in self._overflow:
            return self._overflow[key]
        rows = self._read("SELECT data FROM entries WHERE key = ?", (key,))
        return bytes(rows[0][0]) if rows else None

    def put(self, key: str, data: bytes) -> None:
        """Keep bytes under a key, replacing what was there."""
        kept = self._write(
            [
                ("INSERT OR REPLACE INTO entries VALUES (?, ?)", [(key, data)]),
                ("INSERT OR REPLACE INTO uses VALUES (?, ?, ?)", [(key, time.time_ns(), len(data))]),
            ]
        )
        if not kept:
            self._overflow[key] = data

    def forget(self, key: str) -> None:
        """Drop an entry."""
        self._overflow.pop(key, None)
        self._write([(f"DELETE FROM {table} WHERE key = ?", [(key,)]) for table in ("entries", "uses")])

    def digest_of(self, path: Path, file: ShootFile) -> str | None:
        """Content hash of a file as this cache knows it, if its size and time are still the same."""
        rows = self._read(
            "SELECT digest FROM files WHERE path = ? AND size = ? AND mtime_ns = ?",
            (os.fsencode(path), file.size_bytes, _time(file)),
        )
        return str(rows[0][0]) if rows else None

    def knows_size(self, size_bytes: int) -> bool:
        """Whether any file of this size has been seen: only then can hashing a new file save its decoding."""
        return bool(self._read("SELECT 1 FROM files WHERE size = ? LIMIT 1", (size_bytes,)))

    def note_digests(self, found: Sequence[tuple[Path, ShootFile, str]]) -> None:
        """Remember content hashes."""
        rows = [(os.fsencode(path), file.size_bytes, _time(file), digest) for path, file, digest in found]
        self._write([("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)", rows)])

    def size_bytes(self) -> int:
        """Bytes of all entries."""
        rows = self._read("SELECT coalesce(sum(bytes), 0) FROM uses", ())
        return int(rows[0][0]) if rows else 0

    def close(self) -> None:
        """Trim to the limit and close; never raises."""
        if self._db is None:
            return
        self._write([("DELETE FROM runs WHERE pid = ? AND started_ns = ?", [(os.getpid(), self._started_ns)])])
        with suppress(sqlite3.Error):
            self._trim()
        with suppress(sqlite3.Error):
            self._db.close()
        self._db = None

    def _read(self, query: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        if self._db is None:
            return []
        try:
            return self._db.execute(query, values).fetchall()
        except sqlite3.Error as err:
            self.trouble = f"kept results cannot be read ({err}); delete the cache folder and run again"
            return []

    def _write(self, steps: Sequence[tuple[str, Sequence[tuple[Any, ...]]]]) -> bool:
        """Run statements in one transaction; False when nothing was written, now or since an earlier failure."""
        if self._db is None or self._full:
            return False
        try:
            self._db.execute("BEGIN IMMEDIATE")
            for statement, rows in steps:
                self._db.executemany(statement, rows)
            self._db.execute("COMMIT")
        except sqlite3.Error as err:
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            # What is kept already can still be read; the rest of this run stays in memory.
            self._full = True
            self.trouble = f"results cannot be kept for the next run ({err}); free some space or give another --cache"
            return False
        return True

    def _trim(self) -> None:
        excess = self.size_bytes() - self._limit
        if excess <= 0 or self._db is None:
            return
        excess += int(self._limit * (1 - _TRIM_TO))
        gone = []
        for key, size in self._read(
            "SELECT key, bytes FROM uses WHERE used_ns < ? ORDER BY used_ns", (self._oldest_live_run_ns(),)
        ):
            if excess <= 0:
                break
            gone.append((key,))
            excess -= size
        self._write([("DELETE FROM entries WHERE key = ?", gone), ("DELETE FROM uses WHERE key = ?", gone)])
        self._db.executescript("PRAGMA incremental_vacuum")  # `execute` would give back one page only
        self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def _oldest_live_run_ns(self) -> int:
        """Start of the oldest review still running; rows of killed ones are swept."""
        oldest = time.time_ns() + 1
        for pid, started_ns in self._read("SELECT pid, started_ns FROM runs", ()):
            if psutil.pid_exists(pid):
                oldest = min(oldest, started_ns)
            else:
                self._write([("DELETE FROM runs WHERE pid = ? AND started_ns = ?", [(pid, started_ns)])])
        return oldest


def _time(file: ShootFile) -> int:
    """A file's time as the database takes it: 64 bits, which those from the year 2262 on wrap around."""
    return (file.mtime_ns + 2**63) % 2**64 - 2**63


def _remove(path: Path) -> None:
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        with suppress(OSError):
            path.with_name(name).unlink()
