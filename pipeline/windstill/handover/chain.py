"""From any frame of a set to another by the camera mappings of the judged pairs."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable, Mapping

import numpy as np

from windstill.assess.geometry import Matrix, inverse, mapping_matrix
from windstill.handover.runfolder import FrameRow, PairRow


def mappings_to(base: str, pairs: Iterable[PairRow], frames: Mapping[str, FrameRow]) -> dict[str, Matrix]:
    """Full-resolution mapping of every frame that hangs together with `base` to its picture.

    Parameters
    ----------
    base : str
        Frame name.
    pairs : iterable of PairRow
        Of the set and of all sets inside it.
    frames : mapping
        By name; for their sizes.

    Returns
    -------
    dict
        3x3 matrices, (x, y, 1) of the frame to the base frame, by frame name; `base` itself is the identity. Along
        the fewest pairs, so that errors add up least.
    """
    edges: defaultdict[str, list[tuple[str, Matrix]]] = defaultdict(list)
    for pair in pairs:
        frame = frames.get(pair.frame_a)
        if pair.mapping is None or frame is None:
            continue
        b_to_a = mapping_matrix(pair.mapping, frame.width_px, frame.height_px)
        try:
            a_to_b = inverse(b_to_a)
        except np.linalg.LinAlgError:
            continue
        edges[pair.frame_a].append((pair.frame_b, b_to_a))
        edges[pair.frame_b].append((pair.frame_a, a_to_b))
    found: dict[str, Matrix] = {base: np.eye(3)}
    waiting = deque([base])
    while waiting:
        here = waiting.popleft()
        for other, to_here in edges[here]:
            if other not in found:
                found[other] = found[here] @ to_here
                waiting.append(other)
    return found
