"""At which shear rates a soak spends its work.

All that drives a soak is spent on viscous flow in the tubes: flow times pressure drop, and along
a cone flow * 2 tw/r dx. It is entered by the shear rate at the wall, g = 3 s + tw ds/dtw
(Weissenberg-Rabinowitsch, see :mod:`poresim.tube.law`), s = Q/(pi r^3). What a grain in its throat
takes is left out: the model says nothing of its gaps.

The march is looked at between steps, and nothing is changed. A look takes the step that has just
ended as a whole, as its pressures hold for all of it: a meniscus counts by the way that it has
gone, a full tube by how long it was full. Where many events fall into one step, those late in it
may leave junctions pressures that hold for next to no time; a look that they spoil is not believed.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from poresim.tube.filled import STRAIGHT, wetted_flow
from poresim.tube.jit import inner, kernel
from poresim.tube.law import cone_excess, flow_above_yield
from poresim.tube.shape import radius_at, volume_to
from poresim.tube.wetting import drives
from poresim.uptake.state import PASSING, TOP, State

#: Shear rates are told apart from here on, 1/s, over so many decades; beyond lies in the end bins.
SLOWEST, DECADES, BINS_A_DECADE = 1e-6, 18, 40
BINS = DECADES * BINS_A_DECADE

_LOG_SLOWEST = math.log(SLOWEST)
_PER_LOG = BINS_A_DECADE / math.log(10.0)
_SLICES = 4  # of a cone
_PARTS = 16  # of the way that menisci have gone in the first step
_SHORT = 0.02  # cones over which ln s changes by less are summed by quadrature, not by difference
_LEVEL = 1e-9  # a cone that narrows by less has no part in it
_STILL = 1e-6  # a meniscus that has gone less of its way has not moved

_GROWN = 1.15  # looks are so far apart, as a factor of time
_SPOILT = 0.5  # of the dissipation, that junctions out of balance may have made up: where it was
# tried, less leaves too few looks, and more lets in what doubles the sum
_PATIENCE = 4.0  # after so long, as a factor of time, a spoilt look is better than none
_ROWS, _SLOTS = 1000, 1000  # junctions, and tubes beside menisci, that one look takes at most


class Shear:
    """The dissipation of a soak by wall shear rate, summed over time."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._work = np.zeros(BINS)  # J
        self._power = np.zeros(BINS)  # W, at the last look
        self._at = 0.0  # the time for which that holds
        self._looked = 0.0
        self._now = self._step = 0.0
        self._looks = 0

    def look(self, now: float, step: float) -> None:
        """A step of that length has ended."""
        self._now, self._step = now, step
        if now > 0.0 and now >= _GROWN * self._looked:
            self._take()

    def close(self) -> NDArray[np.float64]:
        """Dissipation, J, by bins of the shear rate, up to the last step that was told of."""
        if self._now > self._looked:
            self._take()
        if self._now > self._at:  # on as before
            last = math.sqrt(self._at)
            self._work += 2.0 * (math.sqrt(self._now) - last) * last * self._power
            self._at = self._now
        return self._work

    def _take(self) -> None:
        now, s = self._now, self._state
        if self._looked == 0.0:
            add_first(s.law, s.wetting, s.tubes, s.junctions, s.log, self._work)
            self._power, _ = self._measured(0.0)
            self._at = self._looked = now
            return
        power, spoilt = self._measured(self._step)
        if spoilt and now < _PATIENCE * self._looked:
            return
        # power falls about as 1/sqrt(time): trapezoids of power * sqrt(time) over sqrt(time)
        middle = now - 0.5 * self._step
        before, here = math.sqrt(self._at), math.sqrt(middle)
        self._work += (here - before) * (before * self._power + here * power)
        self._power, self._at, self._looked = power, middle, now

    def _measured(self, step: float) -> tuple[NDArray[np.float64], bool]:
        """(power by bins, W; whether it is spoilt) over the last ``step``; at an instant for 0."""
        s = self._state
        power = np.zeros(BINS)
        stray = add_dissipation(
            s.law, s.wetting, s.tubes, s.junctions, s.graph, s.shapes, s.log, self._now, step,
            self._looks, power,
        )  # fmt: skip
        self._looks += 1
        return power, bool(stray > _SPOILT * power.sum())


def edges() -> NDArray[np.float64]:
    """(BINS + 1,) shear rates between the bins, 1/s."""
    return SLOWEST * 10.0 ** (np.arange(BINS + 1) / BINS_A_DECADE)


def shares(work: NDArray[np.float64]) -> NDArray[np.float64]:
    """(BINS,) of the whole; none where nothing flowed."""
    total = float(work.sum())
    return work / total if total > 0.0 else np.zeros(BINS)


@kernel
def add_dissipation(law, wetting, tubes, junctions, graph, shapes, log, now, step, turn, power):
    """Enter the dissipation of all tubes, W, over the ``step`` that ends now (0: at this instant).

    Of many tubes one in some is taken for all, others at another ``turn``. Returns how much of the
    sum comes from flows that do not balance at the junctions.
    """
    stray = 0.0
    for p in range(len(log.counts)):
        count = log.counts[p, TOP] - log.begin[p, TOP]
        stride = 1 + count // _SLOTS
        for s in range(log.begin[p, TOP] + turn % stride, log.counts[p, TOP], stride):
            tube = tubes[s]
            if not tube.live or tube.body:  # a body's mouth is wide: nothing is lost there
                continue
            a, b = junctions[tube.a], junctions[tube.b]
            if tube.full:
                stray += _enter_full(law, tube, a, b, log, now, step, stride, power)
            else:
                for end in range(2):
                    x, tilt, mouth = tube.x0, tube.tilt, a
                    if end == 1:
                        x, tilt, mouth = tube.x1, -tube.tilt, b
                    stray += _enter_wet(
                        law, wetting, tube, tilt, mouth, x, now, step, stride, power
                    )
    if wetting.linear:
        stray += _enter_passing(law, junctions, graph, shapes, log, now, step, turn, power)
    return stray


@kernel
def add_first(law, wetting, tubes, junctions, log, work):
    """Enter what menisci have dissipated, J, since they set out from inlets."""
    for p in range(len(log.counts)):
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            tube = tubes[s]
            if tube.live and not tube.full and not tube.body:
                a, b = junctions[tube.a], junctions[tube.b]
                _enter_way(law, wetting, tube, tube.tilt, a, tube.x0, work)
                _enter_way(law, wetting, tube, -tube.tilt, b, tube.x1, work)


@inner
def _held(log, e, now, step):
    """For which share of the step tube e was full."""
    return min((now - log.filled_at[e]) / step, 1.0) if step > 0.0 else 1.0


@inner
def _enter_full(law, tube, a, b, log, now, step, times, power):
    """A full tube that has a slot."""
    held = times * _held(log, tube.number, now, step)
    drop = a.pressure - b.pressure
    r, length, waist = tube.radius, tube.length, tube.waist
    rate, _ = wetted_flow(law, drop + tube.tilt * length, length, r, length, waist)
    rate *= tube.leak
    _enter(law, r, length, waist, abs(rate), length, held, power)
    return held * rate * drop


@inner
def _enter_wet(law, wetting, tube, tilt, mouth, x, now, step, times, power):
    """A meniscus at x: what it took in the step at the drive that it has."""
    if not mouth.feeds or x <= 0.0:
        return 0.0
    drive, behind = drives(wetting, tube, tilt, mouth.pressure, x)
    if drive <= 0.0:
        drive = min(behind, 0.0)
    rate, _ = wetted_flow(law, drive, x, tube.radius, tube.length, tube.waist)
    rate *= tube.leak
    if rate < 0.0 and step > 0.0:
        rate = max(rate, -volume_to(tube, x) / step)  # it cannot go back farther than the mouth
    elif step > 0.0:
        # under one drive x^(1 + 1/n) grows evenly in time
        bend = 1.0 + 1.0 / law.index
        r = radius_at(tube, x)
        gone = bend * rate * min(step, now - mouth.wetted) / (math.pi * r * r * x)
        start = x * (1.0 - gone) ** (1.0 / bend) if gone < 1.0 else 0.0
        if gone > _STILL:
            rate = (volume_to(tube, x) - volume_to(tube, start)) / step
            x = 0.5 * (x + start)
    _enter(law, tube.radius, tube.length, tube.waist, abs(rate), x, times, power)
    return times * rate * mouth.pressure


@inner
def _enter_way(law, wetting, tube, tilt, mouth, x, work):
    if not mouth.feeds or x <= 0.0:
        return
    before = 0.0
    for k in range(_PARTS):
        at, volume = x * (k + 0.5) / _PARTS, volume_to(tube, x * (k + 1.0) / _PARTS)
        drive, _ = drives(wetting, tube, tilt, mouth.pressure, at)
        rate, _ = wetted_flow(law, max(drive, 0.0), at, tube.radius, tube.length, tube.waist)
        rate *= tube.leak
        if rate > 0.0:
            time = (volume - before) / rate
            _enter(law, tube.radius, tube.length, tube.waist, rate, at, time, work)
        before = volume


@inner
def _enter_passing(law, junctions, graph, shapes, log, now, step, turn, power):
    """Full tubes without slots, each from its end of the lower number."""
    first, ring, far, flow, lift = graph.first, graph.ring, graph.far, graph.flow, graph.lift
    slot, radius, length, waist = graph.slot, shapes.radius, shapes.length, shapes.waist
    stray = 0.0
    rows = len(first) - 1
    stride = 1 + rows // _ROWS
    for i in range(turn % stride, rows, stride):
        if not junctions[i].wet:
            continue
        at = junctions[i].pressure
        for k in range(first[i], first[i + 1]):
            slope, j = flow[k], np.int64(far[k])
            if slope == 0.0 or j <= i:
                continue
            e = ring[k]
            if slot[e] != PASSING:
                continue
            drop = at - junctions[j].pressure
            rate = slope * (drop + (lift[k] if len(lift) > 0 else 0.0))
            held = stride * _held(log, e, now, step)
            stray += held * rate * drop
            run = length[e if len(length) > 1 else 0]
            r, w = radius[e if len(radius) > 1 else 0], waist[e if len(waist) > 1 else 0]
            _enter(law, r, run, w, abs(rate), run, held, power)
    return stray


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
