"""The page of a film: what stands still is drawn once, what moves is drawn over it.

Places are in pixels from the upper left, sizes of text in multiples of the page's own letters,
which are as large as a phone's screen asks for: the page's width is then 360 px, or 640 if it is
wider than tall.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.theme import Theme, rgba
from poresim.show.style import LEAST_TEXT_PX, PHONE_PX, styled

_LYING_PX = 640  # width of a phone's screen that lies on its side
_FONT = "DejaVu Sans"


class Rect(NamedTuple):
    """A part of the page, px."""

    left: int
    top: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """Its right side."""
        return self.left + self.width

    @property
    def bottom(self) -> int:
        """Its lower side."""
        return self.top + self.height

    def of(self, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """That part of a picture (height, width, 4)."""
        return picture[self.top : self.bottom, self.left : self.right]


class Page:
    """size : width and height, px. transparent : the ground is see-through."""

    def __init__(self, size: tuple[int, int], theme: Theme, *, transparent: bool) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width, self.height = size
        self.theme, self.transparent = theme, transparent
        screen = _LYING_PX if self.width > self.height else PHONE_PX
        self.letter = min(1.02 * LEAST_TEXT_PX * self.width / screen, self.height / 24)
        self.line = 1.25 * self.letter
        self.edge = round(0.9 * self.letter)
        with styled(self.width / 72):
            self.figure = Figure(figsize=(self.width / 72, self.height / 72), dpi=72)
        self.figure.set_facecolor((*rgba(theme.ground)[:3] / 255, 0.0 if transparent else 1.0))
        self._canvas = FigureCanvasAgg(self.figure)
        self._moving: list[Any] = []
        self._ground: Any = None

    def fitted(
        self, cut: Callable[[str, int, int], str], words: str, lines: int, width: float,
        size: float = 1.0, weight: str = "normal",
    ) -> str:  # fmt: skip
        """Words in lines at most so many pixels wide.

        cut : breaks words into so many lines at most of at most so many letters.
        """
        letters = max(int(width / (0.4 * size * self.letter)), 6)
        while True:
            broken = cut(words, letters, lines)
            found = self.width_of(broken, size, weight)
            if found <= width or letters <= 6:
                return broken
            letters = max(min(letters - 1, int(letters * width / found)), 6)

    def width_of(self, words: str, size: float = 1.0, weight: str = "normal") -> float:
        """Of the longest line of a text, px."""
        from matplotlib.font_manager import FontProperties

        font = FontProperties(family=_FONT, size=size * self.letter, weight=weight)
        measure = self._canvas.get_renderer().get_text_width_height_descent
        return max(float(measure(row, font, ismath=False)[0]) for row in words.split("\n"))

    def text(self, x: float, y: float, words: str, size: float = 1.0, **how: Any) -> Any:
        """Words whose upper left corner, if not said otherwise, lies at (x, y)."""
        usual: dict[str, Any] = {"va": "top", "color": self.theme.ink, "linespacing": 1.15}
        how = usual | how
        how |= {"fontsize": size * self.letter, "family": _FONT, "parse_math": False}
        return self.figure.text(x / self.width, 1 - y / self.height, words, **how)

    def line_of(self, points: NDArray[np.float64], **how: Any) -> Any:
        """A line through points (k, 2), px."""
        from matplotlib.lines import Line2D

        x, y = self.shares(points).T
        how = {"color": self.theme.ink, "solid_capstyle": "butt"} | how
        return self.figure.add_artist(Line2D(x, y, **how))

    def clip(self, artist: Any, at: Rect, beyond: float) -> None:
        """Draw only what lies in a rectangle, or at most so many pixels beyond it."""
        from matplotlib.transforms import Bbox

        low, high = self.height - at.bottom - beyond, self.height - at.top + beyond
        artist.set_clip_box(Bbox.from_extents(at.left - beyond, low, at.right + beyond, high))

    def move_line(self, artist: Any, points: NDArray[np.float64]) -> None:
        """Lay a line through other points."""
        artist.set_data(*self.shares(points).T)

    def box(self, at: Rect, **how: Any) -> Any:
        """A rectangle."""
        from matplotlib.patches import Rectangle

        corner = at.left / self.width, 1 - at.bottom / self.height
        sides = at.width / self.width, at.height / self.height
        usual: dict[str, Any] = {"lw": 0, "facecolor": self.theme.ink}
        box = Rectangle(corner, *sides, **usual | how)
        box.set_transform(self.figure.transFigure)
        return self.figure.add_artist(box)

    def axes(self, at: Rect) -> Any:
        """Axes that fill a rectangle, in the page's own colours and letters."""
        sides = at.width / self.width, at.height / self.height
        axes = self.figure.add_axes((at.left / self.width, 1 - at.bottom / self.height, *sides))
        theme = self.theme
        axes.set_facecolor("none" if self.transparent else theme.ground)
        axes.tick_params(
            colors=theme.soft, labelcolor=theme.ink, labelsize=self.letter, width=self.letter / 11,
            length=0.3 * self.letter, pad=0.3 * self.letter,
        )  # fmt: skip
        for side, spine in axes.spines.items():
            spine.set_visible(side in ("left", "bottom"))
            spine.set(color=theme.soft, linewidth=self.letter / 11)
        axes.grid(visible=True, color=theme.grid, linewidth=self.letter / 12)
        axes.set_axisbelow(True)
        return axes

    def layer(self) -> Page:
        """A see-through page of the same kind, to be laid over this one."""
        return Page((self.width, self.height), self.theme, transparent=True)

    def moves(self, artist: Any) -> Any:
        """Draw this with every frame, not with what stands still."""
        artist.set_animated(True)
        self._moving.append(artist)
        return artist

    def finish(self) -> None:
        """Draw what stands still: nothing may be added after."""
        with styled(self.width / 72):
            self._canvas.draw()
        self._ground = np.array(self._canvas.buffer_rgba())

    def with_layer(self, layer: Page) -> NDArray[np.uint8]:
        """What stands still with another page's over it, (height, width, 4)."""
        top, ground = layer.begin().astype(np.float64), self._ground.astype(np.float64)
        upper, lower = top[:, :, 3:] / 255, ground[:, :, 3:] / 255
        alpha = upper + lower * (1 - upper)
        mixed = top[:, :, :3] * upper + ground[:, :, :3] * lower * (1 - upper)
        colour = mixed / np.maximum(alpha, 1e-9)
        return np.rint(np.concatenate([colour, 255 * alpha], axis=2)).astype(np.uint8)

    def begin(self) -> NDArray[np.uint8]:
        """The picture (height, width, 4) with what stands still, to be painted into."""
        picture = np.asarray(self._canvas.buffer_rgba())
        picture[...] = self._ground
        return picture

    def end(self) -> NDArray[np.uint8]:
        """What moves drawn over it; the next frame is painted into the same array."""
        renderer = self._canvas.get_renderer()
        for artist in self._moving:
            if artist.get_visible():
                artist.draw(renderer)
        return np.asarray(self._canvas.buffer_rgba())

    def shares(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(k, 2) shares of the figure from its lower left, of places (k, 2) in pixels."""
        return np.asarray(points / np.array([self.width, -self.height]) + np.array([0.0, 1.0]))
