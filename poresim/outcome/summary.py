"""One liquid in one solid, over all repeats: the figures that a table or a sentence needs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.absorption.line import Line, line_between
from poresim.absorption.norms import MM_MIN05, sorptivity_of
from poresim.outcome.blocking import blocked
from poresim.outcome.curves import exponent, time_to, value_at
from poresim.outcome.spread import Spread, finite, spread
from poresim.uptake.result import Ending

Floats = NDArray[np.float64]

#: Saturations whose times are told.
LEVELS = (0.1, 0.2, 0.5, 0.8)
#: Endings after which nothing more would happen: the curve keeps its last value.
AT_REST = (Ending.FULL, Ending.STOPPED, Ending.NO_PATH)
#: The slopes are fitted between these shares of a soak's final uptake.
FIT_FROM, FIT_TO = 0.1, 0.6
#: Of a drop: with less left of it, it is gone. Below what a soak itself takes for nothing.
GONE = 1e-6


class Course(Protocol):
    """What is needed of one repeat; a record's ``Repeat`` is one. Arrays as in ``Soak``."""

    @property
    def time_s(self) -> Floats: ...
    @property
    def uptake_kg(self) -> Floats: ...
    @property
    def saturation(self) -> Floats: ...
    @property
    def wetted_at_s(self) -> Floats: ...
    @property
    def blocked_at_s(self) -> Floats: ...
    @property
    def ending(self) -> Ending: ...
    @property
    def volume_balance(self) -> float: ...
    @property
    def wall_shear_rate_1_s(self) -> Floats: ...
    @property
    def effective_viscosity_Pa_s(self) -> float: ...
    @property
    def viscosity_at_50_1_s_Pa_s(self) -> float: ...
    @property
    def extrapolated_share(self) -> Floats: ...
    @property
    def snap_force_N(self) -> Floats: ...
    @property
    def fails_at_s(self) -> float: ...
    @property
    def drop_m3(self) -> Floats: ...
    @property
    def dispensed_m3(self) -> Floats: ...
    @property
    def drop_angle_deg(self) -> Floats: ...
    @property
    def film_m3(self) -> Floats: ...
    @property
    def trapped_share(self) -> Floats: ...
    @property
    def free_uptake_kg(self) -> Floats: ...


@dataclass(frozen=True)
class Summary:
    """Spreads over the repeats of one liquid; times in s, NaN = never (within the run).

    time_to_s : saturation level -> time.
    end_s, end_saturation, end_uptake_kg : when and how the soaks ended; for one that came to rest
    by itself, when it had taken up all but a millionth of what it took up.
    exponent : of uptake ~ time^b between 10 and 60 % of the final uptake.
    sorptivity : kg/(m2 s^0.5), slope on the root of time while the solid is first in the liquid,
    between the same shares of the uptake until then; NaN of a drop, and where the wetted area is
    not known.
    A_w_kg_m2_s05, S_mm_min05 : the same as an absorption coefficient, and that over the density,
    where whole faces are wetted; NaN where the curve is not straight, too.
    absorption_r, absorption_stray : correlation of that line, straight or not, and how far points
    lie off it at most, over its rise; NaN where none was looked for.
    blocked_of_all, blocked_of_reached : share of throats closed by grains.
    wall_shear_rate_10_1_s, wall_shear_rate_50_1_s, wall_shear_rate_90_1_s : 1/s, below which 10,
    50 and 90 % of the work (viscous dissipation) were done.
    effective_viscosity_Pa_s, viscosity_at_50_1_s_Pa_s : at the second of these, and at 50 1/s.
    work_below_measured, work_above_measured : shares of the work at rates below and above a
    measured flow curve's; NaN for other laws.
    dry_snap_force_N, end_snap_force_N : at first and in the end; NaN where walls do not soften.
    fails_at_s : when it no longer carries its overhang; never, too, where none is given.
    drop_angle_deg, drop_left_share : of a drop set down on a face: its contact angle at first, and
    what is left of it there in the end; NaN where the liquid is no drop.
    drop_half_s, drop_gone_s : when half of it was drawn in, and all but a millionth. Where several
    were set down, of what lay there with the last of them; drop_count : how many there were, and
    what is left counts as a share of them all.
    air_saturation : share of the pores that trapped air fills in the end; NaN where air is free.
    air_prevented_kg, air_prevented_share : by how much less was taken up than in the same soak with
    air that leaves at once, and over that.
    lifted_s, lifted_saturation : when the solid was lifted out of the liquid (for the last time),
    and how full it was then; NaN where it stayed.
    film_m3 : what hung on it as a film then; NaN where no film was asked for.
    reached_after_lift : share of all junctions that the liquid first came to after that.
    endings : ending -> number of repeats.
    volume_balance : the largest over the repeats.
    """

    name: str
    repeats: int
    time_to_s: dict[float, Spread]
    end_s: Spread
    end_saturation: Spread
    end_uptake_kg: Spread
    exponent: Spread
    sorptivity: Spread
    A_w_kg_m2_s05: Spread
    S_mm_min05: Spread
    absorption_r: Spread
    absorption_stray: Spread
    blocked_of_all: Spread
    blocked_of_reached: Spread
    wall_shear_rate_10_1_s: Spread
    wall_shear_rate_50_1_s: Spread
    wall_shear_rate_90_1_s: Spread
    effective_viscosity_Pa_s: Spread
    viscosity_at_50_1_s_Pa_s: Spread
    work_below_measured: Spread
    work_above_measured: Spread
    dry_snap_force_N: Spread
    end_snap_force_N: Spread
    fails_at_s: Spread
    drop_count: Spread
    drop_angle_deg: Spread
    drop_left_share: Spread
    drop_half_s: Spread
    drop_gone_s: Spread
    air_saturation: Spread
    air_prevented_kg: Spread
    air_prevented_share: Spread
    lifted_s: Spread
    lifted_saturation: Spread
    film_m3: Spread
    reached_after_lift: Spread
    endings: dict[Ending, int]
    volume_balance: float

    @property
    def at_rest(self) -> bool:
        """True when every repeat had come to rest by itself."""
        return bool(self.endings) and all(ending in AT_REST for ending in self.endings)

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and text, for JSON; None where a value is not known."""
        figures = {
            name: _spread_dict(getattr(self, name))
            for name, kind in self.__annotations__.items()
            if kind == "Spread"
        }
        return {
            "name": self.name,
            "repeats": self.repeats,
            "time_to_s": {f"{k:g}": _spread_dict(v) for k, v in self.time_to_s.items()},
            **figures,
            "endings": {ending.name: count for ending, count in self.endings.items()},
            "volume_balance": finite(self.volume_balance),
        }


def summarise(
    name: str,
    courses: Sequence[Course],
    ends: Sequence[ArrayLike],
    area_m2: Sequence[float],
    lift_s: Sequence[float] = (),
    density: float = math.nan,
) -> Summary:
    """Sum up the repeats of one liquid.

    ends : (m, 2) junctions of the tubes, one array a repeat. area_m2 : area of the wetted
    face(s), one a repeat; NaN when not known. lift_s : when the solid was lifted out and put back,
    in turn; only the times that a soak got beyond count. density : of the liquid, kg/m3, where it
    wets whole faces; NaN: no absorption coefficient is told.
    """
    lifted = [_lifted(course, lift_s) for course in courses]
    fits = [_line(course, area, lift_s) for course, area in zip(courses, area_m2, strict=True)]
    lines = [line if math.isfinite(density) else None for line in fits]
    straight = [line.slope if line and line.is_straight() else math.nan for line in lines]
    closed = [
        blocked(course.blocked_at_s, course.wetted_at_s, e)
        for course, e in zip(courses, ends, strict=True)
    ]
    endings: dict[Ending, int] = {}
    for course in courses:
        endings[course.ending] = endings.get(course.ending, 0) + 1
    return Summary(
        name=name,
        repeats=len(courses),
        time_to_s={
            level: spread(time_to(c.time_s, c.saturation, level) for c in courses)
            for level in LEVELS
        },
        end_s=spread(_end(c) for c in courses),
        end_saturation=spread(float(c.saturation[-1]) for c in courses),
        end_uptake_kg=spread(float(c.uptake_kg[-1]) for c in courses),
        exponent=spread(_exponent(c) for c in courses),
        sorptivity=spread(line.slope if line else math.nan for line in fits),
        A_w_kg_m2_s05=spread(straight),
        S_mm_min05=spread(sorptivity_of(a, density) / MM_MIN05 if a == a else a for a in straight),
        absorption_r=spread(line.r if line else math.nan for line in lines),
        absorption_stray=spread(line.stray if line else math.nan for line in lines),
        blocked_of_all=spread(b.of_all for b in closed),
        blocked_of_reached=spread(b.of_reached for b in closed),
        wall_shear_rate_10_1_s=spread(float(c.wall_shear_rate_1_s[0]) for c in courses),
        wall_shear_rate_50_1_s=spread(float(c.wall_shear_rate_1_s[1]) for c in courses),
        wall_shear_rate_90_1_s=spread(float(c.wall_shear_rate_1_s[2]) for c in courses),
        effective_viscosity_Pa_s=spread(c.effective_viscosity_Pa_s for c in courses),
        viscosity_at_50_1_s_Pa_s=spread(c.viscosity_at_50_1_s_Pa_s for c in courses),
        work_below_measured=spread(float(c.extrapolated_share[0]) for c in courses),
        work_above_measured=spread(float(c.extrapolated_share[1]) for c in courses),
        dry_snap_force_N=spread(_force(c, 0) for c in courses),
        end_snap_force_N=spread(_force(c, -1) for c in courses),
        fails_at_s=spread(c.fails_at_s for c in courses),
        drop_count=spread(_drop_count(c) for c in courses),
        drop_angle_deg=spread(float(c.drop_angle_deg[0]) if _drops(c) else np.nan for c in courses),
        drop_left_share=spread(_left_share(c) for c in courses),
        drop_half_s=spread(_drawn(c, 0.5) for c in courses),
        drop_gone_s=spread(_drawn(c, 1.0 - GONE) for c in courses),
        air_saturation=spread(_air_share(c) for c in courses),
        air_prevented_kg=spread(_prevented(c) for c in courses),
        air_prevented_share=spread(_prevented(c) / _free(c) for c in courses),
        lifted_s=spread(lifted),
        lifted_saturation=spread(
            float(value_at(c.time_s, c.saturation, t, holds=True)) if t == t else np.nan
            for c, t in zip(courses, lifted, strict=True)
        ),
        film_m3=spread(_film(c, t) for c, t in zip(courses, lifted, strict=True)),
        reached_after_lift=spread(
            float(np.mean(c.wetted_at_s > t)) if t == t else np.nan
            for c, t in zip(courses, lifted, strict=True)
        ),
        endings=endings,
        volume_balance=max((c.volume_balance for c in courses), default=float("nan")),
    )


def _end(course: Course) -> float:
    if course.ending not in AT_REST:
        return float(course.time_s[-1])
    return time_to(course.time_s, course.saturation, float(course.saturation[-1]) * (1 - 1e-6))


def _drops(course: Course) -> bool:
    return len(course.drop_m3) > 0


def _free(course: Course) -> float:
    """Uptake in the end with air that leaves at once, kg; NaN where it does anyway."""
    return float(course.free_uptake_kg[-1]) if len(course.free_uptake_kg) else float("nan")


def _prevented(course: Course) -> float:
    """How much of it trapped air kept out, kg."""
    return _free(course) - float(course.uptake_kg[-1])


def _air_share(course: Course) -> float:
    """Share of the pores that trapped air fills in the end."""
    if not len(course.trapped_share):
        return float("nan")
    return float(course.trapped_share[-1])


def last_drop(dispensed: Floats) -> int:
    """The row from which on the last of several drops lies there; 0 of one drop."""
    rows = np.flatnonzero(np.diff(dispensed))
    return int(rows[-1]) + 1 if len(rows) else 0


def _drop_count(course: Course) -> float:
    """How many drops were set down; NaN where the liquid is none."""
    if not _drops(course):
        return float("nan")
    given = course.dispensed_m3
    return float(round(given[-1] / given[0])) if len(given) else 1.0


def _left_share(course: Course) -> float:
    """What is left on the face in the end, over all that was set down; NaN likewise."""
    if not _drops(course):
        return float("nan")
    given = course.dispensed_m3 if len(course.dispensed_m3) else course.drop_m3[:1]
    return float(course.drop_m3[-1] / given[-1])


def _drawn(course: Course, share: float) -> float:
    """When that share of the last drop had been drawn in, s; NaN = never."""
    if not _drops(course):
        return float("nan")
    row = last_drop(course.dispensed_m3)
    left = course.drop_m3[row:]
    return time_to(course.time_s[row:], 1.0 - left / left[0], share)


def _lifted(course: Course, lift_s: Sequence[float]) -> float:
    """When the solid was last lifted out, s; NaN where it was not."""
    known = [t for t in lift_s[::2] if t < course.time_s[-1]]
    return known[-1] if known else float("nan")


def _film(course: Course, lifted: float) -> float:
    """What hung on the solid as it was lifted out, m3; NaN where nothing did."""
    if not (len(course.film_m3) and lifted == lifted):
        return float("nan")
    return float(course.film_m3[course.time_s >= lifted].max())


def _force(course: Course, when: int) -> float:
    return float(course.snap_force_N[when]) if len(course.snap_force_N) else float("nan")


def _exponent(course: Course) -> float:
    final = float(course.uptake_kg[-1])
    if not final > 0:
        return float("nan")
    return exponent(course.time_s, course.uptake_kg, FIT_FROM * final, FIT_TO * final).slope


def _line(course: Course, area: float, lift_s: Sequence[float]) -> Line | None:
    """Uptake per area on the root of time while the solid is first in the liquid, kg/m2.

    None where it cannot be fitted: a drop, an area that is not known, nothing taken up.
    """
    if _drops(course) or not math.isfinite(area):
        return None
    in_it = course.time_s <= (lift_s[0] if len(lift_s) else math.inf)
    try:
        return line_between(course.time_s[in_it], course.uptake_kg[in_it] / area, FIT_FROM, FIT_TO)
    except ValueError:
        return None


def _spread_dict(value: Spread) -> dict[str, Any]:
    return {key: finite(number) for key, number in value._asdict().items()}
