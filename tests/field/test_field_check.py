"""What the quick check reads, and what it keeps silent about."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from preview_shoots import DUSK, FLOOR_PX, HEIGHT, WIDTH, jpeg_file, scene, write_burst

from windstill.field import FieldDesk, Latest, quick_check
from windstill.field.check import for_previews
from windstill.field.read import read_quick
from windstill.imaging import decode
from windstill.records import CameraData, Frame, ShootFile
from windstill.score import score_frame
from windstill.settings import Settings

USED = for_previews(Settings())


@pytest.mark.parametrize(("orientation", "preview_width"), [(1, 1200), (6, 1200), (8, 0)])
def test_the_quick_picture_is_the_picture_made_small(
    orientation: int, preview_width: int, tmp_path: Path
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_file(scene(4), DUSK, preview_width))
    size = (WIDTH, HEIGHT) if orientation == 1 else (HEIGHT, WIDTH)
    frame = Frame("a", (ShootFile("a.jpg", "image", 0, 0),), "a.jpg", *size, CameraData(orientation=orientation))
    read = read_quick(path, frame, USED.imaging, USED.score)
    full = decode(path, orientation, USED.imaging, reduction=2)
    assert read.luma.shape == full.luma.shape == (size[1] // 2, size[0] // 2)
    assert (read.width_px, read.height_px) == size
    assert 1 / read.luma_scale == pytest.approx(FLOOR_PX if preview_width else 2)
    # Less detail, the same places: blocks of pixels agree.
    blocks = [p[:1200, :1200].reshape(60, 20, 60, 20).mean((1, 3)) for p in (read.luma, full.luma)]
    assert np.abs(blocks[0] - blocks[1]).max() < 3


def test_blur_read_off_the_halved_plane_is_the_same_blur(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    sharp = scene(4)
    soft = cv2.GaussianBlur(sharp, (0, 0), 6)
    half = np.concatenate([sharp[:, : WIDTH // 2], soft[:, WIDTH // 2 :]], axis=1)
    path.write_bytes(jpeg_file(half, DUSK, 1200))
    frame = Frame("a", (ShootFile("a.jpg", "image", 0, 0),), "a.jpg", WIDTH, HEIGHT)
    read = read_quick(path, frame, USED.imaging, USED.score)
    whole = USED.score.model_copy(update={"coarse_from_half": False})
    quick, slow = (score_frame(frame, read, settings).score for settings in (USED.score, whole))
    assert np.array_equal(quick.sharp, slow.sharp)
    assert (quick.textured == slow.textured).mean() > 0.99
    both = quick.textured & slow.textured
    middle = both.shape[1] // 2
    for side in (np.s_[:, : middle - 2], np.s_[:, middle + 2 :]):
        assert both[side].any()
        ratio = quick.fineness[side][both[side]] / slow.fineness[side][both[side]]
        assert np.median(ratio) == pytest.approx(1, abs=0.05)
    assert np.abs(quick.small.astype(int) - slow.small).mean() < 2


def test_motion_under_a_preview_pixel_is_not_reported_and_more_is(tmp_path: Path) -> None:
    card = tmp_path / "card"
    write_burst(card, 1, 2, DUSK, (0.0, 2.5, 0.0))
    write_burst(card, 4, 2, DUSK + timedelta(minutes=5), (0.0, 6.0, 0.0), place=(0.7, 0.02, 0.95, 0.2))
    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        check = quick_check(card, desk)
        assert [check.scores[name].decoder for name in check.scores] == ["embedded preview"] * 6
    small, large = (check.verdicts[node.set_id] for node in check.grouping.top_level())
    assert check.floors_px == {small.set_id: FLOOR_PX, large.set_id: FLOOR_PX}
    assert (small.outlook, small.sway_max_px) == ("clean", 0.0)
    assert large.sway_max_px == pytest.approx(6.0, abs=0.5)
    assert large.outlook in ("touch-up", "hard")
    lengths = np.concatenate([
        np.hypot(pair.field.sway_x_px, pair.field.sway_y_px).ravel()
        for measure in check.measures.values() for pair in measure.pairs if pair.field is not None
    ])  # fmt: skip
    assert not ((lengths > 0) & (lengths < FLOOR_PX)).any()


def test_only_what_is_asked_for_is_read(tmp_path: Path) -> None:
    card = tmp_path / "card"
    for n in range(3):
        write_burst(card, 1 + 2 * n, 7 + n, DUSK + timedelta(minutes=5 * n), (0.0, 0.0), preview_width=0,
                    size=(1200, 800))  # fmt: skip
    # One frame alone at the end is no set: the newest set lies before it.
    (card / "THFT0009.JPG").write_bytes(jpeg_file(scene(30, 1200, 800), DUSK + timedelta(hours=1), 0))
    with FieldDesk(Settings(), tmp_path / "cache") as desk:
        check = quick_check(card, desk, Latest(sets=1))
        assert [frame.name for frame in check.frames] == ["THFT0005", "THFT0006", "THFT0009"]
        assert check.earlier == 4
        assert [node.kind for node in check.grouping.top_level()] == ["burst", "single"]
        everything = quick_check(card, desk)
        assert len(everything.frames) == 7 and everything.earlier == 0
    assert not list(card.glob("*.npy")) and len(list(card.iterdir())) == 7
