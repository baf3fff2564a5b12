"""The pictures of this documentation, made from the sample shoot: ``python docs/pictures.py [FOLDER]``.

The report's picture needs a Chromium browser and playwright, and is left as it is without them.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

import windstill

DOCS = Path(__file__).resolve().parent
SHOOT = DOCS.parent / "sample_data" / "cliff-thrift"
CALM, BREEZE = "DCIM/100CLIFF/THRF0001~stack", "DCIM/100CLIFF/THRF0005~stack"
BRACKET, SMEARED = "DCIM/100CLIFF/THRF0010~bracket", "DCIM/100CLIFF/THRF0016"
COLOURS = "cividis"  # even in lightness, and the same to colour-blind eyes
WIDE = (9.0, 3.3)

Shoot = windstill.ReviewedShoot


def short(name: str) -> str:
    """A frame's or set's name without its folders."""
    return name.rsplit("/", 1)[-1]


def under(axis: Axes, shoot: Shoot, frame: str) -> None:
    """Draw a frame in pale grey, in picture coordinates."""
    grey = shoot.thumbnail(frame).mean(axis=2)
    extent = shoot.extent(frame)
    axis.imshow(140 + 0.45 * grey, cmap="gray", vmin=0, vmax=255, extent=extent)
    axis.set(xlim=extent[:2], ylim=extent[2:], xticks=[], yticks=[])


def worst(shoot: Shoot, set_id: str) -> windstill.SwayMap:
    """Sway map of a set's worst pair."""
    first, second = shoot.sets.set_index("set_id").loc[set_id, "worst_pair"].split(">")
    return shoot.sway_maps(set_id)[first, second]


def takes(shoot: Shoot) -> Figure:
    """The same stack in calm air and in the breeze, on one scale."""
    figure, axes = plt.subplots(1, 2, figsize=WIDE, layout="constrained")
    for axis, set_id in zip(axes, (CALM, BREEZE), strict=True):
        found = next(iter(shoot.sway_maps(set_id).values()))  # the two nearest focus positions, in both takes
        counts = (found.confidence >= 0.5) & (found.relevance >= 0.5)
        under(axis, shoot, found.frame_a)
        drawn = axis.imshow(
            np.where(counts, found.length_px, np.nan), cmap=COLOURS, vmin=0, vmax=10, extent=found.extent
        )
        row = shoot.sets.set_index("set_id").loc[set_id]
        axis.set_title(f"take {row['take']}: {row['outlook']}, at worst {row['sway_max_px']:.1f} px", fontsize=10)
    figure.colorbar(drawn, ax=axes, label="sway, px, focus 1 to 2", extend="max")
    return figure


def relevance(shoot: Shoot) -> Figure:
    """Where the merge of two focus neighbours draws on both frames, and where it could be measured."""
    found = worst(shoot, BREEZE)
    figure, axes = plt.subplots(1, 2, figsize=WIDE, layout="constrained")
    for axis, plane, title in (
        (axes[0], found.relevance, "relevance: the merge draws on both"),
        (axes[1], found.confidence, "confidence of the measure"),
    ):
        under(axis, shoot, found.frame_a)
        drawn = axis.imshow(np.where(plane > 0.02, plane, np.nan), cmap=COLOURS, vmin=0, vmax=1, extent=found.extent)
        axis.set_title(title, fontsize=10)
    figure.colorbar(drawn, ax=axes)
    return figure


def place(shoot: Shoot) -> Figure:
    """The worst place of the bracket at 100 %, in both frames, the second brought over the first."""
    measure = shoot.record.measures[BRACKET]
    pair = max((p for p in measure.pairs if p.crops), key=lambda p: p.sway_max_px or 0.0)
    crops = pair.crops
    assert crops is not None
    from io import BytesIO

    from PIL import Image

    figure, axes = plt.subplots(1, 2, figsize=(7.2, 3.8), layout="constrained")
    extent = (crops.x_px - 0.5, crops.x_px + crops.width_px - 0.5, crops.y_px + crops.height_px - 0.5, crops.y_px - 0.5)
    for axis, data, name in ((axes[0], crops.a_jpeg, pair.frame_a), (axes[1], crops.b_jpeg, pair.frame_b)):
        axis.imshow(np.asarray(Image.open(BytesIO(data))), extent=extent)
        axis.axhline(pair.worst_y_px, color="white", lw=0.7)
        axis.axvline(pair.worst_x_px, color="white", lw=0.7)
        axis.set_title(short(name), fontsize=10)
        axis.tick_params(labelsize=7)
    figure.suptitle(f"sway up to {pair.sway_max_px:.1f} px; the lines mark one place in both", fontsize=10)
    return figure


def smear(shoot: Shoot) -> Figure:
    """The smeared frame: its map, and a part at 100 % with the length it was measured to have."""
    row = shoot.frames.set_index("frame").loc[SMEARED]
    score = shoot.score(SMEARED)
    side, length = score.grid.tile_px, shoot.smear_px(SMEARED)
    figure, axes = plt.subplots(1, 2, figsize=WIDE, layout="constrained", width_ratios=(1.45, 1))
    under(axes[0], shoot, SMEARED)
    extent = (-0.5, score.grid.cols * side - 0.5, score.grid.rows * side - 0.5, -0.5)
    drawn = axes[0].imshow(length, cmap=COLOURS, vmin=0, vmax=20, extent=extent)
    axes[0].set_title("smear per tile, where one frame tells", fontsize=10)
    figure.colorbar(drawn, ax=axes[0], label="smear, px", extend="max")
    weight = np.where(np.isfinite(length) & (length > 8), score.sharp, 0)
    tall, wide = np.unravel_index(int(np.argmax(weight)), weight.shape)
    half, picture = 90, shoot.picture(SMEARED)
    y = int(np.clip(tall * side, half, picture.shape[0] - half))
    x = int(np.clip(wide * side, half, picture.shape[1] - half))
    axes[1].imshow(picture[y - half : y + half, x - half : x + half])
    angle = np.deg2rad(row["smear_angle_deg"])
    dx, dy = row["smear_px"] * np.cos(angle), -row["smear_px"] * np.sin(angle)
    axes[1].plot([14, 14 + dx], [166, 166 + dy], color="white", lw=3, solid_capstyle="butt")
    axes[1].set(xticks=[], yticks=[], xlim=(-0.5, 2 * half - 0.5), ylim=(2 * half - 0.5, -0.5))
    axes[1].set_title(f"at 100 %; the bar is {row['smear_px']:.0f} px", fontsize=10)
    return figure


def coverage(shoot: Shoot) -> Figure:
    """Which frame of the calm stack serves each place best."""
    found = shoot.coverage(CALM)
    assert found is not None
    frames = shoot.record.measures[CALM].frames
    figure, axis = plt.subplots(figsize=(6.2, 3.5), layout="constrained")
    under(axis, shoot, frames[0])
    side = found.grid.tile_px
    extent = (-0.5, found.grid.cols * side - 0.5, found.grid.rows * side - 0.5, -0.5)
    colours = plt.get_cmap(COLOURS, len(frames))
    best = np.where(found.best >= 0, found.best + 1.0, np.nan)
    drawn = axis.imshow(best, cmap=colours, vmin=0.5, vmax=len(frames) + 0.5, extent=extent)
    figure.colorbar(drawn, ax=axis, ticks=range(1, len(frames) + 1), label="focus position")
    axis.set_title(f"the frame that serves each tile best; coverage {found.coverage_pct:.0f} %", fontsize=10)
    return figure


PICTURES: tuple[Callable[[Shoot], Figure], ...] = (takes, relevance, place, smear, coverage)


def report_picture(report: Path, target: Path) -> None:
    """The report's first screen as a browser shows it."""
    from io import BytesIO

    from PIL import Image
    from playwright.sync_api import sync_playwright

    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        raise FileNotFoundError("no Chromium browser")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page: Any = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(report.as_uri())
        page.wait_for_timeout(500)
        shot = page.screenshot()
        browser.close()
    Image.open(BytesIO(shot)).convert("RGB").save(target, quality=82, method=6)


def main(folder: Path) -> None:
    """Make every picture in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as out, windstill.review(SHOOT, Path(out) / "review") as shoot:
        for make in PICTURES:
            figure = make(shoot)
            figure.savefig(folder / f"{make.__name__}.webp", dpi=110, pil_kwargs={"quality": 80, "method": 6})
            plt.close(figure)
        try:
            report_picture(Path(out) / "review" / "report.html", folder / "report.webp")
        except (ImportError, FileNotFoundError) as err:
            print(f"report.webp left as it is: {err}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DOCS / "pictures")
