"""The numbers of every liquid with their spread over the solids, as rows of a table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from poresim.outcome import words
from poresim.outcome.spread import Spread
from poresim.outcome.summary import FIT_FROM, FIT_TO, LEVELS, Summary
from poresim.show.series import Series


@dataclass(frozen=True)
class Cell:
    """Median and range as they are shown, and in full; "" where there is none.

    some : how many of the solids have a value, where not all do.
    """

    median: str
    exact: str = ""
    low: str = ""
    high: str = ""
    some: str = ""


@dataclass(frozen=True)
class Line:
    """One quantity, in a unit, of each liquid."""

    name: str
    unit: str
    cells: list[Cell]


@dataclass(frozen=True)
class Block:
    """Quantities that belong together."""

    name: str
    lines: list[Line]


@dataclass(frozen=True)
class Group:
    """Liquids that stand side by side in one table."""

    series: Sequence[Series]
    blocks: list[Block]


MOST = 8  # liquids in one table
_UNTOLD = "–"


class Quantity(NamedTuple):
    """A field of the summary (with a level, of those that have some), what it is, its unit, how
    many of that make one of the field's, and whether never to get there is a result."""

    field: str
    name: str
    unit: str = ""
    factor: float = 1.0
    never: bool = False


_BLOCKS: dict[str, tuple[Quantity, ...]] = {
    "Uptake": (
        *(
            Quantity(f"time_to_s {level:g}", f"Pores {100 * level:g} % full after", "s", never=True)
            for level in LEVELS
        ),
        Quantity("end_s", "End of the soak, or when it had come to rest", "s"),
        Quantity("end_saturation", "Pores full in the end", "%", 100.0),
        Quantity("end_uptake_kg", "Taken up in the end", "mg", 1e6),
    ),
    f"Against the root of time, from {100 * FIT_FROM:g} to {100 * FIT_TO:g} % of the uptake": (
        Quantity("exponent", "Exponent b, uptake as time to the b (capillary uptake: 0.5)"),
        Quantity("sorptivity", "Slope, straight or not", "kg/(m² √s)"),
        Quantity("A_w_kg_m2_s05", "Absorption coefficient A_w, where straight", "kg/(m² √s)"),
        Quantity("S_mm_min05", "Sorptivity S, where straight", "mm/√min"),
        Quantity("absorption_r", "Correlation R of that line"),
        Quantity("absorption_stray", "Farthest point off that line", "% of its rise", 100.0),
    ),
    "Grains": (
        Quantity("blocked_of_reached", "Throats closed, of those the liquid came to", "%", 100.0),
        Quantity("blocked_of_all", "Throats closed, of all", "%", 100.0),
    ),
    "Drop": (
        Quantity("drop_count", "Drops set down"),
        Quantity("drop_angle_deg", "Contact angle at first", "°"),
        Quantity("drop_half_s", "Half of the last one gone after", "s", never=True),
        Quantity("drop_gone_s", "All of it gone after", "s", never=True),
        Quantity("drop_left_share", "Left on top in the end", "%", 100.0),
    ),
    "Lifted out": (
        Quantity("lifted_s", "Lifted out for good after", "s"),
        Quantity("lifted_saturation", "Pores full then", "%", 100.0),
        Quantity("film_m3", "Film on it then", "µL", 1e9),
        Quantity("reached_after_lift", "Junctions first reached after that, of all", "%", 100.0),
    ),
    "Trapped air": (
        Quantity("air_saturation", "Pores filled by it in the end", "%", 100.0),
        Quantity("air_prevented_kg", "Uptake that it prevented", "mg", 1e6),
        Quantity("air_prevented_share", "Of the uptake without it", "%", 100.0),
    ),
    "Snap force": (
        Quantity("dry_snap_force_N", "Dry", "mN", 1e3),
        Quantity("end_snap_force_N", "In the end", "mN", 1e3),
        Quantity("fails_at_s", "No longer carries its overhang after", "s", never=True),
    ),
    "Shear (work: viscous dissipation)": (
        Quantity("wall_shear_rate_10_1_s", "10 % of the work at wall shear rates below", "1/s"),
        Quantity("wall_shear_rate_50_1_s", "50 % of the work at wall shear rates below", "1/s"),
        Quantity("wall_shear_rate_90_1_s", "90 % of the work at wall shear rates below", "1/s"),
        Quantity("effective_viscosity_Pa_s", "Viscosity at the second of these", "mPa s", 1e3),
        Quantity("viscosity_at_50_1_s_Pa_s", "Viscosity at 50 1/s", "mPa s", 1e3),
        Quantity("work_below_measured", "Work below the measured flow curve", "%", 100.0),
        Quantity("work_above_measured", "Work above the measured flow curve", "%", 100.0),
    ),
}


def blocks(found: Sequence[Summary]) -> list[Block]:
    """All that is known of some liquid; what is known of none is left out."""
    made = []
    for head, rows in _BLOCKS.items():
        lines = []
        for one in rows:
            spreads = [_spread(summary, one.field) for summary in found]
            if not any(spread.reached for spread in spreads):
                continue
            if head == "Grains" and not any(spread.high > 0 for spread in spreads):
                continue
            none = ["never" if one.never else _without(one.field, summary) for summary in found]
            cells = [_cell(*pair, one.factor) for pair in zip(spreads, none, strict=True)]
            lines.append(Line(one.name, one.unit, cells))
        if lines:
            made.append(Block(head, lines))
    return made


def groups(series: Sequence[Series]) -> list[Group]:
    """The liquids in tables of nearly the same width."""
    count = -(-len(series) // MOST)
    wide = -(-len(series) // count)
    return [
        Group(some, blocks([one.summary for one in some]))
        for some in (series[i : i + wide] for i in range(0, len(series), wide))
    ]


def solids(found: Sequence[Summary]) -> str:
    """How many solids stand behind each liquid, and what the spread over them means."""
    counts = sorted({s.repeats for s in found})
    if counts == [1]:
        return (
            "Each figure is of one solid: how much the next piece would differ is not known. "
            "repeats in [run] asks for more."
        )
    many = " to ".join(str(count) for count in dict.fromkeys((counts[0], counts[-1])))
    return (
        f"Each figure is the median over {many} solids, drawn at random from the same laws, with "
        "the lowest and the highest below it. So the spread says by how much one piece differs "
        "from the next in this model. It does not hold what is not known of the values put in, "
        "nor what the model leaves out."
    )


def _spread(summary: Summary, field: str) -> Spread:
    name, _, level = field.partition(" ")
    value = getattr(summary, name)
    spread: Spread = value[float(level)] if level else value
    return spread


def _without(field: str, summary: Summary) -> str:
    """What stands where a liquid has no value."""
    straight = field in ("A_w_kg_m2_s05", "S_mm_min05")
    return "not straight" if straight and summary.absorption_r.reached else _UNTOLD


def _cell(value: Spread, none: str, factor: float) -> Cell:
    if not value.reached:
        return Cell(none)
    low, high = _figure(factor * value.low), _figure(factor * value.high)
    some = f"in {value.reached} of {value.repeats}" if value.reached < value.repeats else ""
    if low == high and some:
        high = ""
    if not math.isfinite(value.median):
        return Cell(none, "", low, high, some)
    median = _figure(factor * value.median)
    if value.repeats == 1 or low == high:
        low = high = ""
    return Cell(median, repr(float(factor * value.median)), low, high, some)


def _figure(value: float) -> str:
    """Three figures, as people write them."""
    if value == 0:
        return "0"
    rounded = float(f"{value:.3g}")
    if abs(rounded) >= 1e4:
        return f"{rounded:,.0f}".replace(",", "\u202f")
    return f"{rounded:.10g}" if abs(rounded) >= 1e-3 else f"{rounded:.2e}"


def bar(summary: Summary) -> str:
    """Share of the pores full in the end, in the median, per cent."""
    return f"{100 * min(max(summary.end_saturation.median, 0.0), 1.0):.4g}"


def full(summary: Summary) -> str:
    """The same in words, with its range."""
    return words.ranged(summary.end_saturation, words.percent)
