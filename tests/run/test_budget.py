"""Fewer workers where memory is small or frames are large; planes bounded by the disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from windstill.records import Frame, ShootFile
from windstill.run.budget import cores, scratch_bytes, workers_for
from windstill.run.scratch import load_plane, make_scratch, plane_path, remove_scratch, store_plane
from windstill.settings import RunSettings


def frames(width_px: int, height_px: int) -> list[Frame]:
    return [Frame("a", (ShootFile("a.jpg", "image", 1, 1),), "a.jpg", width_px, height_px)]


def test_as_many_workers_as_asked_for_when_memory_allows() -> None:
    assert workers_for(frames(6000, 4000), RunSettings(workers=3, memory_mb=20_000)) == 3
    assert workers_for(frames(600, 400), RunSettings(memory_mb=100_000)) == cores()


def test_large_frames_in_little_memory_are_read_by_fewer_workers() -> None:
    settings = RunSettings(workers=8, memory_mb=1500)
    small, large, huge = (workers_for(frames(*size), settings) for size in ((3000, 2000), (6000, 4000), (11600, 8700)))
    assert 8 > small > large > huge
    assert huge == 1
    assert large >= 2  # two workers at 24 megapixels fit the stated budget


def test_an_unknown_size_is_taken_for_a_usual_one() -> None:
    settings = RunSettings(workers=8, memory_mb=1500)
    assert workers_for(frames(0, 0), settings) == workers_for(frames(6000, 4000), settings)


def test_planes_never_take_more_than_half_of_the_free_disk(tmp_path: Path) -> None:
    assert scratch_bytes(tmp_path, RunSettings(scratch_mb=7)) == 7_000_000
    assert scratch_bytes(tmp_path, RunSettings(scratch_mb=10**9)) < 10**15
    assert scratch_bytes(tmp_path / "none", RunSettings()) == 0


def test_a_folder_left_behind_is_swept_and_a_living_one_is_not(tmp_path: Path) -> None:
    living = make_scratch(tmp_path)
    dead = tmp_path / "planes-dead"
    dead.mkdir()
    (dead / "owner").write_text("999999999")
    other = make_scratch(tmp_path)
    assert living.is_dir()
    assert not dead.exists()
    remove_scratch(other)
    assert not other.exists()


def test_a_plane_reads_back_and_a_damaged_one_does_not(tmp_path: Path) -> None:
    plane = np.arange(600, dtype=np.uint8).reshape(20, 30)
    name = "100CLIFF/\udce9;x" + "y" * 4000
    assert store_plane(tmp_path, name, plane) == 600
    found = load_plane(tmp_path, name)
    assert found is not None
    assert (found == plane).all()
    del found
    plane_path(tmp_path, name).write_bytes(b"half")
    assert load_plane(tmp_path, name) is None
    assert store_plane(tmp_path / "none", name, plane) == 0
