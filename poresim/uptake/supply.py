"""The liquid outside: what the cup offers the wetted face while grains settle, and what it holds.

Grains are offered as :class:`poresim.Cup` says, in the mean over each time that they are carried.
(Its times begin when it began to stand.)
What has been drawn changes neither that nor the depth; when nothing is left the soak ends.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.cup import Cup, Stirred
from poresim.liquid.liquid import Liquid
from poresim.uptake.state import State

Floats = NDArray[np.float64]


class Supply:
    """Of one soak. volume : m3 of suspension in the cup; infinite where it is as much as asked."""

    def __init__(self, cup: Cup | Stirred, liquid: Liquid, state: State) -> None:
        self.volume = math.inf if cup.volume is None else cup.volume
        self._settling = cup.settling(liquid)
        self._stood = cup.stood
        self._state = state
        grains = liquid.particles if len(state.cargo.diameter) else None
        first = np.zeros(0) if grains is None else grains.volume_fraction * grains.share
        sizes = np.zeros(0) if grains is None else grains.diameter
        self._order = np.argsort(sizes, kind="stable")
        self._first = first[self._order]  # concentrations where nothing has settled
        self._most = state.cargo.most / np.where(self._first > 0, self._first, 1.0)
        self._changes = len(first) > 0 and math.isfinite(self._settling.next_change(0.0))
        self.offer(0.0, 0.0)

    def offer(self, start: float, end: float) -> None:
        """Between these times grains are offered as in the mean over them."""
        if not self._changes:
            return
        cargo = self._state.cargo
        share = self._settling.offered_mean(self._stood + start, self._stood + end)[self._order]
        cargo.offered[:] = share * self._first
        np.maximum(cargo.most, self._most * cargo.offered, out=cargo.most)

    def drawn(self, held: float) -> float:
        """m3 of suspension that have left the cup, with that much liquid in the tubes."""
        roofs, cargo = slice(*self._state.roofs.tubes), self._state.cargo
        return held - self._state.begun + float(self.cake(cargo.captured[roofs].sum()))

    def cake(self, grains: Floats) -> Floats:
        """m3 of cake, pores and all, of m3 of grains; 0 of none."""
        rule = self._state.cargo.rule
        return grains / (1.0 - float(rule["bed_porosity"][0])) if len(rule) else 0.0 * grains

    def offered_share(self, times: Floats) -> Floats:
        """(k, c) concentrations at the face over those where nothing has settled."""
        return self._settling.offered(self._stood + times)[:, self._order]

    def afloat_m3(self, times: Floats, gone: Floats) -> Floats:
        """(k, c) grains afloat in the cup, of which (k, c) m3 have been drawn; NaN without end."""
        at_first = np.where(math.isfinite(self.volume), self.volume, np.nan) * self._first
        left = self._settling.left_share(self._stood + times)[:, self._order]
        return np.maximum(left * at_first - gone, 0.0)
