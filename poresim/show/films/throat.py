"""A few tubes from near: the liquid that comes, the grains that it leaves, the throats that close.

Grains are those that the run caught in these tubes, by number and size. When each of them came is
not in a record: they are drawn one after another, evenly until the throat closes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.record.model import Record, Repeat
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels
from poresim.show.films.section import SectionScene, pixels
from poresim.show.films.stage import Mark, Pixels
from poresim.show.films.theme import rgba
from poresim.show.section import margin_of
from poresim.show.slab import Slab

Floats = NDArray[np.float64]

_WIDE = 3.4  # sides of the window, in lengths of a usual tube
_MOST = 24  # grains drawn in one tube


class Grain(NamedTuple):
    """place : (2,) mm in the slab. radius : mm. at_s : when it is drawn from."""

    place: Floats
    radius: float
    at_s: float


class ThroatScene(SectionScene):
    """Raises NothingToShow when there are no snapshots."""

    bars = 0.45

    def __init__(self, records: Sequence[Record]) -> None:
        super().__init__(records)
        self._closing = False
        self.longest = "1000 grains\n100 closed"
        low, high = window(self.slabs, self.repeats)
        whole = self.slabs
        self.slabs = [within(slab, low, high) for slab in whole]
        self._grains = [
            [g for g in grains_in(s, r, one.record.solid(self.number).ends) if _seen(s, g.place)]
            for s, r, one in zip(self.slabs, self.repeats, self.series, strict=True)
        ]
        self._closes = [
            r.blocked_at_s[s.tubes[_seen(s, (s.start + s.end) / 2)]]
            for s, r in zip(self.slabs, self.repeats, strict=True)
        ]

    @property
    def words(self) -> str:
        return (
            f"Part of a slab {self.slabs[0].thickness_mm:.2g} mm thick of solid {self.number}, to "
            f"scale. {self.surface}Grains: those caught here, by number and size; when each came "
            "is not recorded: they are drawn evenly until the throat closes. Those afloat are not "
            "drawn."
        )

    @property
    def marks(self) -> Sequence[Mark]:
        return [Mark("dry tube", "dry"), Mark("throat closed", "dry", bar=True)]

    def build(self, page: Page, body: Rect) -> Panels | None:
        super().build(page, body)
        self._ink, self._around = (
            rgba(colour)[:3].astype(float) for colour in (page.theme.grain, page.theme.ground)
        )
        return self.panels

    def paint(self, picture: Pixels, when: float) -> None:
        super().paint(picture, when)
        for slab, closes, cell, grains, below in zip(
            self.slabs, self._closes, self.cells, self._grains, self.panels.below, strict=True
        ):
            corner = np.array([slab.low[0] - margin_of(slab), slab.high[1] + margin_of(slab)])
            inner = cell.of(picture)
            there = [one for one in grains if one.at_s <= when]
            for one in there:
                _disc(
                    inner, pixels(one.place, corner, self.panels.scale),
                    one.radius * self.panels.scale, self._ink, self._around,
                )  # fmt: skip
            with np.errstate(invalid="ignore"):
                closed = int((closes <= when).sum())
            told = f"{len(there)} grains\n{closed} closed" if grains else "no grains"
            below.set_text(told)


def _seen(slab: Slab, places: Floats) -> NDArray[np.bool_]:
    """Which places (..., 2) lie within a slab's outline."""
    return np.asarray(((places >= slab.low) & (places <= slab.high)).all(axis=-1))


def window(slabs: Sequence[Slab], repeats: Sequence[Repeat]) -> tuple[Floats, Floats]:
    """Corners, mm, of the part of the slabs in which most throats close; the first of such.

    About a throat that closes; where none does, about the tube that fills first.
    """
    slab = slabs[0]
    side = _WIDE * slab.thickness_mm / 0.98
    middles = (slab.start + slab.end) / 2
    closing = np.stack([np.isfinite(r.blocked_at_s[slab.tubes]) for r in repeats]).sum(axis=0)
    if closing.any():
        near = np.abs(middles[:, None] - middles[None]).max(axis=2) <= side / 2
        worth = near.astype(float) @ closing + 0.25 * (near.sum(axis=1) / near.sum(axis=1).max())
        best = int(np.argmax(np.where(closing > 0, worth, -1.0)))
    else:
        filled = np.nan_to_num(repeats[0].filled_at_s[slab.tubes], nan=np.inf)
        best = int(np.argmin(filled))
    low = np.clip(middles[best] - side / 2, slab.low, np.maximum(slab.high - side, slab.low))
    return low, np.minimum(low + side, slab.high)


def within(slab: Slab, low: Floats, high: Floats) -> Slab:
    """The part of a slab between two corners; its tubes may reach beyond."""
    reach = slab.radius[:, None]
    first, last = np.minimum(slab.start, slab.end) - reach, np.maximum(slab.start, slab.end) + reach
    some = ((first < high) & (last > low)).all(axis=1)
    return replace(
        slab, tubes=slab.tubes[some], start=slab.start[some], end=slab.end[some],
        radius=slab.radius[some], waist=slab.waist[some], low=low, high=high,
    )  # fmt: skip


def grains_in(slab: Slab, repeat: Repeat, ends: NDArray[np.int64]) -> list[Grain]:
    """What was caught in the tubes of a slab, placed from the throat, or where a grain is as wide
    as the tube, back to where the liquid came from."""
    found: list[Grain] = []
    if not len(repeat.class_diameter_m):
        return found
    diameters = 1e3 * repeat.class_diameter_m
    each = math.pi / 6 * repeat.class_diameter_m**3
    for row, tube in enumerate(slab.tubes):
        counts = np.rint(repeat.captured_in_tube_m3[tube] / each).astype(int)
        if not counts.sum():
            continue
        reached = repeat.wetted_at_s[ends[tube]]
        back = bool(np.nan_to_num(reached, nan=np.inf)[1] < np.nan_to_num(reached, nan=np.inf)[0])
        begin = float(np.nanmin(reached)) if np.isfinite(reached).any() else 0.0
        closed = float(repeat.blocked_at_s[tube])
        end = closed if math.isfinite(closed) else float(repeat.time_s[-1])
        sizes = np.repeat(diameters[::-1], counts[::-1])[:_MOST]
        times = begin + (np.arange(len(sizes)) + 1) / len(sizes) * (end - begin)
        places = _places(slab, row, sizes, back)
        found += [Grain(p, d / 2, float(t)) for p, d, t in zip(places, sizes, times, strict=True)]
    return found


def _places(slab: Slab, row: int, sizes: Floats, back: bool) -> list[Floats]:
    """Centres, mm: the widest first, where the tube is as narrow as it or in the middle."""
    start, end = slab.start[row], slab.end[row]
    if back:
        start, end = end, start
    way = end - start
    length = float(np.linalg.norm(way))
    radius, waist = float(slab.radius[row]), float(slab.waist[row])
    narrow = radius * (1 - waist)
    first = sizes[0] / 2
    stop = 0.5 * (radius - first) / narrow if narrow > 1e-12 else 0.5
    at = float(np.clip(stop, 0.0, 0.5)) * length
    normal = np.array([-way[1], way[0]]) / length
    found = []
    beside = 0.0
    for k, size in enumerate(sizes):
        room = max(radius * (waist + (1 - waist) * abs(2 * at / length - 1)) - size / 2, 0.0)
        aside = (-1) ** k * min(room, beside)
        found.append(start + way * at / length + normal * aside)
        at = max(at - 0.8 * size, 0.0)
        beside = 0.6 * size
    return found


def _disc(picture: Pixels, middle: Floats, radius: float, colour: Floats, around: Floats) -> None:
    """A round grain with a light spot and a soft edge, and a rim around it, over what is there."""
    height, width, _ = picture.shape
    radius = max(radius, 0.8)
    rim = min(max(0.2 * radius, 0.5), 1.5)
    reach = radius + rim + 1
    left, right = int(max(middle[0] - reach, 0)), int(min(middle[0] + reach + 1, width))
    top, bottom = int(max(middle[1] - reach, 0)), int(min(middle[1] + reach + 1, height))
    if left >= right or top >= bottom:
        return
    x = np.arange(left, right) + 0.5 - middle[0]
    y = np.arange(top, bottom)[:, None] + 0.5 - middle[1]
    far = np.hypot(x, y)[:, :, None]
    own, cover = (np.clip(size + 0.5 - far, 0, 1) for size in (radius, radius + rim))
    light = np.clip(1 - np.hypot(x + 0.35 * radius, y + 0.35 * radius) / (0.9 * radius), 0, 1)
    grain = np.minimum(colour + 70 * light[:, :, None], 255)
    part = picture[top:bottom, left:right]
    below = part[:, :, :3] * (1 - cover) + around * cover
    part[:, :, :3] = np.rint(below * (1 - own) + grain * own)
    part[:, :, 3:] = np.maximum(part[:, :, 3:], np.rint(255 * cover))
