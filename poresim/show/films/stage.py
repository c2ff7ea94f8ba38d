"""What every film has: title, clock and pace, the scene, what colours mean, the small print."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.clock import Pace, clock
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels
from poresim.show.films.theme import Theme
from poresim.show.style import label

Pixels = NDArray[np.uint8]


_LEGEND = 0.62  # of the width: how far the lowest row of the legend goes
_TITLE = 0.62  # of the width, for the title; the rest for the clock


class Mark(NamedTuple):
    """An entry of the legend: a swatch in a colour of the theme, or a bar across one."""

    words: str
    of: str
    bar: bool = False


class Scene(Protocol):
    """What a view shows between title and small print."""

    @property
    def words(self) -> str:
        """The small print: how it is drawn."""

    @property
    def marks(self) -> Sequence[Mark]:
        """What colours mean beyond the liquids' own."""

    def build(self, page: Page, body: Rect) -> Panels | None:
        """Put onto the page what stands still; its panels, where all are to one scale."""

    def paint(self, picture: Pixels, when: float) -> None:
        """What the scene shows at a time, s; words that move are set."""


class Look(NamedTuple):
    """How a film is asked for. card_s : for how long a title stands before it, s."""

    size: tuple[int, int]
    fps: float
    theme: Theme
    transparent: bool = False
    rest_s: float = 2.0
    card_s: float = 0.0


class Stage:
    """A film: the frames of a scene, one clock for all of it."""

    def __init__(
        self, title: str, caution: str, scene: Scene, pace: Pace, look: Look, of: str
    ) -> None:
        """of : what decides the scene's pictures beside the look, for the film's key."""
        self.size, self.fps, self.rest_s = look.size, look.fps, look.rest_s
        self.transparent = look.transparent
        self._scene, self._pace = scene, pace
        decides = repr((title, caution, scene.words, look, of)).encode() + pace.times.tobytes()
        self.key = hashlib.sha256(decides).hexdigest()
        self._card = round(look.card_s * look.fps)
        self._page = page = Page(look.size, look.theme, transparent=look.transparent)
        self._title, self._caution = title, caution
        head = self._head(title)
        foot = self._foot(caution)
        body = Rect(page.edge, head, page.width - 2 * page.edge, foot - head)
        panels = scene.build(page, body)
        if panels is not None:
            self._scale_bar(panels)
        page.finish()

    def __len__(self) -> int:
        return self._card + len(self._pace.times)

    @property
    def times(self) -> NDArray[np.float64]:
        """(frames,) s, of those after the title."""
        return self._pace.times

    def image(self, number: int) -> Pixels:
        """(height, width, 4) of a frame; the next call paints over it."""
        if number < self._card:
            return self._titled()
        when = float(self._pace.times[number - self._card])
        picture = self._page.begin()
        self._scene.paint(picture, when)
        last = float(self._pace.times[-1])
        self._clock.set_text(clock(when, last))
        self._bar.set_width((number - self._card + 1) / len(self._pace.times))
        return self._page.end()

    def _head(self, title: str) -> int:
        page = self._page
        words = page.fitted(label, title, 2, _TITLE * page.width, 1.2, "bold")
        page.text(page.edge, 0.7 * page.letter, words, 1.2, weight="bold")
        right = page.width - page.edge
        self._clock = page.moves(
            page.text(right, 0.55 * page.letter, "", 1.75, ha="right", weight="bold")
        )
        page.text(right, 2.75 * page.letter, self._pace.words, ha="right", color=page.theme.soft)
        return round(4.4 * page.letter)

    def _foot(self, caution: str) -> int:
        """Small print, legend and bar; where they begin."""
        page = self._page
        thick = round(0.3 * page.letter)
        self._bar = page.moves(page.box(Rect(0, page.height - thick, 0, thick)))
        told = f"{caution} {self._scene.words}".strip()
        words = page.fitted(label, told, 4, page.width - 2 * page.edge)
        top = page.height - 0.75 * page.letter - (words.count("\n") + 1) * page.line
        page.text(page.edge, top, words, color=page.theme.soft)
        self._scale_y = top - 0.9 * page.line
        above = self._legend(self._scale_y)
        return round(above - 0.9 * page.line)

    def _legend(self, y: float) -> float:
        """In rows from y upward, with room for a scale in the lowest; where the topmost is."""
        page, step = self._page, self._page.letter
        x, right = float(page.edge), _LEGEND * page.width
        for mark in reversed(self._scene.marks):
            wide = page.width_of(mark.words) + 1.4 * step
            if x > page.edge and x + wide > right:
                x, y = float(page.edge), y - 1.1 * page.line
                right = page.width - page.edge
            page.text(x + 1.4 * step, y, mark.words, va="center_baseline")
            colour = getattr(page.theme, mark.of)
            page.line_of(np.array([[x, y], [x + step, y]]), color=colour, lw=0.5 * step)
            if mark.bar:
                middle, half = x + step / 2, 0.5 * step
                upright = np.array([[middle, y - half], [middle, y + half]])
                page.line_of(upright, lw=0.17 * step)
            x += wide + 1.4 * step
        return y

    def _scale_bar(self, panels: Panels) -> None:
        """At most so long as a panel is wide."""
        from poresim.show.slab import scale_bar

        page = self._page
        widest = max(cell.width for cell in panels.cells)
        length = scale_bar(min(0.4 * page.width, 2.0 * widest) / panels.scale)
        right, y = page.width - page.edge, self._scale_y
        left = right - length * panels.scale
        page.line_of(np.array([[left, y], [right, y]]), lw=0.25 * page.letter)
        page.text(left - 0.5 * page.letter, y, f"{length:g} mm", ha="right", va="center_baseline")

    def _titled(self) -> Pixels:
        card = Page(self.size, self._page.theme, transparent=self.transparent)
        middle: dict[str, Any] = {"ha": "center", "va": "center"}
        words = card.fitted(label, self._title, 4, 0.86 * card.width, 2.2, "bold")
        card.text(card.width / 2, 0.42 * card.height, words, 2.2, weight="bold", **middle)
        small = card.fitted(label, self._caution, 3, 0.8 * card.width)
        card.text(card.width / 2, 0.62 * card.height, small, color=card.theme.soft, **middle)
        card.finish()
        card.begin()
        return card.end()
