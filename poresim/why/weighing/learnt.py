"""What the runs of a class of liquid teach: its features, by surfaces over its inputs.

Liquids with grains are told by how they differ from the same without: d, by the surface of those.
Where grains pass d is nothing but what solids scatter by; where they plug it goes up to many times
that, and scatters as widely. So not d is learnt but asinh(d / scale), which is d in the one case and
its logarithm in the other and scatters about alike in both (a transformation that stabilises
variance: Burbidge, Magee & Robb 1988, J Am Stat Assoc 83:123; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.surface import Reading, Surface, fit_surface

Floats = NDArray[np.float64]

_LEAST_SCALE = 1e-3  # of d: volumes of alike solids are alike
_MOST = 30.0  # of d: times by factors beyond what any soak shows


class Foretold(NamedTuple):
    """Features at n places. whole, alone : as learnt, with what the surface misses in its
    covariance, and without. plain : (n, p) of the same without grains, scale : (p,); None where
    features are learnt as they are."""

    whole: Reading
    alone: Reading
    plain: Floats | None = None
    scale: Floats | None = None

    def features(self, learnt: Floats) -> Floats:
        """(n, p) from what is learnt."""
        if self.plain is None or self.scale is None:
            return learnt
        return np.asarray(self.plain + self.scale * np.sinh(self._bent(learnt)))

    def slopes(self, learnt: Floats) -> Floats:
        """(n, p) of features by what is learnt."""
        if self.plain is None or self.scale is None:
            return np.ones_like(learnt)
        return np.asarray(np.cosh(self._bent(learnt)))

    def _bent(self, learnt: Floats) -> Floats:
        most = np.arcsinh(_MOST / self.scale)
        return np.asarray(np.clip(learnt / self.scale, -most, most))


@dataclass(frozen=True)
class Learnt:
    """The surface of a class, over those of its inputs (columns) that vary. at_once : share of the
    pores that fills at once. plain : of the same liquids without grains, whose inputs come first;
    scale : (p,) of differences from it."""

    surface: Surface
    columns: NDArray[np.int64]
    at_once: float
    plain: Learnt | None = None
    scale: Floats | None = None

    def mean(self, inputs: Floats) -> Floats:
        """(n, p) the middle of the features at inputs (n, d)."""
        learnt = self.surface.predict(inputs[:, self.columns])
        if self.plain is None or self.scale is None:
            return learnt
        return self.plain.mean(inputs) + self.scale * np.sinh(learnt / self.scale)

    def read(self, inputs: Floats) -> Foretold:
        """What is foretold at inputs (n, d)."""
        whole = self.surface.read(inputs[:, self.columns])
        plain = None if self.plain is None else self.plain.mean(inputs)
        pure = self.surface.pure
        if np.isnan(pure).any():
            return Foretold(whole, whole, plain, self.scale)
        variance, rest = whole.variance * pure[:-1], whole.rest * pure[-1]
        alone = Reading(whole.mean, whole.loadings, variance, rest)
        return Foretold(whole, alone, plain, self.scale)


def learn(
    inputs: Floats, features: Floats, rows: NDArray[np.int64], at_once: float, plain: Learnt | None
) -> Learnt:
    """From runs: inputs (n, d), features (n, p), rows (n,) alike for runs of the same inputs.

    plain : what is known of the same liquids without grains. ValueError: too few runs.
    """
    columns = np.flatnonzero(np.ptp(inputs, axis=0) > 0)
    scale = None
    if plain is not None:
        scale = np.maximum(plain.surface.left_out_sd, _LEAST_SCALE)
        scale[-1] = _MOST  # the pores' volume is as it is
        features = scale * np.arcsinh((features - plain.mean(inputs)) / scale)
    surface = fit_surface(inputs[:, columns], features, rows)
    return Learnt(surface, columns, at_once, plain, scale)
