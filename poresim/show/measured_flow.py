"""Figure of a measured flow curve: points, the laws fitted to them, and the rates in pores."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.bench.flow_fit import FlowFits
from poresim.bench.pore_rates import PORES, missing
from poresim.outcome.words import capital
from poresim.show.captions import headline
from poresim.show.lines import plain_ticks
from poresim.show.style import (
    BACKGROUND,
    DASHES,
    FAINT,
    GRID,
    INK,
    LIQUIDS,
    SOFT,
    apart,
    characters,
    label,
    readable,
    styled,
    text_size,
)
from poresim.show.tables import Table

_WIDTH, _TALL = 5.4, 5.2  # inches
_NAMED = 4  # laws with a name and a colour
_LEFT, _RIGHT = 0.15, 0.72
_AXES = "shear_rate_1_s", "viscosity_mPa_s"

#: A cup's or a sphere's: what measured it, rate 1/s, viscosity and sd Pa s.
Single = tuple[str, float, float, float]


def flow_figure(fits: FlowFits | None, singles: Sequence[Single], names: str) -> Any:
    """Viscosity against shear rate; shaded: the rates at which pores shear a liquid."""
    from poresim.show.picture import Picture

    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, _TALL))
        head = headline(figure, _title(fits, singles), _WIDTH)
        foot = _footnote(figure, _words(fits, singles), names)
        bottom = foot + 0.54 / _TALL
        right = 0.97 if fits is None else _RIGHT
        axes = figure.add_axes((_LEFT, bottom, right - _LEFT, head - bottom))
        axes.set_xscale("log")
        axes.set_yscale("log")
        rates, viscosities = _seen(fits, singles)
        span = min(rates.min() / 2, PORES[0]), max(rates.max() * 2, 1.6 * PORES[1])
        axes.set_xlim(*span)
        ends, laws = _draw_laws(axes, fits, span)
        figure.tables[""] = _draw_points(axes, fits, singles)
        if laws is not None:
            figure.tables["laws"] = laws
        tops = [*viscosities, *(end for *_, end in ends)]
        low, high = min(tops), max(tops)
        room = 1.8 if high > 3 * low else 4.0
        axes.set_ylim(low / room, high * (high / low) ** 0.12 * room)
        _shade(axes, fits, singles)
        axes.set_xlabel("Shear rate (1/s)")
        axes.set_ylabel("Viscosity (mPa s)")
        plain_ticks(axes.yaxis)
        _decades(axes.xaxis)
        _name(figure, axes, ends)
    return figure


def _seen(fits: FlowFits | None, singles: Sequence[Single]) -> tuple[np.ndarray, np.ndarray]:
    """Rates, 1/s, and viscosities, mPa s, of all points."""
    rates, viscosities = [one[1] for one in singles], [one[2] for one in singles]
    if fits is not None:
        rates += fits.points.rate.tolist()
        viscosities += (fits.points.stress / fits.points.rate).tolist()
    return np.array(rates), 1e3 * np.array(viscosities)


def _span(fits: FlowFits | None, singles: Sequence[Single]) -> tuple[float, float]:
    """From which rate to which a flow curve was measured; a cup or a sphere fills no gap in it."""
    rates = _seen(fits, [] if fits is not None else singles)[0]
    return float(rates.min()), float(rates.max())


def _draw_laws(
    axes: Any, fits: FlowFits | None, span: tuple[float, float]
) -> tuple[list[tuple[str, str, float]], Table | None]:
    """Lines; (name, colour, height at the right end) of those that have a name; what is drawn."""
    if fits is None:
        return [], None
    across = np.geomspace(*span, 300)
    ends, drawn = [], []
    named = [fit for fit in fits.rivals[:_NAMED]]
    for fit in reversed(fits.fits):
        heights = 1e3 * fit.viscosity(across)[0]
        drawn.append((fit.law.word, across, heights))
        if fit not in named:
            axes.plot(across, heights, color=FAINT, lw=1.0, zorder=1.5)
            continue
        k = named.index(fit)
        axes.plot(across, heights, color=LIQUIDS[k], ls=DASHES[k], zorder=4 - 0.1 * k)
        ends.append((_with_weight(fit), LIQUIDS[k], float(heights[-1])))
    return ends, Table(("law", *_AXES), drawn[::-1])


def _with_weight(fit: Any) -> str:
    return f"{fit.law.word} {100 * fit.weight:.0f}\u00a0%"


def _draw_points(axes: Any, fits: FlowFits | None, singles: Sequence[Single]) -> Table:
    """Draws them; what is drawn: ends of the bars, too."""
    drawn: list[Sequence[Any]] = []
    if fits is not None:
        rate, stress, share = fits.points
        height = 1e3 * stress / rate
        error = height / share if fits.weighted else height * fits.scatter
        bars = yerror(height, error)
        drawn.append(("flow curve", rate, height, height - bars[0], height + bars[1]))
        axes.errorbar(
            rate, height, bars, fmt="o", ms=4.5, mfc="none", mec=INK, ecolor=INK,
            elinewidth=1.0, zorder=5,
        )  # fmt: skip
    for k, (word, rate_, viscosity, sd) in enumerate(singles):
        height = np.array([1e3 * viscosity])
        bars = yerror(height, np.array([1e3 * sd]))
        drawn.append((word, rate_, height, height - bars[0], height + bars[1]))
        axes.errorbar(
            [rate_], height, bars, fmt="Ds"[k], ms=8,
            color=LIQUIDS[-1 - k], elinewidth=1.6, capsize=4, zorder=6,
        )  # fmt: skip
        axes.annotate(
            word, (rate_, height[0]), xytext=(9, 7), textcoords="offset points", ha="left",
            color=readable(LIQUIDS[-1 - k]), fontweight="bold",
        )  # fmt: skip
    return Table(("measured_by", *_AXES, f"{_AXES[1]}_low", f"{_AXES[1]}_high"), drawn)


def yerror(height: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Bars that stay above 0 on a logarithmic axis."""
    return np.stack([np.minimum(error, 0.9 * height), error])


def _shade(axes: Any, fits: FlowFits | None, singles: Sequence[Single]) -> None:
    """The rates in pores, darker and hatched where nothing was measured."""
    axes.axvspan(*PORES, color=GRID, alpha=0.55, lw=0, zorder=0)
    for low, high in missing(*_span(fits, singles)):
        axes.axvspan(low, high, fc="none", ec=SOFT, alpha=0.35, hatch="//", lw=0, zorder=0.5)
    axes.text(
        math.sqrt(PORES[0] * PORES[1]), 0.985, "rates in pores", va="top", ha="center",
        transform=axes.get_xaxis_transform(), color=SOFT,
        bbox={"fc": BACKGROUND, "ec": "none", "pad": 1.5, "alpha": 0.85},
    )  # fmt: skip


def _decades(axis: Any) -> None:
    """Powers of ten, few enough to stand apart."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = (math.log10(v) for v in axis.get_view_interval())
    step = 1 if high - low < 5 else 2
    places = [p for p in range(math.ceil(low), math.floor(high) + 1) if p % step == 0]
    axis.set_major_locator(FixedLocator([10.0**p for p in places]))
    axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}" if v < 1e5 else "100k"))
    axis.set_minor_locator(NullLocator())


def _name(figure: Any, axes: Any, ends: Sequence[tuple[str, str, float]]) -> None:
    """Names at the right of the lines' ends."""
    if not ends:
        return
    size = text_size(_WIDTH)
    low, high = np.log(axes.get_ylim())
    tall = axes.get_position().height * figure.get_figheight()
    wrap = characters((1 - _RIGHT) * _WIDTH - 0.25, 1.15 * size)
    gap = 2 * 1.25 * size / 72 * (high - low) / tall
    names = [label(name, wrap, 2) for name, *_ in ends]
    places = apart([math.log(e) for *_, e in ends], gap, low + gap / 2, high - gap / 2)
    for name, (_, colour, end), place in zip(names, ends, places, strict=True):
        axes.annotate(
            name, xy=(1.0, end), xytext=(1.05, math.exp(place)),
            xycoords=("axes fraction", "data"), textcoords=("axes fraction", "data"),
            color=readable(colour), fontweight="bold", va="center", linespacing=1.0,
            arrowprops={"arrowstyle": "-", "color": colour, "lw": 1.0, "relpos": (0.0, 0.5),
                        "shrinkA": 1, "shrinkB": 0},
            annotation_clip=False,
        )  # fmt: skip


def _title(fits: FlowFits | None, singles: Sequence[Single]) -> str:
    if fits is None:
        value, rate = 1e3 * singles[0][2], float(f"{singles[0][1]:.2g}")
        return f"{value:.3g} mPa s at {rate:g} 1/s; one rate is no law"
    (slowest, fastest), rivals = _span(fits, singles), fits.rivals
    first = f"{rivals[0].law.word} fits best"
    if len(rivals) > 1:
        first = f"{' or '.join(fit.law.word for fit in rivals[:3])}: not told apart"
    sides = [
        word
        for word, gap in (("slower", slowest > PORES[0]), ("faster", fastest < PORES[1]))
        if gap
    ]
    where = f"in pores shear is {' and '.join(sides)} than measured"
    return capital(first) + (f"; {where}" if sides else "; all rates in pores measured")


def _words(fits: FlowFits | None, singles: Sequence[Single]) -> str:
    words = "Shaded: shear rates while a liquid soaks into pores; hatched: none measured there."
    if fits is None:
        return f"{words} Bars: one sd."
    bars = "one sd, as given" if fits.weighted else "the scatter, estimated"
    words += f" Bars: {bars}. %: Akaike weights."
    if len(fits.fits) > min(len(fits.rivals), _NAMED):
        words += " Grey: the other laws."
    return words


def _footnote(figure: Any, words: str, names: str) -> float:
    """Below the figure; the height above it."""
    size = text_size(_WIDTH)
    text = f"{words} {names}" if names else words
    wrapped = label(text[:400], characters(_WIDTH * 0.96, size), 6)
    figure.text(0.02, 0.008, wrapped, va="bottom", color=SOFT, linespacing=1.15)
    return float(((wrapped.count("\n") + 1) * 1.25 * size / 72 + 0.06) / figure.get_figheight())
