"""A verdict in the making: which soaks are to be done next, and what is to be decided by them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from poresim.outcome.asked import Outcome
from poresim.scenario.questions import Judge
from poresim.why.weighing.bank import Bank, Soaking
from poresim.why.weighing.bench import Bench
from poresim.why.weighing.case import Case, TooFew, case_of
from poresim.why.weighing.near import rows_near
from poresim.why.weighing.settling import Settled, settling
from poresim.why.weighing.verdict import Verdict

if TYPE_CHECKING:
    from poresim.ensemble.jobs import Job


class Growing:
    """Until ``settled`` is there: do the ``jobs``, decide the ``case``, ``take`` the verdict.

    dry_kg : of the block. soaks : of the bank so far.
    """

    def __init__(self, bank: Bank, question: Judge, bench: Bench, dry_kg: float, seed: int) -> None:
        self.soaks: list[Soaking] = []
        self.settled: Settled | TooFew | None = None
        self._bank, self._bench, self._dry_kg, self._seed = bank, bench, dry_kg, seed
        self._settling = settling(question)
        self._wanted = next(self._settling)
        self._jobs = self._add(bank.beginning(self._wanted.rows))

    def jobs(self) -> dict[str, Job]:
        """Soaks of the new rows, by name."""
        return self._jobs

    def case(self, outcomes: Mapping[str, Outcome]) -> Case:
        """By all soaks so far."""
        told = self._bank.told(self.soaks, outcomes)
        particles = self._wanted.particles
        return case_of(self._bank, told, self._bench, self._dry_kg, self._seed, particles)

    def take(self, verdict: Verdict | TooFew) -> None:
        """What the case came to."""
        try:
            self._wanted = self._settling.send(verdict)
        except StopIteration as end:
            self.settled = end.value
        else:
            self._jobs = self._add(self._bank.jobs(rows_near(self._bank, self._wanted)))

    def _add(self, new: tuple[dict[str, Job], list[Soaking]]) -> dict[str, Job]:
        jobs, soaks = new
        self.soaks += soaks
        return jobs
