"""Finding the frames of a shoot, and what the camera said about each."""

from windstill.scan.headers import UnreadableError
from windstill.scan.shoot import read_camera_data, scan_shoot

__all__ = ["UnreadableError", "read_camera_data", "scan_shoot"]
