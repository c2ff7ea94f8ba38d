"""Pictures as one number a pixel, and where two of them differ."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.film import Film

#: Red in the lowest byte, alpha in the highest.
Packed = NDArray[np.uint32]

_OPAQUE = np.uint32(0xFF000000)


class Box(NamedTuple):
    """A rectangle of pixels: its upper left corner and its size."""

    x: int
    y: int
    width: int
    height: int

    @property
    def part(self) -> tuple[slice, slice]:
        """The index of its pixels in a picture."""
        return slice(self.y, self.y + self.height), slice(self.x, self.x + self.width)


def picture(film: Film, number: int) -> NDArray[np.uint8]:
    """A picture, (height, width, 4), its bytes in a row. ValueError: it is no such thing."""
    image = film.image(number)
    width, height = film.size
    if image.shape != (height, width, 4) or image.dtype != np.uint8:
        raise ValueError(f"picture {number} is {image.dtype} {image.shape}, not {film.size} RGBA")
    return np.ascontiguousarray(image)


def packed(film: Film, number: int) -> Packed:
    """A copy of a picture, (height, width); where the ground is not see-through, nothing is."""
    pixels = picture(film, number).view("<u4")[..., 0]
    return pixels.copy() if film.transparent else pixels | _OPAQUE


def unpacked(pixels: Packed) -> NDArray[np.uint8]:
    """The same, (height, width, 4)."""
    flat = np.ascontiguousarray(pixels, dtype="<u4")
    return flat.view(np.uint8).reshape(*pixels.shape, 4)


def bounds(marked: NDArray[np.bool_]) -> Box | None:
    """The smallest box around all that is marked, (height, width); None when nothing is."""
    rows = np.flatnonzero(marked.any(axis=1))
    if not len(rows):
        return None
    y, height = int(rows[0]), int(rows[-1] - rows[0]) + 1
    columns = np.flatnonzero(marked[y : y + height].any(axis=0))
    return Box(int(columns[0]), y, int(columns[-1] - columns[0]) + 1, height)
