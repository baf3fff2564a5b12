"""The reading process of `windstill.scan.isolated`: one JSON line in, one JSON line out, until the input ends."""

from __future__ import annotations

import base64
import contextlib
import io
import json
import math
import os
import sys
import warnings
from collections.abc import Iterator
from typing import Any

# A header needs little; a library that asks for more was led astray by the file.
_MEMORY_BYTES = 2_000_000_000
# The angle LibRaw gives (dcraw's `flip`) as Exif Orientation.
_ORIENTATION_OF_FLIP = {0: 1, 3: 3, 5: 8, 6: 6}


def main() -> None:
    """Serve until standard input closes."""
    _limit_memory()
    # Native libraries print to standard output at will: keep the pipe apart from it.
    answers = os.fdopen(os.dup(1), "wb")
    with open(os.devnull, "wb") as nowhere:  # noqa: PTH123
        os.dup2(nowhere.fileno(), 1)
    warnings.simplefilter("ignore")
    for line in sys.stdin.buffer:
        request = json.loads(line)
        path = os.fsdecode(bytes.fromhex(request["path"]))
        try:
            said = _READERS[request["what"]](path)
        except ModuleNotFoundError as err:
            said = {"problem": f"reading it needs the package {err.name}; install windstill[all]"}
        except OSError as err:
            said = {"problem": f"it cannot be read ({err.strerror or 'damaged'})"}
        except Exception:  # each library raises its own; the parent turns the phrase into one line
            said = {"problem": "its header is damaged or of a kind not known here"}
        answers.write(json.dumps(said).encode() + b"\n")
        answers.flush()


def _limit_memory() -> None:
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))


def _raw_size(path: str) -> dict[str, Any]:
    """Size only: it stands in the header, while rawpy unpacks the whole mosaic to tell anything else."""
    with _opened(path) as raw:
        return _size_of(raw)


def _raw(path: str) -> dict[str, Any]:
    """Size and exposure, for containers nothing else reads."""
    with _opened(path) as raw:
        said = _size_of(raw)
        with contextlib.suppress(Exception):  # damaged pixels; the header is still worth having
            other = raw.other
            exposure = {
                0x829A: other.shutter_speed, 0x829D: other.aperture, 0x8827: other.iso_speed,
                0x920A: other.focal_length,
            }
            said |= {
                "exposure": {tag: value for tag, value in exposure.items() if math.isfinite(value) and value > 0},
                "taken": other.timestamp.strftime("%Y:%m:%d %H:%M:%S") if other.timestamp.year > 1970 else "",
                "lens": raw.lens.model,
            }
        return said


def _size_of(raw: Any) -> dict[str, Any]:
    sizes = raw.sizes
    turn = _ORIENTATION_OF_FLIP.get(sizes.flip, 0)
    return {"width_px": sizes.iwidth, "height_px": sizes.iheight, "orientation": turn}


@contextlib.contextmanager
def _opened(path: str) -> Iterator[Any]:
    import rawpy

    raw = rawpy.RawPy()
    try:
        if _plain(path):
            raw.open_file(path)
            yield raw
        else:
            # LibRaw takes names as text only; others are handed over as an open file.
            with open(path, "rb") as file:  # noqa: PTH123
                raw.open_buffer(file)
                yield raw
    finally:
        raw.close()


def _plain(path: str) -> bool:
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _heif(path: str) -> dict[str, Any]:
    import pillow_heif

    with open(path, "rb") as file:  # noqa: PTH123
        image = pillow_heif.open_heif(file, convert_hdr_to_8bit=False)
        return _sized(image.size, image.info)


def _webp(path: str) -> dict[str, Any]:
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    with open(path, "rb") as file, Image.open(io.BytesIO(file.read()), formats=["WEBP"]) as image:  # noqa: PTH123
        return _sized(image.size, image.info)


def _sized(size: tuple[int, int], info: dict[Any, Any]) -> dict[str, Any]:
    said: dict[str, Any] = {"width_px": size[0], "height_px": size[1]}
    for name in ("exif", "xmp"):
        if isinstance(info.get(name), bytes):
            said[name] = base64.b64encode(info[name]).decode("ascii")
    return said


_READERS = {"raw": _raw, "raw size": _raw_size, "heif": _heif, "webp": _webp}

if __name__ == "__main__":
    main()
