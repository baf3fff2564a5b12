"""Plain neighbours of every figure: what scikit-image and OpenCV give in a few lines each.

- `flow`: camera shift by phase correlation, brightness by histogram matching, dense inverse-search flow (OpenCV DIS);
  per region the median flow, per pair the 95th percentile.
- `difference`: absolute difference after the same phase correlation and histogram matching, 95th percentile.
- `blur`: scikit-image's `blur_effect` of a frame.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.exposure import match_histograms
from skimage.measure import blur_effect
from skimage.registration import phase_cross_correlation

from windstill.report.aside import written_aside
from windstill.run.keys import key_of

Plane = NDArray[np.uint8]
_FLOW_BASE_PX = 1800
"""Long side at which the flow is computed; larger pictures are reduced (it costs 330 ms a megapixel)."""


def baselines(shoot: Path, truth: Mapping[str, Any], work: Path, workers: int) -> dict[str, Any]:
    """Baseline figures of all true pairs and frames of a shoot, kept between runs.

    Returns
    -------
    dict
        `pairs`: by "a>b" of the truth: `flow_p95`, `difference`, `regions` ([x, y] flow of each region of the truth,
        from a to b with the median over the picture removed). `blur`: by frame, 0 sharp .. 1 blurred.
    """
    source = Path(__file__).read_text("utf-8")
    kept = work / "baselines" / f"{shoot.name}-{key_of(source, json.dumps(truth['pairs']))[:12]}.json"
    if kept.exists():
        return dict(json.loads(kept.read_text("utf-8")))
    files = {row["frame"]: shoot / "DCIM" / str(row["files"][0]) for row in truth["frames"]}
    # Started clean: a process that already runs threads of other libraries must not be forked.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        pairs = list(pool.map(_pair, [(files, pair) for pair in truth["pairs"]]))
        blur = list(pool.map(_blur, files.values()))
    found = {
        "pairs": {f"{p['frame_a']}>{p['frame_b']}": v for p, v in zip(truth["pairs"], pairs, strict=True)},
        "blur": dict(zip(files, blur, strict=True)),
    }
    kept.parent.mkdir(parents=True, exist_ok=True)
    with written_aside(kept) as aside:
        aside.write_text(json.dumps(found), "utf-8")
    return found


def _plane(path: Path) -> Plane | None:
    """Upright grey picture; OpenCV obeys the orientation tag."""
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def _pair(job: tuple[dict[str, Path], dict[str, Any]]) -> dict[str, Any] | None:
    cv2.setNumThreads(1)
    files, pair = job
    a, b = _plane(files[pair["frame_a"]]), _plane(files[pair["frame_b"]])
    if a is None or b is None or a.shape != b.shape:
        return None
    scale = min(1.0, _FLOW_BASE_PX / max(a.shape))
    if scale < 1:
        a, b = (cv2.resize(p, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) for p in (a, b))
    b = match_histograms(b, a).astype(np.uint8)
    shift, _, _ = phase_cross_correlation(a.astype(np.float32), b.astype(np.float32), upsample_factor=10)
    move = np.array([[1, 0, shift[1]], [0, 1, shift[0]]], np.float32)
    moved = cv2.warpAffine(b, move, (b.shape[1], b.shape[0]), borderMode=cv2.BORDER_REPLICATE)
    difference = float(np.percentile(cv2.absdiff(a, moved), 95))
    flow = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM).calc(a, moved, None)
    flow = (flow - np.median(flow.reshape(-1, 2), axis=0)) / scale
    regions = [_median_in(flow, region, scale) for region in pair["regions"]]
    p95 = float(np.percentile(np.hypot(flow[..., 0], flow[..., 1]), 95))
    return {"flow_p95": p95, "difference": difference, "regions": regions}


def _median_in(flow: NDArray[np.float32], region: Mapping[str, Any], scale: float) -> list[float] | None:
    """Median flow over the inner part of a region's ellipse."""
    x, y = region["x_px"] * scale, region["y_px"] * scale
    half_w, half_h = max(1.0, region["w_px"] * scale * 0.4), max(1.0, region["h_px"] * scale * 0.4)
    x0, x1 = max(0, round(x - half_w)), min(flow.shape[1], round(x + half_w) + 1)
    y0, y1 = max(0, round(y - half_h)), min(flow.shape[0], round(y + half_h) + 1)
    if x1 <= x0 or y1 <= y0:
        return None
    gy, gx = np.mgrid[y0:y1, x0:x1]
    inside = ((gx - x) / half_w) ** 2 + ((gy - y) / half_h) ** 2 <= 1
    if not inside.any():
        return None
    return [float(v) for v in np.median(flow[y0:y1, x0:x1][inside], axis=0)]


def _blur(path: Path) -> float | None:
    plane = _plane(path)
    return None if plane is None else float(blur_effect(plane))
