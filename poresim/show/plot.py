"""What ``plot`` of a result draws. Results import this when asked to, and never before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from poresim.brief import length
from poresim.outcome.words import percent
from poresim.show.captions import headline
from poresim.show.figures import FIGURES
from poresim.show.section import common_scale, draw_depth, draw_scale, panel
from poresim.show.slab import slab_of
from poresim.show.slab_tables import Drawn, slab_tables
from poresim.show.soaks import soaks_figure
from poresim.show.style import SOFT, characters, label, styled, text_size

if TYPE_CHECKING:
    from poresim.record.model import Record
    from poresim.show.picture import Picture
    from poresim.solid.network import Network
    from poresim.why.sweep import Swept

_WIDTH, _TALLEST = 5.4, 4.5  # inches


def plot(what: Any, which: str = "uptake") -> Picture:
    """Draw a result, or several side by side.

    what : anything with a ``plot``; a mapping of names to soaks; or a list of records, of which
    ``which`` names the figure. The figure is matplotlib's, and its ``tables`` hold the numbers that
    it draws. Raises ValueError where there is nothing to draw, TypeError where it is no result.
    """
    if isinstance(what, Mapping):
        return soaks_figure(what)
    if isinstance(what, list | tuple):
        return records_figure(what, which)
    if not hasattr(what, "plot"):
        raise TypeError(f"{type(what).__name__} has nothing to plot; give a result of poresim")
    figure: Picture = what.plot()
    return figure


def records_figure(records: Sequence[Record], which: str) -> Picture:
    """One of the figures of records. ValueError: none of that name, or nothing to show."""
    if which not in FIGURES:
        raise ValueError(f"no figure is called {which!r}; there are {', '.join(FIGURES)}")
    figure: Picture = FIGURES[which][0](records)
    return figure


def swept_figure(found: Swept, which: int) -> Picture:
    """Of one of a sweep's results. ValueError: nothing that could be drawn."""
    from poresim.show.sweep import sweep_figure
    from poresim.show.swept import sweeps_of

    shown = sweeps_of(found)
    if not shown:
        raise ValueError("a quantity that is varied is no number")
    figure: Picture = sweep_figure(shown[which])
    return figure


def network_figure(network: Network) -> Picture:
    """A slab through the middle, dry, tubes to scale."""
    from poresim.show.picture import Picture

    slab = slab_of(network, ())
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        line = size / 72
        cell = _WIDTH - 6 * line
        scale, tall = common_scale([slab], cell, _TALLEST)
        words = label(_words(network, slab.thickness_mm), characters(0.96 * _WIDTH, size), 4)
        below = (1.25 * (words.count("\n") + 1) + 2.6) * line
        figure = Picture(figsize=(_WIDTH, tall + below + 3.4 * line))
        headline(figure, f"{network.junctions:,} junctions, {network.tubes:,} tubes", _WIDTH)
        axes = panel(figure, slab, scale, (line, below), cell, ())
        draw_depth(axes, slab, size)
        height = figure.get_figheight()
        draw_scale(figure, slab, scale, size, axes.get_position().x1, (below - line) / height)
        figure.text(0.02, 0.05 / height, words, va="bottom", color=SOFT, linespacing=1.15)
        figure.tables[""] = slab_tables([Drawn("", 0.0, slab, None)])[""]
    return figure


def _words(network: Network, thick: float) -> str:
    words = f"A slab {thick:.2g} mm thick through the middle, tubes to scale."
    if network.size is not None:
        words += f" Pores: {percent(network.porosity)} of the block."
    ends = [length(float(edge)) for edge in (network.radius.min(), network.radius.max())]
    return f"{words} Radii: {' to '.join(dict.fromkeys(ends))}."
