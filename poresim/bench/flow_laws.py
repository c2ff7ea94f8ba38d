"""The flow laws that points are fitted with: stress and its derivatives, bounds and starts.

A law is fitted in coordinates in which its error is even: logarithms of what is above 0, the plain
value of what may be 0 (a yield stress, the viscosity at high rates). Every law here is a sum of at
most two terms, each a coefficient times a function of the rate and of one or two shape parameters:
for a grid of shapes the best coefficients follow in closed form (Golub & Pereyra 1973, from
memory), so the grid is a search of the whole range, and no start is guessed.

Formulas: :mod:`poresim.liquid.laws`, :mod:`poresim.liquid.curves`; SI units.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Where a scenario's keys end, SI: viscosities, consistencies, yield stresses, times, indices.
VISCOSITY = (5e-5, 1e4)
_CONSISTENCY = (1e-5, 1e4)
_YIELD = (0.0, 1e4)
_INDEX, _CARREAU, _EXPONENT = (0.05, 2.0), (0.05, 1.0), (0.05, 5.0)
_BEYOND = 1e3  # times the range of rates in which a time constant is looked for
_HIGHEST = 1e6  # times the mean viscosity up to which one at rest is looked for
_TIMES, _SHAPES, _CELLS = 31, 15, 400_000
_DISTINCT = 4  # starts


class Points(NamedTuple):
    """Points to fit: rate 1/s and stress Pa, (n,); share : weight of a share's error, (n,)."""

    rate: Floats
    stress: Floats
    share: Floats


class Law(NamedTuple):
    """key : the scenario's name; word : ours. names : the scenario's keys, units : SI per unit.

    plain : which parameters are fitted as they are, the others by their logarithm.
    evaluate : (x, ln rate) -> ln stress, its derivatives (n, p). span : points -> bounds (p, 2).
    shapes : points -> grid of shape parameters, (g, s); terms : (shapes, rate) -> two functions,
    (g, n), or one; whole : (coefficients (2,), shape) -> x.
    """

    key: str
    word: str
    names: tuple[str, ...]
    units: tuple[float, ...]
    plain: tuple[int, ...]
    evaluate: Callable[[Floats, Floats], tuple[Floats, Floats]]
    span: Callable[[Points], list[tuple[float, float]]]
    shapes: Callable[[Points], Floats]
    terms: Callable[[Floats, Floats], tuple[Floats, ...]]
    whole: Callable[[Floats, Floats], list[float]]

    def values(self, x: Floats) -> Floats:
        """The parameters in the scenario's units."""
        si = np.array([v if k in self.plain else math.exp(v) for k, v in enumerate(x)])
        return si / np.array(self.units)


def bounds(law: Law, points: Points) -> tuple[Floats, Floats]:
    """Low and high of the coordinates."""
    found = np.array(law.span(points), dtype=np.float64)
    for k in range(len(found)):
        if k not in law.plain:
            found[k] = np.log(found[k])
    return found[:, 0], found[:, 1]


def starts(law: Law, points: Points) -> list[Floats]:
    """The best places of the grid of shapes, each in a corner of its own."""
    low, high = bounds(law, points)
    shapes = law.shapes(points)
    coefficients, squares = _coefficients(law, shapes, points)
    found: list[Floats] = []
    for k in np.argsort(squares):
        with np.errstate(divide="ignore"):
            x = np.clip(law.whole(coefficients[k], shapes[k]), low, high)
        spread = np.abs((x - np.array(found)) / (high - low)) if found else np.ones((1, 1))
        if np.all(spread.max(axis=1) > 0.08):
            found.append(x)
        if len(found) == _DISTINCT:
            break
    return found


def _coefficients(law: Law, shapes: Floats, points: Points) -> tuple[Floats, Floats]:
    """Best coefficients (g, 2) at least 0, relative to the stress, and the squares left (g,)."""
    stride = max(1, len(points.rate) * len(shapes) // _CELLS + 1)
    rate, stress = points.rate[::stride], points.stress[::stride]
    weight = points.share[::stride] / stress
    terms = [term * weight for term in law.terms(shapes, rate)]
    target = stress * weight
    one = terms[0]
    if len(terms) == 1:
        c = (one @ target) / (one**2).sum(axis=1)
        left = ((c[:, None] * one - target) ** 2).sum(axis=1)
        return np.stack([c, np.zeros_like(c)], axis=1), left
    two = terms[1]
    aa, bb, ab = (one**2).sum(axis=1), (two**2).sum(axis=1), (one * two).sum(axis=1)
    at, bt = one @ target, two @ target
    det = np.maximum(aa * bb - ab**2, 1e-300)
    first, second = (at * bb - bt * ab) / det, (bt * aa - at * ab) / det
    alone = first <= 0
    first, second = np.where(alone, 0.0, first), np.where(alone, bt / bb, second)
    alone = second <= 0
    first, second = np.where(alone, at / aa, first), np.where(alone, 1e-9 * at / aa, second)
    left = ((first[:, None] * one + second[:, None] * two - target) ** 2).sum(axis=1)
    return np.stack([first, second], axis=1), left


# ---- stress and derivatives ------------------------------------------------------------------


def _newtonian(x: Floats, log_rate: Floats) -> tuple[Floats, Floats]:
    return x[0] + log_rate, np.ones((len(log_rate), 1))


def _power(x: Floats, log_rate: Floats) -> tuple[Floats, Floats]:
    index = math.exp(x[1])
    return x[0] + index * log_rate, np.stack([np.ones_like(log_rate), index * log_rate], axis=1)


def _bingham(x: Floats, log_rate: Floats) -> tuple[Floats, Floats]:
    flowing = np.exp(x[1] + log_rate)
    stress = x[0] + flowing
    return np.log(stress), np.stack([1 / stress, flowing / stress], axis=1)


def _herschel_bulkley(x: Floats, log_rate: Floats) -> tuple[Floats, Floats]:
    index = math.exp(x[2])
    flowing = np.exp(x[1] + index * log_rate)
    stress = x[0] + flowing
    slopes = [np.ones_like(stress), flowing, flowing * index * log_rate]
    return np.log(stress), np.stack(slopes, axis=1) / stress[:, None]


def _cross(x: Floats, log_rate: Floats) -> tuple[Floats, Floats]:
    zero, infinite, exponent = math.exp(x[0]), x[1], math.exp(x[3])
    log_u = np.clip(exponent * (log_rate + x[2]), -600.0, 600.0)
    g = 1 / (1 + np.exp(log_u))
    turn = -(zero - infinite) * g * (1 - g)
    return _thinning(zero, infinite, g, turn * exponent, turn * log_u, log_rate)


def _carreau(x: Floats, log_rate: Floats) -> tuple[Floats, Floats]:
    zero, infinite, index = math.exp(x[0]), x[1], math.exp(x[3])
    w = np.exp(np.clip(2 * (log_rate + x[2]), -600.0, 600.0))
    g = (1 + w) ** ((index - 1) / 2)
    fall = (zero - infinite) * g
    return _thinning(
        zero,
        infinite,
        g,
        fall * (index - 1) * w / (1 + w),
        fall * index / 2 * np.log1p(w),
        log_rate,
    )


def _thinning(
    zero: float, infinite: float, g: Floats, by_time: Floats, by_shape: Floats, log_rate: Floats
) -> tuple[Floats, Floats]:
    viscosity = infinite + (zero - infinite) * g
    slopes = np.stack([zero * g, 1 - g, by_time, by_shape], axis=1)
    return np.log(viscosity) + log_rate, slopes / viscosity[:, None]


# ---- where parameters may lie ------------------------------------------------------------------


def _viscosity_span(_: Points) -> list[tuple[float, float]]:
    return [VISCOSITY]


def _power_span(_: Points) -> list[tuple[float, float]]:
    return [_CONSISTENCY, _INDEX]


def _yield_span(points: Points) -> tuple[float, float]:
    return _YIELD[0], min(_YIELD[1], float(points.stress.max()))


def _plateau_span(points: Points) -> list[tuple[float, float]]:
    """A thinning liquid's mean viscosity lies between its plateaus."""
    mean = float(np.exp(np.log(points.stress / points.rate).mean()))
    times = 1 / (points.rate.max() * _BEYOND), min(_BEYOND / points.rate.min(), 1e6)
    zero = float(np.clip(mean * 0.999, *VISCOSITY)), min(mean * _HIGHEST, VISCOSITY[1])
    return [zero, (0.0, mean * 0.999), times]


def _plateau_shapes(points: Points, low: float, high: float) -> Floats:
    spread = np.linspace(-0.02, 1.02, _TIMES)
    first, last = math.log(0.1 / points.rate.max()), math.log(10 / points.rate.min())
    times = np.exp(first + spread * (last - first))
    return _pairs(times, np.geomspace(low, high, _SHAPES))


def _pairs(first: Floats, second: Floats) -> Floats:
    return np.stack([g.ravel() for g in np.meshgrid(first, second, indexing="ij")], axis=1)


def _none(_: Points) -> Floats:
    return np.zeros((1, 0))


def _plateaus(c: Floats, shape: Floats) -> list[float]:
    return [math.log(c[0] + c[1]), float(c[0]), math.log(shape[0]), math.log(shape[1])]


def _cross_terms(shape: Floats, rate: Floats) -> tuple[Floats, ...]:
    with np.errstate(over="ignore"):
        u = (shape[:, :1] * rate) ** shape[:, 1:]
    return np.broadcast_to(rate, u.shape), rate / (1 + u)


def _carreau_terms(shape: Floats, rate: Floats) -> tuple[Floats, ...]:
    w = 1 + (shape[:, :1] * rate) ** 2
    return np.broadcast_to(rate, w.shape), rate * w ** ((shape[:, 1:] - 1) / 2)


LAWS: tuple[Law, ...] = (
    Law(
        "newtonian", "Newtonian", ("mPa_s",), (1e-3,), (), _newtonian, _viscosity_span, _none,
        lambda shape, rate: (rate[None, :],),
        lambda c, _: [math.log(c[0])],
    ),
    Law(
        "power_law", "power law", ("consistency_Pa_sn", "index"), (1.0, 1.0), (), _power,
        _power_span,
        lambda _: np.geomspace(*_INDEX, 60)[:, None],
        lambda shape, rate: (rate**shape,),
        lambda c, shape: [math.log(c[0]), math.log(shape[0])],
    ),
    Law(
        "bingham", "Bingham", ("yield_Pa", "plastic_mPa_s"), (1.0, 1e-3), (0,), _bingham,
        lambda points: [_yield_span(points), VISCOSITY],
        _none,
        lambda _, rate: (np.ones((1, len(rate))), rate[None, :]),
        lambda c, _: [float(c[0]), math.log(c[1])],
    ),
    Law(
        "herschel_bulkley", "Herschel-Bulkley", ("yield_Pa", "consistency_Pa_sn", "index"),
        (1.0, 1.0, 1.0), (0,), _herschel_bulkley,
        lambda points: [_yield_span(points), _CONSISTENCY, _INDEX],
        lambda _: np.geomspace(*_INDEX, 60)[:, None],
        lambda shape, rate: (np.ones((len(shape), len(rate))), rate**shape),
        lambda c, shape: [float(c[0]), math.log(c[1]), math.log(shape[0])],
    ),
    Law(
        "cross", "Cross", ("zero_mPa_s", "infinite_mPa_s", "time_s", "exponent"),
        (1e-3, 1e-3, 1.0, 1.0), (1,), _cross,
        lambda points: [*_plateau_span(points), _EXPONENT],
        lambda points: _plateau_shapes(points, 0.1, 2.0),
        _cross_terms, _plateaus,
    ),
    Law(
        "carreau", "Carreau", ("zero_mPa_s", "infinite_mPa_s", "time_s", "index"),
        (1e-3, 1e-3, 1.0, 1.0), (1,), _carreau,
        lambda points: [*_plateau_span(points), _CARREAU],
        lambda points: _plateau_shapes(points, *_CARREAU),
        _carreau_terms, _plateaus,
    ),
)  # fmt: skip


def flow_law(key: str, values: dict[str, Any]) -> Any:
    """The law itself, from the scenario's keys. Raises ValueError where it makes no flow curve."""
    from poresim.liquid.curves import Carreau, Cross
    from poresim.liquid.laws import Bingham, HerschelBulkley, Newtonian, PowerLaw

    kinds: dict[str, Any] = {
        "newtonian": Newtonian, "power_law": PowerLaw, "bingham": Bingham,
        "herschel_bulkley": HerschelBulkley, "cross": Cross, "carreau": Carreau,
    }  # fmt: skip
    law = next(one for one in LAWS if one.key == key)
    return kinds[key](*(values[n] * u for n, u in zip(law.names, law.units, strict=True)))
