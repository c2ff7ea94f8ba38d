"""Percentiles and mean sizes of a measured distribution, with their standard errors.

Percentiles lie on the cumulative curve, straight against ln(size) between known points (ISO 9276-1,
from memory); d32 and d43 are the moment ratios of ISO 9276-2 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.bench.size_laws import Law, make_law, moment_mean, quantile, share_below, theta_of

Floats = NDArray[np.float64]

SHARES = (0.1, 0.5, 0.9)
#: What :func:`figures_of_cells` and :func:`figures_of_points` return, sizes in m.
NAMES = (
    "d10",
    "d50",
    "d90",
    "sauter",
    "de_brouckere",
    "span",
    "number_d10",
    "number_d50",
    "number_d90",
)
_CELLS = 5000  # that all classes are cut into
_MOST_CUT, _LEAST_CUT = 50, 4
_OUTERMOST = 0.002  # of an open class, left out
_NO_LAW = 2.0  # an open class without a law ends at this ratio
_RESAMPLED = 400


class Figure(NamedTuple):
    """A value with its standard error.

    hidden : a standard error besides, of what the classes do not show: repeats share it.
    """

    value: float
    sd: float
    hidden: float = 0.0


@dataclass(frozen=True, eq=False)
class Classes:
    """Amounts in classes that follow one another, (k,) each.

    lower, upper : m, rising; lower[0] may be 0 and upper[-1] inf: open classes. amount : number
    times size^power (0: counted; 3: volume of grains; 2: volume of tubes). volume : the power that
    a piece's volume goes with. law_power : fitted laws are told by the amount over size^law_power.
    """

    lower: Floats
    upper: Floats
    amount: Floats
    power: float
    volume: float
    law_power: float = 0.0


def cells_of(classes: Classes, law: Law | None, inside: Law | None) -> tuple[Floats, Floats, int]:
    """(m + 1,) edges and (m,) amounts of many narrow cells; how many make a class.

    law : what shapes the open classes; None: they end at a ratio of 2. inside : what shapes the
    others; None: even in ln(size).
    """
    k = len(classes.amount)
    cut = max(_LEAST_CUT, min(_MOST_CUT, _CELLS // k))
    steps = np.linspace(0.0, 1.0, cut + 1)
    edges = np.empty((k, cut + 1))
    for i, (a, b) in enumerate(zip(classes.lower, classes.upper, strict=True)):
        shaped = law if a == 0 or np.isinf(b) else inside
        edges[i] = _edges(float(a), float(b), shaped, classes.law_power, steps)
    amount = np.repeat(classes.amount / cut, cut)
    return np.append(edges[:, :-1].ravel(), edges[-1, -1]), amount, cut


def _edges(a: float, b: float, law: Law | None, power: float, steps: Floats) -> Floats:
    """Edges of one class's cells, of equal amounts."""
    if law is not None:
        low, high = (float(v) for v in share_below(law, np.array([a, b]), power))
        if high - low > 1e-9:
            u = steps.copy()
            u[0] = _OUTERMOST if a == 0 else 0.0
            u[-1] = 1 - _OUTERMOST if np.isinf(b) else 1.0
            found = quantile(law, low + u * (high - low), power)
            found[0] = found[0] if a == 0 else a
            found[-1] = found[-1] if np.isinf(b) else b
            if np.all(np.isfinite(found)) and np.all(np.diff(found) >= 0) and found[0] > 0:
                return np.asarray(found)
    a = b / _NO_LAW if a == 0 else a
    b = a * _NO_LAW if np.isinf(b) else b
    return np.asarray(a * (b / a) ** steps)


def figures_of_cells(edges: Floats, amount: Floats, power: float, volume: float) -> Floats:
    """(9,) the figures of NAMES."""
    middle = np.sqrt(edges[1:] * edges[:-1])
    relative = middle / edges[-1]
    by_volume = amount * relative ** (volume - power)
    by_number = amount * relative**-power

    def at(weight: Floats) -> Floats:
        upto = np.append(0.0, np.cumsum(weight))
        return np.exp(np.interp(np.array(SHARES) * upto[-1], upto, np.log(edges)))

    return _row(at(by_volume), by_volume, middle, at(by_number))


def figures_of_points(size: Floats, count: Floats, volume: float) -> Floats:
    """(9,) the figures of NAMES of (n,) rising sizes.

    Half of a piece lies below its own size; the curve is straight against ln(size) between pieces.
    """
    by_volume = count * (size / size[-1]) ** volume

    def at(weight: Floats) -> Floats:
        upto = np.cumsum(weight)
        middle = upto - 0.5 * weight
        return np.exp(np.interp(np.array(SHARES) * upto[-1], middle, np.log(size)))

    return _row(at(by_volume), by_volume, size, at(count))


def _row(by_volume: Floats, weight: Floats, size: Floats, by_number: Floats) -> Floats:
    total = weight.sum()
    sauter = total / (weight @ (1.0 / size))
    brouckere = (weight @ size) / total
    span = (by_volume[2] - by_volume[0]) / by_volume[1]
    return np.concatenate([by_volume, [sauter, brouckere, span], by_number])


def figures_of_classes(
    classes: Classes, sd: Floats, laws: Sequence[Law], others: Sequence[Law] = ()
) -> dict[str, Figure]:
    """The figures of classes whose amounts have (k,) standard errors.

    laws : that describe the sizes, the best first. The first shapes the open classes. Hidden is how
    far the figures move where one of them shapes every class (one of ``others`` where there are
    none), or another law (of ``others`` as well) the open ones.
    """
    best = laws[0] if laws else None
    edges, amount, cut = cells_of(classes, best, None)
    args = (classes.power, classes.volume)
    value = figures_of_cells(edges, amount, *args)
    square = np.zeros(len(value))
    for i, (of, error) in enumerate(zip(classes.amount, sd, strict=True)):
        if error <= 0:
            continue
        step = min(error, 0.5 * of) if of > 0 else error
        moved = amount.copy()
        moved[i * cut : (i + 1) * cut] += step / cut
        upper = figures_of_cells(edges, moved, *args)
        moved[i * cut : (i + 1) * cut] -= 2 * step / cut if of > 0 else step / cut
        slope = (upper - figures_of_cells(edges, moved, *args)) / (2 * step if of > 0 else step)
        square += (slope * error) ** 2
    hidden = np.zeros(len(value))
    ways: list[tuple[Law, Law | None]] = [(law, law) for law in laws or others]
    ways += [(law, None) for law in (*laws[1:], *others)]
    for open_law, inside in ways:
        other_edges, other, _ = cells_of(classes, open_law, inside)
        hidden = np.maximum(hidden, np.abs(figures_of_cells(other_edges, other, *args) - value))
    return _named(value, np.sqrt(square), hidden)


def figures_of_law(law: Law, volume: float) -> Floats:
    """(9,) the figures of NAMES of a law told by number."""
    by_volume = quantile(law, np.array(SHARES), volume)
    means = [moment_mean(law, volume, volume - 1), moment_mean(law, volume + 1, volume)]
    span = (by_volume[2] - by_volume[0]) / by_volume[1]
    return np.concatenate([by_volume, means, [span], quantile(law, np.array(SHARES))])


def widened(
    figures: dict[str, Figure], law: Law, covariance: Floats, volume: float
) -> dict[str, Figure]:
    """Figures of counted pieces, with what the pieces that were not met would change.

    By volume a few large pieces decide, and resampling knows none larger. A law by number that
    describes the pieces does: its own error (by its (2, 2) covariance, where that is more), and
    how far it is from the figure, count as well.
    """
    theta, step = theta_of(law), 1e-4
    kind = "lognormal" if hasattr(law, "median") else "weibull"
    told = figures_of_law(law, volume)
    slopes = []
    for move in np.eye(2) * step:
        up, down = (figures_of_law(make_law(kind, theta + m), volume) for m in (move, -move))
        slopes.append((up - down) / (2 * step))
    slope = np.array(slopes)
    own = np.sqrt(np.einsum("if,ij,jf->f", slope, covariance, slope))
    found = {}
    for k, (name, (value, sd, hidden)) in enumerate(figures.items()):
        wide = float(np.hypot(max(sd, own[k]), told[k] - value))
        found[name] = Figure(value, wide, hidden)
    return found


def figures_of_list(size: Floats, count: Floats, volume: float, seed: int = 0) -> dict[str, Figure]:
    """The figures of counted sizes (n,), each so often; errors by resampling the pieces."""
    order = np.argsort(size, kind="stable")
    d, c = size[order], count[order]
    value = figures_of_points(d, c, volume)
    rng = np.random.default_rng(seed)
    total = int(c.sum())
    drawn = rng.multinomial(total, c / c.sum(), size=_RESAMPLED).astype(np.float64)
    again = []
    for row in drawn:
        held = row > 0
        again.append(figures_of_points(d[held], row[held], volume))
    return _named(value, np.std(again, axis=0, ddof=1))


def _named(value: Floats, sd: Floats, hidden: Floats | None = None) -> dict[str, Figure]:
    besides = np.zeros(len(value)) if hidden is None else hidden
    rows = zip(NAMES, value, sd, besides, strict=True)
    return {name: Figure(float(v), float(s), float(h)) for name, v, s, h in rows}


def share_in_finest(classes: Classes, law: Law | None) -> tuple[float, float]:
    """Share of the volume and of the number that the finest class which holds anything has."""
    edges, amount, cut = cells_of(classes, law, None)
    middle = np.sqrt(edges[1:] * edges[:-1])
    first = int(np.flatnonzero(classes.amount > 0)[0])
    here = slice(first * cut, (first + 1) * cut)
    shares = []
    for power in (classes.volume - classes.power, -classes.power):
        weight = amount * (middle / edges[-1]) ** power
        shares.append(float(weight[here].sum() / weight.sum()))
    return shares[0], shares[1]
