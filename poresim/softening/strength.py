"""How strong a wall still is, from the water in it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from poresim.liquid.properties import between, plain, within

_LARGE = 1e6


def fermi(moisture: ArrayLike, midpoint: ArrayLike, width: ArrayLike) -> Any:
    """Local strength over that of the dry solid: Y = 1 / (1 + exp((x - xc) / b)).

    moisture : x, kg water a kg dry solid, at least 0. midpoint : xc, in the same unit, where half
    the strength is left. width : b, in the same unit, above 0; from xc - 2 b to xc + 2 b the
    strength falls from 88 to 12 %. Arguments broadcast; single numbers give a float.

    At no moisture it is 1 / (1 + exp(-xc / b)), short of 1 by less than 1e-4 where xc > 9.3 b.
    Peleg 1994, Biotechnol Prog 10:385 (from memory).
    """
    x = within("moisture", moisture, 0, _LARGE)
    xc = within("midpoint", midpoint, 0, _LARGE)
    b = between("width", width, 0)
    with np.errstate(over="ignore"):
        return plain(np.asarray(expit((xc - x) / b)))
