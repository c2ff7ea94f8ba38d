"""A soak at any time: the states that its record holds, and menisci on their way between two.

From one snapshot to the next a meniscus goes from where and when it set out (when liquid reached
its junction) until the tube filled. All of these times are the record's own: no tube is wet before
its junction was, and none is full before it filled. On their way menisci go evenly in the root of
time, all of them somewhat sooner or later than that, so that the volume is the record's own, too.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from poresim.outcome.curves import value_at
from poresim.outcome.summary import AT_REST
from poresim.record.model import Repeat
from poresim.show.films.moisture import volume_share
from poresim.show.states import State, full_state
from poresim.solid.network import Network
from poresim.uptake.result import Ending

Floats = NDArray[np.float64]

_FULL = 1 - 1e-6  # of a tube's length
_MOST = math.log(8.0)  # how much sooner or later: shares of the way are taken to powers up to this


class Course:
    """One soak of one solid. Two snapshots are in memory, and what changes between them."""

    def __init__(self, repeat: Repeat, network: Network) -> None:
        self._repeat = repeat
        self._ends = network.ends
        self._waist = np.broadcast_to(network.waist, len(network.ends))
        self._volume = network.tube_volume
        self._between: _Between | None = None

    def at(self, when: float) -> State:
        """Where the liquid is at a time, s; after the soak's last snapshot, as it was then."""
        repeat = self._repeat
        if repeat.ending is Ending.FULL and when >= repeat.time_s[-1]:
            return full_state(repeat, when)
        last = float(repeat.snapshot_time_s[-1])
        at = min(when, last)
        with np.errstate(invalid="ignore"):
            closed = repeat.blocked_at_s <= at
        saturation = value_at(repeat.time_s, repeat.saturation, at, holds=repeat.ending in AT_REST)
        return State(at, self._fill(at), closed, float(saturation), when > last * (1 + 1e-9))

    def _fill(self, at: float) -> NDArray[np.float32]:
        times = self._repeat.snapshot_time_s
        after = min(int(np.searchsorted(times, at * (1 - 1e-12))), len(times) - 1)
        if self._between is None or self._between.after != after:
            self._between = self._from_to(after)
        one = self._between
        share = one.passed(at)
        share = self._hurried(one, share, self._gained(at, one.since, one.until))
        fill = one.fill.copy()
        fill[one.rows] = one.first + share * one.way
        return fill

    def _from_to(self, after: int) -> _Between:
        """The way from one snapshot to the next, number ``after``; before the first all are dry."""
        repeat, times, last = self._repeat, self._repeat.snapshot_time_s, self._between
        if last is not None and last.after == after - 1:
            first = last.then
        else:
            first = self._snapshot(after - 1)
        then = self._snapshot(after)
        since, until = float(times[after - 1]) if after else 0.0, float(times[after])
        rows = np.flatnonzero((first != then).any(axis=1))
        some, reached = first[rows], repeat.wetted_at_s[self._ends[rows]]
        begin = np.where((some <= 0) & (reached > since), np.minimum(reached, until), since)
        full = then[rows].sum(axis=1) >= _FULL
        filled = np.where(full, repeat.filled_at_s[rows], until)
        end = np.clip(np.where(np.isfinite(filled), filled, until), since, until)[:, None]
        begin, end = np.sqrt(begin), np.sqrt(end)
        way = np.maximum(end - begin, 1e-12 * np.sqrt(until))
        fill = first.astype(np.float32)
        return _Between(after, since, until, fill, rows, some, then[rows] - some, begin, way, then)

    def _gained(self, *times: float) -> float:
        """Of what is gained between the second time and the third, how much by the first; NaN when
        nothing is."""
        curve = self._repeat.time_s, self._repeat.saturation
        now, first, then = (float(value_at(*curve, when, holds=True)) for when in times)
        return (now - first) / (then - first) if abs(then - first) > 1e-9 else math.nan

    def _hurried(self, one: _Between, share: Floats, gained: float) -> Floats:
        """Shares of their ways, those of menisci that advance taken to the power at which so much
        of the volume is gained."""
        goes = (share > 0) & (share < 1) & (one.way > 0)
        moving = goes.any(axis=1)
        if not moving.any() or math.isnan(gained):
            return share
        at, still = one.rows, ~moving
        before, after = (self._volumes(fill, at).sum() for fill in (one.first, one.first + one.way))
        wanted = before + gained * (after - before)
        wanted -= self._volumes((one.first + share * one.way)[still], at[still]).sum()
        some, moves, begin, length = (part[moving] for part in (share, goes, one.first, one.way))
        at = at[moving]

        def hurried(power: float) -> Floats:
            return np.asarray(np.where(moves, some ** math.exp(power), some))

        def missing(power: float) -> float:
            return float(wanted - self._volumes(begin + hurried(power) * length, at).sum())

        low, high = missing(-_MOST), missing(_MOST)
        if low * high < 0:
            power = brentq(missing, -_MOST, _MOST, xtol=1e-4)
        else:
            power = -_MOST if abs(low) < abs(high) else _MOST
        share = share.copy()
        share[moving] = hurried(power)
        return share

    def _volumes(self, fill: Floats, rows: NDArray[np.int64]) -> Floats:
        """Liquid in some of the tubes, m3."""
        waist = self._waist[rows]
        inside = volume_share(fill[:, 0], waist) + volume_share(fill[:, 1], waist)
        return np.asarray(np.minimum(inside, 1.0) * self._volume[rows])

    def _snapshot(self, index: int) -> Floats:
        """(m, 2) shares of tubes; before the first all are dry."""
        if index < 0:
            return np.zeros((len(self._ends), 2))
        return np.clip(np.asarray(self._repeat.snapshot_fill[index], np.float64), 0.0, 1.0)


class _Between(NamedTuple):
    """From a snapshot at ``since`` to that at ``until``, number ``after``.

    fill : (m, 2) of all tubes at first. rows : (r,) of those that change. first, way : (r, 2) of
    these, shares at first and by how much they change. begin, takes : (r, 2), (r, 2) when each sets
    out and how long it takes, in roots of s. then : (m, 2) at last.
    """

    after: int
    since: float
    until: float
    fill: NDArray[np.float32]
    rows: NDArray[np.int64]
    first: Floats
    way: Floats
    begin: Floats
    takes: Floats
    then: Floats

    def passed(self, at: float) -> Floats:
        """(r, 2) share of its way that each meniscus has behind it."""
        return np.asarray(np.clip((math.sqrt(at) - self.begin) / self.takes, 0.0, 1.0))
