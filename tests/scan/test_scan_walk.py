"""Walking cards: nesting, system files, links, pipes, names of any kind; nothing hangs, nothing is lost silently."""

from __future__ import annotations

import multiprocessing
import os
import socket
from pathlib import Path

import pytest

from scan.camera_files import jpeg
from windstill.records import ScannedShoot, decode_name, encode_name
from windstill.scan import scan_shoot
from windstill.settings.scan import ScanSettings


def names(shoot: ScannedShoot) -> list[str]:
    return [frame.name for frame in shoot.frames]


def test_missing_folder_and_file_for_a_folder(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="no such folder"):
        scan_shoot(tmp_path / "nowhere")
    with pytest.raises(NotADirectoryError, match="a file, not a folder"):
        scan_shoot(jpeg(tmp_path / "TARN0001.JPG"))


def test_empty_folder_and_folder_of_text(tmp_path: Path) -> None:
    assert scan_shoot(tmp_path).files_seen == 0
    (tmp_path / "notes.txt").write_text("tide 21:40")
    shoot = scan_shoot(tmp_path)
    assert (shoot.frames, shoot.problems, shoot.files_seen) == ((), (), 1)


def test_cards_nest_folders(tmp_path: Path) -> None:
    path = tmp_path / "evening/card 2/DCIM/101FELLS/TARN0001.JPG"
    jpeg(path)
    assert names(scan_shoot(tmp_path)) == ["evening/card 2/DCIM/101FELLS/TARN0001"]


@pytest.mark.parametrize(
    "hidden",
    [
        ".DS_Store", "._TARN0001.JPG", ".Trashes/TARN0002.JPG", "Thumbs.db", "DCIM/MISC/TARN0002.JPG",
        "PRIVATE/M4ROOT/THMBNL/C0001T01.JPG", "System Volume Information/TARN0002.JPG", "$RECYCLE.BIN/TARN0002.JPG",
        "@eaDir/TARN0001.JPG/thumb.jpg", "__MACOSX/TARN0002.JPG",
    ],
)
def test_hidden_and_system_files_are_passed_over(tmp_path: Path, hidden: str) -> None:
    jpeg(tmp_path / "TARN0001.JPG")
    (tmp_path / hidden).parent.mkdir(parents=True, exist_ok=True)
    jpeg(tmp_path / hidden) if hidden.lower().endswith("jpg") else (tmp_path / hidden).write_bytes(b"x")
    shoot = scan_shoot(tmp_path)
    assert (names(shoot), shoot.problems, shoot.files_seen) == (["TARN0001"], (), 1)


def test_videos_and_lists_are_counted_but_no_problem(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG")
    for name in ("TARN0002.MOV", "TARN0002.THM", "clip.mp4", "AUTPRINT.MRK", "read me"):
        (tmp_path / name).write_bytes(b"x")
    shoot = scan_shoot(tmp_path)
    assert (names(shoot), shoot.problems, shoot.files_seen) == (["TARN0001"], (), 6)


def test_a_review_left_in_the_shoot_is_not_reviewed(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG")
    jpeg(tmp_path / "review of june/maps/a.jpg")
    for name in ("frames.csv", "sets.csv", "run.json"):
        (tmp_path / "review of june" / name).write_text("")
    assert names(scan_shoot(tmp_path)) == ["TARN0001"]


def test_picture_kinds_without_a_reader_are_named(tmp_path: Path) -> None:
    (tmp_path / "a.avif").write_bytes(b"x")
    assert [problem.file for problem in scan_shoot(tmp_path).problems] == ["a.avif"]


def test_links_in_circles_and_out_of_the_shoot(tmp_path: Path) -> None:
    shoot_folder, elsewhere = tmp_path / "shoot", tmp_path / "elsewhere"
    jpeg(shoot_folder / "A/TARN0001.JPG")
    jpeg(elsewhere / "TARN0009.JPG")
    (shoot_folder / "A/again").symlink_to(shoot_folder)
    (shoot_folder / "B").symlink_to(shoot_folder / "A")
    (shoot_folder / "same.JPG").symlink_to(shoot_folder / "A/TARN0001.JPG")
    (shoot_folder / "round.JPG").symlink_to(shoot_folder / "round.JPG")
    (shoot_folder / "gone.JPG").symlink_to(shoot_folder / "nothing.JPG")
    (shoot_folder / "gone too").symlink_to(shoot_folder / "nothing")
    (shoot_folder / "out").symlink_to(elsewhere)
    (shoot_folder / "out.JPG").symlink_to(elsewhere / "TARN0009.JPG")
    shoot = scan_shoot(shoot_folder)
    assert names(shoot) == ["A/TARN0001"]
    assert {problem.file for problem in shoot.problems} == {"gone.JPG", "out", "out.JPG", "round.JPG"}
    assert {problem.problem for problem in shoot.problems if problem.file.startswith("out")} == {
        "the link leads out of the shoot"
    }


def test_link_to_a_hidden_folder_of_the_shoot_is_followed_unless_told_otherwise(tmp_path: Path) -> None:
    jpeg(tmp_path / ".store/TARN0001.JPG")
    (tmp_path / "evening").symlink_to(tmp_path / ".store")
    assert names(scan_shoot(tmp_path)) == ["evening/TARN0001"]
    assert names(scan_shoot(tmp_path, ScanSettings(follow_links=False))) == []


def test_a_shoot_reached_by_a_link(tmp_path: Path) -> None:
    jpeg(tmp_path / "real/TARN0001.JPG")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    assert names(scan_shoot(tmp_path / "link")) == ["TARN0001"]


def test_pipes_sockets_and_devices_are_never_opened(tmp_path: Path) -> None:
    jpeg(tmp_path / "TARN0001.JPG")
    os.mkfifo(tmp_path / "pipe.JPG")
    os.mkfifo(tmp_path / "pipe without a promise")
    with socket.socket(socket.AF_UNIX) as server:
        here = Path.cwd()
        os.chdir(tmp_path)  # the path of a socket must be short
        try:
            server.bind("socket.NEF")
        finally:
            os.chdir(here)
        expected = {"pipe.JPG", "socket.NEF"}
        try:
            os.mknod(tmp_path / "device.TIF", 0o600 | 0o020000, os.makedev(1, 3))
            expected.add("device.TIF")
        except PermissionError:
            pass
        shoot = scan_shoot(tmp_path)
    assert names(shoot) == ["TARN0001"]
    assert {problem.file for problem in shoot.problems} == expected


STRANGE = [
    b"two words.jpg", b"quo\"te's.jpg", b"new\nline.jpg", b"tab\tand\x01control.jpg", b"not utf-8 \xff\xfe.jpg",
    "thrift \N{CHERRY BLOSSOM}.jpg".encode(), b"-rf.jpg", b"=1+1.jpg", b"@SUM.jpg", b"percent%41.jpg",
    b"semi;colon>.jpg", b"<script>alert(1)<.jpg",
    "\u202egnp.jpg".encode(), b"x" * 251 + b".jpg", b"dots...jpg", b"UPPER.JPG", b"upper.jpg",
]


def test_names_of_every_kind_are_frames_and_read_back(tmp_path: Path) -> None:
    for at, name in enumerate(STRANGE):
        jpeg(tmp_path / os.fsdecode(name), seed=at, taken=f"2026:06:11 21:{at:02d}:00")
    shoot = scan_shoot(tmp_path)
    assert shoot.problems == ()
    assert [os.fsencode(frame.pixels_from) for frame in shoot.frames] == STRANGE
    assert len(set(names(shoot))) == len(STRANGE)
    for name in names(shoot):
        assert decode_name(encode_name(name)) == name


@pytest.mark.parametrize("ending", ["webp", "heic", "dng"])
def test_names_that_are_no_text_reach_the_other_process(tmp_path: Path, ending: str) -> None:
    from scan.camera_files import picture, raw

    path = tmp_path / os.fsdecode(b"not utf-8 \xff." + ending.encode())
    if ending == "dng":
        raw(path)
    else:
        if ending == "heic":
            pytest.importorskip("pillow_heif").register_heif_opener()
        plain = tmp_path / f"plain.{ending}"
        picture(1, (64, 48)).save(plain)
        plain.rename(path)
    shoot = scan_shoot(tmp_path)
    assert shoot.problems == ()
    assert len(shoot.frames) == 1


def test_paths_of_thousands_of_characters(tmp_path: Path) -> None:
    """As long as the system opens them they are read; one line where it does not."""
    here = Path.cwd()
    deep = tmp_path
    try:
        os.chdir(tmp_path)
        while len(str(deep)) < 5000:
            part = "d" * 200
            Path(part).mkdir()
            os.chdir(part)
            deep = deep / part
            jpeg(Path("TARN0001.JPG"), taken="2026:06:11 21:14:05", seed=len(str(deep)))
    finally:
        os.chdir(here)
    shoot = scan_shoot(tmp_path)
    assert max(len(frame.name) for frame in shoot.frames) > 3000
    assert {problem.problem.partition(" (")[0] for problem in shoot.problems} <= {
        "the folder cannot be opened", "it cannot be opened"
    }
    assert any(problem.file.endswith("d" * 200) for problem in shoot.problems)


def _scan_unprivileged(root: str, locked: str, answers: multiprocessing.queues.Queue[object]) -> None:  # type: ignore[name-defined]
    os.setgid(65534)
    os.setuid(65534)
    shoot = scan_shoot(Path(root))
    answers.put((names(shoot), [(problem.file, problem.problem) for problem in shoot.problems]))


def test_unreadable_folder_and_file(tmp_path: Path) -> None:
    jpeg(tmp_path / "open/TARN0001.JPG")
    jpeg(tmp_path / "locked/TARN0002.JPG")
    jpeg(tmp_path / "open/TARN0003.JPG").chmod(0)
    (tmp_path / "locked").chmod(0)
    expected = {"locked": "the folder cannot be opened", "open/TARN0003.JPG": "it cannot be read"}
    try:
        if os.geteuid() == 0:  # root reads everything: look with a user's eyes
            for folder in (tmp_path, *tmp_path.parents):
                if folder.is_relative_to("/tmp") and folder != Path("/tmp"):
                    folder.chmod(0o755)
            context = multiprocessing.get_context("fork")
            answers = context.Queue()
            child = context.Process(target=_scan_unprivileged, args=(str(tmp_path), "locked", answers))
            child.start()
            found, problems = answers.get(timeout=30)
            child.join()
        else:
            shoot = scan_shoot(tmp_path)
            found, problems = names(shoot), [(problem.file, problem.problem) for problem in shoot.problems]
    finally:
        (tmp_path / "locked").chmod(0o700)
    assert found == ["open/TARN0001"]
    assert {file for file, _ in problems} == set(expected)
    assert all(problem.startswith(expected[file]) for file, problem in problems)
