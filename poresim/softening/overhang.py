"""The load that a soaked bar which juts out is to itself."""

from __future__ import annotations

from typing import Any

from numpy.typing import ArrayLike

from poresim.liquid.properties import between, plain, within
from poresim.liquid.suspension import GRAVITY

_LARGE = 1e12


def overhang_moment(mass_per_length: ArrayLike, overhang: ArrayLike) -> Any:
    """Moment of its own weight where a bar is held, N m: m g L / 2 with m = mass_per_length * L.

    mass_per_length : kg/m, at least 0, of the solid and all liquid in it, even along the overhang.
    overhang : L, m, how far the level bar juts out. A cantilever under an even load: any text on
    beams. Arguments broadcast; single numbers give a float.
    """
    line = within("mass_per_length", mass_per_length, 0, _LARGE)
    length = between("overhang", overhang, 0)
    return plain(line * GRAVITY * length**2 / 2)
