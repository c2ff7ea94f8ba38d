"""A curve as a few numbers that vary smoothly with the unknowns, and back.

A soak is told by ln(time) at fixed shares of the pores, and ln of what the pores hold. Times vary
by factors with radius, viscosity and tension, so their logarithms are nearly linear in those of the
unknowns, and no curve has a kink where it comes to its end. Below the least share a curve rises as
the root of time (Washburn) from what fills at once: tubes that lie in the wetted face. A soak that
ends before a share is reached goes on, for the sake of the number, as the root of time; what lies
beyond its end is never compared with a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.asked import Outcome
from poresim.outcome.summary import AT_REST

Floats = NDArray[np.float64]

#: At which times are told: shares of the pores that do not fill at once. Close below, where curves
#: bend that grains all but stop.
LEVELS = np.array([0.03, 0.07, 0.12, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97])
_MOST_LOG = math.log(1e4)  # times the soak's own time: nothing at all was taken up
_LEAST_S = 1e-9
_KEPT = 81
_EARLY, _AT_ONCE = 0.2, 1e-3  # what is there in a thousandth of the time to that share is at once


def shares_of(at_once: float) -> Floats:
    """(12,) LEVELS as shares of all pores. at_once : of what fills at once."""
    return at_once + (1 - at_once) * LEVELS


def features_of(outcome: Outcome, until_s: float, at_once: float) -> Floats:
    """(13,) ln of the times (s) at LEVELS, and ln of the pores' volume (m3).

    until_s : for how long the soak was followed. at_once : share of the pores that fills at once.
    """
    log_times = log_times_at(outcome, until_s, shares_of(at_once))
    return np.append(log_times, math.log(outcome.figures["pore_m3"]))


def log_times_at(outcome: Outcome, until_s: float, shares: Floats) -> Floats:
    """ln of the times (s) at which shares (k,) of the pores are full."""
    time, full = outcome.curves["time_s"], outcome.curves["saturation"]
    most = math.log(until_s) + _MOST_LOG
    last = float(full[-1])
    found = np.full(len(shares), most)
    inside = last >= shares
    root = np.sqrt(time)
    rising = np.maximum.accumulate(full)
    for i in np.flatnonzero(inside):
        j = int(np.searchsorted(rising, shares[i]))
        low, high = rising[max(j - 1, 0)], rising[j]
        part = (shares[i] - low) / (high - low) if high > low else 1.0
        at = root[max(j - 1, 0)] + part * (root[j] - root[max(j - 1, 0)])
        found[i] = 2 * math.log(max(at, math.sqrt(_LEAST_S)))
    if last > 0:
        end = max(until_s, float(time[-1]))
        beyond = math.log(end) + 2 * np.log(shares[~inside] / last)
        found[~inside] = np.minimum(beyond, most)
    return found


def times_until(until_s: float) -> Floats:
    """(_KEPT,) times (s) at which a curve is kept, evenly in the root of time."""
    return until_s * np.linspace(0, 1, _KEPT) ** 2


def filled_at(outcome: Outcome, when: Floats) -> Floats:
    """Shares of the pores that are full at times (s); a soak that all but filled goes on as the
    root of time."""
    time, full = outcome.curves["time_s"], outcome.curves["saturation"]
    found = np.interp(np.sqrt(when), np.sqrt(time), full)
    if outcome.ending not in AT_REST and time[-1] > 0:
        beyond = when > time[-1]
        found[beyond] = np.minimum(full[-1] * np.sqrt(when[beyond] / time[-1]), 1.0)
    return found


def filled_at_once(outcomes: Sequence[Outcome], until_s: float) -> float:
    """Share of the pores that fills at once: median over soaks of what is full in a thousandth of
    the time to a fifth."""
    found = []
    for one in outcomes:
        early = math.exp(log_times_at(one, until_s, np.array([_EARLY]))[0])
        curve = one.curves["time_s"], one.curves["saturation"]
        found.append(float(np.interp(_AT_ONCE * early, *curve)))
    return float(np.median(found)) if found else 0.0
