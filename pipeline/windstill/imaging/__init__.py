"""The only room that decodes pixels."""

from windstill.imaging.decoded import Decoded, ImageInfo, ImagingError, Region
from windstill.imaging.derive import area_reduced, halved
from windstill.imaging.encode import encode_jpeg, encode_png
from windstill.imaging.entry import decode, decode_rgb, preview, probe
from windstill.imaging.kinds import check_size

__all__ = [
    "Decoded", "ImageInfo", "ImagingError", "Region",
    "area_reduced", "check_size", "decode", "decode_rgb", "encode_jpeg", "encode_png", "halved", "preview", "probe",
]
