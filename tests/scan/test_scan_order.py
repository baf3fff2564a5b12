"""Frames come in capture order: by time, by counter where times tie, by name where there are none."""

from __future__ import annotations

from pathlib import Path

from scan.camera_files import bare, jpeg
from windstill.scan import scan_shoot


def order(root: Path) -> list[str]:
    return [frame.name for frame in scan_shoot(root).frames]


def test_time_rules_over_names(tmp_path: Path) -> None:
    for name, second in (("ZULU0001", 1), ("ALFA0002", 2), ("MIKE0003", 3)):
        jpeg(tmp_path / f"{name}.JPG", taken=f"2026:06:11 21:14:0{second}")
    assert order(tmp_path) == ["ZULU0001", "ALFA0002", "MIKE0003"]


def test_fractions_order_a_burst(tmp_path: Path) -> None:
    for number, digits in ((3, "05"), (1, "31"), (2, "62")):
        jpeg(tmp_path / f"TARN000{number}.JPG", subsec=digits)
    assert order(tmp_path) == ["TARN0003", "TARN0001", "TARN0002"]


def test_whole_seconds_are_ordered_by_counter_even_where_it_rolls_over(tmp_path: Path) -> None:
    for number in (9998, 9999, 1, 2):
        jpeg(tmp_path / f"101FELLS/TARN{number:04d}.JPG")
    assert order(tmp_path) == [f"101FELLS/TARN{number:04d}" for number in (9998, 9999, 1, 2)]


def test_counter_rolls_over_into_the_next_folder(tmp_path: Path) -> None:
    for folder, number in (("100FELLS", 9998), ("100FELLS", 9999), ("101FELLS", 1), ("101FELLS", 2)):
        jpeg(tmp_path / f"{folder}/TARN{number:04d}.JPG")
    assert order(tmp_path) == ["100FELLS/TARN9998", "100FELLS/TARN9999", "101FELLS/TARN0001", "101FELLS/TARN0002"]


def test_counter_without_any_times(tmp_path: Path) -> None:
    for number in (9998, 9999, 1, 2):
        jpeg(tmp_path / f"TARN{number:04d}.JPG", taken=None)
    assert order(tmp_path) == ["TARN9998", "TARN9999", "TARN0001", "TARN0002"]


def test_skipped_numbers_are_no_roll_over(tmp_path: Path) -> None:
    for number in (12, 9000, 9001):
        jpeg(tmp_path / f"TARN{number:04d}.JPG", taken=None)
    assert order(tmp_path) == ["TARN0012", "TARN9000", "TARN9001"]


def test_two_bodies_interleave_by_their_own_clocks_and_none_is_lost(tmp_path: Path) -> None:
    for number in range(4):
        jpeg(tmp_path / f"A/TARN000{number + 1}.JPG", serial="11", taken=f"2026:06:11 21:14:0{2 * number}")
        jpeg(tmp_path / f"B/TARN000{number + 1}.JPG", serial="22", taken=f"2026:06:11 21:14:0{2 * number + 1}")
    names = order(tmp_path)
    assert names == [f"{'AB'[at % 2]}/TARN000{at // 2 + 1}" for at in range(8)]


def test_times_with_zones_are_ordered_by_the_moment_not_the_dial(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG", taken="2026:06:11 21:00:00", offset="+00:00", serial="11")
    jpeg(tmp_path / "TARN0002.JPG", taken="2026:06:11 21:30:00", offset="+01:00", serial="22")
    assert order(tmp_path) == ["TARN0002", "TARN0001"]


def test_one_missing_zone_leaves_the_dials_to_decide(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG", taken="2026:06:11 21:00:00", serial="11")
    jpeg(tmp_path / "TARN0002.JPG", taken="2026:06:11 21:30:00", offset="+01:00", serial="22")
    assert order(tmp_path) == ["TARN0001", "TARN0002"]


def test_scans_follow_their_names_with_numbers_as_numbers(tmp_path: Path) -> None:
    for number in (1, 2, 10, 11, 100):
        bare(tmp_path / f"no {number}.png")
    assert order(tmp_path) == [f"no {number}" for number in (1, 2, 10, 11, 100)]


def test_frame_without_a_time_stands_where_its_name_does(tmp_path: Path) -> None:
    for number, second in ((1, 1), (2, 2), (4, 4)):
        jpeg(tmp_path / f"TARN000{number}.JPG", taken=f"2026:06:11 21:14:0{second}")
    jpeg(tmp_path / "TARN0003.JPG", taken="0000:00:00 00:00:00")
    assert order(tmp_path) == [f"TARN000{number}" for number in (1, 2, 3, 4)]
    assert scan_shoot(tmp_path).frames[2].camera.captured_at is None


def test_order_does_not_depend_on_the_order_of_the_directory(tmp_path: Path) -> None:
    numbers = [5, 1, 4, 2, 3]
    for root, listed in ((tmp_path / "a", numbers), (tmp_path / "b", sorted(numbers))):
        for number in listed:
            jpeg(root / f"TARN000{number}.JPG", seed=number)
    assert order(tmp_path / "a") == order(tmp_path / "b")
