"""Probabilities of rival explanations from their evidences.

P_k = prior_k Z_k / sum_j prior_j Z_j (Bayes). Z is known to a Monte Carlo error; what that does to
P is found by drawing: ln Z_k + its standard error times Student's t, many times.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_DRAWS = 20_000


@dataclass(frozen=True)
class Comparison:
    """probabilities : (k,), sum 1. sd : (k,) their Monte Carlo standard errors.

    log_evidence : ln of the prior mean of the evidences, and its standard error.
    log_odds : (k,) ln of P_k over that of the most probable. leads_surely : the share of draws of
    the errors in which the most probable stays so.
    """

    probabilities: Floats
    sd: Floats
    log_evidence: float
    log_evidence_sd: float
    log_odds: Floats
    leads_surely: float


def compare(
    log_evidence: ArrayLike,
    log_evidence_sd: ArrayLike,
    prior: ArrayLike | None = None,
    freedom: float = 15.0,
    seed: int | np.random.SeedSequence = 0,
) -> Comparison:
    """Posterior probabilities of k explanations.

    log_evidence, log_evidence_sd : (k,), -inf for what cannot be. prior : (k,) weights of any sum,
    even if not given; 0 rules out. freedom : degrees of freedom of the standard errors (islands - 1
    of `temper`). ValueError: shapes that differ, negative or no prior weight, no evidence at all.
    """
    level, error, weight = _read(log_evidence, log_evidence_sd, prior)
    with np.errstate(divide="ignore"):
        joint = level + np.log(weight)
    if np.isneginf(joint).all():
        raise ValueError("no explanation has any evidence: none can bring forth what was measured")
    best = int(np.argmax(joint))
    probabilities = _normalised(joint)
    scatter = np.random.default_rng(seed).standard_t(freedom, (_DRAWS, len(joint)))
    drawn = joint + error * scatter
    others = _normalised(drawn)
    total = _log_sum(drawn)
    return Comparison(
        probabilities,
        np.sqrt(((others - probabilities) ** 2).mean(axis=0)),
        float(_log_sum(joint)),
        float(total.std()),
        joint - joint[best],
        float(np.mean(drawn.argmax(axis=1) == best)),
    )


def _read(
    log_evidence: ArrayLike, log_evidence_sd: ArrayLike, prior: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    level = np.asarray(log_evidence, np.float64)
    error = np.asarray(log_evidence_sd, np.float64)
    weight = np.ones(level.shape) if prior is None else np.asarray(prior, np.float64)
    if level.ndim != 1 or not len(level) or {error.shape, weight.shape} != {level.shape}:
        raise ValueError(
            "one evidence, one error and one prior weight an explanation, got shapes "
            f"{level.shape}, {error.shape} and {weight.shape}"
        )
    if np.isnan(level).any() or np.isposinf(level).any() or not (error >= 0).all():
        raise ValueError("log evidences must be numbers or -inf, and their errors 0 or more")
    if not (np.isfinite(weight).all() and (weight >= 0).all() and weight.sum() > 0):
        raise ValueError("prior weights must be 0 or more, and not all 0")
    return level, error, weight / weight.sum()


def _log_sum(level: Floats) -> Floats:
    """ln of the sum of exp over the last axis."""
    top = level.max(axis=-1, keepdims=True)
    return np.asarray(top[..., 0] + np.log(np.exp(level - top).sum(axis=-1)))


def _normalised(level: Floats) -> Floats:
    return np.asarray(np.exp(level - _log_sum(level)[..., None]))
