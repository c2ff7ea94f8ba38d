"""Drops on their solids, seen from the side: the record's own shape above, what sank in below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from poresim.outcome.summary import GONE
from poresim.outcome.words import percent
from poresim.record.model import Record, Repeat
from poresim.show.drop import cap_outline, drop_series, left_share
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels
from poresim.show.films.section import SectionScene
from poresim.show.films.stage import Pixels
from poresim.show.section import margin_of

_ROOM = 1.12  # of the height of the tallest drop


class DropScene(SectionScene):
    """Raises NotAsked where no liquid is a drop, NothingToShow when there are no snapshots."""

    told = "per cent of the drop"
    counted = ""

    def __init__(self, records: Sequence[Record]) -> None:
        drop_series(records)
        super().__init__(records)
        tallest = max(float(r.drop_height_m.max()) for r in self.repeats if len(r.drop_m3))
        self.longest = "99.9 % on top, 180°"
        self.headroom_mm = _ROOM * 1e3 * tallest

    @property
    def words(self) -> str:
        return f"Drops: spherical caps of the computed base and height. {super().words}"

    def build(self, page: Page, body: Rect) -> Panels | None:
        super().build(page, body)
        self._page = page
        self._drops = [self._drop(page, one.place) for one in self.series]
        return self.panels

    def paint(self, picture: Pixels, when: float) -> None:
        super().paint(picture, when)
        for k, repeat in enumerate(self.repeats):
            if not len(repeat.drop_m3):
                continue
            base, height, angle, left = drop_at(repeat, when)
            there = left > GONE
            self._drops[k].set_visible(there)
            told = f"{percent(left)} on top, {angle:.0f}°" if there else "gone"
            self.panels.below[k].set_text(told)
            if there:
                self._drops[k].set_xy(self._page.shares(self._outline(k, base, height)))

    def _outline(self, k: int, base: float, height: float) -> np.ndarray:
        """(p, 2) pixels of a cap of this base and height, m, on the middle of the face."""
        slab, cell, scale = self.slabs[k], self.cells[k], self.panels.scale
        across = 1e3 * self.series[k].record.solid(self.number).points[:, 0]
        middle = (across.min() + across.max()) / 2 - slab.low[0] + margin_of(slab)
        outline = cap_outline(base, height) * np.array([scale, -scale])
        return outline + np.array([cell.left + middle * scale, cell.top])

    def _drop(self, page: Page, place: int) -> Any:
        from matplotlib.patches import Polygon

        colour = page.theme.liquid(place)
        drop = Polygon(
            np.zeros((3, 2)), facecolor=(colour, 0.35), edgecolor=colour, lw=0.13 * page.letter,
            transform=page.figure.transFigure,
        )  # fmt: skip
        page.figure.add_artist(drop)
        return page.moves(drop)


def drop_at(repeat: Repeat, when: float) -> tuple[float, float, float, float]:
    """Base and height, m, angle, degrees, and share left of a drop at a time, s."""
    root = np.sqrt(repeat.time_s)
    columns = repeat.drop_base_m, repeat.drop_height_m, repeat.drop_angle_deg, left_share(repeat)
    base, height, angle, left = (float(np.interp(np.sqrt(when), root, c)) for c in columns)
    return base, height, angle, left
