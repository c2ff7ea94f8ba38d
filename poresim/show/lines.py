"""Lines with bands, one a liquid: how they are drawn, named at their ends, and explained."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.outcome.spread import Band
from poresim.show.series import Series, repeats_in_words
from poresim.show.style import apart, characters, name_label, readable, text_size

_NARROW = 0.035  # of the panel's height: two lines; such a band is hardly seen beside its line


def draw_band(axes: Any, across: np.ndarray, one: Series, band: Band, factor: float) -> float:
    """One liquid's median and range; where the line ends (last known height)."""
    known = np.isfinite(band.median)
    x = across[known]
    axes.fill_between(
        x, band.low[known] * factor, band.high[known] * factor, color=one.colour, alpha=0.2, lw=0
    )
    axes.plot(x, band.median[known] * factor, color=one.colour, ls=one.dashes)
    if not known.all():
        axes.plot(x[-1:], band.median[known][-1:] * factor, "o", color=one.colour, ms=5)
    return float(band.median[known][-1] * factor)


def scaled(band: Band, factor: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Median, low and high as :func:`draw_band` draws them."""
    return band.median * factor, band.low * factor, band.high * factor


def name_lines(figure: Any, axes: Any, series: Sequence[Series], ends: Sequence[float]) -> None:
    """Names at the right of the lines' ends, moved apart, joined to them by a thin line."""
    width = figure.get_figwidth()
    size = text_size(width)
    scale = axes.yaxis.get_transform()  # to where things stand evenly, also on logarithmic axes
    low, high = scale.transform(axes.get_ylim())
    box = axes.get_position()
    per_inch = (high - low) / (box.height * figure.get_figheight())
    wrap = characters((1 - box.x1) * width - 0.22, 1.15 * size)
    room = (high - low) / (1.2 * size / 72 * per_inch)  # lines of text beside the panel
    names = [name_label(s.name, wrap, 2 if 2 * len(series) <= room else 1) for s in series]
    tallest = max((n.count("\n") + 1 for n in names), default=1)
    gap = tallest * 1.2 * size / 72 * per_inch
    wanted = scale.transform(ends).tolist()
    places = scale.inverted().transform(apart(wanted, gap, low + gap / 2, high - gap / 4))
    for one, name, end, place in zip(series, names, ends, places, strict=True):
        axes.annotate(
            name,
            xy=(1.0, end),
            xytext=(1.05, place),
            xycoords=("axes fraction", "data"),
            textcoords=("axes fraction", "data"),
            color=readable(one.colour),
            fontweight="bold",
            va="center",
            linespacing=1.0,
            arrowprops={
                "arrowstyle": "-",
                "color": one.colour,
                "lw": 1.0,
                "relpos": (0.0, 0.5),  # from the name's left end, not across other names
                "shrinkA": 1,
                "shrinkB": 0,
            },
            annotation_clip=False,
        )


def spread_words(series: Sequence[Series], bands: Sequence[Band], top: float) -> str:
    """What lines and bands mean, on axes as high as ``top``."""
    solids = repeats_in_words(series)
    if solids == "one solid":
        return "Each line: one solid."
    words = f"Line: median of {solids}; band: lowest to highest"
    widths = [(b.high - b.low)[np.isfinite(b.high)] for b in bands]
    # Where a curve is steep, even a narrow band is high: the highest tenth does not count.
    widest = max((float(np.quantile(w, 0.9)) for w in widths if len(w)), default=0.0)
    if widest < _NARROW * top:
        words += ", here hardly wider than the line"
    return words + "."


def plain_ticks(axis: Any) -> None:
    """Numbers as people write them, a few of them, also on short logarithmic axes."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    if axis.get_scale() != "log":
        return
    low, high = sorted(axis.get_view_interval())
    subs = (1.0, 2.0, 5.0) if high / low < 300 else (1.0,)
    axis.set_major_locator(LogLocator(base=10, subs=subs, numticks=12))
    axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axis.set_minor_formatter(NullFormatter())
