"""What a soak returns."""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Ending(enum.Enum):
    """How a soak ended; the value says it in words."""

    TIME = "reached the asked time"
    SATURATION = "reached the asked saturation"
    FULL = "every tube that liquid can reach is full"
    STOPPED = "nothing drives the liquid on: every meniscus is at rest"
    NO_PATH = "no tube leads on from the inlet"
    NOT_CONVERGED = "the pressures could not be solved to the accuracy asked for"

    @property
    def failed(self) -> bool:
        """True for numerics that failed; physics that stopped is a result."""
        return self is Ending.NOT_CONVERGED


@dataclass(frozen=True, eq=False)
class Soak:
    """The course of one soak. ``k`` times, ``m`` tubes, ``n`` junctions, ``s`` snapshots.

    time_s : (k,) rising, starts at 0.
    uptake_m3 : (k,) liquid in the tubes.
    saturation : (k,) uptake over the volume of all tubes.
    front_m : (k, 5) depth of the menisci in open tubes, quantiles 5, 25, 50, 75, 95 %, m.
    front_mean_m, front_width_m : (k,) their mean and standard deviation, m.
    filled_at_s : (m,) when each tube filled; NaN = never.
    wetted_at_s : (n,) when liquid reached each junction; NaN = never; 0 at the inlet.
    blocked_at_s : (m,) when a grain closed each throat; NaN = never.
    pressure_pa : (n,) gauge pressure at the end; NaN where dry.
    snapshot_time_s : (s,) times of the snapshots.
    snapshot_fill : (s, m, 2) float32, share of the tube's length wet from end 0 and end 1.
    ending : how it ended.
    steps, solves : work done (global steps; linear solves of the whole cluster).
    volume_balance : largest |inlet flow integrated over time - liquid in tubes| over the liquid.
    accuracy : the relative error of the uptake curve that was asked for.
    """

    time_s: Floats
    uptake_m3: Floats
    saturation: Floats
    front_m: Floats
    front_mean_m: Floats
    front_width_m: Floats
    filled_at_s: Floats
    wetted_at_s: Floats
    blocked_at_s: Floats
    pressure_pa: Floats
    snapshot_time_s: Floats
    snapshot_fill: NDArray[np.float32]
    ending: Ending
    steps: int
    solves: int
    volume_balance: float
    accuracy: float
