"""A slab of every solid seen from the side, tubes to scale, the liquid where it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.record.model import Record
from poresim.show.films.course import Course
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels, laid_out
from poresim.show.films.raster import bar_map, paint, tube_map
from poresim.show.films.stage import Mark, Pixels
from poresim.show.films.theme import rgba
from poresim.show.lifts import dip_of, touching
from poresim.show.section import chosen, margin_of
from poresim.show.series import Series, series_of
from poresim.show.slab import Slab, side_of
from poresim.show.states import State, longest_reading, reading

_RIM = 0.28  # thickness of a rim where the liquid is, in letters
_BAR = 0.24  # thickness of a bar, in tubes' lengths
_MOST_BAR = 0.22  # of a letter


class SectionScene:
    """Raises NothingToShow when there are no snapshots."""

    headroom_mm = 0.0  # kept free above every slab
    bars = 1.0  # length of the bars across closed throats, over that in figures
    told = "per cent of all its pores"
    counted = " (% of all)"  # what is told of closed throats below a panel

    def __init__(self, records: Sequence[Record]) -> None:
        self.series = series_of(records)
        self.number, self.repeats, self.slabs = chosen(self.series)
        self._whole = self.slabs
        self._records = records
        self.courses = [
            Course(repeat, one.record.solid(self.number))
            for one, repeat in zip(self.series, self.repeats, strict=True)
        ]
        self._closing = any(np.isfinite(r.blocked_at_s).any() for r in self.repeats)
        self.longest = longest_reading(self._closing)

    @property
    def until_s(self) -> float:
        """The last time of which a state is known."""
        return max(float(r.snapshot_time_s[-1]) for r in self.repeats)

    @property
    def words(self) -> str:
        kept = max(len(r.snapshot_time_s) for r in self.repeats)
        return (
            f"Slab {self.slabs[0].thickness_mm:.2g} mm thick of solid {self.number}, tubes to "
            f"scale; {self.told}. {self.surface}"
            f"Between {kept} computed states menisci are moved to match the computed uptake."
        )

    @property
    def surface(self) -> str:
        """What the thick edge is, and the thin line where there is one."""
        deep = any(dip is not None and dip.depth for dip in map(dip_of, self._records))
        line = "; thin line: its surface" if deep else ""
        return f"Thick edge: liquid enters there{line}. "

    @property
    def marks(self) -> Sequence[Mark]:
        closed = [Mark(f"throat closed by a grain{self.counted}", "dry", bar=True)]
        return [Mark("dry tube", "dry"), *(closed if self._closing else [])]

    def build(self, page: Page, body: Rect) -> Panels | None:
        spans = np.array([s.high - s.low + 2 * margin_of(s) for s in self.slabs])
        spans[:, 1] += self.headroom_mm
        self.panels = laid_out(page, body, self.series, spans, self.longest)
        room = round(self.headroom_mm * self.panels.scale)
        self.cells = [
            Rect(c.left, c.top + room, c.width, c.height - room) for c in self.panels.cells
        ]
        scale = self.panels.scale
        each = list(zip(self.series, self.slabs, self.cells, strict=True))
        self._panels = [
            _Panel(page, slab, cell, scale, page.theme.liquid(one.place), self.bars)
            for one, slab, cell in each
        ]
        self._rims = [
            _Rim(page, one, self.number, (whole, slab), cell, scale)
            for whole, (one, slab, cell) in zip(self._whole, each, strict=True)
        ]
        return self.panels

    def paint(self, picture: Pixels, when: float) -> None:
        for k, course in enumerate(self.courses):
            state = course.at(when)
            self._panels[k].paint(picture, state, self.slabs[k])
            self.panels.below[k].set_text(reading(state if when > 0 else None, self._closing))
            self._rims[k].show(when)


class _Panel:
    """The tubes of one slab as pixels of its cell."""

    def __init__(
        self, page: Page, slab: Slab, cell: Rect, scale: float, colour: str, bars: float
    ) -> None:
        theme = page.theme
        self._cell = cell
        corner = np.array([slab.low[0] - margin_of(slab), slab.high[1] + margin_of(slab)])
        ends = [pixels(end, corner, scale) for end in (slab.start, slab.end)]
        size = cell.height, cell.width
        self.seen = tube_map(ends[0], ends[1], scale * slab.radius, slab.waist, *size)
        every = np.ones(int(slab.tubes.max()) + 1, np.bool_)
        across = pixels(slab.bars(every), corner, scale)
        middle = across.mean(axis=1, keepdims=True)
        across = middle + bars * (across - middle)
        thick = min(_BAR * slab.thickness_mm * scale, _MOST_BAR * page.letter)
        self._bars = bar_map(across, max(thick, 1.0), 1.7 * max(thick, 1.0), *size)
        ground = rgba(theme.panel, 0 if page.transparent else 255)
        self._colours = np.array(
            [ground, rgba(theme.dry), rgba(colour), rgba(theme.ground), rgba(theme.ink)]
        )
        page.box(cell, fill=False, edgecolor=theme.rim, lw=max(1.0, page.letter / 14))

    def paint(self, picture: Pixels, state: State, slab: Slab) -> None:
        fill, closed = state.fill[slab.tubes], state.closed[slab.tubes]
        inner = self._cell.of(picture)
        paint(self.seen, fill, self._bars, closed, self._colours, inner)


class _Rim:
    """Where a section touches the liquid, as far as its panel shows that.

    slabs : the whole one, and the part of it that is shown.
    """

    def __init__(
        self, page: Page, one: Series, number: int, slabs: tuple[Slab, Slab], cell: Rect,
        scale: float,
    ) -> None:  # fmt: skip
        whole, slab = slabs
        self._margin = margin_of(slab)
        self._page, self._of, self._cell = page, (one, number, whole), cell
        self._corner = np.array([slab.low[0] - margin_of(slab), slab.high[1] + margin_of(slab)])
        self._place, self._scale = np.array([cell.left, cell.top]), scale
        sides, _ = touching(one, number, whole, 0.0, self._margin)
        low, high = whole.low - self._margin, whole.high + self._margin
        corners = {
            "bottom": [low, (high[0], low[1])], "top": [(low[0], high[1]), high],
            "left": [low, (low[0], high[1])], "right": [(high[0], low[1]), high],
        }  # fmt: skip
        for side in sides:
            self._thick(np.array(corners[side_of(side)]))
        self._moving = [page.moves(self._thick(np.zeros((2, 2)))) for _ in range(4)]
        self._line = page.moves(self._drawn(np.zeros((2, 2)), page.letter / 11))

    def show(self, when: float) -> None:
        one, number, whole = self._of
        surface = touching(one, number, whole, when, self._margin)[1]
        edges = [] if surface is None else list(surface.edges)
        for k, artist in enumerate(self._moving):
            artist.set_visible(k < len(edges))
            if k < len(edges):
                self._page.move_line(artist, self._at(edges[k]))
        crossed = surface is not None and len(surface.line) > 0
        self._line.set_visible(crossed)
        if surface is not None and crossed:
            self._page.move_line(self._line, self._at(surface.line))

    def _thick(self, ends: np.ndarray) -> Any:
        return self._drawn(ends, _RIM * self._page.letter)

    def _drawn(self, ends: np.ndarray, thick: float) -> Any:
        line = self._page.line_of(self._at(ends), lw=thick)
        self._page.clip(line, self._cell, thick / 2)
        return line

    def _at(self, points: np.ndarray) -> np.ndarray:
        return self._place + pixels(points, self._corner, self._scale)


def pixels(points: np.ndarray, corner: np.ndarray, scale: float) -> np.ndarray:
    """From mm across and up to px across and down from the upper left corner, mm."""
    return np.asarray((points - corner) * np.array([scale, -scale]))
