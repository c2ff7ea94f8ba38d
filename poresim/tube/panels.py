"""A meniscus followed along one piece of a waisted tube by few panels: the coarse setting.

The slowness f(s) = A/Q is known where a panel begins with its first two logarithmic derivatives,
which fix a, b and m in the model f = a (1 + b d)^m, d being the way gone: a power of the distance
to a stall close to one (b, m < 0), a power of the growing radius far from any (b, m > 0). Time and
place follow from each other in closed form. Over a short way the model is enough; over a long one
f over the model is integrated in the model's own time by the cubic through its values and slopes
at both ends (Hermite; 1 and 0 at the beginning).

Where a panel ends depends on its beginning alone, not on the target, so that :func:`panel_time` and
:func:`panel_follow` sum alike, and what they give is continuous in the pressure.
"""

from __future__ import annotations

import math

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner
from poresim.tube.lookup import WIDTHS, log_flow_across

# Where a panel ends, on and back. Chosen so that the distance moved is right to 1e-3: the errors of
# a panel go as the fourth power of its length.
_WIDENS, _NARROWS = 0.4, 0.15  # the radius has changed by this share
_LEFT, _LEFT_BACK = 0.35, 0.45  # this share of the excess drive is left ...
_LEAST, _FAR = 0.2, 0.1  # ... or this one, of a stall ahead much closer than this share of where
# the radius vanishes
_GROWS = 1.8  # the slowness has changed by exp of this, along its tangent
_TURNS, _STALLS, _CURLS = 0.14, 0.5, 0.82  # ways over which its logarithm bends by the first
# squared, and its slope by these shares (a bend up, a bend down), together
_BACK, _SHARPEST, _BLUNTEST = -0.6, -0.8, 1.0  # b over a panel's length: a pole that would be
# closer (back, on), and a bend stronger than this, are not believed

_SHORT = 0.15  # of a panel: over less the model is enough
_CLOSE = 0.06  # an error of the time below this share is met by one step along the model
_GENTLE = 0.1  # changes of ln(slowness) up to this are stepped over by a series
_FLAT = 1e-6  # of b over a panel's length, and of m + 1: below, as good as 0
_ARRIVAL = 1e-2  # places this close to a panel's end, as a share of it, ask whether it is reached
_PANELS, _INVERSIONS = 200, 30
_FEW = 1e-3  # ways of this share of what changes the slowness go by a series
_STILL = 1e-14  # of the place: a meniscus that has so little way left stands


@inner
def panelled(law, tube):
    """Whether panels serve here: the coarse setting, and a liquid with tables for this waist."""
    return law.coarse == 1 and law.waist == tube.waist and tube.waist <= STRAIGHT


@inner
def _units(law, tube, way):
    """(opening over the mouth's radius, per m, along the way; what holds a length of half the
    tube, Pa; stress over drive in half a tube's length, in tables' units)."""
    per_half = 2.0 / tube.length
    hold = law.yield_stress * tube.length / tube.radius
    stress = tube.radius / (tube.length * law.unit_stress)
    return way * (1.0 - tube.waist) * per_half, hold, stress


@inner
def _at(law, tube, pull, tilt, pressure, s, inside, way, units):
    """What there is to know at s, past a waist.

    (slowness, spread, widen, grade, bend, fall, sink): A/Q, s/m, infinite where nothing flows;
    -d ln A/Q / dP; and along the way, per m or m2: d ln(radius), d ln(A/Q) and its own change,
    -d ln(excess drive) and its own change.
    """
    lean, hold, stress = units
    run = 2.0 * law.full_run  # in halves of the tube's length, as the two that follow
    held = 2.0 * law.full_hold
    deep = turn = widen = steeper = 0.0
    stretch = ratio = 1.0
    if inside:
        ratio = 1.0 / min(tube.waist + abs(lean) * (s - 0.5 * tube.length), 1.0)
        deep = math.log(ratio)
        power = math.exp(3.0 * law.index * deep)
        run -= (power - 1.0) * law.run_share
        held -= deep * law.hold_share
        stretch = math.sqrt(max(1.0 - deep * law.per_depth, 0.0))
        widen = lean * ratio
        steeper = power * widen * law.hold_share / run  # d ln(run) along the way
        turn = 0.5 * law.per_depth * widen / max(stretch, 0.25 / WIDTHS)
    suction = way * pull * ratio / tube.radius
    excess = way * (pressure + tilt * s) + suction - hold * held
    if not excess > 0.0:
        return math.inf, 0.0, widen, 0.0, 0.0, 0.0, 0.0
    level, m, across, curl = log_flow_across(law, math.log(excess * stress / run), stretch)
    slow = math.exp(-level - 2.0 * deep) / tube.radius
    per_excess = 1.0 / excess
    lost = suction * widen
    more = hold * law.hold_share * widen
    fall = (lost + more - tilt) * per_excess
    grade = 2.0 * widen + m * (steeper + fall) - across * turn
    # of the table's own second derivatives, those across are left out
    sink = fall * fall - (2.0 * lost + more) * widen * per_excess
    bend = m * (sink - steeper * ((3.0 * law.index + 1.0) * widen + steeper)) - 2.0 * widen * widen
    bend -= curl * (steeper + fall) * (steeper + fall)
    return slow, m * per_excess, widen, grade, bend, fall, sink


@inner
def _span(here, most, way):
    """Length of the panel that begins where :func:`_at` knows ``here``, at most ``most``."""
    _slow, _spread, widen, grade, bend, fall, sink = here
    span = most
    ahead = way > 0.0
    if widen != 0.0:
        span = min(span, (_WIDENS if ahead else _NARROWS) / abs(widen))
    bow = sink - fall * fall  # -d2 (excess drive) over it
    steep = 2.0 * fall if bow <= 0.0 else fall + math.sqrt(fall * fall + 2.0 * bow)
    most = 1.0 - (_LEFT if ahead else _LEFT_BACK)
    if steep * span > 2.0 * most:
        span = 2.0 * most / steep
        if ahead:
            left = _LEAST + _LEFT * widen * span / _FAR
            if left < _LEFT:
                span = 2.0 * (1.0 - left) / steep
    if bend != 0.0:
        curls = _STALLS if bend > 0.0 else _CURLS
        turn = abs(bend)
        span = min(span, (_TURNS * math.sqrt(turn) + curls * abs(grade)) / turn)
    if abs(grade) * span > _GROWS:
        span = _GROWS / abs(grade)
    return span


@inner
def _model(grade, bend, span, way):
    """(b, m) of the model, for ways up to about ``span``."""
    b = -bend / grade if grade != 0.0 else 0.0
    b = min(max(b, (_SHARPEST if way > 0.0 else _BACK) / span), _BLUNTEST / span)
    if abs(b) * span < _FLAT:
        b = _FLAT / span
    return b, grade / b


@inner
def _along(slow, b, m, time):
    """How far the model goes in ``time``; infinite where that has no bound."""
    gone = time / slow
    x = b * gone
    if abs(x) * (1.0 + abs(m)) < _FEW:
        return gone * (1.0 - 0.5 * m * x * (1.0 - (2.0 * m + 1.0) / 3.0 * x))
    if abs(m + 1.0) < _FLAT:
        return (math.exp(x) - 1.0) / b
    grown = 1.0 + (m + 1.0) * x
    if grown <= 0.0:
        return math.inf
    return (math.exp(math.log(grown) / (m + 1.0)) - 1.0) / b


@inner
def _step(gone, grade, bend, span, way):
    """How far on, or back, in a time in which a constant slowness would go ``gone``."""
    x = grade * gone
    if abs(x) + abs(bend) * gone * gone < _GENTLE:
        return gone * (1.0 - 0.5 * x + (2.0 * x * x - bend * gone * gone) / 6.0)
    b, m = _model(grade, bend, span, way)
    return _along(1.0, b, m, gone)


@inner
def _panel(here, there, b, m, d):
    """(time, -d time / dP) of a panel of length d, from what :func:`_at` knows at its ends."""
    slow, spread, _, grade, bend, fall, sink = here
    slow1, spread1, _, grade1, bend1, fall1, sink1 = there
    wide = 1.0 + b * d
    deep = math.log(wide)
    grown = math.exp((m + 1.0) * deep) - 1.0
    # the model's time; the slowness over the model's, at the end
    line = slow / b * (grown / (m + 1.0) if abs(m + 1.0) > _FLAT else deep)
    over = slow1 * wide / (slow * (1.0 + grown))
    pace1 = line * over / slow1  # way per share of the model's time, at the end
    turn1 = grade1 - m * b / wide  # d ln(slowness over the model's), there
    time = 0.5 + 0.5 * over - over * turn1 * pace1 / 12.0
    over *= spread1
    first, first1 = spread * fall * line / slow, over * (turn1 + fall1) * pace1
    lost = 0.5 * (spread + over) + (first - first1) / 12.0
    return line * time, line * lost


@inner
def panel_follow(law, tube, pull, tilt, pressure, a, b, time):
    """As :func:`poresim.tube.follow.follow`, past a waist."""
    way = 1.0 if b > a else -1.0
    inside = max(a, b) <= tube.length
    units = _units(law, tube, way)
    total = 0.0
    here = _at(law, tube, pull, tilt, pressure, a, inside, way, units)
    if here[0] == math.inf:
        return a, 0.0, 0.0, math.inf
    for _ in range(_PANELS):
        slow, spread, _w, grade, bend, fall, _s = here
        most = abs(b - a)
        span = _span(here, most, way)
        if span <= _STILL * a:
            return a, 0.0, total + time * spread, slow
        rate, power = _model(grade, bend, span, way)
        d = _along(slow, rate, power, time)
        if d <= _SHORT * span:
            lost = time * spread * (1.0 + 0.5 * fall * d)
            slow *= 1.0 + grade * d + 0.5 * (grade * grade + bend) * d * d
            return a + way * d, 0.0, total + lost, slow
        if d > (1.0 - _ARRIVAL) * span:
            d = span
        low, high = 0.0, span
        asked = False  # whether the panel's end is known not to be reached
        part = lost = 0.0
        there = here
        for _ in range(_INVERSIONS):
            there = _at(law, tube, pull, tilt, pressure, a + way * d, inside, way, units)
            slow1, spread1, _w, grade1, bend1, fall1, _s = there
            if slow1 == math.inf:  # it stops on the way
                span = high = d = 0.5 * d
                continue
            part, lost = _panel(here, there, rate, power, d)
            over = time - part
            if d == span:
                if over >= 0.0:
                    break
                asked = True
            if over > 0.0:
                low = d
            else:
                high = d
            step = _step(over / slow1, grade1, bend1, span, way)
            new = d + step
            if not asked and new > (1.0 - _ARRIVAL) * span:
                d = span
                continue
            if abs(over) <= _CLOSE * time or high - low <= _STILL * span:
                new = min(new, span)
                lost += over * spread1 * (1.0 + 0.5 * fall1 * step)
                slow1 *= 1.0 + grade1 * step + 0.5 * (grade1 * grade1 + bend1) * step * step
                return a + way * new, 0.0, total + lost, slow1
            d = new if low < new < high else 0.5 * (low + high)
        time -= part
        total += lost
        if d == most:
            return b, time, total, 0.0
        a += way * d
        here = there
    return a, 0.0, 0.0, math.inf


@inner
def panel_time(law, tube, pull, tilt, pressure, a, b, c):
    """Time, s, from a to c <= b, the piece's end, past a waist; inf if the meniscus stops."""
    inside = max(a, b) <= tube.length
    units = _units(law, tube, 1.0)
    last = _at(law, tube, pull, tilt, pressure, c, inside, 1.0, units)
    if last[0] == math.inf:
        return math.inf
    total = 0.0
    here = _at(law, tube, pull, tilt, pressure, a, inside, 1.0, units)
    for _ in range(_PANELS):
        span = _span(here, b - a, 1.0)
        if span <= _STILL * a:
            break
        rate, power = _model(here[3], here[4], span, 1.0)
        d = c - a
        if d <= span:
            part, _ = _panel(here, last, rate, power, d)
            return total + part
        d = span
        there = _at(law, tube, pull, tilt, pressure, a + d, inside, 1.0, units)
        while there[0] == math.inf:
            d *= 0.5
            there = _at(law, tube, pull, tilt, pressure, a + d, inside, 1.0, units)
        part, _ = _panel(here, there, rate, power, d)
        total += part
        a += d
        here = there
    return math.inf
