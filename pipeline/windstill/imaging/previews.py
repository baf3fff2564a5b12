"""The quick look at a JPEG: its largest embedded preview, at a fraction of a full decode's cost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain, pairwise
from pathlib import Path

from windstill.imaging.decoded import ImagingError, Pixels
from windstill.imaging.embedded import MpEntry, header_at, mp_index, starts, streams_in_header
from windstill.imaging.faults import check_size, cut_off
from windstill.imaging.jpeg import EOI, Buffer, Incomplete, JpegHeader, decode_scaled, read_header
from windstill.imaging.kinds import read_part, read_whole
from windstill.settings.imaging import ImagingSettings

FIRST_READ = 128 * 1024


def jpeg_preview(
    path: Path, size: int, settings: ImagingSettings, *, allow_scaled: bool, buffer: Buffer | None = None
) -> Pixels | None:
    """Largest embedded preview of a JPEG file.

    With a Multi-Picture index only the header and the preview are read; otherwise the whole file, to look
    behind the main picture.

    Parameters
    ----------
    size : int
        Bytes of the file.
    allow_scaled : bool
        Decode the main picture at 1/2 to 1/8 where no preview of `ImagingSettings.preview_min_px` is embedded.
    buffer : Buffer, optional
        Where to put RGB; the result is then valid until the buffer's next use.

    Raises
    ------
    ImagingError
        The file is cut off: the preview may be whole, but the picture is not.
    """
    head, header = read_jpeg_head(path, settings)
    index = mp_index(head, header)
    if any(entry.start + entry.length > size for entry in index):
        index = ()  # cut off, which shows below, or left by a program that dropped the pictures it lists
    best = _best(_listed(path, head, header, index, size), header, settings)
    if best is None or not index:
        data = head if len(head) == size else read_whole(path, settings)
        if data.find(EOI, header.scan_at) < 0:
            raise cut_off()
        best = _best(chain(filter(None, [best]), _behind(data, header, index)), header, settings)
        if best is None and allow_scaled and header.plain:
            return _scaled(data, header, header, settings, "jpeg at 1/{}", buffer)
    if best is None:
        return None
    return _scaled(*best, header, settings, "embedded preview", buffer)


def read_jpeg_head(path: Path, settings: ImagingSettings) -> tuple[bytes, JpegHeader]:
    """The beginning of a file up to its first scan, or more; and its header, the size checked."""
    length = FIRST_READ
    while True:
        head = read_part(path, 0, length)
        try:
            header = read_header(head)
        except Incomplete as err:
            if len(head) < length or length > settings.max_file_bytes:
                raise cut_off() from err
            length *= 8
            continue
        check_size(header.width_px, header.height_px, settings)
        return head, header


def _listed(
    path: Path, head: bytes, header: JpegHeader, index: tuple[MpEntry, ...], size: int
) -> Iterator[tuple[bytes, JpegHeader]]:
    """Previews of the index and of the application segments."""
    for entry in index[1:]:
        if entry.thumbnail and 0 < entry.length <= size:
            data = read_part(path, entry.start, entry.length)
            found = header_at(data, 0)
            if found is not None:
                yield data, found
    for start, end in streams_in_header(head, header):
        data = head[start:end]
        found = header_at(data, 0)
        if found is not None:
            yield data, found


def _behind(data: bytes, header: JpegHeader, index: tuple[MpEntry, ...]) -> Iterator[tuple[bytes, JpegHeader]]:
    """Previews after the main picture that no index lists (a listed one that is no thumbnail is left alone)."""
    listed = {entry.start for entry in index}
    found = [start for start in starts(data, header.scan_at, len(data)) if start not in listed]
    for start, end in pairwise([*found, len(data)]):
        inner = header_at(data, start)
        if inner is not None:
            yield data[start:end], inner


def _best(
    candidates: Iterable[tuple[bytes, JpegHeader]], header: JpegHeader, settings: ImagingSettings
) -> tuple[bytes, JpegHeader] | None:
    fitting = [(data, found) for data, found in candidates if _fits(found, header, settings)]
    return max(fitting, key=lambda pair: pair[1].width_px * pair[1].height_px, default=None)


def _fits(found: JpegHeader, header: JpegHeader, settings: ImagingSettings) -> bool:
    """Large enough, smaller than the main picture, and of its proportions (neither letterboxed nor turned)."""
    if max(found.width_px, found.height_px) < settings.preview_min_px or found.width_px >= header.width_px:
        return False
    proportion = found.width_px * header.height_px / (found.height_px * header.width_px)
    return abs(proportion - 1) <= settings.preview_aspect_tolerance


def _scaled(
    data: bytes, found: JpegHeader, header: JpegHeader, settings: ImagingSettings, decoder: str, buffer: Buffer | None
) -> Pixels | None:
    try:
        picture, divisor = decode_scaled(data, found, settings, buffer)
    except ImagingError:
        if found is header:
            raise
        return None
    scale = found.width_px / header.width_px / divisor
    return Pixels(picture, 8, decoder.format(divisor), full_size=(header.width_px, header.height_px), scale=scale)
