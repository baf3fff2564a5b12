"""What decoding costs, as ratios to what the libraries alone cost: writes decoding.md beside this file.

    python reports/decoding.py [--rounds N]

Every round runs the floor and each task once, one after the other; the ratio is the median over rounds of
task over floor in CPU time (user and system, of the separate decoding process too), so that a busy machine
disturbs both alike.
"""

from __future__ import annotations

import argparse
import io
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import psutil
import simplejpeg
import tifffile
from numpy.typing import NDArray
from PIL import Image

from windstill.imaging import decode, decode_rgb, preview
from windstill.report.aside import written_aside
from windstill.settings import ImagingSettings

WIDTH, HEIGHT = 6000, 4000
SETTINGS = ImagingSettings()
Task = Callable[[], object]


def textured(width: int, height: int) -> NDArray[np.uint8]:
    """Colour texture at every scale with some noise: JPEGs of it are about as large as a camera's."""
    rng = np.random.default_rng(24)
    picture = np.zeros((height, width, 3), np.float32)
    for step in (3, 9, 27, 81, 243):
        coarse = rng.normal(0, 1, (height // step + 2, width // step + 2, 3)).astype(np.float32)
        picture += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC) * np.float32(3.5 * step**0.4)
    picture += rng.normal(0, 4, (height, width, 1)).astype(np.float32)
    return np.clip(picture + 118, 0, 255).astype(np.uint8)


def with_preview(main: bytes, small: NDArray[np.uint8]) -> bytes:
    """The main JPEG with a preview listed as a large thumbnail in a Multi-Picture index (CIPA DC-007)."""
    inner = simplejpeg.encode_jpeg(small, 85, colorsubsampling="422")
    head = main[:2]
    body_length = 4 + 8 + 2 + 3 * 12 + 4 + 32
    start_of_tiff = len(head) + 4 + 4
    main_length = len(main) + body_length + 4

    def field(tag: int, kind: int, count: int, value: bytes) -> bytes:
        return tag.to_bytes(2, "big") + kind.to_bytes(2, "big") + count.to_bytes(4, "big") + value

    entries = b"".join(
        value.to_bytes(4, "big")
        for value in (0x030000, main_length, 0, 0, 0x010002, len(inner), main_length - start_of_tiff, 0)
    )
    directory = (
        (3).to_bytes(2, "big")
        + field(0xB000, 7, 4, b"0100")
        + field(0xB001, 4, 1, (2).to_bytes(4, "big"))
        + field(0xB002, 7, 32, (8 + 2 + 36 + 4).to_bytes(4, "big"))
        + bytes(4)
    )
    payload = b"MPF\0" + b"MM\0*\0\0\0\x08" + directory + entries
    segment = b"\xff\xe2" + (len(payload) + 2).to_bytes(2, "big") + payload
    return head + segment + main[2:] + inner


def cpu_s() -> float:
    """CPU seconds of this process and its running children."""
    processes = [psutil.Process(), *psutil.Process().children()]
    return sum(t.user + t.system for t in (p.cpu_times() for p in processes))


def measure(floor: Task, tasks: dict[str, Task], rounds: int) -> tuple[float, dict[str, float]]:
    """Median CPU seconds of the floor, and median ratios to it."""
    for task in (floor, *tasks.values()):
        task()
    floors: list[float] = []
    ratios: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(rounds):
        floors.append(timed(floor))
        for name, task in tasks.items():
            ratios[name].append(timed(task) / floors[-1])
    return statistics.median(floors), {name: statistics.median(values) for name, values in ratios.items()}


def timed(task: Task, at_least_s: float = 0.3) -> float:
    """CPU seconds of one call, averaged over as many as the clock's steps of 10 ms need."""
    calls = 0
    began, began_own = cpu_s(), time.process_time()
    while True:
        task()
        calls += 1
        spent = cpu_s() - began
        if spent >= at_least_s:
            children = spent - (time.process_time() - began_own)
            return (spent if children > 0.05 else time.process_time() - began_own) / calls


def jpeg_rows(folder: Path, picture: NDArray[np.uint8], rounds: int) -> list[str]:
    """JPEG, against colour decoding with the fastest options of the fastest library."""
    rows = []
    small = cv2.resize(picture, (1620, 1080), interpolation=cv2.INTER_AREA)
    for sampling in ("422", "420"):
        data = simplejpeg.encode_jpeg(picture, 90, colorsubsampling=sampling)
        plain, listed = folder / f"{sampling}.jpg", folder / f"{sampling}-listed.jpg"
        plain.write_bytes(data)
        listed.write_bytes(with_preview(data, np.ascontiguousarray(small)))
        shown = preview(listed, 1, SETTINGS)
        assert shown is not None and shown.decoder == "embedded preview"
        floor_s, ratios = measure(
            lambda data=data: simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True),
            {
                "library, gray only": lambda data=data: simplejpeg.decode_jpeg(data, "GRAY"),
                "`decode`": lambda path=plain: decode(path, 1, SETTINGS),
                "`decode`, camera upright": lambda path=plain: decode(path, 6, SETTINGS),
                "`decode`, reduction 2": lambda path=plain: decode(path, 1, SETTINGS, reduction=2),
                "`decode`, reduction 2, camera upright": lambda path=plain: decode(path, 6, SETTINGS, reduction=2),
                "`decode_rgb`": lambda path=plain: decode_rgb(path, 1, SETTINGS),
                "`preview`, 1620 x 1080 embedded": lambda path=listed: preview(path, 1, SETTINGS),
                "`preview`, none embedded, scaled": lambda path=plain: preview(path, 1, SETTINGS, allow_scaled=True),
            },
            rounds,
        )
        name = f"JPEG 4:{sampling[1]}:{sampling[2]}, {len(data) / 1e6:.1f} MB"
        rows += [f"| {name} | {task} | {ratio:.2f} | {1000 * floor_s:.0f} |" for task, ratio in ratios.items()]
    return rows


def other_rows(folder: Path, picture: NDArray[np.uint8], rounds: int) -> list[str]:
    """Other formats, each against its own library; these go through the separate process."""
    deep, png, dng = folder / "a.tif", folder / "a.png", folder / "a.dng"
    tifffile.imwrite(deep, picture.astype(np.uint16) * 257, photometric="rgb", compression="zlib", predictor=True)
    cv2.imwrite(str(png), picture[: HEIGHT // 2, : WIDTH // 2], [cv2.IMWRITE_PNG_COMPRESSION, 3])
    floors: dict[str, tuple[Path, Task]] = {
        "TIFF 16 bit, deflate, 24 MP": (deep, lambda: tifffile.imread(deep, maxworkers=1)),
        "PNG, 6 MP": (png, lambda: np.asarray(Image.open(io.BytesIO(png.read_bytes())))),
    }
    try:
        import rawpy
    except ImportError:
        pass
    else:
        write_mosaic(dng, picture)

        def developed() -> object:
            with rawpy.imread(str(dng)) as raw:
                return raw.postprocess(half_size=True, output_bps=8)

        floors["DNG without preview, 24 MP, half size"] = (dng, developed)
    rows = []
    for name, (path, floor) in floors.items():
        floor_s, ratios = measure(floor, {"`decode`": lambda path=path: decode(path, 1, SETTINGS)}, rounds)
        rows += [f"| {name} | {task} | {ratio:.2f} | {1000 * floor_s:.0f} |" for task, ratio in ratios.items()]
    return rows


def write_mosaic(path: Path, picture: NDArray[np.uint8]) -> None:
    """A DNG with an uncompressed RGGB mosaic."""
    cfa = np.empty(picture.shape[:2], np.uint16)
    for row, col, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        cfa[row::2, col::2] = picture[row::2, col::2, channel].astype(np.uint16) * 16
    tags = [
        (50706, 1, 4, bytes((1, 4, 0, 0)), True), (50708, 2, 0, "Skerry One", True), (50717, 3, 1, 4095, True),
        (50721, 10, 9, tuple(v for n in (1, 0, 0, 0, 1, 0, 0, 0, 1) for v in (n, 1)), True),
        (50728, 5, 3, (1, 1, 1, 1, 1, 1), True), (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True),
    ]  # fmt: skip
    tifffile.imwrite(path, cfa, photometric="cfa", extratags=tags, metadata=None)


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=9)
    rounds = parser.parse_args().rounds
    cv2.setNumThreads(1)
    picture = textured(WIDTH, HEIGHT)
    with tempfile.TemporaryDirectory() as name:
        rows = jpeg_rows(Path(name), picture, rounds) + other_rows(Path(name), picture, max(3, rounds // 3))
    text = "\n".join(
        [
            "# What decoding costs",
            "",
            f"Made by `python reports/decoding.py --rounds {rounds}` on {platform.system()} {platform.machine()}, "
            f"{os.cpu_count()} cores, Python {platform.python_version()}, simplejpeg {simplejpeg.__version__}, "
            f"OpenCV {cv2.__version__}. Pictures of {WIDTH} x {HEIGHT} px, rendered, unless said otherwise.",
            "",
            "Ratio: CPU time over the floor, one thread, median of the rounds. The floor of JPEG is one decode to "
            "colour by libjpeg-turbo with its fastest options; that of other formats is their library's own decode.",
            "",
            "| file | task | ratio | floor, ms |",
            "|---|---|---:|---:|",
            *rows,
            "",
        ]
    )
    with written_aside(Path(__file__).with_suffix(".md")) as aside:
        aside.write_text(text, "utf-8")
    print(text)


if __name__ == "__main__":
    main()
