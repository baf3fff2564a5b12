"""What `assess` needs of a frame's pixels, wherever they are kept."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from windstill.imaging import Region


class PlaneSource(Protocol):
    """Pixels by frame name."""

    def work(self, name: str) -> NDArray[np.uint8]:
        """The working plane: uint8 (h, w), upright, reduced by `FrameScore.reduction`."""
        ...

    def colour(self, name: str, region: Region) -> NDArray[np.uint8]:
        """A part of the full picture, upright RGB, uint8 (height, width, 3): a second decode, which is counted.

        `region` is left, top, width and height, inside the picture.
        """
        ...
