"""What stands above and below a figure, and the unit of its time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from poresim.record.model import Record
from poresim.show.series import caution
from poresim.show.style import INK, SOFT, characters, label, text_size


def headline(figure: Any, text: str, width_in: float) -> float:
    """The title, at the top left; the height (figure share) below which the rest may stand."""
    size = 1.15 * text_size(width_in)
    wrapped = label(text, characters(width_in * 0.95, size * 1.13), 4)
    figure.text(0.02, 0.99, wrapped, va="top", fontsize=size, fontweight="bold", color=INK)
    used = (wrapped.count("\n") + 1) * 1.25 * size / 72 + 0.12
    return float(1 - used / figure.get_figheight())


def footnote(figure: Any, words: str, records: Sequence[Record]) -> float:
    """What the lines mean, and which scenario it is; the height above it.

    Titles come last: where they are long, it is they that are cut, not what warns of the values.
    """
    width = figure.get_figwidth()
    size = text_size(width)
    titles = dict.fromkeys(label(record.title) for record in records)
    text = f"{words} {caution(records)} Scenario: {'; '.join(titles)}.".replace("..", ".")
    wrapped = label(text, characters(width * 0.96, size), 8)
    figure.text(0.02, 0.008, wrapped, va="bottom", color=SOFT, fontsize=size, linespacing=1.15)
    return float(((wrapped.count("\n") + 1) * 1.25 * size / 72 + 0.06) / figure.get_figheight())


def time_unit(last_s: float) -> tuple[str, float]:
    """The unit in which a time axis up to ``last_s`` has short numbers, and how many make 1 s."""
    if last_s < 0.1:
        return "ms", 1e3
    if last_s < 600:
        return "s", 1.0
    return ("min", 1 / 60) if last_s < 7200 else ("h", 1 / 3600)
