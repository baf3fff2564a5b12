"""Bare edges, which slide along themselves unseen, take that part of their movement from their neighbours."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

_ROUNDS = 3  # how often an edge passes on to the next what it took from its neighbours
_APART_PX = 0.4  # working pixels by which two may differ across the edge and be said to move alike, or
_APART_SHARE = 0.15  # this share of it


def complete_edges(
    displacement: NDArray[np.float64],
    along: NDArray[np.float32],
    edge: NDArray[np.bool_],
    precise: NDArray[np.bool_],
    sure: NDArray[np.bool_],
    at_rest: NDArray[np.bool_],
    beside: NDArray[np.intp],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Take an edge's movement along itself from neighbours that move across it as it does.

    An edge that agrees with rest takes it from sure ones only: a horizon agrees wherever along it one looks.

    Parameters
    ----------
    displacement : float array, shape (n, 2)
        Working pixels; of edges, that across them.
    along : float array, shape (n, 2)
        Unit vectors along the edges.
    edge, precise, sure, at_rest : bool arrays, shape (n,)
        `precise` tiles know their whole movement, `sure` ones are believed.
    beside : int array, shape (n, 8)
        Each tile's neighbours; -1 where there is none.

    Returns
    -------
    displacement : array, shape (n, 2)
    completed : bool array, shape (n,)
        Edge tiles that found such neighbours.
    """
    done, completed = displacement.copy(), np.zeros(len(beside), np.bool_)
    if edge.any():
        whole, known = ~edge & precise, sure.copy()
        for _ in range(_ROUNDS):
            _one_round(
                displacement, along.astype(np.float64), edge, at_rest, beside, done, completed, whole, known,
                done.copy(), whole.copy(), known.copy(),
            )  # fmt: skip
    return done, completed


@njit(cache=True, nogil=True)
def _one_round(displacement, along, edge, at_rest, beside, done, completed, whole, sure, theirs, was_whole, was_sure):  # type: ignore[no-untyped-def]
    """One round; `theirs`, `was_whole` and `was_sure` are what the last one left."""
    for k in range(beside.shape[0]):
        if not edge[k] or completed[k]:
            continue
        ax, ay = along[k, 0], along[k, 1]
        own = displacement[k, 1] * ax - displacement[k, 0] * ay
        limit = max(_APART_PX, _APART_SHARE * abs(own))
        count = 0
        slide = 0.0
        any_sure = False
        for j in range(beside.shape[1]):
            m = beside[k, j]
            if m < 0 or not was_whole[m] or not (was_sure[m] or not at_rest[k]):
                continue
            if abs(theirs[m, 1] * ax - theirs[m, 0] * ay - own) < limit:
                count += 1
                slide += theirs[m, 0] * ax + theirs[m, 1] * ay
                any_sure |= was_sure[m]
        if count > 0:
            slide /= count
            sure[k] &= any_sure
            done[k, 0] = displacement[k, 0] + slide * ax
            done[k, 1] = displacement[k, 1] + slide * ay
            completed[k] = True
            whole[k] = True
