"""From an accuracy to steps and tolerances, and to whether a step ends on its first event."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.uptake.begin import caught_grains
from poresim.uptake.inputs import Asked
from poresim.uptake.limits import (
    APART_JUNCTIONS,
    COARSE,
    COARSE_JUNCTIONS,
    FEW_INLETS,
    SMALL_JUNCTIONS,
    WIDE_SPREAD,
)

_HOLLOW = 0.3  # where a step holds many events: bodies ask for balances so much closer
#: Small straight networks with many events a step, times the same of large ones: with few menisci
#: errors do not even out, and between the ends of long steps the curve is a chord (ACCURACY.md).
_FEWER = {"growth": 0.2, "solve": 0.01, "drift": 0.1, "owed": 0.1}
_LADEN = 0.5  # the same again of growth where grains are caught: throats close between steps


@dataclass(frozen=True)
class Pace:
    """How an accuracy becomes steps and tolerances (calibrated in benchmarks/)."""

    arrivals: float  # share of the menisci that may arrive in one step
    growth: float  # a step over the time gone by
    owed: float  # what one junction, after events around it,
    solve: float  # all junctions, after a solve,
    drift: float  # all, after events,
    rough: float  # and all one another, after a step, may owe: shares of what menisci take
    linear: float  # linear solves reduce what is owed to this share
    budget: int  # single balances around an event
    sweeps: int  # of single balances before each Newton step

    @classmethod
    def of(
        cls,
        accuracy: float,
        waisted: bool = False,
        index: float = 1.0,
        many: bool = False,
        hollow: bool = False,
        small: bool = False,
        laden: bool = False,
    ) -> Pace:
        """Steps shorten with the square root of the accuracy: the step is of second order.

        Of first order where tubes are waisted and a step holds ``many`` events: drives are held
        up to the waist, and an error of the drive makes one of the speed that is 1/index times as
        large. So it is where junctions are ``hollow``: a body fills by a small difference between
        large pressures. In ``small`` networks whose steps hold many events all is held closer, and
        closer still where the liquid is ``laden`` with grains that are caught.
        """
        root = math.sqrt(accuracy / 1e-2)
        share = min(1.0, accuracy / 1e-2)
        pace = cls(
            arrivals=0.3 * root,
            growth=min(1.0, _growth(index, many) * root),
            owed=0.25 * share,
            solve=0.3 * share,
            linear=0.1,
            budget=60,
            sweeps=2,
            drift=0.3 * root,
            rough=0.1,
        )
        if hollow:
            few = (0.075 if many else 0.15) * min(1.0, index) ** 2 * share
            closely = _HOLLOW if many else 1.0
            pace = replace(
                pace,
                arrivals=min(few, pace.arrivals),
                owed=closely * pace.owed,
                solve=closely * pace.solve,
            )
        if not waisted:
            fewer = _FEWER if small and many else {}
            pace = replace(pace, **{name: by * getattr(pace, name) for name, by in fewer.items()})
            return replace(pace, growth=_LADEN * pace.growth) if fewer and laden else pace
        # drives are held in waisted tubes, and what is carried on makes that worse: rough 0
        growth = 0.2 * root * min(1.0, root) ** 0.6
        pace = replace(pace, growth=min(1.0, growth), owed=0.3 * share, rough=0.0, sweeps=1)
        if not many:
            return replace(pace, arrivals=0.125 * min(1.0, index) * root)
        loose = accuracy / 5e-2
        loose = min(loose, math.sqrt(loose))
        return replace(
            pace,
            arrivals=min(0.35 * min(1.0, index) * loose, pace.arrivals if hollow else 1.0),
            growth=min(1.0, 0.16 * loose),
            drift=min(1.0, 0.9 * loose),
            solve=0.25 * share,
            budget=5 if accuracy >= COARSE else 60,
        )


def _growth(index: float, many: bool) -> float:
    """A step over the time gone by, at accuracy 1e-2: for all but Newton's law pressures bend.

    With ``many`` events a step it is shorter: in thin lattices few menisci lead at first.
    """
    if many:
        return 0.15 * min(index, 1.0)
    return 0.3 if index == 1.0 else 0.2 * min(index, 1.0)


def one_by_one_up_to(solid: Network, liquid: Liquid, asked: Asked, waisted: bool) -> int:
    """Up to how many junctions steps end on their first event."""
    fine = asked.accuracy < COARSE
    few = SMALL_JUNCTIONS if fine else COARSE_JUNCTIONS
    if not waisted and not fine:
        if _hard(solid, liquid, asked):
            few = SMALL_JUNCTIONS
        elif len(asked.lifts) or asked.drop_m3 is not None:
            few = APART_JUNCTIONS
    return few if asked.drop_m3 is None else min(few, APART_JUNCTIONS)


def _hard(solid: Network, liquid: Liquid, asked: Asked) -> bool:
    """Where steps that hold many events miss what is asked for (benchmarks/ACCURACY.md).

    A tube much wider than the others, or a body, at rest just short of setting out, may fill within
    one step as its pressure is a little off, and be a shortcut from then on; where few junctions
    let grains in, a single throat decides what fills.
    """
    if np.any(solid.body_volume > 0) or np.std(np.log(solid.radius)) > WIDE_SPREAD:
        return True
    return len(asked.inlet) < FEW_INLETS and caught_grains(solid, liquid) is not None
