"""Liquids side by side: a cell each, its name above it and what it has reached below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from poresim.show.films.page import Page, Rect
from poresim.show.series import Series
from poresim.show.style import name_label

_BELOW = 1.5  # lines of what stands below a panel, one each
_NAME_LINES = 2


class Panels(NamedTuple):
    """cells : of each liquid, px. scale : pixels a mm. below : text of each, to be set."""

    cells: list[Rect]
    scale: float
    below: list[Any]


def laid_out(
    page: Page, body: Rect, series: Sequence[Series], spans: np.ndarray, lines: int
) -> Panels:
    """Cells in as many columns as show the solids largest, all at one scale.

    spans : (liquids, 2) mm across and up that each has to show. lines : below each panel.
    """
    count, gap = len(series), 1.2 * page.letter
    most = spans.max(axis=0)
    choices = []
    for columns in range(1, count + 1):
        rows = -(-count // columns)
        wide = (body.width - (columns - 1) * gap) / columns
        names = [_name(page, one, wide) for one in series]
        above = (max(n.count("\n") for n in names) + 1) * 1.25 * page.line
        tall = body.height / rows - above - (_BELOW + lines - 1) * page.line
        choices.append((min(wide / most[0], tall / most[1]), -columns, wide, above, names))
    scale, columns, wide, above, names = max(choices, key=lambda one: one[:2])
    columns = -columns
    if scale <= 0:
        raise ValueError(
            f"{count} liquids do not fit into a picture of {page.width} x {page.height}"
        )
    rows = -(-count // columns)
    pitch = min(wide, max(scale * most[0], min(wide, 11 * page.letter))) + gap
    tall = scale * most[1]
    row = above + tall + (_BELOW + lines - 1) * page.line
    top = body.top + max(body.height - rows * row, 0) / 2
    cells, below = [], []
    for k, one in enumerate(series):
        down, across = divmod(k, columns)
        here = min(columns, count - down * columns)
        middle = body.left + body.width / 2 + (across - (here - 1) / 2) * pitch
        own = scale * spans[k]
        y = top + down * row + above + tall - own[1]
        cells.append(Rect(round(middle - own[0] / 2), round(y), round(own[0]), round(own[1])))
        colour = page.theme.text(one.place)
        foot = top + down * row + above - 0.6 * page.line
        page.text(
            middle, foot - 1.27 * page.letter * names[k].count("\n"), names[k], 1.1,
            ha="center", va="baseline", color=colour, weight="bold",
        )  # fmt: skip
        at = top + down * row + above + tall + 0.35 * page.line
        below.append(
            page.moves(page.text(middle, at, "", ha="center", color=colour, weight="bold"))
        )
    return Panels(cells, scale, below)


def _name(page: Page, one: Series, wide: float) -> str:
    return name_label(one.name, page.letters(wide, 1.1), _NAME_LINES)
