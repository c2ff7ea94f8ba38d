"""Full tubes whose walls swell: they pass the less, from step to step.

A step holds each tube's width as it is half-way through the step, as it holds pressures; where a
step ends sooner than foreseen, the next makes up for that. A tube narrows from when it got full
first (:mod:`poresim.solid.swelling`). Where it has emptied since, what is in it drags as in the
narrowed tube (as the fourth power of the width, whatever the law), but its meniscus keeps the width
of the dry one; and grains are caught as by the dry throat.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.solid.swelling import Swelling
from poresim.tube.jit import kernel
from poresim.uptake.passing import lay_tangent, new_tangent
from poresim.uptake.state import DRY, PASSING, Shapes, State

Floats = NDArray[np.float64]

_CHANGE = 0.4  # at accuracy 1e-2: by so much, of its logarithm, a tube's flow may change in a step


class Swollen:
    """The widths of a soak's tubes."""

    def __init__(self, swelling: Swelling, state: State, accuracy: float) -> None:
        self._law, self._state = swelling, state
        self._own = int(state.shapes.own[0])
        self._left = np.ones(self._own)  # of their radii
        self._passes = np.ones(self._own)  # what of their flow stands in the graph or their slots
        self._clean: Floats | None = None  # share of flow that grains leave, once they stand still
        self._change = _CHANGE * min(1.0, math.sqrt(accuracy / 1e-2))
        self._at = 0.0  # the widths are those of that time, s
        self._behind = 0.0  # by how much steps had too late a time, s times s

    def longest(self, now: float, first_full: Floats) -> float:
        """How long a step may be, s. first_full : (m,) when each tube got full first."""
        age = now - first_full[: self._own]
        known = age[np.isfinite(age)]
        if len(known) == 0 or self._law.narrowing == 0.0:
            return math.inf
        gone = np.exp(-known / self._law.exchange_s)
        pace = 4.0 * self._law.narrowing * gone / self._law.left(known)
        return float(self._change * self._law.exchange_s / max(pace.max(), 1e-300))

    def foresee(self, now: float, until: float, first_full: Floats, still: bool) -> None:
        """Make ready for a step. still : whether grains go nowhere any more."""
        step = until - now
        self._at = min(max(0.5 * (now + until) - self._behind / step, now), until)
        self._narrow(self._at - first_full[: self._own], still)

    def took(self, now: float, until: float) -> None:
        """The step has ended at ``until``."""
        self._behind += (self._at - 0.5 * (now + until)) * (until - now)

    def shapes(self) -> Shapes:
        """Of the tubes, as wide as they are."""
        shapes, left = self._state.shapes, np.ones(len(self._state.shapes.ends))
        left[: self._own] = np.where(self._state.graph.slot[: self._own] == PASSING, self._left, 1)
        radius = np.ascontiguousarray(shapes.radius * left)
        radius.flags.writeable = False
        return shapes._replace(radius=radius)

    def _narrow(self, age: Floats, still: bool) -> None:
        s, graph = self._state, self._state.graph
        slot = graph.slot[: self._own]
        if still and self._clean is None:
            gates = s.log.gates
            share = gates["share"][: self._own] if len(gates) else np.ones(self._own)
            self._clean = share.copy()
        self._left = self._law.left(age)
        passes = np.where(slot == DRY, 1.0, self._left**4)
        full, some = np.flatnonzero(slot == PASSING), np.flatnonzero(slot >= 0)
        if self._clean is not None:
            s.tubes["leak"][slot[some]] = self._clean[some] * passes[some]
        if len(graph.tangent):
            self._lay(full)
        else:
            change = np.ones(len(graph.slot))
            change[full] = passes[full] / self._passes[full]
            graph.flow[:] *= change[graph.ring]
        self._passes = passes

    def _lay(self, full: NDArray[Any]) -> None:
        s, graph = self._state, self._state.graph
        radius = np.zeros(len(graph.slot))
        whole = np.broadcast_to(s.shapes.radius, (len(graph.slot),))
        radius[full] = whole[full] * self._left[full]
        clean = np.zeros(0) if self._clean is None else self._clean
        lay_anew(s.law, graph, s.junctions, radius, clean, s.floor_drop)


@kernel
def lay_anew(law, graph, junctions, radius, clean, floor):
    """Full tubes have new radii (0: leave as it is), and their tangents are laid anew.

    clean : (k,) share of their flow that grains leave, where that is not in their bores; or empty.
    """
    flow, lift, tangents, bore = graph.flow, graph.lift, graph.tangent, graph.bore
    for i in range(len(junctions)):
        for k in range(graph.first[i], graph.first[i + 1]):
            e, j = graph.ring[k], np.int64(graph.far[k])
            if radius[e] == 0.0 or j < i:
                continue
            for at in (np.int64(k), np.int64(tangents[k].mate)):
                bore[at].radius = radius[e]
                if len(clean) > 0:
                    bore[at].share = clean[e]
            drop = junctions[i].pressure - junctions[j].pressure
            rate, slope, wider = new_tangent(law, tangents[k], bore[k], 0.0, 0.0, drop, floor)
            lay_tangent(flow, lift, tangents, k, drop, rate, slope, wider, True)
