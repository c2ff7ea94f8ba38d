"""Panels of a verdict: what was weighed of each liquid, and what was to be expected of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from poresim.show.style import GRID, INK, SOFT, characters, label, name_label, text_size
from poresim.show.tables import Table
from poresim.why.weighing.verdict import MISFIT

if TYPE_CHECKING:
    from poresim.why.judge import Judged
    from poresim.why.weighing.curves import Curve

_WIDTH = 5.4  # inches
_MOST = 12  # liquids that are drawn
_LEFT, _RIGHT, _BETWEEN = 0.125, 0.97, 0.04
_TALL = {1: 1.75, 2: 1.3}  # inches of a panel, by columns
_SD = 1.96  # of the balance: 95 %
_NICE = (1.0, 2.0, 3.0, 5.0)
_UNITS = (("s", 1.0), ("min", 60.0), ("h", 3600.0), ("days", 86400.0))


def logs_tall(found: Judged, line: float) -> float:
    """Inches that the panels take, with their caption."""
    liquids = _liquids(found)
    columns = _columns(liquids)
    rows = -(-len(liquids) // columns)
    above = line * (_titles(found) + 0.75)
    caption = line * (_caption(found).count("\n") + 1)
    return caption + rows * (above + _TALL[columns]) + 3.6 * line


def draw_logs(figure: Any, found: Judged, top: float, line: float, colour: str, alarm: str) -> None:
    """Below ``top`` (inches from the lower edge): small panels of the same axes."""
    tall, width = figure.get_figheight(), figure.get_figwidth()
    caption = _caption(found)
    figure.text(0.02, top / tall, caption.split("\n")[0], va="top", weight="bold")
    figure.text(
        0.02, (top - line) / tall, "\n".join(caption.split("\n")[1:]), va="top", color=SOFT,
        linespacing=1.06,
    )  # fmt: skip
    top -= line * (caption.count("\n") + 1)
    liquids = _liquids(found)
    columns = _columns(liquids)
    wide = (_RIGHT - _LEFT - (columns - 1) * _BETWEEN) / columns
    above = line * (_titles(found) + 0.75)
    high = 100 * max(
        max(float(c.high.max()), float((c.measured + _SD * c.sd).max()))
        for some in liquids.values()
        for c in some
    )
    last = max(float(c.when[-1]) for some in liquids.values() for c in some)
    unit, factor = next(u for u in reversed(_UNITS) if last >= 3 * u[1] or u[0] == "s")
    for place, (liquid, some) in enumerate(liquids.items()):
        row, column = divmod(place, columns)
        bottom = top - (row + 1) * (above + _TALL[columns])
        left = _LEFT + column * (wide + _BETWEEN)
        axes = figure.add_axes((left, bottom / tall, wide, _TALL[columns] / tall))
        missed = _missed(found, liquid)
        _draw_panel(axes, some, colour, alarm if missed else None)
        axes.set_xlim(0, 1.03 * math.sqrt(last))
        axes.set_ylim(0, 1.06 * high)
        axes.locator_params(axis="y", nbins=4)
        ticks = root_ticks(last / factor, 6 if columns == 1 else 4)
        lowest = place + columns >= len(liquids)
        axes.set_xticks(np.sqrt(factor * ticks), [f"{t:g}" for t in ticks] if lowest else [])
        if column:
            axes.tick_params(labelleft=False)
        name = name_label(liquid, characters(wide * width, 1.08 * text_size(width)), 1)
        title_at = (bottom + _TALL[columns] + line * (1.25 if missed else 0.25)) / tall
        figure.text(left, title_at, name, va="bottom", weight="bold")
        if missed:
            at = (bottom + _TALL[columns] + 0.15 * line) / tall
            figure.text(left, at, "✗ not explained", va="bottom", weight="bold", color=alarm)
    rows = -(-len(liquids) // columns)
    bottom = top - rows * (above + _TALL[columns])
    middle = (top - above + bottom) / 2
    figure.text(0.012, middle / tall, "Uptake, % of dry mass", rotation=90, va="center", ha="left")
    figure.text(
        (_LEFT + _RIGHT) / 2, (bottom - 1.45 * line) / tall, f"Time, {unit} (root scale)",
        va="top", ha="center",
    )  # fmt: skip


def log_tables(found: Judged) -> dict[str, Table]:
    """What the panels draw: bands, and every reading with half of its bar; % of dry mass."""
    liquids = _liquids(found).items()
    names = [f"uptake_percent_{which}" for which in ("5_percent", "median", "95_percent")]
    bands = [
        (label(liquid), c.when, *(100 * row for row in (c.low, c.middle, c.high)))
        for liquid, (c, *_) in liquids
    ]
    weighed = [
        (label(liquid), log, piece, c.read, 100 * row, 100 * _SD * c.sd)
        for liquid, some in liquids
        for log, c in enumerate(some, 1)
        for piece, row in enumerate(c.measured, 1)
    ]
    head = ("liquid", "log", "piece", "time_s", "uptake_percent", "bar_percent")
    return {
        "bands": Table(("liquid", "time_s", *names), bands),
        "weighed": Table(head, weighed),
    }


def root_ticks(last: float, count: int) -> np.ndarray:
    """Round times from 0 to ``last``, about evenly in the root of time."""
    top = math.floor(math.log10(last))
    some = [float(f"{digit:g}e{top - down}") for down in range(4) for digit in _NICE]
    nice = np.array([t for t in (*some, 15.0, 60.0) if 1e-4 * last < t <= last])
    wanted = last * np.linspace(0, 1, count) ** 2
    nearest = [nice[np.argmin(np.abs(np.sqrt(nice) - math.sqrt(t)))] for t in wanted[1:]]
    return np.unique([0.0, *nearest])


def _draw_panel(axes: Any, some: list[Curve], colour: str, alarm: str | None) -> None:
    first = some[0]
    root = np.sqrt(first.when)
    axes.fill_between(
        root, 100 * first.low, 100 * first.high, color=colour, alpha=0.22, lw=0, zorder=2
    )
    axes.plot(root, 100 * first.middle, color=colour, lw=1.8, zorder=3)
    for one in some:
        at = np.sqrt(one.read)
        for repeat in one.measured:
            axes.errorbar(
                at, 100 * repeat, 100 * _SD * one.sd, fmt="o", ms=3.6, mew=0.9, mfc="none",
                color=INK, elinewidth=0.9, zorder=4,
            )  # fmt: skip
    axes.grid(axis="x", visible=False)
    axes.grid(axis="y", color=GRID)
    if alarm is not None:
        for side in ("left", "bottom"):
            axes.spines[side].set_color(alarm)
            axes.spines[side].set_linewidth(2.0)


def _liquids(found: Judged) -> dict[str, list[Curve]]:
    """Logs by liquid, in the order of the bench."""
    by_name: dict[str, list[Curve]] = {}
    for one in found.verdict.curves:
        by_name.setdefault(one.liquid, []).append(one)
    return dict(list(by_name.items())[:_MOST])


def _columns(liquids: dict[str, list[Curve]]) -> int:
    return 1 if len(liquids) == 1 else 2


def _missed(found: Judged, liquid: str) -> bool:
    """Whether a log of it is not explained."""
    chances = [one.chance for one in found.verdict.fits if one.what == f"log of {liquid}"]
    return min(chances, default=1.0) < MISFIT


def _titles(found: Judged) -> int:
    """Lines above a panel."""
    return 2 if any(_missed(found, liquid) for liquid in _liquids(found)) else 1


def _caption(found: Judged) -> str:
    text = (
        "Points: pieces weighed; their bars: the balance. Band: where this explanation puts "
        "90 % of pieces."
    )
    count = len({one.liquid for one in found.verdict.curves})
    if count > _MOST:
        text += f" The first {_MOST} of {count} liquids."
    return "Measured uptake and the first explanation\n" + label(
        text, characters(0.93 * _WIDTH, text_size(_WIDTH)), 4
    )
