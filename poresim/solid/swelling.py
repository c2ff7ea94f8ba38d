"""Walls that swell: by how much the throats between them narrow, once wet.

A wall takes up water from the full tube beside it in the one time of exchange that softening goes
by (``softening.moisture``), and swells into that tube in proportion: the outside of the solid
stays as it is. Tube and liquid keep their volumes in sum: what the tube loses in width is the
liquid that its walls hold, so that swelling takes up no liquid of its own. (Volumes taken as
additive, and all swelling as inward: conventions of ours. A real wall also swells outward, and
throats narrow the less.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import as_numbers, between, plain

MOST_NARROWING = 0.95  # of its radius: full tubes still pass 6e-6 of what they did


@dataclass(frozen=True)
class Swelling:
    """How throats narrow. Single numbers.

    narrowing : share of its radius that a soaked throat has lost, 0 to 0.95. exchange_s : time of
    exchange of its walls, s, above 0.
    """

    narrowing: float
    exchange_s: float

    def __post_init__(self) -> None:
        if not 0 <= float(self.narrowing) <= MOST_NARROWING:
            raise ValueError(
                f"narrowing must lie in 0 to {MOST_NARROWING:g} (a share of the radius), "
                f"got {self.narrowing!r}"
            )
        between("exchange_s", self.exchange_s, 0)

    def left(self, age: ArrayLike) -> Any:
        """(...) Share of its radius that a tube has left, ``age`` s after it got full.

        1 - narrowing (1 - exp(-age / exchange_s)): a wall as one lump. NaN: never full, and 1.
        """
        wet = np.fmax(as_numbers("age", age), 0.0)
        return plain(1.0 + self.narrowing * np.expm1(-wet / self.exchange_s))
