"""A measured distribution as a few classes, each even inside: what no law describes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poresim.bench.size_figures import cells_of
from poresim.bench.sizes import OneSizing

Floats = NDArray[np.float64]

MOST_PARTS = 20  # that a scenario's mixture may have
_LEAST_SHARE = 1e-4


def parts_of(one: OneSizing, told_by: float, most: int = MOST_PARTS) -> tuple[Floats, Floats]:
    """(k + 1,) edges (m) and (k,) shares, k <= most, of the amount "number times size^told_by".

    Within a part sizes are to be even. Where there are more classes, neighbours are put together;
    particles counted one by one are put into classes even in ln(size).
    """
    classes = one.classes
    if one.table.kind == "list":
        size, weight = classes.lower, classes.amount
        edges = np.geomspace(size[0] / 1.0001, size[-1] * 1.0001, min(most, 12) + 1)
    else:
        cells, weight, cut = cells_of(classes, one.shape, None)
        size = np.sqrt(cells[1:] * cells[:-1])
        step = cut * -(-len(classes.amount) // most)
        edges = np.append(cells[:-1:step], cells[-1])
    amount = weight * (size / edges[-1]) ** (told_by - classes.power)
    share = np.histogram(size, edges, weights=amount)[0]
    held = np.flatnonzero(share > _LEAST_SHARE * share.sum())
    first, last = int(held[0]), int(held[-1]) + 1
    share = share[first:last]
    return edges[first : last + 1], share / share.sum()
