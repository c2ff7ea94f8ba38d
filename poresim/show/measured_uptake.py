"""Figure of weight logs: gain against the root of time with its straight part, and log-log."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.bench.combine import Combined
from poresim.bench.repeats import Absorbed
from poresim.bench.uptake import Uptake
from poresim.outcome.words import seconds
from poresim.show.lines import plain_ticks
from poresim.show.style import (
    INK,
    SOFT,
    characters,
    colour,
    label,
    name_label,
    styled,
    text_size,
)
from poresim.show.tables import Table

Rows = list[Sequence[Any]]

_WIDTH = 5.4  # inches
_TALL = 7.4
_LEFT, _RIGHT = 0.15, 0.965
_SHOWN = 400  # readings of a log that are drawn; more lie on one another
_LEGEND = 4  # repeats that are named


def uptake_figure(
    names: Sequence[str], found: Sequence[Uptake], whole: Absorbed, liquid: str, invented: bool
) -> Any:
    """Two panels: against the root of time, and both on logarithmic axes.

    names, found : one a repeat. liquid : its name, "" for none. invented : whether the data are.
    """
    from poresim.show.picture import Picture

    with styled(_WIDTH):
        size = text_size(_WIDTH)
        figure = Picture(figsize=(_WIDTH, _TALL))
        title = label(_title(whole, liquid), characters(0.95 * _WIDTH, 1.3 * size), 3)
        figure.text(0.02, 0.99, title, va="top", fontsize=1.15 * size, weight="bold", color=INK)
        line = 1.25 * size / 72 / _TALL
        words = label(_words(found, whole, invented), characters(0.96 * _WIDTH, size), 7)
        figure.text(0.02, 0.008, words, va="bottom", color=SOFT, linespacing=1.15)
        top = 1 - (title.count("\n") + 1) * 1.2 * line - 0.055
        foot = (words.count("\n") + 1) * line + 0.01
        gap = 3.9 * line
        tall = (top - foot - 2 * gap) / 2 + 0.2 * line
        upper = figure.add_axes((_LEFT, foot + 2 * gap + tall * 0.92, _RIGHT - _LEFT, tall * 1.08))
        lower = figure.add_axes((_LEFT, foot + gap * 0.9, _RIGHT - _LEFT, tall * 0.92))
        told = [label(name) for name in names]
        readings, lines = _draw_roots(upper, told, found)
        lines += _draw_logs(lower, told, found, whole)
        columns = ("time_s", "root_time_s05", "gain_g")
        figure.tables[""] = Table(("repeat", *columns), readings)
        if lines:
            figure.tables["lines"] = Table(("repeat", "line", *columns), lines)
        if 1 < len(found) <= _LEGEND:
            wide = characters(0.4 * _WIDTH, size)
            for i, name in enumerate(names):
                upper.plot(
                    [],
                    [],
                    "o",
                    ms=5,
                    color=colour(i),
                    label=name_label(f"repeat {name}" if name.isdigit() else name, wide, 1),
                )
            upper.legend(loc="lower right", frameon=False, handletextpad=0.2, borderpad=0)
    return figure


def _draw_roots(axes: Any, names: Sequence[str], found: Sequence[Uptake]) -> tuple[Rows, Rows]:
    """Draws gains against the root of time; the readings and the lines that are drawn."""
    readings: Rows = []
    lines: Rows = []

    def line(kind: str, root: Any, gain: Any, **how: Any) -> None:
        root, gain = np.array(root), np.array(gain)
        lines.append((names[i], kind, root**2, root, gain))
        axes.plot(root, gain, **how)

    last = max(math.sqrt(u.gain.time_s[-1]) for u in found)
    for i, one in enumerate(found):
        some = _some(one)
        root, gain = np.sqrt(one.gain.time_s[some]), 1e3 * one.gain.gain_kg[some]
        readings.append((names[i], one.gain.time_s[some], root, gain))
        axes.plot(root, gain, "o", ms=4.2, mew=0, color=colour(i), alpha=0.5, zorder=2)
        if one.line is None:
            continue
        ends = np.sqrt([one.line.begin_s, one.line.end_s])
        reach = np.array([0.0, last])
        at = 1e3 * (one.line.intercept + one.line.slope * ends)
        line("straight part", ends, at, color=colour(i), zorder=4, lw=1.5)
        if math.isfinite(one.knee.value):
            level = 1e3 * one.plateau.value
            knee = math.sqrt(one.knee.value)
            reach[1] = 1.06 * knee
            line("plateau", [knee, last], [level] * 2, color=colour(i), lw=1.2, zorder=3)
            axes.plot(knee, level, "D", ms=6, color=colour(i), mec=INK, zorder=5)
        dotted = 1e3 * (one.line.intercept + one.line.slope * reach)
        line("straight part, carried on", reach, dotted, ls=":", color=INK, lw=1.0, zorder=3)
    highest = 1e3 * max(float(u.gain.gain_kg.max()) for u in found)
    axes.set_xlim(0, 1.02 * last)
    axes.set_ylim(
        min(0.0, 1.05e3 * min(float(u.gain.gain_kg.min()) for u in found)), 1.12 * highest
    )
    axes.locator_params(nbins=6)
    axes.set_xlabel("Square root of time (√s)")
    axes.set_ylabel("Gain (g)")
    axes.set_title("Straight part, knee and plateau", color=INK)
    return readings, lines


def _draw_logs(axes: Any, names: Sequence[str], found: Sequence[Uptake], whole: Absorbed) -> Rows:
    """Draws the same readings on logarithmic axes; the lines that are drawn."""
    lines: Rows = []
    low, high = math.inf, 0.0
    for i, one in enumerate(found):
        some = _some(one)
        time, gain = one.gain.time_s[some], 1e3 * one.gain.gain_kg[some]
        kept = gain > 0
        if not kept.any():
            continue
        low, high = min(low, float(gain[kept].min())), max(high, float(gain[kept].max()))
        axes.plot(time[kept], gain[kept], "o", ms=4.2, mew=0, color=colour(i), alpha=0.5, zorder=2)
        if math.isfinite(one.power.value):
            clock = np.geomspace(one.gain.time_s[0], one.searched_s, 80)
            drawn = 1e3 * (one.offset + one.factor * clock**one.power.value)
            drawn = np.where(drawn > 0, drawn, np.nan)
            lines.append((names[i], "power law", clock, np.sqrt(clock), drawn))
            axes.plot(clock, drawn, color=colour(i), lw=1.3, zorder=4)
    axes.set_xscale("log")
    axes.set_yscale("log")
    low = max(low, high / 1e3)
    axes.set_ylim(low / 1.4, high * 1.6)
    ends = np.array(axes.get_xlim())
    first = next((u for u in found if math.isfinite(u.power.value)), None)
    if first is not None:  # for the eye: capillary uptake
        at = first.searched_s
        through = 1e3 * (first.offset + first.factor * at**first.power.value)
        guide = 0.8 * through * np.sqrt(ends / at)
        lines.append(("", "slope 0.5", ends, np.sqrt(ends), guide))
        axes.plot(ends, guide, "--", color=SOFT, lw=1.0, zorder=1)
    axes.set_xlim(ends)
    plain_ticks(axes.xaxis)
    plain_ticks(axes.yaxis)
    axes.set_xlabel("Time (s)")
    axes.set_ylabel("Gain (g)")
    slope = whole.power
    told = "" if slope is None else f": {_pair(slope)} (95 %)"
    axes.set_title(f"Log-log slope{told}", color=INK)
    return lines


def _some(one: Uptake) -> Any:
    count = len(one.gain.time_s)
    if count <= _SHOWN:
        return slice(None)
    root = np.sqrt(one.gain.time_s)
    return np.unique(np.searchsorted(root, np.linspace(root[0], root[-1], _SHOWN)))


def _title(whole: Absorbed, liquid: str) -> str:
    name = f"{liquid}: " if liquid else ""
    if whole.a_w is not None:
        text = f"{name}A_w {_pair(whole.a_w)} (95 %) kg/m²/√s"
    elif whole.slope is not None:
        text = f"{name}{_pair(whole.slope, 1e3)} (95 %) g/√s"
    else:
        return f"{name}no part of the log is straight"
    if whole.knee_s is not None:
        text += f", full after {seconds(whole.knee_s.value)}"
    return text


def _pair(one: Combined, factor: float = 1.0) -> str:
    """Value and half of its 95 % interval, both to the latter's two digits."""
    value, half = factor * one.value, factor * one.half_width()
    if not half > 0:
        return f"{value:.4g}"
    places = max(0, min(6, 1 - math.floor(math.log10(half))))
    return f"{value:.{places}f} ± {half:.{places}f}"


def _words(found: Sequence[Uptake], whole: Absorbed, invented: bool) -> str:
    words = "Points: readings. Line: straight part; dotted: that line, carried on."
    if whole.knee_s is not None:
        words += " Diamond: knee; thin: plateau."
    words += " Dashed: a slope of 0.5, as capillary uptake has; a lower one does not say why."
    steps = {u.gain.step_kg for u in found} - {0.0}
    if steps:
        words += f" Balance steps of {1e3 * max(steps):.3g} g."
    return words + (" INVENTED data." if invented else "")
