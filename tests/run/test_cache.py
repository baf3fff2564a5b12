"""The cache: shared, bounded, disposable, and never the reason a review fails."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sqlite3
import time
from pathlib import Path

import pytest

from windstill.records import ShootFile
from windstill.run.cache import Cache


def test_what_is_kept_is_there_next_time(tmp_path: Path) -> None:
    with Cache(tmp_path, 10) as cache:
        cache.put("k", b"measured")
        assert cache.present(["k", "other"]) == {"k"}
    with Cache(tmp_path, 10) as cache:
        assert cache.get("k") == b"measured"
        assert cache.get("other") is None


def test_a_file_is_known_by_size_and_time(tmp_path: Path) -> None:
    file = ShootFile("a.jpg", "image", 100, 5)
    with Cache(tmp_path, 10) as cache:
        cache.note_digests([(tmp_path / "a.jpg", file, "abc")])
        assert cache.digest_of(tmp_path / "a.jpg", file) == "abc"
        assert cache.digest_of(tmp_path / "a.jpg", ShootFile("a.jpg", "image", 100, 6)) is None
        assert cache.digest_of(tmp_path / "a.jpg", ShootFile("a.jpg", "image", 101, 5)) is None
        assert cache.knows_size(100)
        assert not cache.knows_size(101)


def test_a_path_that_is_not_text_is_kept(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"caf\xe9.jpg")
    file = ShootFile(path.name, "image", 1, 1)
    with Cache(tmp_path, 10) as cache:
        cache.note_digests([(path, file, "abc")])
        assert cache.digest_of(path, file) == "abc"


def test_the_oldest_entries_go_first_and_the_file_shrinks(tmp_path: Path) -> None:
    for number in range(30):
        with Cache(tmp_path, 1000) as cache:
            cache.put(f"k{number}", bytes(100_000))
    before = (tmp_path / "measures.sqlite").stat().st_size
    with Cache(tmp_path, 1) as cache:
        cache.present(["k3"])  # used again just now
    with Cache(tmp_path, 1) as cache:
        kept = cache.present(f"k{number}" for number in range(30))
        assert cache.size_bytes() <= 1_000_000
    assert "k3" in kept
    assert "k29" in kept
    assert "k0" not in kept
    assert (tmp_path / "measures.sqlite").stat().st_size < before / 2


def test_entries_in_use_by_a_running_review_stay(tmp_path: Path) -> None:
    with Cache(tmp_path, 0) as first:
        first.put("k", bytes(1000))
        with Cache(tmp_path, 0) as second:
            second.put("l", bytes(1000))
        assert first.get("k") == bytes(1000)


def test_a_damaged_file_is_started_anew(tmp_path: Path) -> None:
    (tmp_path / "measures.sqlite").write_bytes(b"this is no database" * 1000)
    with Cache(tmp_path, 10) as cache:
        cache.put("k", b"x")
    with Cache(tmp_path, 10) as cache:
        assert cache.trouble == ""
        assert cache.get("k") == b"x"


def test_without_a_folder_it_remembers_for_this_run_only(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("a file where the folder should be")
    with Cache(blocked / "cache", 10) as cache:
        assert "remembers nothing" in cache.trouble
        cache.put("k", b"x")
        assert cache.get("k") == b"x"
        assert cache.present(["k"]) == {"k"}


def test_deleted_while_open_is_no_error(tmp_path: Path) -> None:
    with Cache(tmp_path, 10) as cache:
        cache.put("k", b"x")
        for path in tmp_path.iterdir():
            path.unlink()
        cache.put("l", b"y")
        assert cache.get("k") == b"x"
        assert cache.get("l") == b"y"


def test_a_full_disk_is_no_error(tmp_path: Path) -> None:
    with Cache(tmp_path, 10) as cache:
        cache.put("k", b"x")
        assert cache._db is not None
        cache._db.execute("PRAGMA max_page_count = 1")  # SQLite then fails as on a full disk
        cache.put("big", bytes(1_000_000))
        assert "free some space" in cache.trouble
        assert cache.get("big") == bytes(1_000_000)
        assert cache.get("k") == b"x"


def _write_forever(folder: Path) -> None:
    with Cache(folder, 100) as cache:
        number = 0
        while True:
            cache.put(f"{os.getpid()}-{number}", bytes(50_000) + str(number).encode())
            number += 1


@pytest.mark.parametrize("delay_s", [0.2, 0.35, 0.5])
def test_killed_at_any_moment_it_holds_whole_entries(tmp_path: Path, delay_s: float) -> None:
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=_write_forever, args=(tmp_path,)) for _ in range(2)]
    for writer in writers:
        writer.start()
    _wait_for(lambda: (tmp_path / "measures.sqlite").exists() and _rows(tmp_path) > 2)
    time.sleep(delay_s)
    for writer in writers:
        assert writer.pid is not None
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
    db = sqlite3.connect(tmp_path / "measures.sqlite")
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    rows = db.execute("SELECT entries.key, length(data), bytes FROM entries JOIN uses USING (key)").fetchall()
    assert len({key.split("-")[0] for key, _, _ in rows}) == 2
    for key, length, size in rows:
        assert length == size == 50_000 + len(key.split("-")[1])
    assert db.execute("SELECT count(*) FROM entries").fetchone() == db.execute("SELECT count(*) FROM uses").fetchone()
    db.close()


def _rows(folder: Path) -> int:
    try:
        db = sqlite3.connect(folder / "measures.sqlite")
        count = db.execute("SELECT count(DISTINCT substr(key, 1, instr(key, '-'))) FROM uses").fetchone()[0]
        db.close()
    except sqlite3.Error:
        return 0
    return 3 if count == 2 else 0


def _wait_for(ready: object, limit_s: float = 20.0) -> None:
    end = time.monotonic() + limit_s
    while not ready():  # type: ignore[operator]
        assert time.monotonic() < end
        time.sleep(0.02)
