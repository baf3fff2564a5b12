"""Working planes while a set is under way: on disk, or in the memory of a process that works alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from windstill.run.scratch import (
    drop_plane,
    load_plane,
    make_scratch,
    planes_in_memory,
    remove_scratch,
    store_plane,
)

PLANE = np.arange(60, dtype=np.uint8).reshape(6, 10)


@pytest.mark.parametrize("in_memory", [False, True])
def test_a_plane_is_kept_until_it_is_dropped(in_memory: bool, tmp_path: Path) -> None:
    folder = make_scratch(tmp_path)
    if in_memory:
        with planes_in_memory():
            assert store_plane(folder, "100FELLS/A", PLANE.copy()) == PLANE.nbytes
    else:
        assert store_plane(folder, "100FELLS/A", PLANE) == PLANE.nbytes
    assert bool(list(folder.glob("*.npy"))) is not in_memory
    kept = load_plane(folder, "100FELLS/A")
    assert kept is not None and np.array_equal(kept, PLANE) and not kept.flags.writeable
    assert load_plane(folder, "100FELLS/B") is None
    drop_plane(folder, "100FELLS/A")
    assert load_plane(folder, "100FELLS/A") is None
    remove_scratch(folder)
    assert not folder.exists()


def test_planes_in_memory_go_with_their_folder(tmp_path: Path) -> None:
    folder, other = make_scratch(tmp_path), make_scratch(tmp_path)
    with planes_in_memory():
        for place in (folder, other):
            store_plane(place, "A", PLANE.copy())
    store_plane(folder, "B", PLANE)
    assert [path.suffix for path in folder.iterdir() if path.suffix] == [".npy"]  # only while asked for
    remove_scratch(folder)
    assert load_plane(folder, "A") is None
    assert load_plane(other, "A") is not None
    remove_scratch(other)
