"""Nonlinear least squares: best of many starts, covariance, intervals by the profile.

With residuals r(x) of weight one, variance s2 of a residual and its derivatives J at the best x,
the covariance is s2 (J'J)^-1 (linearised). An interval by the profile (Bates & Watts 1988,
Nonlinear Regression Analysis, ch. 6; from memory) holds all values v of one parameter at which the
best fit of the others has a sum of squares below least + t^2 s2: it may be skewed, or open.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.bench.error import BenchError

Floats = NDArray[np.float64]
Function = Callable[[Floats], Floats]

_SINGULAR = 1e-9  # of the largest singular value: such a direction is not determined
_LOWERED = 1e-11  # share of the squares below which a bounded fit's step is its last
_MOST = 500  # evaluations from one start
_ROUGH, _ROUGH_MOST = 1e-4, 40  # the same of starts that are only compared
_FINISHED = 2
_LEAST_STEP = 1e-8  # of differences: x may not be of a smaller order
_TRACED = 1e-8  # the same along a profile
_STEPS, _HALVINGS = 40, 60
_CLOSE = 1e-4  # of an interval's half


class Solution(NamedTuple):
    """x : (p,). residuals : (n,) there, jacobian : (n, p) their derivatives, squares : their sum.

    settled : whether a further step would lower the squares by next to nothing.
    """

    x: Floats
    residuals: Floats
    jacobian: Floats
    squares: float
    settled: bool


class Problem(NamedTuple):
    """residuals(x) -> (n,), jacobian(x) -> (n, p), low and high (p,): bounds of x.

    soft : which of x have bounds that only end the search, and run away together: no interval of
    one may rest on another's bound.
    """

    residuals: Function
    jacobian: Function
    low: Floats
    high: Floats
    soft: tuple[int, ...] = ()


def problem(
    residuals: Function,
    jacobian: Function | None = None,
    low: ArrayLike = -math.inf,
    high: ArrayLike = math.inf,
    unknowns: int = 1,
) -> Problem:
    """A problem; without a jacobian derivatives are differences of both sides."""
    ends = [np.broadcast_to(np.asarray(b, np.float64), (unknowns,)).copy() for b in (low, high)]
    return Problem(residuals, jacobian or _differences(residuals), ends[0], ends[1])


def solve(asked: Problem, starts: Iterable[ArrayLike]) -> Solution:
    """The best of what is found from each start; of many, the two best are followed to the end.

    starts : of (p,) numbers, moved within the bounds. Raises BenchError if none leads anywhere.
    """
    begun = [np.asarray(s, np.float64) for s in starts]
    if len(begun) > _FINISHED:
        rough = [
            one for one in (_from(asked, s, lowered=_ROUGH, most=_ROUGH_MOST) for s in begun) if one
        ]
        rough.sort(key=lambda one: one.squares)
        begun = [one.x for one in rough[:_FINISHED]]
        if len(rough) > 1 and np.allclose(rough[0].x, rough[1].x, rtol=1e-3, atol=1e-6):
            begun = begun[:1]
    found = [one for one in (_from(asked, s) for s in begun) if one]
    if not found:
        raise BenchError("the fit does not converge from any start")
    return min(found, key=lambda one: one.squares)


def covariance(jacobian: Floats) -> Floats:
    """(J'J)^-1, (p, p); infinite rows where J does not determine a parameter.

    By singular values of J with columns of unit length, so units do not matter.
    """
    length = np.linalg.norm(jacobian, axis=0)
    scaled = jacobian / np.where(length > 0, length, 1.0)
    _, sizes, axes = np.linalg.svd(scaled, full_matrices=False)
    weak = sizes <= _SINGULAR * sizes[0]
    strong = np.where(weak, 0.0, 1.0 / np.where(weak, 1.0, sizes))
    found = (axes.T * strong**2) @ axes
    lost = (np.abs(axes[weak]) > 1e-6).any(axis=0) | (length == 0)
    found = found / np.outer(np.where(lost, 1.0, length), np.where(lost, 1.0, length))
    found[lost, :] = found[:, lost] = math.inf
    return np.asarray(found)


def interval(
    asked: Problem, best: Solution, which: int, rise: float, step: float
) -> tuple[float, float]:
    """From where to where the profile of parameter ``which`` stays below best + ``rise``.

    rise : t^2 s2. step : a first guess of half of it. An end that the bounds cut off is infinite,
    and that of a soft one where another of them would have to go beyond its bound.
    """
    return (
        _end(asked, best, which, rise, -abs(step)),
        _end(asked, best, which, rise, abs(step)),
    )


def profile(asked: Problem, best: Solution, which: int, value: float, near: Floats) -> Solution:
    """The best fit with parameter ``which`` held at a value; near : (p,) where it starts."""
    others = np.arange(len(best.x)) != which

    def whole(part: Floats) -> Floats:
        x = np.empty(len(best.x))
        x[others], x[which] = part, value
        return x

    if not others.any():
        x = np.array([value])
        r = asked.residuals(x)
        return Solution(x, r, asked.jacobian(x), float(r @ r), True)
    rest = Problem(
        lambda part: asked.residuals(whole(part)),
        lambda part: asked.jacobian(whole(part))[:, others],
        asked.low[others],
        asked.high[others],
    )
    found = _from(rest, near[others], lowered=_TRACED) or solve(rest, [best.x[others]])
    return found._replace(x=whole(found.x))


def _end(asked: Problem, best: Solution, which: int, rise: float, step: float) -> float:
    """One end: steps outward that grow, then the place between by secants and halves."""
    centre = best.x[which]
    edge = float(asked.high[which] if step > 0 else asked.low[which])
    open_ = math.copysign(math.inf, step)
    inner, low, near = centre, -rise, best.x
    for _ in range(_STEPS):
        outer = centre + step
        beyond = outer >= edge if step > 0 else outer <= edge
        outer = edge if beyond else outer
        if outer == centre:
            return open_
        one = profile(asked, best, which, outer, near)
        over = one.squares - best.squares - rise
        if over > 0:
            end = _between(asked, best, which, rise, (inner, low), (outer, over), near)
            at = profile(asked, best, which, end, near)
            return open_ if _at_soft_bound(asked, at.x, which) else end
        if beyond:
            return open_
        inner, low, near = outer, over, one.x
        step *= 1.6
    return open_


def _at_soft_bound(asked: Problem, x: Floats, which: int) -> bool:
    if which not in asked.soft:
        return False
    others = [k for k in asked.soft if k != which]
    room = 1e-3 * (asked.high[others] - asked.low[others])
    return bool(
        np.any(x[others] <= asked.low[others] + room)
        or np.any(x[others] >= asked.high[others] - room)
    )


def _between(
    asked: Problem,
    best: Solution,
    which: int,
    rise: float,
    inside: tuple[float, float],
    outside: tuple[float, float],
    near: Floats,
) -> float:
    """Where the profile crosses; it is nearly a parabola, so its root is nearly straight."""
    (inner, low), (outer, high) = inside, outside
    centre = best.x[which]
    for turn in range(_HALVINGS):
        if abs(outer - inner) <= _CLOSE * abs(outer - centre):
            break
        roots = [math.sqrt(max(one / rise + 1.0, 0.0)) for one in (low, high)]
        share = (1.0 - roots[0]) / (roots[1] - roots[0]) if roots[1] > roots[0] else 0.5
        share = 0.5 if turn % 3 == 2 else min(max(share, 0.02), 0.98)
        middle = inner + share * (outer - inner)
        one = profile(asked, best, which, middle, near)
        over = one.squares - best.squares - rise
        if abs(over) < _CLOSE * rise:
            return middle
        if over > 0:
            outer, high = middle, over
        else:
            inner, low, near = middle, over, one.x
    return 0.5 * (inner + outer)


def _from(
    asked: Problem, start: Floats, *, lowered: float = _LOWERED, most: int = _MOST
) -> Solution | None:
    from scipy.optimize import least_squares

    inside = np.clip(start, asked.low, asked.high)
    width = asked.high - asked.low
    if np.any(width <= 0):
        return None
    bounded = bool(np.isfinite(width).any())
    # strictly inside, as the method wants it
    margin = np.where(np.isfinite(width), 1e-9 * width, 0.0)
    inside = np.clip(inside, asked.low + margin, asked.high - margin)
    try:
        with np.errstate(over="ignore", invalid="ignore", under="ignore"):
            got = least_squares(
                asked.residuals,
                inside,
                asked.jacobian,  # type: ignore[arg-type]
                bounds=(asked.low, asked.high),
                method="trf" if bounded else "lm",
                x_scale="jac",
                ftol=lowered if bounded else 1e-15,
                xtol=1e-14,
                gtol=1e-14,
                max_nfev=most,
            )
    except (ValueError, np.linalg.LinAlgError):
        return None
    if not np.all(np.isfinite(got.fun)):
        return None
    return Solution(got.x, got.fun, np.asarray(got.jac), float(got.fun @ got.fun), got.status > 0)


def _differences(residuals: Function) -> Function:
    def jacobian(x: Floats) -> Floats:
        columns = []
        for k in range(len(x)):
            step = max(6e-6 * abs(x[k]), _LEAST_STEP)
            up, down = x.copy(), x.copy()
            up[k] += step
            down[k] -= step
            columns.append((residuals(up) - residuals(down)) / (up[k] - down[k]))
        return np.stack(columns, axis=1)

    return jacobian
