"""What a soak returns."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.brief import Brief, Rows, volume
from poresim.liquid.curves import MeasuredFlow
from poresim.liquid.laws import ViscosityLaw

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]


#: Shares of the work, of the lowest shear rates up, whose rates are told.
SHEAR_LEVELS = (0.1, 0.5, 0.9)
#: Where kitchens measure thickness, 1/s.
BENCH_RATE = 50.0


class Ending(enum.Enum):
    """How a soak ended; the value says it in words."""

    TIME = "reached the asked time"
    SATURATION = "reached the asked saturation"
    EMPTY = "the cup is empty"
    OUTGROWN = "with the next drop it would be wider than the face"
    FULL = "every tube that liquid can reach is full"
    STOPPED = "nothing drives the liquid on: every meniscus is at rest"
    NO_PATH = "no tube leads on from the inlet"
    NOT_CONVERGED = "the pressures could not be solved to the accuracy asked for"

    @property
    def failed(self) -> bool:
        """True for numerics that failed; physics that stopped is a result."""
        return self is Ending.NOT_CONVERGED


@dataclass(frozen=True, eq=False, repr=False)
class Soak(Brief):
    """The course of one soak, as numpy arrays in SI units.

    ``k`` times, ``m`` tubes, ``n`` junctions, ``s`` snapshots.

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
    shear_edges_1_s : (b + 1,) wall shear rates between the bins of the next, 1/s.
    shear_share : (b,) share of all viscous dissipation that took place at wall shear rates of each
        bin; the first and the last hold what lies beyond too. All 0 where nothing flowed.
    dissipated_j : the whole of it, J, as sampled: a few per cent off, more in coarse soaks.
    class_diameter_m : (c,) sizes of the grains, rising; empty without grains, or where none can be
        caught: then they are where the liquid is.
    carried_in_m3, suspended_m3, captured_m3, left_m3 : (k, c) volume of the grains that came in, of
        those afloat and caught in the tubes, and of those that went out again through inlets.
    cake_m3 : (k, c) and of those that fit no entrance and lie on the wetted face.
    cake_thickness_m : (k,) mean thickness of what they build there, m; 0 where there are none.
    front_fraction : (k,) grains over all that is in open tubes, by volume: what the front carries;
        NaN where nothing is open, or grains are where the liquid is.
    offered_share : (k, c) concentration at the wetted face over that at first, as grains settle.
    cup_m3 : (k, c) grains that are afloat in the cup; NaN where it holds as much as one likes.
    captured_in_tube_m3 : (m, c) caught in each tube in the end; (m, 0) likewise.
    film_m3 : (k,) what hangs outside on a solid that is lifted out; (0,) where no film was given.
    drop_m3 : (k,) what is left of the drop on the face; (0,) where the liquid was no drop. Where a
        further one comes there are two rows, with what is left before and with it on top, the first
        a rounding earlier.
    drop_angle_deg, drop_base_m, drop_height_m : (k,) its contact angle, and the radius of its base
        and the height of its apex, m; (0,) likewise.
    dispensed_m3 : (k,) what has been set down so far; (0,) where that is one drop, or none.
    trapped_share : (k,) volume of the air that liquid has cut off from the outside, over that of
        all tubes. This and the next three have no entries where air leaves at once.
    trapped_pv_j : (k,) its pressure (absolute) times its volume, J: its moles times R T.
    bubbled_pv_j : (k,) the same of what has left as bubbles so far.
    air_pa : (m,) gauge pressure of the air in each tube at the end; NaN in full ones.
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
    shear_edges_1_s: Floats
    shear_share: Floats
    dissipated_j: float
    class_diameter_m: Floats
    carried_in_m3: Floats
    suspended_m3: Floats
    captured_m3: Floats
    left_m3: Floats
    cake_m3: Floats
    cake_thickness_m: Floats
    front_fraction: Floats
    offered_share: Floats
    cup_m3: Floats
    captured_in_tube_m3: Floats
    drop_m3: Floats
    film_m3: Floats
    drop_angle_deg: Floats
    drop_base_m: Floats
    drop_height_m: Floats
    dispensed_m3: Floats
    trapped_share: Floats
    trapped_pv_j: Floats
    bubbled_pv_j: Floats
    air_pa: Floats
    ending: Ending
    steps: int
    solves: int
    volume_balance: float
    accuracy: float

    def plot(self, name: str = "this liquid") -> Figure:
        """How full the pores are against time: a matplotlib figure, with its numbers as ``tables``.

        ``poresim.plot({"one": soak, "other": other})`` draws several side by side.
        """
        from poresim.show.soaks import soaks_figure

        return soaks_figure({name: self})

    def _told(self) -> tuple[str, Rows]:
        last = float(self.time_s[-1])
        rows = [
            ("time", f"0 to {last:.3g} s, {len(self.time_s)} times"),
            ("taken up", f"{volume(self.uptake_m3[-1])}, {100 * self.saturation[-1]:.3g} % full"),
            ("tubes", f"{np.isfinite(self.filled_at_s).sum():,} of {len(self.filled_at_s):,} full"),
        ]
        closed = int(np.isfinite(self.blocked_at_s).sum())
        if closed:
            rows.append(("throats", f"{closed:,} closed by grains"))
        rows.append(("volume balance", f"{self.volume_balance:.1g} of the liquid"))
        return f"Soak: {self.ending.value}", rows

    def wall_shear_rate(self, levels: ArrayLike = SHEAR_LEVELS) -> Floats:
        """Wall shear rates, 1/s, below which these shares of the work were done; of their shape.

        Work is viscous dissipation. NaN where nothing flowed.
        """
        below = np.concatenate([[0.0], np.cumsum(self.shear_share)])
        asked = np.asarray(levels, dtype=np.float64)
        if not below[-1] > 0:
            return np.full(asked.shape, np.nan)
        some = np.flatnonzero(np.diff(below) > 0)
        span = slice(int(some[0]), int(some[-1]) + 2)  # no work, no rate
        return np.exp(np.interp(asked, below[span], np.log(self.shear_edges_1_s[span])))

    def effective_viscosity(self, law: ViscosityLaw) -> float:
        """Viscosity, Pa s, at the rate below and above which half of the work was done.

        law : the soaking liquid's. NaN where nothing flowed.
        """
        rate = float(self.wall_shear_rate(0.5))
        return float(law.apparent_viscosity(rate)) if np.isfinite(rate) else float("nan")

    def extrapolated_share(self, law: ViscosityLaw) -> tuple[float, float]:
        """Shares of the work done at wall shear rates (below, above) all that were measured.

        (NaN, NaN) for a liquid whose flow curve is not a measured one, or where nothing flowed.
        """
        if not isinstance(law, MeasuredFlow) or not self.shear_share.any():
            return float("nan"), float("nan")
        below = np.concatenate([[0.0], np.cumsum(self.shear_share)])
        ends = np.log(law.shear_rate[[0, -1]])
        low, high = np.interp(ends, np.log(self.shear_edges_1_s), below)
        return float(low), float(max(below[-1] - high, 0.0))
