"""Frames of films, and what is seen in them: shares of colours, words and where they stand."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from pictures import texts

from poresim.outcome.curves import value_at
from poresim.record.model import Record, Repeat
from poresim.show.films.clock import Pace
from poresim.show.films.page import Rect
from poresim.show.films.stage import Look, Stage
from poresim.show.films.theme import DARK, LIGHT
from poresim.show.section import margin_of
from poresim.show.slab import Slab
from poresim.show.style import rgb


def film(
    scene: Any, times: Sequence[float], size: tuple[int, int] = (640, 360), *,
    dark: bool = False, transparent: bool = False, title: str = "A rusk",
) -> Stage:  # fmt: skip
    """A film of a scene at just these times."""
    pace = Pace(np.array(times), "clock runs as √time")
    look = Look(size, 25.0, DARK if dark else LIGHT, transparent)
    return Stage(title, "Invented example values.", scene, pace, look, "made up")


def frame(one: Stage, number: int) -> np.ndarray:
    """A copy of a frame, (height, width, 4)."""
    return one.image(number).copy()


def parts(pixels: np.ndarray, *colours: str) -> np.ndarray:
    """(..., k) of every pixel's colour, how much of it is each of these; together 1.

    By least squares: what is mixed of other colours comes out as it may.
    """
    first, *others = (np.array(rgb(one), float) for one in colours)
    apart = np.stack([one - first for one in others], axis=1)
    found = (pixels[..., :3].astype(float) - first) @ np.linalg.pinv(apart).T
    return np.concatenate([1 - found.sum(axis=-1, keepdims=True), found], axis=-1)


def inside(cell: Rect, image: np.ndarray, rim: int) -> np.ndarray:
    """The pixels of a panel without those at its rim."""
    return cell.of(image)[rim:-rim, rim:-rim]


def wet_share(scene: Any, one: Stage, image: np.ndarray, k: int) -> float:
    """Of the pixels of tubes in a section's panel, how much is wet."""
    theme = one._page.theme
    rim = math.ceil(0.14 * one._page.letter)  # of a thick line half is inside
    _, dry, wet = np.moveaxis(
        parts(
            inside(scene.cells[k], image, rim),
            theme.panel,
            theme.dry,
            theme.liquid(scene.series[k].place),
        ),
        -1,
        0,
    )
    return float(wet.sum() / (wet.sum() + dry.sum()))


def at(slab: Slab, cell: Rect, scale: float, points: np.ndarray) -> np.ndarray:
    """(..., 2) row and column of the pixels that hold points (..., 2) of a slab, mm."""
    margin = margin_of(slab)
    across = cell.left + scale * (points[..., 0] - slab.low[0] + margin)
    down = cell.top + scale * (slab.high[1] + margin - points[..., 1])
    return np.floor(np.stack([down, across], axis=-1)).astype(int)


def saturation(repeat: Repeat, when: float) -> float:
    """By the record's own curve, read as straight in the root of time."""
    return float(value_at(repeat.time_s, repeat.saturation, when, holds=True))


def repeat_of(record: Record, k: int) -> Repeat:
    """The soak of its first solid by liquid k."""
    return record.liquids[k].repeats[0]


def words(one: Stage) -> list[str]:
    """What stands in the frame drawn last."""
    return [t.get_text() for t in texts(one._page.figure)]


def check_words(one: Stage, cells: Sequence[Rect] = ()) -> None:
    """Held to a frame that has been drawn: nothing is cut off, no two words lie on one another,
    none lies on a panel, and on a phone's screen, on its side where a picture is wider than tall,
    every letter is at least 9 px tall (its em)."""
    page = one._page
    screen = 640 if page.width > page.height else 360
    boxes = []
    for text in texts(page.figure):
        name = text.get_text()
        assert text.get_fontsize() * screen / page.width >= 9 - 1e-9, name
        box = text.get_window_extent(page._canvas.get_renderer())
        assert box.x0 >= -1 and box.x1 <= page.width + 1, name
        assert box.y0 >= -1 and box.y1 <= page.height + 1, name
        boxes.append((name, (box.x0, page.height - box.y1, box.x1, page.height - box.y0)))
    for (name, a), (other, b) in itertools.combinations(boxes, 2):
        assert not _overlap(a, b), (name, other)
    panels = [(c.left, c.top, c.right, c.bottom) for c in cells]
    for (name, a), b in itertools.product(boxes, panels):
        assert not _overlap(a, b), (name, "on a panel")
    for a, b in itertools.combinations(panels, 2):
        assert not _overlap(a, b), "two panels"
    for a in panels:
        assert a[0] >= 0 and a[1] >= 0 and a[2] <= page.width and a[3] <= page.height


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return min(a[2], b[2]) - max(a[0], b[0]) >= 2 and min(a[3], b[3]) - max(a[1], b[1]) >= 2
