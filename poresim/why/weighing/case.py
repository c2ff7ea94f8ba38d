"""A case to be decided: plain data, so that a worker process may do it.

All arithmetic of many numbers is done there, on one thread: so a verdict is the same bit for bit
however many cores there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from poresim.why.weighing.bank import Bank, Class, Told
from poresim.why.weighing.bench import Bench, Log
from poresim.why.weighing.evidence import Evidence
from poresim.why.weighing.forces import gauge_sd
from poresim.why.weighing.learnt import Learnt
from poresim.why.weighing.likelihood import tails_from
from poresim.why.weighing.rivals import Makeup, Rival
from poresim.why.weighing.tables import Tables
from poresim.why.weighing.tails import Tails
from poresim.why.weighing.verdict import Verdict, weigh


@dataclass(frozen=True)
class Case:
    """What is decided. told : of the bank's runs, those of the first ``rows`` are used. particles :
    draws of each explanation that matters. The rest as of `Evidence`."""

    tables: Tables
    told: Told
    rows: int
    kinds: Mapping[Makeup, Class]
    makeups: Mapping[tuple[Rival, str], Makeup]
    rivals: tuple[Rival, ...]
    bench: Bench
    dry_kg: float
    seed: int
    particles: int

    def evidence(self) -> Evidence:
        """Surfaces learnt. ValueError: too few runs of a class."""
        surfaces = self.told.learn(self.rows)
        logs = [log for _, log in self.bench.logs]
        longest = max(logs, key=lambda log: len(log.when))
        tails = {
            kind: tails_from(
                longest,
                learnt,
                self.told.by_class[kind].first(self.rows),
                self.told.until_s,
                self.dry_kg,
            )
            for kind, learnt in surfaces.items()
        }
        lost, lost_tails = self._lost()
        return Evidence(
            self.tables,
            surfaces,
            tails,
            lost,
            lost_tails,
            self.kinds,
            self.makeups,
            self.bench,
            self.dry_kg,
        )

    def _lost(self) -> tuple[dict[Class, Learnt], dict[Class, Tails]]:
        """The same of what snap forces lose."""
        if not self.bench.forces:
            return {}, {}
        surfaces = self.told.learn_lost(self.rows)
        longest = max((one for _, one in self.bench.forces), key=lambda one: len(one.when))
        log = Log(longest.when, np.zeros((1, len(longest.when))), gauge_sd(longest.when))
        runs = {kind: self.told.lost[kind].first(self.rows) for kind in surfaces}
        tails = {
            kind: tails_from(log, learnt, runs[kind], self.told.until_s, 1.0)
            for kind, learnt in surfaces.items()
        }
        return surfaces, tails


def case_of(
    bank: Bank, told: Told, rows: int, bench: Bench, dry_kg: float, seed: int, particles: int
) -> Case:
    """The case that a bank's runs and the bench make."""
    setting = bank.setting
    makeups = {
        (rival, liquid): setting.makeup(rival, liquid)
        for rival in setting.rivals
        for liquid in setting.liquids
    }
    kinds = {one: bank.kind(one) for one in makeups.values()}
    return Case(
        bank.tables, told, rows, kinds, makeups, setting.rivals, bench, dry_kg, seed, particles
    )


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
