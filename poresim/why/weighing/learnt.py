"""What the runs of a class of liquid teach: their curves by a surface over their inputs.

Liquids without grains are told by the ln of their times at LEVELS. Grains that plug hold a curve up
at shares that scatter from solid to solid, for times that scatter by orders of magnitude; told by
times it would jump. So of a liquid with grains the surface tells what part they hold up of what the
same liquid would have filled without: filled = free (1 - part). Where grains pass, it is the liquid
without, and scatters as that does. The part is told by its odds at the times to which the liquid
without would have filled LEVELS, and at multiples of the last of these times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.surface import Reading, Surface, fit_surface
from poresim.why.weighing.features import LEVELS, times_until
from poresim.why.weighing.filled import Filled, HeldUp, by_odds, by_times, odds_of

Floats = NDArray[np.float64]

_LATER = np.log([1.5, 2.5, 4.0, 7.0, 12.0, 20.0, 40.0])  # of the time to the last of LEVELS
_ALIKE = 1 - 1e-9  # correlation from which two columns are one


class Runs(NamedTuple):
    """Runs of one class. inputs (n, d), features (n, 13). rows (n,), alike for runs of the same
    inputs. filled (n, k) shares of the pores at ``times_until`` (until_s). density (n,) of the
    liquid, kg/m3."""

    inputs: Floats
    features: Floats
    rows: NDArray[np.int64]
    filled: Floats
    density: Floats
    until_s: float

    def filled_at(self, when: Floats) -> Floats:
        """(n, m) shares at times (n, m) s."""
        kept, at = np.sqrt(times_until(self.until_s)), np.sqrt(when)
        return np.array([np.interp(t, kept, row) for t, row in zip(at, self.filled, strict=True)])


class Part(NamedTuple):
    """What one surface has foretold: how many components of the scatter, how many numbers. places
    : (n, d) in lengths over which what it misses hangs together."""

    components: int
    numbers: int
    places: Floats


class Foretold(NamedTuple):
    """What is learnt, at n places: numbers that tell a curve, the last of them of the volume.

    whole, alone : with what surfaces miss in its covariance, and without. parts : one a surface, in
    the order of numbers and components. at_once : share of the pores that fills at once. pace :
    (n, k) ln of the times at which what grains hold up is told; None: there are none.
    """

    whole: Reading
    alone: Reading
    parts: tuple[Part, ...]
    at_once: float
    pace: Floats | None = None

    def filled(self, learnt: Floats, when: Floats) -> Filled | HeldUp:
        """Shares of the pores at times (m,) s, by what is learnt (n, p)."""
        times = learnt[:, -len(LEVELS) - 1 : -1]
        free = by_times(times, when, self.at_once)
        if self.pace is None:
            return free
        return HeldUp(free, by_odds(learnt[:, : -len(LEVELS) - 1], self.pace, when))


@dataclass(frozen=True)
class Learnt:
    """The surface of a class, over those of its inputs (columns) that tell something.

    at_once : share of the pores that fills at once. plain : of the same liquids without grains,
    whose inputs come first; None: there are none.
    """

    surface: Surface
    columns: NDArray[np.int64]
    at_once: float
    plain: Learnt | None = None

    def middle(self, inputs: Floats) -> Floats:
        """(n, p) the middle of what the surface foretells at inputs (n, d)."""
        return self.surface.predict(inputs[:, self.columns])

    def read(self, inputs: Floats) -> Foretold:
        """What is foretold at inputs (n, d)."""
        return self._foretold(*self.surface.read_both(inputs[:, self.columns]), inputs)

    def left_out(self, runs: Runs) -> Foretold:
        """What would be foretold of each of the runs it was learnt from, without it and those of
        the same inputs."""
        mean = told_by(runs, self.plain) - self.surface.left_out
        both = self.surface.read_both(runs.inputs[:, self.columns])
        whole, alone = (one._replace(mean=mean) for one in both)
        return self._foretold(whole, alone, runs.inputs)

    def _foretold(self, whole: Reading, alone: Reading, inputs: Floats) -> Foretold:
        places = self.surface.in_lengths(inputs[:, self.columns])
        numbers, components = whole.loadings.shape
        parts = (Part(components, numbers, places),)
        if self.plain is None:
            return Foretold(whole, alone, parts, self.at_once)
        free = self.plain.read(inputs)
        return Foretold(
            beside(whole, free.whole),
            beside(alone, free.alone),
            parts + free.parts,
            self.at_once,
            pace_of(free.whole.mean),
        )


def beside(one: Reading, other: Reading) -> Reading:
    """Both, independent."""
    (p, q), (r, s) = one.loadings.shape, other.loadings.shape
    loadings = np.zeros((p + r, q + s))
    loadings[:p, :q], loadings[p:, q:] = one.loadings, other.loadings
    return Reading(
        np.hstack([one.mean, other.mean]),
        loadings,
        np.hstack([one.variance, other.variance]),
        np.hstack([one.rest, other.rest]),
    )


def pace_of(free: Floats) -> Floats:
    """(n, k) ln of times, s, rising, at which what grains hold up is told. free : (n, 13) numbers
    that tell the liquids without."""
    times = np.maximum.accumulate(free[:, : len(LEVELS)], axis=1)
    return np.hstack([times, times[:, -1:] + _LATER])


def told_by(runs: Runs, plain: Learnt | None) -> Floats:
    """(n, p) numbers that tell the curves of runs. plain : of the same liquids without grains."""
    if plain is None:
        return runs.features
    free = plain.middle(runs.inputs)
    when = np.exp(pace_of(free))
    without = [
        by_times(one[None, : len(LEVELS)], at, plain.at_once).share[0]
        for one, at in zip(free, when, strict=True)
    ]
    return odds_of(1 - runs.filled_at(when) / np.array(without))


def telling(inputs: Floats) -> NDArray[np.int64]:
    """Columns of (n, d) that vary, and not just as one before them does: a receding angle that is
    the advancing one would count twice."""
    found: list[int] = []
    for k in np.flatnonzero(np.ptp(inputs, axis=0) > 0).tolist():
        column = inputs[:, k] - inputs[:, k].mean()
        size = np.linalg.norm(column)
        others = (inputs[:, one] - inputs[:, one].mean() for one in found)
        if all(abs(column @ one) < _ALIKE * size * np.linalg.norm(one) for one in others):
            found.append(k)
    return np.array(found, np.int64)


def learn(runs: Runs, at_once: float, plain: Learnt | None = None) -> Learnt:
    """From runs of one class. plain : of the same liquids without grains. ValueError: too few."""
    columns = telling(runs.inputs)
    surface = fit_surface(runs.inputs[:, columns], told_by(runs, plain), runs.rows)
    return Learnt(surface, columns, at_once, plain)
