"""Simulated shoots as a user meets them: files, camera data, sets and truth of the descriptions that ship."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import piexif
import pytest
from PIL import Image

from windstill import imaging
from windstill.settings import ImagingSettings
from windstill.simulate import (
    Description,
    DescriptionError,
    Leanings,
    catalogue,
    load_description,
    random_description,
    simulate,
)
from windstill.simulate.describe import Blooms, Files, Scene, Shot, Wind
from windstill.simulate.timeline import Timeline, lay_out


def made(description: Description, out: Path, width_px: int = 320) -> dict[str, Any]:
    """Simulate small and give the truth."""
    simulate(description.model_copy(update={"width_px": width_px}), out, workers=1)
    loaded: dict[str, Any] = json.loads((out / "truth.json").read_text())
    return loaded


def hashes(folder: Path) -> dict[str, str]:
    """Content of every file by relative path."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*")) if p.is_file()
    }


def kinds(timeline: Timeline) -> list[tuple[str, int, int]]:
    """Kind, members and frames of the top-level sets."""
    return [(s.kind, len(s.members), len(s.frames)) for s in timeline.sets if s.parent_set is None]


def test_every_shipped_description_loads_and_says_what_it_is() -> None:
    shipped = catalogue()
    assert len(shipped) >= 12
    for name, about in shipped.items():
        description = load_description(name)
        assert description.name == name
        assert about.endswith(".")
        timeline = lay_out(description)
        covered = sorted(i for s in timeline.sets if s.parent_set is None for i in s.frames)
        assert covered == list(range(len(timeline.frames)))
        assert len({f.name for f in timeline.frames}) == len(timeline.frames)
        assert len({s.set_id for s in timeline.sets}) == len(timeline.sets)


def test_same_seed_same_bytes_for_any_number_of_workers(tmp_path: Path) -> None:
    description = random_description(5, 8, width_px=240, quick=True)
    simulate(description, tmp_path / "one", workers=1)
    simulate(description, tmp_path / "two", workers=2)
    assert hashes(tmp_path / "one") == hashes(tmp_path / "two")
    other = random_description(5, 9, width_px=240, quick=True)
    assert other != description


def test_nesting_is_told_at_every_level(tmp_path: Path) -> None:
    scene = Scene(cards=3, blooms=(Blooms(count=30),), wind=Wind(speed_ms=3))
    shot = Shot(order=("view", "focus", "exposure"), wind_ms=3.0)
    shot = shot.model_copy(update={
        "views": shot.views.model_copy(update={"count": 2}), "focus": shot.focus.model_copy(update={"count": 3}),
    })
    truth = made(Description(scenes=(scene,), shots=(shot,)), tmp_path / "out")
    by_kind: dict[str, list[dict[str, Any]]] = {}
    for row in truth["sets"]:
        by_kind.setdefault(row["kind"], []).append(row)
    assert {k: len(v) for k, v in by_kind.items()} == {"panorama": 1, "stack": 2, "bracket": 6}
    top = by_kind["panorama"][0]
    assert top["parent_set"] is None
    assert {s["parent_set"] for s in by_kind["stack"]} == {top["set_id"]}
    assert top["members"] == [s["set_id"] for s in by_kind["stack"]]
    first = truth["frames"][0]
    assert (first["view_index"], first["focus_index"], first["exposure_index"]) == (1, 1, 1)
    last = truth["frames"][-1]
    assert (last["view_index"], last["focus_index"], last["exposure_index"]) == (2, 3, 3)
    assert last["set_id"] == by_kind["bracket"][-1]["set_id"]
    # Focus positions are represented by their middle exposure, which here is the first frame of each bracket.
    middles = {b["members"][0] for b in by_kind["bracket"]}
    focus = [p for p in truth["pairs"] if p["relation"] == "focus"]
    assert len(focus) == 4
    assert all(p["frame_a"] in middles and p["frame_b"] in middles for p in focus)
    views = [p for p in truth["pairs"] if p["relation"] == "view"]
    assert len(views) == 1
    a, b = (next(f for f in truth["frames"] if f["frame"] == views[0][k]) for k in ("frame_a", "frame_b"))
    assert (a["focus_index"], a["exposure_index"]) == (b["focus_index"], b["exposure_index"])
    # A parent is as bad as the worst of its own pairs and its children's.
    assert top["sway_p95_px"] == max(p["sway_p95_px"] for p in truth["pairs"])


def test_truth_has_the_contract_s_fields(tmp_path: Path) -> None:
    stacks = load_description("stacks")
    truth = made(stacks.model_copy(update={"shots": (stacks.shots[0], stacks.shots[-1])}), tmp_path / "out", 480)
    assert {
        "frame", "set_id", "view_index", "focus_index", "exposure_index", "smear_px", "smear_angle_deg", "shake_px",
        "focus_m",
    } <= set(truth["frames"][0])
    assert {
        "set_id", "parent_set", "scene", "take", "kind", "members", "sway_p95_px", "sway_max_px", "coverage_pct",
        "overlap_pct", "ruined", "calm", "best_take",
    } <= set(truth["sets"][0])
    pair = truth["pairs"][0]
    assert {
        "set_id", "frame_a", "frame_b", "relation", "shift_x_px", "shift_y_px", "scale", "rotation_deg", "sway_p95_px",
        "sway_max_px", "regions",
    } <= set(pair)
    assert {
        "x_px", "y_px", "w_px", "h_px", "sway_x_px", "sway_y_px", "relevant", "smear_px", "blur_px",
    } <= set(pair["regions"][0])
    for frame in truth["frames"]:
        assert (tmp_path / "out" / frame["files"][0]).is_file()
    assert not any(s["calm"] and s["ruined"] for s in truth["sets"])
    early = truth["sets"][-1]
    assert early["coverage_pct"] < 70


def test_counter_rolls_over_and_folders_fill() -> None:
    names = [f.name for f in lay_out(load_description("rolling-counter")).frames]
    assert names[0].endswith("103CLIFF/THRF9995")
    assert names[4:6] == ["DCIM/103CLIFF/THRF9999", "DCIM/104CLIFF/THRF0001"]
    assert {n.split("/")[1] for n in names} == {"103CLIFF", "104CLIFF", "105CLIFF"}


def test_cameras_write_what_the_description_says(tmp_path: Path) -> None:
    evening = load_description("cliff-thrift")
    truth = made(evening.model_copy(update={"shots": evening.shots[:2]}), tmp_path / "a", 640)
    with (tmp_path / "a" / truth["frames"][5]["files"][0]).open("rb") as file:
        tags = exifread.process_file(file, details=False)
    assert str(tags["Image Model"]) == "Halden V2"
    assert str(tags["EXIF OffsetTimeOriginal"]) == "+01:00"
    assert float(tags["EXIF SubjectDistance"].values[0]) == pytest.approx(truth["frames"][5]["focus_m"], abs=0.001)
    assert str(tags["EXIF SubSecTimeOriginal"]).isdigit()
    assert "JPEGThumbnail" in tags
    plain = made(load_description("whole-seconds"), tmp_path / "b")
    with (tmp_path / "b" / plain["frames"][0]["files"][0]).open("rb") as file:
        tags = exifread.process_file(file, details=False)
    assert "EXIF SubSecTimeOriginal" not in tags
    assert "EXIF SubjectDistance" not in tags
    scans = made(load_description("prints"), tmp_path / "c")
    assert [Path(f["frame"]).name for f in scans["frames"]] == [f"print_{k:03d}" for k in range(1, 10)]
    with (tmp_path / "c" / scans["frames"][0]["files"][0]).open("rb") as file:
        assert not exifread.process_file(file)


def test_a_larger_preview_lies_in_the_file(tmp_path: Path) -> None:
    description = load_description("cliff-thrift")
    description = description.model_copy(update={"files": Files(preview_px=300), "shots": description.shots[:1]})
    truth = made(description, tmp_path / "out", 600)
    with Image.open(tmp_path / "out" / truth["frames"][0]["files"][0]) as image:
        assert image.size == (600, 400)
        image.seek(1)
        assert image.size == (300, 200)
        preview = np.asarray(image.convert("L"), float)
    with Image.open(tmp_path / "out" / truth["frames"][0]["files"][0]) as image:  # not every Pillow seeks back
        small = np.asarray(image.convert("L").resize((300, 200)), float)
    assert np.abs(preview - small).mean() < 4


@pytest.mark.parametrize(("preview_px", "size", "named"), [
    (300, (300, 200), "Large Thumbnail (VGA equivalent)"), (700, (700, 467), "Large Thumbnail (full HD equivalent)"),
])  # fmt: skip
def test_the_larger_preview_is_named_and_found(
    preview_px: int, size: tuple[int, int], named: str, tmp_path: Path
) -> None:
    """The reference reader names it by DC-007 and cuts out the bytes our own quick look shows."""
    description = load_description("cliff-thrift")
    files = Files(preview_px=preview_px)
    description = description.model_copy(update={"files": files, "shots": description.shots[:1]})
    path = tmp_path / "out" / made(description, tmp_path / "out", 720)["frames"][0]["files"][0]
    shown = imaging.preview(path, 1, ImagingSettings(preview_min_px=100, preview_enough_px=1000))
    assert shown is not None and shown.decoder == "embedded preview"
    assert shown.luma.shape[::-1] == size
    if shutil.which("exiftool") is None:
        pytest.skip("the reference reader is not installed (Debian: libimage-exiftool-perl)")
    told = subprocess.run(["exiftool", "-s3", "-MPImageType", path], capture_output=True, text=True, check=True).stdout
    assert told.strip() == named
    cut = subprocess.run(["exiftool", "-b", "-PreviewImage", path], capture_output=True, check=True).stdout
    with Image.open(io.BytesIO(cut)) as image:
        assert image.size == size
        assert np.abs(np.asarray(image.convert("L"), int) - shown.luma).mean() < 1


def test_larger_previews_go_with_the_width_up_to_full_hd() -> None:
    description = load_description("cliff-thrift")
    assert description.at_width(900).files.preview_px == description.files.preview_px / 2
    assert description.at_width(6000).files.preview_px == 1620  # 1620 x 1080
    assert description.at_width(6000).size_px == (6000, 4000)


def test_raw_files_go_to_their_card_and_open(tmp_path: Path) -> None:
    rawpy = pytest.importorskip("rawpy")
    description = load_description("raw-and-jpeg")
    truth = made(description.model_copy(update={"shots": description.shots[:1]}), tmp_path / "out")
    jpeg, raw = (tmp_path / "out" / n for n in truth["frames"][0]["files"])
    assert raw.relative_to(tmp_path / "out").parts[:2] == ("DCIM", "raw card")
    with rawpy.imread(str(raw)) as opened:
        assert opened.sizes.flip in (5, 6)
        colour = opened.postprocess(use_camera_wb=True, no_auto_bright=True)
    with Image.open(jpeg) as image:
        assert image.size == (320, 214)
        assert image.getexif()[0x0112] in (6, 8)
        turned = image.transpose(Image.Transpose.ROTATE_270 if image.getexif()[0x0112] == 6
                                 else Image.Transpose.ROTATE_90)
    assert colour.shape[:2] == turned.size[::-1]
    likeness = np.corrcoef(np.asarray(turned.convert("L")).ravel(), colour[..., 1].ravel())[0, 1]
    assert likeness > 0.95


def test_sequences_are_marked_as_dng_says(tmp_path: Path) -> None:
    # Layout after the DNG specification 1.7.1, ImageSequenceInfo (52548): three NUL-ended texts, two u32 and a u8.
    description = load_description("raw-and-jpeg")
    truth = made(description.model_copy(update={"shots": description.shots[:1]}), tmp_path / "out")
    import tifffile

    blobs = []
    for frame in truth["frames"]:
        with tifffile.TiffFile(tmp_path / "out" / frame["files"][1]) as tif:
            blobs.append(bytes(tif.pages[0].tags[52548].value))  # type: ignore[union-attr]
    for k, blob in enumerate(blobs, 1):
        name, kind, info, rest = blob.split(b"\0", 3)
        assert name and kind == b"Exposure Bracket" and info == b""
        assert rest == k.to_bytes(4, "big") + (3).to_bytes(4, "big") + bytes([k == 3])


def test_what_is_derived_lies_among_the_frames_and_is_no_frame(tmp_path: Path) -> None:
    truth = made(load_description("odds-and-ends"), tmp_path / "out")
    composite, export = truth["derived"]
    assert piexif.load(str(tmp_path / "out" / composite))["Exif"][0xA460] == 3
    assert b"Halden" not in piexif.load(str(tmp_path / "out" / export))["0th"][piexif.ImageIFD.Software]
    assert not {Path(composite).stem, Path(export).stem} & {Path(f["frame"]).name for f in truth["frames"]}


def test_two_bodies_work_at_once_with_clocks_apart() -> None:
    timeline = lay_out(load_description("two-bodies"))
    bodies = [f.body for f in timeline.frames[:8]]
    assert set(bodies) == {0, 1} and bodies != sorted(bodies)
    first = {b: next(f for f in timeline.frames if f.body == b) for b in (0, 1)}
    true = first[1].t_s - first[0].t_s
    assert (first[1].written_at - first[0].written_at).total_seconds() == pytest.approx(true + 180)


def test_takes_aborted_sets_and_strays_are_told_apart(tmp_path: Path) -> None:
    timeline = lay_out(load_description("falling-light"))
    top = [s for s in timeline.sets if s.parent_set is None]
    assert [(s.kind, s.take) for s in top] == [
        ("bracket", 1), ("bracket", 2), ("bracket", 3), ("stack", 1), ("stack", 2), ("stack", 3),
    ]
    assert [s.aborted for s in top] == [False, False, False, True, False, False]
    assert kinds(lay_out(load_description("odds-and-ends"))) == [
        ("single", 1, 1), ("stack", 4, 4), ("single", 1, 1), ("bracket", 3, 3), ("single", 1, 1), ("bracket", 5, 5),
        ("stack", 4, 4), ("single", 1, 1),
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(6))
def test_random_shoots_hold_what_was_asked_for(seed: int) -> None:
    timeline = lay_out(random_description(15, seed))
    assert sum(s.parent_set is None for s in timeline.sets) == 15
    only = lay_out(random_description(6, seed, leanings=Leanings(kinds=("stack",), nesting=False, oddities=False)))
    assert {s.kind for s in only.sets} == {"stack"}
    calm = random_description(6, seed, leanings=Leanings(calm=True))
    assert {s.wind_ms for s in calm.shots} == {0.0}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("width_px = 'wide'", "width_px"), ("colour = 3", "colour"), ("[[shots]]\nscene = 'nowhere'", "nowhere"),
        ("width_px = ", "cannot be read"), ("seed = 4", "no shots"),
    ],
)
def test_a_bad_description_is_one_clear_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "evening.toml"
    path.write_text(text)
    with pytest.raises(DescriptionError, match=says) as caught:
        simulate(load_description(path), tmp_path / "out", workers=1)
    assert "\n" not in str(caught.value)
    assert "evening" in str(caught.value)


def test_a_shoot_is_never_written_over_another(tmp_path: Path) -> None:
    (tmp_path / "DCIM").mkdir()
    with pytest.raises(DescriptionError, match="already holds a shoot"):
        simulate(random_description(1, 1), tmp_path)
    with pytest.raises(DescriptionError, match="no description of that name"):
        load_description("no-such-evening")


def test_a_bloom_beside_the_camera_takes_no_memory_beyond_the_picture(tmp_path: Path) -> None:
    """Seen nearly edge-on, its card reaches fifty thousand pixels out of a picture of 240."""
    drawn = random_description(8, 7613, width_px=240, leanings=Leanings(camera_data=False), quick=True)
    shots = tuple(s for s in drawn.shots if s.scene == "place-6")
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30)); from pathlib import Path; "
        "from windstill.simulate import Description, simulate; "
        "simulate(Description.model_validate_json(sys.argv[1]), Path(sys.argv[2]), workers=1)"
    )
    text = drawn.model_copy(update={"shots": shots}).model_dump_json()
    done = subprocess.run([sys.executable, "-c", code, text, str(tmp_path / "out")], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-500:]
