"""maps/: one picture per assessed set, its sway laid over it, with a scale in pixels."""

from __future__ import annotations

import hashlib
import io
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from PIL import Image, ImageDraw, ImageEnhance, ImageFont, PngImagePlugin

from windstill.records import FrameSet, PairMeasure, Review, encode_name
from windstill.report.aside import written_aside
from windstill.report.overlay import amount_legend, sway_overlay
from windstill.report.shoot import Shoot
from windstill.report.words import numbered, px, short_name, span_of, worst_place

FOLDER = "maps"
_WIDTH = 680  # the thumbnail is 480 wide: more would be empty enlargement
_MADE_BY = "windstill sway map"
_PAPER, _INK = (248, 246, 241), (31, 41, 51)
# Longest file name every common file system takes is 255 bytes; the rest is room for the temporary name.
_NAME_BYTES = 160
_UNSAFE = '/\\:*?"<>|'


def map_names(shoot: Shoot) -> dict[str, str]:
    """File name in maps/ of every set that has a map: its id with ``/`` and what file systems refuse encoded."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for node in shoot.review.grouping.sets:
        if shoot.shown_pair(node) is None or node.set_id not in shoot.review.verdicts:
            continue
        name = "".join(f"%{ord(c):02X}" if c in _UNSAFE else c for c in encode_name(node.set_id))
        # Names that differ only in case would overwrite each other on some disks.
        if len(name.encode()) > _NAME_BYTES or name.casefold() in taken:
            digest = hashlib.blake2b(node.set_id.encode("utf-8", "surrogateescape"), digest_size=4).hexdigest()
            name = f"{name.encode()[: _NAME_BYTES - 12].decode('utf-8', 'ignore').rstrip('%')}~{digest}"
        taken.add(name.casefold())
        names[node.set_id] = f"{name}.png"
    return names


def write_maps(review: Review, out: Path) -> None:
    """Write the maps, and take away those of an earlier review that are no longer true."""
    folder = out / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    shoot = Shoot(review)
    names = map_names(shoot)
    for set_id, name in names.items():
        image = draw_map(shoot, shoot.sets[set_id])
        if image is None:
            continue
        mark = PngImagePlugin.PngInfo()
        mark.add_text("Software", _MADE_BY)
        with written_aside(folder / name) as aside:
            # Harder compression costs three times the time for a sixth of the size.
            image.save(aside, "PNG", pnginfo=mark, compress_level=2)
    for old in folder.glob("*.png"):
        if old.name not in set(names.values()) and _is_ours(old):
            old.unlink(missing_ok=True)


def draw_map(shoot: Shoot, node: FrameSet) -> Image.Image | None:
    """The picture of a set's worst pair with its sway and the scale below; ``None`` without field or picture."""
    pair, verdict = shoot.shown_pair(node), shoot.review.verdicts.get(node.set_id)
    score = shoot.review.scores.get(pair.frame_a) if pair else None
    if pair is None or pair.field is None or score is None or verdict is None:
        return None
    try:
        shown = shoot.review.scores[shoot.picture_of(node, pair.frame_a)]
        picture = Image.open(io.BytesIO(shown.thumbnail_jpeg)).convert("RGB")
    except OSError:
        return None
    height = max(1, round(_WIDTH * score.height_px / max(score.width_px, 1)))
    picture = picture.resize((_WIDTH, height), Image.Resampling.BICUBIC)
    picture = ImageEnhance.Brightness(ImageEnhance.Color(picture).enhance(0.3)).enhance(0.8)
    overlay = sway_overlay(pair.field, verdict.tolerance_px, score.width_px, score.height_px).convert("RGBA")
    overlay = overlay.resize(picture.size, Image.Resampling.NEAREST)
    picture.paste(overlay, (0, 0), overlay)
    _ring(picture, pair, _WIDTH / max(score.width_px, 1))
    scale = _scale_image(verdict.tolerance_px)
    sheet = Image.new("RGB", (_WIDTH, height + 58 + scale.height), _PAPER)
    sheet.paste(picture, (0, 0))
    draw = ImageDraw.Draw(sheet)
    where = worst_place(pair, score.width_px, score.height_px)
    moved = f"largest sway {px(pair.sway_max_px)}" + (f", {where}" if where else "")
    lines = [
        f"{span_of(node.frames)}, {numbered(node.kind, len(node.members))}: {verdict.outlook}",
        f"{short_name(pair.frame_a)} to {short_name(pair.frame_b)}: {moved}",
    ]
    for i, line in enumerate(lines):
        draw.text((12, height + 9 + 23 * i), line[:96], fill=_INK, font=_font(15 - i))
    sheet.paste(scale, (0, height + 56))
    return sheet


def _ring(picture: Image.Image, pair: PairMeasure, scale: float) -> None:
    if pair.worst_x_px is None or pair.worst_y_px is None:
        return
    x, y = pair.worst_x_px * scale, pair.worst_y_px * scale
    draw = ImageDraw.Draw(picture)
    for width, colour in ((5, (20, 16, 26)), (2, (255, 255, 255))):
        draw.ellipse((x - 20, y - 20, x + 20, y + 20), outline=colour, width=width)


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    """The font that comes with the plotting library: it has most scripts a file name is written in."""
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size)


@lru_cache(maxsize=16)
def _scale_image(tolerance_px: float) -> Image.Image:
    """The scale, drawn once per tolerance."""
    figure = Figure(figsize=(_WIDTH / 100, 0.36), dpi=100, facecolor="#{:02x}{:02x}{:02x}".format(*_PAPER))
    canvas: Any = FigureCanvasAgg(figure)
    handles = [
        Patch(
            facecolor=e.colour if e.colour != "transparent" else "#c9c4b8",
            edgecolor="#100c18" if e.pattern == "outlined" else "#ffffff",
            hatch="/////" if e.pattern == "hatched" else None,
            label=e.words,
            linewidth=1.2 if e.pattern == "outlined" else 0.0,
        )
        for e in amount_legend(tolerance_px)
    ]
    figure.legend(handles=handles, loc="center left", ncols=len(handles), frameon=False, fontsize=8,
                  handlelength=1.5, columnspacing=1.1, borderaxespad=0.9)  # fmt: skip
    canvas.draw()
    return Image.frombytes("RGBA", canvas.get_width_height(), canvas.buffer_rgba().tobytes()).convert("RGB")


def _is_ours(path: Path) -> bool:
    try:
        with Image.open(path) as image:
            return image.info.get("Software") == _MADE_BY
    except OSError:
        return False
