"""Finding the frames of a shoot, and what the camera said about each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.scan.headers import UnreadableError
    from windstill.scan.photo import ReadBefore
    from windstill.scan.shoot import read_camera_data, scan_again, scan_shoot

__all__ = ["ReadBefore", "UnreadableError", "read_camera_data", "scan_again", "scan_shoot"]

__getattr__ = loaded_on_use(__name__, {
    "ReadBefore": "photo", "UnreadableError": "headers", "read_camera_data": "shoot", "scan_again": "shoot",
    "scan_shoot": "shoot",
})  # fmt: skip
