"""What a sweep's figures say in words: titles that tell what was found, and what lines mean."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable
from typing import Any

import numpy as np

from poresim.outcome.words import capital, percent, short
from poresim.show.style import INK, SOFT, characters, label, text_size
from poresim.show.sweep_data import Floats, Quantity, Runs, Sweep

_FLAT = 0.02  # of the result: what changes less, or not in every solid, hardly changes
_BEYOND = 0.05  # of the range, above both ends: what rises less is no peak
_TOLD = 2  # quantities that the title of shares names
_NAMED = 3  # quantities whose range the foot tells


def heading(figure: Any, text: str, sweep: Sweep) -> float:
    """The title, at the top left; the height (figure share) below which the rest may stand."""
    width = figure.get_figwidth()
    size = 1.15 * text_size(width)
    whole = wrapped(text, characters(width * 0.95, size * 1.13), 4, sweep)
    figure.text(0.02, 0.99, whole, va="top", fontsize=size, fontweight="bold", color=INK)
    used = (whole.count("\n") + 1) * 1.25 * size / 72 + 0.12
    return float(1 - used / figure.get_figheight())


def foot(figure: Any, words: str, sweep: Sweep) -> float:
    """What the figure's parts mean and what was varied; the height above it (figure share)."""
    width = figure.get_figwidth()
    size = text_size(width)
    text = f"{words} {varied(sweep)} Scenario: {sweep.scenario}."
    whole = wrapped(text.replace("..", "."), characters(width * 0.96, size), 9, sweep)
    figure.text(0.02, 0.008, whole, va="bottom", color=SOFT, fontsize=size, linespacing=1.15)
    return float(((whole.count("\n") + 1) * 1.25 * size / 72 + 0.06) / figure.get_figheight())


def wrapped(text: str, width: int, lines: int, sweep: Sweep) -> str:
    """As :func:`style.label`, with no line broken between a number and one of the sweep's units."""
    clean = label(text, 100_000, 1)
    for unit in {"%", "s", sweep.unit, *(one.unit for one in sweep.quantities)} - {""}:
        clean = re.sub(rf"(?<=\d) (?={re.escape(unit)}(?!\w))", "\u00a0", clean)
    rows = textwrap.wrap(clean, width) or [""]
    if len(rows) > lines:
        rows = [*rows[: lines - 1], rows[lines - 1][: width - 1] + "…"]
    return "\n".join(rows)


def varied(sweep: Sweep) -> str:
    """``Varied: waist, 0.3 to 1 (8 points, 4 solids each, accuracy 1 %).``"""
    told = [f"{one.name}, {ranged(one.told, one.values)}" for one in sweep.quantities[:_NAMED]]
    if len(sweep.quantities) > _NAMED:
        told.append(f"and {len(sweep.quantities) - _NAMED} more")
    solids = "one solid" if sweep.solids == 1 else f"{sweep.solids} solids"
    points = len(sweep.quantities[0].values)
    how = f"{points} points, {solids} each" if points > 1 else f"one point, {solids}"
    how += f", accuracy {100 * sweep.accuracy:g} %"
    invented = " Invented example values." if sweep.invented else ""
    return f"Varied: {'; '.join(told)} ({how}).{invented}"


def ranged(told: Callable[[float], str], values: Floats) -> str:
    """``6 to 40 µm``."""
    low, high = told(float(values.min())), told(float(values.max()))
    number, _, unit = low.rpartition("\u00a0")
    if number and low != high and high.endswith(f"\u00a0{unit}"):
        low = number
    return (f"{low} to {high}" if low != high else high).replace("\u00a0", " ")


def curves_title(sweep: Sweep) -> str:
    """How the result goes with the one quantity, for each kind of liquid."""
    one = sweep.quantities[0]
    kinds: dict[str, list[str]] = {}
    for liquid in sweep.liquids:
        kinds.setdefault(_trend(one, liquid), []).append(short(liquid.name))
    if len(np.unique(one.values)) == 1:
        return f"{capital(sweep.result)} at {one.name} {one.told(float(one.values[0]))}"
    start = f"{capital(sweep.result)} against {one.name}: "
    if len(kinds) == 1:
        trend = next(iter(kinds))
        every = " for every liquid" if len(sweep.liquids) > 1 else ""
        if trend in ("rises", "falls"):
            return f"{capital(sweep.result)} {trend} with {one.name}{every}"
        return start + trend + (" with every liquid" if len(sweep.liquids) > 1 else "")
    if len(kinds) > 3:
        return start[:-2]
    return start + "; ".join(f"{trend} with {_all_of(names)}" for trend, names in kinds.items())


def _all_of(names: list[str]) -> str:
    return " and ".join(names) if len(names) < 3 else f"{len(names)} liquids"


def _trend(one: Quantity, liquid: Runs) -> str:
    """``rises``, ``falls, not reached above 66°``, ``peaks near 18 µm``, ``hardly changes``, …"""
    order = np.argsort(one.values, kind="stable")
    across, middle = one.values[order], liquid.median[order]
    known = np.isfinite(middle)
    if not known.any():
        return "is never reached"
    words = _way(one, across[known], middle[known], liquid.values[order][known])
    if not known[0]:
        words += f", not reached below {_near(one, across[known][0])}"
    if not known[-1]:
        words += f", not reached above {_near(one, across[known][-1])}"
    return words


def _way(one: Quantity, across: Floats, middle: Floats, solids: Floats) -> str:
    """From the medians and every solid's results (points, repeats); each is at all points."""

    def beyond(high: int, low: int, least: float) -> bool:
        apart = solids[high] - solids[low]
        agree = bool((apart[np.isfinite(apart)] > 0).all())  # what they differ by does not count
        return agree and float(middle[high] - middle[low]) > least

    top, bottom, last = int(middle.argmax()), int(middle.argmin()), len(middle) - 1
    if not beyond(top, bottom, _FLAT * float(np.abs(middle).max())):
        return "hardly changes"
    least = _BEYOND * float(np.ptp(middle))
    if beyond(top, 0, least) and beyond(top, last, least):
        return f"peaks near {_near(one, across[top])}"
    if beyond(0, bottom, least) and beyond(last, bottom, least):
        return f"is least near {_near(one, across[bottom])}"
    return "rises" if middle[-1] > middle[0] else "falls"


def _near(one: Quantity, value: float) -> str:
    return one.told(float(f"{value:.2g}"))


def maps_title(sweep: Sweep) -> str:
    """From where to where the result goes over all maps, and where it is greatest."""
    some = [liquid for liquid in sweep.liquids if np.isfinite(liquid.median).any()]
    every = np.concatenate([liquid.median[np.isfinite(liquid.median)] for liquid in some])
    if np.ptp(every) <= 1e-9 * np.abs(every).max():
        return f"{capital(sweep.result)}: {sweep.told(float(every[0]))} everywhere"
    which = max(some, key=lambda liquid: float(np.nanmax(liquid.median)))
    at = int(np.nanargmax(which.median))
    place = ", ".join(f"{q.name} {_near(q, float(q.values[at]))}" for q in sweep.quantities)
    who = f" with {short(which.name)}" if len(sweep.liquids) > 1 else ""
    spread = ranged(lambda value: sweep.told(float(f"{value:.2g}")), every)
    return f"{capital(sweep.result)}: {spread}, greatest{who} at {place}"


def shares_title(sweep: Sweep, order: list[int]) -> str:
    """Which quantity makes the result vary most with each liquid, by total shares.

    It *seems* to where another one's share lies within what is uncertain.
    """
    told: dict[int, list[tuple[str, float]]] = {}
    sure = True
    for liquid in sweep.liquids:
        found = liquid.shares
        if found is not None and found.defined and found.total.max() > 0:
            top = int(np.argmax(found.total))
            told.setdefault(top, []).append((short(liquid.name), min(found.total[top], 1.0)))
            others = np.delete(found.total, top)
            sure &= bool(found.total_interval[top, 0] > others.max(initial=0.0))
    if not told:
        return f"{capital(sweep.result)} against {len(sweep.quantities)} quantities"
    parts: list[str] = []
    for i in [i for i in order if i in told][:_TOLD]:
        low, high = (f(share for _, share in told[i]) for f in (min, max))
        share = percent(high)
        if percent(low) != share:
            share = f"{percent(low).removesuffix(' %')} to {share}"
        share += " of the variance" if not parts else ""
        who = f" for {_all_of([n for n, _ in told[i]])}" if len(told) > 1 else ""
        parts.append(f"with {sweep.quantities[i].name}{who} ({share})")
    varies = "varies" if sure else "seems to vary"
    others_too = ", with others for the rest" if len(told) > _TOLD else ""
    return f"{capital(sweep.result)} {varies} most {', '.join(parts)}{others_too}"


__all__ = ["curves_title", "foot", "heading", "maps_title", "shares_title", "ranged", "wrapped"]
