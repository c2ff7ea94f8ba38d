"""Thinning at random: tubes are taken out until junctions have the asked number of neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def kept_tubes(
    ends: NDArray[np.signedinteger[Any]],
    inner: NDArray[np.bool_],
    kept_share: float,
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Indices of the tubes that stay, rising.

    The same share of the tubes stays among those with two inner ends, with one, and with none,
    as nearly as whole numbers allow, and which ones is drawn at random. So the mean number of
    neighbours of the inner junctions comes out as asked, not merely on average. Junctions that
    lose every tube stay as dead ends of the count.

    ends : (m, 2). inner : (n,) junctions on no face. kept_share : in (0, 1].
    """
    inner_ends = inner[ends].sum(axis=1, dtype=np.int8)
    rank = rng.random(len(ends))
    kept = []
    for group in range(3):
        members = np.flatnonzero(inner_ends == group)
        order = np.argsort(rank[members], kind="stable")
        kept.append(members[order[: round(kept_share * len(members))]])
    return np.sort(np.concatenate(kept))


def mean_neighbours(ends: NDArray[np.signedinteger[Any]], inner: NDArray[np.bool_]) -> float:
    """Mean number of tubes at the junctions that lie on no face; NaN when there are none."""
    if not inner.any():
        return float("nan")
    return float(inner[ends].sum() / inner.sum())
