"""How far a bank grows, and how many draws are taken, until a verdict is settled.

A bank begins with rows over all of the priors; then it grows by rows where the truth may lie, until
a round of them changes no probability by more than the error asked for. Draws are doubled as long
as they are too few or scatter too far. Where nothing explains the measurements even so, neither is:
probabilities of what all fails need not be known any better.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import NamedTuple

from poresim.scenario.questions import Judge, least_near
from poresim.why.weighing.case import TooFew
from poresim.why.weighing.verdict import Verdict

PARTICLES, MOST_PARTICLES = 512, 8192


class Wanted(NamedTuple):
    """A verdict, by rows of the bank and draws of each explanation that matters.

    near : how many of the rows are new, to be drawn from the verdict ``after``, which was given
    last (None: there is none yet).
    """

    rows: int
    near: int
    after: Verdict | None
    particles: int


class Settled(NamedTuple):
    """The verdict, by rows and draws, and by how much the one before the last rows differs. few :
    too few independent draws stand behind it all the same."""

    verdict: Verdict
    rows: int
    particles: int
    change: float
    few: bool


Settling = Generator[Wanted, Verdict | TooFew, Settled | TooFew]


def settling(question: Judge) -> Settling:
    """Yields what is wanted, takes what it was; returns what was settled."""
    rows, particles = question.least_rows, PARTICLES
    before: Verdict | None = None
    verdict = yield Wanted(rows, 0, None, particles)
    while True:
        if isinstance(verdict, TooFew):
            return verdict
        few = verdict.fits_data and verdict.effective < question.effective_samples
        wide = few or float(verdict.sd.max()) > question.error
        if verdict.fits_data and wide and particles < MOST_PARTICLES:
            particles *= 2
            verdict = yield Wanted(rows, 0, verdict, particles)
            continue
        if before is not None:
            change = _change(before, verdict)
            enough = change <= question.error or not verdict.fits_data
            if enough or rows >= question.most_rows:
                return Settled(verdict, rows, particles, change, few)
        near = least_near(question.least_rows)
        near = min(max(near, rows - question.least_rows), question.most_rows - rows)
        rows, before = rows + near, verdict
        verdict = yield Wanted(rows, near, verdict, particles)


def _change(before: Verdict, after: Verdict) -> float:
    """The most by which a probability differs."""
    known = dict(zip(before.rivals, before.probabilities, strict=True))
    pairs = zip(after.rivals, after.probabilities, strict=True)
    return max(abs(float(p) - float(known[rival])) for rival, p in pairs)
