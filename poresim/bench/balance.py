"""What a balance adds to a mass: it shows whole steps, and scatters.

Rounding is no noise: the errors of neighbouring readings on one step go together, so the usual
standard error of a fit, which falls with the number of readings, can be several times too small or,
on a fine staircase, twice too large. Here the readings are drawn again and again from what was
fitted, with the truth anywhere within a step, and the scatter of the fits is their uncertainty.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_DRAWS = 400
_MOST_NUMBERS = 1_000_000  # drawn at once
_SEED = 15148
_UNLIKELY = 0.01  # that a step coarser than the true one is taken for it
_BLOCKS = 10
_FEW = 30  # readings below which no blocks are looked at
_SUSPICIOUS = 0.975
_EXACT = 1e-6  # of the gain: below, nothing strays


class Balance(NamedTuple):
    """step : kg, 0 for none that shows. noise : standard deviation before rounding, kg."""

    step: float
    noise: float


class Spread(NamedTuple):
    """draws (d, p) : errors of the parameters. sd (p,). enlarged : by how much sd was raised, since
    the readings scatter together more than a balance explains; 1 for not at all. freedom : degrees
    of freedom of sd."""

    draws: Floats
    sd: Floats
    enlarged: float
    freedom: float


def step_of(mass: Floats) -> float:
    """The coarsest of 1, 2, 5, 10 ... that all readings are whole numbers of apart; 0 for none.

    mass : (k,) in the unit it was written in. A coarser step is believed only where readings of the
    next finer one would all lie on it by chance in less than 1 % of logs.
    """
    apart = np.unique(np.abs(mass - mass[0]))[1:]
    apart = apart[apart > 1e-9 * max(1.0, float(np.abs(mass).max()))]
    if not len(apart):
        return 0.0
    finest = next((10.0**-k for k in range(-3, 7) if _fits(apart, 10.0**-k)), 0.0)
    if not finest:
        return 0.0
    for k in range(-6, 4):
        for digit in (1.0, 2.0, 5.0):
            step = digit * 10.0**k
            if step < finest * 1.5 or not _fits(apart, step):
                continue
            if (finest / step) ** len(apart) < _UNLIKELY:
                finest = step
    return finest


def _fits(apart: Floats, step: float) -> bool:
    steps = np.round(apart / step)
    return bool(np.all((steps >= 1) & (np.abs(apart / step - steps) < 1e-4)))


def noise_of(residual: Floats, parameters: int, step: float) -> float:
    """Scatter of readings about a fit, less what rounding to steps makes of it, kg."""
    left = max(len(residual) - parameters, 1)
    return math.sqrt(max(float(residual @ residual) / left - step**2 / 12, 0.0))


def spread_of(
    jacobian: Floats,
    fitted: Floats,
    residual: Floats,
    step: float,
    *,
    tared: bool = False,
    most_noise: float = math.inf,
) -> Spread:
    """How far least-squares parameters stray from the truth.

    jacobian : (n, p), of the fit by its parameters. fitted, residual : (n,) kg. tared : a dry mass,
    itself a reading, was taken off all of them. most_noise : of the balance, kg, as seen elsewhere:
    readings that go to and fro between two steps scatter less than it looks.
    """
    n, p = jacobian.shape
    inverse = np.linalg.pinv(jacobian)
    balance = Balance(step, min(noise_of(residual, p, step), most_noise))
    rng = np.random.default_rng(_SEED)
    draws, blocks = np.empty((_DRAWS, p)), np.empty(_DRAWS)
    at_once = max(1, min(_DRAWS, _MOST_NUMBERS // n))
    for first in range(0, _DRAWS, at_once):
        some = slice(first, min(first + at_once, _DRAWS))
        count = some.stop - first
        error = errors(fitted, balance, rng, count)
        if tared:
            error -= errors(np.zeros(1), balance, rng, count)
        draws[some] = error @ inverse.T
        blocks[some] = _together(error - draws[some] @ jacobian.T)
    sd, enlarged = draws.std(axis=0), 1.0
    if n >= _FEW:
        seen = float(_together(residual[None])[0])
        # within one step the readings may sit on either side of it, and say no more
        alike = 0.25 * n * step**2 if np.ptp(fitted) < step else n * (_EXACT * np.ptp(fitted)) ** 2
        if seen > max(float(np.quantile(blocks, _SUSPICIOUS)), alike) > 0:
            enlarged = math.sqrt(seen / max(float(blocks.mean()), alike / 3))
    else:  # too few for rounding to be told from scatter
        usual = float(residual @ residual) / max(n - p, 1) * np.diag(inverse @ inverse.T)
        sd = np.maximum(sd, np.sqrt(usual))
    freedom = float(max((n if enlarged == 1 else _BLOCKS) - p, 1))
    return Spread(draws * enlarged, sd * enlarged, enlarged, freedom)


def errors(truth: Floats, balance: Balance, rng: np.random.Generator, draws: int) -> Floats:
    """Errors (draws, n) of readings of masses (n,) known up to where they lie within a step."""
    true = truth + balance.step * (rng.random((draws, 1)) - 0.5)
    shown = true + balance.noise * rng.standard_normal((draws, len(truth)))
    if balance.step > 0:
        shown = balance.step * np.round(shown / balance.step)
    return np.asarray(shown - true, np.float64)


def _together(residual: Floats) -> Floats:
    """Weighted squares of the means of ten blocks of (draws, n): large where neighbours stray
    alike."""
    n = residual.shape[1]
    if n < _FEW:
        return np.zeros(len(residual))
    edges = np.linspace(0, n, _BLOCKS + 1).astype(int)
    sums = np.add.reduceat(residual, edges[:-1], axis=1)
    return np.asarray((sums**2 / np.diff(edges)).sum(axis=1), np.float64)
