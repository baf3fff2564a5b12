"""Writing frames as a camera would: JPEG with previews, 16-bit TIFF, PNG, and camera data.

Camera data is written by piexif, pixels by Pillow; the larger preview is listed as CIPA DC-007 (Multi-Picture Format)
has it.
"""

from __future__ import annotations

import io
import math
import os
import struct
from dataclasses import dataclass
from datetime import timedelta
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import piexif
from numpy.typing import NDArray
from PIL import Image

from windstill.simulate.describe import Derived, Description
from windstill.simulate.dng import write_dng, write_tiff
from windstill.simulate.sensor import develop, linear16, mosaic
from windstill.simulate.series import nominal_aperture, nominal_iso, nominal_shutter
from windstill.simulate.timeline import Exposure

_UNKNOWN_TO_PIEXIF = {
    0x9010: ("OffsetTime", piexif.TYPES.Ascii), 0x9011: ("OffsetTimeOriginal", piexif.TYPES.Ascii),
    0x9012: ("OffsetTimeDigitized", piexif.TYPES.Ascii), 0xA460: ("CompositeImage", piexif.TYPES.Short),
}
for _tag, (_name, _type) in _UNKNOWN_TO_PIEXIF.items():
    piexif.TAGS["Exif"].setdefault(_tag, {"name": _name, "type": _type})
_INFINITE = (0xFFFFFFFF, 1)
_THUMBNAIL = (160, 120)
"""Pixels. Size of the thumbnail that Exif and DCF ask for."""
# MP type codes of DC-007, 5.2.3.3.1, with the dependent-image flags; the classes of large thumbnails go by size.
_PRIMARY, _CHILD = 0xA003_0000, 0x4000_0000
_LARGE_THUMBNAILS = ((640, 480, 0x01_0001), (1920, 1080, 0x01_0002), (3840, 2160, 0x01_0003))
_MP_FIELD = struct.Struct(">HHII")


@dataclass(frozen=True, slots=True)
class Written:
    """Files of one frame, relative to the output folder, the leading one first."""

    name: str
    files: tuple[str, ...]


def file_names(description: Description, frame: Exposure) -> tuple[str, ...]:
    """Relative paths of the files of a frame."""
    files = description.files
    scan = files.names == "scan"
    ending = {"jpeg": "jpg", "tiff": "tif", "png": "png", "dng": "dng"}[files.format]
    lead = f"{frame.name}.{ending if scan else ending.upper()}"
    if not files.raw_too:
        return (lead,)
    raw = f"{frame.name}.DNG"
    if files.raw_card:
        raw = raw.replace("DCIM/", "DCIM/raw card/", 1)
        return (lead, raw)
    return (lead, raw)


def write_frame(description: Description, frame: Exposure, signal: NDArray[np.float32], out: Path) -> Written:
    """Write all files of one frame.

    Parameters
    ----------
    signal : float32 array, shape (height, width, 3)
        Upright linear light, as `render` gives it.
    out : Path
        The shoot's folder.
    """
    body, files = description.bodies[frame.body], description.files
    turned = files.rotate and files.camera_data and signal.shape[0] > signal.shape[1]
    orientation = 8 if turned and frame.shot % 2 else 6 if turned else 1
    names = file_names(description, frame)
    data = camera_data(description, frame, orientation) if files.camera_data else None
    for name in names:
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(path.name + ".part")
        rng = np.random.default_rng([description.seed, frame.index, 99])
        kind = name.rsplit(".", 1)[1].lower()
        if kind == "jpg":
            rgb = _lie_down(develop(signal, body, frame.iso, rng), orientation)
            aside.write_bytes(encode_jpeg(rgb, data, files.quality, files.thumbnail, files.preview_px))
        elif kind == "tif":
            write_tiff(aside, _lie_down(linear16(signal, body, frame.iso, rng), orientation), data)
        elif kind == "png":
            rgb = _lie_down(develop(signal, body, frame.iso, rng), orientation)
            aside.write_bytes(cv2.imencode(".png", rgb[..., ::-1])[1].tobytes())
        else:
            reduced = cv2.resize(signal, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
            preview = develop(reduced, body, frame.iso / 16, np.random.default_rng([description.seed, frame.index, 98]))
            tables = data if data is not None else {"0th": {}, "Exif": {}}
            write_dng(aside, _lie_down(mosaic(signal, body, frame.iso, rng), orientation),
                      _lie_down(preview, orientation), tables, frame)
        aside.replace(path)
        taken = frame.written_at.timestamp() + frame.exposure_s
        os.utime(path, (taken, taken))
    return Written(frame.name, names)


def write_derived(
    description: Description, derived: Derived, frames: list[Exposure], picture: NDArray[np.uint8], out: Path
) -> str:
    """Write a picture merged from frames, lying among them; its relative path."""
    first = frames[0]
    data = camera_data(description, first, 1)
    if derived.kind == "composite":
        # A composite made in camera takes a number of its own, as if it were one more exposure.
        data["Exif"][0xA460] = 3
    else:
        data["0th"][piexif.ImageIFD.Software] = b"Lichen Darkroom 4"
        later = frames[-1].written_at + timedelta(hours=19)
        data["0th"][piexif.ImageIFD.DateTime] = later.strftime("%Y:%m:%d %H:%M:%S").encode()
    name = f"{first.name.rsplit('/', 1)[0]}/{derived.name}.jpg"
    (out / name).write_bytes(encode_jpeg(picture, data, 95, True, 0))
    return name


def camera_data(description: Description, frame: Exposure, orientation: int) -> dict[str, dict[int, object]]:
    """The Exif tables of a frame, in piexif's form (Exif 2.32 names and types)."""
    body, files = description.bodies[frame.body], description.files
    when = frame.written_at
    stamp = when.strftime("%Y:%m:%d %H:%M:%S").encode()
    image, exif = piexif.ImageIFD, piexif.ExifIFD
    long_px, short_px = description.size_px
    per_inch = long_px / (body.sensor_mm / 25.4)
    zeroth: dict[int, object] = {
        image.Make: body.maker.encode(), image.Model: body.model.encode(), image.Orientation: orientation,
        image.XResolution: (300, 1), image.YResolution: (300, 1), image.ResolutionUnit: 2, image.DateTime: stamp,
        image.Software: f"{body.model} 1.2".encode(), image.YCbCrPositioning: 2,
    }
    table: dict[int, object] = {
        exif.ExifVersion: b"0232", exif.DateTimeOriginal: stamp, exif.DateTimeDigitized: stamp,
        exif.FocalLength: _ratio(Fraction(str(round(frame.focal_mm, 1)))), exif.ColorSpace: 1,
        exif.FocalLengthIn35mmFilm: round(frame.focal_mm * 36 / body.sensor_mm),
        exif.BodySerialNumber: body.serial.encode(), exif.LensModel: body.lens.encode(),
        exif.PixelXDimension: long_px, exif.PixelYDimension: short_px,
        exif.FocalPlaneXResolution: (round(per_inch * 100), 100),
        exif.FocalPlaneYResolution: (round(per_inch * 100), 100),
        exif.FocalPlaneResolutionUnit: 2, exif.WhiteBalance: 1, exif.MeteringMode: 5, exif.FlashpixVersion: b"0100",
        exif.ComponentsConfiguration: b"\x01\x02\x03\x00", exif.SceneCaptureType: 0, exif.Flash: 16,
        exif.ImageUniqueID: f"{body.serial[-4:].encode().hex()}{description.seed:012x}{frame.index:012x}"[:32].encode(),
    }
    if files.settings_data:
        table.update({
            exif.ExposureTime: _ratio(nominal_shutter(frame.exposure_s)),
            exif.FNumber: _ratio(nominal_aperture(frame.f_number)),
            exif.ISOSpeedRatings: min(nominal_iso(frame.iso), 65535), exif.SensitivityType: 2, exif.ExposureProgram: 1,
            exif.ShutterSpeedValue: (round(-math.log2(frame.exposure_s) * 10_000), 10_000),
            exif.ApertureValue: (round(2 * math.log2(frame.f_number) * 10_000), 10_000),
            exif.ExposureBiasValue: (round(frame.bias_ev * 3), 3) if files.marks else (0, 1),
            exif.ExposureMode: 2 if frame.marked == "exposure" else 1,
        })
    if files.subseconds:
        digits = f"{when.microsecond // 10_000:02d}".encode()
        table[exif.SubSecTimeOriginal] = table[exif.SubSecTime] = table[exif.SubSecTimeDigitized] = digits
    if files.utc_offset:
        raw = when.strftime("%z")
        table[0x9010] = table[0x9011] = table[0x9012] = f"{raw[:3]}:{raw[3:5]}".encode()
    if files.focus_distance:
        s = frame.focus_m
        table[exif.SubjectDistance] = _INFINITE if math.isinf(s) else (round(s * 1000), 1000)
        table[exif.SubjectDistanceRange] = 1 if s < 0.3 else 2 if s < 3 else 3
    return {"0th": zeroth, "Exif": table, "GPS": {}, "1st": {}}


def encode_jpeg(
    rgb: NDArray[np.uint8], data: dict[str, dict[int, object]] | None, quality: int, thumbnail: bool, preview_px: int
) -> bytes:
    """JPEG (4:2:0) with Exif, its thumbnail and, if asked, a larger preview as a second picture in the file."""
    image = Image.fromarray(rgb)
    options: dict[str, object] = {"quality": quality, "subsampling": "4:2:0"}
    if data is not None:
        tables: dict[str, object] = dict(data)
        if thumbnail:
            tables["1st"] = {piexif.ImageIFD.Compression: 6, piexif.ImageIFD.XResolution: (72, 1),
                             piexif.ImageIFD.YResolution: (72, 1), piexif.ImageIFD.ResolutionUnit: 2}
            tables["thumbnail"] = _jpeg(_within(rgb, _THUMBNAIL), 80)
        options["exif"] = piexif.dump(tables)
    held = io.BytesIO()
    image.save(held, "JPEG", **options)
    if preview_px and data is not None and preview_px < max(rgb.shape[:2]):
        small = _within(rgb, (preview_px, preview_px))
        return with_large_thumbnail(held.getvalue(), _jpeg(small, quality), max(small.shape[:2]), min(small.shape[:2]))
    return held.getvalue()


def with_large_thumbnail(main: bytes, preview: bytes, long_px: int, short_px: int) -> bytes:
    """A JPEG with Exif and, behind it, its preview, listed as a large thumbnail in a Multi-Picture index.

    Parameters
    ----------
    main, preview : bytes
        Whole JPEG streams; `main` has an Exif segment, after which the index goes (DC-007, 5.1).
    long_px, short_px : int
        Size of the preview.
    """
    at = main.index(b"\xff\xe1")
    at += 2 + int.from_bytes(main[at + 2 : at + 4], "big")
    kind = next((k for w, h, k in _LARGE_THUMBNAILS if long_px <= w and short_px <= h), _LARGE_THUMBNAILS[-1][2])
    listed_at = 8 + 2 + 3 * _MP_FIELD.size + 4
    length = 4 + 4 + listed_at + 2 * 16
    whole, tiff_at = len(main) + length, at + 8
    directory = b"MM\0*" + struct.pack(">IH", 8, 3)
    for tag, form, count, value in (
        (0xB000, 7, 4, int.from_bytes(b"0100", "big")), (0xB001, 4, 1, 2), (0xB002, 7, 2 * 16, listed_at),
    ):
        directory += _MP_FIELD.pack(tag, form, count, value)
    directory += bytes(4)
    directory += struct.pack(">IIIHH", _PRIMARY, whole, 0, 2, 0)
    directory += struct.pack(">IIIHH", _CHILD | kind, len(preview), whole - tiff_at, 0, 0)
    index = b"\xff\xe2" + (length - 2).to_bytes(2, "big") + b"MPF\0" + directory
    return main[:at] + index + main[at:] + preview


def _jpeg(rgb: NDArray[np.uint8], quality: int) -> bytes:
    held = io.BytesIO()
    Image.fromarray(rgb).save(held, "JPEG", quality=quality)
    return held.getvalue()


def _within(rgb: NDArray[np.uint8], box: tuple[int, int]) -> NDArray[np.uint8]:
    h, w = rgb.shape[:2]
    scale = min(box[0] / w, box[1] / h)
    size = (max(1, round(w * scale)), max(1, round(h * scale)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


def _lie_down(picture: NDArray[np.generic], orientation: int) -> NDArray:  # type: ignore[type-arg]
    """Turn an upright picture to how the sensor holds it: 6 is shown turned clockwise, 8 counter-clockwise."""
    turns = {6: 1, 8: -1}.get(orientation, 0)
    return np.ascontiguousarray(np.rot90(picture, turns))


def _ratio(value: Fraction) -> tuple[int, int]:
    if value.denominator in (2, 5) and value < 60:
        value10 = value * 10
        if value10.denominator == 1:
            return (int(value10), 10)
    return (value.numerator, value.denominator)
