"""What the runs of a class of liquid teach: their features by a surface over their inputs.

Liquids with grains are told by how they differ from the same without: d, from the surface of those.
Where grains pass, d is nothing but what solids scatter by; where they plug, it goes up to many
times that and scatters as widely. So asinh(d / scale) is learnt in place of d: d itself in the one
case, its logarithm in the other, and alike in scatter (Burbidge, Magee & Robb 1988, J Am Stat Assoc
83:123; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.surface import Reading, Surface, fit_surface

Floats = NDArray[np.float64]

_LEAST_SCALE = 1e-3  # of d
_ALIKE = 1 - 1e-9  # correlation from which two columns are one
_MOST = 30.0  # of d: times by factors beyond what any soak shows


class Runs(NamedTuple):
    """Runs of one class. inputs (n, d), features (n, 13). rows (n,), alike for runs of the same
    inputs. filled (n, k) shares of the pores at common times. density (n,) of the liquid, kg/m3."""

    inputs: Floats
    features: Floats
    rows: NDArray[np.int64]
    filled: Floats
    density: Floats


class Beside(NamedTuple):
    """Features told by how they differ from others. plain : (n, p) these. scale : (p,)."""

    plain: Floats
    scale: Floats

    def learnt(self, features: Floats) -> Floats:
        """(n, p) what is learnt of features."""
        return np.asarray(self.scale * np.arcsinh((features - self.plain) / self.scale))

    def features(self, learnt: Floats) -> Floats:
        """(n, p) from what is learnt."""
        return np.asarray(self.plain + self.scale * np.sinh(self._within(learnt)))

    def slopes(self, learnt: Floats) -> Floats:
        """(n, p) of features by what is learnt."""
        return np.asarray(np.cosh(self._within(learnt)))

    def _within(self, learnt: Floats) -> Floats:
        most = np.arcsinh(_MOST / self.scale)
        return np.asarray(np.clip(learnt / self.scale, -most, most))


class Foretold(NamedTuple):
    """What is learnt, at n places. whole, alone : with what the surface misses in its covariance,
    and without. places : (n, d) in lengths over which that hangs together. beside : None where
    features are learnt as they are."""

    whole: Reading
    alone: Reading
    places: Floats
    beside: Beside | None = None

    def features(self, learnt: Floats) -> Floats:
        """(n, p) from what is learnt."""
        return learnt if self.beside is None else self.beside.features(learnt)

    def slopes(self, learnt: Floats) -> Floats:
        """(n, p) of features by what is learnt."""
        return np.ones_like(learnt) if self.beside is None else self.beside.slopes(learnt)


@dataclass(frozen=True)
class Learnt:
    """The surface of a class, over those of its inputs (columns) that vary.

    at_once : share of the pores that fills at once. plain : of the same liquids without grains,
    whose inputs come first; scale : (p,) of differences from it. None: there are none.
    """

    surface: Surface
    columns: NDArray[np.int64]
    at_once: float
    plain: Learnt | None = None
    scale: Floats | None = None

    def middle(self, inputs: Floats) -> Floats:
        """(n, p) features in the middle of what is foretold at inputs (n, d)."""
        learnt = self.surface.predict(inputs[:, self.columns])
        beside = self._beside(inputs)
        return learnt if beside is None else beside.features(learnt)

    def read(self, inputs: Floats) -> Foretold:
        """What is foretold at inputs (n, d)."""
        return self._foretold(*self.surface.read_both(inputs[:, self.columns]), inputs)

    def left_out(self, runs: Runs) -> Foretold:
        """What would be foretold of each of the runs it was learnt from, without it and those of
        the same inputs."""
        both = self.surface.read_both(runs.inputs[:, self.columns])
        beside = self._beside(runs.inputs)
        learnt = runs.features if beside is None else beside.learnt(runs.features)
        mean = learnt - self.surface.left_out
        whole, alone = (one._replace(mean=mean) for one in both)
        return self._foretold(whole, alone, runs.inputs)

    def _beside(self, inputs: Floats) -> Beside | None:
        if self.plain is None or self.scale is None:
            return None
        return Beside(self.plain.middle(inputs), self.scale)

    def _foretold(self, whole: Reading, alone: Reading, inputs: Floats) -> Foretold:
        places = self.surface.in_lengths(inputs[:, self.columns])
        return Foretold(whole, alone, places, self._beside(inputs))


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
    inputs, features, scale = runs.inputs[:, columns], runs.features, None
    if plain is not None:
        scale = np.maximum(plain.surface.left_out_sd, _LEAST_SCALE)
        scale[-1] = _MOST  # the pores' volume stays what it is: its difference is learnt as such
        features = Beside(plain.middle(runs.inputs), scale).learnt(features)
    return Learnt(fit_surface(inputs, features, runs.rows), columns, at_once, plain, scale)
