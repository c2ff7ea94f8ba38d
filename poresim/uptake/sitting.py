"""A drop that sits on the inlets: what it presses, which of them it still covers, when it is spent.

The drop is at rest at every moment (:mod:`poresim.drop.base`): all its base is at one pressure.
Over a step both the pressure and the base are those of half-way through it, as far as the last step
lets that be seen; the little that a step draws keeps that right to second order. Junctions that the
base has left are junctions like others; air enters there once the drop is spent. The nearest to its
middle stays covered to the end.

Where steps end on events, they end where the base leaves a junction, too.

A further drop of the same volume comes down at the same place. On a former one it makes one of both
volumes. The rule is ours: the base stays where it is unless the angle on it would be above the
advancing one; then the base spreads to that angle, and may cover junctions again. When nothing but
``LEAST`` is left of the former, it is set down as the first was, on a solid that has been as one
lifted out and is put back. So every drop is as one set down at its advancing angle, of which some
may have gone.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from poresim.drop.base import Drop
from poresim.liquid.liquid import Liquid
from poresim.uptake.drain import Air, cover, lift_out
from poresim.uptake.inputs import Asked
from poresim.uptake.state import State

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_DRAWN = 0.2  # of what is left of it, at accuracy 1e-2: so much may go in one step, at most
_NEAR = 1e-3  # times the accuracy, of the drop: so near to where it leaves a junction it has left
_AHEAD = 0.5  # of what is left: no more is foreseen to be gone half-way through a step
LEAST = 1e-7  # of the drop: what may be left when it counts as gone


class Sitting:
    """A drop on the inlets of a soak.

    first : as the first was set down. drop : the same of what lies there now. least : m3, with
    which it counts as gone.
    """

    def __init__(self, drop: Drop, away: Floats, edge: float, asked: Asked) -> None:
        """away : (k,) m, how far the inlets are from the middle of its base.

        edge : m, of the outermost of all inlets; infinite where there is one.
        """
        self.first = self.drop = drop
        self.spent = False
        self._away, self._edge = away, edge
        self._many = 1 + len(asked.drops)
        self._covered = away <= drop.first_base_radius
        self._pull = float(np.linalg.norm(asked.gravity))
        self._share = _DRAWN * min(1.0, math.sqrt(asked.accuracy / 1e-2))
        self.least = LEAST * drop.volume
        self._near = _NEAR * asked.accuracy * drop.volume
        self.lands = False  # steps end where the base leaves a junction

    @property
    def most_pressure(self) -> float:
        """Pa, until it counts as gone."""
        found = np.array([self.drop.volume, self.drop.sliding_volume, self.least])
        most = float(np.max(self.drop.base_pressure(np.maximum(found, self.least), self._pull)))
        if self._many == 1:
            return most
        # merged drops are wider, and higher by no more than this
        whole = replace(self.drop, volume=1.01 * self._many * self.drop.volume)
        laplace = 2 * self.drop.surface_tension / self.drop.first_base_radius
        head = float(whole.base_pressure(whole.volume, self._pull))
        return most + laplace + head

    @property
    def dry(self) -> Ints:
        """Of the inlets: those that it does not cover."""
        return np.flatnonzero(~self._covered)

    def longest(self, left: float, rate: float) -> float:
        """How long a step may be, s, with that much left and drawn at that rate, m3/s."""
        if rate <= 0.0:
            return math.inf
        most = self._share * left
        if self.lands:
            edges = self._edges[self._covered]
            below = edges[edges < left - self._near]
            most = min(most, left - float(below.max(initial=-math.inf)))
        return most / rate

    @cached_property
    def _edges(self) -> Floats:
        """What is left when the base leaves junctions, m3."""
        share = self._away / self.first.first_base_radius
        return np.asarray(self.first.sliding_volume * share**3)

    def leave_behind(self, state: State, left: float) -> bool:
        """Whether the base leaves inlets, with that much left, where steps end on that."""
        return self.lands and self._uncover(state, left - self._near)

    def _uncover(self, state: State, left: float) -> bool:
        covered = self._covered
        bare = covered & (self._away > float(self.drop.base_radius(max(left, self.least))))
        if bare[covered].all():
            bare[np.argmin(np.where(covered, self._away, np.inf))] = False
        if bare.any():
            lift_out(state, np.flatnonzero(bare))
            self._covered = covered & ~bare
        return bool(bare.any())

    def foresee(self, state: State, left: float, rate: float, step: float) -> bool:
        """Make ready for a step of that length: whether the base leaves an inlet."""
        gone = min(max(0.5 * rate * step, 0.0), _AHEAD * left)
        remaining = min(max(left - gone, self.least), self.drop.volume)
        bare = not self.lands and self._uncover(state, remaining)
        under = np.flatnonzero(self._covered)
        state.junctions["pressure"][under] = self.drop.base_pressure(remaining, self._pull)
        return bare

    def gone(self, left: float) -> bool:
        """Whether nothing is left but what the accuracy does not see."""
        return left <= self.least

    def leave(self, state: State) -> None:
        """It is spent."""
        self.spent = True
        lift_out(state, np.flatnonzero(self._covered))
        self._covered = np.zeros_like(self._covered)

    def with_one_more(self, left: float) -> Drop | None:
        """What lies there when one more is set down on so much, m3; None: wider than the face."""
        both = left + self.first.volume
        if not self.spent:
            share = self.drop.base_radius(min(left, self.drop.volume)) / self.drop.first_base_radius
            both = max(both, self.drop.volume * share**3)  # the base stays
        drop = replace(self.drop, volume=both)
        return None if drop.first_base_radius > self._edge * (1 + 1e-9) else drop

    def lay(self, drop: Drop, left: float, state: State, air: Air | None, time: float) -> None:
        """That drop lies there now, with so much in it, m3."""
        self.drop, self.spent = drop, False
        more = ~self._covered & (self._away <= drop.first_base_radius * (1 + 1e-9))
        self._covered |= more
        cover(state, air, np.flatnonzero(more), time)
        self.foresee(state, left, 0.0, 0.0)


def set_down(volume: float, liquid: Liquid) -> Drop:
    """A drop of that volume, m3, on a face of the solid that the liquid soaks."""
    return Drop(
        volume,
        liquid.contact_angle_deg,
        liquid.receding_deg,
        liquid.surface_tension,
        liquid.density,
    )


def covered_by(
    drop: Drop, points: Floats, inlet: Ints, many: int = 1
) -> tuple[Ints, Floats, float]:
    """The inlets under the drop, how far they are from its middle, and the outermost of all, m.

    It is set down midway between the outermost of the inlets named. many : of that volume may come
    to lie there; then the inlets under all of them. ValueError: the first covers none, or does not
    fit on them. The last is infinite where there is one inlet.
    """
    at = points[inlet]
    middle = 0.5 * (at.min(axis=0) + at.max(axis=0))
    away = np.linalg.norm(at - middle, axis=1)
    radius = drop.first_base_radius
    if len(inlet) > 1 and radius > away.max() * (1 + 1e-9):
        raise ValueError(
            f"drop_m3: a drop of {drop.volume:.3g} m3 has a base of radius {1e3 * radius:.3g} mm; "
            f"the inlets reach {1e3 * away.max():.3g} mm from its middle"
        )
    under = away <= radius
    if not under.any():
        raise ValueError(
            f"drop_m3: a drop of {drop.volume:.3g} m3 has a base of radius {1e3 * radius:.3g} mm, "
            "and no inlet lies under it"
        )
    if many > 1:
        under = away <= replace(drop, volume=1.01 * many * drop.volume).first_base_radius
    edge = float(away.max()) if len(inlet) > 1 else math.inf
    return inlet[under], away[under], edge
