"""Every liquid's numbers at many draws at once, from tables.

Each number is, in its own scale, a sum of what single unknowns do to it. That is checked at random
draws before it is relied on.
"""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.record.layout import RecordError
from poresim.scenario.faults import ScenarioError
from poresim.solid.fitting import fit
from poresim.why.weighing.entries import entries_of
from poresim.why.weighing.unknowns import Unknown, Unknowns, values_at

Floats = NDArray[np.float64]
#: (liquid, mechanism, name) of a number.
Place = tuple[str, str, str]
#: The solid's own: ln of the radius of a usual throat, m; half-opening of a usual tube, degrees.
THROAT: Place = "", "", "ln_throat"
OPENING: Place = "", "", "half_opening"

_GRIDS = 5, 9, 17, 33, 65  # points of a table, in normal scores: as few as do
_BENT = 5e-4  # of a number's span that it may lie off the chord between two points
_REACH = 4.5  # how far these go
_CHECKED = 16  # random draws at which sums are compared with the numbers themselves
_APART = 2e-3  # of a number's own span that a sum may miss


@dataclass(frozen=True)
class Tables:
    """Numbers in the middle of all laws, and what each unknown adds to them.

    unknowns : in their order. base : of each number. moves : for each number, coordinates that
    move it, normal scores (g,) and by how much there, (g,).
    """

    unknowns: list[Unknown]
    base: dict[Place, float]
    moves: dict[Place, list[tuple[int, Floats, Floats]]]

    def at(self, u: Floats) -> dict[Place, Floats]:
        """(n,) of every number, at u (n, unknowns)."""
        from scipy.special import ndtri

        z = ndtri(np.clip(u, 1e-12, 1 - 1e-12))
        found = {}
        for place, base in self.base.items():
            row = np.full(len(u), base)
            for j, scores, table in self.moves[place]:
                row += np.interp(z[:, j], scores, table)
            found[place] = row
        return found

    def solid(self, u: Floats) -> Floats:
        """(n, k) values of the unknowns that are no liquid's, by logarithm where by factors."""
        some = [j for j, one in enumerate(self.unknowns) if not one.of_liquids]
        values = values_at([self.unknowns[j] for j in some], u[:, some])
        for k, j in enumerate(some):
            if self.unknowns[j].by_factors:
                values[:, k] = np.log(values[:, k])
        return values


def tables_of(unknowns: Unknowns) -> Tables:
    """The tables of a scenario's unknowns. RecordError: sums miss what draws of liquids are."""
    from scipy.special import ndtr

    known: dict[bytes, dict[str, dict[str, float]]] = {}

    def entries(u: Floats) -> dict[Place, float]:
        scenario = unknowns.drawn(u)
        solid = scenario.solid
        opening = math.degrees(solid.half_opening(fit(solid).spacing))
        found: dict[Place, float] = {THROAT: math.log(solid.middle_throat), OPENING: opening}
        for spec in scenario.liquids:
            key = pickle.dumps(spec)
            if key not in known:
                known[key] = entries_of(spec)
            for mechanism, some in known[key].items():
                found |= {(spec.name, mechanism, name): value for name, value in some.items()}
        return found

    middle = np.full(len(unknowns), 0.5)
    base = entries(middle)
    moves: dict[Place, list[tuple[int, Floats, Floats]]] = {place: [] for place in base}
    for j in range(len(unknowns)):

        def at(z: float, j: int = j) -> dict[Place, float]:
            u = middle.copy()
            u[j] = float(np.clip(ndtr(z), 1e-6, 1 - 1e-6))
            return entries(u)

        scores, rows = _along(at)
        for place, value in base.items():
            table = np.array([row[place] for row in rows]) - value
            if np.ptp(table) > 0:
                moves[place].append((j, scores, table))
    found = Tables(unknowns.all, base, moves)
    for u in np.random.default_rng(0).uniform(0.01, 0.99, (_CHECKED, len(unknowns))):
        try:
            true = entries(u)
        except ScenarioError:
            continue
        _refuse_apart(found, u, true)
    return found


def _along(
    at: Callable[[float], dict[Place, float]],
) -> tuple[Floats, list[dict[Place, float]]]:
    """Normal scores, and what is there: so many that chords between them miss hardly anything."""
    known: dict[float, dict[Place, float]] = {}
    for count in _GRIDS:
        before = sorted(known)
        scores = np.linspace(-_REACH, _REACH, count)
        known |= {float(z): at(float(z)) for z in scores if float(z) not in known}
        rows = [known[float(z)] for z in scores]
        if before and not any(_bent(known, before, scores, place) for place in rows[0]):
            break
    return scores, rows


def _bent(
    known: dict[float, dict[Place, float]], before: list[float], scores: Floats, place: Place
) -> bool:
    values = np.array([known[float(z)][place] for z in scores])
    chords = np.interp(scores, before, [known[z][place] for z in before])
    return float(np.abs(values - chords).max()) > _BENT * float(np.ptp(values))


def _refuse_apart(tables: Tables, u: Floats, true: dict[Place, float]) -> None:
    told = tables.at(u[None, :])
    for place, value in true.items():
        if place in (THROAT, OPENING):  # any smooth function of the unknowns will do as an input
            continue
        span = sum(float(np.ptp(table)) for _, _, table in tables.moves[place])
        if abs(float(told[place][0]) - value) > _APART * span + 1e-9:
            liquid, _, name = place
            raise RecordError(
                f"{liquid}: what unknowns do to {name} does not add up; give fewer of them"
            )
