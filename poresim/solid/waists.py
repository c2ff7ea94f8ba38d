"""Laws of the waist: the narrowest radius of a tube over its radius, in (0, 1].

Waists are drawn apart from the radii: how wide a tube is says nothing of its waist.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Waists of a law end here when it does not say where: the narrowest that a scenario may ask for.
LEAST = 0.01
_LEAST_SHARE, _MOST_SHARE = 2.0**-54, 1.0 - 2.0**-53


class WaistLaw:
    """A law of the waist."""

    def quantile(self, share: ArrayLike) -> Floats:
        """Waists below which the given shares (in (0, 1), any shape) of the tubes lie."""
        raise NotImplementedError

    def moment(self, power: int) -> float:
        """Mean of waist^power, for power 1 and 2."""
        raise NotImplementedError

    def draw(self, rng: np.random.Generator, number: int) -> Floats:
        """(number,) independent waists."""
        return self.quantile(np.clip(rng.random(number), _LEAST_SHARE, _MOST_SHARE))


@dataclass(frozen=True)
class UniformWaist(WaistLaw):
    """Every waist from least to greatest is equally likely."""

    least: float
    greatest: float

    def __post_init__(self) -> None:
        _need_range(self.least, self.greatest)

    def quantile(self, share: ArrayLike) -> Floats:
        """See WaistLaw."""
        return self.least + (self.greatest - self.least) * np.asarray(share, dtype=np.float64)

    def moment(self, power: int) -> float:
        """See WaistLaw."""
        a, b = self.least, self.greatest
        return 0.5 * (a + b) if power == 1 else (a * a + a * b + b * b) / 3


@dataclass(frozen=True)
class BetaWaist(WaistLaw):
    """Density proportional to t^(a - 1) (1 - t)^(b - 1).

    t : 0 where the waist is least, 1 where it is greatest.
    """

    a: float
    b: float
    least: float = LEAST
    greatest: float = 1.0

    def __post_init__(self) -> None:
        _need_range(self.least, self.greatest)
        for name, value in (("a", self.a), ("b", self.b)):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be finite and above 0, got {value:g}")

    def quantile(self, share: ArrayLike) -> Floats:
        """See WaistLaw."""
        from scipy import special

        t = special.betaincinv(self.a, self.b, share)
        return self.least + (self.greatest - self.least) * t

    def moment(self, power: int) -> float:
        """See WaistLaw."""
        total, width = self.a + self.b, self.greatest - self.least
        first = self.a / total
        if power == 1:
            return self.least + width * first
        second = first * (self.a + 1) / (total + 1)
        return self.least**2 + 2 * self.least * width * first + width**2 * second


@dataclass(frozen=True)
class LognormalWaist(WaistLaw):
    """The part of a lognormal law between least and greatest.

    median, log_sd : of the law before it is cut.
    """

    median: float
    log_sd: float
    least: float = LEAST
    greatest: float = 1.0

    def __post_init__(self) -> None:
        _need_range(self.least, self.greatest)
        for name, value in (("median", self.median), ("log_sd", self.log_sd)):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be finite and above 0, got {value:g}")
        if self._between(0) < 1e-6:
            raise ValueError(
                f"of a law with the median {self.median:g} next to nothing lies between "
                f"{self.least:g} and {self.greatest:g}"
            )

    def quantile(self, share: ArrayLike) -> Floats:
        """See WaistLaw."""
        from scipy import special

        low, high = self._below(self.least, 0), self._below(self.greatest, 0)
        score = special.ndtri(low + (high - low) * np.asarray(share, dtype=np.float64))
        return np.clip(self.median * np.exp(self.log_sd * score), self.least, self.greatest)

    def moment(self, power: int) -> float:
        """See WaistLaw."""
        whole = self.median**power * math.exp(0.5 * (power * self.log_sd) ** 2)
        return whole * self._between(power) / self._between(0)

    def _between(self, power: int) -> float:
        return self._below(self.greatest, power) - self._below(self.least, power)

    def _below(self, waist: float, power: int) -> float:
        """Share of the law's moment of that power below a waist, uncut."""
        score = math.log(waist / self.median) / self.log_sd - power * self.log_sd
        return 0.5 * math.erfc(-score / math.sqrt(2))


def mean_waist(waist: float | WaistLaw) -> float:
    """The mean of a waist that all tubes share, or of a law."""
    return waist.moment(1) if isinstance(waist, WaistLaw) else waist


def mean_tube_shape(waist: float | WaistLaw) -> float:
    """Mean volume of waisted tubes over that of straight ones: two frusta."""
    if isinstance(waist, WaistLaw):
        return (1 + waist.moment(1) + waist.moment(2)) / 3
    return (1 + waist + waist * waist) / 3


def _need_range(least: float, greatest: float) -> None:
    if not (0 < least <= greatest <= 1):  # not a number fails, too
        raise ValueError(
            f"least and greatest must lie above 0 and up to 1, in this order, got {least:g} "
            f"and {greatest:g}"
        )
