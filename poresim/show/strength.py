"""Where a softening block is wet, and how strong its walls still are there, side by side."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.words import capital, percent, seconds, short
from poresim.record.model import Record, Repeat
from poresim.show import style
from poresim.show.firmness import DIETS, soft_series
from poresim.show.lifts import draw_surface, entry_words, foot_lines, touching
from poresim.show.section import (
    NothingToShow,
    chosen,
    common_scale,
    depth_labels,
    depth_marks,
    draw_depth,
    draw_legend,
    draw_scale,
    draw_state,
    empty_panel,
    margin_of,
    panel,
)
from poresim.show.series import Series, caution, records_of
from poresim.show.slab import Slab
from poresim.show.slab_tables import Drawn, slab_tables
from poresim.show.states import State, reading, snapshot_grid, state_at
from poresim.show.style import INK, SOFT, characters, label, name_label, readable, styled, text_size
from poresim.show.tables import Table
from poresim.softening.asked import Bar, Walls
from poresim.softening.bar import share_left, soften
from poresim.softening.moisture import wall_moisture
from poresim.solid.network import Network

Floats = NDArray[np.float64]

_STEPS = 10  # of colour, so that each can be told in the bar
_WIDTH = 7.0  # inches
_PROFILE = 0.42  # inches, width of the profile beside a map
_TALLEST = 3.2
_FLAT = 2.0  # as wide as so many heights: the map stands below the section, not beside it
_ALIKE = 0.01  # of the dry strength: walls whose layers are as far off are not the record's


@dataclass(frozen=True, eq=False)
class Shown:
    """One liquid at one time.

    state : the wet parts; None while dry. time_s : of all that is shown. share (m,) : of its dry
    strength, each tube's wall. layers (n,) : the same as the record has it, from z = 0 upward.
    force : share of the dry snap force.
    """

    state: State | None
    time_s: float
    share: Floats
    layers: Floats
    force: float


def strength_figure(records: Sequence[Record]) -> Any:
    """A row a liquid: the section, wet and strong, when the first has softened, and in the end.

    Raises NotAsked without softening, NothingToShow without snapshots.
    """
    from poresim.show.picture import Picture

    series = soft_series(records)
    number, repeats, slabs = chosen(series)
    times = _times(repeats)
    rows = [
        [shown_at(one.record, one.record.solid(number), repeat, when) for when in times]
        for one, repeat in zip(series, repeats, strict=True)
    ]
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        line = size / 72
        depths = max((depth_labels(slab)[-1] for slab in slabs), key=len)
        left, right, gap, apart = 0.12, (0.62 * len(depths) + 0.9) * line, 0.08, 0.3
        pair = (_WIDTH - left - right + apart) / len(times) - apart
        flat = max(_flatness(slab) for slab in slabs) > _FLAT
        cell = pair - _PROFILE - gap if flat else (pair - _PROFILE - 2 * gap) / 2
        scale, tall = common_scale(slabs, cell, _TALLEST)
        closed = any(np.isfinite(r.blocked_at_s).any() for r in repeats)
        under = (2.7 if closed else 1.55) * line
        title = label(_title(series, rows), characters(_WIDTH * 0.95, 1.3 * size), 4)
        words = label(
            _foot(slabs, number, records_of(series), flat, times),
            characters(_WIDTH * 0.97, size),
            foot_lines(records_of(series), 7),
        )
        lines = words.count("\n") + 1
        head = (title.count("\n") + 1) * 1.45 * line + 0.1 + 1.5 * line
        foot = (lines * 1.25 + (4.9 if closed or flat else 3.2)) * line
        low = tall + 1.55 * line if flat else 0.0  # where the section stands, above the map
        row = 1.55 * line + tall + under + low
        height = head + len(series) * row + foot
        figure = Picture(figsize=(_WIDTH, height))
        figure.text(0.015, 1 - 0.05 / height, title, va="top", fontsize=1.15 * size, weight="bold")
        for j, when in enumerate(times):
            x = left + j * (pair + apart)
            y = 1 - (head - 0.25 * line) / height
            figure.text(x / _WIDTH, y, capital(f"after {seconds(when)}"), weight="bold")
        for i, (one, slab, shown) in enumerate(zip(series, slabs, rows, strict=True)):
            bottom = height - head - (i + 1) * row + (1.55 * line if flat else under)
            above = bottom + tall + under if flat else bottom
            name = name_label(one.name, characters(_WIDTH * 0.95, 1.12 * size), 1)
            figure.text(
                left / _WIDTH, (above + tall + 0.4 * line) / height, name,
                color=readable(one.colour), weight="bold",
            )  # fmt: skip
            for j, found in enumerate(shown):
                x = left + j * (pair + apart)
                sides, surface = touching(one, number, slab, times[j], margin_of(slab))
                wet = panel(figure, slab, scale, (x, above), cell, sides)
                draw_state(wet, slab, found.state, one.colour, scale)
                wet.set_xlabel(
                    reading(found.state, closed), labelpad=2, linespacing=1.0,
                    color=readable(one.colour),
                )  # fmt: skip
                at = x if flat else x + cell + gap
                map_ = empty_panel(figure, slab, scale, (at, bottom), cell, sides)
                if surface is not None:
                    draw_surface(wet, surface)
                    draw_surface(map_, surface)
                draw_strength(map_, slab, found.share)
                map_.set_xlabel(f"{percent(found.force)} force", labelpad=2, linespacing=1.0)
                _draw_profile(figure, map_, slab, found.layers, gap, j == len(times) - 1)
        y = (lines * 1.25 + 0.9) * line
        if closed:
            draw_legend(figure, size, y / height)
        bar = (lines * 1.25 + (3.7 if closed or flat else 2.0)) * line
        _draw_bar(figure, bar, line)
        draw_scale(
            figure, slabs[0], scale, size, 1 - right / _WIDTH, (y if flat else bar) / height
        )  # a flat block's is long
        figure.text(0.015, 0.06 / height, words, va="bottom", color=SOFT, linespacing=1.15)
        figure.tables |= _tables(series, slabs, rows, times)
    return figure


def _tables(
    series: Sequence[Series], slabs: Sequence[Slab], rows: Sequence[Sequence[Shown]],
    times: Sequence[float],
) -> dict[str, Table]:  # fmt: skip
    """The tubes and what stands below the panels; and the profiles."""
    found = [
        (Drawn(one.name, when, slab, s.state, s.share, s.force), s.layers)
        for one, slab, shown in zip(series, slabs, rows, strict=True)
        for when, s in zip(times, shown, strict=True)
    ]
    layers = []
    for panel_, share in found:
        edges = _edges(panel_.slab, share)
        layers.append((panel_.liquid, panel_.when, edges[:-1], edges[1:], 100 * share))
    head = ("liquid", "time_s", "up_from_mm", "up_to_mm", "strength_percent")
    return slab_tables([one for one, _ in found]) | {"layers": Table(head, layers)}


def _edges(slab: Slab, layers: Floats) -> Floats:
    """Of the layers, mm."""
    return np.linspace(slab.low[1], slab.high[1], len(layers) + 1)


def shown_at(record: Record, solid: Network, repeat: Repeat, when: float) -> Shown:
    """What is shown of a repeat: at the time of its last snapshot at or before ``when``."""
    state = state_at(repeat, when)
    time = 0.0 if state is None else min(state.time_s, float(repeat.time_s[-1]))
    layers = np.array([np.interp(time, repeat.time_s, s) for s in repeat.strength_Pa.T])
    force = np.interp(time, repeat.time_s, repeat.snap_force_N) / repeat.snap_force_N[0]
    walls = walls_of(record)
    _believe(walls, solid, repeat, time, layers)
    moisture = wall_moisture(repeat.filled_at_s, time, walls.saturated, walls.exchange_s)
    share = share_left(moisture, walls)
    return Shown(state, time, share, layers / walls.dry_strength, float(force))


def walls_of(record: Record) -> Walls:
    """How walls soften, by the scenario in the record."""
    from poresim.scenario.build import build_walls
    from poresim.scenario.schema import Softening

    try:
        return build_walls(Softening.model_validate(tomllib.loads(record.scenario)["softening"]))
    except (ValueError, KeyError):
        raise NothingToShow(
            "the scenario in the record does not say how its walls soften"
        ) from None


def _believe(walls: Walls, solid: Network, repeat: Repeat, time: float, layers: Floats) -> None:
    """Walls as the scenario says must give the layers that the record holds."""
    assert solid.size is not None
    bar = Bar(tuple(solid.size), float(solid.size[0]))
    found = soften(solid, repeat.filled_at_s, [time], [0.0], walls, bar, len(layers))
    if np.abs(found.strength_Pa[0] - layers).max() > _ALIKE * walls.dry_strength:
        raise NothingToShow("the record's strengths are not those that its scenario leads to")


def draw_strength(axes: Any, slab: Slab, share: Floats) -> Any:
    """Every tube of the slab, coloured by the share of its dry strength that its wall has left."""
    from matplotlib.collections import PolyCollection

    tubes = PolyCollection(list(slab.all_shapes()), edgecolors="face", linewidths=0.3, zorder=1)
    tubes.set_array(100 * share[slab.tubes])
    tubes.set_cmap(_colours())
    tubes.set_clim(0, 100)
    tubes.set_rasterized(True)
    axes.add_collection(tubes, autolim=False)
    return tubes


def _flatness(slab: Slab) -> float:
    """Width over height."""
    wide, tall = slab.high - slab.low
    return float(wide / tall) if tall > 0 else np.inf


def _draw_profile(
    figure: Any, beside: Any, slab: Slab, layers: Floats, gap: float, named: bool
) -> None:
    """The layers' shares at the right of a map, at their heights; ``named``: with depths."""
    width, _ = figure.get_size_inches()
    box = beside.get_position()
    axes = figure.add_axes((box.x1 + gap / width, box.y0, _PROFILE / width, box.height))
    axes.stairs(
        100 * layers, _edges(slab, layers), orientation="horizontal", baseline=None, color=INK,
        lw=1.3, clip_on=False,
    )  # fmt: skip
    axes.set_xlim(0, 104)
    axes.set_ylim(beside.get_ylim())
    axes.set_xticks([50, 100], [])
    size = text_size(_WIDTH)
    marks = depth_marks(slab)
    room = box.height * figure.get_figheight() * 72 / np.ptp(beside.get_ylim())  # points a mm
    step = int(np.ceil(1.2 * size / (room * (marks[1] - marks[0])))) if len(marks) > 1 else 1
    draw_depth(axes, slab, size, slice(None, None, -step))
    axes.tick_params(length=0, labelright=named)
    axes.spines["bottom"].set_visible(False)


def _draw_bar(figure: Any, middle: float, line: float) -> None:
    """The scale of colours, at that height in inches."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    width, height = figure.get_size_inches()
    axes = figure.add_axes((0.2 / width, (middle - line / 2) / height, 1.5 / width, line / height))
    scale = ScalarMappable(Normalize(0, 100), _colours())
    bar = figure.colorbar(scale, cax=axes, orientation="horizontal", ticks=[0, 50, 100])
    bar.outline.set_linewidth(0.7)  # type: ignore[operator]
    axes.tick_params(length=14 * line, pad=7 * line)
    figure.text(1.95 / width, middle / height, "% of a wall's dry strength", va="center")


def _colours() -> Any:
    import matplotlib as mpl

    return mpl.colormaps[style.SCALE].resampled(_STEPS)


def _times(repeats: Sequence[Repeat]) -> list[float]:
    """Snapshots: when the block that softens first has lost half of what it loses, and the last."""
    grid = snapshot_grid(repeats)
    halves = []
    for repeat in repeats:
        force = repeat.snap_force_N
        low = np.flatnonzero(force <= (force[0] + force[-1]) / 2)
        if force[-1] < 0.99 * force[0]:
            halves.append(float(repeat.time_s[low[0]]))
    first = grid[np.abs(np.sqrt(grid) - np.sqrt(min(halves, default=grid[0]))).argmin()]
    return sorted({float(first), float(grid[-1])})


def _title(series: Sequence[Series], rows: Sequence[Sequence[Shown]]) -> str:
    """What is left of the block in the last column, where it is weakest and firmest."""
    last = max(shown[-1].time_s for shown in rows)
    told = sorted((shown[-1].force, one.name) for one, shown in zip(series, rows, strict=True))
    (weak, first), (strong, other) = told[0], told[-1]
    start, end = f"After {seconds(last)}: ", f"left the block {percent(weak)} of its snap force"
    if len(told) > 1 and percent(weak) == percent(strong):
        both = "both liquids have" if len(told) == 2 else f"all {len(told)} liquids have"
        return f"{start}{both} {end}"
    text = f"{start}{short(first)} has {end}"
    return f"{text}, {short(other)} {percent(strong)}" if len(told) > 1 else text


def _foot(
    slabs: Sequence[Slab], number: int, records: Sequence[Record], flat: bool,
    times: Sequence[float],
) -> str:  # fmt: skip
    first, second = ("Above", "Below") if flat else ("Left", "Right")
    thick = slabs[0].thickness_mm
    titles = "; ".join(dict.fromkeys(label(r.title) for r in records))
    return (
        f"{first}: a slab {thick:.2g} mm thick through the middle of solid {number}, tubes to "
        f"scale, grey dry, coloured wet; per cent of all pores. {second}: the same tubes by the "
        "strength of their walls; curve: mean of each layer, 0 to 100 %; force: of the dry snap "
        f"force. {entry_words(records, times)} {DIETS} {caution(records)} "
        f"Scenario: {titles}."
    ).replace("..", ".")


__all__ = ["Shown", "draw_strength", "shown_at", "strength_figure", "walls_of"]
