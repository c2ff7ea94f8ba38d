"""Lognormal and Weibull laws fitted to measured sizes, by what the data are.

Counted sizes, and counts in classes (censored: only the class is known): maximum likelihood.
Weighed or measured shares of classes: least squares on the classes themselves, since the errors of
a cumulative curve hang together.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.bench.error import BenchError
from poresim.bench.size_laws import (
    Law,
    make_law,
    quantile,
    share_below,
    share_between,
    theta_of,
)
from poresim.solid.sizes import Lognormal, Weibull

Floats = NDArray[np.float64]

KINDS = ("lognormal", "weibull")
_MANY_CLASSES = 20
FEWEST_CLASSES = 3  # that hold anything: place, spread and total
_EULER = 0.5772156649015329
_LEAST, _MOST = math.log(1e-2), math.log(200.0)  # of log_sd or shape
_STEP = 1e-4
_TOTAL = 0.7  # of ln(fitted total / measured)


class SizeFit(NamedTuple):
    """law, told by the measured quantity over size^power; covariance : (2, 2) of its theta.

    freedom : of Student's t for intervals. rank : -2 ln likelihood or the like, the least is best.
    largest, rms : residuals of the cumulative curve, 0 to 1. scatter : of a class's amount.
    """

    law: Law
    power: float
    covariance: Floats
    freedom: float
    rank: float
    largest: float
    rms: float
    scatter: float = math.nan

    @property
    def kind(self) -> str:
        """ "lognormal" or "weibull"."""
        return "lognormal" if isinstance(self.law, Lognormal) else "weibull"

    def told_by(self, power: float) -> SizeFit:
        """A lognormal fit, its law weighted by size^power (-3: number of what was volume)."""
        assert isinstance(self.law, Lognormal)
        s = self.law.log_sd
        turn = np.array([[1.0, 2 * power * s**2], [0.0, 1.0]])
        law = Lognormal(self.law.median * math.exp(power * s**2), s)
        return self._replace(
            law=law, power=self.power - power, covariance=turn @ self.covariance @ turn.T
        )


def fit_sizes(kind: str, size: Floats, count: Floats) -> SizeFit:
    """Fit to counted sizes: (n,) m, each counted so many times, by number."""
    n = float(count.sum())
    logs = np.log(size)
    mean = float(count @ logs) / n
    s = math.sqrt(float(count @ (logs - mean) ** 2) / (n - 1.0)) if n > 1 else 0.0
    if not s > 1e-6:
        raise BenchError("all particles are of one size: there is no law to fit")
    if kind == "lognormal":
        law: Law = Lognormal(math.exp(mean), s)
        covariance = np.diag([s**2 / n, 0.5 / (n - 1.0)])
        density = -0.5 * ((logs - mean) / s) ** 2 - math.log(s * math.sqrt(2 * math.pi)) - logs
    else:
        law = _weibull(logs, count, mean, s)
        k = law.shape
        # inverse of Fisher's information, in ln(scale) and ln(shape); from memory
        c = 6.0 / math.pi**2
        cross = c * (1 - _EULER) / k
        first = (1 + c * (1 - _EULER) ** 2) / k**2
        covariance = np.array([[first, cross], [cross, c]]) / n
        x = k * (logs - math.log(law.scale))
        density = math.log(k) + x - np.exp(x) - logs
    order = np.argsort(size, kind="stable")
    upto = np.cumsum(count[order]) / n
    below = share_below(law, size[order])
    off = np.maximum(np.abs(upto - below), np.abs(upto - count[order] / n - below))
    middle = upto - 0.5 * count[order] / n - below
    rms = math.sqrt(float(count[order] @ middle**2) / n)
    rank = -2.0 * float(count @ density)
    return SizeFit(law, 0.0, covariance, n - 1.0, rank, float(off.max()), rms)


def _weibull(logs: Floats, count: Floats, mean: float, s: float) -> Weibull:
    """Maximum likelihood: 1 / shape = mean of ln d weighted by d^shape, less the plain mean."""
    from scipy.optimize import brentq

    y = logs - logs.max()

    def off(shape: float) -> float:
        weight = count * np.exp(shape * y)
        return float(weight @ logs / weight.sum()) - mean - 1.0 / shape

    guess = math.pi / math.sqrt(6.0) / s
    low, high = guess / 50.0, guess * 50.0
    shape = float(brentq(off, low, high, xtol=1e-12 * guess, rtol=1e-12))
    weight = float(count @ np.exp(shape * y)) / float(count.sum())
    return Weibull(math.exp(float(logs.max()) + math.log(weight) / shape), shape)


def fit_counts(kind: str, lower: Floats, upper: Floats, count: Floats) -> SizeFit:
    """Fit to counts in classes (k,), edges in m: censored maximum likelihood, by number.

    Nothing is said of sizes outside the classes: the law is that of what lies inside.
    """
    from scipy.optimize import minimize

    _enough(count)

    def cost(theta: Floats) -> float:
        if not _LEAST <= theta[1] <= _MOST:
            return 1e300
        p = share_between(make_law(kind, theta), lower, upper)
        if not p.sum() > 0:
            return 1e300
        p = np.maximum(p / p.sum(), 1e-300)
        return -float(count @ np.log(p))

    first = _start(kind, lower, upper, count, 0.0)
    best = minimize(cost, first, method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-9})
    theta = np.asarray(best.x)
    # Hessian, by central differences
    h = np.eye(2) * _STEP
    hessian = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            corners = (
                cost(theta + h[i] + h[j])
                - cost(theta + h[i] - h[j])
                - cost(theta - h[i] + h[j])
                + cost(theta - h[i] - h[j])
            )
            hessian[i, j] = corners / (4 * _STEP**2)
    covariance = _inverse(hessian)
    law = make_law(kind, theta)
    largest, rms = _residuals(law, 0.0, lower, upper, count, within=True)
    freedom = float(count.sum()) - 1.0
    return SizeFit(law, 0.0, covariance, freedom, 2.0 * cost(theta), largest, rms)


def fit_amounts(
    kind: str,
    lower: Floats,
    upper: Floats,
    amount: Floats,
    sd: float,
    power: float = 0.0,
    *,
    known: bool = False,
) -> SizeFit:
    """Fit to amounts in classes (k,), all with one standard error.

    The law is told by amount over size^power: with 2 the number of tubes whose volumes were
    measured. The total is fitted as well. The errors are ``sd`` where the scatter about the law is
    less (and where they are ``known``, unless that scatter is beyond chance); else that scatter,
    with Student's t of k - 3. From 20 classes up scatter may differ from class to class.
    """
    from scipy.optimize import least_squares

    _enough(amount)
    total = float(amount.sum())

    def shares(theta: Floats) -> Floats:
        return share_between(make_law(kind, theta), lower, upper, power)

    def off(theta: Floats) -> Floats:
        return (math.exp(theta[2]) * shares(theta[:2]) * total - amount) / total

    first = np.append(_start(kind, lower, upper, amount, power), 0.0)
    bounds = ([-np.inf, _LEAST, -_TOTAL], [np.inf, _MOST, _TOTAL])
    first[1] = np.clip(first[1], _LEAST + 1e-3, _MOST - 1e-3)
    best = least_squares(off, first, bounds=bounds, xtol=1e-12, ftol=1e-14, gtol=1e-14)
    covariance = _inverse(best.jac.T @ best.jac)[:2, :2]
    squares, freedom = 2.0 * float(best.cost), len(amount) - 3.0
    given = sd / total
    scatter = math.sqrt(squares / freedom) if freedom > 0 else given
    spread, of = given, math.inf
    if freedom > 0 and scatter > given and not (known and _by_chance(squares, given, freedom)):
        spread, of = scatter, freedom
    law = make_law(kind, best.x[:2])
    covariance = covariance * spread**2
    if spread == scatter and len(amount) >= _MANY_CLASSES:
        covariance = _uneven(best.jac, best.fun)[:2, :2]
    largest, rms = _residuals(law, power, lower, upper, amount)
    return SizeFit(law, power, covariance, of, squares, largest, rms, scatter * total)


def _uneven(slopes: Floats, off: Floats) -> Floats:
    """Covariance where each class has an error of its own size.

    HC3 of MacKinnon & White (1985, J. Econometrics 29:305), from memory.
    """
    inverse = _inverse(slopes.T @ slopes)
    lever = np.einsum("ki,ij,kj->k", slopes, inverse, slopes)
    weighted = slopes * (off / np.maximum(1.0 - lever, 1e-3))[:, None]
    return np.asarray(inverse @ (weighted.T @ weighted) @ inverse)


def _by_chance(squares: float, sd: float, freedom: float) -> bool:
    """Whether errors of that sd leave so much in 99 of 100 cases or fewer."""
    from scipy.stats import chi2

    return sd > 0 and squares / sd**2 < chi2.ppf(0.99, freedom)


def _enough(amount: Floats) -> None:
    held = int(np.count_nonzero(amount))
    if held < FEWEST_CLASSES:
        word = "class holds" if held == 1 else "classes hold"
        raise BenchError(f"{held} {word} anything; a law needs at least {FEWEST_CLASSES} that do")


def _start(kind: str, lower: Floats, upper: Floats, amount: Floats, power: float) -> Floats:
    """(2,) theta from three quantiles of the classes."""
    inner = np.where(lower > 0, lower, 0.5 * upper)
    outer = np.where(np.isfinite(upper), upper, 2.0 * lower)
    edges = np.log(np.append(inner[0], outer))
    upto = np.append(0.0, np.cumsum(amount)) / amount.sum()
    low, middle, high = np.interp([0.16, 0.5, 0.84], upto + np.arange(len(upto)) * 1e-12, edges)
    s = max(0.5 * (high - low), 0.02)
    if kind == "lognormal":
        return np.array([middle - power * s**2, math.log(s)])
    shape = min(max(1.2 / s, 0.3), 100.0)
    centre = float(quantile(Weibull(1.0, shape), 0.5, power))
    return np.array([middle - math.log(centre), math.log(shape)])


def _inverse(matrix: Floats) -> Floats:
    try:
        found = np.linalg.inv(matrix)
    except np.linalg.LinAlgError:
        return np.full(matrix.shape, np.nan)
    return np.asarray(found if np.all(np.diag(found) > 0) else np.full(matrix.shape, np.nan))


def _residuals(
    law: Law, power: float, lower: Floats, upper: Floats, amount: Floats, *, within: bool = False
) -> tuple[float, float]:
    """Largest and rms difference of the cumulative shares at the edges that are known.

    within : of the law, only what lies in the classes counts.
    """
    edges = np.append(lower, upper[-1])
    upto = np.append(0.0, np.cumsum(amount)) / amount.sum()
    below = share_below(law, edges, power)
    if within:
        below = (below - below[0]) / max(below[-1] - below[0], 1e-300)
    off = (upto - below)[(edges > 0) & np.isfinite(edges)]
    return float(np.abs(off).max()), math.sqrt(float(np.mean(off**2)))


def spread_of(fit: SizeFit) -> tuple[Floats, Floats]:
    """(2,) theta and (2,) its standard errors."""
    return theta_of(fit.law), np.sqrt(np.diag(fit.covariance))
