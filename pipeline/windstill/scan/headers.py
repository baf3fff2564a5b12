"""One file's header: what kind it is by content, its size in pixels, its tags. No pixel is decoded."""

from __future__ import annotations

import contextlib
import io
import struct
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal

from PIL import BmpImagePlugin, ImageFile, JpegImagePlugin, PngImagePlugin

from windstill.regular import regular_only
from windstill.scan.guard import HeaderTooLongError, guard
from windstill.scan.isolated import HeaderWorker, Isolated
from windstill.scan.kinds import RAWS, extension
from windstill.scan.notes import read_note
from windstill.scan.tags import XMP_PACKET, Tags, TagTable, Value, read_directory, read_tiff, tiff_head, whole
from windstill.scan.xmp import read_xmp
from windstill.settings.scan import ScanSettings

Container = Literal["jpeg", "png", "bmp", "webp", "heif", "tiff", "cr3", "raf", "raw"]

WIDTH, HEIGHT, SUBFILE_TYPE, DNG_VERSION = 0x0100, 0x0101, 0x00FE, 0xC612
EXIF_WIDTH, EXIF_HEIGHT, EMBEDDED_JPEG = 0xA002, 0xA003, 0x002E
_HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"})
# The start of a raw container's embedded JPEG, enough for its Exif segment (64 kB) and what may precede it.
_JPEG_START = 512_000
_CANON_METADATA = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")


class UnreadableError(Exception):
    """The file is no photograph that can be read; the message is a short phrase for the problem table."""


@dataclass(slots=True)
class Header:
    """What the header says.

    Attributes
    ----------
    container : str
    is_raw : bool
    width_px, height_px : int
        As stored, before turning upright; 0 where the header does not say.
    tags : TagTable
    turned : bool
        The library that decodes this container turns the picture itself, so that Exif Orientation is spent.
    """

    container: Container
    is_raw: bool = False
    width_px: int = 0
    height_px: int = 0
    tags: TagTable = field(default_factory=TagTable)
    turned: bool = False


def read_header(path: Path, settings: ScanSettings, worker: HeaderWorker) -> Header:
    """Read one file's header by its content, never by its extension.

    Raises
    ------
    UnreadableError
        It is no photograph, or broken beyond its header.
    OSError
        It cannot be opened or read.
    """
    with open(path, "rb", opener=regular_only) as file:
        start = file.read(32)
        if not start:
            raise UnreadableError("the file is empty")
        file.seek(0)
        try:
            return _read(file, start, path, settings, worker)
        except HeaderTooLongError as err:
            raise UnreadableError(str(err)) from err


def _read(file: BinaryIO, start: bytes, path: Path, settings: ScanSettings, worker: HeaderWorker) -> Header:
    raw_name = extension(path.name) in RAWS
    if start[:2] == b"\xff\xd8":
        return _jpeg(file, settings)
    if start[:8] == b"\x89PNG\r\n\x1a\n":
        return _png(file, settings)
    if start[:2] == b"BM" and not raw_name:
        return _bmp(file, settings)
    if start[:4] == b"RIFF" and start[8:12] == b"WEBP":
        return _by_library("webp", path, settings, worker)
    if start[4:8] == b"ftyp":
        if start[8:12] == b"crx ":
            return _cr3(file, settings)
        if start[8:12] in _HEIF_BRANDS:
            return _by_library("heif", path, settings, worker)
    if start[:15] == b"FUJIFILMCCD-RAW":
        return _raf(file, path, settings, worker)
    if tiff_head(start) is not None:
        return _tiff(file, raw_name, settings)
    if raw_name:
        return _other_raw(path, settings, worker)
    raise UnreadableError("it is not a photograph, whatever its name says")


class _JpegHeader(JpegImagePlugin.JpegImageFile):
    def _read_dpi_from_exif(self) -> None:
        """Pillow would read all Exif data for the print size, which no one asks for."""


def _opened(plugin: type[ImageFile.ImageFile], file: BinaryIO, settings: ScanSettings) -> ImageFile.ImageFile:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return plugin(guard(file, settings))
    except HeaderTooLongError:
        raise
    except Exception as err:  # Pillow raises what a broken header leads it to
        raise UnreadableError(f"the {plugin.format} header is damaged") from err


def _jpeg(file: BinaryIO, settings: ScanSettings) -> Header:
    image = _opened(_JpegHeader, file, settings)
    header = Header("jpeg", width_px=image.width, height_px=image.height)
    exif = image.info.get("exif")
    if isinstance(exif, bytes):
        header.tags = _block(exif, settings)
    _add_xmp(header.tags, image.info.get("xmp"))
    return _sized(header)


def _png(file: BinaryIO, settings: ScanSettings) -> Header:
    image = _opened(PngImagePlugin.PngImageFile, file, settings)
    header = Header("png", width_px=image.width, height_px=image.height)
    exif = image.info.get("exif") or _late_png_exif(file, settings)
    if isinstance(exif, bytes):
        header.tags = _block(exif, settings)
    packet = image.info.get("xmp") or image.info.get("XML:com.adobe.xmp")
    _add_xmp(header.tags, packet.encode("utf-8") if isinstance(packet, str) else packet)
    return _sized(header)


def _late_png_exif(file: BinaryIO, settings: ScanSettings) -> bytes | None:
    """The eXIf chunk where it stands after the picture data, which Pillow reads only with the pixels."""
    guarded = guard(file, settings)
    at = 8
    while True:
        guarded.seek(at)
        start = guarded.read(8)
        if len(start) < 8 or start[4:] == b"IEND":
            return None
        length = int.from_bytes(start[:4], "big")
        if start[4:] == b"eXIf":
            return guarded.read(length)
        at += 12 + length


def _bmp(file: BinaryIO, settings: ScanSettings) -> Header:
    image = _opened(BmpImagePlugin.BmpImageFile, file, settings)
    return _sized(Header("bmp", width_px=image.width, height_px=image.height))


def _by_library(
    container: Literal["webp", "heif"], path: Path, settings: ScanSettings, worker: HeaderWorker
) -> Header:
    said = worker.ask(container, path)
    if said.problem:
        raise UnreadableError(said.problem)
    header = Header(container, width_px=said.width_px, height_px=said.height_px, turned=container == "heif")
    if said.exif:
        header.tags = _block(said.exif, settings)
    _add_xmp(header.tags, said.xmp)
    return _sized(header)


def _tiff(file: BinaryIO, raw_name: bool, settings: ScanSettings) -> Header:
    tags = read_tiff(file, settings)
    if not tags.image:
        raise UnreadableError("the TIFF header is damaged")
    read_note(file, tags, settings)
    _add_embedded(tags, settings)
    packet = tags.image.get(XMP_PACKET)
    if isinstance(packet, tuple):
        packet = bytes(int(n) & 0xFF for n in packet if isinstance(n, int))
    _add_xmp(tags, packet)
    is_raw = raw_name or DNG_VERSION in tags.image
    header = Header("tiff", is_raw=is_raw, tags=tags)
    # A scan's picture is the first; a raw's the largest, which some raws describe in the Exif directory only.
    pictures = tags.pictures if is_raw or _is_reduced(tags.image) else tags.pictures[:1]
    sizes = [(picture.get(WIDTH), picture.get(HEIGHT)) for picture in pictures if not _is_reduced(picture)]
    if is_raw:
        sizes.append((tags.exif.get(EXIF_WIDTH), tags.exif.get(EXIF_HEIGHT)))
        sizes.append(_bordered(tags.image))
    header.width_px, header.height_px = max(
        ((whole(width) or 0, whole(height) or 0) for width, height in sizes), key=lambda size: size[0] * size[1],
        default=(0, 0),
    )
    return header if is_raw else _sized(header)


def _add_embedded(tags: TagTable, settings: ScanSettings) -> None:
    """One maker's raw holds a JPEG with the greater part of the camera data."""
    embedded = tags.image.pop(EMBEDDED_JPEG, None)
    if not isinstance(embedded, bytes) or embedded[:2] != b"\xff\xd8":
        return
    with contextlib.suppress(UnreadableError):
        inner = _jpeg(io.BytesIO(embedded), settings).tags
        tags.image = inner.image | tags.image
        tags.exif = inner.exif | tags.exif
        tags.note = tags.note or inner.note


def _is_reduced(picture: Tags) -> bool:
    return bool((whole(picture.get(SUBFILE_TYPE)) or 0) & 1)


def _bordered(image: Tags) -> tuple[Value | None, Value | None]:
    """One maker's raw gives the picture by its borders on the sensor: top, left, bottom, right."""
    top, left, bottom, right = (whole(image.get(tag)) or 0 for tag in (4, 5, 6, 7))
    return ((right - left,), (bottom - top,)) if 0 <= left < right and 0 <= top < bottom else (None, None)


def _cr3(file: BinaryIO, settings: ScanSettings) -> Header:
    """ISO base media boxes down to Canon's own: each CMT box holds one TIFF directory."""
    guarded = guard(file, settings)
    tags = TagTable()
    size = guarded.seek(0, io.SEEK_END)
    for name, begin, end in _boxes(guarded, 0, size):
        if name != b"moov":
            continue
        for inner, first, last in _boxes(guarded, begin, end):
            if inner != b"uuid":
                continue
            guarded.seek(first)
            if guarded.read(16) != _CANON_METADATA:
                continue
            for box, at, stop in _boxes(guarded, first + 16, last):
                if box not in (b"CMT1", b"CMT2", b"CMT3"):
                    continue
                guarded.seek(at)
                block = io.BytesIO(guarded.read(min(stop - at, 1_000_000)))
                head = tiff_head(block.read(16))
                if head is None:
                    continue
                held, _ = read_directory(block, head, 8, everything=box == b"CMT3")
                if box == b"CMT1":
                    tags.image, tags.pictures = held, [held]
                elif box == b"CMT2":
                    tags.exif = held
                else:
                    tags.note = held
    if not tags.image:
        raise UnreadableError("the raw file is cut off before its camera data")
    return Header(
        "cr3", is_raw=True, tags=tags,
        width_px=whole(tags.image.get(WIDTH)) or 0, height_px=whole(tags.image.get(HEIGHT)) or 0,
    )


def _boxes(file: BinaryIO, at: int, end: int) -> list[tuple[bytes, int, int]]:
    """(name, first byte of the content, end) of the boxes between two places (ISO/IEC 14496-12)."""
    found = []
    while at + 8 <= end:
        file.seek(at)
        start = file.read(16)
        if len(start) < 8:
            break
        size, name, content = int.from_bytes(start[:4], "big"), start[4:8], at + 8
        if size == 1 and len(start) == 16:
            size, content = int.from_bytes(start[8:], "big"), at + 16
        elif size == 0:
            size = end - at
        if size < content - at:
            break
        found.append((name, content, min(at + size, end)))
        at += size
    return found


def _raf(file: BinaryIO, path: Path, settings: ScanSettings, worker: HeaderWorker) -> Header:
    """The container names the place of an embedded JPEG, whose Exif is the frame's; its size is the decoder's."""
    guarded = guard(file, settings)
    guarded.seek(84)
    place = guarded.read(8)
    if len(place) < 8:
        raise UnreadableError("the raw file is cut off before its camera data")
    offset, length = struct.unpack(">II", place)
    guarded.seek(offset)
    embedded = io.BytesIO(guarded.read(min(length, _JPEG_START)))
    try:
        inner = _jpeg(embedded, settings)
    except UnreadableError as err:
        raise UnreadableError("the raw file's camera data is damaged") from err
    said = worker.ask("raw size", path)
    return Header("raf", is_raw=True, tags=inner.tags, width_px=said.width_px, height_px=said.height_px)


def _other_raw(path: Path, settings: ScanSettings, worker: HeaderWorker) -> Header:
    said = worker.ask("raw", path)
    if said.problem:
        raise UnreadableError(said.problem)
    header = Header("raw", is_raw=True, width_px=said.width_px, height_px=said.height_px)
    header.tags = tags_of_raw_library(said)
    return header


def tags_of_raw_library(said: Isolated) -> TagTable:
    """What the raw decoder tells of an exposure, under its Exif tags."""
    tags = TagTable()
    for tag, value in said.exposure.items():
        if value > 0:
            tags.exif[tag] = (value,)
    if said.taken:
        tags.exif[0x9003] = said.taken
    if said.lens:
        tags.exif[0xA434] = said.lens
    if said.orientation:
        tags.image[0x0112] = (said.orientation,)
    return tags


def _block(exif: bytes, settings: ScanSettings) -> TagTable:
    """Tags of an Exif block, with or without the segment's own six bytes before it."""
    if exif[:4] == b"Exif":
        exif = exif[6:]
    block = io.BytesIO(exif)
    tags = read_tiff(block, settings, first_only=True)
    read_note(block, tags, settings)
    return tags


def _add_xmp(tags: TagTable, packet: object) -> None:
    if isinstance(packet, bytes) and packet:
        tags.xmp = read_xmp(packet)


def _sized(header: Header) -> Header:
    if header.width_px <= 0 or header.height_px <= 0:
        raise UnreadableError("the header gives the picture no size")
    return header
