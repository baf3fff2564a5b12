"""What is wrong with a file, in the words a photographer reads."""

from __future__ import annotations

import cv2

from windstill.imaging.decoded import ImagingError
from windstill.settings.imaging import ImagingSettings

COPY_AGAIN = "copy it again from the card"


def cut_off(percent: float | None = None, of: str = "the picture") -> ImagingError:
    """The end of the file is missing; `percent` of `of` is there."""
    if percent is None:
        return ImagingError(f"the file is cut off; {COPY_AGAIN}")
    return ImagingError(f"the file is cut off after {min(percent, 99):.0f} % of {of}; {COPY_AGAIN}")


def damaged(what: str = "the picture data") -> ImagingError:
    """Bytes are there but wrong."""
    return ImagingError(f"{what} cannot be decoded, so the file is damaged; {COPY_AGAIN}")


def unsupported(what: str) -> ImagingError:
    """A sound file, as far as can be told, of a kind no decoder here knows."""
    return ImagingError(f"{what} cannot be decoded here; export it as JPEG or 16-bit TIFF and review that")


def not_a_picture() -> ImagingError:
    """No known kind of picture."""
    return ImagingError(
        "the content is no JPEG, TIFF, PNG, WebP, HEIC, BMP, DNG or camera raw; "
        f"{COPY_AGAIN}, or take it out of the folder"
    )


def missing(what: str, extra: str) -> ImagingError:
    """An optional decoder is not installed."""
    return ImagingError(f"{what} files need an optional decoder; install it with: pip install 'windstill[{extra}]'")


def out_of_memory(settings: ImagingSettings) -> ImagingError:
    """Decoding wants more memory than allowed."""
    return ImagingError(
        f"decoding needs more than {settings.max_memory_mb:.0f} MB of memory; "
        "raise imaging.max_memory_mb if the picture is real"
    )


def no_memory(err: BaseException) -> bool:
    """Whether there was too little memory, as Python or as OpenCV says it."""
    return isinstance(err, MemoryError) or (isinstance(err, cv2.error) and err.code == cv2.Error.StsNoMem)


class Unforeseen(ImagingError):
    """A decoder failed in a way not met before; its own words help no photographer and stay with the cause."""

    def __init__(self) -> None:
        super().__init__(f"the picture cannot be decoded, which may be damage or a kind not met before; {COPY_AGAIN}")


def check_size(width_px: int, height_px: int, settings: ImagingSettings) -> None:
    """Refuse what a header claims before anything of that size is made.

    Raises
    ------
    ImagingError
        A side of 0, or more pixels than `ImagingSettings.max_megapixels`.
    """
    if width_px < 1 or height_px < 1:
        raise damaged("a picture without width or height")
    if width_px * height_px > settings.max_megapixels * 1e6:
        raise ImagingError(
            f"the header claims {width_px} x {height_px} px, over the limit of {settings.max_megapixels:g} megapixels; "
            "raise imaging.max_megapixels if the picture is real"
        )


def check_memory(decoded_bytes: int, settings: ImagingSettings) -> None:
    """Refuse a picture whose decoded values alone exceed the memory a decoder may take."""
    if decoded_bytes > settings.max_memory_mb * 1e6:
        raise out_of_memory(settings)
