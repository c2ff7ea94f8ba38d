"""The film that hangs on a solid lifted out: what it still offers, and when it is gone.

It stands at all inlets at the pressure of the air, as one: what some drink of it is missing
everywhere. Meanwhile it runs down and drips off (:mod:`poresim.drop.film`). When it is gone the
inlets are junctions like others.
"""

from __future__ import annotations

import math

from poresim.drop.film import Film
from poresim.uptake.drain import lift_out
from poresim.uptake.state import State

_DRAWN = 0.2  # of what is left of it, at accuracy 1e-2: so much may go in one step, at most
_LEAST = 1e-6  # of the film: what may be left when it counts as gone


class Clinging:
    """One film on the inlets of a soak."""

    def __init__(self, film: Film, accuracy: float) -> None:
        self.film, self.left = film, film.volume
        self._share = _DRAWN * min(1.0, math.sqrt(accuracy / 1e-2))

    @property
    def gone(self) -> bool:
        """Whether nothing is left but what the accuracy does not see."""
        return self.left <= _LEAST * self.film.volume

    def longest(self, rate: float) -> float:
        """How long a step may be, s, when the solid drinks at that rate, m3/s."""
        loss = self.film.runs_down(self.left) + max(rate, 0.0)
        return self._share * self.left / loss if loss > 0.0 else math.inf

    def take(self, volume: float, time: float) -> None:
        """In that time, s, the solid has drunk ``volume``, m3, and some has run down."""
        mean = max(self.left - 0.5 * volume, 0.0)
        run_down = mean - self.film.after(mean, time)
        self.left = max(self.left - volume - run_down, 0.0)


def offer_film(state: State) -> None:
    """The inlets stand under a film, at the pressure of the air."""
    state.junctions["pressure"][: state.inlets] = 0.0


def leave_film(state: State) -> None:
    """It is gone."""
    lift_out(state)
