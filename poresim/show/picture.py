"""A figure that carries the numbers it draws: whoever has the figure can write or read both."""

from __future__ import annotations

import io
from typing import Any

from matplotlib.figure import Figure

from poresim.show.tables import Table

_NOTEBOOK_DPI = 144


class Picture(Figure):
    """A figure with its numbers.

    tables : by part of the figure; ``""`` of what it is about. Each is written beside the figure,
    as ``X.csv`` and ``X-part.csv``.
    """

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self.tables: dict[str, Table] = {}

    def _repr_png_(self) -> bytes:
        """How a notebook shows it, without any set-up."""
        image = io.BytesIO()
        self.savefig(image, format="png", dpi=_NOTEBOOK_DPI)
        return image.getvalue()


def said(figure: Figure) -> tuple[str, str]:
    """What stands at the top of a figure, and what stands below it: its title and description."""
    texts = sorted(figure.texts, key=lambda text: -text.get_position()[1])
    words = [" ".join(text.get_text().split()) for text in texts]
    if len(words) > 1:
        return words[0], words[-1]
    axes = figure.axes[0] if figure.axes else None
    if axes is None:
        return words[0] if words else "", ""
    return " ".join(axes.get_title(loc="left").split()), " ".join(axes.get_xlabel().split())
