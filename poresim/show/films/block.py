"""The whole block in three dimensions, turning or still; what is wet in the liquid's colour.

Wet tubes are to scale, dry ones drawn thin so that one sees past them. Far ones are pale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from poresim.record.model import Record
from poresim.show.films.course import Course
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels, laid_out
from poresim.show.films.solid_shapes import draw_rods, turned
from poresim.show.films.stage import Mark, Pixels
from poresim.show.films.theme import rgba
from poresim.show.section import NothingToShow
from poresim.show.series import series_of
from poresim.show.states import common_repeat, longest_reading, reading

_LIFT = 24.0  # degrees from above
_FROM = 17.0  # degrees about the upright at the start
_THIN = 0.22  # of its width that a dry tube is drawn with
_MARGIN = 1.08


class BlockScene:
    """turn_deg : by how much it turns in the whole film; 0: it stands still."""

    def __init__(self, records: Sequence[Record], turn_deg: float = 50.0) -> None:
        self.series = series_of(records)
        number = common_repeat(self.series)
        if number is None:
            raise NothingToShow("no repeat has snapshots of every liquid: no block to draw")
        self.number, self._turn = number, turn_deg
        self.repeats = [one.liquid.repeats[number] for one in self.series]
        self._solids = [one.record.solid(number) for one in self.series]
        self.courses = [Course(r, s) for r, s in zip(self.repeats, self._solids, strict=True)]
        self._closing = any(np.isfinite(r.blocked_at_s).any() for r in self.repeats)

    @property
    def until_s(self) -> float:
        """The last time of which a state is known."""
        return max(float(r.snapshot_time_s[-1]) for r in self.repeats)

    @property
    def words(self) -> str:
        return (
            f"All of solid {self.number}, no perspective: wet tubes to scale, dry ones drawn thin, "
            "far ones paler. Per cent of all its pores."
        )

    @property
    def marks(self) -> Sequence[Mark]:
        return [Mark("dry tube", "dry")]

    def build(self, page: Page, body: Rect) -> Panels | None:
        self._page = page
        points = [1e3 * solid.points for solid in self._solids]
        self._middles = [(p.min(axis=0) + p.max(axis=0)) / 2 for p in points]
        spans = np.array([_span(np.ptp(p, axis=0)) for p in points])
        self.panels = laid_out(page, body, self.series, spans, longest_reading(self._closing))
        return self.panels

    def paint(self, picture: Pixels, when: float) -> None:
        share = np.sqrt(when / self.until_s)
        angle = _FROM + self._turn * float(share)
        for k, course in enumerate(self.courses):
            state = course.at(when)
            self._draw(k, state.fill, angle, picture)
            self.panels.below[k].set_text(reading(state if when > 0 else None, self._closing))

    def _draw(self, k: int, fill: np.ndarray, angle: float, picture: Pixels) -> None:
        theme, solid = self._page.theme, self._solids[k]
        cell, scale = self.panels.cells[k], self.panels.scale
        points = turned(1e3 * solid.points - self._middles[k], angle, _LIFT)
        places = np.array([cell.width / 2, cell.height / 2, 0.0]) + scale * points * [1, -1, 1]
        colours = [theme.dry, theme.liquid(self.series[k].place), theme.ground]
        draw_rods(
            (places[solid.ends[:, 0]], places[solid.ends[:, 1]]), 1e3 * scale * solid.radius,
            np.broadcast_to(solid.waist, len(fill)).copy(), fill,
            np.array([rgba(one)[:3] for one in colours]), _THIN, cell.of(picture),
        )  # fmt: skip


def _span(sides: np.ndarray) -> np.ndarray:
    """Across and up, mm, that a block of these sides takes at any turn."""
    flat = float(np.hypot(sides[0], sides[1]))
    lift = math.radians(_LIFT)
    return _MARGIN * np.array([flat, math.cos(lift) * sides[2] + math.sin(lift) * flat])
