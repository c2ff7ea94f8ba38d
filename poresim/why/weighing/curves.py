"""What an explanation foretells of each weight log, to be drawn beside what was weighed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.inference.temper import Posterior
from poresim.why.weighing.evidence import Evidence, View
from poresim.why.weighing.likelihood import Predicted
from poresim.why.weighing.rivals import Rival

Floats = NDArray[np.float64]

#: Of the band: shares of pieces below its lower edge, its middle and its upper edge.
LEVELS = (0.05, 0.5, 0.95)
_TIMES = 40
_DRAWN = 400  # draws of the posterior
_BISECTIONS = 40  # of a span of some standard deviations: to a part in 1e12
_REACH = 100.0  # standard deviations from the outermost level, beyond which hardly anything lies


@dataclass(frozen=True, eq=False)
class Curve:
    """A weight log and the band in which one more piece of the liquid would be. All kg/kg dry.

    when : (k,) s, evenly in the root of time from 0 to the liquid's last reading. low, middle, high
    : (k,), 90 % of pieces lie between low and high: what is not known, what the surfaces miss and
    what pieces differ by, but not the balance. read : (m,) s. measured : (repeats, m). sd : (m,) of
    the balance.
    """

    liquid: str
    when: Floats
    low: Floats
    middle: Floats
    high: Floats
    read: Floats
    measured: Floats
    sd: Floats


def curves_of(evidence: Evidence, rival: Rival, posterior: Posterior, seed: int = 0) -> list[Curve]:
    """A curve for each log, in the order of the bench, as one explanation foretells it."""
    view = View(evidence, rival, posterior.resampled(_DRAWN, seed))
    logs = evidence.bench.logs
    found: list[Curve] = []
    for liquid, log in logs:
        last = max(float(other.when[-1]) for name, other in logs if name == liquid)
        when = np.linspace(0.0, np.sqrt(last), _TIMES) ** 2
        told = view.at(evidence.makeups[rival, liquid], when, np.zeros(_TIMES))
        found.append(Curve(liquid, when, *band_of(told), log.when, log.uptake, log.sd))
    return found


def band_of(told: Predicted) -> tuple[Floats, Floats, Floats]:
    """(m,) each of LEVELS of one piece, over all draws; never below 0.

    At each time a piece is a mixture of t laws, one a draw: its quantiles by bisection.
    """

    variance = np.einsum("nii->ni", told.own) + np.einsum("nii->ni", told.missed)
    sd = np.sqrt(np.maximum(variance, 1e-300))

    def quantile(share: float) -> Floats:
        low = (told.level - _REACH * sd).min(axis=0)
        high = (told.level + _REACH * sd).max(axis=0)
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            below = told.tails.below((middle - told.level) / sd).mean(axis=0) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray(np.maximum((low + high) / 2, 0.0))

    low, middle, high = (quantile(share) for share in LEVELS)
    return low, middle, high
