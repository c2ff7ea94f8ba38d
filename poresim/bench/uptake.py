"""A weight log made numbers: the straight part against the root of time, knee, plateau, slope.

The rule. A plateau is the longest run of readings at the end, over at least 15 % of the root of
time, along which the mass rises by no more than 3 % of the gain. The straight part is looked for
below 0.9 of the plateau: all of it where no reading strays from the line by more than 3 % of its
rise and what balance and scatter account for; else the run that rises the most of all that keep to
that. The line is fitted to all readings of it. The log-log slope is that of gain = k t^b, by least
squares on the gain (its logarithm would give the first steps of a balance most weight), over all
readings before 0.9 of the plateau. Capillary uptake has 0.5; a lower slope does not say why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from poresim.absorption.line import BELOW, LEAST_R, MOST_STRAY, Line, line_of, longest_run
from poresim.bench.balance import Spread, noise_of, spread_of
from poresim.bench.error import BenchError
from poresim.bench.weighing import Gain

Floats = NDArray[np.float64]

_FLAT = 0.03  # of the gain: what a plateau may rise
_LASTING = 0.15  # of the root of the whole time, at least, a plateau lasts
_PAST = 1.05  # of the knee's root: from there on a plateau counts
_ROWS = 100
_OFF = 3.5  # standard deviations that the worst of many readings strays
_TO_SPARE = 5  # readings more than a polynomial's degree, for their scatter about it
_FEWEST_OF_RUN = 5
_COARSE = 8  # steps of a gain, of which a straight part may be too few
_POWERS = (0.02, 3.0)


@dataclass(frozen=True)
class Figure:
    """A value, its standard error, and the degrees of freedom of that."""

    value: float
    sd: float
    freedom: float = math.inf


UNKNOWN = Figure(math.nan, math.nan)


@dataclass(frozen=True, eq=False)
class Uptake:
    """One log. slope : kg s-1/2, of the straight part; intercept : kg. line : that part. whole :
    whether it is all that comes before 0.9 of the plateau. knee : s, where the line meets the
    plateau. plateau : kg. power : b of gain = k t^b; factor : k, offset : kg, of that fit.
    searched_s : up to when line and power were looked for. remarks : sentences.
    """

    gain: Gain
    slope: Figure
    intercept: Figure
    line: Line | None
    whole: bool
    knee: Figure
    plateau: Figure
    power: Figure
    factor: float
    offset: float
    searched_s: float
    remarks: tuple[str, ...] = field(default=())


def uptake_of(gain: Gain, *, free_offset: bool = False) -> Uptake:
    """The numbers of one log.

    free_offset : a constant mass, such as a film's, is fitted along with the power. Raises
    BenchError where nothing is taken up.
    """
    t, m = gain.time_s, gain.gain_kg
    if not m.max() > 0:
        raise BenchError("nothing is taken up")
    level, rows = _plateau(t, m, gain.step_kg)
    end = _searched(t, m, level)
    slack = max(0.5 * gain.step_kg, _OFF * _scatter(t[rows], m[rows], 1))
    line, whole = _straight(t, m, end, slack)
    if line is not None and math.isfinite(level):
        for _ in range(2):  # once more, ended by the line and not by readings that scatter
            knee = (level - line.intercept) / line.slope
            rows = np.sqrt(t) >= _PAST * knee if np.sqrt(t[-1]) > _PAST * knee > 0 else rows
            level = float(m[rows].mean())
            end = _crossing(line, BELOW * level, t, end)
            again, whole_again = _straight(t, m, end, slack)
            if again is None:
                break
            line, whole = again, whole_again
    return _told(gain, line, whole, level, rows, end, free_offset)


def _plateau(t: Floats, m: Floats, step: float) -> tuple[float, NDArray[np.bool_]]:
    """Level, and which readings lie on it; NaN and none where the log ends before."""
    root = np.sqrt(t)
    none = np.zeros(len(t), bool)
    earliest = root[-1] - _LASTING * root[-1]
    latest = int(np.searchsorted(root, earliest, side="right")) - 1
    if latest < 0 or len(t) < 5:
        return math.nan, none
    starts = np.unique(np.linspace(0, min(latest, len(t) - 3), min(_ROWS, latest + 1)).astype(int))
    top = float(np.median(m[-max(3, len(m) // 20) :]))
    for k in starts:
        rise = np.polyfit(root[k:], m[k:], 1)[0] * (root[-1] - root[k])
        scatter = float(np.std(m[k:])) / math.sqrt(len(m) - k)
        flat = abs(rise) <= _FLAT * top + scatter
        near = abs(m[k:].mean() - top) <= _FLAT * top + max(step, scatter)
        ends = abs(m[k] - top) <= max(2 * _FLAT * top, step, 4 * scatter * math.sqrt(len(m) - k))
        if flat and near and ends and m[k:].mean() > 0:
            none[k:] = True
            return float(m[k:].mean()), none
    return math.nan, none


def _searched(t: Floats, m: Floats, level: float) -> float:
    """When 0.9 of the plateau is first reached, by means over neighbours; the end without one."""
    if not math.isfinite(level):
        return float(t[-1])
    time, mass = thinned(t, m)
    above = np.flatnonzero(mass >= BELOW * level)
    at = int(above[0]) if len(above) else len(time) - 1
    return float(max(time[max(at - 1, 0)] if at else time[0], t[min(FEW - 1, len(t) - 1)]))


FEW = 3


def _crossing(line: Line, mass: float, t: Floats, before: float) -> float:
    root = (mass - line.intercept) / line.slope
    return float(max(root, 0.0) ** 2) if root**2 > t[FEW - 1] else before


def thinned(t: Floats, m: Floats) -> tuple[Floats, Floats]:
    """At most 100 means over neighbours, evenly spaced in sqrt(time)."""
    if len(t) <= _ROWS:
        return t, m
    root = np.sqrt(t)
    place = np.minimum((_ROWS * (root - root[0]) / (root[-1] - root[0])).astype(int), _ROWS - 1)
    count = np.bincount(place, minlength=_ROWS)
    kept = count > 0
    middle = np.bincount(place, root, _ROWS)[kept] / count[kept]
    return middle**2, np.bincount(place, m, _ROWS)[kept] / count[kept]


def _straight(t: Floats, m: Floats, end: float, slack: float) -> tuple[Line | None, bool]:
    """The straight part up to a time, and whether it is all that is there.

    slack : how far a reading strays for reasons of the balance alone, kg. It strays as far as about
    a smooth curve (a cubic in sqrt(time)), too.
    """
    here = t <= end * (1 + 1e-9)
    if np.count_nonzero(here) < FEW:
        return None, False
    line = line_of(t[here], m[here])
    rise = line.slope * (math.sqrt(line.end_s) - math.sqrt(line.begin_s))
    far = max(slack, _OFF * _scatter(t[here], m[here], 3))
    if rise > 0 and line.is_straight(MOST_STRAY + far / rise, LEAST_R):
        return line, True
    time, mass = thinned(t[here], m[here])
    if len(time) < _FEWEST_OF_RUN:
        return None, False
    far = max(slack if len(time) == np.count_nonzero(here) else 0.0, _OFF * _scatter(time, mass, 3))
    run = longest_run(time, mass, points=_FEWEST_OF_RUN, slack=far)
    if run is None:
        return None, False
    part = (t >= run.begin_s * (1 - 1e-9)) & (t <= run.end_s * (1 + 1e-9))
    return (line_of(t[part], m[part]), False) if np.count_nonzero(part) >= FEW else (None, False)


def _scatter(t: Floats, m: Floats, degree: int) -> float:
    """Scatter of readings about a polynomial in sqrt(time); 0 where they are too few to tell."""
    if len(t) < degree + _TO_SPARE:
        return 0.0
    root = np.sqrt(t)
    root = (root - root.mean()) / np.ptp(root)
    return noise_of(m - np.polyval(np.polyfit(root, m, degree), root), degree + 1, 0.0)


def _told(
    gain: Gain,
    line: Line | None,
    whole: bool,
    level: float,
    rows: NDArray[np.bool_],
    end: float,
    free_offset: bool,
) -> Uptake:
    t, m, step = gain.time_s, gain.gain_kg, gain.step_kg
    tared = gain.dry_kg is not None
    remarks = list(gain.remarks)
    slope = intercept = knee = plateau = UNKNOWN
    power, factor, offset, bent = _power(t, m, t <= end * (1 + 1e-9), step, tared, free_offset)
    if line is None:
        remarks.append("no part of the log is straight against the root of time")
        if 0 < m.max() < _COARSE * step:
            remarks.append(
                f"the gain is only {m.max() / step:.2g} steps of the balance: too coarse for a "
                f"line's R of {LEAST_R:g}; take a finer balance, or a larger piece"
            )
        if rows.any():
            noise = float(np.std(m[rows], ddof=1))
            plateau = Figure(level, math.hypot(noise, step / math.sqrt(12)))
    else:
        slope, intercept, knee, plateau, spread = _figures(gain, line, level, rows)
        if spread.enlarged > 1:
            remarks.append(
                "readings stray from the line together, more than balance and scatter explain (it "
                f"bends, or something drifts): the slope's sd is raised {spread.enlarged:.2g} times"
            )
        if abs(intercept.value) > 3 * intercept.sd and not free_offset:
            remarks.append(
                f"the line meets time 0 at {1e3 * intercept.value:.2g} g, not at 0: a film, "
                "wetting at once or late, or a start that was missed; the slope against the root "
                "of time does not mind, the log-log slope does (--film-g)"
            )
        if not whole:
            remarks.append(
                f"straight from {line.begin_s:.3g} to {line.end_s:.3g} s only, of "
                f"{t[0]:.3g} to {end:.3g} s looked at"
            )
    if bent > 1:
        remarks.append("gain against time is no power law: its log-log slope changes on the way")
    if not rows.any():
        remarks.append("the log ends before a plateau: no knee, no mass in the end")
    return Uptake(
        gain, slope, intercept, line, whole, knee, plateau, power, factor, offset, end,
        tuple(remarks),
    )  # fmt: skip


def _figures(
    gain: Gain, line: Line, level: float, rows: NDArray[np.bool_]
) -> tuple[Figure, Figure, Figure, Figure, Spread]:
    """Slope, intercept, knee and plateau, and how line and plateau stray."""
    t, m, step = gain.time_s, gain.gain_kg, gain.step_kg
    part = (t >= line.begin_s) & (t <= line.end_s)
    root = np.sqrt(t[part])
    fitted = line.intercept + line.slope * root
    residual = m[part] - fitted
    jacobian = np.column_stack([root, np.ones(len(root))])
    spread = spread_of(jacobian, fitted, residual, step)
    left = spread.freedom
    pooled = np.concatenate([residual, m[rows] - level])
    many = 3 if rows.any() else 2  # parameters
    tare = math.hypot(step / math.sqrt(12), noise_of(pooled, many, step))
    tare = 0.0 if gain.dry_kg is None else tare
    slope = Figure(line.slope, float(spread.sd[0]), left)
    intercept = Figure(line.intercept, math.hypot(float(spread.sd[1]), tare), left)
    if not rows.any():
        return slope, intercept, UNKNOWN, UNKNOWN, spread
    ones = np.ones((np.count_nonzero(rows), 1))
    seen = noise_of(residual, 2, step)
    flat = spread_of(ones, np.full(len(ones), level), m[rows] - level, step, most_noise=seen)
    plateau = Figure(level, math.hypot(float(flat.sd[0]), tare), len(pooled) - 3.0)
    at = (level - line.intercept) / line.slope
    if not at > 0:
        return slope, intercept, UNKNOWN, plateau, spread
    scale = spread.sd / np.maximum(spread.draws.std(axis=0), 1e-300)
    lean, shift = (spread.draws * scale).T
    rise = np.random.default_rng(1).normal(0.0, float(flat.sd[0]), len(lean))
    off = (rise - shift - at * lean) / line.slope
    return slope, intercept, Figure(at**2, 2 * at * float(off.std()), left), plateau, spread


def _power(
    t: Floats, m: Floats, here: NDArray[np.bool_], step: float, tared: bool, free_offset: bool
) -> tuple[Figure, float, float, float]:
    """b, k, offset of gain = offset + k t^b, and by how much the sd was raised."""
    from scipy.optimize import minimize_scalar

    time, mass = t[here], m[here]
    parameters = 3 if free_offset else 2
    if len(time) <= parameters or not mass[-1] > 0:
        return UNKNOWN, math.nan, 0.0, 1.0
    clock = float(time[-1])
    x = time / clock

    def design(b: float) -> Floats:
        return np.column_stack([x**b, np.ones(len(x))]) if free_offset else x[:, None] ** b

    def squares(b: float) -> float:
        a = design(b)
        off = mass - a @ np.linalg.lstsq(a, mass, rcond=None)[0]
        return float(off @ off) / float(mass @ mass)

    b = float(minimize_scalar(squares, bounds=_POWERS, method="bounded",
                              options={"xatol": 1e-9}).x)  # fmt: skip
    a = design(b)
    found = np.linalg.lstsq(a, mass, rcond=None)[0]
    if b < 1.01 * _POWERS[0] or b > 0.99 * _POWERS[1] or not found[0] > 0:
        return UNKNOWN, math.nan, 0.0, 1.0
    jacobian = np.column_stack([found[0] * x**b * np.log(x), a])
    fitted = a @ found
    spread = spread_of(jacobian, fitted, mass - fitted, step, tared=tared and not free_offset)
    offset = float(found[1]) if free_offset else 0.0
    figure = Figure(b, float(spread.sd[0]), spread.freedom)
    return figure, float(found[0]) / clock**b, offset, spread.enlarged
