"""Which time of the soak each frame shows, and how that is said on screen."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

#: root: as the root of time, in which a front moves evenly. even: slowed or sped up by one factor.
#: real: one second a second.
PACES = ("root", "even", "real")
_REAL = 0.02  # a factor so near 1 is none


class Pace(NamedTuple):
    """times : (frames,) s, from 0 to the end. words : what is said of it on screen."""

    times: NDArray[np.float64]
    words: str


def pace_of(kind: str, until_s: float, seconds: float, fps: float) -> Pace:
    """Frames of a film of ``seconds`` that ends at ``until_s``; real time lasts as long as that."""
    if kind == "real":
        seconds = until_s
    count = max(round(seconds * fps), 2)
    share = np.linspace(0.0, 1.0, count)
    if kind == "root":
        return Pace(until_s * share**2, "clock runs as √time")
    factor = seconds / until_s
    if kind == "real" or abs(math.log(factor)) < _REAL:
        return Pace(until_s * share, "real time")
    if factor > 1:
        return Pace(until_s * share, f"slowed {_two_figures(factor)} times")
    return Pace(until_s * share, f"sped up {_two_figures(1 / factor)} times")


def _two_figures(factor: float) -> str:
    return f"{float(f'{factor:.2g}'):.12g}"


def clock(when: float, last: float) -> str:
    """The time with as many decimals as the film needs throughout."""
    decimals = 0 if last >= 300 else 1 if last >= 10 else 2 if last >= 1 else 3
    return f"{when:.{decimals}f} s"
