"""maps/: one picture per assessed set, its sway laid over it, with a scale in pixels."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path

import imagecodecs
import numpy as np
from PIL import Image, ImageDraw, ImageEnhance, ImageFont

from windstill.records import FrameSet, PairMeasure, Review, encode_name
from windstill.report.aside import written_aside
from windstill.report.overlay import LegendEntry, amount_legend, sway_overlay
from windstill.report.shoot import Shoot
from windstill.report.words import numbered, px, short_name, span_of, worst_place

FOLDER = "maps"
_WIDTH = 680  # the thumbnail is 480 wide: more would be empty enlargement
_PNG_HEADER = 33  # bytes of signature and first chunk (W3C, Portable Network Graphics, 5.2 and 11.2.1)
_MADE_BY = "windstill sway map"
_PAPER, _INK = (248, 246, 241), (31, 41, 51)
_PLAIN, _OUTLINE = (201, 196, 184), (16, 12, 24)
_SCALE_PX, _SCALE_AT, _PATCH_PX = 36, 14, 16
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
        with written_aside(folder / name) as aside:
            aside.write_bytes(_png(image))
    for old in folder.glob("*.png"):
        if old.name not in set(names.values()) and _is_ours(old):
            old.unlink(missing_ok=True)


def _png(image: Image.Image) -> bytes:
    """The picture as PNG that says who made it.

    One filter for all rows takes half the time of trying all for each, and no more space; harder compression takes
    three times the time for a tenth of it.
    """
    data = bytes(imagecodecs.png_encode(np.asarray(image), level=2, filter=imagecodecs.PNG.FILTER.UP))
    text = b"tEXtSoftware\0" + _MADE_BY.encode("ascii")
    chunk = struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
    return data[:_PNG_HEADER] + chunk + data[_PNG_HEADER:]


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
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The font that comes with the plotting library, which is not loaded: it has most scripts of file names."""
    library = find_spec("matplotlib")
    for folder in (library.submodule_search_locations or ()) if library is not None else ():
        return ImageFont.truetype(str(Path(folder) / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"), size)
    return ImageFont.load_default(size)


@lru_cache(maxsize=16)
def _scale_image(tolerance_px: float) -> Image.Image:
    """The scale, drawn once per tolerance."""
    strip = Image.new("RGB", (_WIDTH, _SCALE_PX), _PAPER)
    draw = ImageDraw.Draw(strip)
    entries = amount_legend(tolerance_px)
    for size in (11, 10, 9):  # until all of it fits
        wide = [_PATCH_PX + 8 + draw.textlength(e.words, _font(size)) for e in entries]
        apart = min(14.0, (_WIDTH - 2 * _SCALE_AT - sum(wide)) / (len(entries) - 1))
        if apart >= 8:
            break
    x = float(_SCALE_AT)
    for entry, width in zip(entries, wide, strict=True):
        box = (round(x), 14, round(x) + _PATCH_PX, 22)
        _patch(strip, entry, box)
        draw.text((box[2] + 8, 18), entry.words, fill=_INK, font=_font(size), anchor="lm")
        x += width + apart
    return strip


def _patch(strip: Image.Image, entry: LegendEntry, box: tuple[int, int, int, int]) -> None:
    """A sample of how the map shows something."""
    sample = Image.new("RGB", (box[2] - box[0], box[3] - box[1]), _PLAIN)
    draw = ImageDraw.Draw(sample)
    if entry.colour != "transparent":
        draw.rectangle((0, 0, *sample.size), fill=entry.colour)
    if entry.pattern == "hatched":
        for x in range(0, sample.width + sample.height, 5):
            draw.line((x, 0, x - sample.height, sample.height), fill=(255, 255, 255))
    if entry.pattern == "outlined":
        draw.rectangle((0, 0, sample.width - 1, sample.height - 1), outline=_OUTLINE)
    strip.paste(sample, box[:2])


def _is_ours(path: Path) -> bool:
    try:
        with Image.open(path) as image:
            return image.info.get("Software") == _MADE_BY
    except OSError:
        return False
