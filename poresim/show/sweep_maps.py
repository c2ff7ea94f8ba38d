"""Figure of a sweep over two quantities: a map a liquid, on one scale of colours."""

from __future__ import annotations

from typing import Any

import numpy as np

from poresim.outcome.words import percent
from poresim.show.lines import plain_ticks
from poresim.show.style import (
    BACKGROUND,
    DRY,
    INK,
    SCALE,
    SOFT,
    characters,
    name_label,
    readable,
    styled,
    text_size,
)
from poresim.show.sweep_data import Floats, Quantity, Runs, Sweep, looks
from poresim.show.sweep_words import foot, heading, maps_title

_WIDTH = 5.4  # inches
_LEFT, _RIGHT, _BETWEEN = 0.14, 0.97, 0.04
_STEPS = 6
_MANY = 150  # points: more are not shown one by one
_RATIOS = (1, 1.5, 2, 3, 5, 7)  # of levels on a logarithmic scale, before they are thinned


def maps_figure(sweep: Sweep) -> Any:
    """The result over both quantities: median over the solids, contours with their values."""
    from poresim.show.picture import Picture

    count = len(sweep.liquids)
    columns = min(count, 2)
    rows = -(-count // columns)
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        high = 3.3 if columns == 1 else 2.2  # inches of a panel
        named = 0.42 if columns == 2 else 0.8
        wrap = characters(named * _WIDTH, 1.1 * size)
        names = [name_label(runs.name, wrap, 2) for runs in sweep.liquids]
        name = 1.25 * size / 72 * max(n.count("\n") + 1 for n in names) + 0.12
        figure = Picture(figsize=(_WIDTH, 3.0 + rows * (high + name)))
        tall = figure.get_figheight()
        line = 1.25 * size / 72 / tall
        head = heading(figure, maps_title(sweep), sweep)
        base = foot(figure, _words(sweep), sweep)
        levels = _levels(sweep)
        top, bottom = head - 3.6 * line, base + 3.0 * line
        each = (top - bottom) / rows - name / tall
        wide = (_RIGHT - _LEFT - _BETWEEN * (columns - 1)) / columns
        for i, runs in enumerate(sweep.liquids):
            row, at = divmod(i, columns)
            y = top - (row + 1) * (each + name / tall)
            axes = figure.add_axes((_LEFT + at * (wide + _BETWEEN), y, wide, each))
            _draw(axes, sweep, runs, levels)
            axes.set_title(names[i], color=readable(looks(sweep)[i].colour))
            axes.tick_params(labelbottom=i + columns >= count, labelleft=at == 0)
            _label_contours(axes, sweep)
        across, up = sweep.quantities
        middle = (_LEFT + _RIGHT) / 2
        figure.text(middle, base + 0.3 * line, across.titled, ha="center", va="bottom")
        figure.text(0.012, (top + bottom - name / tall) / 2, up.titled, rotation=90, va="center")
        _draw_scale(figure, sweep, levels, head - 0.2 * line, line)
    return figure


def _levels(sweep: Sweep) -> Floats:
    """Where colours change: a few round numbers that hold all medians between them."""
    from matplotlib.ticker import MaxNLocator

    every = np.concatenate([runs.median for runs in sweep.liquids])
    every = every[np.isfinite(every)]
    low, high = float(every.min()), float(every.max())
    if not high > low:
        room = 0.05 * abs(high) or 1.0
        return np.array([low - room, high + room])
    if not sweep.log:
        return np.asarray(
            MaxNLocator(_STEPS, steps=[1, 2, 5, 10]).tick_values(low, high), dtype=np.float64
        )
    powers = np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1)
    for ratios in (_RATIOS, (1, 2, 5), (1, 3), (1,)):
        levels = np.outer(10.0**powers, ratios).ravel()
        first = max(int(np.searchsorted(levels, low, side="right")) - 1, 0)
        last = int(np.searchsorted(levels, high))
        levels = levels[first : last + 1]
        if len(levels) <= _STEPS + 3:
            break
    return levels


def _norm(levels: Floats) -> Any:
    from matplotlib.colors import BoundaryNorm

    return BoundaryNorm(levels, 256)


def _grid(sweep: Sweep) -> tuple[Floats, Floats, np.ndarray] | None:
    """Values across and up, and which point lies there, if the points are a full grid."""
    across, up = (np.unique(one.values) for one in sweep.quantities)
    places = [np.searchsorted(np.unique(one.values), one.values) for one in sweep.quantities]
    if len(across) * len(up) != len(places[0]) or min(len(across), len(up)) < 2:
        return None
    which = np.full((len(up), len(across)), -1)
    which[places[1], places[0]] = np.arange(len(places[0]))
    return (across, up, which) if (which >= 0).all() else None


def _draw(axes: Any, sweep: Sweep, runs: Runs, levels: Floats) -> None:
    across, up = sweep.quantities
    axes.grid(visible=False)
    _contours(axes, sweep, runs, levels)
    known = np.isfinite(runs.median)
    x, y = across.values, up.values
    if len(x) <= _MANY:
        axes.plot(x[known], y[known], "o", ms=3, mew=0.7, mec=INK, mfc=BACKGROUND, zorder=3,
                  clip_on=False)  # fmt: skip
    axes.plot(x[~known], y[~known], "x", ms=5, mew=1.2, color=INK, zorder=3, clip_on=False)
    for one, axis, limits in ((across, axes.xaxis, axes.set_xlim), (up, axes.yaxis, axes.set_ylim)):
        if one.log:
            (axes.set_xscale if axis is axes.xaxis else axes.set_yscale)("log")
        limits(*_ends(one))
        if one.log:
            _plain_or_even_ticks(axis)
        else:
            axes.locator_params(axis="x" if axis is axes.xaxis else "y", nbins=5)
    if across.own is not None and up.own is not None:
        axes.plot(across.own, up.own, "o", ms=10, mew=3.6, mfc="none", mec=BACKGROUND, zorder=5,
                  clip_on=False)  # fmt: skip
        axes.plot(across.own, up.own, "o", ms=10, mew=1.6, mfc="none", mec=INK, zorder=6,
                  clip_on=False)  # fmt: skip


def _plain_or_even_ticks(axis: Any) -> None:
    """Ticks at 1, 2 and 5; at even steps where a short axis has only one of these."""
    from matplotlib.ticker import MaxNLocator

    plain_ticks(axis)
    low, high = sorted(axis.get_view_interval())
    if sum(low <= at <= high for at in axis.get_majorticklocs()) < 2:
        axis.set_major_locator(MaxNLocator(4))


def _ends(one: Quantity) -> tuple[float, float]:
    """Of an axis: all values, and the scenario's own."""
    own = [] if one.own is None else [one.own]
    low, high = min(*one.values, *own), max(*one.values, *own)
    if high > low:
        return float(low), float(high)
    return (low / 1.2, high * 1.2) if one.log else (low - 0.5, high + 0.5)


def _contours(axes: Any, sweep: Sweep, runs: Runs, levels: Floats) -> None:
    """Colours and lines between the points: on the grid, or on triangles between scattered ones.

    Straight between neighbours, in the logarithm where colours stand for ratios. Grey where a
    neighbouring point has no result.
    """
    scale = np.log10 if sweep.log else np.asarray
    middle, levels = scale(runs.median), scale(levels)
    colours = {"levels": levels, "norm": _norm(levels), "cmap": SCALE, "zorder": 1}
    lines = {"levels": levels[1:-1], "colors": INK, "linewidths": 0.7, "alpha": 0.6, "zorder": 2}
    lines["linestyles"] = "solid"
    if (grid := _grid(sweep)) is not None:
        across, up, which = grid
        axes.set_facecolor(DRY)
        fill, line = axes.contourf, axes.contour
        drawn_on: tuple[Any, ...] = (across, up, np.ma.masked_invalid(middle[which]))
    elif (triangles := _triangles(sweep)) is not None:
        axes.tripcolor(triangles, np.zeros(len(middle)), cmap=_one_colour(DRY), zorder=0.5)
        triangles.set_mask(~np.isfinite(middle[triangles.triangles]).all(axis=1))
        fill, line = axes.tricontourf, axes.tricontour
        drawn_on = (triangles, np.nan_to_num(middle, nan=float(levels[0])))
    else:
        x, y = (one.values for one in sweep.quantities)
        axes.scatter(x, y, c=middle, norm=colours["norm"], cmap=SCALE, s=60, zorder=1)
        return
    fill(*drawn_on, **colours).set_edgecolor("face")  # no hairlines between the bands
    if len(levels) > 2:
        line(*drawn_on, **lines)


def _triangles(sweep: Sweep) -> Any:
    """Between scattered points, as they lie on the panel; None where they lie on one line."""
    from matplotlib.tri import Triangulation

    flat = np.array([_even(one, one.values) for one in sweep.quantities])
    if flat.shape[1] < 3 or np.linalg.matrix_rank(flat - flat[:, :1], tol=1e-9) < 2:
        return None
    x, y = (one.values for one in sweep.quantities)
    return Triangulation(x, y, Triangulation(*flat).triangles)


def _one_colour(colour: str) -> Any:
    from matplotlib.colors import ListedColormap

    return ListedColormap([colour])


def _even(one: Quantity, values: Floats) -> Floats:
    """Values as they are spaced on their axis, from 0 to 1."""
    even = np.log(values) if one.log else values
    return np.asarray((even - even.min()) / (np.ptp(even) or 1.0))


def _label_contours(axes: Any, sweep: Sweep) -> None:
    """Each contour's value once, level to read, where it is far from the others and the rim."""
    size = text_size(_WIDTH)
    figure = axes.figure
    box = axes.get_position()
    whole = np.array([box.width, box.height]) * figure.get_size_inches() * 72  # points
    to_share = axes.transData + axes.transAxes.inverted()
    taken = [_place(axes, own) for own in [[q.own for q in sweep.quantities]] if None not in own]
    lines = [c for c in axes.collections if len(getattr(c, "levels", ())) and not c.filled]
    for drawn in lines:
        for level, path in zip(drawn.levels, drawn.get_paths(), strict=True):
            text = f"{10**level if sweep.log else level:.4g}"
            half = np.array([0.32 * size * len(text), 0.62 * size])
            if not len(path.vertices):
                continue
            ends = to_share.transform(path.vertices) * whole
            some = _along(ends, path.codes)
            inside = ((some > half + 2) & (some < whole - half - 2)).all(axis=1)
            some = some[inside]
            if not len(some):
                continue
            gaps = [np.abs(some - at) / (half + other) for at, other in taken]
            room = np.min([g.max(axis=1) for g in gaps], axis=0) if gaps else np.ones(len(some))
            centre = np.abs(some / whole - 0.5).max(axis=1)  # of equals the one in the middle
            best = int(np.argmax(np.minimum(room, 2.5) - 0.5 * centre))
            if room[best] < 1.15:
                continue
            taken.append((some[best], half))
            axes.text(
                *(some[best] / whole), text, transform=axes.transAxes, ha="center", va="center",
                zorder=4, color=INK, fontweight="bold",
                bbox={"facecolor": BACKGROUND, "edgecolor": "none", "alpha": 0.85, "pad": 0.8},
            )  # fmt: skip


def _place(axes: Any, own: Any) -> tuple[Floats, Floats]:
    """Where the scenario's ring lies in the panel, in points, and half of its size."""
    box = axes.get_position()
    whole = np.array([box.width, box.height]) * axes.figure.get_size_inches() * 72
    to_share = axes.transData + axes.transAxes.inverted()
    return to_share.transform(np.array([own], dtype=float))[0] * whole, np.array([8.0, 8.0])


def _along(ends: Floats, codes: Any) -> Floats:
    """Places on a contour no further than a few points apart."""
    joined = np.ones(len(ends) - 1, bool) if codes is None else np.asarray(codes)[1:] != 1
    share = np.linspace(0, 1, 12)[:, None]
    pieces = [a + share * (b - a) for a, b, j in zip(ends[:-1], ends[1:], joined, strict=True) if j]
    return np.concatenate(pieces) if pieces else ends


def _draw_scale(figure: Any, sweep: Sweep, levels: Floats, top: float, line: float) -> None:
    """What colours mean, for all panels, below the title."""
    from matplotlib.cm import ScalarMappable

    figure.text(_LEFT, top, sweep.titled, va="top")
    axes = figure.add_axes((_LEFT, top - 2.0 * line, _RIGHT - _LEFT - 0.025, 0.75 * line))
    bar = figure.colorbar(
        ScalarMappable(_norm(levels), SCALE), cax=axes, orientation="horizontal",
        spacing="uniform", ticks=levels,
    )  # fmt: skip
    bar.outline.set_linewidth(0.7)
    axes.set_xticks(levels, [f"{level:g}" for level in levels])
    axes.tick_params(length=2, pad=2, color=SOFT)


def _words(sweep: Sweep) -> str:
    words = "" if sweep.solids == 1 else "Colours: median of the solids"
    if sweep.solids > 1:
        scatter = [_scatter(runs) for runs in sweep.liquids]
        words += f", which differ by {percent(float(np.nanmedian(np.concatenate(scatter))))}; "
    few = len(sweep.quantities[0].values) <= _MANY
    words += "dots: computed, between them interpolated." if few else ""
    if all(one.own is not None for one in sweep.quantities):
        words += " Ring: the scenario's own values."
    if not all(np.isfinite(runs.median).all() for runs in sweep.liquids):
        words += " Crosses on grey: few or no solids get there."
    return words[:1].upper() + words[1:]


def _scatter(runs: Runs) -> Floats:
    """Range of the solids over their median, at each point."""
    middle = np.where(runs.median == 0, np.nan, np.abs(runs.median))
    return np.asarray((runs.high - runs.low) / middle)


__all__ = ["maps_figure"]
