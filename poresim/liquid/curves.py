"""Flow curves without a closed tube flow: Cross, Carreau, and a measured one. SI units.

Each says the shear stress at a shear rate. The flow in a tube is its integral (Weissenberg-
Rabinowitsch-Mooney), tabulated once a liquid: :mod:`poresim.tube.curve_tables`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.liquid.laws import LEAST_INDEX, ViscosityLaw, check, rates

Floats = NDArray[np.float64]

#: Shear rates, 1/s, outside of which every curve goes on as a power law.
SLOWEST, FASTEST = 1e-12, 1e15
_BENT = 3e-8  # a local index this close to its limit has reached it
_SAME = 1e-12  # viscosities that differ by this share are the same
_LOOK = 2001  # rates at which a curve is looked at to find where it bends
_FLATTEST, _SHARPEST = 0.1, 3.0  # local indices of measured curves that tables can follow
_STEEPEST = 1.5  # slopes at measured points over those of the lines beside them
_TAIL = 3  # of a measured curve, whose straight line goes on beyond it


class PointsFault(ValueError):
    """Two points of a measured curve do not go together; ``points`` are their places as given."""

    def __init__(self, points: tuple[int, int], message: str) -> None:
        self.points = points
        super().__init__(message)

    def __reduce__(self) -> tuple[type[PointsFault], tuple[tuple[int, int], str]]:
        return type(self), (self.points, str(self))


class FlowCurve(ViscosityLaw):
    """A flow curve: ln(stress) over ln(rate), smooth but for ``bends``."""

    def log_stress(self, log_rate: Floats) -> tuple[Floats, Floats]:
        """(ln of the stress in Pa, its slope: the local flow index) at ln of rates in 1/s."""
        raise NotImplementedError

    def bends(self) -> Floats:
        """ln of rates, rising: before the first and beyond the last it is a power law.

        Between neighbours it is smooth.
        """
        raise NotImplementedError

    @property
    def newtonian(self) -> float | None:
        """The one viscosity, Pa s, if the curve is as good as a straight line."""
        return None

    def shear_stress(self, shear_rate: ArrayLike) -> Floats:
        """See ViscosityLaw."""
        return np.exp(self.log_stress(np.log(rates(shear_rate)))[0])

    @property
    def thinnest_index(self) -> float:
        """See ViscosityLaw."""
        return float(self._indices().min())

    def _indices(self) -> Floats:
        ends = self.bends()
        return self.log_stress(np.linspace(ends[0], ends[-1], _LOOK))[1]


class _Plateaus(FlowCurve):
    """Viscosity falls from one plateau to the other as the rate grows."""

    zero_viscosity: float
    infinite_viscosity: float
    time: float

    def _check_plateaus(self) -> None:
        check("zero_viscosity (Pa s)", self.zero_viscosity, above=0)
        check("infinite_viscosity (Pa s)", self.infinite_viscosity, least=0)
        check("time (s)", self.time, above=0)
        if self.infinite_viscosity > self.zero_viscosity:
            raise ValueError(
                f"infinite_viscosity (Pa s) must be at most zero_viscosity ({self.zero_viscosity:g}"
                f"), got {self.infinite_viscosity:g}"
            )

    @property
    def newtonian(self) -> float | None:
        """See FlowCurve: here if the two plateaus are as good as the same."""
        low, high = self.infinite_viscosity, self.zero_viscosity
        return high if high - low <= _SAME * high else None

    def _check_rise(self) -> None:
        index = self._indices()
        if index.min() < LEAST_INDEX:
            ends = self.bends()
            rate = math.exp(np.linspace(ends[0], ends[-1], len(index))[int(np.argmin(index))])
            raise ValueError(
                f"its stress hardly rises, or falls, with the rate (local index {index.min():.2g} "
                f"at {rate:.2g} 1/s, at least {LEAST_INDEX:g} is needed); raise infinite_viscosity "
                "or thin it less"
            )

    def bends(self) -> Floats:
        """See FlowCurve."""
        look = np.linspace(math.log(SLOWEST), math.log(FASTEST), _LOOK)
        index = self.log_stress(look)[1]
        bent = np.flatnonzero(
            (np.abs(index - index[0]) > _BENT) & (np.abs(index - index[-1]) > _BENT)
            if index[0] != index[-1]
            else np.abs(index - index[0]) > _BENT
        )
        if len(bent) == 0:
            return np.array([-1.0, 1.0])
        return np.array([look[max(bent[0] - 1, 0)], look[min(bent[-1] + 1, _LOOK - 1)]])


@dataclass(frozen=True)
class Cross(_Plateaus):
    """viscosity = infinite + (zero - infinite) / (1 + (time * rate)^exponent) (Cross 1965).

    Viscosities in Pa s, time in s.
    """

    zero_viscosity: float
    infinite_viscosity: float
    time: float
    exponent: float

    def __post_init__(self) -> None:
        self._check_plateaus()
        check("exponent", self.exponent, above=0)
        self._check_rise()

    def log_stress(self, log_rate: Floats) -> tuple[Floats, Floats]:
        """See FlowCurve."""
        m = self.exponent
        with np.errstate(over="ignore"):
            u = np.exp(m * (log_rate + math.log(self.time)))
        range_ = self.zero_viscosity - self.infinite_viscosity
        viscosity = self.infinite_viscosity + range_ / (1 + u)
        index = 1 - m * range_ / (1 + u) * (u / (1 + u)) / viscosity
        return np.log(viscosity) + log_rate, index


@dataclass(frozen=True)
class Carreau(_Plateaus):
    """viscosity = infinite + (zero - infinite) (1 + (time * rate)^2)^((index-1)/2) (Carreau 1972).

    Viscosities in Pa s, time in s.
    """

    zero_viscosity: float
    infinite_viscosity: float
    time: float
    index: float

    def __post_init__(self) -> None:
        self._check_plateaus()
        check("index", self.index, above=0)
        if not LEAST_INDEX <= self.index <= 1:
            raise ValueError(f"index must lie in {LEAST_INDEX:g} to 1, got {self.index:g}")
        self._check_rise()

    def log_stress(self, log_rate: Floats) -> tuple[Floats, Floats]:
        """See FlowCurve."""
        w = np.exp(2 * (log_rate + math.log(self.time)))
        falling = (self.zero_viscosity - self.infinite_viscosity) * (1 + w) ** (
            (self.index - 1) / 2
        )
        viscosity = self.infinite_viscosity + falling
        index = 1 + (self.index - 1) * falling * (w / (1 + w)) / viscosity
        return np.log(viscosity) + log_rate, index


@dataclass(frozen=True, init=False, eq=False)
class MeasuredFlow(FlowCurve):
    """A measured flow curve.

    shear_rate : (k,) 1/s, above 0, in any order; k >= 3.
    viscosity : (k,) apparent viscosity (stress over rate) at each, Pa s.

    Between the points ln(stress) follows ln(rate) by a monotone cubic (Fritsch & Carlson 1980): it
    passes through every point and rises everywhere. Beyond them it goes on as a power law, about
    the one that fits the last three points of that end best. Records say how much of the flow that
    was.

    ValueError (PointsFault) where the stress does not rise from each rate to the next.
    """

    shear_rate: Floats
    viscosity: Floats
    _cubic: object = field(repr=False)
    _tails: tuple[float, float] = field(repr=False)

    def __init__(self, shear_rate: ArrayLike, viscosity: ArrayLike) -> None:
        rate = np.atleast_1d(np.array(shear_rate, dtype=np.float64))
        eta = np.atleast_1d(np.array(viscosity, dtype=np.float64))
        if rate.ndim != 1 or rate.shape != eta.shape:
            raise ValueError(
                "shear_rate and viscosity must hold one number a point, got shapes "
                f"{rate.shape} and {eta.shape}"
            )
        if len(rate) < _TAIL:
            raise ValueError(f"a flow curve needs {_TAIL} points or more, got {len(rate)}")
        for name, values in (("shear_rate (1/s)", rate), ("viscosity (Pa s)", eta)):
            if not np.all(np.isfinite(values) & (values > 0)):
                raise ValueError(f"{name} must be finite and above 0 at every point")
        if rate.min() < SLOWEST or rate.max() > FASTEST:
            raise ValueError(f"shear_rate (1/s) must lie in {SLOWEST:g} to {FASTEST:g}")
        order = np.argsort(rate, kind="stable")
        rate, eta = rate[order], eta[order]
        _refuse_falling(rate, rate * eta, order)
        from scipy.interpolate import CubicHermiteSpline

        x, y = np.log(rate), np.log(rate * eta)
        put = object.__setattr__
        for name, values in (("shear_rate", rate), ("viscosity", eta)):
            values.setflags(write=False)
            put(self, name, values)
        slopes = _slopes(x, y)
        put(self, "_cubic", CubicHermiteSpline(x, y, slopes))
        put(self, "_tails", (float(slopes[0]), float(slopes[-1])))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, MeasuredFlow)
            and np.array_equal(self.shear_rate, other.shear_rate)
            and np.array_equal(self.viscosity, other.viscosity)
        )

    def __hash__(self) -> int:
        return hash((self.shear_rate.tobytes(), self.viscosity.tobytes()))

    @property
    def tails(self) -> tuple[float, float]:
        """Flow indices of the power laws below the lowest and above the highest rate."""
        return self._tails

    def log_stress(self, log_rate: Floats) -> tuple[Floats, Floats]:
        """See FlowCurve."""
        x = np.asarray(log_rate, dtype=np.float64)
        first, last = self.bends()[[0, -1]]
        inside = np.clip(x, first, last)
        value = np.asarray(self._cubic(inside))  # type: ignore[operator]
        slope = np.asarray(self._cubic(inside, 1))  # type: ignore[operator]
        low, high = self._tails
        beyond = np.where(x < first, low * (x - first), np.where(x > last, high * (x - last), 0.0))
        slope = np.where(x < first, low, np.where(x > last, high, slope))
        return value + beyond, slope

    def bends(self) -> Floats:
        """See FlowCurve."""
        return np.log(self.shear_rate)


def _refuse_falling(rate: Floats, stress: Floats, order: NDArray[np.int64]) -> None:
    """PointsFault unless the stress rises; ``order``: places of the points as given."""

    def refuse(k: int, message: str) -> None:
        raise PointsFault((int(order[k]), int(order[k + 1])), message)

    same = np.flatnonzero(np.diff(rate) <= 0)
    if len(same):
        rate_ = f"{rate[same[0]]:g} 1/s"
        refuse(int(same[0]), f"two points have the same shear rate ({rate_}); average them")
    index = np.diff(np.log(stress)) / np.diff(np.log(rate))
    flat = np.flatnonzero(index < _FLATTEST)
    if len(flat):
        k = int(flat[0])
        refuse(
            k,
            f"the stress hardly rises, or falls, from {stress[k]:.4g} Pa at {rate[k]:.4g} 1/s to "
            f"{stress[k + 1]:.4g} Pa at {rate[k + 1]:.4g} 1/s; a flow curve rises (index at least "
            f"{_FLATTEST:g}): smooth the data, or leave the range out",
        )
    steep = np.flatnonzero(index > _SHARPEST)
    if len(steep):
        k = int(steep[0])
        refuse(
            k,
            f"the stress rises too steeply between {rate[k]:.4g} and {rate[k + 1]:.4g} 1/s "
            f"(local index {index[k]:.3g}, at most {_SHARPEST:g})",
        )


def _slopes(x: Floats, y: Floats) -> Floats:
    """Slopes of the cubic at the points: the harmonic mean of the neighbouring lines' slopes.

    None is above 1.5 times either of these: then the local index stays above a quarter of theirs
    (up to 3 times the cubic would rise, but could be flat inside). At the ends that of the line
    that fits the last three points best, within 1.5 times the last one's, up or down.
    """
    rise = np.diff(y) / np.diff(x)
    inner = 2 * rise[1:] * rise[:-1] / (rise[1:] + rise[:-1])
    inner = np.minimum(inner, _STEEPEST * np.minimum(rise[1:], rise[:-1]))
    first, last = _line(x[:_TAIL], y[:_TAIL]), _line(x[-_TAIL:], y[-_TAIL:])
    first = min(max(first, rise[0] / _STEEPEST), _STEEPEST * rise[0])
    last = min(max(last, rise[-1] / _STEEPEST), _STEEPEST * rise[-1])
    return np.array([first, *inner, last])


def _line(x: Floats, y: Floats) -> float:
    """Slope of the straight line through points."""
    away = x - x.mean()
    return float(np.sum(away * y) / np.sum(away**2))
