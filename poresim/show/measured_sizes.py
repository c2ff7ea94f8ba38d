"""Figure of measured sizes: the cumulative curve by volume, and the density, with fitted laws."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.bench.size_figures import cells_of
from poresim.bench.size_laws import TUBE_VOLUME, VOLUME, Law, quantile, share_below
from poresim.bench.sizes import OneSizing, Sizing
from poresim.show.lines import plain_ticks
from poresim.show.style import (
    BACKGROUND,
    DRY,
    INK,
    SOFT,
    characters,
    colour,
    label,
    styled,
    text_size,
)
from poresim.show.tables import Table

Floats = NDArray[np.float64]

_WIDTH, _HEIGHT = 5.4, 7.4  # inches
_UM = 1e6
_BARS = 14  # of a list
_LAW_COLOURS = {"lognormal": colour(0), "weibull": colour(1)}
_LAW_DASHES: dict[str, Any] = {"lognormal": "solid", "weibull": (0, (5, 1.6))}
_MEASURED = SOFT
_NARROW = 0.34  # of the panel's width, which a label needs on its left
#: Where a percentile's label stands: how it is aligned, and by how many points it is moved.
_PLACES = {"d10": ("right", (-9, 5)), "d50": ("left", (9, -6)), "d90": ("right", (-4, 11))}


def sizes_figure(sizing: Sizing) -> Any:
    """Cumulative share of the volume, and its density over ln(diameter), of all repeats."""
    from poresim.show.picture import Picture

    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, _HEIGHT))
        size = text_size(_WIDTH)
        line = 1.25 * size / 72 / _HEIGHT
        head = label(_headline(sizing), characters(0.97 * _WIDTH, 1.15 * size), 3)
        figure.text(0.012, 0.988, head, fontsize=1.15 * size, fontweight="bold", va="top")
        top = 0.988 - 1.15 * line * (head.count("\n") + 1) - 0.6 * line
        foot = label(_foot(sizing), characters(0.97 * _WIDTH, size), 4)
        figure.text(0.012, 0.012, foot, color=SOFT, va="bottom", linespacing=1.2)
        bottom = 0.012 + line * (foot.count("\n") + 1) + 3.4 * line
        middle = 0.5 * (top + bottom)
        left, width, gap = 0.135, 0.84, 1.5 * line
        upper = figure.add_axes((left, middle + gap, width, top - middle - gap))
        lower = figure.add_axes((left, bottom, width, middle - bottom))
        low, high = _range(sizing)
        across = np.geomspace(low, high, 400)
        for axes in (upper, lower):
            axes.set_xscale("log")
            axes.set_xlim(low * _UM, high * _UM)
        names = [label(one.table.path.stem) for one in sizing.files]
        faint = len(sizing.files) > 1
        figure.tables[""] = Table(
            ("repeat", "diameter_um", "below_percent"),
            [
                (name, *_draw_cumulative(upper, one, faint=faint))
                for name, one in zip(names, sizing.files, strict=True)
            ],
        )
        figure.tables["density"] = Table(
            ("repeat", "diameter_from_um", "diameter_to_um", "percent_per_factor_e"),
            [
                (name, *_draw_density(lower, one, len(sizing.files)))
                for name, one in zip(names, sizing.files, strict=True)
            ],
        )
        laws = []
        for fit in sizing.fits:
            power = _to_volume(sizing)
            style = {
                "color": _LAW_COLOURS[fit.kind],
                "ls": _LAW_DASHES[fit.kind],
                "label": fit.kind if fit.kind == "lognormal" else "Weibull",
            }
            below = 100 * share_below(fit.law, across, power)
            density = 100 * _density(fit.law, across, power)
            laws.append((fit.kind, across * _UM, below, density))
            upper.plot(across * _UM, below, **style)
            lower.plot(across * _UM, density, **style)
        if laws:
            names_ = ("law", "diameter_um", "below_percent", "percent_per_factor_e")
            figure.tables["laws"] = Table(names_, laws)
        figure.tables["percentiles"] = _mark(upper, sizing, low)
        upper.set_ylim(-3, 113)
        upper.set_yticks([0, 10, 50, 90, 100])
        upper.set_ylabel("Below (% of volume)")
        upper.tick_params(labelbottom=False)
        lower.set_ylim(bottom=0)
        lower.locator_params(axis="y", nbins=5)
        lower.set_ylabel("% of volume per factor e")
        lower.set_xlabel("Diameter of throats (µm)" if _tubes(sizing) else "Diameter (µm)")
        for axes in (upper, lower):
            plain_ticks(axes.xaxis)
        if sizing.fits:
            lower.legend(
                frameon=True,
                facecolor=BACKGROUND,
                edgecolor="none",
                framealpha=0.85,
                loc="upper left",
                handlelength=2.4,
                borderaxespad=0.2,
            )
    return figure


def _tubes(sizing: Sizing) -> bool:
    return sizing.kind == "intrusion"


def _to_volume(sizing: Sizing) -> float:
    """The power from what laws are told by to volume."""
    return {"list": VOLUME, "counts": VOLUME, "intrusion": TUBE_VOLUME}.get(sizing.kind, 0.0)


def _headline(sizing: Sizing) -> str:
    d10, d50, d90 = (sizing.figures[n].value * _UM for n in ("d10", "d50", "d90"))
    what = "throats" if _tubes(sizing) else "grains"
    words = f"Half of the volume is in {what} below {d50:.3g} µm"
    return f"{words}, four fifths between {d10:.3g} and {d90:.3g}"


def _foot(sizing: Sizing) -> str:
    words = {
        "list": "Steps: particles counted, by volume.",
        "counts": "Points: counted, turned to volume.",
    }.get(sizing.kind, "Points: measured.")
    words += " Diamonds: d10, d50, d90, with 95 %."
    if len(sizing.files) > 1:
        words += f" {len(sizing.files)} repeats."
    if sizing.fits:
        best = sizing.fits[0]
        name = "lognormal" if best.kind == "lognormal" else "Weibull"
        if best.close:
            words += (
                f" {name[:1].upper()}{name[1:]} fits better, within {100 * best.largest:.2g} %."
            )
        else:
            words += f" Neither law describes them: off by up to {100 * best.largest:.2g} %."
    return words


def _weights(one: OneSizing) -> tuple[Floats, Floats, Floats]:
    """(m + 1,) edges of narrow cells, (m,) shares by volume, (k + 1,) edges of the classes."""
    classes = one.classes
    edges, amount, cut = cells_of(classes, one.shape, None)
    middle = np.sqrt(edges[1:] * edges[:-1])
    weight = amount * (middle / middle[-1]) ** (classes.volume - classes.power)
    return edges, weight / weight.sum(), np.append(edges[:-1:cut], edges[-1])


def _draw_cumulative(axes: Any, one: OneSizing, *, faint: bool) -> tuple[Floats, Floats]:
    """Draws it; diameters, um, and per cent below."""
    classes = one.classes
    style: dict[str, Any] = {"color": _MEASURED, "zorder": 1.5, "alpha": 0.6 if faint else 1.0}
    if one.table.kind == "list":
        weight = classes.amount * (classes.lower / classes.lower[-1]) ** classes.volume
        upto = 100 * np.cumsum(weight) / weight.sum()
        axes.step(classes.lower * _UM, upto, where="post", lw=1.6, **style)
        return classes.lower * _UM, upto
    edges, share, outer = _weights(one)
    upto = np.append(0.0, np.cumsum(share))
    known = np.isin(edges, outer)
    known[0] &= classes.lower[0] > 0
    known[-1] &= math.isfinite(classes.upper[-1])
    at, below = edges[known], 100 * upto[known]
    few = len(at) <= 30
    axes.plot(at * _UM, below, "o-" if few else "-", ms=4.5, lw=1.2, **style)
    return at * _UM, below


def _draw_density(axes: Any, one: OneSizing, files: int) -> tuple[Floats, Floats, Floats]:
    """Draws it; from which diameter to which, um, and how high."""
    if one.table.kind == "list":
        d = one.classes.lower
        weight = one.classes.amount * (d / d[-1]) ** one.classes.volume
        outer = np.geomspace(d[0] / 1.0001, d[-1] * 1.0001, _BARS + 1)
        share = np.histogram(d, outer, weights=weight / weight.sum())[0]
    else:
        edges, cells, outer = _weights(one)
        cut = len(cells) // len(one.classes.amount)
        share = cells.reshape(-1, cut).sum(axis=1)
    height = 100 * share / np.diff(np.log(outer))
    if files == 1:
        axes.stairs(height, outer * _UM, fill=True, color=DRY, zorder=1)
    axes.stairs(height, outer * _UM, color=_MEASURED, lw=1.2, zorder=1.5, alpha=1 / files**0.5)
    return outer[:-1] * _UM, outer[1:] * _UM, height


def _density(law: Law, size: Floats, power: float) -> Floats:
    """Share of size^power per step of ln(size)."""
    step = 1e-3
    up, down = (share_below(law, size * math.exp(h), power) for h in (step / 2, -step / 2))
    return (up - down) / step


def _mark(axes: Any, sizing: Sizing, low: float) -> Table:
    """Percentiles on the curve, with their intervals and their values. What is drawn."""
    drawn = []
    for name, share in (("d10", 10), ("d50", 50), ("d90", 90)):
        found = sizing.figures[name]
        at, half = found.value * _UM, found.half_width() * _UM
        ends = max(at - half, low * _UM), at + half
        drawn.append((name, share, at, *ends))
        axes.plot(ends, [share, share], color=INK, lw=2, zorder=4)
        axes.plot([at], [share], "D", color=INK, ms=6, zorder=5)
        side, shift = _PLACES[name]
        left, right = np.log(axes.get_xlim())
        if name == "d10" and (math.log(at) - left) / (right - left) < _NARROW:
            side, shift = "left", (9, -1)
        axes.annotate(
            f"{name} {at:.3g} µm",
            (at, share),
            shift,
            textcoords="offset points",
            ha=side,
            va="bottom" if shift[1] > 0 else "top",
            zorder=6,
            bbox={"facecolor": BACKGROUND, "edgecolor": "none", "alpha": 0.75, "pad": 1},
        )
    columns = ("diameter_um", "diameter_um_low", "diameter_um_high")
    return Table(("percentile", "below_percent", *columns), drawn)


def _range(sizing: Sizing) -> tuple[float, float]:
    """From where to where something lies, m."""
    lows, highs = [], []
    for one in sizing.files:
        edges, share, _ = _weights(one) if one.table.kind != "list" else _list_range(one)
        held = np.flatnonzero(np.cumsum(share) > 4e-3)
        upto = np.flatnonzero(np.cumsum(share[::-1]) > 2e-3)
        lows.append(edges[held[0]])
        highs.append(edges[len(share) - upto[0]])
    for fit in (fit for fit in sizing.fits if fit.close):
        inner = quantile(fit.law, np.array([0.02, 0.99]), _to_volume(sizing))
        lows.append(float(inner[0]))
        highs.append(float(inner[1]))
    return 0.9 * min(lows), 1.12 * max(highs)


def _list_range(one: OneSizing) -> tuple[Floats, Floats, Floats]:
    d = one.classes.lower
    weight = one.classes.amount * (d / d[-1]) ** one.classes.volume
    return np.append(d, d[-1]), weight / weight.sum(), d
