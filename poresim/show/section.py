"""Sections of the solid: liquids side by side, times below one another, closed throats marked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.outcome.words import capital, percent, seconds, short
from poresim.record.model import Record
from poresim.show.lifts import draw_surface, entry_words, foot_lines, lifts_of, touching
from poresim.show.series import Series, caution, series_of
from poresim.show.slab import Slab, scale_bar, side_of, slab_of
from poresim.show.slab_tables import Drawn, slab_tables
from poresim.show.states import State, common_repeat, reading, state_at, told_times
from poresim.show.style import (
    BACKGROUND,
    DRY,
    FAINT,
    INK,
    SOFT,
    WHITE,
    characters,
    label,
    name_label,
    readable,
    styled,
    text_size,
)

_TIMES = 4
_COLUMNS = 4


class NothingToShow(ValueError):
    """The record holds no states that could be drawn; the text says why."""

    wrong_request = True


class NotAsked(NothingToShow):
    """The scenario does not ask what the figure would show."""


def section_figure(records: Sequence[Record]) -> Any:
    """Liquids in columns, times in rows. Raises NothingToShow when there are no snapshots.

    More than four liquids go below one another, in blocks of four.
    """
    from poresim.show.picture import Picture

    series = series_of(records)
    number, repeats, slabs = chosen(series)
    times = told_times(repeats, _TIMES, _lifts(series))
    columns = min(len(series), _COLUMNS)
    blocks = -(-len(series) // columns)
    width = max(5.4, 1.75 * columns)
    size = text_size(width)
    line = size / 72
    with styled(width):
        depths = max((depth_labels(slab)[-1] for slab in slabs), key=len)
        left, right, gap = 4.9 * line, (0.62 * len(depths) + 1.1) * line, 0.10
        cell = (width - left - right + gap) / columns - gap
        scale, tall = common_scale(slabs, cell, 3.2)
        last = [state_at(repeat, times[-1]) for repeat in repeats]
        title = label(_title(series, last, times[-1]), characters(width * 0.95, 1.3 * size), 4)
        names = [name_label(s.name, characters(cell, 1.12 * size), 4) for s in series]
        words = label(
            _foot(slabs, number, records, times), characters(width * 0.97, size),
            foot_lines(records, 7),
        )  # fmt: skip
        lines = words.count("\n") + 1
        head = (title.count("\n") + 1) * 1.45 * line + 0.08
        name = 1.3 * max(n.count("\n") + 1 for n in names) * line
        closed = any(np.isfinite(r.blocked_at_s).any() for r in repeats)
        drawn: list[Drawn] = []
        under = (2.7 if closed else 1.55) * line
        row = tall + under
        foot = (lines * 1.25 + 2.2) * line + 0.07
        height = head + blocks * (name + row * len(times)) + foot
        figure = Picture(figsize=(width, height))
        figure.text(0.015, 1 - 0.05 / height, title, va="top", fontsize=1.15 * size, weight="bold")
        for i, (one, repeat, slab) in enumerate(zip(series, repeats, slabs, strict=True)):
            block, column = divmod(i, columns)
            top = height - head - block * (name + row * len(times)) - name
            for j, when in enumerate(times):
                bottom = top - row * (j + 1) + under
                place = (left + column * (cell + gap), bottom)
                sides, surface = touching(one, number, slab, when, margin_of(slab))
                axes = panel(figure, slab, scale, place, cell, sides)
                if surface is not None:
                    draw_surface(axes, surface)
                state = state_at(repeat, when)
                draw_state(axes, slab, state, one.colour, scale)
                drawn.append(Drawn(one.name, when, slab, state))
                axes.set_xlabel(
                    reading(state, closed), labelpad=2, linespacing=1.0, color=readable(one.colour)
                )
                if j == 0:
                    axes.set_title(names[i], color=readable(one.colour), loc="center", pad=4)
                if column == columns - 1 or i == len(series) - 1:
                    draw_depth(axes, slab, size)
                if column == 0:
                    at = (bottom + tall / 2) / height
                    figure.text(0.015, at, seconds(when), va="center", weight="bold")
        y = (lines * 1.25 + 0.7) * line / height
        if closed:
            draw_legend(figure, size, y)
        draw_scale(figure, slabs[0], scale, size, 1 - right / width, y)
        figure.text(0.015, 0.06 / height, words, va="bottom", color=SOFT, linespacing=1.15)
        figure.tables |= slab_tables(drawn)
    return figure


def _lifts(series: Sequence[Series]) -> list[float]:
    """When solids are lifted out, the first and the last time, s."""
    out = [when for when, lifted in lifts_of(series) if lifted]
    return sorted({*out[:1], *out[-1:]})


def chosen(series: Sequence[Series]) -> tuple[int, list[Any], list[Slab]]:
    """The repeat that is shown, its soaks and its slabs."""
    number = common_repeat(series)
    if number is None:
        raise NothingToShow("no repeat has snapshots of every liquid: nothing to draw a section of")
    made: dict[int, Slab] = {}
    for one in series:
        key = id(one.record)
        if key not in made:
            made[key] = slab_of(one.record.solid(number), one.record.faces)
    slabs = [made[id(one.record)] for one in series]
    if any(not len(slab.tubes) for slab in slabs):
        raise NothingToShow("no tube lies in the middle of the solid: nothing to draw a section of")
    return number, [one.liquid.repeats[number] for one in series], slabs


def common_scale(slabs: Sequence[Slab], cell: float, tallest: float) -> tuple[float, float]:
    """Inches a mm at which every slab fits into a panel, and the height of the tallest then."""
    spans = np.array([slab.high - slab.low + 2 * margin_of(slab) for slab in slabs])
    scale = float(min((cell / spans[:, 0]).min(), (tallest / spans[:, 1]).min()))
    return scale, scale * float(spans[:, 1].max())


def panel(
    figure: Any, slab: Slab, scale: float, place: tuple[float, float], cell: float,
    thick: Sequence[str] | None = None,
) -> Any:  # fmt: skip
    """A panel with the dry slab; the rest as in :func:`empty_panel`."""
    axes = empty_panel(figure, slab, scale, place, cell, thick)
    _draw_dry(axes, slab)
    return axes


def empty_panel(
    figure: Any, slab: Slab, scale: float, place: tuple[float, float], cell: float,
    thick: Sequence[str] | None = None,
) -> Any:  # fmt: skip
    """A panel for a slab; ``place`` is the lower left of a cell ``cell`` wide, inches.

    The block's outline is drawn, thick where the liquid is; ``thick``: the sides where that is,
    if not all wet ones.
    """
    margin = margin_of(slab)
    span = slab.high - slab.low + 2 * margin
    width, height = figure.get_size_inches()
    wide, tall = scale * span
    x = place[0] + (cell - wide) / 2
    axes = figure.add_axes((x / width, place[1] / height, wide / width, tall / height))
    axes.set_facecolor(WHITE)
    axes.grid(False)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlim(slab.low[0] - margin, slab.high[0] + margin)
    axes.set_ylim(slab.low[1] - margin, slab.high[1] + margin)
    wet = {side_of(face) for face in (slab.wet_sides if thick is None else thick)}
    for side, spine in axes.spines.items():
        spine.set_visible(True)
        spine.set_color(INK if side in wet else FAINT)
        spine.set_linewidth(3.5 if side in wet else 0.7)
    return axes


def margin_of(slab: Slab) -> float:
    """How far a panel reaches beyond the block, mm."""
    return 0.02 * float(np.max(slab.high - slab.low))


def depth_marks(slab: Slab) -> np.ndarray:
    """Round depths below the wetted face, mm; heights when neither bottom nor top is wet."""
    tall = float(slab.high[1] - slab.low[1])
    return np.arange(0, tall * 1.001, scale_bar(tall * 0.9))


def depth_labels(slab: Slab) -> list[str]:
    """What stands beside :func:`depth_marks`; the unit at the last."""
    words = [f"{depth:.3g}" for depth in depth_marks(slab)]
    return [*words[:-1], f"{words[-1]} mm"]


def draw_depth(axes: Any, slab: Slab, size: float, kept: slice = slice(None)) -> None:
    """Depth marks at the panel's right edge; ``kept``: which of all."""
    marks = depth_marks(slab)[kept]
    top = slab.wet_sides == ("top",)
    axes.set_yticks(slab.high[1] - marks if top else slab.low[1] + marks, depth_labels(slab)[kept])
    axes.yaxis.tick_right()
    axes.tick_params(axis="y", length=0.25 * size, pad=0.2 * size)


def _draw_dry(axes: Any, slab: Slab) -> None:
    """Every tube of the slab, dry."""
    from matplotlib.collections import PolyCollection

    dry = PolyCollection(list(slab.all_shapes()), facecolors=DRY, edgecolors="none", zorder=1)
    dry.set_rasterized(True)  # within an SVG, which opens quickly then
    axes.add_collection(dry)


def draw_state(axes: Any, slab: Slab, state: State | None, colour: str, scale: float) -> Any:
    """The wet parts and the closed throats; the collections, to be changed later.

    ``scale`` in inches a mm: the bars are as thick as the picture of a tube allows.
    """
    from matplotlib.collections import LineCollection, PolyCollection

    wet = PolyCollection([], facecolors=colour, edgecolors=colour, linewidths=0.3, zorder=2)
    thick = float(np.clip(0.24 * slab.thickness_mm * scale * 72, 1.0, 2.4))
    halo = LineCollection(
        [], colors=BACKGROUND, linewidths=1.7 * thick, zorder=2.1, capstyle="butt"
    )
    bars = LineCollection([], colors=INK, linewidths=thick, zorder=2.2, capstyle="butt")
    for collection in (wet, halo, bars):
        collection.set_rasterized(True)
        axes.add_collection(collection, autolim=False)
    put_state(slab, state, wet, halo, bars)
    return wet, halo, bars


def put_state(slab: Slab, state: State | None, wet: Any, halo: Any, bars: Any) -> None:
    """Change what the collections of :func:`draw_state` show."""
    if state is None:
        return
    wet.set_verts(slab.wet_shapes(state.fill))
    segments = slab.bars(state.closed)
    halo.set_segments(segments)
    bars.set_segments(segments)


def draw_scale(figure: Any, slab: Slab, scale: float, size: float, x: float, y: float) -> None:
    """A scale bar for panels of ``scale`` inches a mm; its right end at (x, y)."""
    from matplotlib.lines import Line2D

    across = float(slab.high[0] - slab.low[0])
    if across <= 0:  # a single row of tubes
        return
    length = scale_bar(across)
    width = figure.get_figwidth()
    start = x - length * scale / width
    figure.add_artist(Line2D([start, x], [y, y], color=INK, lw=0.25 * size, solid_capstyle="butt"))
    figure.text(start - 0.5 * size / 72 / width, y, f"{length:g} mm", ha="right", va="center")


def draw_legend(figure: Any, size: float, y: float, x: float = 0.015) -> None:
    """What the short black bars mean."""
    from matplotlib.lines import Line2D

    width, height = figure.get_size_inches()
    step = size / 72
    ys = [y - 0.45 * step / height, y + 0.45 * step / height]
    at = x + 0.5 * step / width
    figure.add_artist(Line2D([x, x + step / width], [y, y], color=DRY, lw=0.35 * size))
    figure.add_artist(Line2D([at, at], ys, color=INK, lw=0.16 * size))
    figure.text(x + 1.5 * step / width, y, "throat closed by a grain (% of all)", va="center")


def _title(series: Sequence[Series], states: Sequence[State | None], last: float) -> str:
    """What the last row shows."""
    pairs = zip(series, states, strict=True)
    told = [(one.name, state.saturation) for one, state in pairs if state is not None]
    if not told:
        return "Where the liquid is"
    told.sort(key=lambda pair: -pair[1])
    first, lowest = told[0], told[-1]
    if len(told) > 1 and percent(first[1]) == percent(lowest[1]):
        both = "both liquids have" if len(told) == 2 else f"all {len(told)} liquids have"
        return f"After {seconds(last)}: {both} filled {percent(first[1])} of the pores"
    text = f"After {seconds(last)}: {short(first[0])} has filled {percent(first[1])} of the pores"
    if len(told) > 1:
        text += f", {short(lowest[0])} {percent(lowest[1])}"
    return capital(text)


def _foot(
    slabs: Sequence[Slab], number: int, records: Sequence[Record], times: Sequence[float]
) -> str:
    thick = slabs[0].thickness_mm
    titles = "; ".join(dict.fromkeys(label(r.title) for r in records))
    return (
        f"A slab {thick:.2g} mm thick through the middle of solid {number}, tubes to "
        f"scale: grey dry, coloured wet. {entry_words(records, times)} "
        f"Per cent: of all pores of that solid. {caution(records)} Scenario: {titles}."
    ).replace("..", ".")
