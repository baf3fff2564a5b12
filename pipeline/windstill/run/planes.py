"""The planes `assess` asks for: mapped from scratch, or had by a second decode that is counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from windstill import imaging, score
from windstill.imaging import Decoded, Region
from windstill.records import Frame
from windstill.run.scratch import load_plane, store_plane
from windstill.settings import ImagingSettings, ScoreSettings


def decode_for_work(root: Path, frame: Frame, imaging_settings: ImagingSettings, settings: ScoreSettings) -> Decoded:
    """Decode a frame no finer than its working plane needs.

    Raises
    ------
    ImagingError
        The file cannot be used.
    """
    path, turn = root / frame.pixels_from, frame.camera.orientation
    listed_px = max(frame.width_px, frame.height_px)
    reduction = score.reduction_for(listed_px, settings) if listed_px else 1
    decoded = imaging.decode(path, turn, imaging_settings, reduction=reduction)
    if decoded.luma_scale * score.reduction_for(max(decoded.width_px, decoded.height_px), settings) < 1:
        # The camera data called the picture larger than it is.
        return imaging.decode(path, turn, imaging_settings)
    return decoded


class ScratchPlanes:
    """A `windstill.assess.PlaneSource` over the frames of one set.

    Parameters
    ----------
    root : Path
        Shoot folder.
    scratch : Path, optional
        Folder the working planes lie in; None where this machine shares none with the one that scored.
    frames : Mapping
        Frame by name.

    Attributes
    ----------
    decodes : Counter
        Decodes made here, by frame name.
    """

    def __init__(
        self,
        root: Path,
        scratch: Path | None,
        frames: Mapping[str, Frame],
        imaging_settings: ImagingSettings,
        score_settings: ScoreSettings,
    ) -> None:
        self._root = root
        self._scratch = scratch
        self._frames = frames
        self._imaging = imaging_settings
        self._score = score_settings
        self.decodes: Counter[str] = Counter()

    def work(self, name: str) -> NDArray[np.uint8]:
        """Working plane of a frame, uint8 (H, W), upright, read-only.

        Raises
        ------
        ImagingError
            It had to be decoded again and could not be.
        """
        if self._scratch is not None and (kept := load_plane(self._scratch, name)) is not None:
            return kept
        frame = self._frames[name]
        self.decodes[name] += 1
        decoded = decode_for_work(self._root, frame, self._imaging, self._score)
        plane = score.score_frame(frame, decoded, self._score).work
        if self._scratch is not None:
            store_plane(self._scratch, name, plane)
        return plane

    def colour(self, name: str, region: Region) -> NDArray[np.uint8]:
        """Part of a frame in full-resolution colour, uint8 (height, width, 3), upright: always a decode of its own."""
        frame = self._frames[name]
        self.decodes[name] += 1
        path = self._root / frame.pixels_from
        picture: NDArray[np.uint8] = imaging.decode_rgb(path, frame.camera.orientation, self._imaging, region)
        return picture
