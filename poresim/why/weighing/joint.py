"""Readings of several liquids that one surface foretells, in one vector."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.kernel import matern_at_pairs

Floats = NDArray[np.float64]


class Missed(NamedTuple):
    """lost : (n, m, q) readings by q numbers of sd 1 that a surface misses. places : (n, d) where
    on it, in its lengths."""

    lost: Floats
    places: Floats


def covariance_of(own: Sequence[Floats], misses: Sequence[Sequence[Missed]]) -> Floats:
    """(n, M, M), M the readings of all.

    own : of each liquid (n, m, m) that it shares with none. misses : what each of the surfaces
    misses, the same surfaces for all liquids; it goes together as the surface's kernel has it.
    """
    ends = np.cumsum([0, *(one.shape[1] for one in own)])
    found = np.zeros((len(own[0]), ends[-1], ends[-1]))
    for i in range(len(own)):
        some = slice(ends[i], ends[i + 1])
        found[:, some, some] = own[i]
        for one in misses[i]:
            found[:, some, some] += one.lost @ one.lost.transpose(0, 2, 1)
        for j in range(i):
            before = slice(ends[j], ends[j + 1])
            for one, other in zip(misses[i], misses[j], strict=True):
                alike = matern_at_pairs(one.places, other.places)[:, None, None]
                shared = alike * (one.lost @ other.lost.transpose(0, 2, 1))
                found[:, some, before] += shared
                found[:, before, some] += shared.transpose(0, 2, 1)
    return found
