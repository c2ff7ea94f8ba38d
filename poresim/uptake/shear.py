"""At which shear rates a soak spends its work.

All that drives a soak is spent on viscous flow in the tubes: flow times pressure drop, and along
a cone flow * 2 tw/r dx. It is entered by the shear rate at the wall, g = 3 s + tw ds/dtw
(Weissenberg-Rabinowitsch, see :mod:`poresim.tube.law`), s = Q/(pi r^3). What grains in a
throat or a cake take is left out: the model says nothing of their gaps.

The march is looked at when a step's pressures have been found and before events change them: they
hold for the whole step, and every junction is in balance. A meniscus counts by what it will take, a
full tube by what it passes. Nothing is changed.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from poresim.tube.filled import STRAIGHT, wetted_flow
from poresim.tube.jit import inner, kernel
from poresim.tube.law import cone_excess, flow_above_yield
from poresim.tube.shape import radius_at, volume_to
from poresim.tube.wetting import drives
from poresim.uptake.state import PASSING, TOP, Shapes, State

#: Shear rates are told apart from here on, 1/s, over so many decades; beyond lies in the end bins.
SLOWEST, DECADES, BINS_A_DECADE = 1e-6, 18, 40
BINS = DECADES * BINS_A_DECADE

_LOG_SLOWEST = math.log(SLOWEST)
_PER_LOG = BINS_A_DECADE / math.log(10.0)
_SLICES = 4  # of a cone
_PARTS = 4  # of the way of a meniscus in a step
_SHORT = 0.02  # cones over which ln s changes by less are summed by quadrature, not by difference
_LEVEL = 1e-9  # a cone that narrows by less has no part in it

_GROWN = 1.15  # looks are so far apart, as a factor of time
_ROWS, _SLOTS = 1000, 1000  # junctions, and tubes beside menisci, that one look takes at most


class Shear:
    """The dissipation of a soak by wall shear rate, summed over time."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._work = np.zeros(BINS)  # J
        self._power = np.zeros(BINS)  # W, at the last look
        self._at = 0.0  # the time for which that holds
        self._looked = self._now = 0.0
        self._looks = 0
        self._seen: NDArray[np.float64] | None = None  # in the step that is under way
        self.widths: Callable[[], Shapes] | None = None  # of tubes, where they change

    def look(self, now: float, until: float) -> None:
        """A step's pressures have been found; it may yet be taken again."""
        self._seen = None
        if now == 0.0 or now >= _GROWN * self._looked:
            s = self._state
            self._seen = np.zeros(BINS)
            shapes = s.shapes if self.widths is None else self.widths()
            add_dissipation(
                s.law, s.wetting, s.tubes, s.junctions, s.graph, shapes, s.log, until,
                self._looks, self._seen,
            )  # fmt: skip

    def step(self, now: float, until: float) -> None:
        """That step has ended."""
        self._now = until
        power, self._seen = self._seen, None
        if power is None:
            return
        self._looks += 1
        self._looked = until
        if self._at == 0.0:  # power falls about as 1/sqrt(time): it ends at half its mean
            self._work += (until - now) * power
            self._power, self._at = 0.5 * power, until
            return
        # trapezoids of power * sqrt(time) over sqrt(time)
        middle = 0.5 * (now + until)
        before, here = math.sqrt(self._at), math.sqrt(middle)
        self._work += (here - before) * (before * self._power + here * power)
        self._power, self._at = power, middle

    def close(self) -> NDArray[np.float64]:
        """Dissipation, J, by bins of the shear rate, up to the end of the last step."""
        if self._now > self._at:  # on as before
            last = math.sqrt(self._at)
            self._work += 2.0 * (math.sqrt(self._now) - last) * last * self._power
            self._at = self._now
        return self._work


def edges() -> NDArray[np.float64]:
    """(BINS + 1,) shear rates between the bins, 1/s."""
    return SLOWEST * 10.0 ** (np.arange(BINS + 1) / BINS_A_DECADE)


def shares(work: NDArray[np.float64]) -> NDArray[np.float64]:
    """(BINS,) of the whole; none where nothing flowed."""
    total = float(work.sum())
    return work / total if total > 0.0 else np.zeros(BINS)


@kernel
def add_dissipation(law, wetting, tubes, junctions, graph, shapes, log, until, turn, power):
    """Enter the dissipation of all tubes, W, in a step that will end at ``until``.

    Of many tubes one in some is taken for all, others at another ``turn``.
    """
    for p in range(len(log.counts)):
        count = log.counts[p, TOP] - log.begin[p, TOP]
        stride = 1 + count // _SLOTS
        for s in range(log.begin[p, TOP] + turn % stride, log.counts[p, TOP], stride):
            tube = tubes[s]
            time = until - tube.start
            if not tube.live or tube.body or not time > 0.0:  # a body's mouth is wide: nothing lost
                continue
            a, b = junctions[tube.a], junctions[tube.b]
            x0, x1 = tube.x0, tube.x1
            if a.feeds:
                _enter_meniscus(
                    law, wetting, tube, tube.tilt, a, x0, x1, tube.v0, time, stride, power
                )
            if b.feeds:
                _enter_meniscus(
                    law, wetting, tube, -tube.tilt, b, x1, x0, tube.v1, time, stride, power
                )
    _enter_passing(law, junctions, graph, shapes, turn, power)


@inner
def _enter_meniscus(law, wetting, tube, tilt, mouth, x, other, volume, time, times, power):
    """A meniscus at x that takes ``volume`` in that time, up to the one that stands opposite.

    By parts of its way: how quick it is in each is told by the law, under the drive half-way, but
    for a factor by which all together take the time.
    """
    room = volume_to(tube, tube.length) - volume_to(tube, other) - volume_to(tube, x)
    volume = min(max(volume, -volume_to(tube, x)), room)
    r = radius_at(tube, x)
    way = min(max(x + volume / (math.pi * r * r), 0.0), tube.length - other) - x
    if volume == 0.0 or way == 0.0:
        return
    r, length, waist = tube.radius, tube.length, tube.waist
    ahead, behind = drives(wetting, tube, tilt, mouth.pressure - tube.gas, x + 0.5 * way)
    drive = abs(ahead if volume > 0.0 else behind)
    each, total = abs(volume) / _PARTS, 0.0
    for k in range(_PARTS):
        rate, _ = wetted_flow(law, drive, x + way * (k + 0.5) / _PARTS, r, length, waist)
        total += each / rate
    if not total < math.inf:
        _enter(law, r, length, waist, abs(volume) / time, x + 0.5 * way, times, power)
        return
    for k in range(_PARTS):
        at = x + way * (k + 0.5) / _PARTS
        rate, _ = wetted_flow(law, drive, at, r, length, waist)
        rate *= total / time
        _enter(law, r, length, waist, rate, at, times * each / (rate * time), power)


@inner
def _enter_passing(law, junctions, graph, shapes, turn, power):
    """Full tubes without slots, each from its end of the lower number."""
    first, ring, far, flow, lift = graph.first, graph.ring, graph.far, graph.flow, graph.lift
    slot, radius, length, waist = graph.slot, shapes.radius, shapes.length, shapes.waist
    rows = len(first) - 1
    stride = 1 + rows // _ROWS
    for i in range(turn % stride, rows, stride):
        if not junctions[i].wet:
            continue
        at = junctions[i].pressure
        for k in range(first[i], first[i + 1]):
            slope, j = flow[k], np.int64(far[k])
            e = ring[k]
            if slope == 0.0 or j <= i or slot[e] != PASSING or e >= shapes.own[0]:
                continue
            rate = slope * (at - junctions[j].pressure + (lift[k] if len(lift) > 0 else 0.0))
            run = length[e if len(length) > 1 else 0]
            r, w = radius[e if len(radius) > 1 else 0], waist[e if len(waist) > 1 else 0]
            _enter(law, r, run, w, abs(rate), run, stride, power)


@inner
def _enter(law, radius, length, waist, rate, x, time, work):
    """Liquid from a mouth to x, through which ``rate`` goes for that time."""
    s = rate / (math.pi * radius * radius * radius)
    if not (s > 0.0 and s < math.inf and time > 0.0):
        return
    y = math.log(s)
    if waist > STRAIGHT:
        _, excess, place = _wall(law, y)
        drop = 2.0 * (law.yield_stress + excess) * x / radius
        work[int(min(max(place, 0.0), len(work) - 1.0))] += time * rate * drop
        return
    half = 0.5 * length
    if x >= length:
        _enter_cone(law, y, 1.0 - waist, radius, half, 2.0 * time * rate, work)
        return
    first = min(x, half)
    _enter_cone(law, y, (1.0 - waist) * first / half, radius, first, time * rate, work)
    if x > half:
        wide = waist + (1.0 - waist) * (x - half) / half
        y -= 3.0 * math.log(wide)
        _enter_cone(law, y, 1.0 - waist / wide, radius * wide, x - half, time * rate, work)


@inner
def _enter_cone(law, y, d, wide, length, volume, work):
    """A cone from ``wide`` to ``wide (1 - d)``, by slices even in ln r; y is ln s at its wide end.

    The drop over a slice is exact (M of :mod:`poresim.tube.law`), and spread between the rates at
    its ends.
    """
    if d < _LEVEL:
        return
    dy = -3.0 * math.log1p(-d) / _SLICES
    scale = 2.0 * length / (3.0 * wide * d)
    m, excess, place = _wall(law, y)
    for _ in range(_SLICES):
        y += dy
        next_m, next_excess, next_place = _wall(law, y)
        drop = next_m - m if dy > _SHORT else 0.5 * dy * (excess + next_excess)
        _spread(place, next_place, volume * scale * (drop + law.yield_stress * dy), work)
        m, excess, place = next_m, next_excess, next_place


@inner
def _wall(law, y):
    """(M less its yield's part, stress beyond the yield, the bin of the shear rate) at y = ln s."""
    m, excess = cone_excess(law, y)
    if law.kind <= 1:
        rate = y + math.log(3.0 + 1.0 / law.index)
    else:
        s, slope = flow_above_yield(law, excess)
        rate = math.log(3.0 * s + (law.yield_stress + excess) * slope)
    return m, excess, (rate - _LOG_SLOWEST) * _PER_LOG


@inner
def _spread(low, high, what, work):
    """Evenly over the bins from low to high, parts of bins included."""
    low = min(max(low, 0.0), len(work) - 1.0)
    high = min(max(high, 0.0), len(work) - 1.0)
    i, j = int(low), int(high)
    if j <= i:
        work[i] += what
        return
    each = what / (high - low)
    work[i] += each * (i + 1 - low)
    for k in range(i + 1, j):
        work[k] += each
    work[j] += each * (high - j)
