"""The soak as a film: sections of all liquids in step with one clock.

Every frame is a snapshot that the record holds, at its own time; nothing is drawn in between.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from poresim.record.model import Record
from poresim.show.canvas import Canvas, Still
from poresim.show.lifts import dip_of
from poresim.show.section import chosen
from poresim.show.series import caution, series_of
from poresim.show.states import State, snapshot_grid, state_at
from poresim.show.style import label

_HOLD_S = 2.0
_COLOURS = 128


class Frame(NamedTuple):
    """One picture (height, width, 3) uint8, its time, and what each liquid shows in it."""

    time_s: float
    image: np.ndarray
    states: list[State | None]


class Film:
    """Sections of the liquids of some records, frame by frame.

    Raises NothingToShow (from :mod:`poresim.show.section`) when there are no snapshots.
    """

    def __init__(self, records: Sequence[Record], width_px: int = 960) -> None:
        self.series = series_of(records)
        self.number, self.repeats, self.slabs = chosen(self.series)
        grid = snapshot_grid(self.repeats)
        self.times = np.concatenate([[0.0], grid[grid > 0]])
        self._records = records
        self._width_px = width_px

    def __len__(self) -> int:
        return len(self.times)

    def frames(self) -> Iterator[Frame]:
        """All frames in order of time, the dry solid first."""
        canvas = self._canvas()
        for when in self.times:
            yield self._frame(canvas, float(when))

    def last_image(self) -> np.ndarray:
        """The picture of the last frame, (height, width, 3) uint8."""
        return self._frame(self._canvas(), float(self.times[-1])).image

    def _canvas(self) -> Canvas:
        titles = "; ".join(dict.fromkeys(label(r.title) for r in self._records))
        closed = any(np.isfinite(r.blocked_at_s).any() for r in self.repeats)
        still = Still(self.series, self.slabs, titles, self._words(), closed, self.number)
        return Canvas(still, float(self.times[-1]), self._width_px)

    def _frame(self, canvas: Canvas, when: float) -> Frame:
        states = [state_at(r, when) if when > 0 else None for r in self.repeats]
        return Frame(when, canvas.draw(when, states), states)

    def _words(self) -> str:
        steps = np.diff(np.sqrt(self.times))
        even = len(steps) < 2 or np.ptp(steps) < 0.01 * steps.max()
        pace = "The clock runs as √time." if even else "The clock runs ever faster."
        deep = any(dip is not None and dip.depth for dip in map(dip_of, self._records))
        pace += " Thin line: the liquid's surface." if deep else ""
        return (
            f"{pace} Slab {self.slabs[0].thickness_mm:.2g} mm thick, tubes to scale; per cent of "
            f"all pores; solid {self.number}. {caution(self._records)}"
        )


def write_gif(
    film: Film,
    path: Path,
    seconds: float = 8.0,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write a film as a GIF that lasts about ``seconds`` and rests on its last frame.

    One palette for all frames, so that no colour flickers; a pixel that did not change is left
    transparent, so that the file stays small. progress: called with the frames done so far.
    """
    from PIL import Image

    pace = max(20, 10 * round(100 * seconds / len(film)))  # GIF counts in hundredths of a second
    indexed: list[np.ndarray] = []
    palette: Any = None
    images = film.frames()
    last = film.last_image()
    for done, one in enumerate(images, start=1):
        if palette is None:
            sample = np.concatenate([one.image, last], axis=1)
            palette = Image.fromarray(sample).quantize(_COLOURS, dither=Image.Dither.NONE)
        picture = Image.fromarray(one.image).quantize(palette=palette, dither=Image.Dither.NONE)
        indexed.append(np.asarray(picture))
        if progress is not None:
            progress(done)
    pictures = []
    for i, pixels in enumerate(indexed):
        same = pixels == indexed[i - 1] if i else np.zeros(pixels.shape, dtype=bool)
        picture = Image.fromarray(np.where(same, _COLOURS, pixels).astype(np.uint8), mode="P")
        picture.putpalette([*palette.getpalette()[: 3 * _COLOURS], 0, 0, 0])
        pictures.append(picture)
    pictures[0].save(
        path,
        format="GIF",
        save_all=True,
        append_images=pictures[1:],
        duration=[pace] * (len(pictures) - 1) + [int(1000 * _HOLD_S)],
        loop=0,
        transparency=_COLOURS,
        disposal=1,
        optimize=False,
    )
