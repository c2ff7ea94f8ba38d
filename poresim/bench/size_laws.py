"""Size laws told by number, by volume or by any power of the size in between.

A law by number with density f(d) is, by the power q (3: volume of grains, 2: volume of tubes of one
length), the law with density proportional to d^q f(d). A lognormal law stays one, with the median
times exp(q s^2) (Hatch & Choate 1929, J. Franklin Inst. 207:369, from memory). A Weibull law
becomes a generalised gamma law: with x = (d/scale)^shape, the share below d is the regularised
incomplete gamma function P(1 + q/shape, x). By volume, Weibull's law is Rosin & Rammler's.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.solid.sizes import Lognormal, Weibull

Floats = NDArray[np.float64]
Law = Lognormal | Weibull

VOLUME = 3.0  # of a grain goes as its diameter to this power
TUBE_VOLUME = 2.0  # of tubes of one length, with their radius


def make_law(kind: str, theta: ArrayLike) -> Law:
    """The law "lognormal" or "weibull" with ln(median or scale) and ln(log_sd or shape)."""
    place, spread = (math.exp(v) for v in np.asarray(theta, np.float64))
    return Lognormal(place, spread) if kind == "lognormal" else Weibull(place, spread)


def theta_of(law: Law) -> Floats:
    """(2,) what :func:`make_law` takes."""
    pair = (law.median, law.log_sd) if isinstance(law, Lognormal) else (law.scale, law.shape)
    return np.log(np.array(pair))


def share_below(law: Law, size: ArrayLike, power: float = 0.0) -> Floats:
    """Share of size^power below each size (m, any shape, 0 and inf as well)."""
    from scipy import special

    d = np.asarray(size, np.float64)
    if isinstance(law, Lognormal):
        with np.errstate(divide="ignore"):
            z = (np.log(d / law.median) - power * law.log_sd**2) / law.log_sd
        return np.asarray(special.ndtr(z))
    x = (d / law.scale) ** law.shape
    return np.asarray(special.gammainc(_order(law, power), x))


def share_between(law: Law, lower: ArrayLike, upper: ArrayLike, power: float = 0.0) -> Floats:
    """Share of size^power in each class, without loss of figures in either tail."""
    from scipy import special

    a, b = np.asarray(lower, np.float64), np.asarray(upper, np.float64)
    below = share_below(law, b, power) - share_below(law, a, power)
    if isinstance(law, Lognormal):
        mirrored = [np.where(d > 0, d, 0.0) for d in (a, b)]
        with np.errstate(divide="ignore"):
            z = [(np.log(d / law.median) - power * law.log_sd**2) / law.log_sd for d in mirrored]
        above = special.ndtr(-z[0]) - special.ndtr(-z[1])
    else:
        order = _order(law, power)
        x = [(d / law.scale) ** law.shape for d in (a, b)]
        above = special.gammaincc(order, x[0]) - special.gammaincc(order, x[1])
    return np.where(share_below(law, a, power) > 0.5, above, below)


def quantile(law: Law, share: ArrayLike, power: float = 0.0) -> Floats:
    """Sizes (m) below which the given shares (0 to 1) of size^power lie."""
    from scipy import special

    p = np.asarray(share, np.float64)
    if isinstance(law, Lognormal):
        return law.median * np.exp(law.log_sd * special.ndtri(p) + power * law.log_sd**2)
    return law.scale * special.gammaincinv(_order(law, power), p) ** (1 / law.shape)


def moment_mean(law: Law, upper: float, lower: float, power: float = 0.0) -> float:
    """Mean size D[upper, lower] of the law weighted by size^power, m.

    D[p, q] = (M_p / M_q)^(1 / (p - q)), M_p the mean of size^p by number (ISO 9276-2, from memory);
    here the law's own basis counts as number. nan where a moment does not exist.
    """

    def log_moment(order: float) -> float:
        if isinstance(law, Lognormal):
            return order * math.log(law.median) + 0.5 * order**2 * law.log_sd**2
        if 1 + order / law.shape <= 0:
            return math.nan
        return order * math.log(law.scale) + math.lgamma(1 + order / law.shape)

    u, lo = upper + power, lower + power
    return math.exp((log_moment(u) - log_moment(lo)) / (upper - lower))


def _order(law: Weibull, power: float) -> float:
    order = 1.0 + power / law.shape
    return order if order > 0 else math.nan
