"""The photographer has the last word."""

from __future__ import annotations

from pathlib import Path

import pytest

from group.light_shoots import FOCUS, Camera, Look
from windstill.group import Overrides, OverridesError, group_frames, load_overrides
from windstill.records import Grouping, encode_name
from windstill.settings import GroupSettings


@pytest.fixture(scope="module")
def camera() -> Camera:
    shooting = Camera()
    shooting.stack(Look(51), FOCUS, "stack")
    shooting.wait(60)
    shooting.bracket(Look(52), (0, -2, 2), "bracket")
    shooting.wait(15)
    shooting.bracket(Look(52), (0, -2, 2), "again")
    return shooting


def regrouped(camera: Camera, tmp_path: Path, text: str) -> Grouping:
    path = tmp_path / "sets.toml"
    path.write_text(text, "utf-8")
    return group_frames(camera.frames, camera.scores, GroupSettings(), load_overrides(path))


def tops(grouping: Grouping) -> list[tuple[str, list[str]]]:
    return [(s.kind, [n[-2:] for n in s.frames]) for s in grouping.top_level()]


FIRST = [f"{k:02d}" for k in range(1, 7)]


def test_without_the_file_nothing_changes(camera: Camera, tmp_path: Path) -> None:
    assert load_overrides(tmp_path / "sets.toml") == Overrides()
    plain = group_frames(camera.frames, camera.scores, GroupSettings())
    assert tops(plain) == [("stack", FIRST), ("bracket", ["07", "08", "09"]), ("bracket", ["10", "11", "12"])]
    assert group_frames(camera.frames, camera.scores, GroupSettings(), Overrides()) == plain


def test_a_split_begins_a_set(camera: Camera, tmp_path: Path) -> None:
    grouping = regrouped(camera, tmp_path, '[[split]]\nbefore = "101CLIFF/THRF0004"\n')
    assert tops(grouping)[:2] == [("stack", ["01", "02", "03"]), ("stack", ["04", "05", "06"])]
    assert [(s.scene, s.take) for s in grouping.top_level()][:2] == [(1, 1), (1, 2)]
    assert tops(grouping)[2:] == [("bracket", ["07", "08", "09"]), ("bracket", ["10", "11", "12"])]


def test_a_join_makes_one_set_of_several(camera: Camera, tmp_path: Path) -> None:
    grouping = regrouped(
        camera, tmp_path,
        '[[join]]\nframes = ["101CLIFF/THRF0007", "101CLIFF/THRF0010"]\nkind = "stack"\n',
    )
    assert tops(grouping) == [("stack", FIRST), ("stack", ["07", "08", "09", "10", "11", "12"])]
    joined = list(grouping.top_level())[1]
    assert [c.kind for c in grouping.children(joined.set_id)] == ["bracket", "bracket"]
    assert grouping.placements["101CLIFF/THRF0010"].focus_index == 2


def test_a_pin_takes_exactly_its_frames(camera: Camera, tmp_path: Path) -> None:
    grouping = regrouped(
        camera, tmp_path,
        '[[pin]]\nfirst = "101CLIFF/THRF0002"\nlast = "101CLIFF/THRF0004"\nkind = "burst"\n'
        '[[pin]]\nframes = ["101CLIFF/THRF0009"]\n',
    )
    found = {kind: names for kind, names in tops(grouping) if kind in ("burst", "single", "stack")}
    assert found["burst"] == ["02", "03", "04"]
    assert found["single"] == ["09"]
    assert found["stack"] == ["01", "05", "06"]
    assert ("bracket", ["07", "08"]) in tops(grouping)


@pytest.mark.parametrize("entry", ["pin", "join"])
def test_one_set_called_another_kind_is_that_kind_of_its_frames(camera: Camera, tmp_path: Path, entry: str) -> None:
    """Not a burst of one stack."""
    grouping = regrouped(
        camera, tmp_path,
        f'[[{entry}]]\nfirst = "101CLIFF/THRF0001"\nlast = "101CLIFF/THRF0006"\nkind = "burst"\n',
    )
    first = next(iter(grouping.top_level()))
    assert (first.kind, first.members) == ("burst", first.frames)
    assert [n[-2:] for n in first.frames] == FIRST
    assert not list(grouping.children(first.set_id))


@pytest.mark.parametrize("entry", ["pin", "join"])
def test_a_range_from_or_to_a_frame_that_is_not_there_changes_nothing(
    camera: Camera, tmp_path: Path, entry: str
) -> None:
    said = f'[[{entry}]]\nfirst = "101CLIFF/THRF0002"\nlast = "101CLIFF/THRF0099"\nkind = "burst"\n'
    assert tops(regrouped(camera, tmp_path, said)) == tops(regrouped(camera, tmp_path, ""))


def test_a_gap_of_ones_own(camera: Camera, tmp_path: Path) -> None:
    assert load_overrides(_written(tmp_path, "gap_s = 0.3\n")).gap_s == 0.3
    grouping = regrouped(camera, tmp_path, "gap_s = 0.3\n")
    assert len(tops(grouping)) > 3


def test_names_are_written_as_in_the_tables(tmp_path: Path) -> None:
    name = "strand; dusk/=pier%>1"
    loaded = load_overrides(_written(tmp_path, f'[[split]]\nbefore = "{encode_name(name)}"\n'))
    assert loaded.splits == (name,)


def test_names_of_no_frame_are_reported_and_passed_over(camera: Camera, tmp_path: Path) -> None:
    text = '[[split]]\nbefore = "101CLIFF/THRF9000"\n[[pin]]\nframes = ["101CLIFF/THRF0001", "x"]\n'
    loaded = load_overrides(_written(tmp_path, text))
    assert loaded.unknown(camera.frames) == ("x", "101CLIFF/THRF9000")
    assert tops(regrouped(camera, tmp_path, text))[0] == ("single", ["01"])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("gap_s = ", "not valid TOML"),
        ("gap_s = -3", "gap_s"),
        ("gap_s = true", "gap_s"),
        ("gap = 3", "unknown entry"),
        ("pin = 3", "[[pin]]"),
        ('[[pin]]\nframes = "a"', "list"),
        ("[[pin]]\nframes = []", "list"),
        ('[[pin]]\nframes = [3]', "no frame name"),
        ('[[pin]]\nframes = ["a"]\nkind = "pile"', "pile"),
        ('[[pin]]\nframes = ["a", "b"]\nkind = "single"', "single"),
        ('[[pin]]\nfirst = "a"\nlast = "b"\nkind = "single"', "no single"),
        ('[[join]]\nframes = ["a", "b"]\nkind = "single"', "no single"),
        ('[[pin]]\nfirst = "a"', "first and last"),
        ('[[pin]]\nframes = ["a"]\nfirst = "a"', "either frames, or first and last"),
        ('[[pin]]\nframes = ["a"]\nfirst = "a"', "either frames, or first and last"),
        ('[[pin]]\nframes = ["a"]\n[[pin]]\nframes = ["a"]', "already"),
        ('[[split]]\nafter = "a"', "before"),
        ('[[join]]\nframes = ["a"]\nwhy = "x"', "unknown entry 'why'"),
        ('[[split]]\nbefore = "../../etc/passwd"', "leads out"),
        ('[[split]]\nbefore = "/etc/passwd"', "leads out"),
        ('[[split]]\nbefore = "a/%2E%2E/b"', "leads out"),
    ],
)
def test_mistakes_are_one_clear_line(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(OverridesError) as caught:
        load_overrides(_written(tmp_path, text))
    message = str(caught.value)
    assert "\n" not in message
    assert "sets.toml" in message
    assert says in message


def test_a_frame_in_two_pins_is_one_clear_line_even_where_one_is_a_range(camera: Camera, tmp_path: Path) -> None:
    text = (
        '[[pin]]\nframes = ["101CLIFF/THRF0001", "101CLIFF/THRF0003"]\n'
        '[[pin]]\nfirst = "101CLIFF/THRF0002"\nlast = "101CLIFF/THRF0004"\n'
    )
    with pytest.raises(OverridesError, match=r"sets\.toml: the pin .*0002.*0004: 101CLIFF/THRF0003 is in another pin"):
        regrouped(camera, tmp_path, text)


def test_a_file_that_is_no_text_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "sets.toml"
    path.write_bytes(b"\xff\xfe\x00gap")
    with pytest.raises(OverridesError, match=r"sets\.toml: cannot be read"):
        load_overrides(path)


def _written(folder: Path, text: str) -> Path:
    path = folder / "sets.toml"
    path.write_text(text, "utf-8")
    return path
