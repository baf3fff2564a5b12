"""Where output goes, where it must not, and that two runs never write to one folder."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from windstill.run.errors import ReviewError
from windstill.run.listing import listing_digest
from windstill.run.lock import FolderLock
from windstill.run.places import cache_folder, check_out, default_out, shoot_folder


def test_default_out_is_here(tmp_path: Path) -> None:
    shoot = tmp_path / "card" / "thrift"
    assert default_out(shoot, tmp_path) == tmp_path / "thrift-windstill"


@pytest.mark.parametrize("inside", [".", "DCIM"])
def test_default_out_is_beside_the_shoot_when_started_inside(tmp_path: Path, inside: str) -> None:
    shoot = tmp_path / "thrift"
    (shoot / inside).mkdir(parents=True, exist_ok=True)
    assert default_out(shoot, shoot / inside) == tmp_path / "thrift-windstill"


@pytest.mark.parametrize("where", [".", "out", "a/b/out", "../thrift/out"])
def test_out_inside_the_shoot_is_refused(tmp_path: Path, where: str) -> None:
    shoot = tmp_path / "thrift"
    shoot.mkdir()
    with pytest.raises(ReviewError, match="inside the shoot") as caught:
        check_out(shoot / where, shoot)
    assert caught.value.status == 2


def test_out_inside_the_shoot_through_a_link_is_refused(tmp_path: Path) -> None:
    shoot = tmp_path / "thrift"
    shoot.mkdir()
    (tmp_path / "link").symlink_to(shoot)
    with pytest.raises(ReviewError, match="inside the shoot"):
        check_out(tmp_path / "link" / "out", shoot)


def test_a_cache_inside_the_shoot_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Given or the user's own, as when the whole home is called a shoot."""
    shoot = tmp_path / "thrift"
    shoot.mkdir()
    (tmp_path / "link").symlink_to(shoot)
    assert cache_folder(tmp_path / "kept", shoot) == tmp_path / "kept"
    for inside in (shoot, shoot / "kept", tmp_path / "link" / "kept"):
        monkeypatch.setenv("WINDSTILL_CACHE", str(inside))
        for given in (inside, None):
            with pytest.raises(ReviewError, match="inside the shoot") as caught:
                cache_folder(given, shoot)
            assert caught.value.status == 2


def test_a_file_is_no_shoot_and_no_out(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.touch()
    for bad in (file, tmp_path / "missing", file / "below"):
        with pytest.raises(ReviewError) as caught:
            shoot_folder(bad)
        assert caught.value.status == 2
    with pytest.raises(ReviewError, match="a file"):
        check_out(file, tmp_path / "shoot")


def test_two_runs_on_one_folder(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from windstill.run.lock import FolderLock\n"
        "with FolderLock(Path(sys.argv[1])):\n  print('held', flush=True); sys.stdin.readline()"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(ReviewError, match="another windstill run"), FolderLock(tmp_path, patience_s=0.2):
            pass
        other.kill()
        other.wait()
    with FolderLock(tmp_path) as lock:  # a killed run leaves its file, but not its lock
        assert lock.still_ours()
        with pytest.raises(ReviewError), FolderLock(tmp_path, patience_s=0.1):
            pass
    assert list(tmp_path.iterdir()) == []


def test_a_folder_taken_away_is_noticed(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    with FolderLock(folder) as lock:
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()
        assert not lock.still_ours()
        folder.mkdir()
        assert not lock.still_ours()


def test_the_listing_tells_every_change(tmp_path: Path) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    photo = tmp_path / "a" / "one.jpg"
    photo.write_bytes(b"12")
    (tmp_path / "a" / "loop").symlink_to(tmp_path)
    seen = [listing_digest(tmp_path)]
    assert listing_digest(tmp_path) == seen[0]
    photo.write_bytes(b"123")
    seen.append(listing_digest(tmp_path))
    (tmp_path / "a" / "b" / "two.jpg").write_bytes(b"1")
    seen.append(listing_digest(tmp_path))
    photo.rename(tmp_path / "a" / "three.jpg")
    seen.append(listing_digest(tmp_path))
    (tmp_path / "a" / "loop").unlink()
    (tmp_path / "a" / "loop").symlink_to(tmp_path / "a" / "b")
    seen.append(listing_digest(tmp_path))
    assert len(set(seen)) == len(seen)
