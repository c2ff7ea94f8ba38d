"""A soak at any time: the states that its record holds, and menisci on their way between two.

From one snapshot to the next a meniscus goes from where and when it set out (when liquid reached
its junction) until the tube filled. All of these times are the record's own: no tube is wet before
its junction was, and none is full before it filled. On their way menisci go evenly in the root of
time, all of them somewhat sooner or later than that, so that the volume is the record's own, too.
"""

from __future__ import annotations

import math
from typing import Any

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
    """One soak of one solid. At most two snapshots are in memory."""

    def __init__(self, repeat: Repeat, network: Network) -> None:
        self._repeat = repeat
        self._ends = network.ends
        self._waist, self._volume = network.waist, network.tube_volume
        self._kept: dict[int, Floats] = {}

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
        since = float(times[after - 1]) if after else 0.0
        first, then = self._snapshot(after - 1), self._snapshot(after)
        share = self._passed(at, since, float(times[after]), first, then)
        share = self._hurried(share, first, then, self._gained(at, since, float(times[after])))
        return np.asarray(first + share * (then - first), np.float32)

    def _gained(self, *times: float) -> float:
        """Of what is gained between the second time and the third, how much by the first; NaN when
        nothing is."""
        curve = self._repeat.time_s, self._repeat.saturation
        now, first, then = (float(value_at(*curve, when, holds=True)) for when in times)
        return (now - first) / (then - first) if abs(then - first) > 1e-9 else math.nan

    def _hurried(self, share: Floats, first: Floats, then: Floats, gained: float) -> Floats:
        """Shares of their ways (m, 2), those of menisci that advance taken to the power at which so
        much of the volume is gained."""
        way = then - first
        goes = (share > 0) & (share < 1) & (way > 0)
        rows = goes.any(axis=1)
        if not rows.any() or math.isnan(gained):
            return share
        before, after = (self._volumes(fill).sum() for fill in (first, then))
        wanted = before + gained * (after - before)
        wanted -= self._volumes((first + share * way)[~rows], ~rows).sum()
        some, moves, begin, length = share[rows], goes[rows], first[rows], way[rows]

        def hurried(power: float) -> Floats:
            return np.asarray(np.where(moves, some ** math.exp(power), some))

        def missing(power: float) -> float:
            return float(wanted - self._volumes(begin + hurried(power) * length, rows).sum())

        low, high = missing(-_MOST), missing(_MOST)
        if low * high < 0:
            power = brentq(missing, -_MOST, _MOST, xtol=1e-4)
        else:
            power = -_MOST if abs(low) < abs(high) else _MOST
        share = share.copy()
        share[rows] = hurried(power)
        return share

    def _volumes(self, fill: Floats, rows: Any = slice(None)) -> Floats:
        """Liquid in tubes, m3."""
        waist = self._waist[rows]
        inside = volume_share(fill[:, 0], waist) + volume_share(fill[:, 1], waist)
        return np.asarray(np.minimum(inside, 1.0) * self._volume[rows])

    def _passed(self, at: float, since: float, until: float, first: Floats, then: Floats) -> Floats:
        """(m, 2) share of its way between two snapshots that each meniscus has behind it."""
        reached = self._repeat.wetted_at_s[self._ends]
        begin = np.where((first <= 0) & (reached > since), np.minimum(reached, until), since)
        filled = np.where(then.sum(axis=1) >= _FULL, self._repeat.filled_at_s, until)
        end = np.clip(np.where(np.isfinite(filled), filled, until), since, until)[:, None]
        begin, end = np.sqrt(begin), np.sqrt(end)
        way = np.maximum(end - begin, 1e-12 * np.sqrt(until))
        return np.asarray(np.clip((np.sqrt(at) - begin) / way, 0.0, 1.0))

    def _snapshot(self, index: int) -> Floats:
        """(m, 2) shares of tubes; before the first all are dry."""
        if index < 0:
            return np.zeros((len(self._ends), 2))
        if index not in self._kept:
            self._kept = {k: v for k, v in self._kept.items() if abs(k - index) == 1}
            row = np.asarray(self._repeat.snapshot_fill[index], np.float64)
            self._kept[index] = np.clip(row, 0.0, 1.0)
        return self._kept[index]
