"""A straight line against the root of time: capillary uptake goes as one (Washburn 1921).

Arguments: ``time`` (k,) s, rising; ``value`` (k,) what has been taken up, in any unit: a mass, a
mass or a volume over an area. Slopes are in that unit over s^0.5. Least squares with an intercept,
since the first moments (wetting, the rough face) shift a line without turning it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: A line is called straight when no point strays from it by more than this share of its rise. Ours:
#: from 10 to 60 % of the uptake it leaves out value ~ time^b with b below 0.42 or above 0.63, and a
#: correlation of 0.98 lets b pass from 0.24 on.
MOST_STRAY = 0.03
#: The least correlation of a line that is straight (ASTM C1585, from memory).
LEAST_R = 0.98
#: A straight part is looked for below this share of the uptake in the end: what comes after, while
#: the last places fill, is no front.
BELOW = 0.9
_ROWS = 100  # points among which a straight part is looked for


class Line(NamedTuple):
    """A fitted line: value = intercept + slope sqrt(time).

    slope_error, intercept_error : standard errors. r : correlation. stray : the largest distance of
    a point from the line, over the line's rise. points : their number. begin_s, end_s : of the
    first and the last of them.
    """

    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    r: float
    stray: float
    points: int
    begin_s: float
    end_s: float

    def is_straight(self, most_stray: float = MOST_STRAY, least_r: float = LEAST_R) -> bool:
        """Whether it rises, and its points lie on it as closely as is asked for."""
        return self.slope > 0 and self.r >= least_r and self.stray <= most_stray


def line_of(
    time: ArrayLike, value: ArrayLike, begin_s: float = 0.0, end_s: float = math.inf
) -> Line:
    """The least-squares line through all points from ``begin_s`` to ``end_s``, both counted.

    Raises ValueError for rows that are no course of time, and a window of fewer than three points.
    """
    t, v = course(time, value)
    if not begin_s < end_s:
        raise ValueError(f"begin_s must lie before end_s, got {begin_s:g} and {end_s:g} s")
    some = (t >= begin_s) & (t <= end_s)
    if np.count_nonzero(some) < 3:
        raise ValueError(
            f"a line needs three points, and {np.count_nonzero(some)} lie from {begin_s:g} to "
            f"{end_s:g} s"
        )
    return _fitted(t[some], v[some])


def line_between(
    time: ArrayLike, value: ArrayLike, low: float = 0.1, high: float = 0.6, points: int = 64
) -> Line:
    """The line while a computed curve goes from one to another share of its uptake in the end.

    It is read at that many points, spaced evenly in sqrt(time), straight in that between its own,
    so that the steps of the computation carry no weight of their own. Raises ValueError as
    :func:`line_of`, for shares that are none, and for a curve that takes up nothing.
    """
    t, v = course(time, value)
    if not 0 <= low < high <= 1:
        raise ValueError(f"low and high must be shares, low first, got {low:g} and {high:g}")
    if not points >= 3:
        raise ValueError(f"a line needs three points, got points = {points}")
    begin, end = (_reached(t, v, share) for share in (low, high))
    root = np.linspace(math.sqrt(begin), math.sqrt(end), points)
    if not begin < end:
        raise ValueError(f"the uptake goes from {low:g} to {high:g} of its end all at once")
    return _fitted(root**2, np.interp(root, np.sqrt(t), v))


def straight_part(
    time: ArrayLike,
    value: ArrayLike,
    below: float = BELOW,
    most_stray: float = MOST_STRAY,
    points: int = 5,
) -> Line:
    """The straight part of a curve: the line over the run of points that rises the most of all
    whose line is straight, the curve being looked at below a share of its uptake in the end.

    So it begins after the first moments and ends before the solid is full, wherever that is. A long
    curve is read at 100 points, spaced evenly in sqrt(time).

    time : (k,) s, rising. value : (k,) in any unit. below : that share. most_stray : of a point,
    over the rise of the line. points : the fewest.

    Raises ValueError as :func:`line_of`, and where no run is straight.
    """
    t, v = course(time, value)
    if not 0 < below <= 1:
        raise ValueError(f"below must be a share above 0, got {below:g}")
    if not points >= 3:
        raise ValueError(f"a line needs three points, got points = {points}")
    end = _reached(t, v, below)
    t, v = t[t <= end], v[t <= end]
    if len(t) > _ROWS:
        root = np.linspace(math.sqrt(t[0]), math.sqrt(t[-1]), _ROWS)
        t, v = root**2, np.interp(root, np.sqrt(t), v)
    found = longest_run(t, v, most_stray, points)
    if found is None:
        raise ValueError(
            f"no run of {points} points below {below:g} of the uptake lies within {most_stray:g} "
            "of the rise of a line"
        )
    return found


def longest_run(
    time: ArrayLike,
    value: ArrayLike,
    most_stray: float = MOST_STRAY,
    points: int = 5,
    slack: float = 0.0,
) -> Line | None:
    """The line over the run of points that rises the most of all whose line is straight, if any.

    slack : by so much more a point may stray, in the unit of ``value``: half a balance step, say.
    """
    t, v = course(time, value)
    root = np.sqrt(t)
    first, last = np.triu_indices(len(t), points - 1)
    rise = v[last] - v[first]
    for k in np.argsort(-rise, kind="stable"):
        if not rise[k] > 0:
            break
        run = slice(first[k], last[k] + 1)
        off, risen = _off(root[run], v[run])
        if off <= most_stray * abs(risen) + slack:
            found = _fitted(t[run], v[run])
            if risen > 0 and found.is_straight(most_stray + slack / risen):
                return found
    return None


def course(time: ArrayLike, value: ArrayLike) -> tuple[Floats, Floats]:
    """Both as arrays. Raises ValueError where they are no course of time."""
    t, v = np.asarray(time, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if t.ndim != 1 or t.shape != v.shape:
        raise ValueError(f"time and value must be equally long rows, got {t.shape} and {v.shape}")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(v))):
        raise ValueError("time and value must be finite")
    if len(t) < 3:
        raise ValueError(f"a line needs three points, got {len(t)}")
    if t[0] < 0 or np.any(np.diff(t) <= 0):
        raise ValueError("time must rise, from 0 s or later")
    return t, v


def _reached(t: Floats, v: Floats, share: float) -> float:
    """When a share of the uptake in the end had first been reached, s."""
    level = share * v[-1]
    if not v[-1] > 0:
        raise ValueError("nothing is taken up")
    i = int(np.argmax(v >= level))
    if i == 0:
        return float(t[0])
    part = (level - v[i - 1]) / (v[i] - v[i - 1])
    root = math.sqrt(t[i - 1]) + part * (math.sqrt(t[i]) - math.sqrt(t[i - 1]))
    return float(min(max(root * root, t[i - 1]), t[i]))


def _fitted(t: Floats, v: Floats) -> Line:
    from scipy.stats import linregress  # takes half a second to load

    root = np.sqrt(t)
    fit = linregress(root, v)
    off = float(np.abs(v - (fit.intercept + fit.slope * root)).max())
    return Line(
        slope=float(fit.slope),
        intercept=float(fit.intercept),
        slope_error=float(fit.stderr),
        intercept_error=float(fit.intercept_stderr),
        r=float(fit.rvalue),
        stray=_share(off, float(fit.slope * (root[-1] - root[0]))),
        points=len(t),
        begin_s=float(t[0]),
        end_s=float(t[-1]),
    )


def _off(root: Floats, v: Floats) -> tuple[float, float]:
    """The largest distance of a point from the least-squares line, and the rise of that."""
    slope, offset = np.polyfit(root, v, 1)
    off = float(np.abs(v - (offset + slope * root)).max())
    return off, float(slope * (root[-1] - root[0]))


def _share(off: float, rise: float) -> float:
    return off / abs(rise) if rise else math.inf
