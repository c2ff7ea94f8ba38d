"""What further tests would tell, against integrals and closed forms, in a world of closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import entropy

from poresim.why.judge import block_kg
from poresim.why.weighing.evidence import APART, Evidence
from poresim.why.weighing.informing import Asked, drawn, inform, informations
from tests import closed_bank
from tests.closed_bank import SCENARIO, SOLIDS, World
from tests.planned_worlds import angle, before, bits, evidence, law, rival, weighing

CLEAR = "liquids.clear broth.contact_angle_deg"
GUM = "liquids.gum broth.contact_angle_deg"


@pytest.fixture(scope="module")
def world() -> World:
    return closed_bank.world(rows=256)


@pytest.fixture(scope="module")
def surfaces(world: World) -> Evidence:
    return evidence(world)


def integral(shares, densities: np.ndarray, step: float) -> float:
    """Bits: sum over E of p(E) int p(y | E) log2 p(y | E) / p(y) dy, on a grid."""
    whole = np.asarray(shares) @ densities
    ratio = np.where(densities > 0, densities / whole, 1.0)
    return float((np.asarray(shares)[:, None] * densities * np.log2(ratio)).sum() * step)


@pytest.mark.parametrize("share", [0.5, 0.15])
@pytest.mark.parametrize("sd_deg", [2.0, 10.0])
def test_an_angle_between_two_explanations_is_the_integral(
    world: World, surfaces: Evidence, share: float, sd_deg: float
):
    """The gum broth's angle is its own by one, the clear broth's by the other; laws of both are
    known, and so is the reading's: plain sums over a fine grid."""
    y = np.linspace(0, 120, 2401)
    u = (np.arange(4000) + 0.5) / 4000
    densities = []
    for key in (CLEAR, GUM):
        angles = law(world, key).quantile(u)
        bell = np.exp(-0.5 * ((y[:, None] - angles) / sd_deg) ** 2)
        densities.append(bell.mean(axis=1) / (sd_deg * math.sqrt(2 * math.pi)))
    expected = integral([1 - share, share], np.array(densities), y[1] - y[0])
    verdict = before(world, {"thickening": 1 - share, "wetting+thickening": share})
    (found,) = informations(surfaces, verdict, [angle("gum broth", sd_deg)], 0, outer=4096)
    # 400 draws of each: their own scatter about the laws is worth about 0.01 bit
    assert found.explanation == pytest.approx(expected, abs=3 * found.explanation_sd + 0.01)
    assert found.explanation_sd < 0.02
    assert expected < found.explanation_most
    wrong = integral([share, 1 - share], np.array(densities)[:, ::-1] ** 2, y[1] - y[0])
    assert abs(wrong - expected) > 0.05  # the comparison can fail


def test_one_angle_tells_of_the_unknowns_what_is_known_in_closed_form():
    """1/2 ln(1 + 6^2 / 2^2) = 1.151292546497 nats (Lindley 1956)."""
    wide = closed_bank.world(text=SCENARIO.replace("mean = 45, sd = 4", "mean = 45, sd = 6"))
    verdict = before(wide, {"thickening": 1.0})
    (found,) = informations(evidence(wide), verdict, [angle("clear broth", 2.0)], 0, outer=4096)
    assert found.unknowns == pytest.approx(
        bits(1.151292546497), abs=bits(0.02) + 2 * found.unknowns_sd
    )
    assert found.unknowns_low <= found.unknowns <= found.unknowns_high
    assert found.explanation == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("repeats", [1, 4])
def test_weighing_tells_of_the_unknowns_what_linear_theory_says(repeats: int):
    """1/2 ln det(I + S0 F'F / s^2) (Lindley 1956). Narrow priors make Washburn's law linear:
    ln tau = ln viscosity - ln cos(angle) + constant, u ~ tau^-1/2."""
    narrow = SCENARIO.replace("log_sd = 0.3", "log_sd = 0.15").replace("sd = 6", "sd = 1")
    world = closed_bank.world(rows=256, text=narrow.replace("mean = 62", "mean = 60"))
    apart, when = 0.003, np.array([0.1, 0.3, 0.6])
    verdict = before(world, {"wetting+thickening": 1.0}, apart)
    test = weighing("gum broth", when, repeats, step_g=1.0)
    (found,) = informations(evidence(world), verdict, [test], 0, outer=4096)
    middle = np.full((1, 4), 0.5)
    tau = world.full_s(rival(world, "wetting+thickening"), "gum broth", middle)[0]
    level = closed_bank.PORES_M3 * 1000.0 / block_kg(world.scenario) * np.sqrt(when / tau)
    # of ln tau: by viscosity, by angle (tan times radians), and the scatter of solids
    slopes = np.array([0.15, math.tan(math.radians(60)) * math.radians(1)])
    directions = -0.5 * level[:, None] * slopes
    errors = np.outer(level, level) * (SOLIDS**2 / 4 + apart**2) + np.diag(test.sd**2)
    signal = directions @ directions.T
    expected = 0.5 * np.linalg.slogdet(np.eye(3) + np.linalg.solve(errors / repeats, signal))[1]
    assert expected > 5 * 0.02
    assert found.unknowns == pytest.approx(bits(expected), abs=bits(0.02) + 2 * found.unknowns_sd)


def test_the_angle_that_differs_tells_and_the_other_hardly(world: World, surfaces: Evidence):
    """Wetting or thickening? The gum broth's angle says; the clear broth's says hardly anything."""
    verdict = before(world, {"wetting": 0.5, "thickening": 0.5})
    gum, clear = informations(
        surfaces, verdict, [angle("gum broth", 2.0), angle("clear broth", 2.0)], 0
    )
    assert gum.explanation > 0.5
    assert clear.explanation < 0.02 + 2 * clear.explanation_sd
    assert gum.explanation - clear.explanation > 5 * gum.explanation_sd
    by_reading = {one.leader: one.reading[0] for one in gum.outcomes}
    order = [one.name for one in verdict.rivals]
    assert by_reading[order.index("wetting")] > 55 > by_reading[order.index("thickening")]


def test_more_pieces_never_tell_less(world: World, surfaces: Evidence):
    verdict = before(world, {"wetting": 0.5, "thickening": 0.5})
    when = [0.2, 0.8]
    some = [weighing("gum broth", when, n, step_g=1.0) for n in (1, 3, 9, 30)]
    found = informations(surfaces, verdict, some, 0)
    for few, many in zip(found, found[1:], strict=False):
        assert many.explanation >= few.explanation - 2 * few.explanation_sd
        assert many.unknowns >= few.unknowns - 2 * few.unknowns_sd
    assert found[-1].unknowns > found[0].unknowns + 0.3


def test_draws_are_as_many_of_each_that_matters_and_weigh_as_it_is_likely(
    world: World, surfaces: Evidence
):
    verdict = before(world, {"wetting": 0.699995, "thickening": 0.3, "none": 5e-6})
    found = drawn(surfaces, verdict, 0, each=50)
    assert np.bincount(found.of).tolist() == [50, 50]
    assert_allclose(np.bincount(found.of, found.weights), [0.7, 0.3], atol=1e-5)
    mean, spread = found.reading(surfaces, weighing("gum broth", [0.2, 0.8]))
    assert mean.shape == (100, 2) and spread.shape == (100, 2, 2)


def reading(world: World, name: str, u: np.ndarray, test: Asked, rng) -> np.ndarray:
    """What the bench would read by the closed forms, which know nothing of surfaces."""
    true = rival(world, name)
    if test.when is None:
        wets = world.bank.setting.makeup(true, test.liquid).owner("wetting")
        angles = world.bank.tables.at(u[None, :-1])[wets, "wetting", "angle"]
        return angles + test.angle_sd_deg * rng.standard_normal(1)
    full_s = world.full_s(true, test.liquid, u[None, :])[0]
    apart = float(APART.quantile(u[-1:])[0])
    per = closed_bank.PORES_M3 * 1000.0 / block_kg(world.scenario)
    pieces = []
    for _ in range(test.repeats):
        own = full_s * math.exp(SOLIDS * rng.standard_normal())
        mass = per * np.minimum(np.sqrt(test.when / own), 1.0)
        noise = test.sd * rng.standard_normal(len(test.when))
        pieces.append(mass * math.exp(apart * rng.standard_normal()) + noise)
    return np.mean(pieces, axis=0)


def test_the_first_choice_leaves_less_doubt_than_the_median_one(world: World, surfaces: Evidence):
    """150 truths, read by the closed forms: Bayes' rule over the draws (scipy) leaves on average
    the entropy before less the information that was promised."""
    shares = {"wetting": 0.4, "thickening": 0.35, "wetting+thickening": 0.25}
    verdict = before(world, shares)
    some = [
        angle("gum broth", 2.0),
        weighing("gum broth", [0.2, 0.8]),
        angle("gum broth", 8.0),
        weighing("clear broth", [0.2, 0.8]),
        angle("clear broth", 2.0),
    ]
    told = informations(surfaces, verdict, some, 0)
    order = sorted(range(5), key=lambda k: -told[k].explanation)
    draws = drawn(surfaces, verdict, 1)
    left = {}
    for k in (order[0], order[2]):
        rng = np.random.default_rng(k)
        mean, spread = draws.reading(surfaces, some[k])
        entropies = []
        for _ in range(150):
            name = rng.choice(list(shares), p=list(shares.values()))
            y = reading(world, str(name), rng.random(4), some[k], rng)
            white = np.linalg.solve(np.linalg.cholesky(spread), (y - mean)[:, :, None])[:, :, 0]
            size = np.sqrt(np.linalg.det(spread))
            p = np.bincount(draws.of, draws.weights * np.exp(-0.5 * (white**2).sum(axis=1)) / size)
            entropies.append(entropy(p, base=2))
        left[k] = np.array(entropies)
        error = left[k].std() / math.sqrt(150)
        promised = told[k].explanation_most - told[k].explanation
        assert left[k].mean() == pytest.approx(promised, abs=3 * error + 0.02)
    first, median = left.values()
    error = math.hypot(first.std(), median.std()) / math.sqrt(150)
    assert first.mean() < median.mean() - 3 * error


def test_same_seed_same_numbers(world: World):
    bench = world.bench(
        rival(world, "thickening"), np.full(4, 0.5), np.random.default_rng(0), angles=False
    )
    case, verdict = world.case(bench), before(world, {"wetting": 0.5, "thickening": 0.5})
    asked = (case, verdict, [angle("gum broth", 2.0), weighing("gum broth", [0.4])])
    first, again = inform(0, asked), inform(3, asked)
    assert repr(first) == repr(again)
