"""How far a bank grows, and how many draws are taken, until a verdict is settled.

A bank is doubled as long as half of it says otherwise, draws as long as they are too few or scatter
too far. Where nothing explains the measurements neither is: probabilities of what all fails need
not be known any better.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

from poresim.scenario.questions import Judge
from poresim.why.weighing.case import Case, TooFew, decide
from poresim.why.weighing.verdict import Verdict

#: Rows of a bank, draws of each explanation that matters.
Effort = tuple[int, int]

PARTICLES, MOST_PARTICLES = 512, 8192


class Settled(NamedTuple):
    """The verdict, and by how much the half of its bank differs. few : too few independent draws
    stand behind it all the same."""

    verdict: Verdict
    effort: Effort
    change: float
    few: bool


def settle(
    question: Judge,
    decided: Callable[[Sequence[Effort]], Sequence[Verdict | TooFew]],
    *,
    at_once: bool = True,
) -> Settled | TooFew:
    """decided : verdicts at each of some efforts. at_once : whether it decides several in the time
    of one; else the half is not asked before the whole is known well."""
    known: dict[Effort, Verdict | TooFew] = {}

    def verdicts(*efforts: Effort) -> list[Verdict | TooFew]:
        new = [one for one in efforts if one not in known]
        if new:
            known.update(zip(new, decided(new), strict=True))
        return [known[one] for one in efforts]

    rows, particles = question.least_rows, PARTICLES
    while True:
        both = (rows, particles), (rows // 2, particles)
        verdict = verdicts(*both)[0] if at_once else verdicts(both[0])[0]
        if isinstance(verdict, TooFew):
            return verdict
        few = verdict.fits_data and verdict.effective < question.effective_samples
        wide = few or float(verdict.sd.max()) > question.error
        if verdict.fits_data and wide and particles < MOST_PARTICLES:
            particles *= 2
            continue
        half = verdicts(*both)[1]
        change = 1.0 if isinstance(half, TooFew) else _change(half, verdict)
        if not verdict.fits_data or change <= question.error or rows >= question.most_rows:
            return Settled(verdict, (rows, particles), change, few)
        rows = min(2 * rows, question.most_rows)


def settled_by(number: int, asked: tuple[Judge, Case]) -> Settled | TooFew:
    """By the runs that a case holds; ``number`` is the place among the tasks of a pool."""
    question, case = asked

    def decided(efforts: Sequence[Effort]) -> list[Verdict | TooFew]:
        return [decide(0, replace(case, rows=rows, particles=some)) for rows, some in efforts]

    return settle(question, decided, at_once=False)


def _change(half: Verdict, whole: Verdict) -> float:
    """The most by which a probability differs."""
    before = dict(zip(half.rivals, half.probabilities, strict=True))
    pairs = zip(whole.rivals, whole.probabilities, strict=True)
    return max(abs(float(p) - float(before[rival])) for rival, p in pairs)
