"""Curves read at times, of many draws at once, compiled: shares filled, and how they hang on the
times that tell them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel
from poresim.why.weighing.features import shares_of

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


class Filled:
    """Curves of n draws read at m times: straight in the root of time between LEVELS.

    share : (n, m) of the pores filled. Its slope by ln of the times at two neighbouring LEVELS:
    ``first`` (n, m) the number of the lower one (-1: the start), ``low`` and ``high`` (n, m).
    """

    def __init__(self, log_times: Floats, when: Floats, at_once: float) -> None:
        shape = len(log_times), len(when)
        self.share, self.low, self.high = np.empty(shape), np.empty(shape), np.empty(shape)
        self.first = np.empty(shape, np.int64)
        nodes = np.append(at_once, shares_of(at_once))
        _read(
            np.ascontiguousarray(log_times),
            np.sqrt(when),
            nodes,
            self.share,
            self.first,
            self.low,
            self.high,
        )

    def along(self, loadings: Floats, slopes: Floats) -> Floats:
        """(n, m, q): how shares change along directions (12, q) of what tells the ln times, of
        which these have slopes (n, 12)."""
        found = np.empty((*self.share.shape, loadings.shape[1]))
        both = np.ascontiguousarray(loadings), np.ascontiguousarray(slopes)
        _along(self.first, self.low, self.high, *both, found)
        return found


@kernel
def _read(
    log_times: Floats, at: Floats, nodes: Floats, share: Floats, first: Integers, low: Floats,
    high: Floats,
) -> None:  # fmt: skip  # pragma: no cover
    n, levels = log_times.shape
    root = np.zeros(levels + 1)
    for i in range(n):
        most = -np.inf
        for k in range(levels):
            most = max(most, log_times[i, k])
            root[k + 1] = np.exp(0.5 * most)
        for j in range(len(at)):
            place = 0
            while place < levels and root[place + 1] <= at[j]:
                place += 1
            beyond = place == levels
            place = min(place, levels - 1)
            a, b = root[place], root[place + 1]
            step = nodes[place + 1] - nodes[place]
            wide = max(b - a, 1e-12 * b)
            part = (at[j] - a) / wide
            filled = nodes[place] + part * step
            slope = step / wide
            if beyond and filled >= 1.0:
                filled, slope = 1.0, 0.0
            share[i, j] = filled
            first[i, j] = place - 1
            low[i, j] = -0.5 * slope * (1.0 - part) * a
            high[i, j] = -0.5 * slope * part * b


@kernel
def _along(
    first: Integers, low: Floats, high: Floats, loadings: Floats, slopes: Floats, found: Floats
) -> None:  # pragma: no cover
    n, m = first.shape
    for i in range(n):
        for j in range(m):
            below, above = first[i, j], first[i, j] + 1
            up = high[i, j] * slopes[i, above]
            down = low[i, j] * slopes[i, below] if below >= 0 else 0.0
            for k in range(loadings.shape[1]):
                found[i, j, k] = up * loadings[above, k]
                if below >= 0:
                    found[i, j, k] += down * loadings[below, k]
