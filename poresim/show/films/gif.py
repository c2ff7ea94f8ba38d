"""Films as GIF89a (CompuServe 1990): picture by picture onto what stands there already.

A pixel that stays is not drawn again. GIF cannot take a pixel away: where the next picture of a
see-through film needs that, a picture says that its whole box is to be cleared after it, and all
in the box is drawn again. So a see-through film is small as long as nothing turns clear again.
"""

from __future__ import annotations

import struct
from contextlib import closing
from io import BytesIO

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.faults import FilmError, writing
from poresim.show.films.film import Film
from poresim.show.films.growing import Growing
from poresim.show.films.pace import ticks
from poresim.show.films.palette import CLEAR, Palette, palette_of
from poresim.show.films.part import Work
from poresim.show.films.pixels import Box, bounds, packed

Indexed = NDArray[np.uint8]

_MOST_FPS = 50
_HEAD, _COLOURS = 13, 768
_STAYS, _CLEARED = 1, 2
_CONTROL = struct.Struct("<3sBHBB")
_PLACE = struct.Struct("<cHHHHB")


def check(film: Film) -> None:
    """FilmError when a GIF cannot hold it."""
    if film.fps > _MOST_FPS:  # common practice: browsers show 0.01 s as 0.1 s
        raise FilmError(
            f"a .gif shows at most {_MOST_FPS} pictures a second, not {film.fps:g}: "
            "lower the rate, or write .webp, .mp4 or frames"
        )


def maker() -> str:
    """Whose version has a say in the bytes."""
    import PIL

    return f"Pillow {PIL.__version__}"


def write(film: Film, work: Work) -> None:
    """Write what is missing of the film."""
    with writing(work.target):
        growing = Growing(work.folder)
    with closing(growing):
        if growing.count == 0:
            palette = palette_of(film)
            _append(growing, work, _head(film, palette))
        else:
            colours = growing.read(_HEAD, _COLOURS - 3)
            palette = Palette(np.frombuffer(colours, dtype=np.uint8).reshape(-1, 3))
        _write_pictures(film, work, growing, _Indexer(film, palette))
        with writing(work.target):
            growing.finish()


def _write_pictures(film: Film, work: Work, growing: Growing, indexer: _Indexer) -> None:
    first = growing.count - 1
    work.done(first)
    if first == len(film):
        return
    canvas = _canvas(growing, indexer, first - 1)
    shown = indexer.picture(first)
    for number in range(first, len(film)):
        last = number + 1 == len(film)
        after = indexer.empty() if last else indexer.picture(number + 1)
        drawn = shown != canvas
        taken = (shown != CLEAR) & (after == CLEAR) & film.transparent
        clears = bool(taken.any())
        box = Box(0, 0, *film.size) if number == 0 else bounds(drawn | taken) or Box(0, 0, 1, 1)
        pixels = np.where(drawn[box.part], shown[box.part], np.uint8(CLEAR))
        piece = _picture(pixels, box, ticks(film, number, 100), _CLEARED if clears else _STAYS)
        _append(growing, work, piece + b";" * last)
        work.done(number + 1)
        canvas = _cleared(shown, box) if clears else shown
        shown = after


def _append(growing: Growing, work: Work, piece: bytes) -> None:
    with writing(work.target):
        growing.append(piece)


class _Indexer:
    """Pictures by their colours' numbers; only what changed is looked up."""

    def __init__(self, film: Film, palette: Palette) -> None:
        self._film = film
        self._palette = palette
        self._pixels = np.zeros(film.size[::-1], dtype=np.uint32)
        self._indices = self.empty()

    def empty(self) -> Indexed:
        return np.full(self._film.size[::-1], CLEAR, dtype=np.uint8)

    def picture(self, number: int) -> Indexed:
        pixels = packed(self._film, number)
        changed = np.flatnonzero(pixels != self._pixels)
        self._indices = self._indices.copy()
        self._indices.reshape(-1)[changed] = self._palette.indices(pixels.reshape(-1)[changed])
        self._pixels = pixels
        return self._indices


def _canvas(growing: Growing, indexer: _Indexer, number: int) -> Indexed:
    """What is left standing after a picture that has been written."""
    if number < 0:
        return indexer.empty()
    canvas = indexer.picture(number)
    told = growing.last(_CONTROL.size + _PLACE.size)
    if _CONTROL.unpack_from(told)[1] >> 2 == _CLEARED:
        return _cleared(canvas, Box(*_PLACE.unpack_from(told, _CONTROL.size)[1:5]))
    return canvas


def _cleared(canvas: Indexed, box: Box) -> Indexed:
    canvas = canvas.copy()
    canvas[box.part] = CLEAR
    return canvas


def _head(film: Film, palette: Palette) -> bytes:
    """The screen, 256 colours for all pictures, and that the film is shown again and again."""
    screen = struct.pack("<6sHHBBB", b"GIF89a", *film.size, 0xF7, CLEAR, 0)
    again = b"!\xff\x0bNETSCAPE2.0" + struct.pack("<BBHB", 3, 1, 0, 0)
    return screen + palette.colours.tobytes() + bytes(3) + again


def _picture(pixels: Indexed, box: Box, hundredths: int, disposal: int) -> bytes:
    control = _CONTROL.pack(b"!\xf9\x04", disposal << 2 | 1, hundredths, CLEAR, 0)
    return control + _PLACE.pack(b",", *box, 0) + _packed(pixels)


def _packed(pixels: Indexed) -> bytes:
    """LZW data: what Pillow puts behind the place of the only picture of a file."""
    from PIL import Image

    file = BytesIO()
    Image.fromarray(pixels).save(file, format="GIF", optimize=False, interlace=0)
    data = file.getvalue()
    at = _HEAD + (3 << (data[10] & 7) + 1 if data[10] & 0x80 else 0)
    while data[at] == ord("!"):
        at += 2
        while data[at]:
            at += data[at] + 1
        at += 1
    colours = data[at + 9]
    at += _PLACE.size + (3 << (colours & 7) + 1 if colours & 0x80 else 0)
    return data[at:-1]
