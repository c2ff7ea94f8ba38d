"""Laws of a positive size: tube radii by number, grain diameters by volume. SI units.

Each law answers three questions: which size stands at a given share of the population
(``quantile``), which share lies above a size (``share_above``), and the mean of the squared
size (``mean_square``, which sets the porosity). Sizes are drawn by ``draw`` from plain uniform
numbers, so that a seed gives the same solid whatever the version of numpy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_LEAST_SHARE = 2.0**-54  # keeps a uniform draw off 0 and 1, where a quantile may be 0 or inf
_MOST_SHARE = 1.0 - 2.0**-53

_each_erfc = np.vectorize(math.erfc, otypes=[np.float64])
_MANY = 10_000


def _erfc(value: Floats) -> Floats:
    """As scipy.special.erfc, which takes longer to import than a scenario takes to check."""
    if value.size < _MANY:
        return _each_erfc(value)
    from scipy import special

    return special.erfc(value)


class SizeLaw:
    """A law of a positive size, m."""

    def quantile(self, share: ArrayLike) -> Floats:
        """Sizes (m) below which the given shares (in (0, 1), any shape) of the population lie."""
        raise NotImplementedError

    def share_above(self, size: ArrayLike) -> Floats:
        """Share of the population above each size (m, at least 0, any shape)."""
        raise NotImplementedError

    @property
    def mean_square(self) -> float:
        """Mean of size squared, m2."""
        raise NotImplementedError

    def scaled(self, factor: float) -> SizeLaw:
        """The same law with every size multiplied by ``factor``."""
        raise NotImplementedError

    def draw(self, rng: np.random.Generator, number: int) -> Floats:
        """(number,) independent sizes, m."""
        return self.quantile(np.clip(rng.random(number), _LEAST_SHARE, _MOST_SHARE))


def _need(name: str, value: float, *, least: float = 0.0, open_end: bool = True) -> None:
    good = value > least if open_end else value >= least
    if not (math.isfinite(value) and good):
        how = "above" if open_end else "at least"
        raise ValueError(f"{name} must be finite and {how} {least:g}, got {value:g}")


@dataclass(frozen=True)
class Lognormal(SizeLaw):
    """ln(size) is normal: median in m, standard deviation of ln(size)."""

    median: float
    log_sd: float

    def __post_init__(self) -> None:
        _need("median", self.median)
        _need("log_sd", self.log_sd, open_end=False)

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw."""
        from scipy import special

        return self.median * np.exp(self.log_sd * special.ndtri(share))

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        size = np.asarray(size, dtype=np.float64)
        if self.log_sd == 0:
            return (size < self.median).astype(np.float64)
        with np.errstate(divide="ignore"):
            return 0.5 * _erfc(np.log(size / self.median) / (math.sqrt(2) * self.log_sd))

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        return self.median**2 * math.exp(2 * self.log_sd**2)

    def scaled(self, factor: float) -> Lognormal:
        """See SizeLaw."""
        return replace(self, median=self.median * factor)


@dataclass(frozen=True)
class Weibull(SizeLaw):
    """share above = exp(-(size / scale)^shape): scale in m."""

    scale: float
    shape: float

    def __post_init__(self) -> None:
        _need("scale", self.scale)
        _need("shape", self.shape)

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw."""
        return self.scale * (-np.log1p(-np.asarray(share, dtype=np.float64))) ** (1 / self.shape)

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        return np.exp(-((np.asarray(size, dtype=np.float64) / self.scale) ** self.shape))

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        return self.scale**2 * math.gamma(1 + 2 / self.shape)

    def scaled(self, factor: float) -> Weibull:
        """See SizeLaw."""
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Gamma(SizeLaw):
    """Density proportional to size^(shape - 1) exp(-size / scale): the mean is shape * scale."""

    shape: float
    scale: float

    def __post_init__(self) -> None:
        _need("shape", self.shape)
        _need("scale", self.scale)

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw."""
        from scipy import special

        return self.scale * special.gammaincinv(self.shape, share)

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        from scipy import special

        return special.gammaincc(self.shape, np.asarray(size, dtype=np.float64) / self.scale)

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        return self.scale**2 * self.shape * (self.shape + 1)

    def scaled(self, factor: float) -> Gamma:
        """See SizeLaw."""
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Uniform(SizeLaw):
    """Every size from least to greatest (m) is equally likely."""

    least: float
    greatest: float

    def __post_init__(self) -> None:
        _need("least", self.least)
        _need("greatest", self.greatest)
        if self.greatest < self.least:
            raise ValueError(
                f"greatest must be at least least ({self.least:g}), got {self.greatest:g}"
            )

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw."""
        return self.least + (self.greatest - self.least) * np.asarray(share, dtype=np.float64)

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        size = np.asarray(size, dtype=np.float64)
        width = self.greatest - self.least
        if width == 0:
            return (size < self.least).astype(np.float64)
        return np.clip((self.greatest - size) / width, 0.0, 1.0)

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        a, b = self.least, self.greatest
        return (a * a + a * b + b * b) / 3

    def scaled(self, factor: float) -> Uniform:
        """See SizeLaw."""
        return Uniform(self.least * factor, self.greatest * factor)


@dataclass(frozen=True, eq=False)
class Table(SizeLaw):
    """The listed sizes (m), each drawn with its weight (equal when None); nothing between them."""

    values: Floats
    weights: Floats | None = None
    _rising: Floats = field(init=False, repr=False)
    _share: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        values = np.atleast_1d(np.array(self.values, dtype=np.float64))
        given = np.ones_like(values) if self.weights is None else self.weights
        weights = np.atleast_1d(np.array(given, dtype=np.float64))
        if values.ndim != 1 or len(values) == 0 or weights.shape != values.shape:
            raise ValueError(
                f"a table needs one weight a size, got {values.shape} sizes and "
                f"{weights.shape} weights"
            )
        if not np.all(np.isfinite(values)) or np.any(values <= 0):
            raise ValueError("every size of a table must be finite and above 0")
        if not np.all(np.isfinite(weights)) or np.any(weights < 0) or not weights.sum() > 0:
            raise ValueError("the weights of a table must be finite, none below 0, not all 0")
        order = np.argsort(values, kind="stable")
        put = object.__setattr__
        put(self, "values", values)
        put(self, "weights", weights)
        put(self, "_rising", values[order])
        put(self, "_share", weights[order] / weights.sum())

    @property
    def classes(self) -> tuple[Floats, Floats]:
        """Sizes in rising order (m) and the share of each."""
        return self._rising, self._share

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw."""
        found = np.searchsorted(np.cumsum(self._share), np.asarray(share), side="right")
        return self._rising[np.minimum(found, len(self._rising) - 1)]

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        above = np.append(np.cumsum(self._share[::-1])[::-1], 0.0)
        return above[np.searchsorted(self._rising, np.asarray(size), side="right")]

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        return float(np.sum(self._share * self._rising**2))

    def scaled(self, factor: float) -> Table:
        """See SizeLaw."""
        return Table(self.values * factor, self.weights)


@dataclass(frozen=True, eq=False)
class Intrusion(SizeLaw):
    """Sizes by number from a cumulative curve of intruded volume (mercury porosimetry).

    size : (k,) rising, m, k >= 2. volume : (k,) in any unit, what was intruded down to each
    size, so it does not rise; what it begins with, at the widest size, is left out.

    Between two sizes the volume is even in ln(size). In a lattice all tubes are as long, so the
    number of tubes of a size is the volume over its square: within a class, size^-2 is even.
    """

    size: Floats
    volume: Floats
    _inverse: Floats = field(init=False, repr=False)  # (k,) size^-2, falling
    _share: Floats = field(init=False, repr=False)  # (k - 1,) of the tubes in each class
    _square: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        size = np.array(self.size, dtype=np.float64)
        volume = np.array(self.volume, dtype=np.float64)
        if size.ndim != 1 or len(size) < 2 or volume.shape != size.shape:
            raise ValueError(
                f"an intrusion curve needs two sizes or more and one volume for each, got "
                f"{size.shape} sizes and {volume.shape} volumes"
            )
        if not np.all(np.isfinite(size)) or size[0] <= 0 or np.any(np.diff(size) <= 0):
            raise ValueError("the sizes of an intrusion curve must be above 0 and rise")
        if not np.all(np.isfinite(volume)) or np.any(np.diff(volume) > 0):
            raise ValueError("intruded volumes must be finite and not rise with the size")
        taken = -np.diff(volume)
        if taken.sum() <= 0:
            raise ValueError("nothing is intruded between the sizes of an intrusion curve")
        inverse = size**-2.0
        number = -np.diff(inverse) / (2 * np.diff(np.log(size))) * taken
        put = object.__setattr__
        put(self, "size", size)
        put(self, "volume", volume)
        put(self, "_inverse", inverse)
        put(self, "_share", number / number.sum())
        put(self, "_square", float(taken.sum() / number.sum()))

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw."""
        below = np.append(0.0, np.cumsum(self._share))
        return np.interp(np.asarray(share), below, self._inverse) ** -0.5

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        above = np.append(np.cumsum(self._share[::-1])[::-1], 0.0)
        square = np.maximum(np.asarray(size, dtype=np.float64), self.size[0]) ** -2.0
        return np.interp(square, self._inverse[::-1], above[::-1])

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        return self._square

    def scaled(self, factor: float) -> Intrusion:
        """See SizeLaw."""
        return Intrusion(self.size * factor, self.volume)


def fixed(size: float) -> Table:
    """One size (m) for all."""
    return Table(np.array([size]))


@dataclass(frozen=True, eq=False)
class Mixture(SizeLaw):
    """Several laws side by side; ``shares`` (normalised) say how much of each."""

    shares: Sequence[float]
    laws: Sequence[SizeLaw]

    def __post_init__(self) -> None:
        shares = np.array(self.shares, dtype=np.float64)
        if len(self.laws) == 0 or shares.shape != (len(self.laws),):
            raise ValueError(
                f"a mixture needs one share a law, got {shares.shape} shares for "
                f"{len(self.laws)} laws"
            )
        if not np.all(np.isfinite(shares)) or np.any(shares <= 0):
            raise ValueError(f"the shares of a mixture must be above 0, got {list(self.shares)}")
        object.__setattr__(self, "shares", tuple(shares / shares.sum()))

    def draw(self, rng: np.random.Generator, number: int) -> Floats:
        """See SizeLaw: one uniform number chooses the part, what is left of it the size."""
        u = np.clip(rng.random(number), _LEAST_SHARE, _MOST_SHARE)
        upto = np.cumsum(self.shares)
        part = np.minimum(np.searchsorted(upto, u, side="right"), len(upto) - 1)
        inside = (u - (upto - self.shares)[part]) / np.asarray(self.shares)[part]
        inside = np.clip(inside, _LEAST_SHARE, _MOST_SHARE)
        sizes = np.empty(number)
        for k, law in enumerate(self.laws):
            mine = part == k
            sizes[mine] = law.quantile(inside[mine])
        return sizes

    def quantile(self, share: ArrayLike) -> Floats:
        """See SizeLaw; found by bisection on ln(size) to 1e-12."""
        share = np.asarray(share, dtype=np.float64)
        bounds = np.stack([law.quantile(share) for law in self.laws])
        low, high = np.log(bounds.min(axis=0)), np.log(bounds.max(axis=0))
        for _ in range(60):
            middle = 0.5 * (low + high)
            below = 1.0 - self.share_above(np.exp(middle)) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.exp(high)

    def share_above(self, size: ArrayLike) -> Floats:
        """See SizeLaw."""
        parts = [s * law.share_above(size) for s, law in zip(self.shares, self.laws, strict=True)]
        return np.sum(parts, axis=0)

    @property
    def mean_square(self) -> float:
        """See SizeLaw."""
        return sum(s * law.mean_square for s, law in zip(self.shares, self.laws, strict=True))

    def scaled(self, factor: float) -> Mixture:
        """See SizeLaw."""
        return Mixture(self.shares, [law.scaled(factor) for law in self.laws])
