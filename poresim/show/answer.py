"""What figures of answers share: the answer above, bars with their error, small print below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from poresim.show.style import BACKGROUND, FAINT, INK, LIQUIDS, SOFT, text_size

WIDTH = 5.4  # inches
STRONG, ALARM, REST = LIQUIDS[0], LIQUIDS[4], FAINT


def lines(text: str) -> int:
    """How many there are."""
    return text.count("\n") + 1


def line_height() -> float:
    """Of a line of text, inches."""
    return 1.25 * text_size(WIDTH) / 72


def stacked(parts: Sequence[float]) -> list[float]:
    """Parts so tall (inches), one below the other: their upper edges from below, and the end."""
    tops = [sum(parts)]
    for part in parts:
        tops.append(tops[-1] - part)
    return tops


def draw_head(figure: Any, head: str, tall: float, holds: bool) -> None:
    """The answer, so many inches tall; on a dark ground where nothing explains the data."""
    from matplotlib.patches import Rectangle

    share = tall / figure.get_figheight()
    if not holds:
        where = ((0, 1 - share), 1, share)
        figure.add_artist(Rectangle(*where, transform=figure.transFigure, color=ALARM, lw=0))
    figure.text(
        0.02, 1 - share / 2, head, va="center", weight="bold",
        fontsize=1.5 * text_size(WIDTH), color=INK if holds else BACKGROUND,
    )  # fmt: skip


def small_print(figure: Any, top: float, text: str, colour: str = SOFT) -> None:
    """Text, so many inches from the lower edge."""
    place = top / figure.get_figheight()
    figure.text(0.02, place, text, va="top", color=colour, linespacing=1.06)


def whisker(axes: Any, ends: Sequence[float], middle: float, half: float) -> None:
    """From one end to the other of an error, ``half`` as tall on either side of the middle; seen
    on bars of any colour."""
    from matplotlib.patheffects import withStroke

    outlined = [withStroke(linewidth=2.6, foreground=BACKGROUND)]
    caps = [([end, end], [middle - half, middle + half]) for end in ends]
    for x, y in [*caps, (list(ends), [middle, middle])]:
        axes.plot(x, y, color=INK, lw=1.1, solid_capstyle="butt", path_effects=outlined)


def bare(axes: Any) -> None:
    """No ticks and no grid: bars are labelled themselves."""
    axes.grid(False)
    axes.set_xticks([])
    axes.set_yticks([])
    for side in ("bottom", "left"):
        axes.spines[side].set_visible(False)
