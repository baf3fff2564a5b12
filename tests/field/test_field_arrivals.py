"""When a file counts as complete, on real files and a clock of the test's own."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from windstill.field.arrivals import Arrivals, listing
from windstill.settings import ScanSettings

S = ScanSettings()


def test_a_file_must_stand_still(tmp_path: Path) -> None:
    path = tmp_path / "THFT0001.JPG"
    arrivals = Arrivals(1.0)
    path.write_bytes(b"half")
    arrivals.look(listing(tmp_path, S), 10.0)
    assert not arrivals.still("THFT0001.JPG", 10.9)
    path.write_bytes(b"half and more")
    arrivals.look(listing(tmp_path, S), 10.9)
    assert not arrivals.still("THFT0001.JPG", 11.5)
    arrivals.look(listing(tmp_path, S), 11.9)
    assert arrivals.still("THFT0001.JPG", 11.9)
    # The same size, another time: a program that sets the size first and fills it later.
    os.utime(path, ns=(1, 1))
    arrivals.look(listing(tmp_path, S), 12.0)
    assert not arrivals.still("THFT0001.JPG", 12.5)
    assert arrivals.quiet_s(14.0) == pytest.approx(2.0)


def test_what_was_there_and_what_is_no_photograph(tmp_path: Path) -> None:
    (tmp_path / "DCIM").mkdir()
    (tmp_path / "DCIM" / "a.jpg").write_bytes(b"x")
    (tmp_path / "DCIM" / "a.jpg.part").write_bytes(b"x")
    (tmp_path / "notes.txt").write_bytes(b"tide 21:40")
    arrivals = Arrivals(5.0)
    arrivals.look(listing(tmp_path, S), 100.0, settled=True)
    assert [path for path, _ in arrivals.all_still(100.0)] == ["DCIM/a.jpg"]
    (tmp_path / "DCIM" / "a.jpg").unlink()
    arrivals.look(listing(tmp_path, S), 101.0)
    assert not arrivals.still("DCIM/a.jpg", 200.0)


def test_a_folder_that_is_gone(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        listing(tmp_path / "card", S)
