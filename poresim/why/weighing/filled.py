"""Curves read at times, of many draws at once, compiled: shares filled, and how they hang on the
numbers that tell them. Between these curves are straight in the root of time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel
from poresim.why.weighing.features import LEVELS, shares_of

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: By trial over runs that are left out: 0.03 to 0.4 are nearly as good.
SOFTENED = 0.1


class Filled(NamedTuple):
    """Curves of n draws read at m times.

    share : (n, m) of the pores filled. first : (n, m) number of the first of the two neighbouring
    numbers that tell it (-1: the start). low, high : (n, m) its slopes by them.
    """

    share: Floats
    first: Integers
    low: Floats
    high: Floats

    def along(self, loadings: Floats) -> Floats:
        """(n, m, q): how shares change along directions (k, q) of what tells a curve."""
        found = np.empty((*self.share.shape, loadings.shape[1]))
        _along(self.first, self.low, self.high, np.ascontiguousarray(loadings), found)
        return found


class HeldUp(NamedTuple):
    """The same of liquids whose grains hold them up. free : without grains. part : of that which is
    not filled; its numbers come first."""

    free: Filled
    part: Filled

    @property
    def share(self) -> Floats:
        """(n, m) of the pores filled."""
        return self.free.share * (1 - self.part.share)

    def along(self, loadings: Floats) -> Floats:
        """(n, m, q): as of curves that nothing holds up."""
        own = len(loadings) - len(LEVELS)
        free, part = self.free.along(loadings[own:]), self.part.along(loadings[:own])
        return (1 - self.part.share)[:, :, None] * free - self.free.share[:, :, None] * part


def by_times(log_times: Floats, when: Floats, at_once: float) -> Filled:
    """Told by the ln of times (n, 12) at LEVELS, read at times (m,) s."""
    found = _empty(len(log_times), len(when))
    nodes = np.append(at_once, shares_of(at_once))
    _read_times(np.ascontiguousarray(log_times), np.sqrt(when), nodes, *found)
    return found


def by_shares(shares: Floats, log_times: Floats, when: Floats) -> Filled:
    """Told by shares (n, k) at times whose ln (n, k) rise, from none on, read at times (m,) s."""
    found = _empty(len(shares), len(when))
    tables = np.ascontiguousarray(shares), np.ascontiguousarray(log_times)
    _read_shares(*tables, np.sqrt(when), *found)
    return found


def odds_of(part: Floats) -> Floats:
    """ln((part + s) / (1 - part + s)) of what grains hold up, between 0 and 1; s of SOFTENED keeps
    it from running off where grains do nothing or all."""
    some = np.clip(part, 0.0, 1.0)
    return np.asarray(np.log((some + SOFTENED) / (1 - some + SOFTENED)))


def by_odds(odds: Floats, log_times: Floats, when: Floats) -> Filled:
    """The part that grains hold up, told by its odds (n, k) at times whose ln (n, k) rise, read at
    times (m,) s."""
    chance = 1 / (1 + np.exp(-odds))
    slope = (1 + 2 * SOFTENED) * chance * (1 - chance)
    found = by_shares((1 + 2 * SOFTENED) * chance - SOFTENED, log_times, when)
    before = np.take_along_axis(slope, np.maximum(found.first, 0), axis=1)
    after = np.take_along_axis(slope, found.first + 1, axis=1)
    return found._replace(low=found.low * before, high=found.high * after)


def _empty(n: int, m: int) -> Filled:
    return Filled(np.empty((n, m)), np.empty((n, m), np.int64), np.empty((n, m)), np.empty((n, m)))


@kernel
def _read_times(
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
def _read_shares(
    shares: Floats, log_times: Floats, at: Floats, share: Floats, first: Integers, low: Floats,
    high: Floats,
) -> None:  # fmt: skip  # pragma: no cover
    n, last = shares.shape[0], shares.shape[1] - 1
    root = np.zeros(last + 1)
    for i in range(n):
        for k in range(last + 1):
            root[k] = np.exp(0.5 * log_times[i, k])
        for j in range(len(at)):
            place = 0
            while place < last and root[place] < at[j]:
                place += 1
            start = root[place - 1] if place > 0 else 0.0
            part = min((at[j] - start) / max(root[place] - start, 1e-300), 1.0)
            before = shares[i, place - 1] if place > 0 else 0.0
            share[i, j] = before + part * (shares[i, place] - before)
            first[i, j] = place - 1
            low[i, j] = 1.0 - part
            high[i, j] = part


@kernel
def _along(
    first: Integers, low: Floats, high: Floats, loadings: Floats, found: Floats
) -> None:  # pragma: no cover
    n, m = first.shape
    for i in range(n):
        for j in range(m):
            below, above = first[i, j], first[i, j] + 1
            for k in range(loadings.shape[1]):
                found[i, j, k] = high[i, j] * loadings[above, k]
                if below >= 0:
                    found[i, j, k] += low[i, j] * loadings[below, k]
