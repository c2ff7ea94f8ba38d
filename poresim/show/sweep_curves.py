"""Figure of a sweep over one quantity: a line a liquid, and the laws of the radii below."""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from poresim.show.lines import name_lines, plain_ticks
from poresim.show.style import (
    BACKGROUND,
    FAINT,
    INK,
    SOFT,
    characters,
    dashes,
    label,
    styled,
    text_size,
)
from poresim.show.sweep_data import Look, Quantity, Runs, Sweep, looks
from poresim.show.sweep_words import curves_title, foot, heading

_WIDTH = 5.4  # inches
_PANEL, _STRIP = 3.5, 0.95
_LEFT, _RIGHT = 0.15, 0.72
_MANY = 24  # points: more are not shown one by one
_SHADES = (FAINT, SOFT, INK)  # of the least, middle and greatest value's law


def curves_figure(sweep: Sweep) -> Any:
    """The result against the quantity: median over the solids, their range, every point."""
    from poresim.show.picture import Picture

    one = sweep.quantities[0]
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        tall = 2.9 + _PANEL + ((_STRIP + 0.75) if sweep.laws else 0.0)
        figure = Picture(figsize=(_WIDTH, tall))
        head = heading(figure, curves_title(sweep), sweep)
        base = foot(figure, _words(sweep), sweep)
        line = 1.25 * size / 72 / tall
        bottom = base + 2.6 * line
        if sweep.laws:
            strip = figure.add_axes((_LEFT, bottom, _RIGHT - _LEFT, _STRIP / tall))
            _draw_laws(strip, sweep)
            bottom += _STRIP / tall + 3.1 * line
        above = 1.2 * line if one.own is not None else 0.3 * line
        axes = figure.add_axes((_LEFT, bottom, _RIGHT - _LEFT, head - above - bottom))
        scale_axes(axes, sweep, one)
        ends = [
            _draw(axes, one, r, look) for r, look in zip(sweep.liquids, looks(sweep), strict=True)
        ]
        _fit(axes, sweep)
        axes.set_xlabel(label(one.titled, 40))
        axes.set_ylabel(label(sweep.titled, characters(_PANEL, size)))
        _draw_missing(axes, sweep, one)
        draw_own(axes, one)
        drawn = [
            (look, end) for look, end in zip(looks(sweep), ends, strict=True) if end is not None
        ]
        name_lines(figure, axes, cast(Any, [look for look, _ in drawn]), [e for _, e in drawn])
    return figure


def scale_axes(axes: Any, sweep: Sweep, one: Quantity) -> None:
    """Scales and ends of an axis of this quantity, and of the result."""
    low, high = float(one.values.min()), float(one.values.max())
    if one.own is not None:
        low, high = min(low, one.own), max(high, one.own)
    if one.log:
        axes.set_xscale("log")
        room = (high / low) ** 0.03 if high > low else 1.2
        axes.set_xlim(low / room, high * room)
    else:
        room = 0.03 * (high - low) if high > low else 0.1 * abs(high) or 1.0
        axes.set_xlim(low - room, high + room)
    if sweep.log:
        axes.set_yscale("log")


def draw_own(axes: Any, one: Quantity) -> None:
    """Where the scenario itself stands."""
    if one.own is None:
        return
    axes.axvline(one.own, color=SOFT, lw=0.9, ls=(0, (4, 2)), zorder=1)
    low, high = axes.get_xaxis().get_transform().transform(axes.get_xlim())
    at = axes.get_xaxis().get_transform().transform([one.own])[0]
    share = (at - low) / (high - low)
    side = "left" if share < 0.2 else "right" if share > 0.8 else "center"
    axes.annotate(
        "scenario", (one.own, 1), (0, 2), xycoords=("data", "axes fraction"),
        textcoords="offset points", color=SOFT, va="bottom", ha=side,
    )  # fmt: skip


def _draw(axes: Any, one: Quantity, runs: Runs, look: Look) -> float | None:
    """A liquid's line; the height of its end, None where it has no point."""
    order = np.argsort(one.values, kind="stable")
    across, middle = one.values[order], runs.median[order]
    known = np.isfinite(middle)
    if not known.any():
        return None
    low, high = (np.where(known, side[order], np.nan) for side in (runs.low, runs.high))
    if runs.values.shape[1] > 1:
        axes.fill_between(across, low, high, color=look.colour, alpha=0.2, lw=0, zorder=2)
    axes.plot(across, middle, color=look.colour, ls=look.dashes, zorder=3)
    if len(across) <= _MANY:
        if runs.values.shape[1] > 1:
            every = np.repeat(one.values, runs.values.shape[1])
            axes.plot(every, runs.values.ravel(), ".", ms=4.4, mew=0, color=look.colour, alpha=0.6,
                      zorder=3)  # fmt: skip
        some = runs.reached[order] < runs.values.shape[1]
        axes.plot(across[~some], middle[~some], "o", ms=5, color=look.colour, zorder=4)
        axes.plot(across[some], middle[some], "o", ms=5, color=look.colour, mfc=BACKGROUND, mew=1.4,
                  zorder=4)  # fmt: skip
    return float(middle[known][-1])


def _fit(axes: Any, sweep: Sweep) -> None:
    """Heights from nought where that wastes little room."""
    known = sweep.known
    low, high = float(known.min()), float(known.max())
    if sweep.log:
        axes.set_ylim(low / 1.25, high * 1.25)
        plain_ticks(axes.yaxis)
    else:
        room = 0.06 * ((high - low) or abs(high) or 1.0)
        from_nought = low >= 0 and low < 0.6 * high
        axes.set_ylim(0 if from_nought else low - room, high + room)
        axes.locator_params(axis="y", nbins=6)
    if axes.get_xscale() == "log":
        plain_ticks(axes.xaxis)
    else:
        axes.locator_params(axis="x", nbins=6)


def _draw_missing(axes: Any, sweep: Sweep, one: Quantity) -> None:
    """A cross at the panel's top, a liquid below the other, where fewer than half get there."""
    for k, (runs, look) in enumerate(zip(sweep.liquids, looks(sweep), strict=True)):
        lost = one.values[~np.isfinite(runs.median)]
        axes.plot(lost, np.full(len(lost), 0.975 - 0.045 * k), "x", ms=6, mew=1.8, clip_on=False,
                  color=look.colour, transform=axes.get_xaxis_transform(), zorder=5)  # fmt: skip


def _draw_laws(axes: Any, sweep: Sweep) -> None:
    one = sweep.quantities[0]
    for k, law in enumerate(sweep.laws):
        shade = _SHADES[k % len(_SHADES)]
        axes.fill_between(law.radius_um, 0, law.density, color=shade, alpha=0.12, lw=0)
        axes.plot(law.radius_um, law.density, color=shade, ls=dashes(2 - k % 3), lw=1.8,
                  label=one.told(law.value))  # fmt: skip
    axes.set_xscale("log")
    top = max(float(law.density.max()) for law in sweep.laws)
    seen = np.any([law.density > 0.01 * law.density.max() for law in sweep.laws], axis=0)
    radius = sweep.laws[0].radius_um[seen]
    axes.set_xlim(radius[0], radius[-1])
    axes.set_ylim(0, 1.08 * top)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(visible=False, axis="y")
    plain_ticks(axes.xaxis)
    axes.set_xlabel("Tube radius (µm)")
    axes.set_ylabel("Tubes")
    axes.legend(
        loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False, handlelength=1.7,
        handletextpad=0.5, labelspacing=0.25, borderaxespad=0.3,
    )  # fmt: skip


def _words(sweep: Sweep) -> str:
    each = len(sweep.quantities[0].values) <= _MANY
    words = "Points joined by lines." if sweep.solids == 1 else (
        "Line: median of the solids; band: lowest to highest." + " Small dots: solids." * each
    )  # fmt: skip
    if any((r.reached > 0).any() and (r.reached < r.values.shape[1]).any() for r in sweep.liquids):
        words += " Open: some of them never get there."
    if not all(np.isfinite(r.median).all() for r in sweep.liquids):
        words += " Cross: few or none of them get there."
    if sweep.laws:
        words += " Below: how wide the tubes are, by number, at three of the values."
    return words


__all__ = ["curves_figure", "draw_own", "scale_axes"]
