"""Figures of what grains did: where and when they were caught, and how long a broth may stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.caught import Profile, caught_by_depth, closed_by_time
from poresim.outcome.faces import depth_below
from poresim.outcome.standing import Standing, standing_of, standing_words
from poresim.record.model import Record
from poresim.show.captions import footnote, headline, time_unit
from poresim.show.section import NotAsked, NothingToShow
from poresim.show.series import Series, grid, repeats_in_words, series_of
from poresim.show.style import SOFT, apart, characters, colour, label, readable, styled, text_size
from poresim.show.tables import Table, column, spread_columns

Floats = NDArray[np.float64]

_WIDTH, _TALL = 5.4, 7.6  # inches
_LAYERS = (6, 40)  # of depth, at least and at most; else as thick as a tube is long
_MOST = 6  # liquids in one figure
_LITTLE = 0.02  # of what was caught: layers beyond which there is less are not drawn


def caught_figure(records: Sequence[Record]) -> Any:
    """What grains closed, by depth and by time; where they were caught; what the front carries."""
    from poresim.show.picture import Picture

    series = _with_grains(records)
    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, _TALL))
        profiles = [_profile(one) for one in series]
        when = grid(series)
        head = headline(figure, _title(series, profiles), _WIDTH)
        size = text_size(_WIDTH)
        rows = -(-len(series) // 2)
        foot = footnote(figure, _words(series), records) + rows * 1.45 * size / 72 / _TALL + 0.01
        grids = figure.add_gridspec(
            2, 2, left=0.115, right=0.975, top=head - 0.045, bottom=foot + 0.085,
            wspace=0.36, hspace=0.52,
        )  # fmt: skip
        panels = [figure.add_subplot(grids[i // 2, i % 2]) for i in range(4)]
        figure.tables[""] = _draw_depths(panels[0], panels[1], series, profiles)
        figure.tables["times"] = _draw_times(panels[2], panels[3], series, when)
        _name(figure, series, foot - 0.012, size)
    return figure


def _with_grains(records: Sequence[Record]) -> list[Series]:
    """Of liquids that differ in how long they stood, the first; coloured as in other figures."""
    fresh: dict[tuple[int, str], Series] = {}
    for one in series_of(records):
        kind = (id(one.record), one.liquid.grains.kind or one.name)
        fresh.setdefault(kind, replace(one, place=len(fresh)))
    found = [s for s in fresh.values() if any(len(r.class_diameter_m) for r in s.repeats)]
    if not found:
        raise NotAsked("no liquid carries grains that a throat could catch")
    return found[:_MOST]


def _profile(one: Series) -> Profile:
    """The mean over the repeats."""
    found: list[Profile] = []
    layers = 0
    for number, repeat in one.liquid.repeats.items():
        network = one.record.solid(number)
        depth = depth_below(network, one.record.faces)
        if depth is None:
            raise NothingToShow("the solid has no faces from which depths could be told")
        middle = depth[network.ends].mean(axis=1)
        if layers == 0:
            layers = int(np.clip(round(middle.max() / network.length.mean()), *_LAYERS))
        came = np.isfinite(repeat.wetted_at_s)[network.ends].any(axis=1)
        found.append(
            caught_by_depth(middle, repeat.captured_in_tube_m3, repeat.blocked_at_s, came, layers)
        )
    caught = np.mean([p.caught for p in found], axis=0)
    closed = np.array([p.closed for p in found])
    known = np.isfinite(closed)
    mean = np.where(known, closed, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return Profile(found[0].edges, caught, np.where(known.any(axis=0), mean, np.nan))


def _draw_depths(
    where: Any, closed: Any, series: Sequence[Series], profiles: Sequence[Profile]
) -> Table:
    """Grains caught, and throats closed, in each layer; depth runs down. What is drawn."""
    deepest = 0.0
    drawn = []
    for one, profile in zip(series, profiles, strict=True):
        share = 100 * profile.caught / max(profile.caught.sum(), 1e-300)
        edges = 1e3 * profile.edges
        there = np.flatnonzero(np.isfinite(profile.closed) | (share > _LITTLE))
        deepest = max(deepest, edges[there[-1] + 1] if len(there) else 0.0)
        shut = 100 * profile.closed  # a gap where no throat was reached
        drawn.append((one.name, edges[:-1], edges[1:], share, shut))
        for axes, values in ((where, share), (closed, shut)):
            axes.stairs(
                values, edges, orientation="horizontal", baseline=None,
                color=one.colour, ls=one.dashes, lw=1.6,
            )  # fmt: skip
    for axes, title, name in (
        (where, "Where grains sit", "of all caught (%)"),
        (closed, "Throats closed, by depth", "of those reached (%)"),
    ):
        axes.set_ylim(deepest or 1.0, 0)
        axes.set_xlim(left=0)
        axes.locator_params(nbins=5)
        axes.set_title(title)
        axes.set_xlabel(name)
        axes.set_ylabel("Depth (mm)")
    names = ("depth_from_mm", "depth_to_mm", "of_caught_percent", "closed_of_reached_percent")
    return Table(("liquid", *names), drawn)


def _draw_times(closed: Any, front: Any, series: Sequence[Series], when: Floats) -> Table:
    """Throats closed of those the liquid came to, and the grains in the open tubes."""
    clock, ticks = time_unit(float(when[-1]))
    offered = max(one.liquid.grains.volume_fraction for one in series)
    drawn = []
    for one in series:
        shares, fractions = [], []
        for number, repeat in one.liquid.repeats.items():
            network = one.record.solid(number)
            known = when <= repeat.time_s[-1] * (1 + 1e-9)
            shut = closed_by_time(repeat.blocked_at_s, repeat.wetted_at_s, network.ends, when)
            shares.append(np.where(known, shut, np.nan))
            ahead = np.interp(when, repeat.time_s, repeat.front_fraction)
            fractions.append(np.where(known, ahead, np.nan))
        style = {"color": one.colour, "ls": one.dashes, "lw": 1.6}
        curves = [100 * np.median(rows, axis=0) for rows in (shares, fractions)]
        closed.plot(when * ticks, curves[0], **style)
        front.plot(when * ticks, curves[1], **style)
        drawn.append((one.name, when * ticks, *curves, 100 * offered))
    if offered > 0:
        front.axhline(100 * offered, color=SOFT, lw=0.9)
        front.annotate(
            "as poured", (1, 100 * offered), (0, -3), xycoords=("axes fraction", "data"),
            textcoords="offset points", ha="right", va="top", color=SOFT,
        )  # fmt: skip
    for axes, title, name in (
        (closed, "Throats closed, by time", "of those reached (%)"),
        (front, "Grains at the front", "of the volume (%)"),
    ):
        axes.set_title(title)
        axes.set_xlim(0, when[-1] * ticks)
        axes.set_ylim(bottom=0)
        axes.margins(y=0.12)
        axes.locator_params(nbins=5)
        axes.set_xlabel(f"Time ({clock})")
        axes.set_ylabel(name)
    names = ("closed_of_reached_percent", "at_the_front_percent", "as_poured_percent")
    return Table(("liquid", column("time", clock), *names), drawn)


def _name(figure: Any, series: Sequence[Series], top: float, size: float) -> None:
    """A line and a name for each liquid, two a row, below the panels."""
    from matplotlib.lines import Line2D

    height = figure.get_figheight()
    for i, one in enumerate(series):
        x, y = 0.03 + 0.49 * (i % 2), top - (i // 2) * 1.45 * size / 72 / height
        figure.add_artist(Line2D([x, x + 0.05], [y, y], color=one.colour, ls=one.dashes, lw=1.8))
        name = label(one.name, characters(0.4 * _WIDTH, size), 1)
        figure.text(x + 0.062, y, name, va="center", color=readable(one.colour))


def _title(series: Sequence[Series], profiles: Sequence[Profile]) -> str:
    """Where most of what was caught is."""
    found = [profile for profile in profiles if profile.caught.sum() > 0]
    if not found:
        return "No grain was caught"
    edges, shares = found[0].edges, [p.caught.cumsum() / p.caught.sum() for p in found]
    layers = 1 + max(int(np.searchsorted(share, 0.5)) for share in shares)  # half of all, or more
    least = 100 * min(share[layers - 1] for share in shares)
    most = "All" if least > 99.95 else f"{int(least)} %" + " or more" * (len(found) > 1)
    return f"{most} of the grains that were caught sit in the first {1e3 * edges[layers]:.2g} mm"


def _words(series: Sequence[Series]) -> str:
    cakes = [float(np.median([r.cake_thickness_m[-1] for r in one.repeats])) for one in series]
    solids = repeats_in_words(series)
    words = "Caught: volume, in layers of depth; closed: of the throats there that liquid reached."
    words += " At the front: in tubes that are not full yet."
    words += "" if solids == "one solid" else f" Means and medians of {solids}."
    thick = max(cakes)
    if thick > 0:
        words += f" Cake on the wetted face: {1e6 * thick:.2g} µm thick at most, in the mean."
    return words


# ---- standing --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Shown:
    kind: Standing
    colour: str


def standing_figure(records: Sequence[Record]) -> Any:
    """Pores full at the end, against how long each liquid had stood in its cup."""
    from poresim.show.picture import Picture

    if len(records) != 1:
        raise NotAsked("standing times are shown of one record at a time")
    kinds = standing_of(records[0])
    if not any(len(kind.stood_s) > 1 for kind in kinds):
        raise NotAsked("no liquid is tried after several times of standing")
    shown = [_Shown(kind, colour(i)) for i, kind in enumerate(kinds)]
    found = standing_words(kinds)
    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, 5.6))
        head = headline(figure, found.title, _WIDTH)
        solids = repeats_in_words(series_of(records))
        spread = "" if solids == "one solid" else f" Median and range of {solids}."
        foot = footnote(figure, f"{found.text}{spread} Dashed: without grains.", records)
        axes = figure.add_axes((0.115, foot + 0.12, 0.585, head - foot - 0.15))
        longest = max(float(kind.stood_s[-1]) for kind in kinds)
        clock, ticks = time_unit(longest) if longest < 180 else ("min", 1 / 60)
        for one in shown:
            _draw_kind(axes, one, longest, ticks)
        times = sorted({float(t) for kind in kinds for t in kind.stood_s})
        axes.set_xscale("function", functions=(np.sqrt, np.square))
        axes.set_xlim(0, 1.03 * longest * ticks)
        axes.set_xticks([t * ticks for t in times], [f"{t * ticks:g}" for t in times])
        axes.set_ylim(0, 104)
        axes.set_xlabel(f"Stood in the cup before the soak ({clock})")
        axes.set_ylabel(f"Pores full after {kinds[0].end_s:.2g} s (%)")
        _name_kinds(figure, axes, shown)
        figure.tables[""] = Table(
            ("liquid", column("stood", clock), *spread_columns("full", "%")),
            [(label(k.name), k.stood_s * ticks, *(100 * k.full).T) for k in kinds],
        )
    return figure


def _draw_kind(axes: Any, one: _Shown, longest: float, ticks: float) -> None:
    kind = one.kind
    x, y = kind.stood_s * ticks, 100 * kind.full
    if len(x) == 1:  # what does not depend on it, or was tried once
        axes.plot([0, longest * ticks], [y[0, 0]] * 2, color=one.colour, lw=1.4, ls=(0, (4, 2)))
        return
    axes.plot(x, y[:, 0], color=one.colour, lw=1.6, marker="o", ms=4.5, clip_on=False, zorder=3)
    axes.vlines(x, y[:, 1], y[:, 2], color=one.colour, lw=1.2, zorder=2)


def _name_kinds(figure: Any, axes: Any, shown: Sequence[_Shown]) -> None:
    size = text_size(_WIDTH)
    names = [label(one.kind.name, characters(0.25 * _WIDTH, size), 3) for one in shown]
    ends = [100 * float(one.kind.full[-1, 0]) for one in shown]
    per = 104 / (axes.get_position().height * figure.get_figheight() * 72)
    gap = max(name.count("\n") + 1 for name in names) * 1.3 * size * per
    places = apart(ends, gap, 0.5 * gap, 104 - 0.5 * gap)
    for one, name, end, place in zip(shown, names, ends, places, strict=True):
        axes.annotate(
            name, (1.0, end), (1.05, place), xycoords=("axes fraction", "data"),
            textcoords=("axes fraction", "data"), va="center", color=readable(one.colour),
            arrowprops={"arrowstyle": "-", "color": one.colour, "lw": 0.8},
            annotation_clip=False, linespacing=1.1,
        )  # fmt: skip
