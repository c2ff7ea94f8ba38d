"""Figure of an explained difference: the two results, and what each property has of it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from poresim.outcome.words import capital, signed_percent
from poresim.show.answer import bare
from poresim.show.figures import write_figure as write
from poresim.show.style import (
    DRY,
    FAINT,
    GRID,
    INK,
    SOFT,
    characters,
    colour,
    label,
    name_label,
    readable,
    styled,
    text_size,
)
from poresim.show.tables import Table, column
from poresim.why.explain import Explained
from poresim.why.told import verdict, whole_percents

_WIDTH = 5.4  # inches
_FIRST, _REST, _AGAINST = SOFT, FAINT, DRY
PARTS = ("ends", "shares")
_NAMES = {
    "wetting": "Wetting\nhow well it clings",
    "thickening": "Thickening\nhow it flows",
    "plugging": "Plugging\ngrains in the pores",
    "settling": "Settling\ngrains in the cup",
    "gravity": "Density",
}


def explained_figure(found: Explained) -> Any:
    """Above: the result with each liquid. Below: a bar a property, its share with its interval."""
    from poresim.show.picture import Picture

    shares = found.shares
    ranked = shares.ranked() if shares is not None and shares.distinct else []
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        line = 1.25 * size / 72
        head = label(verdict(found), characters(0.97 * _WIDTH, 1.35 * size), 3)
        foot = label(_foot(found), characters(0.97 * _WIDTH, size), 6)
        above = 1.35 * line * (head.count("\n") + 1) + 0.8 * line
        ends, bars = 5.0 * line, 2.9 * line * len(ranked)
        below = line * (foot.count("\n") + 1) + 0.2
        tall = above + ends + (bars + 2.4 * line if ranked else 0.0) + below + 0.5 * line
        figure = Picture(figsize=(_WIDTH, tall))
        figure.text(0.02, 1 - 0.06 / tall, head, va="top", fontsize=1.35 * size, fontweight="bold")
        figure.text(0.02, 0.06 / tall, foot, va="bottom", color=SOFT, linespacing=1.15)
        top = 1 - above / tall
        left = 0.36
        axes = figure.add_axes((left, top - ends / tall, 0.42, ends / tall))
        _draw_ends(axes, found)
        if ranked:
            axes = figure.add_axes((left, (below + 0.5 * line) / tall, 0.5, bars / tall))
            _draw_shares(axes, found, ranked)
        figure.tables |= _tables(found, ranked)
    return figure


def _tables(found: Explained, ranked: list[str]) -> dict[str, Table]:
    """The bars; every soak's result stands in the question's own table."""
    pairs = zip(found.between, found.ends, strict=True)
    head = ("liquid", column(found.of.words, found.of.unit))
    tables = {"ends": Table(head, [(label(name), value) for name, value in pairs])}
    if found.shares is not None and ranked:
        shares = [(name, found.shares.of[name]) for name in ranked]
        rows = [(name, one.value, one.low, one.high) for name, one in shares]
        tables["shares"] = Table(("property", "share", "share_low", "share_high"), rows)
    return tables


def _draw_ends(axes: Any, found: Explained) -> None:
    """The result with each liquid, as bars from zero."""
    values = found.ends
    wrap = characters(0.36 * _WIDTH - 0.15, text_size(_WIDTH))
    for place, (name, value) in enumerate(zip(found.between, values, strict=True)):
        axes.barh(place, max(value, 0.0), height=0.62, color=colour(place))
        axes.text(
            max(value, 0.0), place, f" {found.of.told(value)}", va="center", fontweight="bold"
        )
        axes.text(
            -0.03, place, name_label(name, wrap, 2), transform=axes.get_yaxis_transform(),
            ha="right", va="center", color=readable(colour(place)), fontweight="bold",
            linespacing=1.0,
        )  # fmt: skip
    axes.set_xlim(0, max(*values, 1e-300) * 1.02)
    axes.set_ylim(1.6, -1.1)
    axes.text(0, -0.5, f" {capital(found.of.words)}", va="bottom", color=SOFT)
    bare(axes)
    axes.spines["left"].set_visible(True)


def _draw_shares(axes: Any, found: Explained, ranked: list[str]) -> None:
    """A bar a property; a whisker is its 95 % interval."""
    shares = found.shares
    assert shares is not None
    told = whole_percents({name: shares.of[name].value for name in ranked})
    reach = [v for name in ranked for v in (shares.of[name].low, shares.of[name].high)]
    known = [v for v in reach if math.isfinite(v)]
    low = min([0.0, *known, *(shares.of[n].value for n in ranked)])
    high = max([1.0, *known])
    for place, name in enumerate(ranked):
        one = shares.of[name]
        fill = _AGAINST if one.value < 0 else (_FIRST if place == 0 else _REST)
        axes.barh(place, one.value, height=0.58, color=fill)
        if math.isfinite(one.low) and one.width > 2e-3:
            axes.plot([one.low, one.high], [place, place], color=INK, lw=1.6)
            for end in (one.low, one.high):
                axes.plot([end, end], [place - 0.12, place + 0.12], color=INK, lw=1.6)
        end = max(one.value, one.high if math.isfinite(one.high) else one.value, 0.0)
        axes.text(
            end + 0.02 * (high - low), place, told[name], va="center",
            fontweight="bold", fontsize=1.2 * text_size(_WIDTH),
        )  # fmt: skip
        first, *rest = _NAMES[name].split("\n")
        axes.text(
            -0.03, place - (0.16 if rest else 0), first, transform=axes.get_yaxis_transform(),
            ha="right", va="center", fontweight="bold",
        )  # fmt: skip
        if rest:
            axes.text(
                -0.03, place + 0.2, rest[0], transform=axes.get_yaxis_transform(), ha="right",
                va="center", color=SOFT,
            )  # fmt: skip
    axes.axvline(0, color=SOFT, lw=1)
    axes.axvline(1, color=GRID, lw=1, zorder=0)
    axes.set_xlim(low, high)
    axes.set_ylim(len(ranked) - 0.5, -0.5)
    axes.text(0.0, -0.6, " How much of the difference is due to", color=SOFT, va="bottom")
    bare(axes)


def _foot(found: Explained) -> str:
    shares = found.shares
    if shares is None:
        return f"Scenario: {found.title}."
    words = ""
    if shares.distinct:
        scale = "the logarithm of the ratio" if found.log else "the difference"
        words = f"Shapley shares of {scale}: every combination of properties was computed. "
        if abs(shares.sum_alone - 1) >= 0.05:
            words += (
                f"Changed one at a time they would add up to {signed_percent(shares.sum_alone)}. "
            )
    kind = "draws of solids and of uncertain values" if found.uncertain else "solids"
    words += f"Whiskers: 95 % over {found.repeats} {kind}, accuracy {100 * found.accuracy:g} %. "
    if found.invented:
        words += "Invented example values. "
    return f"{words}Computed, not measured. Scenario: {found.title}.".replace("..", ".")


def write_figure(found: Explained, path: Path) -> list[Path]:
    """Write it, its PNG under this name; the files."""
    return write(explained_figure(found), path, PARTS)
