"""Worlds of closed forms in which what a test tells is known, for tests of ``plan``."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from poresim.inference.laws import Law
from poresim.inference.temper import Posterior
from poresim.why.weighing.bench import Bench, Log, balance_sd
from poresim.why.weighing.evidence import APART, Evidence
from poresim.why.weighing.informing import Asked
from poresim.why.weighing.rivals import Rival
from poresim.why.weighing.verdict import Verdict
from tests import closed_bank, judged_made_up
from tests.closed_bank import DRY_KG, STEP_G, World


def angle(liquid: str, sd_deg: float) -> Asked:
    return Asked(liquid, None, None, 1, sd_deg)


def weighing(liquid: str, when, repeats: int = 3, step_g: float = STEP_G) -> Asked:
    sd = np.full(len(when), balance_sd(step_g * 1e-3) / DRY_KG)
    return Asked(liquid, np.array(when, float), sd, repeats, 0.0)


def rival(world: World, name: str) -> Rival:
    return next(one for one in world.bank.setting.rivals if one.name == name)


def law(world: World, key: str) -> Law:
    return next(one.law for one in world.bank.setting.unknowns.all if one.key == key)


def posterior(draws: np.ndarray) -> Posterior:
    """Draws of one weight each."""
    n, none = len(draws), np.zeros(0)
    return Posterior(
        draws, np.full(n, 1 / n), np.zeros(n), 0.0, 0.0, none, float(n), none,
        np.zeros(0, np.int64), none, n,
    )  # fmt: skip


def before(
    world: World, shares: dict[str, float], apart: float | None = None, seed: int = 0
) -> Verdict:
    """Nothing has been measured: priors, and these probabilities; pieces differ by ``apart``."""
    rng = np.random.default_rng(seed)
    count = 4096
    order = sorted(shares, key=lambda name: -shares[name])
    posteriors = []
    for _ in order:
        u = rng.random((count, len(world.bank.setting.unknowns) + 1))
        if apart is not None:
            u[:, -1] = APART.cumulative(apart)
        posteriors.append(posterior(u))
    return replace(
        judged_made_up.verdict(),
        rivals=[rival(world, name) for name in order],
        probabilities=np.array([shares[name] for name in order]),
        posteriors=posteriors,
    )


def evidence(world: World) -> Evidence:
    """Of the bank alone: nothing was measured."""
    log = Log(closed_bank.WHEN, np.ones((1, len(closed_bank.WHEN))), np.ones(len(closed_bank.WHEN)))
    return world.case(Bench([("clear broth", log)], [], [])).evidence()


def bits(nats: float) -> float:
    return nats / math.log(2)
