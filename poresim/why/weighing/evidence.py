"""How likely all that was measured is under each explanation, by a bank's surfaces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from poresim.inference.laws import LogUniform
from poresim.inference.temper import Posterior, temper
from poresim.why.weighing.bank import Class, inputs_of
from poresim.why.weighing.bench import Angle, Bench, Log
from poresim.why.weighing.forces import Forces, gauge_sd
from poresim.why.weighing.forces import log_likelihood as likelihood_of_forces
from poresim.why.weighing.learnt import Foretold, Learnt
from poresim.why.weighing.likelihood import Predicted, log_likelihood, predict
from poresim.why.weighing.rivals import Makeup, Rival
from poresim.why.weighing.tables import Place, Tables
from poresim.why.weighing.tails import Tails

Floats = NDArray[np.float64]
T = TypeVar("T")

#: What pieces of one batch differ by, as a factor on their uptake (sd of its logarithm): from what
#: the same piece weighed twice shows to a fifth (common practice).
APART = LogUniform(0.003, 0.2)
#: What it is called among the unknowns.
APART_KEY = "how far pieces differ"
_CHUNK = 2048  # draws at a time, so that they stay in the cache
_MOST_NUMBERS = 4_000_000  # of their covariances


@dataclass(frozen=True)
class Evidence:
    """What is measured, and what would be by a bank's surfaces.

    tails : how far readings lie about the surface of a class. lost, lost_tails : the same of what
    snap forces lose. kinds : class of every makeup that explanations make. makeups : of each liquid
    by each explanation. dry_kg : of the block that the bank soaks.
    """

    tables: Tables
    surfaces: Mapping[Class, Learnt]
    tails: Mapping[Class, Tails]
    lost: Mapping[Class, Learnt]
    lost_tails: Mapping[Class, Tails]
    kinds: Mapping[Makeup, Class]
    makeups: Mapping[tuple[Rival, str], Makeup]
    bench: Bench
    dry_kg: float

    @property
    def dimensions(self) -> int:
        """Of the cube: the unknowns, and how far pieces differ."""
        return len(self.tables.unknowns) + 1

    def log_likelihood(self, rival: Rival, u: Floats) -> Floats:
        """(n,) at u (n, dimensions)."""
        found = np.empty(len(u))
        readings = sum(len(log.when) for _, log in self.bench.logs)
        chunk = max(1, min(_CHUNK, _MOST_NUMBERS // max(readings, 1) ** 2))
        for start in range(0, len(u), chunk):
            some = slice(start, start + chunk)
            found[some] = self._some(rival, u[some])
        return found

    def _some(self, rival: Rival, u: Floats) -> Floats:
        view = View(self, rival, u)
        found = np.zeros(len(u))
        for logs in self._together(rival, self.bench.logs):
            told = [view.predicted(liquid, log) for liquid, log in logs]
            found += log_likelihood([log for _, log in logs], told)[0]
        for broken in self._together(rival, self.bench.forces):
            told = [view.lost(liquid, forces) for liquid, forces in broken]
            found += likelihood_of_forces([forces for _, forces in broken], told)[0]
        for one in self.bench.angles:
            z = view.angle_score(one)
            found += -0.5 * z**2 - math.log(one.sd_deg * math.sqrt(2 * math.pi))
        return found

    def _together(
        self, rival: Rival, measured: Sequence[tuple[str, T]]
    ) -> list[list[tuple[str, T]]]:
        """What was measured, by class of the liquids."""
        found: dict[Class, list[tuple[str, T]]] = {}
        for liquid, one in measured:
            found.setdefault(self.kinds[self.makeups[rival, liquid]], []).append((liquid, one))
        return list(found.values())

    def posterior(self, rival: Rival, seed: int, particles: int, most_moves: int) -> Posterior:
        """Of the unknowns, and how far pieces differ, under one explanation."""
        return temper(
            lambda u: self.log_likelihood(rival, u),
            self.dimensions,
            seed,
            particles=particles,
            most_moves=most_moves,
        )


class View:
    """Draws u (n, dimensions) under one explanation, and what is foretold of them."""

    def __init__(self, evidence: Evidence, rival: Rival, u: Floats) -> None:
        self._evidence = evidence
        self._rival = rival
        self._told: dict[Place, Floats] = evidence.tables.at(u[:, :-1])
        self._solid = evidence.tables.solid(u[:, :-1])
        self._apart = APART.quantile(u[:, -1])
        self._read: dict[tuple[Class, bytes], Foretold] = {}
        self._known: dict[tuple[Class, bytes, bytes, bytes, bytes], Predicted] = {}

    def predicted(self, liquid: str, log: Log) -> Predicted:
        """Readings of a liquid at a log's times."""
        return self.at(self._evidence.makeups[self._rival, liquid], log.when, log.sd)

    def at(self, one: Makeup, when: Floats, sd: Floats) -> Predicted:
        """Readings of a liquid so made up at times (m,) s, by a balance of sd (m,) kg/kg.

        Liquids of the same numbers are foretold once: explanations make many alike.
        """
        kind = self._evidence.kinds[one]
        inputs = inputs_of(one, self._told, self._solid)
        density = self._told[one.owner("gravity"), "gravity", "ln_density"]
        place = kind, inputs.tobytes()
        key = *place, density.tobytes(), when.tobytes(), sd.tobytes()
        if key not in self._known:
            learnt = self._evidence.surfaces[kind]
            if place not in self._read:
                self._read[place] = learnt.read(inputs)
            per_m3 = np.exp(density) / self._evidence.dry_kg
            self._known[key] = predict(
                when,
                sd,
                self._read[place],
                per_m3,
                self._apart,
                self._evidence.tails[kind],
            )
        return self._known[key]

    def lost(self, liquid: str, forces: Forces) -> Predicted:
        """Shares of the dry force that pieces in a liquid have lost when they are broken."""
        one = self._evidence.makeups[self._rival, liquid]
        kind = self._evidence.kinds[one]
        learnt, tails = self._evidence.lost[kind], self._evidence.lost_tails[kind]
        told = learnt.read(inputs_of(one, self._told, self._solid))
        each, none = np.ones(len(self._apart)), np.zeros(len(self._apart))
        gauge = gauge_sd(forces.when)
        return predict(forces.when, gauge, told, each, none, tails)

    def angle(self, liquid: str) -> Floats:
        """(n,) contact angle of a liquid, degrees."""
        wets = self._evidence.makeups[self._rival, liquid].owner("wetting")
        return self._told[wets, "wetting", "angle"]

    def angle_score(self, one: Angle) -> Floats:
        """(n,) how far an angle that was read lies off, in its standard deviations."""
        return np.asarray((self.angle(one.liquid) - one.angle_deg) / one.sd_deg)
