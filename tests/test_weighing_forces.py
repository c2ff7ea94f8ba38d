"""Snap forces weighed, against closed forms and plain sums over prior draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, multivariate_normal

from poresim.record.layout import RecordError
from poresim.scenario.reading import parse_scenario
from poresim.tables.courses import SnapForces
from poresim.why.weighing.bench import Bench, bench_of
from poresim.why.weighing.case import decide
from poresim.why.weighing.forces import Forces, forces_of, log_likelihood, lost
from poresim.why.weighing.joint import Missed
from poresim.why.weighing.likelihood import Predicted
from tests import closed_bank
from tests.closed_bank import COSTS, SCENARIO, SOLIDS, World
from tests.test_weighing import said

Floats = np.ndarray

# ---- what was read


def test_forces_are_compared_with_those_of_dry_pieces():
    read = SnapForces(np.array([0.0, 0.0, 30.0, 30.0, 60.0]), np.array([10.0, 14.0, 6.0, 7.0, 2.0]))
    found = forces_of(read)
    np.testing.assert_array_equal(found.when, [30, 60])
    np.testing.assert_array_equal(found.place, [0, 0, 1])
    np.testing.assert_allclose(found.left, [0.5, 7 / 12, 1 / 6])
    assert found.dry == 2


def test_scatter_of_strength_is_that_of_dry_pieces_and_of_what_is_usual():
    """Squares of both over their numbers: 15 % counts as four pieces."""
    rng = np.random.default_rng(0)
    one = SnapForces(np.array([0.0, 9.0]), np.array([10.0, 5.0]))
    assert forces_of(one).scatter == pytest.approx(0.15)
    force = np.append(10 * np.exp(0.05 * rng.standard_normal(400)), 5.0)
    many = SnapForces(np.append(np.zeros(400), 9.0), force)
    assert forces_of(many).scatter == pytest.approx(0.05, rel=0.1)


@pytest.mark.parametrize(
    ("time", "force", "wrong"),
    [
        ([1.0, 2.0], [3.0, 4.0], "no piece was broken dry"),
        ([0.0, 0.0], [3.0, 4.0], "no piece was broken after a soak"),
        ([0.0, 5.0], [0.0, 4.0], "a dry piece has no force"),
    ],
)
def test_forces_that_cannot_be_compared(time: list[float], force: list[float], wrong: str):
    with pytest.raises(ValueError, match=wrong):
        forces_of(SnapForces(np.array(time), np.array(force)))


SNAPPED = """
[[measured]]
liquid = "gum broth"
uptake = "gum.csv"
[[measured]]
liquid = "gum broth"
snap_force = "snap.csv"
"""
SOFTENS = """
[softening]
wall_s = 1
dry_strength_kPa = 200
midpoint = 0.3
width = 0.05
span_mm = 0.8
"""


@pytest.mark.parametrize(
    ("text", "rows", "wrong"),
    [
        (SNAPPED, "0,10\n1,5\n", "nothing says how walls soften; give .softening."),
        (SOFTENS + SNAPPED, "1,5\n2,4\n", "snap forces of 'gum broth': no piece was broken dry"),
    ],
)
def test_forces_that_cannot_be_weighed_are_said_in_a_line(tmp_path, text, rows, wrong):
    (tmp_path / "gum.csv").write_text("time_s,mass_g\n0,9\n0.1,9.5\n0.2,9.7\n0.4,10\n")
    (tmp_path / "snap.csv").write_text("time_s,force_N\n" + rows)
    (tmp_path / "two.toml").write_text(SCENARIO + text)
    scenario = parse_scenario(SCENARIO + text, tmp_path / "two.toml")
    with pytest.raises(RecordError, match=wrong) as caught:
        bench_of(scenario, 0.1)
    assert "\n" not in str(caught.value)


def test_of_a_filmed_drop_the_first_angle_is_weighed_and_the_rest_is_said(tmp_path):
    (tmp_path / "gum.csv").write_text("time_s,mass_g\n0,9\n0.1,9.5\n0.2,9.7\n0.4,10\n")
    (tmp_path / "snap.csv").write_text("time_s,angle_deg,sd_deg\n0,52,1.5\n1,47,1.5\n")
    text = SCENARIO + SNAPPED.replace("snap_force", "angle")
    found = bench_of(parse_scenario(text, tmp_path / "two.toml"), 0.1)
    assert [(one.angle_deg, one.sd_deg) for one in found.angles] == [(52, 1.5)]
    assert found.unused == ["later angles of the drop of gum broth"]


# ---- how likely


def test_a_soak_loses_its_share_of_the_dry_force():
    full = closed_bank.outcome(2.0)
    found = lost(full)
    np.testing.assert_allclose(
        found.curves["saturation"], COSTS * full.curves["saturation"], atol=1e-12
    )


def test_pieces_are_solids_of_their_own_over_one_dry_mean():
    """All readings of two liquids in one normal vector (scipy)."""
    rng = np.random.default_rng(1)
    n, m = 3, 2
    place = [np.array([0, 0, 1]), np.array([1, 0])]
    told, read = [], []
    for one in place:
        root = rng.standard_normal((n, m, m))
        own = 1e-3 * (root @ root.transpose(0, 2, 1) + np.eye(m))
        level, spread = rng.uniform(0.2, 0.7, (n, m)), 0.03 * rng.standard_normal((n, m, 4))
        told.append(Predicted(level, own, (Missed(spread, np.zeros((n, 1))),)))
        read.append(Forces(np.array([1.0, 2.0]), one, rng.uniform(0.3, 0.8, len(one)), 0.12, 3))
    density, chance = log_likelihood(read, told)
    for i in range(n):
        left = [1 - t.level[i][p] for t, p in zip(told, place, strict=True)]
        misses = np.concatenate([t.misses[0].lost[i][p] for t, p in zip(told, place, strict=True)])
        whole = misses @ misses.T  # at one place of one surface: the same misfit
        start = 0
        for t, p, level in zip(told, place, left, strict=True):
            some = slice(start, start + len(p))
            whole[some, some] += 0.12**2 / 3 * np.outer(level, level)
            whole[some, some] += np.diag(np.diag(t.own[i])[p] + (0.12 * level) ** 2)
            start += len(p)
        data = np.concatenate([one.left for one in read])
        law = multivariate_normal(np.concatenate(left), whole)
        assert density[i] == pytest.approx(law.logpdf(data), rel=1e-9)
        off = data - law.mean
        assert chance[i] == pytest.approx(chi2.sf(off @ np.linalg.solve(whole, off), 5), rel=1e-6)


def oracle(world: World, bench: Bench, count: int = 40_000) -> dict[str, float]:
    """Probabilities by sums over prior draws of the closed form, by the forces alone."""
    u = np.random.default_rng(5).random((count, len(world.bank.setting.unknowns) + 1))
    level = {}
    for rival in world.bank.setting.rivals:
        likely = np.zeros(count)
        for liquid, forces in bench.forces:
            full_s = world.full_s(rival, liquid, u)
            share = np.minimum(np.sqrt(forces.when / full_s[:, None]), 1)
            mean = (1 - COSTS * share)[:, forces.place]
            slope = (np.where(share < 1, 0.5 * COSTS * share, 0.0) * SOLIDS)[:, forces.place]
            own = (forces.scatter * mean) ** 2 + slope**2 + 1e-4
            whole = own[:, :, None] * np.eye(len(forces.left))
            whole += forces.scatter**2 / forces.dry * mean[:, :, None] * mean[:, None, :]
            off = forces.left - mean
            likely -= np.einsum("ni,nij,nj->n", off, np.linalg.inv(whole), off) / 2
            likely -= np.linalg.slogdet(2 * np.pi * whole)[1] / 2
        top = likely.max()
        level[rival.name] = top + math.log(np.exp(likely - top).mean())
    top = max(level.values())
    whole_sum = sum(math.exp(value - top) for value in level.values())
    return {name: math.exp(value - top) / whole_sum for name, value in level.items()}


def test_probabilities_by_forces_are_those_of_plain_sums():
    """Within 0.06: pieces differ in strength by more than surfaces miss."""
    rng = np.random.default_rng(2)
    world = closed_bank.world(rows=256, forces=True)
    told = []
    for k, rival in enumerate(world.bank.setting.rivals):
        bench = world.broken(rival, rng.uniform(0.2, 0.8, 4), rng)
        verdict = decide(0, world.case(bench, seed=k))
        found, true = said(verdict), oracle(world, bench)
        for name, p in true.items():
            assert found[name] == pytest.approx(p, abs=0.06), (rival.name, found, true)
        told.append(max(true.values()))
        assert "snap forces of gum broth" in [one.what for one in verdict.fits]
        assert verdict.fits_data
    assert max(told) > 0.5  # and they say something


def test_forces_that_no_soak_leaves_are_a_misfit():
    rng = np.random.default_rng(3)
    world = closed_bank.world(rows=128, forces=True)
    bench = world.broken(world.bank.setting.rivals[0], np.full(4, 0.5), rng)
    (name, one), *rest = bench.forces
    odd = Forces(one.when, one.place, one.left + 0.9, one.scatter, one.dry)
    verdict = decide(0, world.case(Bench(bench.logs, [], [], [(name, odd), *rest]), particles=128))
    assert not verdict.fits_data
