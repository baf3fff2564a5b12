"""A folder scanned again: the same answer as a first scan's, and only what is new is read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from scan.camera_files import jpeg, raw
from windstill.run import codec
from windstill.scan import ReadBefore, scan_again, scan_shoot
from windstill.settings import ScanSettings

S = ScanSettings()


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """Thirty JPEGs and some raws."""
    for number in range(1, 31):
        jpeg(tmp_path / f"TARN{number:04d}.JPG", taken=f"2026:06:11 21:{number:02d}:05")
    for number in (3, 9):
        raw(tmp_path / f"TARN{number:04d}.NEF", taken=f"2026:06:11 21:{number:02d}:05")
    (tmp_path / "TARN0040.JPG").write_bytes(b"copied badly")
    return tmp_path


def read_bytes() -> int:
    """Bytes this process has read so far."""
    told = Path("/proc/self/io")
    if not told.exists():
        pytest.skip("the system does not say how much was read")
    return int(dict(line.split(": ") for line in told.read_text().splitlines())["rchar"])


def test_only_what_is_new_is_read(card: Path) -> None:
    start = read_bytes()
    _, before = scan_again(card, S, ReadBefore())
    first = read_bytes() - start
    before = codec.loads(codec.dumps(before), ReadBefore)  # as it is kept between runs
    jpeg(card / "TARN0031.JPG", taken="2026:06:11 21:31:05")
    start = read_bytes()
    shoot, after = scan_again(card, S, before)
    assert read_bytes() - start < first / 8
    assert shoot == scan_shoot(card)
    assert len(after.photos) == len(before.photos) + 1
    assert [problem.file for problem in shoot.problems] == ["TARN0040.JPG"]


def test_what_was_written_anew_or_taken_away_is_noticed(card: Path) -> None:
    _, before = scan_again(card, S, ReadBefore())
    jpeg(card / "TARN0002.JPG", taken="2026:06:12 05:00:00")
    os.utime(card / "TARN0002.JPG", ns=(1, 2))
    (card / "TARN0005.JPG").unlink()
    (card / "TARN0006.JPG").rename(card / "TARN0077.JPG")
    (card / "TARN0009.NEF").write_bytes(b"II*\0 cut off")
    shoot, _ = scan_again(card, S, before)
    assert shoot == scan_shoot(card)
    names = [frame.name for frame in shoot.frames]
    assert names[-1] == "TARN0002"
    assert "TARN0005" not in names and "TARN0006" not in names and "TARN0077" in names
    assert {problem.file for problem in shoot.problems} == {"TARN0009.NEF", "TARN0040.JPG"}
