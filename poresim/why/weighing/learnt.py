"""What the runs of a class of liquid teach: their curves by a surface over their inputs.

Liquids without grains are told by the ln of their times at LEVELS. Grains that plug hold a curve up
at shares that scatter from solid to solid, for times that scatter by orders of magnitude; told by
times it would jump. So liquids with grains are told by shares: those that are filled when the same
liquid without grains would have filled LEVELS, and at multiples of the last of these times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.surface import Reading, Surface, fit_surface
from poresim.why.weighing.features import LEVELS, times_until
from poresim.why.weighing.filled import Filled, by_shares, by_times

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


class Pace(NamedTuple):
    """Of liquids without grains, at n places: ln of times (n, k), s, rising, and of the pores'
    volume (n,), m3."""

    log_times: Floats
    log_volume: Floats


class Foretold(NamedTuple):
    """What is learnt, at n places: numbers that tell a curve, the last of them of the volume.

    whole, alone : with what the surface misses in its covariance, and without. places : (n, d) in
    lengths over which that hangs together. at_once : share of the pores that fills at once. pace :
    None where curves are told by times.
    """

    whole: Reading
    alone: Reading
    places: Floats
    at_once: float
    pace: Pace | None = None

    def filled(self, learnt: Floats, when: Floats) -> Filled:
        """Shares of the pores at times (m,) s, by what is learnt (n, p)."""
        if self.pace is None:
            return by_times(learnt[:, :-1], when, self.at_once)
        return by_shares(learnt[:, :-1], self.pace.log_times, when, self.at_once)

    def volume(self, learnt: Floats) -> Floats:
        """(n, 1) of the pores, m3."""
        usual = 0.0 if self.pace is None else self.pace.log_volume[:, None]
        return np.asarray(np.exp(learnt[:, -1:] + usual))


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
        """(n, p) the middle of what is foretold at inputs (n, d)."""
        return self.surface.predict(inputs[:, self.columns])

    def read(self, inputs: Floats) -> Foretold:
        """What is foretold at inputs (n, d)."""
        return self._foretold(*self.surface.read_both(inputs[:, self.columns]), inputs)

    def left_out(self, runs: Runs) -> Foretold:
        """What would be foretold of each of the runs it was learnt from, without it and those of
        the same inputs."""
        mean = told_by(runs, self._pace(runs.inputs)) - self.surface.left_out
        both = self.surface.read_both(runs.inputs[:, self.columns])
        whole, alone = (one._replace(mean=mean) for one in both)
        return self._foretold(whole, alone, runs.inputs)

    def _foretold(self, whole: Reading, alone: Reading, inputs: Floats) -> Foretold:
        places = self.surface.in_lengths(inputs[:, self.columns])
        return Foretold(whole, alone, places, self.at_once, self._pace(inputs))

    def _pace(self, inputs: Floats) -> Pace | None:
        return None if self.plain is None else pace_of(self.plain, inputs)


def pace_of(plain: Learnt, inputs: Floats) -> Pace:
    """At inputs (n, d) of liquids with grains or without."""
    middle = plain.middle(inputs)
    times = np.maximum.accumulate(middle[:, : len(LEVELS)], axis=1)
    return Pace(np.hstack([times, times[:, -1:] + _LATER]), middle[:, -1])


def told_by(runs: Runs, pace: Pace | None) -> Floats:
    """(n, p) numbers that tell the curves of runs."""
    if pace is None:
        return runs.features
    shares = runs.filled_at(np.exp(pace.log_times))
    return np.hstack([shares, (runs.features[:, -1] - pace.log_volume)[:, None]])


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
    told = told_by(runs, None if plain is None else pace_of(plain, runs.inputs))
    return Learnt(fit_surface(runs.inputs[:, columns], told, runs.rows), columns, at_once, plain)
