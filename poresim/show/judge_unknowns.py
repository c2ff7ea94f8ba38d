"""Rows of a verdict: what was believed of each unknown before the measurements, and after."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from poresim.outcome.words import capital
from poresim.show.style import DRY, SOFT, characters, label, name_label, readable, text_size
from poresim.show.tables import Table
from poresim.why.naming import named
from poresim.why.weighing.evidence import APART_KEY

if TYPE_CHECKING:
    from poresim.why.judge import Judged
    from poresim.why.weighing.verdict import Known

_ROWS = 10
_NOT_LEARNT = 0.9  # sd after over sd before, from which nothing is said to be learnt
_LEFT, _RIGHT = 0.44, 0.72  # of the intervals
_RATIO = 4.0  # of the ends of an interval, from which factors are drawn evenly
_WIDTH = 5.4  # inches


def unknowns_tall(found: Judged, line: float) -> float:
    """Inches that the rows take."""
    names = [_name(one) for one in _learnt(found)]
    rows = sum(_row(name, line) for name in names)
    after = _after(found)
    return rows + line * (2.1 + (after.count("\n") + 1 if after else 0) + 0.6)


def draw_unknowns(figure: Any, found: Judged, top: float, line: float, colour: str) -> None:
    """Below ``top`` (inches from the lower edge): a row an unknown, the most learnt first."""
    tall = figure.get_figheight()
    taught = "What the measurements teach"
    head = taught if found.verdict.fits_data else "What would be learnt if one of them held"
    figure.text(0.02, top / tall, head, va="top", weight="bold")
    top -= line
    if _learnt(found):
        figure.text(
            0.02, top / tall, "Grey: assumed before. Blue: known after. 90 % intervals.", va="top",
            color=SOFT,
        )  # fmt: skip
        top -= 1.1 * line
    for one in _learnt(found):
        name = _name(one)
        row = _row(name, line)
        axes = figure.add_axes((_LEFT, (top - row) / tall, _RIGHT - _LEFT, row / tall))
        _draw_row(axes, one, colour)
        across = axes.transAxes
        axes.text(-0.05, 0.5, name, transform=across, ha="right", va="center", linespacing=1.0)
        axes.text(1.05, 0.5, span(one), transform=across, va="center", color=readable(colour))
        top -= row
    after = _after(found)
    if after:
        figure.text(0.02, (top - 0.03) / tall, after, va="top", color=SOFT, linespacing=1.06)


def unknowns_table(found: Judged) -> Table:
    """The rows that are drawn, in the unit of their key."""
    ends = [
        f"{when}_{which}" for when in ("before", "after") for which in ("low", "median", "high")
    ]
    rows = [(label(one.key), *one.before, *one.after) for one in _learnt(found)]
    return Table(("unknown", *ends), rows)


def span(one: Known) -> str:
    """The interval after, to two figures of its width, and its unit."""
    unit, factor = _unit(one)
    low, high = factor * one.after[0], factor * one.after[2]
    places = 1 - math.floor(math.log10(max(high - low, 1e-3 * abs(high), 1e-300)))
    ends = [f"{round(v, places):.{max(places, 0)}f}" for v in (low, high)]
    gap = "" if unit == "°" else " "
    return f"{' to '.join(dict.fromkeys(ends))}{gap}{unit}".rstrip()


def _draw_row(axes: Any, one: Known, colour: str) -> None:
    ends = [*one.before, *one.after]
    low, high = min(ends), max(ends)
    if low > 0 and high / low > _RATIO:
        axes.set_xscale("log")
        axes.set_xlim(low * (low / high) ** 0.02, high * (high / low) ** 0.02)
    else:
        axes.set_xlim(low - 0.02 * (high - low), high + 0.02 * (high - low))
    axes.set_ylim(-0.5, 0.5)
    axes.plot(
        [one.before[0], one.before[2]], [0, 0], color=DRY, lw=7.5, solid_capstyle="butt", zorder=2
    )
    axes.plot(
        [one.after[0], one.after[2]], [0, 0], color=colour, lw=3.2, solid_capstyle="butt", zorder=3
    )
    axes.plot(one.after[1], 0, "o", ms=5, color=colour, zorder=4)
    axes.axis("off")


def _learnt(found: Judged) -> list[Known]:
    """Those that are drawn, the most learnt first."""
    some = [one for one in found.verdict.unknowns if one.left < _NOT_LEARNT]
    return sorted(some, key=lambda one: one.left)[:_ROWS]


def _after(found: Judged) -> str:
    """What is not drawn."""
    unknowns = found.verdict.unknowns
    not_learnt = [named(one.key)[0] for one in unknowns if one.left >= _NOT_LEARNT]
    more = len(unknowns) - len(not_learnt) - len(_learnt(found))
    said = []
    if more:
        said.append(f"{more} more are known a little better than before.")
    if len(not_learnt) > 4:
        said.append(f"Not learnt: {', '.join(not_learnt[:3])} and {len(not_learnt) - 3} more.")
    elif not_learnt:
        said.append(f"Not learnt: {', '.join(not_learnt)}.")
    wide = characters(0.93 * _WIDTH, text_size(_WIDTH))
    return label(" ".join(said), wide, 4) if said else ""


def _name(one: Known) -> str:
    wide = characters((_LEFT - 0.05) * _WIDTH, text_size(_WIDTH))
    return name_label(capital(named(one.key)[0] if "." in one.key else one.key), wide, 2)


def _row(name: str, line: float) -> float:
    return line * (name.count("\n") + 1) + 0.06


def _unit(one: Known) -> tuple[str, float]:
    """Unit of an unknown, and its size in it."""
    return ("%", 100.0) if one.key == APART_KEY else (named(one.key)[1], 1.0)
