"""`windstill gather`: all files of what is kept, whole and verified, and back again."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import time
from datetime import timedelta
from pathlib import Path
from urllib.parse import unquote_to_bytes

import pytest

from cli.conftest import Command, Here, arguments, environment
from handover.conftest import NAMES, SIDECAR, Reviewed
from run.small_shoots import DUSK, cliff, write_frame
from written import states


def contents(folder: Path) -> dict[str, bytes]:
    """Every photograph and sidecar below a folder, by path."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(("gathered.", ".windstill-lock"))
    }


def kept(reviewed: Reviewed) -> dict[str, bytes]:
    """All files of the frames to keep, as the tables name them, by path."""
    with (reviewed.out / "sets.csv").open(encoding="utf-8", newline="") as file:
        names = {name for row in csv.DictReader(file) for name in row["keep_frames"].split(";")}
    with (reviewed.out / "frames.csv").open(encoding="utf-8", newline="") as file:
        cells = [path for row in csv.DictReader(file) if row["frame"] in names for path in row["files"].split(";")]
    paths = [os.fsdecode(unquote_to_bytes(cell)) for cell in cells]
    assert len(paths) >= 16  # at least twelve exposures, three of them with a raw, one with a sidecar
    return {path: (reviewed.shoot / path).read_bytes() for path in paths}


def manifest_of(dest: Path) -> list[dict[str, object]]:
    entries: list[dict[str, object]] = json.loads((dest / "gathered.json").read_text("utf-8"))["files"]
    return entries


def one_line(error: str) -> str:
    assert "Traceback" not in error
    lines = [line for line in error.splitlines() if line.startswith("windstill: ")]
    assert len(lines) == 1, error
    return lines[0]


def test_every_file_of_every_exposure_is_copied_and_undo_leaves_nothing(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    before = states(reviewed.shoot)
    dest = tmp_path / "keepers"
    status, said, error = here("gather", reviewed.out, dest)
    assert (status, [line for line in error.splitlines() if line.startswith("windstill")]) == (0, [])
    assert f"{len(kept(reviewed))} files copied and verified" in said
    assert sorted(contents(dest).values()) == sorted(kept(reviewed).values())
    first = dest / "scene01-take1-burst-THRF0001"
    assert {path.name for path in first.iterdir()} == {
        "THRF0001.JPG", "THRF0001.NEF", "THRF0002.JPG", "THRF0002.NEF", "THRF0002.xmp", "THRF0003.JPG", "THRF0003.NEF",
    }  # fmt: skip
    assert (first / "THRF0001.JPG").stat().st_mtime_ns == (reviewed.shoot / NAMES[0][0]).stat().st_mtime_ns
    for entry in manifest_of(dest):
        written = dest / str(entry["gathered"]).replace("%25", "%")
        assert hashlib.sha256(written.read_bytes()).hexdigest() == entry["sha256"]
        assert written.stat().st_size == entry["bytes"]
    assert here("gather", "--undo", dest)[0] == 0
    assert not dest.exists()
    assert states(reviewed.shoot) == before


def test_a_spoilt_single_frame_stays_behind_unless_asked_for(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    """The report says to leave it out, so what is kept must not hold it."""
    out = tmp_path / "again"
    shutil.copytree(reviewed.out, out)
    with (out / "frames.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    spoilt = next(row for row in rows if row["kind"] == "single")
    spoilt["keep"] = "no"
    with (out / "frames.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(spoilt))
        table.writeheader()
        table.writerows(rows)
    _, said, _ = here("gather", out, tmp_path / "keepers")
    assert "left out: 1 spoilt single frame" in said
    assert spoilt["frame"] not in {entry["frame"] for entry in manifest_of(tmp_path / "keepers")}
    here("gather", out, tmp_path / "asked", "--only", spoilt["set_id"])
    assert {entry["frame"] for entry in manifest_of(tmp_path / "asked")} == {spoilt["frame"]}


def test_names_fit_every_disk_and_none_are_alike(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    here("gather", reviewed.out, tmp_path / "keepers")
    names = [path.relative_to(tmp_path / "keepers") for path in (tmp_path / "keepers").rglob("*")]
    for name in names:
        text = str(name.name)
        text.encode("utf-8")
        assert not re.search(r'[\x00-\x1f\\:*?"<>|]', text)
        assert text.split(".")[0].lower() not in ("con", "aux", "nul", "prn")
        assert text[-1] not in ". "
    assert len({str(name).casefold() for name in names}) == len(names)


@pytest.mark.parametrize("form", ["json", "csv"])
def test_a_rerun_finds_everything_there(form: str, reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    dest = tmp_path / "keepers"
    here("gather", reviewed.out, dest, "--manifest", form)
    before = states(dest)
    status, said, _ = here("gather", reviewed.out, dest)
    assert status == 0
    assert f"nothing to do: {len(kept(reviewed))} files there already" in said
    after = states(dest)
    assert {k: v[0] for k, v in after.items()} == {k: v[0] for k, v in before.items()}
    assert here("gather", "--undo", dest)[0] == 0
    assert not dest.exists()


def test_another_file_in_the_way_stays_and_the_rest_is_gathered(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    folder = tmp_path / "keepers" / "scene01-take1-burst-THRF0001"
    folder.mkdir(parents=True)
    (folder / "THRF0001.JPG").write_bytes(b"my own")
    same = (reviewed.shoot / NAMES[0][1]).read_bytes()
    (folder / "THRF0002.JPG").write_bytes(same)
    status, said, error = here("gather", reviewed.out, tmp_path / "keepers")
    assert status == 1
    assert "THRF0001.JPG" in one_line(error)
    assert "stays as it is" in one_line(error)
    assert f"{len(kept(reviewed)) - 2} files copied" in said
    assert "1 there already" in said
    assert here("gather", "--undo", tmp_path / "keepers")[0] == 0
    # What was there before us is there after us.
    assert contents(tmp_path / "keepers") == {
        "scene01-take1-burst-THRF0001/THRF0001.JPG": b"my own", "scene01-take1-burst-THRF0001/THRF0002.JPG": same,
    }  # fmt: skip


def test_undo_keeps_what_was_changed_and_what_may_be_the_only_copy(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    dest = tmp_path / "keepers"
    here("gather", reviewed.out, dest)
    changed = dest / "scene01-take1-burst-THRF0001" / "THRF0001.JPG"
    changed.write_bytes(changed.read_bytes() + b"retouched")
    count = len(kept(reviewed))
    (reviewed.shoot / NAMES[3][0]).unlink()
    only = dest / "singles" / "THRF0001.JPG"
    left = {str(path.relative_to(dest)): path.read_bytes() for path in (changed, only)}
    status, said, error = here("gather", "--undo", dest)
    assert status == 1
    assert f"{count - 2} files taken away, 2 kept" in said
    assert "changed after it was gathered" in error
    assert "only copy" in error
    assert contents(dest) == left
    assert {str(entry["gathered"]) for entry in manifest_of(dest)} == set(left)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("gathered", "../victim.JPG"), ("gathered", "/etc/hostname"), ("gathered", "a/%2E%2E/../../victim.JPG"),
        ("gathered", "%2E%2E/victim.JPG"), ("gathered", ""), ("gathered", "a%00b"), ("original", "../victim.JPG"),
        ("sha256", "ab"), ("bytes", -1), ("as", "move"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("words", [["--undo"], []])
def test_a_tampered_manifest_touches_nothing(
    field: str, value: object, words: list[str], reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    dest = tmp_path / "keepers"
    here("gather", reviewed.out, dest)
    victim = tmp_path / "victim.JPG"
    victim.write_bytes((reviewed.shoot / NAMES[0][0]).read_bytes())
    whole = json.loads((dest / "gathered.json").read_text("utf-8"))
    whole["files"][0][field] = value
    (dest / "gathered.json").write_text(json.dumps(whole))
    before = states(tmp_path)
    given = ["gather", *words, *([] if words else [str(reviewed.out)]), str(dest)]
    status, _, error = here(*given)
    assert status == 1
    assert "nothing was touched" in one_line(error)
    assert {k: v for k, v in states(tmp_path).items() if v[0]} == {k: v for k, v in before.items() if v[0]}


def test_undo_follows_no_link(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    dest = tmp_path / "keepers"
    here("gather", reviewed.out, dest)
    (dest / "singles").rename(tmp_path / "elsewhere")
    (dest / "singles").symlink_to(tmp_path / "elsewhere")
    (dest / "scene03-take1-burst-thrift1" / "thrift1.JPG").unlink()
    (dest / "scene03-take1-burst-thrift1" / "thrift1.JPG").symlink_to(reviewed.shoot / NAMES[2][0])
    before = states(reviewed.shoot)
    status, _, error = here("gather", "--undo", dest)
    assert status == 1
    assert "link" in error
    assert (tmp_path / "elsewhere" / "THRF0001.JPG").is_file()
    assert (dest / "scene03-take1-burst-thrift1" / "thrift1.JPG").is_symlink()
    assert states(reviewed.shoot) == before


def test_gather_writes_through_no_link(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    (tmp_path / "keepers").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "keepers" / "singles").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "keepers" / "scene03-take1-burst-thrift1").write_bytes(b"a file where a folder should be")
    status, said, error = here("gather", reviewed.out, tmp_path / "keepers")
    assert status == 1
    assert "singles is a link" in error
    assert f"{len(kept(reviewed)) - 4} files copied" in said
    assert list((tmp_path / "elsewhere").iterdir()) == []


@pytest.mark.parametrize("name", ["../outside.JPG", "/etc/hostname", "a/../../outside.JPG", "./a.JPG", "a//b.JPG"])
def test_a_tampered_table_leads_nowhere(name: str, reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    (tmp_path / "outside.JPG").write_bytes(b"not of the shoot")
    table = (reviewed.out / "frames.csv").read_text("utf-8")
    (reviewed.out / "frames.csv").write_text(table.replace("100CLIFF/THRF0001.JPG", name, 1), "utf-8")
    status, _, error = here("gather", reviewed.out, tmp_path / "keepers")
    assert status == 1
    assert "row 2" in one_line(error)
    assert not (tmp_path / "keepers").exists()


def test_an_original_replaced_by_a_link_or_a_pipe_is_said_and_not_waited_for(
    reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    (tmp_path / "secret.JPG").write_bytes(b"not of the shoot")
    link, pipe, gone = (reviewed.shoot / name for name in (NAMES[0][0], NAMES[0][1], NAMES[2][0]))
    count = len(kept(reviewed))
    for path in (link, pipe, gone):
        path.unlink()
    link.symlink_to(tmp_path / "secret.JPG")
    os.mkfifo(pipe)
    status, said, error = here("gather", reviewed.out, tmp_path / "keepers")
    assert status == 1
    assert "THRF0001.JPG: it leads out of the shoot" in error
    assert "THRF0002.JPG: is not a file" in error
    assert "thrift1.JPG: is not there any more" in error
    assert f"{count - 3} files copied" in said
    assert "3 not gathered" in said


@pytest.mark.parametrize("words", [["DEST"], ["DEST", "--as", "links"]])
def test_a_locked_card_is_copied_to_files_that_can_be_worked_on(
    words: list[str], reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    for path in reviewed.shoot.rglob("*.JPG"):
        path.chmod(0o444)
    before = states(reviewed.shoot)
    here("gather", reviewed.out, *words)
    assert states(reviewed.shoot) == before
    mode = (tmp_path / "DEST" / "singles" / "THRF0001.JPG").stat().st_mode & 0o777
    assert mode == (0o644 if len(words) == 1 else 0o444)


def test_links_warn_and_undo_takes_only_the_names(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    before = states(reviewed.shoot)
    status, said, error = here("gather", reviewed.out, "DEST", "--as", "links")
    assert status == 0
    assert "edits the original" in one_line(error)
    assert f"{len(kept(reviewed))} files linked (hard links)" in said
    assert (tmp_path / "DEST" / "singles" / "THRF0001.JPG").samefile(reviewed.shoot / NAMES[3][0])
    assert "nothing to do" in here("gather", reviewed.out, "DEST", "--as", "links")[1]
    assert here("gather", "--undo", "DEST")[0] == 0
    assert not (tmp_path / "DEST").exists()
    assert states(reviewed.shoot) == before


def test_links_to_another_disk_are_symbolic(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    other = Path("/dev/shm")
    if not other.is_dir() or other.stat().st_dev == reviewed.shoot.stat().st_dev or not os.access(other, os.W_OK):
        pytest.skip("no second file system here")
    dest = other / f"windstill-test-{os.getpid()}"
    try:
        status, said, _ = here("gather", reviewed.out, dest, "--as", "links")
        assert status == 0
        assert "symbolic links" in said
        link = dest / "singles" / "THRF0001.JPG"
        assert link.is_symlink()
        assert link.samefile(reviewed.shoot / NAMES[3][0])
        assert "nothing to do" in here("gather", reviewed.out, dest, "--as", "links")[1]
    finally:
        assert here("gather", "--undo", dest)[0] == 0
    assert not dest.exists()
    assert (reviewed.shoot / NAMES[3][0]).is_file()


def test_a_list_copies_nothing(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    status, said, _ = here("gather", reviewed.out, "--as", "list")
    assert status == 0
    listed = [line.split("\t") for line in said.splitlines()]
    assert len(listed) == len(kept(reviewed))
    assert Path(listed[0][1]) == reviewed.shoot / NAMES[0][0]
    assert here("gather", reviewed.out, "DEST", "--as", "list", "--manifest", "csv")[0] == 0
    assert [path.name for path in (tmp_path / "DEST").iterdir()] == ["gathered.csv"]
    with (tmp_path / "DEST" / "gathered.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["as"] == "list"]
    assert len(rows) == len(kept(reviewed))


@pytest.mark.parametrize(
    ("words", "files"), [(["--only", "single"], 1), (["--only", "burst", "--only", "clean"], 13),
                         (["--only", "100CLIFF/THRF0001~burst"], 7), (["--best-takes"], None)],
)  # fmt: skip
def test_only_what_is_asked_for(words: list[str], files: int | None, reviewed: Reviewed, here: Here) -> None:
    files = files or len(kept(reviewed))
    assert f"{files} file{'s' * (files > 1)} copied" in here("gather", reviewed.out, "DEST", *words)[1]


def test_raws_and_jpegs_kept_in_folders_of_their_own(here: Here, tmp_path: Path) -> None:
    """One exposure has two sidecars of one name: alike they are gathered once, else both under names of their own."""
    shoot = tmp_path / "dusk"
    stems = (f"{'thrift on the ledge ' * 6}1", "ledge 2", "ledge 3.")
    for index, stem in enumerate(stems):
        taken = DUSK + timedelta(seconds=index, milliseconds=137 * index)
        write_frame(shoot / f"jpeg/{stem}.JPG", cliff(0), taken)
        write_frame(shoot / f"raw/{stem}.JPG", cliff(0) * 0.99, taken)
        (shoot / f"raw/{stem}.JPG").rename(shoot / f"raw/{stem}.NEF")
        for folder in ("jpeg", "raw"):
            note = SIDECAR.replace(b"low", f"{folder} {index}".encode()) if index else SIDECAR
            (shoot / f"{folder}/{stem}.xmp").write_bytes(note)
    assert here("review", shoot, "--out", tmp_path / "out", "--workers", "1")[0] == 0
    assert here("gather", tmp_path / "out", tmp_path / "keepers")[0] == 0
    originals = {path.read_bytes() for path in shoot.rglob("*.*")}
    gathered = contents(tmp_path / "keepers")
    assert sorted(gathered.values()) == sorted(originals)
    (folder,) = {Path(path).parent for path in gathered}
    assert len(str(folder)) < 120 and str(folder)[-1] not in ". "
    assert sum(path.endswith(".xmp") for path in gathered) == 5


def test_only_the_frames_to_keep(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    table = (reviewed.out / "sets.csv").read_text("utf-8")
    kept = "100CLIFF/THRF0001;100CLIFF/THRF0002;100CLIFF/THRF0003"
    assert table.count(kept) == 2  # members and keep_frames
    head, _, tail = table.rpartition(kept)
    (reviewed.out / "sets.csv").write_text(f"{head}100CLIFF/THRF0002{tail}", "utf-8")
    here("gather", reviewed.out, "DEST")
    names = {path.name for path in (tmp_path / "DEST" / "scene01-take1-burst-THRF0001").iterdir()}
    assert names == {"THRF0002.JPG", "THRF0002.NEF", "THRF0002.xmp"}


def test_a_sidecar_written_since_the_review_goes_along(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    (reviewed.shoot / "102CLIFF" / "THRF0001.xmp").write_bytes(b"<x/>")
    here("gather", reviewed.out, "DEST")
    assert (tmp_path / "DEST" / "singles" / "THRF0001.xmp").read_bytes() == b"<x/>"


@pytest.mark.parametrize(
    ("words", "says", "status"),
    [
        (["gather"], "OUT DEST", 2),
        (["gather", "REVIEW"], "folder to gather to", 2),
        (["gather", "nowhere", "DEST"], "no such folder", 2),
        (["gather", "thrift", "DEST"], "did you mean", 2),
        (["gather", "REVIEW", "DEST", "--only", "sunny"], "touch-up", 2),
        (["gather", "REVIEW", "DEST", "--only", "lost"], "--only", 1),
        (["gather", "REVIEW", "DEST", "--as", "moved"], "copies, links, list", 2),
        (["gather", "REVIEW", "DEST", "--manifest", "xml"], "json, csv", 2),
        (["gather", "REVIEW", "DEST", "--shoot", "cache"], "none of the photographs", 2),
        (["gather", "REVIEW", "thrift/100CLIFF/keepers"], "inside the shoot", 2),
        (["gather", "REVIEW", "REVIEW"], "review's own files", 2),
        (["gather", "REVIEW", "REVIEW/maps/keepers"], "review's own files", 2),
        (["gather", "REVIEW", "REVIEW/sets.csv"], "a file, not a folder", 2),
        (["gather", "REVIEW", "REVIEW/sets.csv/keepers"], "cannot be created", 1),
        (["gather", "--undo", "thrift"], "no manifest", 2),
        (["gather", "--undo", "nowhere"], "no such folder", 2),
        (["gather", "--undo", "REVIEW", "DEST", "thrift"], "takes the folder", 2),
        (["gather", "REVIEW", "DEST", "--set", "handover.spare_mb=900000000"], "not enough room", 1),
    ],
)
def test_what_cannot_be_done_is_one_line(
    words: list[str], says: str, status: int, reviewed: Reviewed, here: Here, tmp_path: Path
) -> None:
    before = states(reviewed.shoot)
    given = [word.replace("REVIEW", str(reviewed.out)) for word in words]
    (tmp_path / "cache").mkdir(exist_ok=True)
    found, said, error = here(*given)
    assert found == status
    assert says in one_line(error)
    assert "copied" not in said
    assert states(reviewed.shoot) == before


def test_the_photographs_are_found_where_they_moved(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    reviewed.shoot.rename(tmp_path / "card-2")
    status, _, error = here("gather", reviewed.out, "DEST")
    assert status == 1
    assert "--shoot" in one_line(error)
    assert here("gather", reviewed.out, "DEST", "--shoot", tmp_path / "card-2")[0] == 0


@pytest.mark.parametrize("written", ["[" * 100_000, '{"a":' * 100_000, "1" * 5000, "[1e999]", "\ufeff{}"])
def test_records_that_no_parser_takes_are_named_and_touch_nothing(
    reviewed: Reviewed, here: Here, tmp_path: Path, written: str
) -> None:
    """What stands beside a review is not trusted to end: of run.json, gather needs nothing; the others are refused."""
    dest, record = tmp_path / "keepers", reviewed.out / "sidecars.json"
    (reviewed.out / "run.json").write_text(written, "utf-8")
    assert here("gather", reviewed.out, dest)[0] == 0
    (dest / "gathered.json").write_text(written, "utf-8")
    record.write_text(written, "utf-8")
    before = states(tmp_path)
    for words in (
        ("gather", reviewed.out, dest), ("gather", "--undo", dest),
        ("sidecar", reviewed.out, "--write"), ("sidecar", reviewed.out, "--undo"),
    ):  # fmt: skip
        status, _, error = here(*words)
        assert status == 1
        name = "gathered.json" if words[0] == "gather" else "sidecars.json"
        assert f"{name}: not a" in one_line(error)
    # Of folders, which locks come and go in, the time may change.
    assert {k: v for k, v in states(tmp_path).items() if v[0]} == {k: v for k, v in before.items() if v[0]}


def test_a_manifest_of_another_shoot_is_not_mixed_in(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    here("gather", reviewed.out, "DEST")
    reviewed.shoot.rename(tmp_path / "card-2")
    status, _, error = here("gather", reviewed.out, "DEST", "--shoot", tmp_path / "card-2")
    assert status == 2
    assert "give another folder" in one_line(error)


def test_a_disk_that_fills_leaves_whole_files_only(reviewed: Reviewed, windstill: Command, tmp_path: Path) -> None:
    """A limit on the size of files stands in for a disk that takes no more."""
    with (reviewed.shoot / "101CLIFF" / "Con.JPG").open("ab") as file:
        file.write(bytes(300_000))

    def little() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    done = windstill("gather", reviewed.out, "DEST", preexec_fn=little)
    assert done.returncode == 1
    assert "cannot be written" in one_line(done.stderr)
    originals = set(kept(reviewed).values())
    assert set(contents(tmp_path / "DEST").values()) < originals
    assert not list((tmp_path / "DEST").rglob("*.part"))
    assert windstill("gather", reviewed.out, "DEST").returncode == 0
    assert sorted(contents(tmp_path / "DEST").values()) == sorted(kept(reviewed).values())


def test_killed_at_any_moment_a_rerun_finishes(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    """SIGKILL at the first sign of each stage: the first temporary file, the manifest, the first and a later name."""
    for path in reviewed.shoot.rglob("*.NEF"):
        with path.open("ab") as file:
            file.write(os.urandom(6_000_000))
    before = states(reviewed.shoot)
    originals = kept(reviewed)
    dest = tmp_path / "DEST"
    seen = 0
    for sign in ("*/*.part", "*/*.part", "gathered.json", "*/THRF0001.JPG", "*/*.NEF", "*/two*"):
        run = subprocess.Popen(
            arguments(["gather", reviewed.out, dest]), cwd=tmp_path, env=environment(tmp_path / "cache"),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        while run.poll() is None and not list(dest.glob(sign)):
            time.sleep(0.001)
        run.send_signal(signal.SIGKILL)
        seen += run.wait() == -signal.SIGKILL
        whole = set(originals.values())
        assert not [name for name, data in contents(dest).items() if data not in whole and not name.endswith(".part")]
    assert seen >= 3
    assert here("gather", reviewed.out, dest)[0] == 0
    assert sorted(contents(dest).values()) == sorted(originals.values())
    assert here("gather", "--undo", dest)[0] == 0
    assert not dest.exists()
    assert states(reviewed.shoot) == before


def test_a_run_cut_off_can_be_undone(reviewed: Reviewed, here: Here, tmp_path: Path) -> None:
    dest = tmp_path / "DEST"
    run = subprocess.Popen(
        arguments(["gather", reviewed.out, dest]), cwd=tmp_path, env=environment(tmp_path / "cache"),
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    while run.poll() is None and not list(dest.glob("*/THRF*.JPG")):
        time.sleep(0.001)
    run.send_signal(signal.SIGKILL)
    run.wait()
    assert here("gather", "--undo", dest)[0] == 0
    assert not [path for path in dest.rglob("*") if path.is_file() and path.name != ".windstill-lock"]


def test_the_help_shows_an_example_that_works(reviewed: Reviewed, here: Here) -> None:
    said = here("gather", "--help")[1]
    examples = re.findall(r"windstill (gather .*KEEPERS.*|gather REVIEW --as list)", said)
    assert len(examples) == 4
    for example in examples:
        words = [str(reviewed.out) if word == "REVIEW" else word for word in example.split()]
        assert here(*words)[0] == 0, example
