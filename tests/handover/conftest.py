"""A reviewed shoot with the names and companions that make handing over hard."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest

from cli.conftest import arguments, environment, here, windstill  # noqa: F401  (fixtures)
from run.small_shoots import DUSK, cliff, write_frame


@dataclass(frozen=True)
class Reviewed:
    """A shoot and the run folder of its review, both the test's own."""

    shoot: Path
    out: Path


SIDECAR = b"""<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:cove="http://cove.invalid/1.0/"
 xmp:Rating="2" cove:Tide="low">
<cove:Notes><rdf:Seq><rdf:li>second gully</rdf:li><rdf:li>mind the weed</rdf:li></rdf:Seq></cove:Notes>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="w"?>
"""
# Bursts: with raw and sidecar; names no disk agrees on; names alike but for case; a frame alone; one that sways.
NAMES = (
    ("100CLIFF/THRF0001.JPG", "100CLIFF/THRF0002.JPG", "100CLIFF/THRF0003.JPG"),
    ("low tide;/two\nlines 1.JPG", "low tide;/two\nlines 2.JPG", os.fsdecode(b"low tide;/b\xffow: 3.JPG")),
    ("101CLIFF/thrift1.JPG", "101CLIFF/THRIFT1.JPG", "101CLIFF/Con.JPG"),
    ("102CLIFF/THRF0001.JPG",),
    ("103CLIFF/THRF0011.JPG", "103CLIFF/THRF0012.JPG", "103CLIFF/THRF0013.JPG"),
)
# In the last burst this part of the picture, (left, top, right, bottom) in pixels, stands further right from the
# second frame on.
SWAYED, SWAY_PX = (240, 160, 360, 250), 4


@pytest.fixture(scope="session")
def _reviewed_once(tmp_path_factory: pytest.TempPathFactory) -> Reviewed:
    base = tmp_path_factory.mktemp("handover")
    shoot = base / "thrift"
    for scene, names in enumerate(NAMES):
        for index, name in enumerate(names):
            taken = DUSK + timedelta(minutes=5 * scene, seconds=index, milliseconds=137 * index)
            picture = cliff(scene)
            if scene == 4 and index:
                left, top, right, bottom = SWAYED
                picture[top:bottom, left + SWAY_PX : right + SWAY_PX] = cliff(scene)[top:bottom, left:right]
            write_frame(shoot / name, picture, taken)
            if scene == 0:
                write_frame(base / "raw.jpg", cliff(scene) * 0.99, taken)
                (base / "raw.jpg").rename((shoot / name).with_suffix(".NEF"))
    (shoot / "100CLIFF/THRF0002.xmp").write_bytes(SIDECAR)
    done = subprocess.run(
        arguments(["review", shoot, "--out", base / "out", "--workers", "1"]), env=environment(base / "cache"),
        text=True, capture_output=True, timeout=240, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return Reviewed(shoot, base / "out")


@pytest.fixture
def with_cache(_reviewed_once: Reviewed, monkeypatch: pytest.MonkeyPatch) -> Reviewed:
    """The shoot and review all tests share, only to be read, with the measures it was made from at hand."""
    monkeypatch.setenv("WINDSTILL_CACHE", str(_reviewed_once.out.parent / "cache"))
    return _reviewed_once


@pytest.fixture
def reviewed(_reviewed_once: Reviewed, tmp_path: Path) -> Reviewed:
    """A copy of shoot and review, free to be broken; the review finds this copy by the folders' names."""
    shutil.copytree(_reviewed_once.shoot, tmp_path / "thrift")
    shutil.copytree(_reviewed_once.out, tmp_path / "thrift-windstill")
    run = json.loads((tmp_path / "thrift-windstill" / "run.json").read_text("utf-8"))
    run["command"] = "windstill review thrift"
    run["shoot"] = str(tmp_path / "thrift")  # the copy's own
    (tmp_path / "thrift-windstill" / "run.json").write_text(json.dumps(run))
    return Reviewed(tmp_path / "thrift", tmp_path / "thrift-windstill")
