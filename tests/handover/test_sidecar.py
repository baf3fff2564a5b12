"""`windstill sidecar`: words added beside the photographs, everything else as it was."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import signal
import subprocess
import time
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from cli.conftest import Here, arguments, environment
from handover.conftest import NAMES, SIDECAR, Reviewed
from windstill.handover.packet import Words, with_words, without_words
from windstill.handover.words import is_ours

DC, RDF, XMP = (
    "{http://purl.org/dc/elements/1.1/}", "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}", "{http://ns.adobe.com/xap/1.0/}",
)  # fmt: skip
OURS = Words(("windstill:outlook:clean", "windstill:set:a~burst", "windstill:keep:yes"), 4.0)
SIDECARS = 13  # one per exposure: raw and JPEG share theirs


def photographs(folder: Path) -> dict[str, tuple[str, int, int]]:
    """Content, time and mode of everything below a folder but sidecars."""
    return {
        str(path.relative_to(folder)): (
            hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns, path.stat().st_mode,
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix != ".xmp"
    }  # fmt: skip


def sidecars(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*.xmp"))}


def keywords(data: bytes) -> list[str]:
    found = ElementTree.fromstring(data).findall(f".//{DC}subject/*/{RDF}li")
    return [item.text or "" for item in found]


def rating(data: bytes) -> str | None:
    root = ElementTree.fromstring(data)
    for description in root.iter(f"{RDF}Description"):
        if f"{XMP}Rating" in description.attrib:
            return description.attrib[f"{XMP}Rating"]
    found = root.find(f".//{XMP}Rating")
    return None if found is None else found.text


def problem_lines(error: str) -> list[str]:
    assert "Traceback" not in error
    return [line for line in error.splitlines() if line.startswith("windstill: ")]


def exiftool(*words: str | Path) -> str:
    if shutil.which("exiftool") is None:
        pytest.skip("the reference reader is not installed")
    return subprocess.run(["exiftool", *words], text=True, capture_output=True, check=True).stdout


def test_nothing_is_written_unless_asked(reviewed: Reviewed, here: Here) -> None:
    photos, before = photographs(reviewed.shoot), sidecars(reviewed.shoot)
    status, said, error = here("sidecar", reviewed.out)
    assert (status, problem_lines(error)) == (0, [])
    assert f"{SIDECARS} sidecars to write (12 new, 1 added to); nothing was written, add --write" in said
    assert "add  100CLIFF/THRF0002.xmp  + windstill:outlook:clean" in said
    assert (photographs(reviewed.shoot), sidecars(reviewed.shoot)) == (photos, before)
    assert "sidecars.json" not in {path.name for path in reviewed.out.iterdir()}


def test_written_read_by_the_reference_reader_and_undone_to_the_byte(reviewed: Reviewed, here: Here) -> None:
    """The reference reader (libimage-exiftool-perl of Debian) validates them and reads the same words."""
    photos, before = photographs(reviewed.shoot), sidecars(reviewed.shoot)
    theirs = reviewed.shoot / "100CLIFF" / "THRF0002.xmp"
    theirs.chmod(0o640)
    status, said, _ = here("sidecar", reviewed.out, "--write")
    assert status == 0
    assert f"{SIDECARS} sidecars written" in said
    written = sidecars(reviewed.shoot)
    assert len(written) == SIDECARS
    assert "100CLIFF/THRF0001.xmp" in written  # raw and JPEG share it
    assert not [name for name in written if ".JPG" in name or ".NEF" in name]
    assert theirs.stat().st_mode & 0o777 == 0o640
    assert keywords(written["100CLIFF/THRF0001.xmp"]) == [
        "windstill:outlook:clean", "windstill:set:100CLIFF/THRF0001~burst", "windstill:keep:yes",
    ]  # fmt: skip
    assert all(rating(data) == ("2" if name == "100CLIFF/THRF0002.xmp" else None) for name, data in written.items())
    assert "already say so" in here("sidecar", reviewed.out, "--write")[1]
    assert sidecars(reviewed.shoot) == written
    assert photographs(reviewed.shoot) == photos
    names = [reviewed.shoot / name for name in written]
    if shutil.which("exiftool") is not None:
        told = json.loads(exiftool("-j", "-a", "-validate", "-warning", "-XMP:all", *names))
        for one, data in zip(told, written.values(), strict=True):
            assert one["Validate"] == "OK", one
            assert one["Subject"] == keywords(data)
        (second,) = [one for one in told if one["SourceFile"] == str(theirs)]
        assert second["Rating"] == 2
        assert second["Notes"] == ["second gully", "mind the weed"]
        assert second["Tide"] == "low"
    assert here("sidecar", reviewed.out, "--undo")[0] == 0
    assert sidecars(reviewed.shoot) == before
    assert photographs(reviewed.shoot) == photos
    assert not (reviewed.out / "sidecars.json").exists()


def test_rating_only_by_the_mapping_stated_and_never_over_another(reviewed: Reviewed, here: Here) -> None:
    given = ("--rating", "clean=3.5", "--set", "handover.rating={clean = 1, lost = -1}")
    assert "windstill:keep:yes  + rating 3.5\n" in here("sidecar", reviewed.out, *given)[1]
    status, said, _ = here("sidecar", reviewed.out, "--write", *given)
    assert status == 0
    assert "nothing to write: 13 sidecars already say so" in here("sidecar", reviewed.out, *given)[1]
    assert "1 rated already, left so" in said
    found = {name: rating(data) for name, data in sidecars(reviewed.shoot).items()}
    swayed = [found.pop(name) for name in list(found) if name.startswith("103CLIFF")]
    assert swayed == [None, None, None]  # not clean, and no other word was given
    assert found.pop("100CLIFF/THRF0002.xmp") == "2"
    assert set(found.values()) == {"3.5"}  # the command line before the settings
    here("sidecar", reviewed.out, "--write", "--rating", "clean=1", "--rating", "keep:yes=5")
    assert {rating(data) for name, data in sidecars(reviewed.shoot).items() if "103" not in name} == {"2", "3.5"}


def test_a_rating_made_in_the_camera_is_there_already(reviewed: Reviewed, here: Here) -> None:
    packet = '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">' \
        '<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{}"/></rdf:RDF></x:xmpmeta>'  # fmt: skip
    for name, stars in zip(NAMES[2], ("5", "0", "-1"), strict=True):
        with Image.open(reviewed.shoot / name) as image:
            image.save(reviewed.shoot / name, xmp=packet.format(stars).encode(), exif=image.info["exif"])
    here("sidecar", reviewed.out, "--write", "--rating", "clean=3")
    found = [rating((reviewed.shoot / name).with_suffix(".xmp").read_bytes()) for name in NAMES[2]]
    assert found == [None, "3", None]


@pytest.mark.parametrize("form", ["THRF0001.JPG.xmp", "THRF0001.NEF.xmp", "THRF0001.XMP"])
def test_the_sidecar_that_is_there_is_followed(form: str, reviewed: Reviewed, here: Here) -> None:
    (reviewed.shoot / "100CLIFF" / form).write_bytes(SIDECAR)
    here("sidecar", reviewed.out, "--write")
    names = {path.name for path in (reviewed.shoot / "100CLIFF").iterdir() if path.name.startswith("THRF0001")}
    assert names == {"THRF0001.JPG", "THRF0001.NEF", form}
    assert len(keywords((reviewed.shoot / "100CLIFF" / form).read_bytes())) == 3


def test_two_exposures_of_one_base_name_do_not_share(reviewed: Reviewed, here: Here) -> None:
    shutil.copy(reviewed.shoot / NAMES[0][2], reviewed.shoot / "102CLIFF" / "THRF0001.TIF")
    table = (reviewed.out / "frames.csv").read_text("utf-8")
    line = next(line for line in table.splitlines() if line.startswith("101CLIFF/Con,"))
    other = line.replace("101CLIFF/Con.JPG", "102CLIFF/THRF0001.TIF")
    (reviewed.out / "frames.csv").write_text(table.replace(line, other), "utf-8")
    here("sidecar", reviewed.out, "--write")
    found = {path.name for path in (reviewed.shoot / "102CLIFF").glob("*.xmp")}
    assert found == {"THRF0001.JPG.xmp", "THRF0001.TIF.xmp"}


def test_words_that_no_longer_hold_are_replaced(reviewed: Reviewed, here: Here) -> None:
    here("sidecar", reviewed.out, "--write")
    table = (reviewed.out / "sets.csv").read_text("utf-8")
    (reviewed.out / "sets.csv").write_text(table.replace(",clean,", ",touch-up,"), "utf-8")
    said = here("sidecar", reviewed.out)[1]
    assert "+ windstill:outlook:touch-up  - windstill:outlook:clean" in said
    here("sidecar", reviewed.out, "--write")
    for name, data in sidecars(reviewed.shoot).items():
        outlook = "hard" if name.startswith("103CLIFF") else "touch-up"
        assert [word for word in keywords(data) if "outlook" in word] == [f"windstill:outlook:{outlook}"]
    here("sidecar", reviewed.out, "--undo")
    assert sidecars(reviewed.shoot) == {"100CLIFF/THRF0002.xmp": SIDECAR}


def test_undo_takes_only_our_words_from_a_sidecar_edited_since(reviewed: Reviewed, here: Here) -> None:
    here("sidecar", reviewed.out, "--write")
    edited = reviewed.shoot / "100CLIFF" / "THRF0001.xmp"
    added = b"<rdf:li>thrift, sea pink</rdf:li></rdf:Bag>"
    edited.write_bytes(edited.read_bytes().replace(b"</rdf:Bag>", added))
    status, _, error = here("sidecar", reviewed.out, "--undo")
    assert status == 1
    (line,) = problem_lines(error)
    assert "THRF0001.xmp: edited since" in line
    assert keywords(edited.read_bytes()) == ["thrift, sea pink"]
    assert set(sidecars(reviewed.shoot)) == {"100CLIFF/THRF0001.xmp", "100CLIFF/THRF0002.xmp"}


def test_undo_says_what_is_gone_or_broken_since(reviewed: Reviewed, here: Here) -> None:
    here("sidecar", reviewed.out, "--write")
    (reviewed.shoot / "100CLIFF" / "THRF0001.xmp").unlink()  # ours alone: nothing to give back
    (reviewed.shoot / "100CLIFF" / "THRF0002.xmp").unlink()
    broken = reviewed.shoot / "100CLIFF" / "THRF0003.xmp"
    broken.write_bytes(b"not XML at all")
    status, _, error = here("sidecar", reviewed.out, "--undo")
    assert status == 1
    gone, odd = sorted(problem_lines(error))
    assert "THRF0002.xmp: is not there any more" in gone
    assert "THRF0003.xmp" in odd and "no XML" in odd
    assert sidecars(reviewed.shoot) == {"100CLIFF/THRF0003.xmp": b"not XML at all"}
    broken.unlink()
    here("sidecar", reviewed.out, "--undo")
    status, _, error = here("sidecar", reviewed.out, "--undo")
    assert status == 1
    assert "nothing to undo" in problem_lines(error)[0]


def test_undo_and_a_second_shoot_wait_for_the_photographs_written_beside(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    before = sidecars(reviewed.shoot)
    here("sidecar", reviewed.out, "--write")
    shutil.copytree(reviewed.shoot, tmp_path / "copy")
    status, _, error = here("sidecar", reviewed.out, "--write", "--shoot", tmp_path / "copy")
    assert status == 1
    assert "undo those first" in problem_lines(error)[0]
    reviewed.shoot.rename(tmp_path / "card-2")
    status, _, error = here("sidecar", reviewed.out, "--undo")
    assert status == 1
    assert "--shoot FOLDER" in problem_lines(error)[0]
    assert here("sidecar", reviewed.out, "--undo", "--shoot", tmp_path / "card-2")[0] == 0
    assert sidecars(tmp_path / "card-2") == before


ENTITY = '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY {}>]><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf=' \
    '"http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""><a>&i;</a></rdf:Description>' \
    "</rdf:RDF></x:xmpmeta>"  # fmt: skip
# Ten to the ninth characters, should anyone expand them.
GROWING = '>\n<!ENTITY '.join(['a "aaaaaaaaaa"', *(f'{b} "{f"&{a};" * 10}"' for a, b in pairwise("abcdefghi"))])


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "no XML"), (b"not XML at all", "no XML"), (SIDECAR[:300], "no XML"), (b"\0" * 4000, "no XML"),
        (SIDECAR.replace(b"rdf:RDF", b"rdf:RFD"), "no XMP"), (b"<x/>", "no XMP"),
        (SIDECAR.replace(b"low tide", b"low") + b"<more/>", "no XML"),
        (ENTITY.format('i SYSTEM "file:///etc/hostname"').encode(), "document type"),
        (ENTITY.format(GROWING).encode(), "document type"),
        (ENTITY.format('i "b"').replace('version="1.0"', 'version="1.0" encoding="UTF-16"').encode("utf-16"),
         "document type"),
        (b"<a>" * 100_000, "no XML"),
        (SIDECAR.replace(b"<cove:Notes>", b"<dc:subject xmlns:dc='http://purl.org/dc/elements/1.1/'>a</dc:subject>"
                         b"<cove:Notes>"), "keywords in a form"),
    ],
    ids=["empty", "text", "cut off", "zeros", "other list", "other XML", "two roots", "entity of a file", "growing",
         "wide", "deep", "odd keywords"],
)  # fmt: skip
def test_a_broken_sidecar_is_one_line_and_stays(data: bytes, says: str, reviewed: Reviewed, here: Here) -> None:
    broken = reviewed.shoot / "101CLIFF" / "thrift1.xmp"
    broken.write_bytes(data)
    for words in ((), ("--write",)):
        status, said, error = here("sidecar", reviewed.out, *words)
        assert status == 1
        (line,) = problem_lines(error)
        assert "101CLIFF/thrift1.xmp" in line
        assert says in line
        assert "1 left alone" in said
        assert broken.read_bytes() == data
    assert len(sidecars(reviewed.shoot)) == SIDECARS


def test_links_and_other_odd_things_stay(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    (tmp_path / "elsewhere.xmp").write_bytes(SIDECAR)
    (reviewed.shoot / "101CLIFF" / "thrift1.xmp").symlink_to(tmp_path / "elsewhere.xmp")
    (reviewed.shoot / "101CLIFF" / "Con.xmp").mkdir()
    with (reviewed.shoot / "101CLIFF" / "THRIFT1.xmp").open("wb") as file:
        file.truncate(20_000_000)
    status, said, error = here("sidecar", reviewed.out, "--write")
    assert status == 1
    assert "thrift1.xmp: it leads out of the shoot" in error
    assert "Con.xmp: is not a file" in error
    assert "THRIFT1.xmp: is larger than 16 MB" in error
    assert "10 sidecars written" in said
    assert (tmp_path / "elsewhere.xmp").read_bytes() == SIDECAR


@pytest.mark.parametrize(
    ("field", "value"),
    [("sidecar", "../outside.xmp"), ("sidecar", "/etc/hostname"), ("sidecar", "100CLIFF/THRF0001.JPG"),
     ("before", "!"), ("before", "AAAA"), ("sha256", ""), ("was", "gone")],
)  # fmt: skip
def test_a_tampered_record_touches_nothing(field: str, value: str, reviewed: Reviewed, here: Here) -> None:
    here("sidecar", reviewed.out, "--write")
    record = json.loads((reviewed.out / "sidecars.json").read_text("utf-8"))
    entry = next(entry for entry in record["sidecars"] if entry["was"] == "changed")
    entry[field] = value
    (reviewed.out / "sidecars.json").write_text(json.dumps(record))
    photos, written = photographs(reviewed.shoot), sidecars(reviewed.shoot)
    status, _, error = here("sidecar", reviewed.out, "--undo")
    assert status == 1
    (line,) = problem_lines(error)
    assert "nothing was touched" in line
    assert (photographs(reviewed.shoot), sidecars(reviewed.shoot)) == (photos, written)


def test_killed_while_writing_a_rerun_finishes_and_undo_gives_everything_back(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    photos, before = photographs(reviewed.shoot), sidecars(reviewed.shoot)
    for sign in ("100CLIFF/*.xmp", "101CLIFF/*.xmp", "102CLIFF/*.xmp"):
        known = set(reviewed.shoot.glob(sign))
        run = subprocess.Popen(
            arguments(["sidecar", reviewed.out, "--write"]), cwd=tmp_path, env=environment(tmp_path / "cache"),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        while run.poll() is None and set(reviewed.shoot.glob(sign)) == known:
            time.sleep(0.0005)
        run.send_signal(signal.SIGKILL)
        run.wait()
        for data in sidecars(reviewed.shoot).values():
            ElementTree.fromstring(data)  # whole, each of them
        assert photographs(reviewed.shoot).items() >= photos.items()
    assert here("sidecar", reviewed.out, "--write")[0] == 0
    assert len(sidecars(reviewed.shoot)) == SIDECARS
    assert not list(reviewed.shoot.rglob("*.part"))
    assert here("sidecar", reviewed.out, "--undo")[0] == 0
    assert (photographs(reviewed.shoot), sidecars(reviewed.shoot)) == (photos, before)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--rating", "clean"], "clean=3"), (["--rating", "clean=6"], "0 to 5"), (["--rating", "sunny=3"], "touch-up"),
        (["--rating", "clean=many"], "0 to 5"), (["--rating", "clean=-2"], "0 to 5"), (["--undo", "--write"], "--undo"),
        (["--set", "handover.rating={clean = 9}"], "0 to 5"),
    ],
)  # fmt: skip
def test_wrong_usage_is_one_line(words: list[str], says: str, reviewed: Reviewed, here: Here) -> None:
    status, said, error = here("sidecar", reviewed.out, *words)
    assert (status, said) == (2, "")
    (line,) = problem_lines(error)
    assert says in line


def test_the_help_shows_examples_that_work(reviewed: Reviewed, here: Here) -> None:
    examples = re.findall(r"windstill (sidecar REVIEW.*)", here("sidecar", "--help")[1])
    assert len(examples) == 3
    for example in examples:
        assert here(*[str(reviewed.out) if word == "REVIEW" else word for word in example.split()])[0] == 0, example


LETTERS = st.characters(codec="utf-8", exclude_categories=("Cc", "Cs"), exclude_characters="\ufffe\uffff")
TEXT = st.text(LETTERS, max_size=20)
LANGUAGE = "{http://www.w3.org/XML/1998/namespace}lang"
NAME = st.from_regex(r"[A-Za-z_][A-Za-z0-9_.-]{0,8}", fullmatch=True)
SPACES = st.sampled_from(["http://cove.invalid/1.0/", "http://tide.invalid/ns#", "http://ns.adobe.com/exif/1.0/"])


@st.composite
def packets(draw: st.DrawFn) -> bytes:
    """A sidecar with properties of several namespaces: simple, lists, structures, and perhaps keywords and a rating."""
    root = ElementTree.Element("{adobe:ns:meta/}xmpmeta")
    rdf = ElementTree.SubElement(root, f"{RDF}RDF")
    for _ in range(draw(st.integers(0, 3))):
        description = ElementTree.SubElement(rdf, f"{RDF}Description", {f"{RDF}about": draw(TEXT)})
        for _ in range(draw(st.integers(0, 3))):
            description.set(f"{{{draw(SPACES)}}}{draw(NAME)}", draw(TEXT))
        for _ in range(draw(st.integers(0, 3))):
            child = ElementTree.SubElement(description, f"{{{draw(SPACES)}}}{draw(NAME)}")
            for word in draw(st.lists(TEXT, max_size=3)):
                ElementTree.SubElement(child, f"{RDF}li", {LANGUAGE: "x"}).text = word
            child.text = draw(TEXT)
            child.tail = draw(st.sampled_from(["", "\n  "]))
    if len(rdf) and draw(st.booleans()):
        bag = ElementTree.SubElement(ElementTree.SubElement(rdf[0], f"{DC}subject"), f"{RDF}Bag")
        for word in draw(st.lists(st.one_of(TEXT, st.sampled_from(OURS.keywords)), max_size=3)):
            ElementTree.SubElement(bag, f"{RDF}li").text = word
    if len(rdf) and draw(st.booleans()):
        rdf[-1].set(f"{XMP}Rating", draw(st.sampled_from(["0", "5", "-1", "3.5"])))
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=draw(st.booleans()))


def properties(data: bytes) -> list[tuple[str, ...]]:
    """Every attribute and text of every element with its path, but keywords and rating, read by another parser."""
    found: list[tuple[str, ...]] = []

    def walk(element: ElementTree.Element, path: str) -> None:
        for name, value in element.attrib.items():
            if name != f"{XMP}Rating":
                found.append((path, name, value))
        for child in element:
            if child.tag in (f"{DC}subject", f"{XMP}Rating"):
                continue
            # Blanks are no content beside children, and none is lost where there are none.
            text = child.text or ""
            found.append((path, child.tag, text.strip() if len(child) else text))
            walk(child, f"{path}/{child.tag}")

    walk(ElementTree.fromstring(data), "")
    return [entry for entry in found if entry[1] not in (f"{RDF}Description",)]


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=80)
@given(packets())
def test_every_property_there_was_is_there_after(before: bytes) -> None:
    changed = with_words(before, OURS, is_ours)
    about = (f"{RDF}about", "")
    assert [p for p in properties(changed.data) if p[1:] != about] == [p for p in properties(before) if p[1:] != about]
    theirs = [word.strip() for word in keywords(before)]
    assert [word for word in keywords(changed.data) if not is_ours(word)] == \
        [word for word in keywords(before) if not is_ours(word)]  # fmt: skip
    assert set(OURS.keywords) | set(theirs) == {word.strip() for word in keywords(changed.data)}
    assert rating(changed.data) == (rating(before) or "4")
    again = with_words(changed.data, OURS, is_ours)
    assert again.data == changed.data
    back = without_words(changed.data, changed.added)
    assert keywords(back) == keywords(before)
    assert [p for p in properties(back) if p[1:] != about] == [p for p in properties(before) if p[1:] != about]


def test_comments_instructions_and_prefixes_stay() -> None:
    odd = SIDECAR.replace(b"<cove:Notes>", b"<!-- the far gully --><?cove keep?><cove:Notes>")
    data = with_words(odd, OURS, is_ours).data
    for part in (b"<!-- the far gully --><?cove keep?>", b'begin="\xef\xbb\xbf"', b"cove:Tide", b'<?xpacket end="w"?>'):
        assert part in data
    wide = SIDECAR.decode("utf-8").encode("utf-16")
    assert keywords(with_words(wide, OURS, is_ours).data) == list(OURS.keywords)
