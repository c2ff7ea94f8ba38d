"""Readings of several liquids that one surface foretells, in one vector."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from poresim.inference.kernel import matern_at_pairs

Floats = NDArray[np.float64]


def covariance_of(
    own: Sequence[Floats], lost: Sequence[Floats], places: Sequence[Floats]
) -> Floats:
    """(n, M, M), M the readings of all.

    Of each liquid: own (n, m, m) that it shares with none; lost (n, m, q) its readings by q numbers
    of sd 1 that the surface misses; places (n, d) where on it, in its lengths. What is missed goes
    together as the surface's kernel has it.
    """
    ends = np.cumsum([0, *(one.shape[1] for one in own)])
    found = np.zeros((len(own[0]), ends[-1], ends[-1]))
    for i in range(len(own)):
        some = slice(ends[i], ends[i + 1])
        found[:, some, some] = own[i] + lost[i] @ lost[i].transpose(0, 2, 1)
        for j in range(i):
            alike = matern_at_pairs(places[i], places[j])[:, None, None]
            shared = alike * (lost[i] @ lost[j].transpose(0, 2, 1))
            before = slice(ends[j], ends[j + 1])
            found[:, some, before] = shared
            found[:, before, some] = shared.transpose(0, 2, 1)
    return found
