"""Bodies at junctions: the hollow in which tubes meet.

A body is a sphere whose radius is ``body_ratio`` times that of the widest tube that meets at its
junction (at the tube's end, not at its waist). Its full volume counts, beside tubes of unchanged
length: where a tube enters a sphere, both are counted. A junction that no tube meets has none.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.solid.layers import Stratum

Floats = NDArray[np.float64]

SPHERE = 4.0 * math.pi / 3.0
_SCORES = np.linspace(-8.0, 8.0, 257)
#: Distance of the midpoints of two tubes that meet, over their length, in the mean: 1/sqrt(2)
#: at right angles, 1 in line.
_APART = 0.77


def body_volumes(
    ratio: float, radius: Floats, ends: NDArray[np.signedinteger[Any]], junctions: int
) -> Floats:
    """(n,) volume of the body at each junction, m3.

    radius : (m,) of each tube, m. ends : (m, 2).
    """
    widest = np.zeros(junctions)
    np.maximum.at(widest, ends[:, 0], radius)
    np.maximum.at(widest, ends[:, 1], radius)
    return SPHERE * (ratio * widest) ** 3


class Widest:
    """The widest tube at a junction, as expected before radii are drawn.

    meeting : tubes at a junction before thinning, in the mean. kept_share : of them that stay.
    length : of a tube, m. Neighbours' radii go together as far as the correlation says.
    """

    def __init__(self, stratum: Stratum, meeting: float, kept_share: float, length: float) -> None:
        self._law = stratum.radii
        self._meeting = meeting
        self._kept = kept_share
        apart = _APART * length
        together = math.exp(-((apart / stratum.correlation) ** 2)) if stratum.correlation else 0.0
        self._together = min(together, 0.99)  # beyond, _SCORES would be too coarse

    def mean_cube(self) -> float:
        """Mean cube of the widest radius, m3; junctions without tubes count as 0."""
        from scipy import special

        middle = 0.5 * (_SCORES[1:] + _SCORES[:-1])
        share = np.clip(special.ndtr(middle), 2.0**-54, 1.0 - 2.0**-53)
        return float(np.sum(self._law.quantile(share) ** 3 * np.diff(self._below(_SCORES))))

    def share_above(self, radius: float) -> float:
        """Share of the junctions at which the widest radius is above a radius, m."""
        from scipy import special

        score = special.ndtri(1.0 - self._law.share_above(np.array([radius])))
        return 1.0 - float(self._below(score)[0])

    def _below(self, score: Floats) -> Floats:
        """Chance that no tube of a junction has a normal score above each one."""
        from scipy import special

        common, weight = np.polynomial.hermite_e.hermegauss(24)
        loose = math.sqrt(1.0 - self._together)
        own = (score[:, None] - math.sqrt(self._together) * common) / loose
        one = 1.0 - self._kept * special.ndtr(-own)
        return np.asarray(one**self._meeting @ weight / weight.sum())
