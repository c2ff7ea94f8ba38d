"""Films as a folder of PNG files, for cutting programs: RGBA where see-through, else RGB.

Written by hand (PNG, W3C Recommendation): rows without filters and deflate at its quickest take a
third of the time of the choices a general writer tries.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from zlib import ZLIB_RUNTIME_VERSION, compress, crc32

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.faults import writing
from poresim.show.films.film import Film
from poresim.show.films.part import Work
from poresim.show.films.pixels import picture

_END = b"\0\0\0\0IEND\xae\x42\x60\x82"
_RGB, _RGBA = 2, 6


def check(film: Film) -> None:
    """Any film will do."""


def maker() -> str:
    """Whose version has a say in the bytes."""
    return f"zlib {ZLIB_RUNTIME_VERSION}"


def write(film: Film, work: Work) -> None:
    """Write what is missing of the film."""
    folder = work.film
    with writing(work.target):
        folder.mkdir(exist_ok=True)
        (folder / "film.txt").write_text(_told(film), encoding="utf-8")
    first = 0
    while first < len(film) and _is_whole(_path(film, folder, first)):
        first += 1
    work.done(first)
    for number in range(first, len(film)):
        data = png(picture(film, number), film.transparent)
        with writing(work.target):
            _write(_path(film, folder, number), data)
        work.done(number + 1)
    with writing(work.target):
        for number in range(len(film)):
            with _path(film, folder, number).open("rb+") as file:
                os.fsync(file.fileno())


def png(image: NDArray[np.uint8], transparent: bool) -> bytes:
    """A picture (height, width, 4) as a PNG file, without its alpha unless it is see-through."""
    height, width, _ = image.shape
    channels = 4 if transparent else 3
    rows = np.zeros((height, 1 + width * channels), dtype=np.uint8)  # first: no filter
    for channel in range(channels):  # four times as quick as all at once
        rows[:, 1 + channel :: channels] = image[..., channel]
    kind = _RGBA if transparent else _RGB
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, kind, 0, 0, 0))
    data = _chunk(b"IDAT", compress(rows.data, 1))
    return b"\x89PNG\r\n\x1a\n" + head + _chunk(b"sRGB", b"\0") + data + _END


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", crc32(name + data))


def _path(film: Film, folder: Path, number: int) -> Path:
    digits = max(5, len(str(len(film))))
    return folder / f"frame_{number + 1:0{digits}d}.png"


def _is_whole(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            file.seek(-len(_END), os.SEEK_END)
            return file.read() == _END
    except OSError:  # absent, or too short
        return False


def _write(path: Path, data: bytes) -> None:
    temporary = path.with_name(f"{path.name}.partial")
    temporary.write_bytes(data)
    temporary.replace(path)


def _told(film: Film) -> str:
    width, height = film.size
    return (
        f"frames  {len(film)}\nfps     {film.fps:g}\nsize    {width} x {height} px\n"
        f"rest    {film.rest_s:g} s on the last frame\n"
    )
