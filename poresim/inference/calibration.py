"""Whether probabilities hold what they say, judged on cases whose truth is known.

Reliability (Murphy & Winkler 1977, Appl Stat 26:41): among forecasts of about p, a share p should
come true. Expected calibration error, over bins b of equal width, in two kinds:

- top label: sum_b n_b/n |share right - mean probability|, of the most probable one (Guo et al.
  2017, ICML);
- per class: the same of every class's own probability, meaned over classes (Kull et al. 2019,
  NeurIPS).

Both are above 0 by chance even for perfect forecasts, so what chance gives is found by drawing
truths from the forecasts themselves. Ranks (simulation-based calibration: Talts et al. 2018, arXiv
1804.06788): the rank of the truth among L draws of its posterior is uniform on 0 .. L. All sources
from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.inference.temper import systematic

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_TRIALS = 500
_SUM = 1e-6  # by which probabilities of a case may miss 1


class Bins(NamedTuple):
    """Forecasts by probability. edges : (b + 1,), counts : (b,).

    forecast, observed : (b,) mean probability and share that came true; NaN in empty bins.
    low, high : (b,) 95 % of observed shares would lie between, were forecasts right (binomial).
    """

    edges: Floats
    counts: Integers
    forecast: Floats
    observed: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Calibration:
    """bins : of all classes' probabilities together. cases : their number.

    top_label, per_class : expected calibration errors. top_label_by_chance, per_class_by_chance :
    what 95 % of right forecasts stay below. first : the share of cases in which the truth was most
    probable. confidence : the mean highest probability, which is what ``first`` should be.
    first_sd : standard error of first - confidence, were forecasts right.
    """

    bins: Bins
    cases: int
    top_label: float
    top_label_by_chance: float
    per_class: float
    per_class_by_chance: float
    first: float
    confidence: float
    first_sd: float

    @property
    def holds(self) -> bool:
        """Whether nothing speaks against the probabilities: all three within what chance gives."""
        return (
            self.top_label <= self.top_label_by_chance
            and self.per_class <= self.per_class_by_chance
            and abs(self.first - self.confidence) <= 2.5 * self.first_sd + 1e-12
        )


def calibration(
    probabilities: ArrayLike,
    truth: ArrayLike,
    bins: int = 10,
    seed: int | np.random.SeedSequence = 0,
) -> Calibration:
    """How well probabilities (n, k), of sum 1, foretold which class (n,) was true.

    ValueError: shapes, probabilities that are none, fewer than two bins.
    """
    p, true = _read(probabilities, truth)
    if bins < 2:
        raise ValueError(f"two or more bins, got {bins}")
    rng = np.random.default_rng(seed)
    top, per_class = _errors(p, true, bins)
    drawn = [_errors(p, _drawn(p, rng), bins) for _ in range(_TRIALS)]
    chance = np.quantile(np.array(drawn), 0.95, axis=0)
    highest = p.max(axis=1)
    return Calibration(
        _bins(p.ravel(), np.eye(p.shape[1], dtype=bool)[true].ravel(), bins),
        len(p),
        top,
        float(chance[0]),
        per_class,
        float(chance[1]),
        float(np.mean(p.argmax(axis=1) == true)),
        float(highest.mean()),
        math.sqrt(float((highest * (1 - highest)).sum())) / len(p),
    )


def ranks(
    truth: ArrayLike,
    draws: ArrayLike,
    weights: ArrayLike,
    count: int,
    seed: int | np.random.SeedSequence,
) -> Integers:
    """The ranks (d,) of the true unknowns (d,) among ``count`` draws of the posterior, 0 to count.

    draws : (n, d), weights : (n,); resampled to equal weight in random order. Equal values are
    ranked at random.
    """
    x, w = np.asarray(draws, np.float64), np.asarray(weights, np.float64)
    true = np.asarray(truth, np.float64)
    if x.ndim != 2 or true.shape != x.shape[1:] or w.shape != x.shape[:1] or not len(x):
        raise ValueError(
            f"truth (d,), draws (n, d) and weights (n,), got {true.shape}, {x.shape} and {w.shape}"
        )
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(x))
    kept = x[order[systematic(w[order], count, rng)]]
    below, equal = (kept < true).sum(axis=0), (kept == true).sum(axis=0)
    return np.asarray(below + rng.integers(0, equal + 1), np.int64)


def uniformity(found: ArrayLike, count: int, bins: int = 20) -> float:
    """The chi-square p-value of ranks (n,) of 0 to ``count`` being uniform.

    ``count`` + 1 must be a multiple of ``bins``, and there must be five ranks a bin or more.
    """
    from scipy.stats import chi2

    r = np.asarray(found)
    if (count + 1) % bins:
        raise ValueError(f"{count} draws make {count + 1} ranks, no multiple of {bins} bins")
    if r.ndim != 1 or len(r) < 5 * bins:
        raise ValueError(f"{bins} bins need {5 * bins} ranks or more, got shape {r.shape}")
    if (r < 0).any() or (r > count).any():
        raise ValueError(f"ranks must lie from 0 to {count}")
    counts = np.bincount(r.astype(np.int64) * bins // (count + 1), minlength=bins)
    expected = len(r) / bins
    return float(chi2.sf(((counts - expected) ** 2 / expected).sum(), bins - 1))


def _read(probabilities: ArrayLike, truth: ArrayLike) -> tuple[Floats, Integers]:
    p, true = np.asarray(probabilities, np.float64), np.asarray(truth)
    if p.ndim != 2 or true.shape != p.shape[:1] or not p.size:
        raise ValueError(f"probabilities (n, k) and truth (n,), got {p.shape} and {true.shape}")
    if not ((p >= 0).all() and (np.abs(p.sum(axis=1) - 1) < _SUM).all()):
        raise ValueError("probabilities must be 0 or more, and of sum 1 in each case")
    whole = np.issubdtype(true.dtype, np.integer)
    if not whole or (true < 0).any() or (true >= p.shape[1]).any():
        raise ValueError(f"truth must be whole numbers from 0 to {p.shape[1] - 1}")
    return p, true.astype(np.int64)


def _drawn(p: Floats, rng: np.random.Generator) -> Integers:
    """A truth for each case, by its own probabilities."""
    mark = rng.random((len(p), 1)) * p.sum(axis=1, keepdims=True)
    return np.minimum((np.cumsum(p, axis=1) <= mark).sum(axis=1), p.shape[1] - 1)


def _errors(p: Floats, true: Integers, bins: int) -> tuple[float, float]:
    """Top label; per class."""
    top = _gap(p.max(axis=1), p.argmax(axis=1) == true, bins)
    return top, float(np.mean([_gap(p[:, k], true == k, bins) for k in range(p.shape[1])]))


def _gap(forecast: Floats, came: NDArray[np.bool_], bins: int) -> float:
    """sum_b n_b/n |observed - forecast|: what bins' sums miss, over the number."""
    place = _place(forecast, bins)
    return float(np.abs(np.bincount(place, came - forecast)).sum()) / len(forecast)


def _place(forecast: Floats, bins: int) -> Integers:
    return np.minimum((forecast * bins).astype(np.int64), bins - 1)


def _bins(forecast: Floats, came: NDArray[np.bool_], bins: int) -> Bins:
    from scipy.stats import binom

    place = _place(forecast, bins)
    counts = np.bincount(place, minlength=bins)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(place, forecast, minlength=bins) / counts
        observed = np.bincount(place, came, minlength=bins) / counts
        level = np.clip(mean, 0.0, 1.0)
        low, high = (binom.ppf(q, counts, level) / counts for q in (0.025, 0.975))
    return Bins(np.linspace(0, 1, bins + 1), counts, mean, observed, low, high)
