"""Flow curves without a closed tube flow: Cross, Carreau, and a measured one. SI units.

Each says the shear stress at a shear rate. The flow in a tube is its integral (Weissenberg-
Rabinowitsch-Mooney), tabulated once a liquid: :mod:`poresim.tube.curve_tables`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.brief import span
from poresim.liquid.laws import LEAST_INDEX, ViscosityLaw, check, rates

Floats = NDArray[np.float64]

#: Shear rates, 1/s, outside of which every curve goes on as a power law.
SLOWEST, FASTEST = 1e-12, 1e15
_BENT = 3e-8  # a local index this close to its limit has reached it
_SAME = 1e-12  # viscosities that differ by this share are the same
_LOOK = 2001  # rates at which a curve is looked at to find where it bends
_FLATTEST, _SHARPEST = 0.1, 3.0  # local indices of measured curves that tables can follow
_STEEPEST = 1.5  # slopes at measured points over those of the lines beside them
_TAIL = 3  # points of a measured curve, whose straight line goes on beyond it
_FADING = 3.0  # powers of the rate by which a measured curve may near a plateau
#: Shear rates, 1/s, up to which it is followed to its plateaus; tables of a wider span are coarser.
_SLOW, _FAST = 1e-7, 1e10


class PointsFault(ValueError):
    """Two points of a measured curve do not go together; ``points`` are their places as given."""

    def __init__(self, points: tuple[int, int], message: str) -> None:
        self.points = points
        super().__init__(message)

    def __reduce__(self) -> tuple[type[PointsFault], tuple[tuple[int, int], str]]:
        return type(self), (self.points, str(self))


class PlateauFault(ValueError):
    """A measured curve cannot go on to a plateau; ``name`` is the one that was given."""

    def __init__(self, name: str, wrong: str, right: str) -> None:
        self.name, self.wrong, self.right = name, wrong, right
        super().__init__(f"{name}: {wrong}; {right}")

    def __reduce__(self) -> tuple[type[PlateauFault], tuple[str, str, str]]:
        return type(self), (self.name, self.wrong, self.right)


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


@dataclass(frozen=True)
class _Plateaus(FlowCurve):
    """Viscosity falls from one plateau to the other as the rate grows."""

    zero_viscosity: float
    infinite_viscosity: float
    time: float

    def thickened(self, factor: float) -> _Plateaus:
        """See ViscosityLaw."""
        return replace(
            self,
            zero_viscosity=self.zero_viscosity * factor,
            infinite_viscosity=self.infinite_viscosity * factor,
            time=self.time * factor,
        )

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


@dataclass(frozen=True, init=False, eq=False, repr=False)
class MeasuredFlow(FlowCurve):
    """A measured flow curve.

    shear_rate : (k,) 1/s, above 0, in any order; k >= 3.
    viscosity : (k,) apparent viscosity (stress over rate) at each, Pa s.
    infinite_viscosity : towards which the curve goes above its range, Pa s: that of its solvent,
        say. 0: none.
    zero_viscosity : the same below its range. Infinite: none.

    Between the points ln(stress) follows ln(rate) by a monotone cubic (Fritsch & Carlson 1980): it
    passes through every point and rises everywhere. Beyond them it goes on with the slope that it
    has there. Above, viscosity - infinite_viscosity is a power of the rate (Sisko 1958), and below,
    zero_viscosity / viscosity - 1 is (Cross 1965): about the power that fits the last three points
    of that end best, up to the third. The stress rises there, too, and with the distance its local
    index, to 1. Beyond 1e-7 and 1e10 1/s, or at once without a plateau, it is a power law. All this
    is a guess: records say how much of the flow lay there.

    ValueError: PointsFault where the stress does not rise from each rate to the next; PlateauFault
    where the last three points do not come down, or up, to a plateau.
    """

    shear_rate: Floats
    viscosity: Floats
    infinite_viscosity: float
    zero_viscosity: float
    _cubic: object
    _tails: tuple[_Tail, _Tail]

    def __repr__(self) -> str:
        return (
            f"MeasuredFlow({len(self.shear_rate)} points, {span(self.viscosity)} Pa s at "
            f"{span(self.shear_rate)} 1/s)"
        )

    def __init__(
        self,
        shear_rate: ArrayLike,
        viscosity: ArrayLike,
        infinite_viscosity: float = 0.0,
        zero_viscosity: float = math.inf,
    ) -> None:
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
        check("infinite_viscosity (Pa s)", infinite_viscosity, least=0)
        if zero_viscosity != math.inf:
            check("zero_viscosity (Pa s)", zero_viscosity, above=0)
        order = np.argsort(rate, kind="stable")
        rate, eta = rate[order], eta[order]
        _refuse_falling(rate, rate * eta, order)
        from scipy.interpolate import CubicHermiteSpline

        x, y = np.log(rate), np.log(rate * eta)
        put = object.__setattr__
        for name, values in (("shear_rate", rate), ("viscosity", eta)):
            values.setflags(write=False)
            put(self, name, values)
        put(self, "infinite_viscosity", float(infinite_viscosity))
        put(self, "zero_viscosity", float(zero_viscosity))
        # Both tails seen from their end outwards, as one formula: see _Tail.
        rise = np.diff(y) / np.diff(x)
        tails = (
            _tail("zero_viscosity", zero_viscosity, rate, 1 / eta, 1 / zero_viscosity, rise[0]),
            _tail("infinite_viscosity", infinite_viscosity, rate[::-1], eta[::-1],
                  infinite_viscosity, rise[-1]),
        )  # fmt: skip
        slopes = _slopes(rise, tails[0].index, tails[1].index)
        put(self, "_cubic", CubicHermiteSpline(x, y, slopes))
        put(self, "_tails", tails)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, MeasuredFlow) and self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())

    def thickened(self, factor: float) -> MeasuredFlow:
        """See ViscosityLaw."""
        return MeasuredFlow(
            self.shear_rate / factor,
            self.viscosity * factor,
            self.infinite_viscosity * factor,
            self.zero_viscosity * factor,
        )

    def _key(self) -> tuple[bytes, bytes, float, float]:
        plateaus = self.infinite_viscosity, self.zero_viscosity
        return self.shear_rate.tobytes(), self.viscosity.tobytes(), *plateaus

    @property
    def tails(self) -> tuple[float, float]:
        """Flow indices at the lowest and the highest rate: without plateaus also beyond them."""
        return self._tails[0].index, self._tails[1].index

    @property
    def powers(self) -> tuple[float, float]:
        """Powers of the rate with which the curve nears its plateaus, below and above.

        Without one 1 less the flow index.
        """
        return self._tails[0].power, self._tails[1].power

    def log_stress(self, log_rate: Floats) -> tuple[Floats, Floats]:
        """See FlowCurve."""
        x = np.asarray(log_rate, dtype=np.float64)
        first, last = np.log(self.shear_rate[[0, -1]])
        inside = np.clip(x, first, last)
        value = np.asarray(self._cubic(inside))  # type: ignore[operator]
        slope = np.asarray(self._cubic(inside, 1))  # type: ignore[operator]
        for way, end, tail in ((-1, first, self._tails[0]), (1, last, self._tails[1])):
            out = way * (x - end) > 0
            moved, index = tail.beyond(way * (x[out] - end))
            value[out] += way * moved
            slope[out] = index
        return value, slope

    def bends(self) -> Floats:
        """See FlowCurve."""
        x = np.log(self.shear_rate)
        low = max(x[0] - self._tails[0].reach, math.log(_SLOW))
        high = min(x[-1] + self._tails[1].reach, math.log(_FAST))
        return np.unique(np.array([min(low, x[0]), *x, max(high, x[-1])]))


@dataclass(frozen=True)
class _Tail:
    """How a measured curve goes on beyond an end, at t = ln(rate) from there, outwards.

    With the share s of the viscosity (of its inverse, below the range) that does not belong to the
    plateau, viscosity over that at the end is 1 - s + s exp(-power t), or one over that. Either way
    ln(stress) moves by t + ln(1 - s + s exp(-power t)), outwards.
    """

    share: float
    power: float

    @property
    def index(self) -> float:
        """Flow index at the end."""
        return 1 - self.power * self.share

    @property
    def reach(self) -> float:
        """t from which on it is a power law."""
        if self.share == 1 or self.power * self.share <= _BENT * (1 - self.share):
            return 0.0
        return math.log(self.power * self.share / (1 - self.share) / _BENT) / self.power

    def beyond(self, t: Floats) -> tuple[Floats, Floats]:
        """(what ln(stress) moves by, flow index) at t >= 0."""
        fades = self.share * np.exp(-self.power * t)
        left = 1 - self.share + fades
        return t + np.log(left), 1 - self.power * fades / left


def _tail(
    name: str, given: float, rate: Floats, value: Floats, plateau: float, rise: float
) -> _Tail:
    """The tail of an end; points from there inwards.

    value, plateau : viscosities above the range, their inverses below it; ``given`` as a viscosity.
    rise : slope of ln(stress) between the last two points; that at the end is at most a factor of
    1.5 from it.
    """
    said = f"got {1e3 * given:.4g} mPa s, and"
    more = "more" if name == "zero_viscosity" else "less"
    rate, value = rate[:_TAIL], value[:_TAIL]
    over = value - plateau
    if np.any(over <= 0):
        k = int(np.argmin(value))
        there = 1e3 * (1 / value[k] if name == "zero_viscosity" else value[k])
        wrong = f"{said} {there:.4g} was measured at {rate[k]:.4g} 1/s"
        raise PlateauFault(name, wrong, f"give {more}, or leave it out")
    share = float(over[0] / value[0])
    slope = _line(np.log(rate), np.log(over))
    power = min(slope if name == "zero_viscosity" else -slope, _FADING)
    index = min(max(1 - share * power, rise / _STEEPEST), _STEEPEST * rise)
    power = (1 - index) / share
    if plateau > 0 and power <= 0:
        wrong = f"{said} at {rate[0]:.4g} 1/s the curve does not go there"
        raise PlateauFault(name, wrong, "leave it out, or smooth the data")
    if plateau > 0 and power > 1.001 * _FADING:  # so sharp a bend is hard to tabulate
        wrong = f"{said} at {rate[0]:.4g} 1/s the curve is still steep"
        raise PlateauFault(name, wrong, f"give {more}, or leave it out")
    return _Tail(share, power)


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


def _slopes(rise: Floats, first: float, last: float) -> Floats:
    """Slopes of the cubic at the points, from the neighbouring lines' (rise) and those of the ends.

    The harmonic mean of the two, and none above 1.5 times either of them: then the local index
    stays above a quarter of theirs (up to 3 times the cubic would rise, but could be flat inside).
    """
    inner = 2 * rise[1:] * rise[:-1] / (rise[1:] + rise[:-1])
    inner = np.minimum(inner, _STEEPEST * np.minimum(rise[1:], rise[:-1]))
    return np.array([first, *inner, last])


def _line(x: Floats, y: Floats) -> float:
    """Slope of the straight line through points."""
    away = x - x.mean()
    return float(np.sum(away * y) / np.sum(away**2))
