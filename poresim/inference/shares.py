"""Shares of a difference among its causes, with intervals over paired repeats.

For every repeat (the same solid throughout) the value of each subset of causes is known. The share
of a cause is its Shapley value, summed over the repeats, over the whole difference, summed too: a
ratio of means, whose interval is that of the mean of (value - share x whole), by Student's t
(Cochran 1977, Sampling Techniques, ch. 6; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.inference.shapley import Subset, interactions, shapley

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Interval:
    """A value and the ends of its 95 % interval; infinite while only one repeat is known."""

    value: float
    low: float
    high: float

    @property
    def width(self) -> float:
        """From end to end."""
        return self.high - self.low


@dataclass(frozen=True)
class Shares:
    """How a difference is shared.

    whole : the difference itself, of all causes less none. of : cause -> its share; they sum to 1.
    alone : cause -> what it does to the value when it comes alone, over the whole. last : what it
    does when it comes last, over the whole. together : pair -> what two add together beyond what
    each adds, over the whole. distinct : whether the whole difference differs from zero (95 %);
    where it does not, shares mean nothing. repeats : how many there were.
    """

    whole: Interval
    of: dict[str, Interval]
    alone: dict[str, Interval]
    last: dict[str, Interval]
    together: dict[tuple[str, str], Interval]
    distinct: bool
    repeats: int

    @property
    def widest(self) -> float:
        """Width of the widest interval of a share."""
        return max((one.width for one in self.of.values()), default=0.0)

    @property
    def sum_alone(self) -> float:
        """What the causes do one at a time, added up; 1 if they did not act on each other."""
        return sum(one.value for one in self.alone.values())

    @property
    def sum_last(self) -> float:
        """Likewise of what each does when it comes last."""
        return sum(one.value for one in self.last.values())

    def ranked(self) -> list[str]:
        """Causes, the largest share first."""
        return sorted(self.of, key=lambda name: -self.of[name].value)


def shares(
    values: Mapping[Subset, Floats], names: Sequence[str], *, of_one: bool = False
) -> Shares:
    """Shares from the value of every subset of the names, (repeats,) each.

    of_one : intervals are those of one more repeat, not of the mean of all: for repeats that differ
    because it is not known which of them is true.
    """
    rows = {subset: np.asarray(row, dtype=np.float64) for subset, row in values.items()}
    none, every = rows[frozenset()], rows[frozenset(names)]
    whole = every - none
    of = shapley(rows.__getitem__, names)
    last = {name: every - rows[frozenset(names) - {name}] for name in names}
    alone = {name: rows[frozenset({name})] - none for name in names}
    pairs = interactions(rows.__getitem__, names)

    def over(part: Floats, what: Floats) -> Interval:
        return _ratio(part, what, of_one)

    difference = over(whole, np.ones_like(whole))
    return Shares(
        whole=difference,
        of={name: over(of[name], whole) for name in names},
        alone={name: over(alone[name], whole) for name in names},
        last={name: over(last[name], whole) for name in names},
        together={pair: over(row, whole) for pair, row in pairs.items()},
        distinct=bool(difference.low > 0 or difference.high < 0),
        repeats=len(whole),
    )


def _ratio(part: Floats, whole: Floats, of_one: bool) -> Interval:
    """Mean of ``part`` over mean of ``whole``, with the interval of that, or of one repeat's."""
    from scipy.stats import t as student

    n = len(part)
    mean = float(whole.mean())
    if mean == 0:
        return Interval(math.nan, -math.inf, math.inf)
    value = float(part.mean()) / mean
    if n < 2:
        return Interval(value, -math.inf, math.inf)
    residual = part - value * whole
    spread = math.sqrt(1 / n + of_one)
    error = float(np.std(residual, ddof=1)) * spread / abs(mean)
    half = float(student.ppf(0.975, n - 1)) * error
    return Interval(value, value - half, value + half)
