"""How far readings lie from what was foretold, against how far they should.

How runs scatter is known from runs, not exactly, and where grains plug throats, some soaks stop and
others go on. So readings of one log are taken to be as of a normal law whose covariance is known up
to a factor that they share: a multivariate t law (Lange, Little & Taylor
1989, J Am Stat Assoc 84:881; from memory). Its width and its degrees of freedom are those that make
the bank's own runs most likely, each foretold without it.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_FREEDOMS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 14.0, 20.0, 30.0, 50.0, 100.0, math.inf)
_WIDTHS = np.geomspace(0.5, 8.0, 41)


class Tails(NamedTuple):
    """Of a t law. widened : factor on covariances. freedom : degrees of freedom; of a normal law
    they are infinite."""

    widened: float
    freedom: float

    @property
    def variance(self) -> float:
        """By what covariances are multiplied in all."""
        return self.widened / (1 - 2 / self.freedom)

    def factor(self, rng: np.random.Generator) -> float:
        """A draw of what deviations by the covariances are multiplied by."""
        shared = 1.0 if math.isinf(self.freedom) else rng.chisquare(self.freedom) / self.freedom
        return math.sqrt(self.widened / shared)

    def log_densities(self, normal: Floats, squares: Floats, count: int) -> Floats:
        """(n,) from the ln densities of normal laws and their squares (n,), of count readings."""
        from scipy.special import gammaln

        half, nu = count / 2, self.freedom
        if math.isinf(nu):
            level = half * math.log(self.widened)
            return np.asarray(normal + squares / 2 - level - squares / (2 * self.widened))
        level = gammaln(nu / 2 + half) - gammaln(nu / 2) - half * np.log(nu / 2 * self.widened)
        tail = (nu / 2 + half) * np.log1p(squares / (self.widened * nu))
        return np.asarray(normal + squares / 2 + level - tail)

    def chances(self, squares: Floats, count: int) -> Floats:
        """(n,) of squares as large or larger: F law of count and freedom, or chi-square."""
        from scipy.special import chdtrc, fdtrc

        if math.isinf(self.freedom):
            return np.asarray(chdtrc(count, squares / self.widened))
        return np.asarray(fdtrc(count, self.freedom, squares / (count * self.widened)))

    def below(self, scores: Floats) -> Floats:
        """Chance of less, of one reading that lies so many foretold standard deviations off."""
        from scipy.special import ndtr, stdtr

        scores = scores / math.sqrt(self.widened)
        return np.asarray(ndtr(scores) if math.isinf(self.freedom) else stdtr(self.freedom, scores))


NORMAL = Tails(1.0, math.inf)


def tails_of(squares: Floats, count: int) -> Tails:
    """The most likely ones by squares (n,) of count readings each."""
    nothing = np.zeros_like(squares)
    tried = itertools.starmap(Tails, itertools.product(_WIDTHS, _FREEDOMS))
    return max(tried, key=lambda one: float(one.log_densities(nothing, squares, count).sum()))
