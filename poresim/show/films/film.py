"""What stands between the drawing of a film and its files: pictures, by number."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class Film(Protocol):
    """A film whose pictures can be asked for in any order; the same number, the same picture.

    size : width and height, px, both even. fps : pictures a second. rest_s : for how long the last
    one stays. transparent : whether the ground is see-through. key : a hash of all that decides
    the pictures.
    """

    size: tuple[int, int]
    fps: float
    rest_s: float
    transparent: bool
    key: str

    def __len__(self) -> int: ...

    def image(self, number: int) -> NDArray[np.uint8]:
        """(height, width, 4) RGBA, straight alpha; the next call may overwrite it."""
        ...
