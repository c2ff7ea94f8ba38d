"""Figures in plain words: numbers as people read them, and the sentence that sums up a run."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from poresim.outcome.spread import Spread
from poresim.outcome.summary import LEVELS, Summary
from poresim.uptake.result import Ending

#: Shares of the work outside a measured flow curve above this are told.
EXTRAPOLATED = 0.05
#: Of a drop: such a share of it reads as 100 %.
WHOLE = 0.995
_TOLD = 0.001


def seconds(value: float) -> str:
    """A time, to two or three figures: ``6.1 s``, ``12 min``, ``0.35 s``."""
    if not math.isfinite(value):
        return "never"
    if value >= 5400:
        return f"{_round(value / 3600)} h"
    if value >= 300:
        return f"{_round(value / 60)} min"
    for unit, factor, below in (("ns", 1e9, 1e-7), ("µs", 1e6, 1e-4), ("ms", 1e3, 1e-2)):
        if 0 < value < below:
            return f"{_round(value * factor)} {unit}"
    return f"{_round(value)} s"


def percent(share: float) -> str:
    """A share: ``22 %``, ``0.4 %``, ``<0.1 %``."""
    if not math.isfinite(share):
        return "-"
    value = 100 * share
    if value == 0 or value >= 9.95:
        return f"{value:.0f} %"
    return "<0.1 %" if value < 0.1 else f"{value:.1f} %"


def signed_percent(share: float) -> str:
    """A share in whole per cent that may be below zero: ``-12 %``."""
    if not math.isfinite(share):
        return "unknown"
    return f"{100 * share:.0f} %".replace("-0 %", "0 %")


def between(low: float, high: float) -> str:
    """From one share to another: ``-3 to 12 %``."""
    return f"{signed_percent(low).removesuffix(' %')} to {signed_percent(high)}"


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """The lines of a table whose first row names its columns."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in rows]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return [line.rstrip() for line in lines]


def volume(value_m3: float) -> str:
    """A small volume in words, in µL."""
    return f"{_round(1e9 * value_m3)} µL"


def mass(value_kg: float) -> str:
    """A mass in g, mg or µg."""
    if not math.isfinite(value_kg):
        return "-"
    for unit, factor in (("kg", 1), ("g", 1e3), ("mg", 1e6)):
        if value_kg * factor >= 1:
            return f"{_round(value_kg * factor)} {unit}"
    return f"{_round(value_kg * 1e9)} µg"


def ranged(value: Spread, word: Callable[[float], str]) -> str:
    """Median with the range over the repeats; says how many never got there."""
    if value.reached == 0:
        return word(value.median)
    middle = word(value.median)
    if value.reached < value.repeats:
        return f"{middle} ({value.repeats - value.reached} of {value.repeats} never)"
    if value.repeats == 1 or word(value.low) == word(value.high):
        return middle
    return (
        f"{middle} ({_unitless(word(value.low), middle)} to {_unitless(word(value.high), middle)})"
    )


def half_time(s: Summary) -> str:
    """Time to half full, or in what sense it was not reached."""
    time = s.time_to_s[0.5]
    if time.reached:
        return ranged(time, seconds)
    return "never" if s.at_rest else f"not in {seconds(s.end_s.median)}"


def short(name: str, most: int = 32) -> str:
    """A name that fits into a title: cut in the middle, as names often differ at their ends."""
    if len(name) <= most:
        return name
    tail = most // 3
    return f"{name[: most - tail - 1].rstrip()}…{name[-tail:].lstrip()}"


def headline(summaries: Sequence[Summary]) -> str:
    """One sentence: how far each liquid came and when, the fastest first.

    It states only what was computed: times and saturations reached, throats closed. It names no
    cause.
    """
    if not summaries:
        return "Nothing was finished."
    level = told_level(summaries)
    told = [_fate(summary, level) for summary in _ranked(summaries, level)]
    return capital("; ".join(told)) + "."


def shear_told(summaries: Sequence[Summary]) -> list[str]:
    """A sentence a liquid: at which shear rates it was used, and how thick it is there.

    Liquids that did not flow, or of which that is not known, are left out.
    """
    return [_shear(s) for s in summaries if math.isfinite(s.wall_shear_rate_50_1_s.median)]


def absorption_told(summaries: Sequence[Summary]) -> list[str]:
    """A sentence a liquid: how fast whole faces take it up, or that this has no one rate.

    Nothing where only a part of a face is wetted, and of a drop.
    """
    return [_absorption(s) for s in summaries if s.absorption_r.reached]


def firmness_told(summaries: Sequence[Summary]) -> list[str]:
    """A sentence a liquid: what is left of the snap force, and when the block gives way.

    Nothing where walls do not soften.
    """
    return [_firmness(s) for s in summaries if math.isfinite(s.dry_snap_force_N.median)]


def drop_told(summaries: Sequence[Summary]) -> list[str]:
    """A sentence a liquid: when a drop of it was half gone and gone, or what is left on top.

    Nothing where the liquid is no drop.
    """
    return [_drop(s) for s in summaries if s.drop_left_share.reached]


def drop_title(summaries: Sequence[Summary]) -> str:
    """When drops are gone, the fastest first, and what is left of the others; three at most."""
    ranked = sorted(summaries, key=lambda s: (s.drop_left_share.median, _gone_at(s)))
    chosen = ranked if len(ranked) <= 3 else [ranked[0], *ranked[-2:]]
    return capital("; ".join(_drop_fate(s, short(s.name)) for s in chosen))


def lifted_told(summaries: Sequence[Summary]) -> list[str]:
    """A sentence a liquid: how full the solid was when it was lifted out, and what came after.

    Nothing where it stayed in the liquid.
    """
    return [_lifted(s) for s in summaries if s.lifted_s.reached]


def air_told(summaries: Sequence[Summary]) -> list[str]:
    """A sentence a liquid: how much uptake trapped air prevented; nothing where air is free."""
    return [_air(s) for s in summaries if s.air_saturation.reached]


def _air(s: Summary) -> str:
    text = f"Trapped air keeps {ranged(s.air_prevented_share, percent)} of what it would take up"
    text += f" otherwise out of the solid with {s.name}, {mass(s.air_prevented_kg.median)}"
    return f"{text}; it fills {ranged(s.air_saturation, percent)} of the pores in the end"


def _absorption(s: Summary) -> str:
    fitted, straight = s.absorption_r, s.A_w_kg_m2_s05.reached
    text = f"{s.name} against the root of time: "
    if not straight:
        off = ranged(s.absorption_stray, percent)
        return f"{text}not straight, {off} off a line, R {ranged(fitted, _correlation)}"
    some = "" if straight == s.A_w_kg_m2_s05.repeats else f", straight in {straight} of them"
    return (
        f"{text}A_w {_known(s.A_w_kg_m2_s05, 'kg/(m2 s^0.5)')}, "
        f"S {_known(s.S_mm_min05, 'mm/min^0.5')}, R {ranged(fitted, _correlation)}{some}"
    )


def _known(value: Spread, unit: str) -> str:
    """Median and range of those repeats that have a value."""
    known = value._replace(repeats=value.reached)
    if not math.isfinite(value.median):
        return f"{value.low:.3g} to {value.high:.3g} {unit}"
    return f"{ranged(known, lambda number: f'{number:.3g}')} {unit}"


def _correlation(value: float) -> str:
    return f"{value:.4f}"


def _drop(s: Summary) -> str:
    half, gone, left = s.drop_half_s, s.drop_gone_s, s.drop_left_share
    if gone.reached and math.isfinite(gone.median):
        last = f": the last of {_count(s)} drops" if _count(s) > 1 else ""
        return (
            f"{s.name}{last} is half gone after {ranged(half, seconds)}"
            f" and gone after {ranged(gone, seconds)}"
        )
    text = _drop_fate(s, s.name)
    if left.repeats > 1 and percent(left.low) != percent(left.high):
        text += f" ({percent(left.low)} to {percent(left.high)} over the solids)"
    if half.reached and _count(s) == 1:
        text += f"; half is gone after {ranged(half, seconds)}"
    if left.median == 1.0:
        text += "; nothing of it sinks in"
    elif left.median >= WHOLE:
        text += f"; {percent(1.0 - left.median)} of it sinks in"
    if s.drop_angle_deg.median >= 90.0:
        text += f"; it does not wet: its contact angle is {s.drop_angle_deg.median:.3g}°"
    if s.blocked_of_reached.median > 0:
        text += f"; grains have closed {percent(s.blocked_of_reached.median)} of the throats that"
        text += " it came to"
    if Ending.OUTGROWN in s.endings:
        return f"{text}; {Ending.OUTGROWN.value}"
    return f"{text}; it is at rest" if s.at_rest else f"{text}; it is not at rest yet"


def _drop_fate(s: Summary, name: str) -> str:
    left, gone = s.drop_left_share.median, s.drop_gone_s
    count = _count(s)
    if math.isfinite(gone.median):
        if count > 1:
            return f"{name}: all {count} drops are gone after {seconds(gone.median)}"
        return f"{name} is gone after {seconds(gone.median)}"
    if left >= WHOLE:
        return f"{name} stays on top"
    if s.at_rest:
        whole = "drop" if count == 1 else f"{count} drops"
        return f"{name} stays on top with {percent(left)} of the {whole}"
    of = "" if count == 1 else f" of {count} drops"
    return f"{name} still has {percent(left)}{of} on top after {seconds(s.end_s.median)}"


def _count(s: Summary) -> int:
    """How many drops were set down, in the median."""
    return max(round(s.drop_count.median), 1) if math.isfinite(s.drop_count.median) else 1


def _gone_at(s: Summary) -> float:
    gone = s.drop_gone_s.median
    return gone if math.isfinite(gone) else math.inf


def _lifted(s: Summary) -> str:
    full, end = ranged(s.lifted_saturation, percent), ranged(s.end_saturation, percent)
    text = f"{s.name} has filled {full} of the pores when the solid is lifted out for good after "
    text += seconds(s.lifted_s.median)
    if s.film_m3.reached:
        text += f", with a film of {volume(s.film_m3.median)} on it"
    more = s.reached_after_lift.median
    if more > 0:
        filmed = s.film_m3.reached > 0
        held = "what it holds and what hangs on it move" if filmed else "what it holds moves"
        text += f"; then {held} on, to a further {percent(more)} of all junctions"
    return f"{text}; {end} of the pores are full in the end"


def _firmness(s: Summary) -> str:
    left, fails = s.end_snap_force_N.median / s.dry_snap_force_N.median, s.fails_at_s
    text = f"{s.name} leaves the block {percent(left)} of its dry snap force in the end"
    if math.isfinite(fails.median):
        text += f"; it no longer carries its overhang after {ranged(fails, seconds)}"
    elif fails.reached:
        text += f"; {fails.reached} of {fails.repeats} blocks no longer carry their overhang then"
    return text


def _shear(s: Summary) -> str:
    low, high = _figures(s.wall_shear_rate_10_1_s.median), _figures(s.wall_shear_rate_90_1_s.median)
    text = f"{s.name} was sheared at {low} to {high} 1/s (10 to 90 % of the work)"
    there, bench = s.effective_viscosity_Pa_s.median, s.viscosity_at_50_1_s_Pa_s.median
    if math.isfinite(there):
        here, slow = _figures(1e3 * there), _figures(1e3 * bench)
        text += f": {here} mPa s there{', as at' if here == slow else f', {slow} at'} 50 1/s"
    outside = {"below": s.work_below_measured.median, "above": s.work_above_measured.median}
    if sum(outside.values()) > EXTRAPOLATED:
        told = [f"{percent(v)} of the work {k}" for k, v in outside.items() if v >= _TOLD]
        text += f"; {' and '.join(told)} the range of its flow curve, which is extrapolated there"
    return text


def _figures(value: float) -> str:
    """Two figures, without needless zeros: ``0.012``, ``9000``, ``2 300 000``."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "-"
    rounded = float(f"{value:.1e}")
    if abs(rounded) < 1e-3:
        return f"{rounded:.2g}"
    return f"{rounded:,.10g}".replace(",", " ") if rounded >= 1e4 else f"{rounded:.10g}"


def title(summaries: Sequence[Summary]) -> str:
    """The first and the last liquid of :func:`headline`, short enough to head a figure."""
    level = told_level(summaries)
    ranked = _ranked(summaries, level)
    chosen = ranked[:1] + ranked[-1:] if len(ranked) > 1 else ranked
    return capital("; ".join(_fate(s, level, grains=False) for s in chosen))


def told_level(summaries: Sequence[Summary]) -> float:
    """The highest of the told saturations that some liquid reaches in the median."""
    for level in sorted(LEVELS, reverse=True):
        if any(math.isfinite(s.time_to_s[level].median) for s in summaries):
            return level
    return min(LEVELS)


def _ranked(summaries: Sequence[Summary], level: float) -> list[Summary]:
    def rank(s: Summary) -> tuple[float, float]:
        median = s.time_to_s[level].median
        return (median if math.isfinite(median) else math.inf, -s.end_saturation.median)

    return sorted(summaries, key=rank)


def _fate(s: Summary, level: float, *, grains: bool = True) -> str:
    time = s.time_to_s[level].median
    end = percent(s.end_saturation.median)
    name = s.name if grains else short(s.name)
    if set(s.endings) == {Ending.FULL} and s.end_saturation.median < 0.95:
        text = f"{name} fills all that it can reach, {end}, in {seconds(s.end_s.median)}"
    elif math.isfinite(time):
        text = f"{name} fills {percent(level)} of the pores in {seconds(time)}"
    elif s.at_rest:
        text = f"{name} stops at {end}"
    else:
        text = f"{name} is at {end} after {seconds(s.end_s.median)}"
    closed = s.blocked_of_reached.median
    if grains and closed > 0:
        text += f", grains having closed {percent(closed)} of the throats it came to"
    return text


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def _unitless(text: str, like: str) -> str:
    number, _, unit = text.rpartition(" ")
    return number if number and like.endswith(f" {unit}") else text


def _round(value: float) -> str:
    """Three figures below 10, whole numbers from 100 on, no needless zeros."""
    if value == 0:
        return "0"
    digits = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}"


__all__ = [
    "WHOLE", "absorption_told", "air_told", "drop_title", "drop_told", "firmness_told",
    "half_time", "headline", "lifted_told", "mass", "percent", "ranged", "seconds",
    "shear_told", "short", "title", "told_level",
]  # fmt: skip
