"""Whether a container is as long as it says, where no decoder would notice before it guesses."""

from __future__ import annotations

from pathlib import Path

from windstill.imaging.faults import cut_off
from windstill.imaging.kinds import Kind, read_part

_MOST_BOXES = 64
_RAF = b"FUJIFILMCCD-RAW"
# Start and length of the JPEG and of the mosaic, big-endian (from memory; agrees with the files tried).
_RAF_SPANS_AT = (0x54, 0x64)


def check_length(path: Path, kind: Kind, size: int) -> None:
    """Refuse a WebP (RIFF), a HEIC or CR3 (ISO base media), or a RAF whose parts reach beyond its end.

    Raises
    ------
    ImagingError
        Cut off.
    """
    head = read_part(path, 0, 128)
    if kind == "webp":
        _compare(int.from_bytes(head[4:8], "little") + 8, size)
    elif head[4:8] == b"ftyp":
        _check_boxes(path, size)
    elif head.startswith(_RAF):
        for at in _RAF_SPANS_AT:
            start, length = (int.from_bytes(head[k : k + 4], "big") for k in (at, at + 4))
            _compare(start + length, size)


def _compare(claimed: int, size: int) -> None:
    if claimed > size:
        raise cut_off(100.0 * size / claimed, "its data")


def _check_boxes(path: Path, size: int) -> None:
    """Walk the top-level boxes (ISO/IEC 14496-12, 4.2); how much is there is known only within the last, the media."""
    at = 0
    for _ in range(_MOST_BOXES):
        head = read_part(path, at, 16)
        if not head:
            return
        if len(head) < 8:
            raise cut_off()
        length, kind = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        if length < 8:  # 0: to the end of the file; other values are for the decoder to refuse
            return
        at += length
        if at > size:
            raise cut_off(100.0 * size / at, "its data") if kind == b"mdat" else cut_off()
