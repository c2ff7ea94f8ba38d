"""Rows of a bank where the truth may lie."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poresim.why.judge import block_kg
from poresim.why.weighing.bank import Row
from poresim.why.weighing.case import decide
from poresim.why.weighing.evidence import View
from poresim.why.weighing.near import rows_near
from poresim.why.weighing.rivals import Rival
from poresim.why.weighing.settling import Wanted
from poresim.why.weighing.verdict import Verdict
from tests import closed_bank
from tests.closed_bank import PORES_M3, WHEN, World

BOTH = frozenset({"wetting", "thickening"})
REST = frozenset({"plugging", "settling", "gravity"})
#: The gum broth wets as badly as one draw in a few hundred.
RIM = np.array([0.5, 0.997, 0.6, 0.3])


@pytest.fixture(scope="module")
def world() -> World:
    return closed_bank.world(rows=64)


@pytest.fixture(scope="module")
def judged(world: World) -> Verdict:
    bench = world.bench(Rival(BOTH, REST), RIM, np.random.default_rng(3), angles=True)
    return decide(0, world.case(bench))  # type: ignore[return-value]


def wanted(verdict: Verdict, near: int = 32, rows: int = 96) -> Wanted:
    return Wanted(rows, near, verdict, 256)


def test_rows_are_draws_of_the_posteriors(world: World, judged: Verdict):
    rows = rows_near(world.bank, wanted(judged))
    assert len(rows) == 32
    draws = np.concatenate([one.draws[:, :-1] for one in judged.posteriors])
    assert all(any((row.u == draw).all() for draw in draws) for row in rows)
    numbers = [row.number for row in rows]
    assert numbers == list(range(100_064, 100_096))  # none of them a row of the priors


def test_what_seems_unlikely_gets_rows_too(world: World, judged: Verdict):
    """By the fourth root of its probability."""
    p = dict(zip(judged.rivals, judged.probabilities, strict=True))
    assert min(p.values()) < 0.02
    rows = rows_near(world.bank, wanted(judged, near=256, rows=320))
    shared = p[judged.rivals[0]] ** 0.25 / sum(one**0.25 for one in p.values())
    first = {tuple(u) for u in judged.posteriors[0].draws[:, :-1]}
    assert sum(tuple(row.u) in first for row in rows) == pytest.approx(256 * shared, abs=1)


def test_the_same_rows_again_and_others_in_the_next_round(world: World, judged: Verdict):
    def places(rows: list[Row]) -> list[str]:
        return [row.place for row in rows]

    first = places(rows_near(world.bank, wanted(judged)))
    assert first == places(rows_near(world.bank, wanted(judged)))
    assert not set(first) & set(places(rows_near(world.bank, wanted(judged, rows=128))))
    assert rows_near(world.bank, wanted(judged, near=0, rows=64)) == []
    assert rows_near(world.bank, Wanted(64, 0, None, 256)) == []


def test_liquids_are_made_up_as_the_explanation_has_it(world: World, judged: Verdict):
    alike = {
        one
        for rival in judged.rivals
        for one in (world.bank.setting.makeup(rival, name) for name in world.bank.setting.liquids)
    }
    for row in rows_near(world.bank, wanted(judged)):
        assert len(row.makeups) == 1  # both broths are of one class
        assert set(row.makeups) <= alike


def test_surfaces_come_nearer_where_the_truth_lies(world: World):
    """Twice as near on the whole, at the rim of the priors, with a third as many rows again; the
    truth is the closed form (Washburn 1921)."""
    rival = Rival(BOTH, REST)
    off = {"before": [], "after": []}
    per = PORES_M3 * 1000.0 / block_kg(world.scenario)
    for k, angle in enumerate((0.003, 0.99, 0.997)):
        u = np.array([0.5, angle, (0.04, 0.95)[k % 2], 0.3])
        bench = world.bench(rival, u, np.random.default_rng(k), angles=True)
        before = world.case(bench)
        rows = rows_near(world.bank, wanted(decide(0, before)))  # type: ignore[arg-type]
        after = world.grown(rows).case(bench)
        true = per * np.minimum(np.sqrt(WHEN / world.full_s(rival, "gum broth", u[None])[0]), 1)
        for name, case in (("before", before), ("after", after)):
            view = View(case.evidence(), rival, u[None])
            told = view.predicted("gum broth", bench.logs[1][1])
            off[name].append(float(np.sqrt(((told.level[0] / true - 1) ** 2).mean())))
    assert math.hypot(*off["after"]) < 0.5 * math.hypot(*off["before"])
