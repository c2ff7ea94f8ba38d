"""Rows of a bank where the truth may lie, by what a verdict knows.

Surfaces through rows of the priors are coarse where few of them lie, as at the rim, and the rim may
be what was measured. So further rows are drawn from the posteriors, and the verdict is asked again:
a design that goes where the answer hangs on it (Sacks et al. 1989, Stat Sci 4:409; from memory).
What seems unlikely gets rows, too, since it may seem so by a coarse surface alone.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

from poresim.inference.temper import systematic
from poresim.why.weighing.bank import Bank, Class, Row
from poresim.why.weighing.rivals import Makeup, Rival
from poresim.why.weighing.settling import Wanted

Floats = NDArray[np.float64]

_NEAR = 5  # purpose of a random stream; see ensemble.jobs
_FIRST = 100_000  # number of the first row: beyond those of any bank's own
_FLATTENED = 0.25  # power of the probabilities by which rows are shared out


def rows_near(bank: Bank, wanted: Wanted) -> list[Row]:
    """The new rows that are wanted, from the posteriors of the last verdict."""
    verdict, count = wanted.after, wanted.near
    if verdict is None or not count:
        return []
    before = wanted.rows - count
    seed = np.random.SeedSequence(bank.setting.scenario.seed, spawn_key=(_NEAR, before))
    shared, drawn = seed.spawn(2)
    level = np.array([one.log_evidence for one in verdict.posteriors])
    weights = np.exp(_FLATTENED * (level - level.max()))
    rng = np.random.default_rng(shared)
    which = systematic(weights / weights.sum(), count, rng)
    found: list[Row] = []
    for k, stream in zip(np.unique(which).tolist(), drawn.spawn(count), strict=False):
        points = verdict.posteriors[k].resampled(int((which == k).sum()), stream)[:, :-1]
        for u in points:
            number = _FIRST + before + len(found)
            makeups = _makeups(bank, verdict.rivals[k], rng)
            found.append(Row(number, _place(number, u, makeups), u, makeups))
    return found


def _makeups(bank: Bank, rival: Rival, rng: np.random.Generator) -> tuple[Makeup, ...]:
    """One of each class that an explanation makes."""
    by_class: dict[Class, list[Makeup]] = {}
    for liquid in bank.setting.liquids:
        one = bank.setting.makeup(rival, liquid)
        some = by_class.setdefault(bank.kind(one), [])
        if one not in some:
            some.append(one)
    return tuple(some[int(rng.integers(len(some)))] for some in by_class.values())


def _place(number: int, u: Floats, makeups: tuple[Makeup, ...]) -> str:
    """The same for the same soaks only, whatever was measured."""
    exactly = u.tobytes() + repr(makeups).encode()
    return f"near {number}, {hashlib.blake2b(exactly, digest_size=8).hexdigest()}"
