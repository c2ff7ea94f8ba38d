"""How deep the liquid stands against time, the lines growing with the clock.

All of it is drawn once; a frame shows of the lines what lies left of its time.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.record.model import Record
from poresim.show.captions import time_unit
from poresim.show.curves import front_depths, front_words
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels
from poresim.show.films.stage import Mark, Pixels
from poresim.show.lifts import draw_lifts, lift_words, lifts_of
from poresim.show.series import Series, series_of
from poresim.show.style import apart, name_label

_POINTS = 600
_NAMES = (8, 11, 14)  # letters kept free at the right for names: the first at which none is cut
_BAND = 0.24  # opacity of what 5 to 95 % of the menisci span


class FrontScene:
    """Every liquid's front, median and spread over all solids of its records."""

    def __init__(self, records: Sequence[Record]) -> None:
        self.series = series_of(records)
        self.until_s = max(one.end_s for one in self.series)
        self._when = self.until_s * np.linspace(0, 1, _POINTS) ** 2
        self._bands = [front_depths(one, self._when) for one in self.series]

    @property
    def words(self) -> str:
        return front_words(self.series, lift_words(lifts_of(self.series)))

    @property
    def marks(self) -> Sequence[Mark]:
        return ()

    def build(self, page: Page, body: Rect) -> Panels | None:
        letter = page.letter
        self._page = page
        room = self._name_all(page, body.height - 4 * letter)
        self._at = Rect(
            round(body.left + 4 * letter), round(body.top + 0.5 * letter),
            round(body.width - (5.4 + room) * letter), round(body.height - 4 * letter),
        )  # fmt: skip
        axes = self._axes(page)
        axes.set_ylabel("Depth of the front (mm)", fontsize=letter, color=page.theme.ink)
        axes.set_xlabel(f"Time ({self._unit})", fontsize=letter, color=page.theme.ink)
        self._layer = page.layer()
        self._draw_lines(self._axes(self._layer))
        self._layer.finish()
        self._grown: Any = None
        self._moving = [
            self._head(page, one, words)
            for one, words in zip(self.series, self._names, strict=True)
        ]
        return None

    def paint(self, picture: Pixels, when: float) -> None:
        if self._grown is None:
            self._grown = self._page.with_layer(self._layer)
        until = self._at.left + self._at.width * when / self.until_s
        picture[:, : round(until)] = self._grown[:, : round(until)]
        depths = [float(np.interp(when, self._when, middle)) for _, middle, _ in self._bands]
        ends = [self._height(self._last_known(k, when)) for k in range(len(depths))]
        gap = (max(n.get_text().count("\n") for _, n in self._moving) + 1) * self._page.line
        low, high = self._at.top + gap / 2, self._at.bottom - gap / 2
        for (head, name), depth, end, place in zip(
            self._moving, depths, ends, apart(ends, gap, low, high), strict=True
        ):
            head.set_visible(np.isfinite(depth))
            self._page.move_line(head, np.array([[until, end]]))
            name.set_y(1 - place / self._page.height)

    def _axes(self, page: Page) -> Any:
        self._unit, self._ticks = time_unit(self.until_s)
        axes = page.axes(self._at)
        axes.set_xlim(0, self.until_s * self._ticks)
        self._deepest = max(
            (np.nanmax(b[2]) for b in self._bands if np.isfinite(b[2]).any()), default=0.0
        )
        self._deepest = 1.05 * self._deepest if self._deepest > 0 else 1.0
        axes.set_ylim(0, self._deepest)
        return axes

    def _draw_lines(self, axes: Any) -> None:
        axes.axis("off")
        letter, theme = self._page.letter, self._page.theme
        for one, (low, middle, high) in zip(self.series, self._bands, strict=True):
            colour, x = theme.liquid(one.place), self._when * self._ticks
            axes.fill_between(x, low, high, color=colour, alpha=_BAND, lw=0)
            axes.plot(x, middle, color=colour, lw=0.24 * letter, ls=one.dashes)
        draw_lifts(
            axes, lifts_of(self.series), lambda t: t * self._ticks,
            colour=theme.soft, thick=letter / 8,
        )  # fmt: skip

    def _name_all(self, page: Page, height: float) -> float:
        """Break the liquids' names so that all find room one above the other; letters across."""
        lines = int(np.clip(height / (len(self.series) * page.line), 1, 3))
        for room in _NAMES:
            self._names = [
                page.fitted(name_label, one.name, lines, room * page.letter, weight="bold")
                for one in self.series
            ]
            if not any("…" in words for words in self._names):
                break
        return room

    def _head(self, page: Page, one: Series, words: str) -> tuple[Any, Any]:
        """The end of a line, and the liquid's name beside the panel."""
        colour = page.theme.liquid(one.place)
        head = page.line_of(np.zeros((1, 2)), color=colour, marker="o", ms=0.6 * page.letter)
        name = page.text(
            self._at.right + 0.8 * page.letter, 0, words,
            va="center", color=page.theme.text(one.place), weight="bold",
        )  # fmt: skip
        return page.moves(head), page.moves(name)

    def _last_known(self, k: int, when: float) -> float:
        """Depth, mm; once a front is through, the last that it had."""
        middle = self._bands[k][1]
        known = np.isfinite(middle)
        if not known.any():
            return 0.0
        return float(np.interp(when, self._when[known], middle[known]))

    def _height(self, depth: float) -> float:
        return self._at.bottom - self._at.height * depth / self._deepest
