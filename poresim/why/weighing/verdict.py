"""What measurements say: probabilities of explanations, posteriors, what is not known.

An explanation's draws and evidence come from tempering (:mod:`poresim.inference.temper`). All are
looked at with few draws first; those that may matter are weighed again with as many as asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.inference.compare import Comparison, compare
from poresim.inference.temper import Posterior
from poresim.why.weighing.curves import Curve, curves_of
from poresim.why.weighing.evidence import APART, APART_KEY, Evidence, View
from poresim.why.weighing.forces import log_likelihood as likelihood_of_forces
from poresim.why.weighing.likelihood import log_likelihood
from poresim.why.weighing.rivals import Rival
from poresim.why.weighing.unknowns import Unknown

Floats = NDArray[np.float64]

_LOOK, _LOOK_MOVES = 128, 8  # draws of a first look, and moves a stage at most
_MOVES = 60
_HOPELESS = 16.0  # ln odds below which no second look is taken: first looks err by a few
_DRAWN = 4000  # draws of the posterior over all explanations
MISFIT = 0.01  # chance below which measurements are not explained
_ABSURD = 1e-9  # chance below which none is looked at again: that nothing fits is the answer
_COUNTS = 0.05  # of the best one's probability: explanations that count
_SHIFT = 0.5  # standard deviations by which priors are shifted to see what hangs on them
_TOGETHER = 0.8  # correlation from which two unknowns are told as one
_LEARNT = 0.3  # sd after over sd before, below which an unknown is known by itself
_RIVAL = 1 / 3  # of the best one's probability: such explanations are not told apart


class Known(NamedTuple):
    """One unknown. before, after : 5, 50 and 95 % of its law and of its posterior, in its unit.
    left : sd after over sd before, in normal scores: 1 nothing was learnt, 0 all."""

    key: str
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    left: float


class Fit(NamedTuple):
    """How well one measurement is explained: chance of a misfit as large or larger."""

    what: str
    chance: float


class Leaning(NamedTuple):
    """What hangs on one prior: the probability of the first explanation with that prior shifted
    down and up by half a standard deviation."""

    key: str
    down: float
    up: float


@dataclass(frozen=True)
class Verdict:
    """rivals : most probable first, with their probabilities, Monte Carlo errors, posteriors.

    leads_surely : share of draws of these errors in which the first stays first. draws, of : (n,
    d) and (n,) draws of the posterior over all explanations, and the number of theirs. effective :
    how many independent draws tell the means as well. fits : of each measurement, by all
    explanations together. explained : chance of as large a misfit anywhere, by the explanation of
    those that count which does best. pairs : unknowns that are only known together, with their
    correlation, by the first explanation. curves : what that one foretells of each log.
    """

    rivals: list[Rival]
    probabilities: Floats
    sd: Floats
    posteriors: list[Posterior]
    leads_surely: float
    draws: Floats
    of: NDArray[np.int64]
    effective: float
    unknowns: list[Known]
    fits: list[Fit]
    explained: float
    leanings: list[Leaning]
    pairs: list[tuple[str, str, float]]
    curves: list[Curve]

    @property
    def fits_data(self) -> bool:
        """Whether an explanation that counts explains all that was measured."""
        return self.explained >= MISFIT

    @property
    def open(self) -> list[str]:
        """Names of the explanations that are not told apart from the first, which is one."""
        least = _RIVAL * self.probabilities[0]
        pairs = zip(self.rivals, self.probabilities, strict=True)
        return [rival.name for rival, p in pairs if p >= least]

    def acting(self, mechanism: str) -> float:
        """Probability that liquids differ by a mechanism, whichever explanation it is part of."""
        pairs = zip(self.rivals, self.probabilities, strict=True)
        return float(sum(p for rival, p in pairs if mechanism in rival.acting))


def weigh(evidence: Evidence, rivals: Sequence[Rival], seed: int, particles: int) -> Verdict:
    """The verdict on all that was measured; explanations are as likely as each other before.

    particles : draws of each explanation that matters.
    """
    posteriors = [
        evidence.posterior(rival, seed + k, _LOOK, _LOOK_MOVES) for k, rival in enumerate(rivals)
    ]
    level = np.array([one.log_evidence for one in posteriors])
    even = np.full(len(rivals), 1 / len(rivals))
    if _fits(evidence, rivals, posteriors, even)[1] >= _ABSURD:
        for k in np.flatnonzero(level > level.max() - _HOPELESS).tolist():
            again = seed + len(rivals) + k
            posteriors[k] = evidence.posterior(rivals[k], again, particles, _MOVES)
    found = _compared(posteriors)
    order = np.argsort(-found.probabilities, kind="stable")
    return _verdict(evidence, [rivals[k] for k in order], [posteriors[k] for k in order], seed)


def _compared(posteriors: Sequence[Posterior]) -> Comparison:
    return compare(
        [one.log_evidence for one in posteriors], [one.log_evidence_sd for one in posteriors]
    )


def _verdict(
    evidence: Evidence, rivals: list[Rival], posteriors: list[Posterior], seed: int
) -> Verdict:
    found = _compared(posteriors)
    p = found.probabilities
    counts = np.floor(p * _DRAWN).astype(int)
    counts[0] += _DRAWN - counts.sum()
    parts = [
        one.resampled(int(n), seed + k)
        for k, (one, n) in enumerate(zip(posteriors, counts, strict=True))
        if n
    ]
    draws = np.concatenate(parts)
    of = np.repeat(np.arange(len(rivals)), counts)
    return Verdict(
        rivals,
        p,
        found.sd,
        posteriors,
        found.leads_surely,
        draws,
        of,
        _effective(p, posteriors),
        _known(evidence, draws),
        *_fits(evidence, rivals, posteriors, p),
        _leanings(evidence, posteriors, p),
        _pairs(evidence, posteriors[0]),
        curves_of(evidence, rivals[0], posteriors[0]),
    )


def _effective(p: Floats, posteriors: Sequence[Posterior]) -> float:
    """Independent draws that stand behind the mixture: each explanation's errors by its weight."""
    parts = [w**2 / one.effective for w, one in zip(p, posteriors, strict=True) if one.effective]
    return 1 / sum(parts) if sum(parts) > 0 else 0.0


def unknowns_of(evidence: Evidence) -> list[Unknown]:
    """All coordinates of the cube."""
    return [*evidence.tables.unknowns, Unknown(APART_KEY, APART)]


def _known(evidence: Evidence, draws: Floats) -> list[Known]:
    from scipy.special import ndtri

    levels = np.array([0.05, 0.5, 0.95])
    found = []
    for j, one in enumerate(unknowns_of(evidence)):
        before, after = (
            tuple(float(v) for v in one.law.quantile(u))
            for u in (levels, np.quantile(draws[:, j], levels))
        )
        found.append(Known(one.key, before, after, float(ndtri(draws[:, j]).std())))  # type: ignore[arg-type]
    return found


def _fits(
    evidence: Evidence, rivals: Sequence[Rival], posteriors: list[Posterior], p: Floats
) -> tuple[list[Fit], float]:
    """Posterior-predictive chances (Gelman, Meng & Stern 1996, Stat Sinica 6:733; from memory).

    Given the unknowns, the laws of a log's squares and of an angle's score are known, and so is the
    chance of a larger misfit for each draw; its mean is the chance.
    """
    from scipy.special import ndtr

    bench = evidence.bench
    names = [f"log of {liquid}" for liquid, _ in bench.logs]
    names += [f"angle of {angle.liquid}" for angle in bench.angles]
    names += [f"snap forces of {liquid}" for liquid, _ in bench.forces]
    chances = np.zeros((len(rivals), len(names)))
    for k, (rival, one) in enumerate(zip(rivals, posteriors, strict=True)):
        if not len(one.draws):
            continue
        view = View(evidence, rival, one.draws)
        for i, (liquid, log) in enumerate(bench.logs):
            chances[k, i] = one.weights @ log_likelihood([log], [view.predicted(liquid, log)])[1]
        for i, angle in enumerate(bench.angles, len(bench.logs)):
            chances[k, i] = one.weights @ (2 * ndtr(-np.abs(view.angle_score(angle))))
        for i, (liquid, forces) in enumerate(bench.forces, len(names) - len(bench.forces)):
            found = likelihood_of_forces([forces], [view.lost(liquid, forces)])[1]
            chances[k, i] = one.weights @ found
    counted = p >= _COUNTS * p.max()
    whole = np.minimum(len(names) * chances.min(axis=1), 1.0)  # Bonferroni
    fits = [Fit(name, float(chance)) for name, chance in zip(names, p @ chances, strict=True)]
    return fits, float(whole[counted].max())


def _leanings(evidence: Evidence, posteriors: list[Posterior], p: Floats) -> list[Leaning]:
    """Probability of the first with each prior shifted: evidences change by the posterior mean of
    new prior over old, exp(+- s z - s^2 / 2) in normal scores z."""
    from scipy.special import ndtri

    found = []
    for j, one in enumerate(unknowns_of(evidence)):
        shifted = []
        for s in (-_SHIFT, _SHIFT):
            factor = [
                post.weights @ np.exp(s * ndtri(post.draws[:, j]) - s**2 / 2)
                if len(post.draws)
                else 0.0
                for post in posteriors
            ]
            weight = p * np.array(factor)
            shifted.append(float(weight[0] / weight.sum()))
        found.append(Leaning(one.key, *shifted))
    return sorted(found, key=lambda row: -max(abs(row.down - p[0]), abs(row.up - p[0])))


def _pairs(evidence: Evidence, first: Posterior) -> list[tuple[str, str, float]]:
    """Unknowns of which the measurements tell a combination better than either alone."""
    from scipy.special import ndtri

    names = [one.key for one in unknowns_of(evidence)]
    z = ndtri(first.draws)
    mean = first.weights @ z
    spread = (first.weights[:, None] * (z - mean)).T @ (z - mean)
    sd = np.sqrt(np.maximum(np.diag(spread), 1e-12))
    together = spread / np.outer(sd, sd)
    found = [
        (names[i], names[j], float(together[i, j]))
        for i in range(len(names))
        for j in range(i)
        if abs(together[i, j]) >= _TOGETHER and min(sd[i], sd[j]) > _LEARNT
    ]
    return sorted(found, key=lambda row: -abs(row[2]))
