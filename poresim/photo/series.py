"""A filmed drop: angle, base and volume against time, and when the base begins to slide."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.photo.angle import Angle

Floats = NDArray[np.float64]

_SLID = 0.03  # of the base at first: it has moved when it has lost as much,
_SURE = 3.0  # or this many times its scatter, if that is more
_FEWEST = 4  # frames


class Slide(NamedTuple):
    """frame : the first after which the base stays shorter; None where it stays pinned.

    angle_deg, sd_deg : in the mean from there on; the receding angle, if the drop has kept sliding.
    """

    frame: int | None
    angle_deg: float
    sd_deg: float


def find_slide(angles: list[Angle]) -> Slide:
    """When the base of a filmed drop lets go. It is pinned at first, or spreads."""
    base = np.array([a.base_px for a in angles])
    if len(base) < _FEWEST:
        return Slide(None, np.nan, np.nan)
    widest = float(np.median(np.sort(base)[-max(len(base) // 4, 2) :]))
    bends = np.diff(base, 2)  # of a base that stays, or slides steadily, none but for the scatter
    scatter = 1.4826 * float(np.median(np.abs(bends))) / np.sqrt(6)
    less = base < widest - max(_SLID * widest, _SURE * scatter)
    if not less[-1]:
        return Slide(None, np.nan, np.nan)
    still = np.flatnonzero(~less)
    first = int(still[-1]) + 1 if len(still) else 0
    later = np.array([a.angle_deg for a in angles[first:]])
    own = np.array([a.sd_deg for a in angles[first:]])
    spread = float(later.std(ddof=1)) if len(later) > 1 else 0.0
    sd = max(spread, float(np.median(own))) / np.sqrt(len(later))
    return Slide(first, float(later.mean()), float(sd))
