"""JPEG: the header, and pixels by libjpeg-turbo.

Marker layout: ITU-T T.81 (JPEG), Annex B.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import simplejpeg

from windstill.imaging.decoded import U8, ImagingError, Pixels
from windstill.imaging.faults import check_size, cut_off, damaged, unsupported
from windstill.settings.imaging import ImagingSettings

EOI = b"\xff\xd9"
_SOF0, _SOF1, _SOF2 = 0xC0, 0xC1, 0xC2
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_STANDALONE = frozenset((0x01, *range(0xD0, 0xD9)))
_SOS = 0xDA
_STRAY = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


@dataclass(frozen=True, slots=True)
class JpegHeader:
    """What stands before a JPEG's first scan.

    Attributes
    ----------
    process : int
        The frame marker's code: 0xC0, 0xC1 sequential, 0xC2 progressive, others rare.
    one_scan : bool
        The first scan holds all components, so that decoding takes one pass.
    segments : tuple of (int, int, int)
        Code, first and last + 1 byte of the payload of every marker segment.
    scan_at : int
        Offset of the first scan's data.
    """

    width_px: int
    height_px: int
    precision: int
    components: int
    process: int
    one_scan: bool
    segments: tuple[tuple[int, int, int], ...]
    scan_at: int

    @property
    def plain(self) -> bool:
        """What cameras write: sequential, 8 bits, gray or three components in one scan.

        Its decoding time is bounded by its size in pixels; a progressive file can ask for any number of passes.
        """
        return self.process in (_SOF0, _SOF1) and self.precision == 8 and self.components in (1, 3) and self.one_scan

    @property
    def progressive(self) -> bool:
        """Sent in several passes over the picture."""
        return self.process == _SOF2


class OddJpeg(ImagingError):
    """Sound as far as its header goes, but of a kind libjpeg-turbo's simple interface does not take."""


class Incomplete(Exception):
    """The header goes on after the bytes given."""


def read_header(data: bytes | memoryview, start: int = 0) -> JpegHeader:
    """Walk the marker segments up to the first scan.

    Parameters
    ----------
    data : bytes-like
        Beginning of a JPEG stream at `start`.

    Raises
    ------
    Incomplete
        `data` ends before the first scan.
    ImagingError
        This is no JPEG header.
    """
    if bytes(data[start : start + 2]) != b"\xff\xd8":
        raise damaged("the JPEG header")
    at = start + 2
    frame: tuple[int, int, int, int, int] | None = None
    segments: list[tuple[int, int, int]] = []
    while True:
        if at + 4 > len(data):
            raise Incomplete
        if data[at] != 0xFF:
            raise damaged("the JPEG header")
        code = data[at + 1]
        if code == 0xFF or code in _STANDALONE:
            at += 1 if code == 0xFF else 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        first, end = at + 4, at + 2 + length
        if length < 2 or code == 0xD9:
            raise damaged("the JPEG header")
        if end > len(data):
            raise Incomplete
        segments.append((code, first, end))
        if code in _FRAMES and frame is None:
            if end - first < 6:
                raise damaged("the JPEG header")
            height = int.from_bytes(data[first + 1 : first + 3], "big")
            width = int.from_bytes(data[first + 3 : first + 5], "big")
            frame = (width, height, data[first], data[first + 5], code)
        if code == _SOS:
            if frame is None or end == first:
                raise damaged("the JPEG header")
            width, height, precision, components, process = frame
            one_scan = data[first] == components
            return JpegHeader(width, height, precision, components, process, one_scan, tuple(segments), end)
        at = end


def header_of(data: bytes, settings: ImagingSettings) -> JpegHeader:
    """Header of a whole file, its size checked.

    Raises
    ------
    ImagingError
        Cut off, damaged or too large.
    """
    try:
        header = read_header(data)
    except Incomplete as err:
        raise cut_off() from err
    check_size(header.width_px, header.height_px, settings)
    return header


class Buffer:
    """Memory to decode into, kept from frame to frame up to a limit; not for two threads at once."""

    def __init__(self) -> None:
        self._kept = np.empty(0, np.uint8)

    def take(self, size: int, settings: ImagingSettings) -> U8:
        """A flat buffer of `size` bytes; its content is what was left in it."""
        if size > settings.kept_buffer_megapixels * 3e6:
            return np.empty(size, np.uint8)
        if self._kept.size < size:
            self._kept = np.empty(size, np.uint8)
        return self._kept[:size]


def decode_jpeg(
    data: bytes, header: JpegHeader, settings: ImagingSettings, buffer: Buffer | None = None, reduction: int = 1
) -> Pixels:
    """Decode with libjpeg-turbo.

    The accurate DCT is kept (the fast one blurs what sharpness is measured on); chroma is upsampled by
    repetition, which leaves luma untouched.

    Parameters
    ----------
    buffer : Buffer, optional
        Where to put RGB; the result is then valid until the buffer's next use.
    reduction : int
        2, 4 or 8: decode at that fraction of the size by scaled DCT, if both sides are multiples of it (else a
        reduced pixel would be no square of full ones). It equals the mean over such squares but for rounding.

    Raises
    ------
    ImagingError
        Cut off or damaged: a picture with a hole is no picture to measure motion on, so libjpeg's
        concealment is not used. Up to `ImagingSettings.stray_bytes` unused bytes before the end marker pass.
    MemoryError
        There is not enough.
    """
    gray = header.components == 1
    space = "GRAY" if gray else "RGB"
    full_size = header.width_px, header.height_px
    divisor = reduction if reduction in (2, 4, 8) and not any(side % reduction for side in full_size) else 1
    width, height = (side // divisor for side in full_size)
    size = width * height * (1 if gray else 3)
    target = buffer.take(size, settings) if buffer is not None and not gray else None
    decoder = "progressive jpeg" if header.progressive else "jpeg"
    options: dict[str, Any] = {"min_width": width, "min_height": height, "min_factor": divisor} if divisor > 1 else {}
    try:
        picture = _turbo(data, space, target, **options)
    except ValueError as err:
        stray = _STRAY.search(str(err))
        if stray is None or int(stray.group(1)) > settings.stray_bytes:
            raise _fault(data, header, str(err)) from err
        try:
            picture = _turbo(data, space, target, strict=False, **options)
        except ValueError as again:
            raise damaged() from again
    if divisor > 1:
        decoder += f" at 1/{divisor}"
    return Pixels(picture[..., 0] if gray else picture, 8, decoder, full_size=full_size, scale=1 / divisor)


def decode_scaled(
    data: bytes, header: JpegHeader, settings: ImagingSettings, buffer: Buffer | None = None
) -> tuple[U8, int]:
    """Decode at 1/1, 1/2, 1/4 or 1/8 by scaled DCT, the smallest with `preview_enough_px` on the long side.

    Parameters
    ----------
    buffer : Buffer, optional
        Where to put RGB, as in `decode_jpeg`.

    Returns
    -------
    (uint8 array RGB or gray, int)
        Pixels and the divisor.
    """
    long_px = max(header.width_px, header.height_px)
    divisor = next((d for d in (8, 4, 2) if long_px // d >= settings.preview_enough_px), 1)
    gray = header.components == 1
    # A scaled picture's sides are rounded up.
    size = 3 * -(-header.width_px // divisor) * -(-header.height_px // divisor)
    target = buffer.take(size, settings) if buffer is not None and not gray else None
    try:
        picture: U8 = simplejpeg.decode_jpeg(
            data, "GRAY" if gray else "RGB", fastupsample=True, buffer=target,
            min_width=header.width_px // divisor, min_height=header.height_px // divisor, min_factor=divisor,
        )  # fmt: skip
    except ValueError as err:
        raise _fault(data, header, str(err)) from err
    return (picture[..., 0] if gray else picture), divisor


def _turbo(data: bytes, space: str, target: U8 | None, strict: bool = True, **options: Any) -> U8:
    picture: U8 = simplejpeg.decode_jpeg(data, space, fastupsample=True, buffer=target, strict=strict, **options)
    return picture


def _fault(data: bytes, header: JpegHeader, message: str) -> Exception:
    if "Insufficient memory" in message or "Memory allocation" in message:
        return MemoryError(message)
    if "Premature end of JPEG" in message:
        return cut_off(None if header.progressive else _percent_present(data))
    if "subsampling" in message or "Unsupported JPEG process" in message:
        return OddJpeg(str(unsupported("this kind of JPEG")))
    return damaged()


def _percent_present(data: bytes) -> float | None:
    """Percent of rows before the end of the data: after it libjpeg repeats the last block's mean."""
    try:
        small = simplejpeg.decode_jpeg(data, "GRAY", min_height=1, min_width=1, min_factor=8, strict=False)[..., 0]
    except ValueError:
        return None
    differs = np.flatnonzero((small != small[-1, -1]).any(axis=1))
    return 100.0 * (int(differs[-1]) + 1) / small.shape[0] if differs.size else None
