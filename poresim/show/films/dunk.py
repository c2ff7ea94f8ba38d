"""The whole piece as one sees it: how full it is where, in the bath and out of it, and what
strength it keeps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poresim.outcome.words import percent, seconds
from poresim.record.model import Record, Repeat
from poresim.show.films.course import Course
from poresim.show.films.moisture import Moisture, corners, seen
from poresim.show.films.page import Page, Rect
from poresim.show.films.panels import Panels, laid_out
from poresim.show.films.stage import Mark, Pixels
from poresim.show.films.theme import rgba
from poresim.show.lifts import dip_of, in_liquid
from poresim.show.section import NothingToShow
from poresim.show.series import Series, series_of
from poresim.show.states import common_repeat

_BESIDE = 0.16  # of the piece's width, free on either side
_BATH = 0.18  # of its height: how deep the bath goes below the piece
_CLEAR = 0.12  # of its height: how far above the bath it hangs when lifted out
_OPACITY = 0.3  # of the bath
_STRIP = 0.07  # of the piece's width: the strip that shows its strength


class DunkScene:
    """Raises NothingToShow when there are no snapshots."""

    def __init__(self, records: Sequence[Record]) -> None:
        self.series = series_of(records)
        number = common_repeat(self.series)
        if number is None:
            raise NothingToShow("no repeat has snapshots of every liquid: no piece to draw")
        self.number = number
        self.repeats = [one.liquid.repeats[number] for one in self.series]
        self._strong = any(len(r.snap_force_N) for r in self.repeats)

    @property
    def until_s(self) -> float:
        """The last time of which a state is known."""
        return max(float(r.snapshot_time_s[-1]) for r in self.repeats)

    @property
    def words(self) -> str:
        strong = " Strip: force at which it snaps, of that when dry." if self._strong else ""
        return (
            f"Solid {self.number} from the side; colour: how full its pores are there, from front "
            f"to back.{strong}"
        )

    @property
    def marks(self) -> Sequence[Mark]:
        strong = [Mark("strength left", "ink")] if self._strong else []
        return [Mark("dry", "dry"), *strong]

    def build(self, page: Page, body: Rect) -> Panels | None:
        self._pieces = [
            _Piece(page, one, repeat, self.number)
            for one, repeat in zip(self.series, self.repeats, strict=True)
        ]
        spans = np.array([piece.span for piece in self._pieces])
        longest = "100 % full" + ("\ngave way at 99.9 min" if self._strong else "")
        self.panels = laid_out(page, body, self.series, spans, longest)
        for piece, cell in zip(self._pieces, self.panels.cells, strict=True):
            piece.place(cell, self.panels.scale)
        return self.panels

    def paint(self, picture: Pixels, when: float) -> None:
        for piece, below in zip(self._pieces, self.panels.below, strict=True):
            below.set_text(piece.paint(picture, when))


class _Piece:
    """One solid over its bath. span (2,) : mm across and up that it needs."""

    def __init__(self, page: Page, one: Series, repeat: Repeat, number: int) -> None:
        network = one.record.solid(number)
        self._page, self._one, self._repeat = page, one, repeat
        self._course, self._moisture = Course(repeat, network), Moisture(network)
        dip = dip_of(one.record)
        deep = dip is not None and dip.depth is not None
        self._tilt = dip.tilt if dip is not None and deep else 0.0
        self._depth = 1e3 * (dip.depth or 0.0) if dip is not None else 0.0
        self._outline = corners(self._moisture.size_mm, self._tilt)
        wide, tall = np.ptp(self._outline, axis=0)
        self._bathed = deep or tuple(one.record.faces) == ("bottom",)
        self._below = (_BATH if self._bathed else 0.0) * tall
        self._lifted = self._depth + _CLEAR * tall if one.record.lift_s else 0.0
        strip = 2 * _STRIP if len(repeat.snap_force_N) else 0.0
        self.span = np.array([(1 + 2 * _BESIDE + strip) * wide, self._below + tall + self._lifted])

    def place(self, cell: Rect, scale: float) -> None:
        """Put it onto the page."""
        page, theme = self._page, self._page.theme
        self._cell, self._scale = cell, scale
        self._colours = rgba(theme.dry)[:3] / 1.0, rgba(theme.liquid(self._one.place))[:3] / 1.0
        self._map = seen(self._moisture, scale, self._tilt)
        wide, tall = np.ptp(self._outline, axis=0) * scale
        if len(self._repeat.snap_force_N):
            strip = round(_STRIP * wide)
            self._strip = Rect(cell.right - strip, cell.bottom - round(tall), strip, round(tall))
            cell = cell._replace(width=cell.width - 2 * strip)
        level = round(cell.bottom - (self._below + self._depth) * scale)
        self._bath = Rect(cell.left, level, cell.width, cell.bottom - level)
        self._left = cell.left + (cell.width - self._map.inside.shape[1]) // 2
        self._edge = page.moves(
            page.line_of(np.zeros((5, 2)), color=theme.rim, lw=page.letter / 12)
        )
        if self._bathed:
            ends = np.array([[cell.left, level], [cell.right, level]])
            colour = theme.liquid(self._one.place)
            page.moves(page.line_of(ends, color=colour, lw=page.letter / 9))

    def paint(self, picture: Pixels, when: float) -> str:
        """It and its bath; what is said of it."""
        state = self._course.at(when)
        out = bool(self._one.record.lift_s) and not in_liquid(self._one.record, when)
        high, wide = self._map.inside.shape
        raised = self._below + (self._lifted if out else 0.0)
        top = round(self._cell.bottom - raised * self._scale) - high
        if self._bathed:
            _veil(self._bath.of(picture), self._colours[1])
        there = Rect(self._left, top, wide, high)
        self._map.draw(self._moisture.shares(state.fill), *self._colours, there.of(picture))
        self._page.move_line(self._edge, self._corners(there))
        told = f"{percent(state.saturation)} full"
        return told + self._strength(picture, when) if len(self._repeat.snap_force_N) else told

    def _corners(self, there: Rect) -> np.ndarray:
        """(5, 2) pixels of the outline, closed."""
        low = self._outline.min(axis=0)
        at = (self._outline - low) * self._scale * np.array([1, -1])
        at = at + np.array([there.left, there.bottom])
        return np.asarray(np.vstack([at, at[:1]]))

    def _strength(self, picture: Pixels, when: float) -> str:
        """The strip, filled as far as it still bears; that in words."""
        repeat, strip = self._repeat, self._strip
        force = np.interp(np.sqrt(when), np.sqrt(repeat.time_s), repeat.snap_force_N)
        share = float(force / repeat.snap_force_N[0])
        full = strip.of(picture)
        full[...] = rgba(self._page.theme.grid)
        full[round((1 - share) * strip.height) :] = rgba(self._page.theme.ink)
        if when >= repeat.fails_at_s:
            return f"\ngave way at {seconds(repeat.fails_at_s)}"
        return f"\nstrength {percent(share)}"


def _veil(picture: Pixels, colour: np.ndarray) -> None:
    """Lay the bath over what is there."""
    alpha = picture[:, :, 3:] / 255
    whole = _OPACITY + alpha * (1 - _OPACITY)
    mixed = colour * _OPACITY + picture[:, :, :3] * alpha * (1 - _OPACITY)
    picture[:, :, :3] = np.rint(mixed / whole)
    picture[:, :, 3:] = np.rint(255 * whole)
