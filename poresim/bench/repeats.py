"""Weight logs of one liquid in several pieces, made one result."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from poresim.absorption.norms import (
    DAY,
    INITIAL_S,
    MM_MIN05,
    SECONDARY_S,
    astm_c1585,
    iso_15148,
)
from poresim.bench.combine import Combined, combine
from poresim.bench.uptake import Figure, Uptake

#: What ``kind`` may be besides A and B: neither can be said, as the log has a bent part and is
#: shorter than a day.
PART = "straight part"


@dataclass(frozen=True)
class Absorbed:
    """Of all repeats. slope : kg s-1/2, of the straight parts. a_w : kg m-2 s-1/2, by its kind.
    kind : "A", "B", or PART. sorptivity : m s-1/2. initial, secondary : m s-1/2 as ASTM C1585 has
    them; None where no log covers its times, NaN where a fit is rejected. after_a_day : A_w,24.
    None for what the logs, or a missing area, do not give.
    """

    slope: Combined | None
    a_w: Combined | None
    kind: str
    sorptivity: Combined | None
    knee_s: Combined | None
    plateau: Combined | None
    power: Combined | None
    initial: float | None
    secondary: float | None
    after_a_day: float | None


def absorbed(found: Sequence[Uptake], area_m2: float | None, density: float) -> Absorbed:
    """All of it. found : one a repeat. density : of the liquid, kg/m3."""
    slope = together([u.slope for u in found])
    kind = _kind(found)
    per_area = None if area_m2 is None else scaled(slope, 1.0 / area_m2)
    days = [_after_a_day(u, area_m2) for u in found]
    day = None
    if all(d is not None for d in days):
        day = combine([d.value for d in days if d], [d.sd for d in days if d])
    a_w = day if kind == "B" else per_area
    initial = secondary = None
    if area_m2 is not None:
        initial = _c1585(found, area_m2, density, INITIAL_S)
        secondary = _c1585(found, area_m2, density, SECONDARY_S)
    return Absorbed(
        slope,
        a_w,
        kind,
        scaled(per_area, 1.0 / density),
        together([u.knee for u in found]),
        together([u.plateau for u in found]),
        together([u.power for u in found]),
        initial,
        secondary,
        day.value if day is not None else None,
    )


def together(figures: Sequence[Figure]) -> Combined | None:
    """Repeats made one value, of those that have one; None where none has.

    A single one keeps its own degrees of freedom.
    """
    known = [f for f in figures if math.isfinite(f.value) and math.isfinite(f.sd)]
    if not known:
        return None
    if len(known) == 1:
        (one,) = known
        return Combined(one.value, one.sd, math.nan, 1, max(one.freedom, 1.0))
    return combine([f.value for f in known], [f.sd for f in known])


def scaled(one: Combined | None, factor: float) -> Combined | None:
    """The same in another unit."""
    if one is None:
        return None
    return one._replace(value=one.value * factor, sd=one.sd * factor, between=one.between * factor)


def interval(one: Combined) -> tuple[float, float]:
    """95 %."""
    half = one.half_width(0.95)
    return one.value - half, one.value + half


def kind_of(one: Uptake) -> str:
    """ISO 15148: A, straight until the solid is full; B, not straight, and the log lasts a day."""
    if one.whole:
        return "A"
    return "B" if one.gain.time_s[-1] >= DAY else PART


def _kind(found: Sequence[Uptake]) -> str:
    kinds = {kind_of(u) for u in found}
    return kinds.pop() if len(kinds) == 1 else PART


def _after_a_day(one: Uptake, area_m2: float | None) -> Figure | None:
    """A_w,24 by the norm's own arithmetic, whatever the kind."""
    if area_m2 is None or one.gain.time_s[-1] < DAY:
        return None
    # no line is straight enough here, so that the norm's type B is what comes out
    got = iso_15148(one.gain.time_s, one.gain.gain_kg, area_m2, most_stray=-1.0)
    scatter = one.plateau.sd if math.isfinite(one.plateau.sd) else one.gain.step_kg / math.sqrt(6)
    return Figure(got.coefficient, scatter / (area_m2 * math.sqrt(DAY)))


def _c1585(
    found: Sequence[Uptake], area_m2: float, density: float, window: tuple[float, float]
) -> float | None:
    """Mean over the repeats, m s-1/2; None where no log covers the window with three readings."""
    rates = []
    for one in found:
        t = one.gain.time_s
        inside = (t >= window[0]) & (t <= window[1])
        if t[0] > window[0] or t[-1] < window[1] or inside.sum() < 3:
            return None
        rates.append(astm_c1585(t, one.gain.gain_kg, area_m2, density, window).sorptivity)
    return math.fsum(rates) / len(rates)


def mm_min05(sorptivity: float) -> float:
    """In mm min-1/2."""
    return sorptivity / MM_MIN05
