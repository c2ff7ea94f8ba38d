"""The picture that a film is made of: what stands still is drawn once, what moves over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from poresim.show.lifts import draw_surface, in_liquid, touching
from poresim.show.section import (
    common_scale,
    draw_legend,
    draw_scale,
    draw_state,
    margin_of,
    panel,
    put_state,
)
from poresim.show.series import Series
from poresim.show.slab import Slab
from poresim.show.states import State, reading
from poresim.show.style import INK, SOFT, characters, label, name_label, readable, styled, text_size

_WIDTH = 8.0  # inches; only its ratio to the size of the text matters
_COLUMNS = 4
_GAP, _EDGE = 0.18, 0.2  # inches, between panels and around them


@dataclass(frozen=True, eq=False)
class Still:
    """What stands still: panels, title, words at the foot, whether throats get closed.

    number : of the solid that is shown.
    """

    series: Sequence[Series]
    slabs: Sequence[Slab]
    title: str
    words: str
    closed: bool
    number: int


class _Measures:
    """Sizes in inches, from the foot up: words, legend, rows of panels, title and clock."""

    def __init__(self, still: Still, dpi: float) -> None:
        self.size = size = text_size(_WIDTH)
        line = size / 72
        count = len(still.series)
        self.columns = min(count, _COLUMNS)
        rows = -(-count // self.columns)
        self.cell = min((_WIDTH - 2 * _EDGE + _GAP) / self.columns - _GAP, 2.9)
        self.scale, self.tall = common_scale(still.slabs, self.cell, 3.6)
        self.names = [
            name_label(s.name, characters(self.cell, 1.15 * size), 2) for s in still.series
        ]
        self.title = label(still.title, characters(_WIDTH * 0.6, 1.2 * size), 2)
        self.words = label(still.words, characters(_WIDTH * 0.95, size), 4)
        self.name = (1.25 * max(n.count("\n") + 1 for n in self.names) + 0.4) * line
        self.row = self.name + self.tall + (2.9 if still.closed else 1.7) * line
        self.head = max((self.title.count("\n") + 1) * 1.5, 1.9) * line + 0.18
        words = (self.words.count("\n") + 1) * 1.2 * line
        self.legend = words + 0.75 * line + 0.1
        height = self.head + rows * self.row + words + 1.9 * line + 0.25
        self.height = round(height * dpi / 2) * 2 / dpi  # an even number of pixels

    def place(self, index: int) -> tuple[float, float]:
        """Lower left corner of a panel's cell."""
        row, column = divmod(index, self.columns)
        used = self.columns * (self.cell + _GAP) - _GAP
        x = (_WIDTH - used) / 2 + column * (self.cell + _GAP)
        return x, self.height - self.head - row * self.row - self.name - self.tall


class Canvas:
    """Draws the frames of a film of ``last`` seconds, ``width_px`` wide."""

    def __init__(self, still: Still, last: float, width_px: int) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self._last = last
        self._closed = still.closed
        with styled(_WIDTH):
            self._m = _Measures(still, width_px / _WIDTH)
            size = (_WIDTH, self._m.height)
            self._figure = Figure(figsize=size, dpi=width_px / _WIDTH)
            self._canvas = FigureCanvasAgg(self._figure)
            self._rims: list[list[Any]] = []  # of each panel, where it is in the liquid
            self._still = still
            self._panels = [self._panel(still, i) for i in range(len(still.series))]
            self._readings = [self._reading(one, i) for i, one in enumerate(still.series)]
            self._around(still)
            self._clock, self._bar = self._clock_and_bar()
            moving = [a for _, artists in self._panels for a in artists]
            rims = [artist for rim in self._rims for artist in rim]
            for artist in (*moving, *rims, *self._readings, self._clock, self._bar):
                artist.set_animated(True)
            self._canvas.draw()
            self._ground = self._canvas.copy_from_bbox(self._figure.bbox)  # type: ignore[no-untyped-call]

    def draw(self, when: float, states: Sequence[State | None]) -> np.ndarray:
        """The picture at one time, (height, width, 3) uint8."""
        renderer = self._canvas.get_renderer()
        self._canvas.restore_region(self._ground)  # type: ignore[attr-defined]
        with styled(_WIDTH):
            for (slab, artists), state in zip(self._panels, states, strict=True):
                put_state(slab, state, *artists)
                if state is not None:
                    for artist in artists:
                        artist.draw(renderer)
            for place, rim in enumerate(self._rims):
                self._draw_rim(place, rim, when, renderer)
            for text, state in zip(self._readings, states, strict=True):
                text.set_text(reading(state, self._closed))
                text.draw(renderer)
            self._clock.set_text(clock(when, self._last))
            self._clock.draw(renderer)
            self._bar.set_width(float(np.sqrt(when / self._last)))
            self._bar.draw(renderer)
        return np.asarray(self._canvas.buffer_rgba())[:, :, :3].copy()

    def _text(self, x: float, y: float, text: str, **how: Any) -> Any:
        return self._figure.text(x / _WIDTH, y / self._m.height, text, **how)

    def _panel(self, still: Still, index: int) -> tuple[Slab, Any]:
        m, one, slab = self._m, still.series[index], still.slabs[index]
        sides, surface = touching(one, still.number, slab, 0.0, margin_of(slab))
        axes = panel(self._figure, slab, m.scale, m.place(index), m.cell, sides)
        self._rims.append([] if surface is None else draw_surface(axes, surface))
        axes.set_title(m.names[index], color=readable(one.colour), loc="center", pad=0.35 * m.size)
        return slab, draw_state(axes, slab, None, one.colour, m.scale)

    def _draw_rim(self, place: int, rim: Sequence[Any], when: float, renderer: Any) -> None:
        """Where the liquid touches the solid now, if that is not where it always does."""
        one, slab = self._still.series[place], self._still.slabs[place]
        if len(one.liquid.repeats[self._still.number].drop_m3):
            covered = touching(one, self._still.number, slab, when, margin_of(slab))[1]
            if covered is None:
                return
            rim[0].set_data(*covered.edges[0].T)
        if in_liquid(one.record, when):
            for artist in rim:
                artist.draw(renderer)

    def _reading(self, one: Series, index: int) -> Any:
        x, y = self._m.place(index)
        how = {"ha": "center", "va": "top", "weight": "bold", "color": readable(one.colour)}
        return self._text(x + self._m.cell / 2, y - 0.35 * self._m.size / 72, "", **how)

    def _around(self, still: Still) -> None:
        m = self._m
        self._text(_EDGE, m.height - 0.12, m.title, va="top", fontsize=1.15 * m.size, weight="bold")
        self._text(_EDGE, 0.1, m.words, va="bottom", color=SOFT)
        y = m.legend / m.height
        if still.closed:
            draw_legend(self._figure, m.size, y, _EDGE / _WIDTH)
        draw_scale(self._figure, still.slabs[0], m.scale, m.size, 1 - _EDGE / _WIDTH, y)

    def _clock_and_bar(self) -> tuple[Any, Any]:
        from matplotlib.patches import Rectangle

        m = self._m
        how = {"ha": "right", "va": "top", "fontsize": 1.6 * m.size, "weight": "bold"}
        bar = Rectangle((0, 0), 0, 0.06 / m.height, color=INK, lw=0)
        self._figure.add_artist(bar)
        return self._text(_WIDTH - _EDGE, m.height - 0.1, "", **how), bar


def clock(when: float, last: float) -> str:
    """The time with as many decimals as the film needs throughout."""
    decimals = 0 if last >= 300 else 1 if last >= 10 else 2 if last >= 1 else 3
    return f"{when:.{decimals}f} s"
