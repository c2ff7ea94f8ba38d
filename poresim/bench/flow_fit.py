"""Flow laws fitted to measured points, ranked, and what the points do not say.

Weighted least squares. Without sds every point counts by its relative error, the same for all and
estimated from the scatter: residuals are ln(measured / law). With sds they are (measured - law) /
sd, and where the points scatter more than their sds say, the sds are taken as shares only.
Repeats in several files may differ as a whole: that scatter s_b is estimated from the mean
residuals of the files (moments) and taken into the weights (one common error a file, as Fuller &
Battese 1973 do, from memory); an interval then knows how few files there were (Satterthwaite 1946).

Laws are ranked by the weights of the corrected Akaike criterion (Burnham & Anderson 2002, from
memory): AICc = n ln(squares / n) + 2 k + 2 k (k + 1) / (n - k - 1), the scatter counted as one of
the k; with sds, squares / c instead of the logarithm, c what the scatter is over the sds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.bench.error import BenchError
from poresim.bench.flow_laws import LAWS, VISCOSITY, Law, Points, bounds, flow_law, starts
from poresim.bench.flow_stray import distinct, fall_back, stray
from poresim.bench.nonlinear import Problem, Solution, covariance, interval, solve

Floats = NDArray[np.float64]

#: Akaike weight from which on a law is among those that the points cannot tell apart.
RIVAL = 0.05
SHARE = 0.95  # of intervals
FEWEST, MOST = 4, 5000
#: A positive parameter is not determined where its interval spans this factor, or is open.
LOOSE = 10.0
_RATES = (1e-8, 1e8)  # 1/s, of any rheometer
_EXACT = 1e-9  # relative scatter below which data are as good as exact
_TAME = 0.95  # exponent of Cross's law up to which the stress rises, whatever the plateaus
_TRIES = 8
_TRACED = 0.01  # weight below which an interval is not worth its profile
_AS_LIKELY = 3.84
_SOFT = ("zero_mPa_s", "time_s")  # whose bounds only end the search


@dataclass(frozen=True)
class FlowFit:
    """One law's fit, parameters in the scenario's units.

    sd : linearised, infinite where not determined. intervals : of 95 %, by the profile (linearised
    where the weight is below 1 %); ends of 0 and inf are open. misfit : -2 ln(likelihood) but for a
    constant. weight : Akaike's. rms : of ln(measured / law), each point alike. usable : "" or why a
    scenario refuses these values.
    """

    law: Law
    values: dict[str, float]
    sd: dict[str, float]
    intervals: dict[str, tuple[float, float]]
    rms: float
    squares: float
    freedom: float
    misfit: float
    aicc: float
    weight: float
    usable: str
    solution: Solution = field(repr=False)
    spread: Floats = field(repr=False)  # covariance in fit coordinates

    def viscosity(self, shear_rate: ArrayLike) -> tuple[Floats, Floats]:
        """Viscosity at rates (n,), 1/s: Pa s, and the sd of its logarithm, (n,) each."""
        log_rate = np.log(np.asarray(shear_rate, np.float64))
        log_stress, slopes = self.law.evaluate(self.solution.x, log_rate)
        known = np.isfinite(np.diag(self.spread))
        s, c = slopes[:, known], self.spread[np.ix_(known, known)]
        sd = np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", s, c, s), 0.0))
        lost = (np.abs(slopes[:, ~known]) > 1e-6).any(axis=1)
        return np.exp(log_stress - log_rate), np.where(lost, math.inf, sd)

    def loose(self, name: str) -> bool:
        """Whether the points do not determine a parameter: its interval is open or very wide."""
        low, high = self.intervals[name]
        return not (low > 0 and high <= LOOSE * low)


@dataclass(frozen=True)
class FlowFits:
    """fits : best first. scatter : relative, of the best law, without that between files.

    between : relative scatter between files. beyond : how much more the points scatter than their
    sds say (1 or more; nan without sds). left_out : laws for which there are too few points.
    stray : "" or in which way the best law does not go through the points. hysteresis : share by
    which stresses lie lower when the rate comes back; nan where that cannot be told from scatter.
    """

    fits: tuple[FlowFit, ...]
    points: Points
    files: int
    weighted: bool
    scatter: float
    between: float
    beyond: float
    left_out: tuple[str, ...]
    stray: str
    hysteresis: float

    @property
    def best(self) -> FlowFit:
        """The one of most weight."""
        return self.fits[0]

    @property
    def rivals(self) -> tuple[FlowFit, ...]:
        """Those that the points cannot tell apart, best first."""
        return tuple(one for one in self.fits if one.weight >= RIVAL)

    @property
    def possible(self) -> tuple[FlowFit, ...]:
        """The rivals, and laws that go through the points as well with more parameters than these
        need: their likelihood is within a factor of 6.8 of the best's (3.84 = chi2 of 95 %)."""
        near = self.best.misfit + _AS_LIKELY
        return tuple(one for one in self.fits if one.weight >= RIVAL or one.misfit <= near)


def fit_flow(
    shear_rate: ArrayLike,
    shear_stress: ArrayLike,
    stress_sd: ArrayLike | None = None,
    run: ArrayLike | None = None,
    *,
    laws: Sequence[str] = (),
    intervals: bool = True,
) -> FlowFits:
    """All six laws fitted to points.

    shear_rate : (n,) 1/s, shear_stress : (n,) Pa, both above 0; stress_sd : (n,) Pa; run : (n,)
    which file each stems from. laws : only these, by the scenario's keys. intervals : False takes
    the linearised ones (quicker). Raises BenchError for fewer than four points, for one rate only,
    and outside what a scenario takes.
    """
    data = _Data.of(shear_rate, shear_stress, stress_sd, run)
    asked = [law for law in LAWS if not laws or law.key in laws]
    few = [law for law in asked if not data.enough_for(len(law.names))]
    alike = [_solved(data, law) for law in asked if law not in few]
    if not alike:
        raise BenchError(f"too few points or rates for {' and '.join(law.word for law in few)}")
    first = min(alike, key=lambda one: data.criterion(one, 1.0))
    ratio = _between_ratio(data, first)
    found = [_solved(data, one.law, ratio) for one in alike] if ratio > 0 else alike
    beyond = 1.0
    if data.weighted:
        beyond = max(1.0, min(data.reduced(one) for one in found))
    criteria = np.array([data.criterion(one, beyond) for one in found])
    weights = np.exp(-0.5 * (criteria - criteria.min()))
    weights /= weights.sum()
    order = np.argsort(-weights, kind="stable")

    def profiled(k: int) -> bool:
        return intervals and weights[k] >= _TRACED

    fits = tuple(
        _fit(
            data,
            found[k],
            (data.misfit(found[k], beyond), float(criteria[k]), float(weights[k])),
            profiled(k),
        )
        for k in order
    )
    best = found[order[0]]
    scatter = math.sqrt(data.reduced(best)) * (1.0 if not data.weighted else _typical(data))
    between = ratio * (math.sqrt(data.reduced(best)) if not data.weighted else 1.0)
    return FlowFits(
        fits,
        data.points,
        len(data.runs),
        data.weighted,
        scatter,
        between,
        math.sqrt(beyond) if data.weighted else math.nan,
        tuple(law.word for law in few),
        _stray(data, best),
        _hysteresis(data, best),
    )


class _Solved(NamedTuple):
    law: Law
    problem: Problem
    solution: Solution
    ratio: float


@dataclass(frozen=True)
class _Data:
    points: Points
    weighted: bool
    runs: tuple[NDArray[np.int64], ...]  # places of each file's points

    @classmethod
    def of(
        cls, rate: ArrayLike, stress: ArrayLike, sd: ArrayLike | None, run: ArrayLike | None
    ) -> _Data:
        r, s = np.asarray(rate, np.float64), np.asarray(stress, np.float64)
        e = s if sd is None else np.asarray(sd, np.float64)
        of = np.zeros(len(r), int) if run is None else np.asarray(run, int)
        if not r.shape == s.shape == e.shape == of.shape or r.ndim != 1:
            raise BenchError(
                f"rates, stresses, sds and runs must be equally long rows, got {r.shape}, "
                f"{s.shape}, {e.shape} and {of.shape}"
            )
        if not FEWEST <= len(r) <= MOST:
            raise BenchError(f"{len(r)} points; {FEWEST} to {MOST} are needed for a flow law")
        if not all(np.all(np.isfinite(v) & (v > 0)) for v in (r, s, e)):
            raise BenchError("rates, stresses and sds must be finite and above 0")
        far = (r < _RATES[0]) | (r > _RATES[1])
        if far.any():
            raise BenchError(
                f"shear rate is {r[far][0]:.3g} 1/s; {_RATES[0]:g} to {_RATES[1]:g} is expected"
            )
        eta = s / r
        outside = (eta < VISCOSITY[0]) | (eta > VISCOSITY[1])
        if outside.any():
            raise BenchError(
                f"viscosity is {1e3 * eta[outside][0]:.3g} mPa s at {r[outside][0]:.3g} 1/s; "
                f"{1e3 * VISCOSITY[0]:g} to {1e3 * VISCOSITY[1]:g} is expected: look at the units"
            )
        if distinct(r) < 2:
            raise BenchError(f"all points are at {r[0]:.3g} 1/s; a flow law needs several rates")
        runs = tuple(np.flatnonzero(of == one).astype(np.int64) for one in np.unique(of))
        return cls(Points(r, s, s / e), sd is not None, runs)

    def enough_for(self, parameters: int) -> bool:
        n = len(self.points.rate)
        return n >= parameters + 3 and distinct(self.points.rate) >= parameters + 1

    def residuals(self, law: Law, x: Floats) -> Floats:
        rate, stress, share = self.points
        log_stress = law.evaluate(x, np.log(rate))[0]
        if self.weighted:
            return np.asarray((np.exp(log_stress) / stress - 1) * share)
        return np.asarray(log_stress - np.log(stress))

    def jacobian(self, law: Law, x: Floats) -> Floats:
        rate, stress, share = self.points
        log_stress, slopes = law.evaluate(x, np.log(rate))
        if self.weighted:
            return np.asarray(slopes * (np.exp(log_stress) / stress * share)[:, None])
        return slopes

    @property
    def across(self) -> Floats:
        """What an error common to a file, in shares, does to each residual."""
        return self.points.share if self.weighted else np.ones(len(self.points.rate))

    def whiten(self, rows: Floats, ratio: float) -> Floats:
        """rows (n,) or (n, p) times the root of the inverse of 1 + ratio^2 w w' in each file."""
        if ratio == 0:
            return rows
        rows = rows.copy()
        for places in self.runs:
            w = self.across[places]
            size = float(w @ w)
            lowered = (1.0 - 1.0 / math.sqrt(1.0 + ratio**2 * size)) / size
            rows[places] -= lowered * np.multiply.outer(w, w @ rows[places])
        return rows

    def reduced(self, one: _Solved) -> float:
        n, p = one.solution.jacobian.shape
        return max(one.solution.squares / (n - p), 0.0 if self.weighted else _EXACT**2)

    def criterion(self, one: _Solved, beyond: float) -> float:
        n, p = one.solution.jacobian.shape
        k = p if self.weighted and beyond <= 1.0 else p + 1
        return self.misfit(one, beyond) + 2 * k + 2 * k * (k + 1) / max(n - k - 1, 1)

    def misfit(self, one: _Solved, beyond: float) -> float:
        """-2 ln(likelihood), but for what is common to all laws."""
        n = len(one.solution.residuals)
        # files with a common error: the determinant of their covariance
        common = 0.0
        if one.ratio > 0:
            sizes = np.array([float(self.across[j] @ self.across[j]) for j in self.runs])
            common = float(np.log1p(one.ratio**2 * sizes).sum())
        if self.weighted:
            misfit = one.solution.squares / beyond
        else:
            misfit = n * math.log(max(one.solution.squares / n, _EXACT**2))
        return float(misfit + common)


def _solved(data: _Data, law: Law, ratio: float = 0.0) -> _Solved:
    low, high = bounds(law, data.points)
    asked = Problem(
        lambda x: data.whiten(data.residuals(law, x), ratio),
        lambda x: data.whiten(data.jacobian(law, x), ratio),
        low,
        high,
        tuple(k for k, name in enumerate(law.names) if name in _SOFT),
    )
    found = _Solved(law, asked, solve(asked, starts(law, data.points)), ratio)
    return _tamed(found) if _refused(law, found.solution.x) else found


def _tamed(one: _Solved) -> _Solved:
    """The fit with the greatest exponent of Cross's law with which the stress rises everywhere.

    Freely fitted, its stress may fall beyond the points, as no liquid's does.
    """
    if one.law.key != "cross":
        return one
    last, tame, wild = len(one.problem.high) - 1, math.log(_TAME), float(one.solution.x[-1])
    found, start = one, one.solution.x
    for _ in range(_TRIES):
        high = one.problem.high.copy()
        high[last] = tame if found is one else 0.5 * (tame + wild)
        asked = one.problem._replace(high=high)
        got = _Solved(one.law, asked, solve(asked, [start, one.solution.x]), one.ratio)
        if _refused(one.law, got.solution.x):
            if found is one:
                return one
            wild = high[last]
        else:
            found, start, tame = got, got.solution.x, high[last]
    return found


def _stray(data: _Data, one: _Solved) -> str:
    if not data.weighted and math.sqrt(data.reduced(one)) <= 1e3 * _EXACT:
        return ""
    left = data.residuals(one.law, one.solution.x)
    return stray(data.points.rate, left, len(one.solution.x), repeats=one.ratio == 0)


def _hysteresis(data: _Data, one: _Solved) -> float:
    left = -_log_residuals(data, one.law, one.solution.x)
    return fall_back([(data.points.rate[j], left[j]) for j in data.runs])


def _between_ratio(data: _Data, one: _Solved) -> float:
    """Scatter between files over that within (in shares where there are sds); 0 for one file.

    By moments: a file's mean residual varies by s^2 (1 + ratio^2 w'w), and one level is fitted.
    """
    if len(data.runs) < 2:
        return 0.0
    r, w = one.solution.residuals, data.across
    sizes = np.array([float(w[j] @ w[j]) for j in data.runs])
    squares = np.array([float(w[j] @ r[j]) ** 2 for j in data.runs]) / sizes
    n, p = one.solution.jacobian.shape
    left = n - len(data.runs) - p + 1
    if left < 1:
        return 0.0
    within = max((one.solution.squares - squares.sum()) / left, _EXACT**2)
    if data.weighted:
        within = max(within, 1.0)
    room = sizes.sum() - (sizes**2).sum() / sizes.sum()
    over = (squares.sum() - (len(data.runs) - 1) * within) / room
    if over <= 0:
        return 0.0
    return math.sqrt(over if data.weighted else over / within)


def _fit(data: _Data, one: _Solved, rank: tuple[float, float, float], by_profile: bool) -> FlowFit:
    law, best = one.law, one.solution
    n, p = best.jacobian.shape
    variance = max(data.reduced(one), 1.0) if data.weighted else data.reduced(one)
    free = math.inf if data.weighted and variance == 1.0 else float(n - p)
    spread = variance * covariance(best.jacobian)
    freedom = _freedom(data, one, spread, variance, free)
    sds = np.sqrt(np.diag(spread))
    values = law.values(best.x)
    low, high = one.problem.low, one.problem.high
    values = np.where(
        [k in law.plain and best.x[k] < 1e-6 * high[k] for k in range(p)], 0.0, values
    )
    intervals, sd = {}, {}
    for k, name in enumerate(law.names):
        t = _student(float(freedom[k]))
        half = t * sds[k]
        if by_profile:
            step = min(half, 0.2 * (high[k] - low[k])) or 0.2 * (high[k] - low[k])
            ends = interval(one.problem, best, k, t**2 * variance, step)
        else:
            ends = (best.x[k] - half, best.x[k] + half)
        plain = k in law.plain
        intervals[name] = _ends(ends, plain, law.units[k])
        sd[name] = float(sds[k] / law.units[k] if plain else sds[k] * values[k])
    named = dict(zip(law.names, map(float, values), strict=True))
    rms = float(np.sqrt(np.mean(_log_residuals(data, law, best.x) ** 2)))
    return FlowFit(
        law, named, sd, intervals, rms, best.squares, float(freedom.min()), *rank,
        _refused(law, best.x), best, spread,
    )  # fmt: skip


def _ends(ends: tuple[float, float], plain: bool, unit: float) -> tuple[float, float]:
    if plain:
        return float(max(ends[0], 0.0) / unit), float(ends[1] / unit)
    with np.errstate(over="ignore"):
        low, high = np.exp(np.array(ends)) / unit
    return float(low), float(high)


def _freedom(data: _Data, one: _Solved, spread: Floats, variance: float, free: float) -> Floats:
    """Degrees of freedom of each sd: those of the points, and of the files (Satterthwaite)."""
    p = len(spread)
    if one.ratio == 0:
        return np.full(p, free)
    # the same weights, without the error common to a file
    plain = variance * covariance(data.jacobian(one.law, one.solution.x))
    with np.errstate(invalid="ignore"):
        within = np.clip(np.diag(plain) / np.diag(spread), 0.0, 1.0)
    within = np.where(np.isfinite(within), within, 1.0)
    between = (1 - within) ** 2 / (len(data.runs) - 1)
    return np.asarray(1.0 / np.maximum(within**2 / free + between, 1e-9))


def _student(freedom: float) -> float:
    from scipy.stats import norm, t

    upper = 0.5 * (1 + SHARE)
    return float(norm.ppf(upper) if freedom > 1e8 else t.ppf(upper, freedom))


def _log_residuals(data: _Data, law: Law, x: Floats) -> Floats:
    return law.evaluate(x, np.log(data.points.rate))[0] - np.log(data.points.stress)


def _typical(data: _Data) -> float:
    """The median of the relative sds."""
    return float(np.median(1.0 / data.points.share))


def _refused(law: Law, x: Floats) -> str:
    """Why a scenario refuses these parameters; "" if it takes them."""
    try:
        flow_law(law.key, dict(zip(law.names, law.values(x), strict=True)))
    except ValueError as fault:
        return str(fault)
    return ""
