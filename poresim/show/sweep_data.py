"""What a sweep found, as plain arrays: what its figures draw and its tables write."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.inference.sensitivity import VarianceShares
from poresim.show.style import colour, dashes
from poresim.show.tables import column
from poresim.solid.sizes import SizeLaw

Floats = NDArray[np.float64]

_DECADES = 30.0  # of greatest over least: results that differ more stand on a logarithmic axis


@dataclass(frozen=True)
class Quantity:
    """Something that was varied."""

    name: str  #: as it is read: "median radius"
    unit: str  #: "" for a plain number
    values: Floats  #: (points,) in that unit
    log: bool = False  #: whether its values are spaced by ratios
    own: float | None = None  #: the scenario's own value
    key: str = ""  #: column in tables; made of name and unit if empty

    @property
    def titled(self) -> str:
        """With its unit, as an axis is named."""
        return titled(self.name, self.unit)

    @property
    def column(self) -> str:
        """Name in a table."""
        return self.key or column(self.name, self.unit)

    def told(self, value: float) -> str:
        """One of its values, as it is read."""
        return with_unit(value, self.unit)


@dataclass(frozen=True)
class Runs:
    """What one liquid gave."""

    name: str
    values: Floats  #: (points, repeats) the result; nan where a run never gets to it
    shares: VarianceShares | None = None  #: of its variance, by quantity

    @property
    def median(self) -> Floats:
        """(points,) over the solids that have the result; nan where fewer than half do."""
        enough = 2 * self.reached >= self.values.shape[1]
        return np.where(enough, _quietly(np.nanmedian, self.values), np.nan)

    @property
    def low(self) -> Floats:
        """(points,) the least of the solids."""
        return _quietly(np.nanmin, self.values)

    @property
    def high(self) -> Floats:
        """(points,) the greatest of the solids."""
        return _quietly(np.nanmax, self.values)

    @property
    def reached(self) -> NDArray[np.int_]:
        """(points,) how many solids have the result."""
        return np.asarray(np.isfinite(self.values).sum(axis=1))


@dataclass(frozen=True)
class RadiusLaw:
    """How wide tubes are at one value of what is varied."""

    value: float
    radius_um: Floats  #: (k,)
    density: Floats  #: (k,) share of the tubes per step of the radius' natural logarithm


@dataclass(frozen=True)
class Sweep:
    """One result of runs at some points, for one or several liquids.

    Errors: ValueError where the arrays do not belong together.
    """

    result: str  #: "uptake at 10 s"
    unit: str  #: of the result; "" for a plain number
    quantities: tuple[Quantity, ...]
    liquids: tuple[Runs, ...]
    accuracy: float  #: of the uptake curves, relative
    scenario: str  #: its title
    laws: tuple[
        RadiusLaw, ...
    ] = ()  #: for the least, a middle and the greatest value, if radii vary
    invented: bool = False  #: whether the scenario calls its values so

    def __post_init__(self) -> None:
        if not self.quantities or not self.liquids:
            raise ValueError("a sweep needs a quantity and a liquid")
        points = len(self.quantities[0].values)
        for one in self.quantities:
            if one.values.shape != (points,):
                raise ValueError(f"{one.name}: {one.values.shape} values for {points} points")
            if one.log and not (one.values > 0).all():
                raise ValueError(f"{one.name}: spaced by ratios, its values must be above 0")
        for liquid in self.liquids:
            if liquid.values.ndim != 2 or len(liquid.values) != points or not liquid.values.size:
                raise ValueError(f"{liquid.name}: {liquid.values.shape} results, {points} points")
            found = liquid.shares
            if found is not None and len(found.first) != len(self.quantities):
                raise ValueError(f"{liquid.name}: {len(found.first)} shares of other quantities")

    @property
    def titled(self) -> str:
        """The result with its unit, as an axis is named."""
        return titled(self.result, self.unit)

    @property
    def column(self) -> str:
        """The result's name in a table."""
        return column(self.result, self.unit)

    @property
    def solids(self) -> int:
        """At each point."""
        return max(liquid.values.shape[1] for liquid in self.liquids)

    @property
    def known(self) -> Floats:
        """(any,) all results there are."""
        every = np.concatenate([liquid.values.ravel() for liquid in self.liquids])
        return every[np.isfinite(every)]

    @property
    def log(self) -> bool:
        """Whether results are so different that they need a logarithmic axis."""
        known = self.known
        return bool(len(known) and known.min() > 0 and known.max() > _DECADES * known.min())

    def told(self, value: float) -> str:
        """A value of the result, as it is read."""
        return with_unit(value, self.unit)


@dataclass(frozen=True)
class Look:
    """A liquid's name, colour and line."""

    name: str
    colour: str
    dashes: object


def looks(sweep: Sweep) -> list[Look]:
    """How each liquid is drawn."""
    return [Look(one.name, colour(i), dashes(i)) for i, one in enumerate(sweep.liquids)]


def radius_laws(values: Sequence[float], laws: Sequence[SizeLaw]) -> tuple[RadiusLaw, ...]:
    """Densities of such laws of tube radii, one for each value of what is varied."""
    ends = np.array([law.quantile(np.array([0.001, 0.999])) for law in laws])
    radius = np.geomspace(0.9 * ends.min(), 1.1 * ends.max(), 301)
    step = np.sqrt(radius[1] / radius[0])
    densities = [
        (law.share_above(radius / step) - law.share_above(radius * step)) / (2 * np.log(step))
        for law in laws
    ]
    pairs = zip(values, densities, strict=True)
    return tuple(RadiusLaw(float(value), 1e6 * radius, density) for value, density in pairs)


def titled(name: str, unit: str) -> str:
    """``Uptake at 10 s (mg)``."""
    large = name[:1].upper() + name[1:]
    return f"{large} ({unit})" if unit else large


def with_unit(value: float, unit: str) -> str:
    """``15 µm``, to three figures."""
    number = f"{value:.3g}"
    if "e" in number and 1e-4 < abs(value) < 1e7:
        number = f"{float(number):g}" if abs(value) < 1 else f"{float(number):.0f}"
    return f"{number}\u00a0{unit}" if unit not in ("", "°") else number + unit


def _quietly(of: object, values: Floats) -> Floats:
    """Over the solids; nan where none has the result, which numpy would warn of."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(of(np.where(np.isfinite(values), values, np.nan), axis=1))  # type: ignore[operator]


__all__ = [
    "Look", "Quantity", "RadiusLaw", "Runs", "Sweep", "looks", "radius_laws", "titled",
    "with_unit",
]  # fmt: skip
