"""A case to be decided: plain data, so that a worker process may do it.

All arithmetic of many numbers is done there, on one thread: so a verdict is the same bit for bit
however many cores there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.why.weighing.bank import Bank, Class, Told
from poresim.why.weighing.bench import Bench
from poresim.why.weighing.evidence import Evidence
from poresim.why.weighing.forces import gauge_sd
from poresim.why.weighing.learnt import Learnt, Runs
from poresim.why.weighing.likelihood import tails_from
from poresim.why.weighing.rivals import Makeup, Rival
from poresim.why.weighing.tables import Tables
from poresim.why.weighing.tails import Tails
from poresim.why.weighing.verdict import Verdict, weigh

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """What is decided. told : what the bank's runs say. particles : draws of each explanation that
    matters. The rest as of `Evidence`."""

    tables: Tables
    told: Told
    kinds: Mapping[Makeup, Class]
    makeups: Mapping[tuple[Rival, str], Makeup]
    rivals: tuple[Rival, ...]
    bench: Bench
    dry_kg: float
    seed: int
    particles: int

    def evidence(self) -> Evidence:
        """Surfaces learnt. ValueError: too few runs of a class."""
        told, bench = self.told, self.bench
        surfaces, lost = told.learn(), told.learn_lost()
        log = max((log for _, log in bench.logs), key=lambda one: len(one.when))
        tails = self._tails(surfaces, told.by_class, log.when, log.sd, self.dry_kg)
        lost_tails = {}
        if lost:
            when = max((one.when for _, one in bench.forces), key=len)
            lost_tails = self._tails(lost, told.lost, when, gauge_sd(when), 1.0)
        return Evidence(
            self.tables,
            surfaces,
            tails,
            lost,
            lost_tails,
            self.kinds,
            self.makeups,
            bench,
            self.dry_kg,
        )

    def _tails(
        self,
        surfaces: Mapping[Class, Learnt],
        by_class: Mapping[Class, Runs],
        when: Floats,
        sd: Floats,
        dry_kg: float,
    ) -> dict[Class, Tails]:
        """Of each class, at the times of the longest measurement."""
        return {
            kind: tails_from(when, sd, learnt, by_class[kind], dry_kg)
            for kind, learnt in surfaces.items()
        }


def case_of(bank: Bank, told: Told, bench: Bench, dry_kg: float, seed: int, particles: int) -> Case:
    """The case that a bank's runs and the bench make."""
    setting = bank.setting
    makeups = {
        (rival, liquid): setting.makeup(rival, liquid)
        for rival in setting.rivals
        for liquid in setting.liquids
    }
    kinds = {one: bank.kind(one) for one in makeups.values()}
    return Case(bank.tables, told, kinds, makeups, setting.rivals, bench, dry_kg, seed, particles)


class TooFew(NamedTuple):
    """No verdict: runs are too few for a surface, and by how much."""

    why: str


def decide(number: int, case: Case) -> Verdict | TooFew:
    """The verdict; ``number`` is the place among the tasks of a pool."""
    try:
        evidence = case.evidence()
    except np.linalg.LinAlgError:  # a ValueError, too, and nobody's fault but ours
        raise
    except ValueError as error:
        return TooFew(str(error))
    return weigh(evidence, case.rivals, case.seed, case.particles)
