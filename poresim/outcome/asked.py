"""What can be asked of one soak: a figure, or a curve read at a time or at a level."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.curves import time_to, value_at
from poresim.outcome.summary import AT_REST, GONE, summarise
from poresim.uptake.result import Ending

if TYPE_CHECKING:
    from poresim.outcome.summary import Course
    from poresim.solid.network import Network

Floats = NDArray[np.float64]

_MOST_POINTS = 160  # of a curve that is kept
_MG = 1e-6

#: Name of a figure -> its unit ("" where it is a share or a number) and what it is.
FIGURES: dict[str, tuple[str, str]] = {
    "sorptivity": ("kg m⁻² s⁻⁰·⁵", "sorptivity (uptake per area and root of time)"),
    "A_w_kg_m2_s05": ("kg m⁻² s⁻⁰·⁵", "absorption coefficient"),
    "S_mm_min05": ("mm min⁻⁰·⁵", "sorptivity"),
    "exponent": ("", "exponent of uptake ~ time^b"),
    "end_s": ("s", "when the soak ended"),
    "end_saturation": ("", "saturation in the end"),
    "end_uptake_kg": ("kg", "uptake in the end"),
    "blocked_of_all": ("", "share of all throats that grains closed"),
    "blocked_of_reached": ("", "share of the throats reached that grains closed"),
    "wall_shear_rate_50_1_s": ("1/s", "wall shear rate below which half the work was done"),
    "effective_viscosity_Pa_s": ("Pa s", "viscosity at that rate"),
    "end_snap_force_N": ("N", "snap force in the end"),
    "fails_at_s": ("s", "when it no longer carries its overhang"),
    "drop_angle_deg": ("°", "contact angle of a drop at first"),
    "drop_left_share": ("", "share of a drop that is left in the end"),
    "drop_half_s": ("s", "when half of a drop was drawn in"),
    "drop_gone_s": ("s", "when a drop was gone"),
    "air_saturation": ("", "share of the pores that trapped air fills"),
    "air_prevented_share": ("", "share of the uptake that trapped air kept out"),
    "lifted_saturation": ("", "saturation when it was lifted out"),
    "pore_m3": ("m³", "volume of the pores"),
    "film_m3": ("m³", "film that hung on it when it was lifted out"),
}
#: Curve, unit, what it is, of what is read at a time or at a level.
READINGS: dict[str, tuple[str, str, str]] = {
    "uptake_at_s": ("uptake_kg", "kg", "uptake after"),
    "saturation_at_s": ("saturation", "", "saturation after"),
    "snap_force_at_s": ("snap_force_N", "N", "snap force after"),
    "drop_left_at_s": ("drop_m3", "m³", "what is left of the drop after"),
    "time_to_saturation": ("saturation", "s", "time to"),
    "time_to_uptake_mg": ("uptake_kg", "s", "time to"),
}
_CURVES = ("uptake_kg", "saturation", "snap_force_N", "drop_m3")


@dataclass(frozen=True)
class Outcome:
    """What is kept of one soak of many.

    ending : how it ended. curves : time_s (k,) and what is known of uptake_kg, saturation,
    snap_force_N and drop_m3 at these times, (k,), k <= 160. figures : by name, of FIGURES; only
    those that are known.
    """

    ending: Ending
    curves: dict[str, Floats]
    figures: dict[str, float] = field(default_factory=dict)

    def value(self, name: str, when: float) -> float:
        """A curve at a time (s); NaN beyond its end unless the soak had come to rest."""
        if name not in self.curves:
            return math.nan
        time = self.curves["time_s"]
        holds = self.ending in AT_REST
        return float(value_at(time, self.curves[name], when, holds=holds))

    def time_to(self, name: str, level: float) -> float:
        """When a rising curve reaches a level, s; NaN: never."""
        return time_to(self.curves["time_s"], self.curves[name], level)


@dataclass(frozen=True)
class Asked:
    """A result: ``name`` of FIGURES, or of READINGS with what it is read ``at`` (s, share, mg)."""

    name: str
    at: float | None = None

    @property
    def unit(self) -> str:
        """Its unit; "" of a share or a number."""
        return READINGS[self.name][1] if self.at is not None else FIGURES[self.name][0]

    @property
    def words(self) -> str:
        """What it is, in words."""
        from poresim.outcome.words import mass, percent, seconds

        if self.at is None:
            return FIGURES[self.name][1]
        at: dict[str, Callable[[float], str]] = {
            "time_to_saturation": lambda level: f"{percent(level)} full",
            "time_to_uptake_mg": lambda level: mass(level * _MG),
        }
        return f"{READINGS[self.name][2]} {at.get(self.name, seconds)(self.at)}"

    @property
    def column(self) -> str:
        """A name for tables, such as uptake_at_5_s."""
        return self.name if self.at is None else f"{self.name}_{self.at:g}"

    def told(self, value: float) -> str:
        """A value of it, with its unit."""
        from poresim.outcome.words import mass, percent, seconds, volume

        if not math.isfinite(value):
            return "never" if self.unit == "s" else "not known"
        if self.unit == "s":
            return seconds(value)
        if self.unit == "kg":
            return mass(value)
        if self.unit == "m³":
            return volume(value)
        if self.unit == "" and self.name != "exponent":
            return percent(value)
        return f"{value:.3g} {self.unit}".rstrip()

    def of(self, outcome: Outcome) -> float:
        """Of one soak; NaN where it was not reached or is not known."""
        if self.at is None:
            return outcome.figures.get(self.name, math.nan)
        curve = READINGS[self.name][0]
        if self.name == "time_to_saturation":
            return outcome.time_to(curve, self.at)
        if self.name == "time_to_uptake_mg":
            return outcome.time_to(curve, self.at * _MG)
        found = outcome.value(curve, self.at)
        if curve == "drop_m3" and found < GONE * outcome.curves[curve].max():
            return 0.0  # what rounding leaves of it
        return found


def outcome_of(
    course: Course, solid: Network, area: float, lift_s: tuple[float, ...], density: float
) -> Outcome:
    """What is kept of a soak. area : m2 of the wetted face; density : NaN where no whole face is
    (as for ``summarise``)."""
    known = {name: getattr(course, name) for name in _CURVES}
    known = {name: row for name, row in known.items() if len(row) == len(course.time_s)}
    kept = _thinned(course.time_s, course.saturation)
    curves = {"time_s": course.time_s[kept], **{name: row[kept] for name, row in known.items()}}
    summary = summarise("", [course], [solid.ends], [area], lift_s, density)
    figures = {name: float(getattr(summary, name).median) for name in FIGURES if name != "pore_m3"}
    figures["pore_m3"] = solid.volume
    return Outcome(
        course.ending, curves, {name: v for name, v in figures.items() if math.isfinite(v)}
    )


def _thinned(time: Floats, saturation: Floats) -> NDArray[np.int64]:
    """Rows that tell a curve: even steps of what is taken up and of ln(time) together."""
    if len(time) <= _MOST_POINTS:
        return np.arange(len(time))
    rise = np.abs(np.diff(saturation))
    later = np.diff(np.log(np.maximum(time, time[1] if time[1] > 0 else 1e-12)))
    way = sum(part / part.sum() for part in (rise, later) if part.sum() > 0)
    reached = np.concatenate([[0.0], np.cumsum(way)])
    wanted = np.linspace(0.0, reached[-1], _MOST_POINTS)
    return np.unique(np.append(np.searchsorted(reached, wanted[:-1]), len(time) - 1))
