"""Prior laws of one unknown: quantile, cumulative share and density, on plain arrays.

The quantile takes the unit cube to the unknown: x = F^-1(u), F the share below x; a sampler that
works in u has a prior that is 1 everywhere. Formulas: textbook.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_LEAST_SHARE = 1e-6  # of a law that its bounds must leave, else they contradict it
_ROOT_2PI = math.sqrt(2 * math.pi)


class Law(Protocol):
    """What is believed of one unknown before anything is measured."""

    @property
    def least(self) -> float: ...
    @property
    def greatest(self) -> float: ...

    def quantile(self, u: ArrayLike) -> Floats:
        """The values below which shares u (any shape, 0 to 1) of the law lie."""

    def cumulative(self, x: ArrayLike) -> Floats:
        """The share of the law below x: the inverse of the quantile."""

    def log_density(self, x: ArrayLike) -> Floats:
        """ln of the density at x, -inf outside the bounds."""

    def density(self, x: ArrayLike) -> Floats:
        """The density at x, in 1 / unit of x."""

    def label(self, unit: str = "") -> str:
        """The law in words, for a table or a figure."""


class _Density:
    """The density of a law that knows its logarithm."""

    def log_density(self, x: ArrayLike) -> Floats:
        raise NotImplementedError  # pragma: no cover

    def density(self, x: ArrayLike) -> Floats:
        """The density at x, in 1 / unit of x."""
        return np.exp(self.log_density(x))


@dataclass(frozen=True)
class Uniform(_Density):
    """Every value from ``least`` to ``greatest`` is as likely as any other."""

    least: float
    greatest: float

    def __post_init__(self) -> None:
        _check_range(self.least, self.greatest)

    def quantile(self, u: ArrayLike) -> Floats:
        """x = least + u (greatest - least)."""
        return self.least + np.asarray(u, np.float64) * (self.greatest - self.least)

    def cumulative(self, x: ArrayLike) -> Floats:
        """The share below x."""
        share = (np.asarray(x, np.float64) - self.least) / (self.greatest - self.least)
        return np.asarray(np.clip(share, 0.0, 1.0))

    def log_density(self, x: ArrayLike) -> Floats:
        """-ln(greatest - least) within, -inf outside."""
        level = -math.log(self.greatest - self.least)
        return np.where(_within(x, self.least, self.greatest), level, -math.inf)

    def label(self, unit: str = "") -> str:
        """In words."""
        return _named(f"{self.least:g} to {self.greatest:g}", unit)


@dataclass(frozen=True)
class LogUniform(_Density):
    """Every ratio is as likely as any other: ln x is uniform."""

    least: float
    greatest: float

    def __post_init__(self) -> None:
        _check_range(self.least, self.greatest)
        if self.least <= 0:
            raise ValueError(f"a law of ratios needs least above 0, got {self.least:g}")

    def quantile(self, u: ArrayLike) -> Floats:
        """x = least (greatest / least)^u."""
        span = math.log(self.greatest) - math.log(self.least)
        x = self.least * np.exp(np.asarray(u, np.float64) * span)
        return np.asarray(np.clip(x, self.least, self.greatest))

    def cumulative(self, x: ArrayLike) -> Floats:
        """The share below x."""
        kept = np.clip(np.asarray(x, np.float64), self.least, self.greatest)
        span = math.log(self.greatest) - math.log(self.least)
        return np.asarray(np.log(kept / self.least) / span)

    def log_density(self, x: ArrayLike) -> Floats:
        """-ln x - ln ln(greatest / least) within, -inf outside."""
        inside = _within(x, self.least, self.greatest)
        span = math.log(self.greatest) - math.log(self.least)
        kept = np.where(inside, np.asarray(x, np.float64), 1.0)
        return np.where(inside, -np.log(kept) - math.log(span), -math.inf)

    def label(self, unit: str = "") -> str:
        """In words."""
        return _named(f"{self.least:g} to {self.greatest:g}", unit) + ", even in the logarithm"


@dataclass(frozen=True)
class Normal(_Density):
    """A normal law of this mean and sd (before it is cut), cut at its bounds."""

    mean: float
    sd: float
    least: float = -math.inf
    greatest: float = math.inf

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean):
            raise ValueError(f"a normal law needs a finite mean, got {self.mean:g}")
        _check_spread("sd", self.sd)
        _check_cut(self._ends, self.least, self.greatest)

    @property
    def _ends(self) -> tuple[float, float]:
        return (self.least - self.mean) / self.sd, (self.greatest - self.mean) / self.sd

    def quantile(self, u: ArrayLike) -> Floats:
        """x = mean + sd Phi^-1(Phi(a) + u (Phi(b) - Phi(a))), a and b the bounds in sd."""
        x = self.mean + self.sd * _cut_quantile(u, *self._ends)
        return np.asarray(np.clip(x, self.least, self.greatest))

    def cumulative(self, x: ArrayLike) -> Floats:
        """The share below x."""
        return _cut_cumulative((np.asarray(x, np.float64) - self.mean) / self.sd, *self._ends)

    def log_density(self, x: ArrayLike) -> Floats:
        """-z^2/2 - ln(sd sqrt(2 pi)) - ln(share that the bounds leave) within, -inf outside."""
        z = (np.asarray(x, np.float64) - self.mean) / self.sd
        level = -(z**2) / 2 - math.log(self.sd * _ROOT_2PI * _share(*self._ends))
        return np.where(_within(x, self.least, self.greatest), level, -math.inf)

    def label(self, unit: str = "") -> str:
        """In words."""
        return _named(f"{self.mean:g} ± {self.sd:g}", unit) + _cut(self.least, self.greatest)


@dataclass(frozen=True)
class Lognormal(_Density):
    """ln x is normal, about ln ``median`` with sd ``log_sd`` (before it is cut at the bounds)."""

    median: float
    log_sd: float
    least: float = 0.0
    greatest: float = math.inf

    def __post_init__(self) -> None:
        if not 0 < self.median < math.inf:
            raise ValueError(f"a lognormal law needs a median above 0, got {self.median:g}")
        if self.least < 0:
            raise ValueError(f"a lognormal law needs least of 0 or more, got {self.least:g}")
        _check_spread("log_sd", self.log_sd)
        _check_cut(self._ends, self.least, self.greatest)

    @property
    def _ends(self) -> tuple[float, float]:
        def of(x: float) -> float:
            log = math.log(x) if x > 0 else -math.inf
            return (log - math.log(self.median)) / self.log_sd

        return of(self.least), of(self.greatest)

    def quantile(self, u: ArrayLike) -> Floats:
        """x = median exp(log_sd z), z the quantile of the cut normal."""
        x = self.median * np.exp(self.log_sd * _cut_quantile(u, *self._ends))
        return np.asarray(np.clip(x, self.least, self.greatest))

    def cumulative(self, x: ArrayLike) -> Floats:
        """The share below x."""
        return _cut_cumulative(self._score(x), *self._ends)

    def log_density(self, x: ArrayLike) -> Floats:
        """-z^2/2 - ln(x log_sd sqrt(2 pi)) - ln(share that the bounds leave), z = ln(x/median)/sd.

        -inf outside the bounds and at 0.
        """
        inside = _within(x, self.least, self.greatest) & (np.asarray(x) > 0)
        kept = np.where(inside, np.asarray(x, np.float64), self.median)
        level = math.log(self.log_sd * _ROOT_2PI * _share(*self._ends))
        return np.where(inside, -(self._score(kept) ** 2) / 2 - np.log(kept) - level, -math.inf)

    def label(self, unit: str = "") -> str:
        """In words."""
        ends = _cut(self.least if self.least > 0 else -math.inf, self.greatest)
        factor = f"{math.exp(self.log_sd):.3g}"
        return _named(f"{self.median:g}", unit) + f", within a factor {factor}" + ends

    def _score(self, x: ArrayLike) -> Floats:
        with np.errstate(divide="ignore"):
            log = np.log(np.maximum(np.asarray(x, np.float64), 0.0))
        return np.asarray((log - math.log(self.median)) / self.log_sd)


def _check_range(least: float, greatest: float) -> None:
    if not (math.isfinite(least) and math.isfinite(greatest) and least < greatest):
        raise ValueError(
            f"least must lie below greatest, both finite, got {least:g} and {greatest:g}"
        )


def _check_spread(name: str, value: float) -> None:
    if not 0 < value < math.inf:
        raise ValueError(f"{name} must be above 0 and finite, got {value:g}")


def _check_cut(ends: tuple[float, float], least: float, greatest: float) -> None:
    if not least < greatest:
        raise ValueError(f"least must lie below greatest, got {least:g} and {greatest:g}")
    if not _share(*ends) >= _LEAST_SHARE:
        raise ValueError(
            f"from {least:g} to {greatest:g} lies less than a millionth of this law: "
            "widen the bounds or move the law"
        )


def _within(x: ArrayLike, least: float, greatest: float) -> NDArray[np.bool_]:
    values = np.asarray(x, np.float64)
    return np.asarray((values >= least) & (values <= greatest))


def _named(figure: str, unit: str) -> str:
    return f"{figure} {unit}".rstrip()


def _cut(least: float, greatest: float) -> str:
    if math.isinf(least) and math.isinf(greatest):
        return ""
    if math.isinf(least):
        return f", at most {greatest:g}"
    return f", at least {least:g}" if math.isinf(greatest) else f", {least:g} to {greatest:g}"


def _share(a: float, b: float) -> float:
    """Of a standard normal from a to b; by its tail where that is the exact one."""
    from scipy.special import ndtr

    return float(ndtr(-a) - ndtr(-b)) if a > 0 else float(ndtr(b) - ndtr(a))


def _cut_quantile(u: ArrayLike, a: float, b: float) -> Floats:
    """The quantile of a standard normal that is cut at a and b."""
    from scipy.special import ndtr, ndtri

    shares = np.asarray(u, np.float64)
    if a > 0:  # counted from above, where shares are small and exact
        return np.asarray(-ndtri(ndtr(-a) - shares * _share(a, b)))
    return np.asarray(ndtri(ndtr(a) + shares * _share(a, b)))


def _cut_cumulative(z: Floats, a: float, b: float) -> Floats:
    from scipy.special import ndtr

    kept = np.clip(z, a, b)
    below = ndtr(-a) - ndtr(-kept) if a > 0 else ndtr(kept) - ndtr(a)
    return np.asarray(np.clip(below / _share(a, b), 0.0, 1.0))
