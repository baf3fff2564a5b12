"""`windstill masks`: white where the merge needs the hand, over the base frame, nothing else."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from numpy.typing import NDArray
from PIL import Image

from cli.conftest import Here
from handover.conftest import SWAY_PX, SWAYED, Reviewed
from report.handmade import HOSTILE_NAME, evening_review
from windstill.cli import main
from windstill.handover.drawing import Plane, softened
from windstill.handover.marks import smear_mask
from windstill.handover.masks import Masked, write_masks
from windstill.handover.plan import choose_sets
from windstill.handover.runfolder import read_review
from windstill.records import Review
from windstill.records.measures import PairSmear
from windstill.report.tiles import SCHEMA
from windstill.report.write import write_tables
from windstill.settings import AssessSettings, Settings
from windstill.settings.handover import HandoverSettings

SMALL = HandoverSettings(mask_plane_px=600)
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs ``windstill WORDS`` in this process with the cache the environment names."""
    monkeypatch.chdir(tmp_path)

    def command(*words: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main([str(word) for word in words])
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out, said.err

    return command


def grey(path: Path) -> NDArray[np.uint8]:
    with Image.open(path) as image:
        assert image.mode == "L", "8-bit grey"
        return np.asarray(image)


def holders(folder: Path) -> dict[int, str]:
    with (folder / "holds.csv").open(encoding="utf-8", newline="") as file:
        return {int(row["index"]): row["frame"] for row in csv.DictReader(file)}


def problem_lines(error: str) -> list[str]:
    assert "Traceback" not in error
    return [line for line in error.splitlines() if line.startswith("windstill: ")]


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.parametrize(("form", "suffix"), [("png", ".png"), ("tiff", ".tif")])
def test_what_swayed_is_white_and_the_rest_is_black(
    form: str, suffix: str, with_cache: Reviewed, run: Run, tmp_path: Path
) -> None:
    photos, tables = hashes(with_cache.shoot), hashes(with_cache.out)
    status, said, error = run("masks", with_cache.out, "--to", "M", "--form", form)
    assert (status, problem_lines(error)) == (0, [])
    assert re.search(r"burst-THRF0011  hard: sway \d\.\d %", said)
    folder = tmp_path / "M" / "scene05-take1-burst-THRF0011"
    mask = grey(folder / f"sway{suffix}")
    assert mask.shape == (320, 480)
    left, top, right, bottom = SWAYED
    tile = 6  # 480 px / 80
    inside = mask[top + tile : bottom - tile, left + tile : right + SWAY_PX - tile]
    assert (inside == 255).mean() > 0.97
    far = np.ones(mask.shape, bool)
    far[top - 3 * tile : bottom + 3 * tile, left - 3 * tile : right + SWAY_PX + 3 * tile] = False
    assert not mask[far].any()
    assert set(np.unique(mask)) - {0, 255}, "the edge is soft"
    still = tmp_path / "M" / "scene01-take1-burst-THRF0001"
    assert not (still / f"sway{suffix}").exists()
    assert "Nothing to mark: sway" in (still / "legend.txt").read_text("utf-8")
    named = holders(folder)
    assert set(named.values()) == {"", "103CLIFF/THRF0011", "103CLIFF/THRF0012", "103CLIFF/THRF0013"}
    assert set(np.unique(grey(folder / f"holds{suffix}")).tolist()) <= set(named)
    legend = (folder / "legend.txt").read_text("utf-8")
    assert "480 x 320 px" in legend
    assert "103CLIFF/THRF0013" in legend  # the base frame
    assert (hashes(with_cache.shoot), hashes(with_cache.out)) == (photos, tables)


def test_without_the_photographs_there_is_the_sway(reviewed: Reviewed, here: Here) -> None:
    reviewed.shoot.rename(reviewed.shoot.with_name("elsewhere"))
    status, _, error = here("masks", reviewed.out)
    assert status == 1
    (line,) = problem_lines(error)
    assert "without smear and gaps" in line
    assert "--shoot" in line
    folder = reviewed.out / "masks" / "scene05-take1-burst-THRF0011"
    # What a head uncovers or turns to may stand in changed.png beside it.
    made = {path.name for path in folder.iterdir()} - {"changed.png"}
    assert made == {"sway.png", "holds.png", "holds.csv", "legend.txt"}
    assert "Not known without the photographs and their measures: smear" in (folder / "legend.txt").read_text("utf-8")


def test_masks_of_ours_are_replaced_and_others_stay(with_cache: Reviewed, run: Run, tmp_path: Path) -> None:
    command = ("masks", with_cache.out, "--to", "M", "--only", "hard")
    assert run(*command)[0] == 0
    first = hashes(tmp_path / "M")
    folder = tmp_path / "M" / "scene05-take1-burst-THRF0011"
    (folder / "sway.png").rename(folder / "smear.png")  # as an earlier run with other settings might have left it
    assert run(*command)[0] == 0
    assert hashes(tmp_path / "M") == first
    Image.new("L", (8, 8), 99).save(folder / "sway.png")
    mine = (folder / "sway.png").read_bytes()
    status, _, error = run(*command)
    assert status == 1
    assert "left as it is" in problem_lines(error)[0]
    assert (folder / "sway.png").read_bytes() == mine
    (folder / "sway.png").unlink()
    (folder / "legend.txt").write_text("where the tripod stood", "utf-8")
    status, _, error = run(*command)
    assert status == 1
    assert "left as it is" in problem_lines(error)[0]
    assert (folder / "legend.txt").read_text("utf-8") == "where the tripod stood"


def test_a_file_where_a_folder_of_masks_belongs_stays(with_cache: Reviewed, run: Run, tmp_path: Path) -> None:
    (tmp_path / "M").mkdir()
    place = tmp_path / "M" / "scene05-take1-burst-THRF0011"
    place.write_text("mine", "utf-8")
    status, _, error = run("masks", with_cache.out, "--to", "M", "--only", "hard")
    assert status == 1
    assert "is not a folder" in problem_lines(error)[0]
    assert place.read_text("utf-8") == "mine"


def test_masks_follow_no_link(with_cache: Reviewed, run: Run, tmp_path: Path) -> None:
    (tmp_path / "M").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "M" / "scene05-take1-burst-THRF0011").symlink_to(tmp_path / "elsewhere")
    status, _, error = run("masks", with_cache.out, "--to", "M", "--only", "hard")
    assert status == 1
    assert "is a link" in problem_lines(error)[0]
    assert list((tmp_path / "elsewhere").iterdir()) == []


@pytest.mark.parametrize(
    ("words", "says", "status"),
    [
        (["nowhere"], "no such folder", 2),
        (["REVIEW", "--form", "gif"], "png or tiff", 2),
        (["REVIEW", "--only", "single"], "no set to merge", 1),
        (["REVIEW", "--to", "thrift/masks"], "inside the shoot", 2),
        (["REVIEW", "--to", "REVIEW"], "review's own files", 2),
    ],
)
def test_what_cannot_be_done_is_one_line(
    words: list[str], says: str, status: int, reviewed: Reviewed, here: Here
) -> None:
    found, said, error = here("masks", *[word.replace("REVIEW", str(reviewed.out)) for word in words])
    assert (found, said) == (status, "")
    (line,) = problem_lines(error)
    assert says in line


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("tiles.parquet", None, "missing"), ("tiles.parquet", b"PAR1 no table PAR1", "cannot be read"),
        ("pairs.csv", b"set_id\r\n", "column"), ("pairs.csv", None, "cannot be read"),
        ("sets.csv", lambda table: table.replace(b",burst,", b",dance,"), "row 2 cannot be read"),
    ],
)  # fmt: skip
def test_broken_tables_are_one_line(
    name: str, data: bytes | Callable[[bytes], bytes] | None, says: str, reviewed: Reviewed, here: Here
) -> None:
    before = (reviewed.out / name).read_bytes()
    (reviewed.out / name).unlink()
    if data is not None:
        (reviewed.out / name).write_bytes(data(before) if callable(data) else data)
    reviewed.shoot.rename(reviewed.shoot.with_name("elsewhere"))
    status, _, error = here("masks", reviewed.out)
    assert status == 1
    (line,) = problem_lines(error)
    assert name in line
    assert says in line


def test_the_help_shows_examples_that_work(with_cache: Reviewed, run: Run, tmp_path: Path) -> None:
    examples = re.findall(r"windstill (masks REVIEW.*)", run("masks", "--help")[1])
    assert len(examples) == 2
    for example in examples:
        words = [str(with_cache.out) if word == "REVIEW" else word for word in example.split()]
        if "--to" not in words:
            words += ["--to", str(tmp_path / "M")]
        assert run(*words)[0] == 0, example


# Handmade tables: one pair, mapped as the contract says, with tiles in known places.
WIDTH, HEIGHT, TILE = 1600, 1000, 20
SHIFT, SCALE, ROTATION_DEG = (31.0, -18.0), 1.03, 2.0


def by_contract(x: float, y: float) -> tuple[float, float]:
    """x_a = scale R(rotation_deg) (x_b - c) + c + shift, R counter-clockwise as seen (CONTRACT.md), written out."""
    cx, cy = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    angle = np.deg2rad(ROTATION_DEG)
    dx, dy = x - cx, y - cy
    # As seen, y points down: counter-clockwise turns x towards -y.
    turned = (np.cos(angle) * dx + np.sin(angle) * dy, -np.sin(angle) * dx + np.cos(angle) * dy)
    return SCALE * turned[0] + cx + SHIFT[0], SCALE * turned[1] + cy + SHIFT[1]


def handmade_run(out: Path, base: str, tiles: list[dict[str, float]]) -> Path:
    """A run folder of one stack of two frames."""
    out.mkdir()
    frames = [["frame", "files", "set_id", "keep", "width_px", "height_px"]]
    frames += [[name, f"{name}.JPG", "A~stack", "yes", str(WIDTH), str(HEIGHT)] for name in ("A", "B")]
    sets = [
        ["set_id", "parent_set", "scene", "take", "kind", "members", "outlook", "base_frame", "keep_frames",
         "tolerance_px"],
        ["A~stack", "", "1", "1", "stack", "A;B", "hard", base, "A;B", "2.000"],
    ]  # fmt: skip
    pairs = [
        ["set_id", "frame_a", "frame_b", "shift_x_px", "shift_y_px", "scale", "rotation_deg", "homography"],
        ["A~stack", "A", "B", *(str(v) for v in (*SHIFT, SCALE, ROTATION_DEG)), ""],
    ]
    for name, rows in (("frames", frames), ("sets", sets), ("pairs", pairs)):
        with (out / f"{name}.csv").open("w", newline="") as file:
            csv.writer(file).writerows(rows)
    given = {"w_px": TILE, "h_px": TILE, "confidence": 1.0, "relevance": 1.0, "changed": 0.0, "sharp_a": 1.0,
             "sharp_b": 0.5, "set_id": "A~stack", "frame_a": "A", "frame_b": "B"}  # fmt: skip
    pq.write_table(pa.Table.from_pylist([{**given, **tile} for tile in tiles], SCHEMA), out / "tiles.parquet")
    return out


def masks_of(out: Path, record: Review | None = None, settings: HandoverSettings = SMALL) -> Masked:
    review = read_review(out)
    sets = [row for row in choose_sets(review, [], False) if row.kind != "single"]
    return write_masks(review, record, sets, out / "masks", "png", settings)


def block(col: int, row: int, sway: tuple[float, float], **more: float) -> list[dict[str, float]]:
    """Three by three tiles that moved alike."""
    return [
        {"x_px": (col + i) * TILE, "y_px": (row + j) * TILE, "sway_x_px": sway[0], "sway_y_px": sway[1], **more}
        for i in range(3)
        for j in range(3)
    ]


def test_a_mask_over_a_marks_both_places_of_what_moved(tmp_path: Path) -> None:
    out = handmade_run(tmp_path / "out", "A", block(20, 10, (90.0, 0.0)))
    masks_of(out, settings=HandoverSettings())
    mask = grey(out / "masks" / "scene01-take1-stack-A" / "sway.png")
    assert mask.shape == (HEIGHT, WIDTH)
    # From pixel 400 to 459 in a, 490 to 549 in b: everything from 400 to 549 is marked, and fades over a tile.
    assert (mask[200:260, 400:550] == 255).all()
    row = mask[230].astype(int)
    assert (np.diff(row[370:401]) >= 0).all()
    assert (np.diff(row[549:580]) <= 0).all()
    assert not row[:378].any()
    assert not row[572:].any()
    assert 0 < row[395] < 255


def test_a_set_of_which_one_frame_is_kept_is_not_said_to_be_merged(tmp_path: Path) -> None:
    out = handmade_run(tmp_path / "out", "A", block(20, 10, (90.0, 0.0)))
    table = out / "sets.csv"
    table.write_text(table.read_text().replace("A;B,2.000", "A,2.000"))
    masks_of(out)
    said = (out / "masks" / "scene01-take1-stack-A" / "legend.txt").read_text()
    assert "would use A alone" in said and "merge without" not in said


def test_rows_that_are_no_tiles_are_passed_over(tmp_path: Path) -> None:
    odd = [{"x_px": -40, "y_px": 0}, {"x_px": 2**31 - 1, "y_px": 2**31 - 1}, {"x_px": 0, "y_px": 0, "w_px": 0}]
    odd = [{**tile, "sway_x_px": 9.0, "sway_y_px": float("inf")} for tile in odd]
    out = handmade_run(tmp_path / "out", "A", [*odd, *block(20, 10, (9.0, 0.0))])
    assert masks_of(out).problems == []
    mask = grey(out / "masks" / "scene01-take1-stack-A" / "sway.png")
    assert mask[230, 430] == 255
    assert not mask[:150].any()


def test_a_mask_over_b_lies_where_the_mapping_says(tmp_path: Path) -> None:
    # 2.5 px is over the tolerance; the tiles hardly stretch.
    out = handmade_run(tmp_path / "out", "B", block(60, 30, (2.5, 0.0)))
    masks_of(out, settings=HandoverSettings())
    mask = grey(out / "masks" / "scene01-take1-stack-A" / "sway.png")
    ys, xs = np.nonzero(mask == 255)
    moved = by_contract(float(xs.mean()), float(ys.mean()))
    # The centre of what is marked over b, taken to a by the contract's own formula, is the tiles' centre in a.
    assert moved[0] == pytest.approx(60 * TILE + 1.5 * TILE - 0.5 + 1.25, abs=1.0)
    assert moved[1] == pytest.approx(30 * TILE + 1.5 * TILE - 0.5, abs=1.0)
    assert len(xs) == pytest.approx((3 * TILE + 2.5) * 3 * TILE / SCALE**2, rel=0.06)


@pytest.mark.parametrize(
    ("tiles", "what"),
    [
        (block(20, 10, (1.9, 0.0)), set()), (block(20, 10, (9.0, 0.0), relevance=0.4), set()),
        (block(20, 10, (9.0, 0.0), confidence=0.4), set()), (block(20, 10, (9.0, 0.0))[:1], set()),
        (block(20, 10, (9.0, 0.0))[:2], {"sway.png"}), (block(20, 10, (0.0, 0.0), changed=0.9), {"changed.png"}),
        (block(20, 10, (0.0, -2.1)), {"sway.png"}),
    ],
    ids=["under tolerance", "not relevant", "not sure", "one tile alone", "two tiles", "changed", "just over"],
)  # fmt: skip
def test_only_what_counts_is_marked(tiles: list[dict[str, float]], what: set[str], tmp_path: Path) -> None:
    out = handmade_run(tmp_path / "out", "A", tiles)
    masks_of(out)
    folder = out / "masks" / "scene01-take1-stack-A"
    assert {path.name for path in folder.glob("*.png")} - {"holds.png"} == what


def test_the_sharper_frame_holds_a_place(tmp_path: Path) -> None:
    left = [{"x_px": x, "y_px": y} for x in range(0, 800, TILE) for y in range(0, HEIGHT, TILE)]
    right = [{"x_px": x, "y_px": y, "sharp_b": 2.0} for x in range(800, WIDTH, TILE) for y in range(0, HEIGHT, TILE)]
    out = handmade_run(tmp_path / "out", "A", [*left, *right])
    masks_of(out)
    folder = out / "masks" / "scene01-take1-stack-A"
    index, named = grey(folder / "holds.png"), holders(folder)
    assert {named[int(v)] for v in np.unique(index[:, :760])} == {"A"}
    assert {named[int(v)] for v in np.unique(index[:, 840:])} == {"B"}
    assert named[0] == ""


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Masked]:
    """An evening of nested sets, gaps, smear and hostile names, its masks drawn with its measures."""
    record = evening_review()
    out = tmp_path_factory.mktemp("evening") / "out"
    write_tables(record, out, Settings())
    review = read_review(out)
    asked = [row for row in choose_sets(review, [], False) if row.kind in ("stack", "panorama")]
    return out, write_masks(review, record, asked, out / "masks", "png", SMALL)


def test_gaps_and_smear_come_from_the_measures(evening: tuple[Path, Masked]) -> None:
    out, done = evening
    assert done.problems == []
    record = evening_review()
    folder = out / "masks" / "scene04-take1-panorama-THRF0023" / "01-stack-THRF0023"
    gaps = grey(folder / "gaps.png")
    assert gaps.shape == (4000, 6000)
    measure = record.measures["104CLIFF/THRF0023~stack"]
    assert measure.coverage is not None
    tiles = np.repeat(np.repeat(measure.coverage.best < 0, 75, axis=0), 75, axis=1)
    whole = np.zeros(gaps.shape, bool)
    whole[: tiles.shape[0], : tiles.shape[1]] = tiles[:4000, :6000]
    assert (gaps[whole] > 250).mean() > 0.98  # the frames stand within a pixel of each other
    assert gaps[whole].size / gaps.size == pytest.approx((gaps == 255).mean(), abs=0.004)
    smeared = out / "masks" / "scene01-take1-stack-THRF0001" / "smear.png"
    assert (grey(smeared) == 255).any()
    still = out / "masks" / "scene01-take3-stack-THRF0009"
    assert {path.name for path in still.iterdir()} == {"holds.png", "holds.csv", "legend.txt"}


def test_smear_that_only_a_crisper_frame_tells_is_marked() -> None:
    record = evening_review()
    measure = record.measures["104CLIFF/THRF0009~stack"]
    pair = measure.pairs[1]
    assert pair.field is not None
    shape = pair.field.grid.shape
    there = np.zeros(shape, bool)
    there[30:33, 20:24] = True
    relative = PairSmear(
        smear_a_px=np.zeros(shape, np.float32), smear_b_px=np.where(there, 30, 0).astype(np.float32),
        angle_deg=np.full(shape, 90, np.float32), confidence=there.astype(np.float32),
    )  # fmt: skip
    known = {"textured": there, "relevance": there.astype(np.float32)}
    smeared = replace(pair, field=replace(pair.field, smear=relative, **known))
    plane = Plane.of(6000, 4000, 6000)
    chain = {pair.frame_a: np.eye(3)}
    settings = AssessSettings()
    mask = smear_mask(replace(measure, pairs=(smeared,)), {}, chain, plane, 2.0, settings, 2)
    ys, xs = np.nonzero(mask)
    side = pair.field.grid.tile_px
    # Twelve tiles, 15 px longer above and below: it smeared upright by 30 px.
    assert (xs.min(), xs.max()) == pytest.approx((20 * side, 24 * side - 1), abs=1)
    assert (ys.min(), ys.max()) == pytest.approx((30 * side - 15, 33 * side - 1 + 15), abs=1)
    assert not smear_mask(replace(measure, pairs=(smeared,)), {}, chain, plane, 31.0, settings, 2).any()
    assert not smear_mask(
        replace(measure, pairs=(smeared,)), {}, chain, plane, 2.0, settings, 2, only=pair.frame_a
    ).any()


def test_a_panorama_has_masks_over_each_view_of_a_seam(evening: tuple[Path, Masked]) -> None:
    folder = evening[0] / "masks" / "scene04-take1-panorama-THRF0023"
    assert {path.name for path in folder.glob("*.png")} == {"sway-THRF0029.png", "sway-THRF0035.png"}
    legend = (folder / "legend.txt").read_text("utf-8")
    for view in ("THRF0023", "THRF0029", "THRF0035"):
        assert f"Over 104CLIFF/{view}" in legend
    assert HOSTILE_NAME  # a frame of that name is in the tables, and stopped nothing


def test_softening_keeps_what_is_marked_and_ends_where_it_says() -> None:
    mask = np.zeros((200, 200), np.uint8)
    mask[80:120, 80:120] = 255
    soft = softened(mask, 20)
    assert (soft[mask == 255] == 255).all()
    y, x = np.mgrid[:200, :200]
    distance = np.hypot(np.clip(np.maximum(80 - x, x - 119), 0, None), np.clip(np.maximum(80 - y, y - 119), 0, None))
    assert not soft[distance > 21].any()
    assert soft[100, 70] == pytest.approx(128, abs=16)  # half way, half strength
    assert (softened(mask, 0) == mask).all()


@pytest.mark.slow
def test_masks_of_the_sample_shoot_lie_on_what_truth_says_moved(
    sample_shoot: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Most relevant objects of the second take that moved over 5 px are marked; the first take has no sway.

    Not all: a bloom smaller than two tiles, or one the review could not follow, is in no mask either.
    """
    monkeypatch.setenv("WINDSTILL_CACHE", str(tmp_path / "cache"))
    assert run("review", sample_shoot, "--out", "OUT")[0] == 0
    assert run("masks", "OUT", "--shoot", sample_shoot)[0] == 0  # in this process run.json knows no command line
    truth = json.loads((sample_shoot / "truth.json").read_text())
    assert not (tmp_path / "OUT" / "masks" / "scene01-take1-stack-THRF0001" / "sway.png").exists()
    mask = grey(tmp_path / "OUT" / "masks" / "scene01-take2-stack-THRF0005" / "sway.png")
    assert mask.shape == (1200, 1800)
    pairs = [pair for pair in truth["pairs"] if pair["set_id"].endswith("THRF0005~stack")]
    found = missed = 0
    for at, pair in enumerate(pairs):
        for region in pair["regions"]:
            inside = 0 <= region["x_px"] < 1800 and 0 <= region["y_px"] < 1200
            if not inside or not region["relevant"] or np.hypot(region["sway_x_px"], region["sway_y_px"]) <= 5:
                continue
            # From a to the base frame, the third, by the true mappings of the pairs between; none turns by a pixel.
            place = np.array([region["x_px"], region["y_px"]])
            for step in pairs[at:2]:
                assert abs(step["rotation_deg"]) < 0.05
                centre = (np.array([1800, 1200]) - 1) / 2
                place = (place - centre - (step["shift_x_px"], step["shift_y_px"])) / step["scale"] + centre
            x, y = np.round(place).astype(int)
            near = mask[max(0, y - 22) : y + 23, max(0, x - 22) : x + 23]
            found += bool((near == 255).any())
            missed += not (near == 255).any()
    assert found >= 2 * missed, (found, missed)
    assert (mask == 255).mean() < 0.1
