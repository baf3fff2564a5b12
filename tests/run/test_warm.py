"""What workers share is prepared before they start."""

from __future__ import annotations

from windstill.assess import matching
from windstill.run.warm import warm_up
from windstill.score import smear


def test_the_small_pictures_reach_the_kernels() -> None:
    warm_up()  # raises where the import would have kept quiet
    kernels = [found for room in (matching, smear) for found in vars(room).values() if hasattr(found, "signatures")]
    assert kernels
    unloaded = [kernel.py_func.__name__ for kernel in kernels if not kernel.signatures]
    # Those called from other kernels only are compiled into them.
    assert len(unloaded) < len(kernels)
    assert "_project" not in unloaded
