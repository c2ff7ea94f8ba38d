"""Features of a soak as smooth functions of the unknowns, with their scatter, from a bank of runs.

The mean is a linear trend plus Matern functions (`kernel`) about up to 300 of the runs: a Gaussian
process by its subset of regressors (Sacks et al. 1989, Stat Sci 4:409; Quinonero-Candela &
Rasmussen 2005, J Mach Learn Res 6:1939; from memory). How closely it follows the runs is chosen by
leaving each out (`ridge`). What is left when a run is left out is scatter between solids plus what
the surface misses; its size is a second smooth function of the unknowns (`scatter`).

Chosen by trial over d = 3 to 9 unknowns and 300, 1000 and 4000 runs: polynomials up to the fourth
degree were as good in smooth cases at best, and 1.5 to 3 times as wrong near a threshold or where
functions have kinks; a squared exponential in place of Matern failed more often; quadratic and
cubic trends gained nothing on the whole; nor did weighing runs by how far they scatter, since near
a threshold what the surface misses then passes for scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.inference.kernel import likely_lengths, matern
from poresim.inference.ridge import Ridge, Rows, Smoother, rows_of
from poresim.inference.scatter import Scatter, scatter_of, spread_out

Floats = NDArray[np.float64]

_CENTRES, _LAST = 300, 100  # of runs; of these the last, where there are more
_NUGGET = 1e-8  # on the diagonal of the centres' own matrix
_DEPENDENT = 1e-6  # of a column's length that is not made up of others: it is one of them
_FAINT = 1e-3  # of the mean leverage: directions that are left out
_CHUNK = 2048  # rows predicted at a time, so that they stay in the cache


class Reading(NamedTuple):
    """Features at m places: mean (m, p), covariance L diag(variance) L' + diag(rest) at each.

    loadings : L (p, q). variance : (m, q). rest : (m, p).
    """

    mean: Floats
    loadings: Floats
    variance: Floats
    rest: Floats

    def covariance(self) -> Floats:
        """(m, p, p)."""
        whole = np.einsum("jk,mk,lk->mjl", self.loadings, self.variance, self.loadings)
        return np.asarray(whole + self.rest[:, :, None] * np.eye(self.rest.shape[1]))

    def sd(self) -> Floats:
        """(m, p)."""
        return np.asarray(np.sqrt(self.variance @ self.loadings.T**2 + self.rest))


@dataclass(frozen=True)
class Surface:
    """Fitted features; arrays only, so that it may be stored.

    runs : their number. explained : (p,) 1 - squares of left-out runs over those about the mean.
    left_out : (runs, p) run minus its prediction when left out with its group.
    pure : (q + 1,) the share of scatter that repeats of the same inputs show, for each of the
    components and what is left beside them; NaN where no inputs were repeated. What misses from 1
    is what the surface itself misses: at least the share by which runs' own scatter moves it, the
    number of its free coefficients over that of the runs. leverage : (1 + d + centres, r), makes r
    numbers of a place, whose squares add up to how far scatter of the runs moves the surface there,
    over its mean at the runs: more at the rim and where runs are few.
    """

    middle: Floats
    half: Floats
    lengths: Floats
    centres: Floats
    coefficients: Floats
    scatter: Scatter
    runs: int
    explained: Floats
    left_out: Floats
    pure: Floats
    leverage: Floats

    @property
    def left_out_sd(self) -> Floats:
        """(p,) root mean square of ``left_out``."""
        return np.asarray(np.sqrt((self.left_out**2).mean(axis=0)))

    def predict(self, x: ArrayLike) -> Floats:
        """The mean features (m, p) at x (m, d)."""
        places = self._places(x)
        return self._by_chunks(places, self.coefficients)

    def read(self, x: ArrayLike) -> Reading:
        """Mean and covariance at x (m, d), of one further run in a solid of its own."""
        return self.read_both(x)[0]

    def read_both(self, x: ArrayLike) -> tuple[Reading, Reading]:
        """With what the surface misses and without; the same where no inputs were repeated, since
        scatter cannot be told from misfit there."""
        places = self._places(x)
        p, q = self.coefficients.shape[1], self.scatter.coefficients.shape[1]
        every = np.hstack([self.coefficients, self.scatter.coefficients, self.leverage])
        found = self._by_chunks(places, every)
        variance, rest = self.scatter.sizes(found[:, p : p + q])
        whole = Reading(found[:, :p], self.scatter.loadings, variance, rest)
        if np.isnan(self.pure).any():
            return whole, whole
        alone = whole._replace(variance=variance * self.pure[:-1], rest=rest * self.pure[-1])
        further = (found[:, p + q :] ** 2).sum(axis=1)[:, None]
        return whole._replace(
            variance=alone.variance + further * (variance - alone.variance),
            rest=alone.rest + further * (rest - alone.rest),
        ), alone

    def covariance(self, x: ArrayLike) -> Floats:
        """(m, p, p) of one further run at x (m, d)."""
        return self.read(x).covariance()

    def in_lengths(self, x: ArrayLike) -> Floats:
        """(m, d) x in units of the lengths over which features hang together."""
        return np.asarray(self._places(x) / self.lengths)

    def _places(self, x: ArrayLike) -> Floats:
        places = np.asarray(x, np.float64)
        if places.ndim != 2 or places.shape[1] != len(self.middle):
            raise ValueError(f"x must be (m, {len(self.middle)}), got {places.shape}")
        return np.asarray((places - self.middle) / self.half)

    def _by_chunks(self, places: Floats, coefficients: Floats) -> Floats:
        found = np.empty((len(places), coefficients.shape[1]))
        turned = len(self.middle) + 1
        for start in range(0, len(places), _CHUNK):
            some = places[start : start + _CHUNK]
            part = matern(some, self.centres, self.lengths) @ coefficients[turned:]
            found[start : start + _CHUNK] = part + some @ coefficients[1:turned] + coefficients[0]
        return found


def fit_surface(inputs: ArrayLike, features: ArrayLike, groups: ArrayLike | None = None) -> Surface:
    """The surface of features (n, p) over inputs (n, d); of any unit, scaled within.

    groups : (n,) labels, the same for runs of the same inputs in other random solids; they are
    left out together. The first runs should fill the space, as those of Sobol' points do; the last
    may lie where it counts: of many inputs the first and the last are the centres. ValueError:
    shapes, numbers that are not finite, too few runs.
    """
    x, y, labels = _read(inputs, features, groups)
    low, high = x.min(axis=0), x.max(axis=0)
    middle, half = (low + high) / 2, np.where(high > low, (high - low) / 2, 1.0)
    z = (x - middle) / half
    offset, size = y.mean(axis=0), np.where(np.ptp(y, axis=0) > 0, y.std(axis=0), 1.0)
    scaled = (y - offset) / size
    together = rows_of(labels)
    some = _central(np.sort(np.unique(labels, return_index=True)[1]))
    centres = z[some]
    every = np.hstack([np.ones((len(z), 1)), z])
    varied = _independent(every)
    trend = every[:, varied]
    tried: list[_Fit] = []
    noise = np.ones(len(some))
    for _ in range(2):  # as if all scattered alike, then by how far they do
        for lengths in likely_lengths(z[some], scaled[some], noise):
            tried.append(_fit(z, centres, lengths, trend, scaled, together))
        best = max(tried, key=lambda one: one.score)
        noise = best.variance[some] / np.median(best.variance)
    left = best.fit.left_out
    return Surface(
        middle,
        half,
        best.lengths,
        centres,
        _in_units(best.fit.coefficients, varied, best.turn, offset, size),
        best.scatter.turned(varied, best.turn, size),
        len(x),
        1 - (left**2).sum(axis=0) / np.maximum((scaled**2).sum(axis=0), 1e-300),
        left * size,
        np.minimum(
            _pure(scaled, best.scatter, best.columns, together), 1 - best.fit.freedom / len(x)
        ),
        spread_out(_leverage(best.columns, best.moved), varied, best.turn),
    )


def _read(
    inputs: ArrayLike, features: ArrayLike, groups: ArrayLike | None
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    x, y = np.asarray(inputs, np.float64), np.asarray(features, np.float64)
    if x.ndim != 2 or y.ndim != 2 or len(x) != len(y) or not x.shape[1] or not y.shape[1]:
        raise ValueError(f"inputs (n, d) and features (n, p), got {x.shape} and {y.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("inputs and features must be finite: leave out runs without a feature")
    labels = np.arange(len(x)) if groups is None else np.asarray(groups)
    if labels.shape != (len(x),):
        raise ValueError(f"one group a run, got shape {labels.shape} for {len(x)} runs")
    _, numbers = np.unique(labels, return_inverse=True)
    least = 4 * (x.shape[1] + 2)
    if numbers.max() + 1 < least:
        raise ValueError(
            f"{x.shape[1]} unknowns need {least} runs of different inputs or more, "
            f"got {numbers.max() + 1}"
        )
    return x, y, numbers.astype(np.int64)


class _Fit(NamedTuple):
    """turn : (centres, centres) makes of the kernels about the centres a basis of unit law.

    columns : (n, 1 + d + centres). moved : of the smoother. variance : (n,) of runs, meaned over
    features. score : mean ln density of runs left out, one feature at a time.
    """

    lengths: Floats
    turn: Floats
    columns: Floats
    moved: Floats
    fit: Ridge
    scatter: Scatter
    variance: Floats
    score: float


def _fit(
    z: Floats, centres: Floats, lengths: Floats, trend: Floats, scaled: Floats, groups: Rows
) -> _Fit:
    own = matern(centres, centres, lengths) + _NUGGET * np.eye(len(centres))
    turn = np.linalg.inv(np.linalg.cholesky(own)).T
    smoother = Smoother(trend, matern(z, centres, lengths) @ turn, groups)
    fit = smoother.fit(scaled)
    scatter = scatter_of(smoother, fit.left_out)
    variance, rest = scatter.sizes(smoother.columns @ scatter.coefficients)
    whole = np.maximum(variance @ scatter.loadings.T**2 + rest, 1e-300)
    score = -float((fit.left_out**2 / whole + np.log(whole)).mean()) / 2
    moved = smoother.moved(fit.penalty)
    variance = whole.mean(axis=1)
    return _Fit(lengths, turn, smoother.columns, moved, fit, scatter, variance, score)


def _in_units(
    coefficients: Floats, varied: NDArray[np.bool_], turn: Floats, offset: Floats, size: Floats
) -> Floats:
    """(1 + d + centres, p): of the kernel itself, in the features' own units."""
    full = spread_out(coefficients, varied, turn) * size
    full[0] += offset
    return full


def _leverage(columns: Floats, moved: Floats) -> Floats:
    """(columns, r) R with |c R|^2 the variance of what is fitted at columns c over its mean at the
    runs; directions that hardly add to it are left out. moved : of the smoother."""
    u, s, _ = np.linalg.svd(moved, full_matrices=False)
    shares = ((columns @ u) ** 2).mean(axis=0) * s**2
    some = shares > _FAINT * shares.sum()
    return np.asarray(u[:, some] * s[some] / np.sqrt(shares[some].sum()))


def _central(runs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Of runs in their order those about which kernels lie."""
    if len(runs) <= _CENTRES:
        return runs
    return np.concatenate([runs[: _CENTRES - _LAST], runs[-_LAST:]])


def _independent(columns: Floats) -> NDArray[np.bool_]:
    """(k,) columns that are no combination of those before them: a trend must be of full rank."""
    found = np.zeros(columns.shape[1], np.bool_)
    basis = np.zeros((len(columns), 0))
    for k, column in enumerate(columns.T):
        left = column - basis @ (basis.T @ column)
        left -= basis @ (basis.T @ left)
        size = float(np.linalg.norm(left))
        if size > _DEPENDENT * max(float(np.linalg.norm(column)), 1e-300):
            found[k] = True
            basis = np.hstack([basis, (left / size)[:, None]])
    return found


def _pure(scaled: Floats, scatter: Scatter, columns: Floats, groups: Rows) -> Floats:
    """Variance within groups over that of runs left out, for each component and the rest."""
    sizes = scatter.coefficients.shape[1]
    squares, freedom = np.zeros(sizes), 0
    log_sizes = columns @ scatter.coefficients
    for rows in groups:
        if rows.shape[1] == 1:
            continue
        apart = scaled[rows] - scaled[rows].mean(axis=1, keepdims=True)
        apart = apart.reshape(-1, scaled.shape[1])
        squares += scatter.squares(apart, log_sizes[rows.ravel()]).sum(axis=0)
        freedom += rows.shape[0] * (rows.shape[1] - 1)
    if not freedom:
        return np.full(sizes, np.nan)
    return np.minimum(squares / freedom, 1.0)
