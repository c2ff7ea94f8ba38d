"""What further tests would tell, by the draws that a verdict rests on.

Readings are foretold for as many draws of each explanation that matters, weighted by its
probability. Several pieces are told by their mean, whose covariance is that of one piece (with the
balance) over their number, and what the surface misses; what their scatter would tell is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.inference.information import Information, expected_information
from poresim.why.weighing.case import Case
from poresim.why.weighing.evidence import Evidence, View
from poresim.why.weighing.rivals import Rival
from poresim.why.weighing.verdict import Verdict

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_MATTERS = 1e-4  # probability above which an explanation is drawn
_EACH = 400  # draws of an explanation
_OUTER = 1024  # readings that are simulated of each test


@dataclass(frozen=True)
class Asked:
    """A test. when : (m,) s and sd : (m,) of the balance, kg/kg, at which ``repeats`` pieces are
    weighed; None for an angle, which is read to ``angle_sd_deg``."""

    liquid: str
    when: Floats | None
    sd: Floats | None
    repeats: int
    angle_sd_deg: float


@dataclass(frozen=True)
class Drawn:
    """Draws of the posterior over all explanations: of each that matters the same number.

    weights : (N,), sum 1. of : (N,) numbers of the explanations, in order of probability.
    """

    views: list[View]
    rivals: list[Rival]
    weights: Floats
    of: Integers

    def reading(self, evidence: Evidence, test: Asked) -> tuple[Floats, Floats]:
        """(N, m) what a test would read by each draw, and (N, m, m) covariance of its errors."""
        parts = [
            _reading(evidence, view, rival, test)
            for view, rival in zip(self.views, self.rivals, strict=True)
        ]
        means, spreads = zip(*parts, strict=True)
        return np.concatenate(means), np.concatenate(spreads)


def drawn(evidence: Evidence, verdict: Verdict, seed: int, each: int = _EACH) -> Drawn:
    """Of a verdict's posteriors."""
    views, rivals, weights = [], [], []
    for k, (rival, p, one) in enumerate(
        zip(verdict.rivals, verdict.probabilities, verdict.posteriors, strict=True)
    ):
        if p > _MATTERS and len(one.draws):
            stream = np.random.SeedSequence(seed, spawn_key=(k,))
            views.append(View(evidence, rival, one.resampled(each, stream)))
            rivals.append(rival)
            weights.append(float(p))
    share = np.repeat(np.array(weights) / sum(weights) / each, each)
    return Drawn(views, rivals, share, np.repeat(np.arange(len(rivals)), each))


def inform(number: int, asked: tuple[Case, Verdict, Sequence[Asked]]) -> list[Information]:
    """What each test would tell; ``number`` is the place among the tasks of a pool.

    A task of a worker on plain data, so that it is the same bit for bit on any number of cores.
    """
    case, verdict, tests = asked
    return informations(case.evidence(), verdict, tests, case.seed)


def informations(
    evidence: Evidence, verdict: Verdict, tests: Sequence[Asked], seed: int, outer: int = _OUTER
) -> list[Information]:
    """What each test would tell; all are tried on the same draws."""
    some = drawn(evidence, verdict, seed)
    return [
        expected_information(some.weights, some.of, *some.reading(evidence, test), seed, outer)
        for test in tests
    ]


def _reading(evidence: Evidence, view: View, rival: Rival, test: Asked) -> tuple[Floats, Floats]:
    if test.when is None or test.sd is None:
        angle = view.angle(test.liquid)[:, None]
        return angle, np.full((len(angle), 1, 1), test.angle_sd_deg**2)
    told = view.at(evidence.makeups[rival, test.liquid], test.when, test.sd)
    return told.level, told.tails.variance * (told.own / test.repeats + told.missed)
