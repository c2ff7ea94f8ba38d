"""Liquids side by side: a cell each, its name above it and what it has reached below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from poresim.show.films.faults import FilmError
from poresim.show.films.page import Page, Rect
from poresim.show.series import Series
from poresim.show.style import name_label

# All in lines of the page.
_NAME_FOOT = 0.55  # from the last line of a name to its panel
_NAME_LINE = 1.1
_ABOVE_NAME = 0.75
_READING_TOP = 0.35  # from a panel to what stands below it

_NAME_LINES = (3, 2, 1)  # at most, the first with which all finds room
_NAME_SIZE = 1.1
_LEAST = 1.2  # sides of a panel, in letters


class Panels(NamedTuple):
    """cells : of each liquid, px. scale : pixels a mm. below : text of each, to be set."""

    cells: list[Rect]
    scale: float
    below: list[Any]


class _Grid(NamedTuple):
    """Cells in so many columns. wide : room of each, px. names : of the liquids, broken."""

    columns: int
    wide: float
    names: list[str]
    above: float
    scale: float


def laid_out(
    page: Page, body: Rect, series: Sequence[Series], spans: np.ndarray, longest: str
) -> Panels:
    """Cells in as many columns as show the solids largest, all at one scale.

    spans : (liquids, 2) mm across and up that each has to show. longest : what may stand below a
    panel. Raises FilmError when they do not fit.
    """
    gap = 1.2 * page.letter
    most, reading = spans.max(axis=0), page.width_of(longest, weight="bold")
    below = (_READING_TOP + longest.count("\n") + 1) * page.line
    widest = int((body.width + gap) / (reading + gap))
    for lines in _NAME_LINES:
        grids = [
            _grid(page, body, series, (columns, lines), gap, most, below)
            for columns in range(1, min(len(series), widest) + 1)
        ]
        fit = [grid for grid in grids if grid.scale * most.min() >= _LEAST * page.letter]
        if fit:
            break
    else:
        raise FilmError(
            f"{len(series)} liquids do not fit into a picture of {page.width} x {page.height}"
        )
    grid = max(fit, key=lambda one: one.scale)  # the first such: with the fewest columns
    columns, names, scale = grid.columns, grid.names, grid.scale
    rows = -(-len(series) // columns)
    named = max(page.width_of(name, _NAME_SIZE, "bold") for name in names)
    pitch = min(grid.wide, max(scale * most[0], named, reading)) + gap
    tall = scale * most[1]
    row = grid.above + tall + below
    top = body.top + max(body.height - rows * row, 0) / 2
    cells, told = [], []
    for k, one in enumerate(series):
        down, across = divmod(k, columns)
        here = min(columns, len(series) - down * columns)
        middle = body.left + body.width / 2 + (across - (here - 1) / 2) * pitch
        own = scale * spans[k]
        floor = top + down * row + grid.above + tall
        left, upper = round(middle - own[0] / 2), round(floor - own[1])
        cells.append(Rect(left, upper, round(own[0]), round(own[1])))
        words: dict[str, Any] = {"ha": "center", "color": page.theme.text(one.place)}
        foot = floor - tall - _NAME_FOOT * page.line
        page.text(middle, foot, names[k], _NAME_SIZE, va="baseline", weight="bold", **words)
        at = floor + _READING_TOP * page.line
        told.append(page.moves(page.text(middle, at, "", weight="bold", **words)))
    return Panels(cells, scale, told)


def _grid(
    page: Page, body: Rect, series: Sequence[Series], shape: tuple[int, int], gap: float,
    most: np.ndarray, below: float,
) -> _Grid:  # fmt: skip
    """shape : columns, and lines of a name at most."""
    columns, lines = shape
    rows = -(-len(series) // columns)
    wide = (body.width - (columns - 1) * gap) / columns
    names = [page.fitted(name_label, one.name, lines, wide, _NAME_SIZE, "bold") for one in series]
    breaks = max(name.count("\n") for name in names)
    above = (_NAME_FOOT + _NAME_LINE * breaks + _ABOVE_NAME + _READING_TOP) * page.line
    tall = body.height / rows - above - below
    return _Grid(columns, wide, names, above, float(min(wide / most[0], tall / most[1])))
