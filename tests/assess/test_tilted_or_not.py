"""A camera that turned in the hand between two frames, and one that did not, from windows of which many are off."""

import numpy as np
import pytest
from numpy.typing import NDArray

from windstill.assess.align import _robust_fit

WIDTH, HEIGHT = 384, 288
CENTRE = np.array([WIDTH, HEIGHT]) / 2


def camera(places: NDArray[np.float64], keystone: float) -> NDArray[np.float64]:
    """Where a camera that breathed by 0.2 %, shifted and turned up by some takes what lies at `places`."""
    off = places - CENTRE
    return np.asarray(CENTRE + 1.002 * off + [1.1, -0.7] + keystone * off * off[:, 1:])


def off_at_worst(seed: int, windows: int, sharp: float, scatter_px: float, keystone: float) -> tuple[bool, float]:
    """Whether a tilt was found, and how far the mapping is off where it is worst, pixels."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(20, [WIDTH - 20, HEIGHT - 20], (windows, 2))
    spread = np.where(np.arange(windows) < sharp * windows, 0.09, scatter_px)
    seen = camera(places, keystone) + rng.normal(0, 1, places.shape) * spread[:, None]
    matrix, _, _ = _robust_fit(places, seen, False, (HEIGHT, WIDTH), np.full(windows, 0.05))
    assert matrix is not None
    all_over = np.array([[x, y, 1.0] for x in (0, WIDTH / 2, WIDTH) for y in (0, HEIGHT / 2, HEIGHT)])
    found = all_over @ matrix.T
    left = found[:, :2] / found[:, 2:] - camera(all_over[:, :2], keystone)
    return bool(np.abs(matrix[2, :2]).sum() > 0), float(np.hypot(*left.T).max())


@pytest.mark.parametrize("scatter_px", [0.5, 1.0])
@pytest.mark.parametrize("windows", [50, 100])
def test_windows_out_of_focus_are_no_tilt(windows: int, scatter_px: float) -> None:
    """Three fifths of a stack's windows scatter; a keystone through some of them leaves more and so holds more."""
    tried = [off_at_worst(seed, windows, 0.4, scatter_px, 0.0) for seed in range(60)]
    assert sum(tilted for tilted, _ in tried) <= 1
    assert max(off for _, off in tried) < 0.5


def test_a_tilt_is_found_though_some_windows_scatter() -> None:
    """A keystone of up to 2 px in the corners, and a tenth of the windows out of focus."""
    tried = [off_at_worst(seed, 100, 0.9, 1.0, 5e-5) for seed in range(30)]
    assert sum(tilted for tilted, _ in tried) >= 24
    assert np.median([off for _, off in tried]) < 0.3
