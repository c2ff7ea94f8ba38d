"""Figures of curves: uptake against time and sqrt(time), and the place of the front."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.outcome.words import capital, short, title
from poresim.record.model import Record
from poresim.show.captions import footnote, headline, time_unit
from poresim.show.lifts import draw_lifts, lift_words, lifts_of, put_lifts
from poresim.show.lines import draw_band, name_lines, scaled, spread_words
from poresim.show.series import Series, grid, repeats_in_words, series_of
from poresim.show.style import FAINT, characters, name_label, readable, styled, text_size
from poresim.show.tables import Table, column, spread_columns

_WIDTH = 5.4  # inches
_THROUGH = 0.95  # of the pores full: the liquid has come through
_SEEN = 5e-3  # of the most: a film that weighs less is not to be told from the line
_NAMED = 0.14  # inches, for a name above a panel
_STRAIGHT = "straight = capillary uptake, Washburn"


def uptake_figure(records: Sequence[Record]) -> Any:
    """Uptake against time and against sqrt(time): median and range over the repeats."""
    from poresim.show.picture import Picture

    series = series_of(records)
    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, 7.6))
        head = headline(figure, title([s.summary for s in series]), _WIDTH)
        when = grid(series)
        lifts = lifts_of(series, float(when[-1]))
        head -= _NAMED / 7.6 if lifts else 0.0
        bands = [s.band("uptake_kg", when) for s in series]
        words = spread_words(series, bands, _top(series, 1.0))
        if any(_has_film(s) for s in series):
            words += " Dotted: with the film that hangs on it, as a balance shows."
        foot = footnote(figure, words + lift_words(lifts, named=True), records)
        left, right = 0.135, 0.72
        middle = (head + foot) / 2
        gap = 0.105
        upper = figure.add_axes((left, middle + gap / 2, right - left, head - middle - gap / 2))
        lower = figure.add_axes((left, foot + gap, right - left, middle - foot - 1.5 * gap))
        unit, factor = _mass_unit(series)
        clock, ticks = time_unit(float(when[-1]))
        weighed = [_weighed(one, when) * factor for one in series]
        for axes, across, name in (
            (upper, when * ticks, f"Time ({clock})"),
            (lower, np.sqrt(when), f"Square root of time (√s)\n{_STRAIGHT}"),
        ):
            ends = [
                draw_band(axes, across, s, b, factor) for s, b in zip(series, bands, strict=True)
            ]
            axes.set_xlim(0, across[-1])
            axes.set_ylim(0, _top(series, factor))
            axes.locator_params(nbins=5)
            axes.set_xlabel(name)
            axes.set_ylabel(f"Uptake ({unit})")
            if axes is upper:
                draw_lifts(axes, lifts, lambda t: t * ticks, named=True)
            else:
                draw_lifts(axes, lifts, np.sqrt)
            for one, mass in zip(series, weighed, strict=True):
                if _has_film(one):
                    axes.plot(across, mass, ls=":", lw=1.6, color=one.colour, zorder=2.5)
            name_lines(figure, axes, series, ends)
        film = any(_has_film(one) for one in series)
        figure.tables[""] = Table(
            (
                "liquid", column("time", clock), "root_time_s05", *spread_columns("uptake", unit),
                *([column("with film", unit)] * film),
            ),
            [
                (one.name, when * ticks, np.sqrt(when), *scaled(b, factor), *([mass] * film))
                for one, b, mass in zip(series, bands, weighed, strict=True)
            ],
        )  # fmt: skip
        put_lifts(figure, lifts, clock, ticks)
    return figure


def _weighed(one: Series, when: np.ndarray) -> np.ndarray:
    """What a balance shows while a film hangs on the solid, kg; nan where none is seen."""
    if not _has_film(one):
        return np.full(len(when), np.nan)
    film = one.band("film_m3", when).median * one.liquid.density
    mass = one.band("uptake_kg", when).median + film
    return np.where(film > _SEEN * mass.max(), mass, np.nan)


def _has_film(one: Series) -> bool:
    return all(len(repeat.film_m3) > 0 for repeat in one.repeats)


def front_figure(records: Sequence[Record]) -> Any:
    """Depth of the front against time, one panel a liquid: median and 5 to 95 %."""
    from poresim.show.picture import Picture

    series = series_of(records)
    columns = 2 if len(series) > 1 else 1
    rows = -(-len(series) // columns)
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        names = [
            name_label(s.name, characters(0.78 * _WIDTH / columns, 1.1 * size), 2) for s in series
        ]
        name = 1.3 * size / 72 * max(n.count("\n") + 1 for n in names)
        tall = 1.75 + (1.75 + name) * rows
        figure = Picture(figsize=(_WIDTH, tall))
        when = grid(series)
        bands = [front_depths(s, when) for s in series]
        known = np.isfinite([middle for _, middle, _ in bands]).any(axis=0)
        last = min(when[-1], 1.1 * when[known][-1]) if known.any() else when[-1]
        lifts = lifts_of(series, float(last))
        head = headline(figure, _front_title(series), _WIDTH)
        words = front_words(series, lift_words(lifts))
        words += " Grey: the other liquids." if len(series) > 1 else ""
        foot = footnote(figure, words, records)
        grids = figure.add_gridspec(
            rows,
            columns,
            left=0.135,
            right=0.97,
            top=head - (name + 0.05) / tall,
            bottom=foot + 0.62 / tall,
            wspace=0.18,
            hspace=(name + 0.25) / 1.6,
        )
        clock, ticks = time_unit(float(last))
        deepest = max((np.nanmax(b[2]) for b in bands if np.isfinite(b[2]).any()), default=0.0)
        for i, (one, (low, middle, high)) in enumerate(zip(series, bands, strict=True)):
            axes = figure.add_subplot(grids[i // columns, i % columns])
            for other in bands:
                axes.plot(when * ticks, other[1], color=FAINT, lw=1.0, zorder=1)
            axes.fill_between(when * ticks, low, high, color=one.colour, alpha=0.22, lw=0, zorder=2)
            axes.plot(when * ticks, middle, color=one.colour, zorder=3)
            axes.set_xlim(0, last * ticks)
            axes.set_ylim(0, 1.05 * deepest if deepest > 0 else 1.0)
            axes.locator_params(axis="x", nbins=4 if columns == 1 else 3)
            axes.locator_params(axis="y", nbins=5)
            draw_lifts(axes, lifts, lambda t: t * ticks)
            axes.set_title(names[i], color=readable(one.colour))
            if i // columns == (len(series) - 1 - i % columns) // columns:
                axes.set_xlabel(f"Time ({clock})")
            else:
                axes.tick_params(labelbottom=False)
            if i % columns:
                axes.tick_params(labelleft=False)
        figure.text(
            0.012,
            (head + foot) / 2,
            "Depth of the front (mm)",
            rotation=90,
            va="center",
            ha="left",
        )
        depths = [f"depth_mm_{which}" for which in ("5_percent", "median", "95_percent")]
        figure.tables[""] = Table(
            ("liquid", column("time", clock), *depths),
            [(one.name, when * ticks, *b) for one, b in zip(series, bands, strict=True)],
        )
        put_lifts(figure, lifts, clock, ticks)
    return figure


def front_depths(one: Series, when: np.ndarray) -> list[np.ndarray]:
    """Depth, mm, of 5, 50 and 95 % of the menisci; nan once the liquid is through.

    The few menisci that are left then stand anywhere, and are no front.
    """
    through = one.band("saturation", when).median >= _THROUGH
    depth = [one.band("front_m", when, q).median * 1e3 for q in (0, 2, 4)]
    return [np.where(through, np.nan, d) for d in depth]


def front_words(series: Sequence[Series], lifted: str) -> str:
    """What lines and bands of the front are. lifted : what upright lines are, or ""."""
    solids = repeats_in_words(series)
    words = "Line: median depth of the menisci below the wetted face; band: 5 to 95 % of them"
    words += "." if solids == "one solid" else f"; each the median over {solids}."
    if any(_is_through(s) for s in series):
        words += f" A line ends when {100 * _THROUGH:.0f} % of the pores are full."
    return words + lifted


def _is_through(one: Series) -> bool:
    return bool(one.band("saturation", np.array([one.end_s])).median[0] >= _THROUGH)


def _front_title(series: Sequence[Series]) -> str:
    through = [s for s in series if _is_through(s)]
    deep = [(s, front_depths(s, np.array([s.end_s]))[1][0]) for s in series]
    known = [(s, d) for s, d in deep if np.isfinite(d)]
    if through and not known:
        return f"{capital(_all_of(through))} through"
    if not known:
        return "How deep the front has come"
    first = max(known, key=lambda pair: pair[1])
    last = min(known, key=lambda pair: pair[1])
    if through:
        deepest = f"{short(last[0].name)} gets {last[1]:.2g} mm deep"
        return f"{capital(_all_of(through))} through; {deepest}"
    if first[1] == 0:
        return "No liquid has come in"
    text = f"Front in the end: {short(first[0].name)} {first[1]:.2g} mm deep"
    if last[1] < 0.95 * first[1]:
        text += f", {short(last[0].name)} {last[1]:.2g} mm"
    return text


def _all_of(series: Sequence[Series]) -> str:
    """Who comes: "clear broth comes", "clear broth and gum broth come", "5 liquids come"."""
    if len(series) > 2:
        return f"{len(series)} liquids come"
    names = " and ".join(short(one.name) for one in series)
    return f"{names} {'comes' if len(series) == 1 else 'come'}"


def _mass_unit(series: Sequence[Series]) -> tuple[str, float]:
    most = max((s.summary.end_uptake_kg.high for s in series), default=0.0)
    if most >= 1e-3:
        return "g", 1e3
    return ("mg", 1e6) if most >= 1e-6 else ("µg", 1e9)


def _top(series: Sequence[Series], factor: float) -> float:
    most = max((s.summary.end_uptake_kg.high for s in series), default=0.0)
    for one in series:
        if _has_film(one):
            weighed = [r.uptake_kg + one.liquid.density * r.film_m3 for r in one.repeats]
            most = max(most, *(float(mass.max()) for mass in weighed))
    return 1.06 * most * factor if most > 0 else 1.0
