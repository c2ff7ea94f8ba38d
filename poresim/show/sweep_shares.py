"""Figure of a sweep over many quantities: shares of the variance, and each quantity by itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from poresim.outcome.words import short
from poresim.show.lines import plain_ticks
from poresim.show.style import INK, SOFT, characters, name_label, readable, styled, text_size
from poresim.show.sweep_data import Floats, Look, Quantity, Runs, Sweep, looks
from poresim.show.sweep_words import foot, heading, shares_title

_WIDTH = 5.4  # inches
_RIGHT = 0.965
_SLOT, _SPACE = 0.235, 0.36  # inches: for a liquid's pair of bars, for a quantity's name
_MOST_BARS, _MOST_PANELS = 12, 6  # quantities that are drawn
_BINS = 8
_MOST_BANDS = 2  # liquids; bands of more lie on one another
_BAND = (10, 50, 90)  # % of the runs in a bin
_PANEL, _UNDER = 1.15, 0.62  # inches: a small panel, what stands below it
_SMALL = 0.01  # quantities of whose total share no interval reaches this are only named


@dataclass(frozen=True)
class Binned:
    """A result against one quantity, whatever the others were."""

    at: Floats  #: (bins,) middle of the quantity's values
    low: Floats  #: (bins,) 10 % of the runs lie below
    median: Floats
    high: Floats  #: (bins,) 90 % of them


def shares_figure(sweep: Sweep) -> Any:
    """Bars of first-order and total shares, where there are any; below them small panels."""
    from poresim.show.picture import Picture

    order, small = by_share(sweep), small_shares(sweep)
    drawn = [i for i in order if i not in small]
    told = any(runs.shares is not None for runs in sweep.liquids)
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        count, bars, panels = len(sweep.liquids), drawn[:_MOST_BARS], drawn[:_MOST_PANELS]
        group = _SPACE + _SLOT * count
        named = 1.25 * size / 72 * (-(-count // 2)) if count > 1 else 0.0
        high = named + -(-len(panels) // 2) * (_PANEL + _UNDER) + 0.25
        figure = Picture(figsize=(_WIDTH, 2.75 + high + (group * len(bars) + 1.2) * told))
        tall = figure.get_figheight()
        line = 1.25 * size / 72 / tall
        head = heading(figure, shares_title(sweep, order), sweep)
        base = foot(figure, _words(sweep, order, drawn), sweep)
        if told:
            head -= 0.3 * line
            top = head - 1.5 * line
            wide = 0.04 if count == 1 else 0.27
            low = top - group * len(bars) / tall
            axes = figure.add_axes((wide, low, _RIGHT - wide - 0.02, top - low))
            _draw_key(figure, wide, head, line)
            _draw_bars(axes, sweep, bars, group, wide)
            head = low - 3.4 * line
        if count > 1:
            _name_lines(figure, sweep, head, line)
            head -= named / tall + 0.5 * line
        _draw_panels(figure, sweep, panels, head, base, line)
    return figure


def by_share(sweep: Sweep) -> list[int]:
    """Quantities by their greatest total share with any liquid, the greatest first."""
    found = [r.shares.total for r in sweep.liquids if r.shares is not None and r.shares.defined]
    if not found:
        return list(range(len(sweep.quantities)))
    return [int(i) for i in np.argsort(-np.max(found, axis=0), kind="stable")]


def small_shares(sweep: Sweep) -> list[int]:
    """Quantities that make next to nothing of the variance with any liquid, never all of them."""
    found = [r.shares for r in sweep.liquids if r.shares is not None and r.shares.defined]
    if len(found) < len(sweep.liquids):
        return []
    most = np.max([one.total_interval[:, 1] for one in found], axis=0)
    small = [int(i) for i in np.flatnonzero(most < _SMALL)]
    return small if len(small) < len(sweep.quantities) else []


def binned(one: Quantity, runs: Runs) -> Binned:
    """Percentiles of all runs, in bins of as many runs each; by value where there are few."""
    x = np.repeat(one.values, runs.values.shape[1])
    y = runs.values.ravel()
    known = np.isfinite(y)
    x, y = x[known], y[known]
    values = np.unique(x)
    if len(values) > _BINS:
        limits = np.quantile(x, np.linspace(0, 1, min(_BINS, max(len(x) // 8, 1)) + 1))
        groups = [(x >= a) & (x <= b) for a, b in zip(limits, limits[1:], strict=False)]
    else:
        groups = [x == value for value in values]
    groups = [g for g in groups if g.any()]
    at = np.array([np.median(x[g]) for g in groups])
    spread = np.array([np.percentile(y[g], _BAND) for g in groups]).reshape(-1, 3).T
    return Binned(at, *spread)


def _draw_key(figure: Any, left: float, top: float, line: float) -> None:
    """What the two kinds of bars are, above them."""
    from matplotlib.patches import Rectangle

    for at, alpha, text in ((left, 1.0, "by itself"), (left + 0.26, 0.3, "… and with others")):
        figure.patches.append(
            Rectangle(
                (at, top - 0.72 * line),
                0.035,
                0.5 * line,
                transform=figure.transFigure,
                facecolor=_pale(SOFT, alpha),
                edgecolor=SOFT,
                lw=0.8,
            )  # fmt: skip
        )
        figure.text(at + 0.048, top - 0.45 * line, text, va="center")


def _pale(colour: str, alpha: float) -> Any:
    from matplotlib.colors import to_rgba

    return to_rgba(colour, alpha)


def _name_lines(figure: Any, sweep: Sweep, top: float, line: float) -> None:
    """Which line is which liquid's, two in a row, above the small panels."""
    from matplotlib.lines import Line2D

    wrap = characters(0.3 * _WIDTH, 1.2 * text_size(_WIDTH))
    for k, look in enumerate(looks(sweep)):
        left, at = 0.145 + 0.42 * (k % 2), top - (k // 2 + 0.4) * line
        figure.add_artist(
            Line2D([left, left + 0.075], [at, at], color=look.colour, ls=look.dashes, lw=2.0)
        )
        figure.text(left + 0.09, at, short(look.name, wrap), va="center", fontweight="bold",
                    color=readable(look.colour))  # fmt: skip


def _draw_bars(axes: Any, sweep: Sweep, order: list[int], group: float, left: float) -> None:
    """Quantity by quantity, its name above its pairs of bars. Heights in inches, from the top."""
    axes.set_xlim(0, 103)
    axes.set_ylim(group * len(order), 0)
    names = characters((_RIGHT - left) * _WIDTH, 1.2 * text_size(_WIDTH))
    for k, i in enumerate(order):
        top = k * group
        axes.text(0, top + _SPACE - 0.07, name_label(sweep.quantities[i].name, names, 1),
                  va="bottom", ha="left", color=INK, fontweight="bold")  # fmt: skip
        for j, (runs, look) in enumerate(zip(sweep.liquids, looks(sweep), strict=True)):
            _draw_pair(axes, runs, look, i, top + _SPACE + (j + 0.5) * _SLOT)
    axes.set_yticks([])
    axes.spines["left"].set_bounds(group * len(order), 0)
    axes.set_xticks([0, 20, 40, 60, 80, 100])
    axes.set_xlabel("Share of the variance (%)")
    if len(sweep.liquids) > 1:
        wrap = characters(left * _WIDTH - 0.15, 1.3 * text_size(_WIDTH))
        for k in range(len(order)):
            for j, look in enumerate(looks(sweep)):
                axes.annotate(
                    short(look.name, wrap),
                    (0, k * group + _SPACE + (j + 0.5) * _SLOT), (-5, 0),
                    textcoords="offset points", ha="right", va="center", fontweight="bold",
                    color=readable(look.colour), annotation_clip=False,
                )  # fmt: skip


def _draw_pair(axes: Any, runs: Runs, look: Look, i: int, middle: float) -> None:
    found = runs.shares
    if found is None or not found.defined:
        words = "not told" if found is None else "does not vary"
        axes.text(1, middle, words, va="center", ha="left", color=SOFT)
        return
    high = 0.42 * _SLOT
    for share, interval, up, alpha in (
        (found.first[i], found.first_interval[i], -0.5, 1.0),
        (found.total[i], found.total_interval[i], 0.5, 0.3),
    ):
        at = middle + up * high
        bar = 100 * min(max(share, 0.0), 1.0)
        axes.barh(at, bar, high, color=_pale(look.colour, alpha), edgecolor=look.colour, lw=0.8,
                  zorder=3)  # fmt: skip
        ends = 100 * np.clip(interval, 0, 1)
        axes.plot(ends, [at, at], color=INK, lw=1.3, solid_capstyle="butt", zorder=4)
        axes.plot(ends, [at, at], "|", color=INK, ms=4.5, mew=1.3, zorder=4)


def _draw_panels(
    figure: Any, sweep: Sweep, order: list[int], top: float, base: float, line: float
) -> None:
    tall = figure.get_figheight()
    rows = -(-len(order) // 2)
    row = (top - base) / rows
    high = row - _UNDER / tall
    left, between = 0.145, 0.045
    wide = (_RIGHT - left - between) / 2
    every = [[binned(sweep.quantities[i], r) for r in sweep.liquids] for i in order]
    low_high = _heights(sweep, [b for panel in every for b in panel])
    for k, i in enumerate(order):
        one = sweep.quantities[i]
        at = top - (k // 2) * row - high
        axes = figure.add_axes((left + (k % 2) * (wide + between), at, wide, high))
        if sweep.log:
            axes.set_yscale("log")
        if one.log:
            axes.set_xscale("log")
        for b, look in zip(every[k], looks(sweep), strict=True):
            if len(sweep.liquids) <= _MOST_BANDS:
                axes.fill_between(b.at, b.low, b.high, color=look.colour, alpha=0.16, lw=0)
            axes.plot(b.at, b.median, color=look.colour, ls=look.dashes, lw=2.0, zorder=3)
        axes.set_xlim(one.values.min(), one.values.max())
        axes.set_ylim(*low_high)
        axes.locator_params(axis="x", nbins=4) if not one.log else plain_ticks(axes.xaxis)
        axes.locator_params(axis="y", nbins=4) if not sweep.log else plain_ticks(axes.yaxis)
        wrap = characters(wide * _WIDTH, text_size(_WIDTH))
        axes.set_xlabel(name_label(one.titled, wrap, 1))
        axes.tick_params(labelleft=k % 2 == 0)
    whole = characters((top - base) * tall, text_size(_WIDTH))
    figure.text(0.012, (top + base) / 2 + 0.25 / tall, name_label(sweep.titled, whole, 1),
                rotation=90, va="center", ha="left")  # fmt: skip


def _heights(sweep: Sweep, every: list[Binned]) -> tuple[float, float]:
    low = min((float(b.low.min()) for b in every if len(b.low)), default=0.0)
    high = max((float(b.high.max()) for b in every if len(b.high)), default=1.0)
    if sweep.log and low > 0:
        return low / 1.2, high * 1.2
    room = 0.06 * ((high - low) or abs(high) or 1.0)
    return (0.0 if 0 <= low < 0.6 * high else low - room), high + room


def _words(sweep: Sweep, order: list[int], drawn: list[int]) -> str:
    found = [runs.shares for runs in sweep.liquids if runs.shares is not None]
    most = "" if len(drawn) <= _MOST_PANELS else f" of the first {_MOST_PANELS}"
    bands = len(sweep.liquids) <= _MOST_BANDS
    panels = f"median{' and 10 to 90 %' if bands else ''} of all runs"
    if not found:
        return f"Line{' and band' if bands else ''}{most}: {panels}, whatever the rest is."
    words = "Bars: what a quantity makes of the variance. Whiskers: 95 %."
    lost = max(found, key=lambda one: one.dropped)
    if lost.dropped:
        words += f" Up to {lost.dropped} of {lost.rows + lost.dropped} rows left out: no result."
    small = [sweep.quantities[i].name for i in order if i not in drawn]
    if small:
        words += f" Less than {100 * _SMALL:g} %: {', '.join(small)}."
    return f"{words} Below{most}: {panels}."


__all__ = ["Binned", "binned", "by_share", "shares_figure", "small_shares"]
