"""Films as WebP without loss (RFC 9649): single pictures by Pillow, in a container of our own.

Each frame is the box that changed. Where most of a box stays as it was, only what changed is
drawn, onto what stands there; as blending is exact for pixels that are opaque or clear alone, only
if all that changed is opaque.
"""

from __future__ import annotations

import struct
from contextlib import closing
from io import BytesIO

import numpy as np

from poresim.show.films.faults import FilmError, FilmStopped, writing
from poresim.show.films.film import Film
from poresim.show.films.growing import Growing
from poresim.show.films.pace import ticks
from poresim.show.films.part import Work
from poresim.show.films.pixels import Box, Packed, bounds, packed, unpacked

_MOST_FPS = 90
_MOST_BYTES = (1 << 32) - 10
_LEAD = b"RIFF\0\0\0\0WEBP"
_ALPHA, _ANIMATED = 0x10, 0x02
_BLENDED, _OVERWRITES = 0, 2


def check(film: Film) -> None:
    """FilmError when a WebP cannot hold it."""
    from PIL import features

    if film.fps > _MOST_FPS:  # common practice: browsers show 0.01 s as 0.1 s
        raise FilmError(
            f"a .webp shows at most {_MOST_FPS} pictures a second, not {film.fps:g}: "
            "lower the rate, or write .mp4 or frames"
        )
    if not features.check("webp"):
        raise FilmError("this Pillow cannot write .webp: pip install --force-reinstall pillow")


def maker() -> str:
    """Whose version has a say in the bytes."""
    import PIL
    from PIL import features

    return f"Pillow {PIL.__version__}, libwebp {features.version('webp')}"


def write(film: Film, work: Work) -> None:
    """Write what is missing of the film."""
    with writing(work.target):
        growing = Growing(work.folder, _LEAD)
    with closing(growing):
        if growing.count == 0:
            _append(growing, work, _head(film))
        first = growing.count - 1
        work.done(first)
        before = packed(film, first - 1) if 0 < first < len(film) else None
        for number in range(first, len(film)):
            pixels = packed(film, number)
            _append(growing, work, _frame(pixels, before, ticks(film, number, 1000)))
            work.done(number + 1)
            before = pixels
        with writing(work.target):
            growing.finish(_LEAD[:4] + struct.pack("<I", growing.size - 8) + _LEAD[8:])


def _append(growing: Growing, work: Work, piece: bytes) -> None:
    if growing.size + len(piece) > _MOST_BYTES:
        raise FilmStopped(
            f"{work.target}: a .webp holds at most 4 GB; make fewer or smaller pictures, or write "
            ".mp4 or frames"
        )
    with writing(work.target):
        growing.append(piece)


def _head(film: Film) -> bytes:
    """The canvas, and that the film is shown again and again on a clear ground."""
    width, height = film.size
    canvas = struct.pack("<B3x", _ANIMATED | _ALPHA) + _three(width - 1) + _three(height - 1)
    return _chunk(b"VP8X", canvas) + _chunk(b"ANIM", struct.pack("<IH", 0, 0))


def _frame(pixels: Packed, before: Packed | None, milliseconds: int) -> bytes:
    """One frame: what makes of the picture before (None: an empty canvas) this one."""
    height, width = pixels.shape
    if before is None:
        box, drawn, way = Box(0, 0, width, height), pixels, _OVERWRITES
    else:
        changed = pixels != before
        box = _even(bounds(changed) or Box(0, 0, 1, 1))
        drawn, changed = pixels[box.part], changed[box.part]
        way = _OVERWRITES
        if 2 * np.count_nonzero(changed) < changed.size and np.all(drawn[changed] >> 24 == 255):
            drawn, way = np.where(changed, drawn, np.uint32(0)), _BLENDED
    place = _three(box.x // 2) + _three(box.y // 2) + _three(box.width - 1) + _three(box.height - 1)
    head = place + _three(milliseconds) + bytes([way])
    return _chunk(b"ANMF", head + _chunk(b"VP8L", _packed(drawn)))


def _even(box: Box) -> Box:
    """The box with an even corner, as frames need."""
    x, y = box.x % 2, box.y % 2
    return Box(box.x - x, box.y - y, box.width + x, box.height + y)


def _packed(pixels: Packed) -> bytes:
    """The lossless bit stream of one picture."""
    from PIL import Image

    file = BytesIO()
    image = Image.fromarray(unpacked(pixels))
    image.save(file, format="WEBP", lossless=True, quality=20, method=1, exact=True)
    data, at = file.getvalue(), len(_LEAD)
    while at < len(data):
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        if data[at : at + 4] == b"VP8L":
            return data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    raise ValueError("no lossless picture in what Pillow wrote")


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + bytes(len(data) % 2)


def _three(number: int) -> bytes:
    return number.to_bytes(3, "little")
