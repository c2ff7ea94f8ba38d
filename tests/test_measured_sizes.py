"""Fits and figures of measured sizes: known laws recovered, and how often intervals hold them."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from drawn_sizes import (
    NOWHERE,
    OPENINGS,
    counts,
    coverage,
    intrusion,
    particles,
    shares,
    sieves,
)
from scipy import stats

from poresim.bench.error import BenchError
from poresim.bench.size_figures import Classes, figures_of_cells, figures_of_classes
from poresim.bench.size_fits import KINDS, fit_amounts, fit_counts, fit_sizes, spread_of
from poresim.bench.size_laws import moment_mean, quantile, share_between, theta_of
from poresim.bench.size_parts import parts_of
from poresim.bench.sizes import measure_sizes
from poresim.solid.sizes import Lognormal, Weibull
from poresim.tables.grain_sizes import SizeTable

GRAINS = {"lognormal": Lognormal(12e-6, 0.5), "weibull": Weibull(15e-6, 2.0)}
SIEVED = {"lognormal": Lognormal(250e-6, 0.5), "weibull": Weibull(300e-6, 2.0)}
#: Of 500 sets, 95 % intervals that are right hold the truth so often (3.6 sd of a binomial).
HOLDS = (0.915, 0.985)


def held(fit, truth, factor=1.0):
    """(2,) whether 95 % intervals hold the truth; factor : makes them narrower."""
    theta, sd = spread_of(fit)
    t = stats.t.ppf(0.975, fit.freedom) if np.isfinite(fit.freedom) else 1.96
    return np.abs(theta - theta_of(truth)) <= factor * t * sd


@pytest.mark.parametrize("kind", KINDS)
def test_counted_sizes_against_scipy(kind):
    """Maximum likelihood as scipy.stats finds it (its log_sd divides by n, ours by n - 1)."""
    size = GRAINS[kind].draw(np.random.default_rng(1), 80)
    law = fit_sizes(kind, size, np.ones(80)).law
    if kind == "lognormal":
        s, _, scale = stats.lognorm.fit(size, floc=0)
        assert law.median == pytest.approx(scale, rel=1e-6)
        assert law.log_sd == pytest.approx(s * np.sqrt(80 / 79), rel=1e-6)
    else:
        shape, _, scale = stats.weibull_min.fit(size, floc=0)
        assert (law.shape, law.scale) == pytest.approx((shape, scale), rel=1e-4)
    twice = fit_sizes(kind, size, np.full(80, 2.0)).law
    assert theta_of(twice) == pytest.approx(theta_of(law), abs=0.01)


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_of_counted_sizes_over_500_sets(kind):
    truth, rng = GRAINS[kind], np.random.default_rng(2)
    sets = [fit_sizes(kind, truth.draw(rng, 100), np.ones(100)) for _ in range(500)]
    seen = np.mean([held(fit, truth) for fit in sets], axis=0)
    assert np.all((HOLDS[0] <= seen) & (seen <= HOLDS[1])), seen
    # intervals half as wide must be seen not to hold it
    assert np.all(np.mean([held(fit, truth, 0.5) for fit in sets], axis=0) < 0.8)


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_of_counts_in_classes(kind):
    """Censored: sizes are known to a class. Of 60 sets, 3.6 sd below 0.95 is 0.85."""
    truth, rng = GRAINS[kind], np.random.default_rng(3)
    sets = []
    for _ in range(60):
        table = counts(truth, rng)
        sets.append(fit_counts(kind, table.lower, table.upper, table.amount))
    assert np.all(np.mean([held(fit, truth) for fit in sets], axis=0) >= 0.85)
    assert np.all(np.mean([held(fit, truth, 0.4) for fit in sets], axis=0) < 0.8)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("known", [True, False])
def test_intervals_of_sieves_over_many_sets(kind, known):
    """Weighing noise of 0.05 % of the charge, known or found from the scatter."""
    truth, rng = SIEVED[kind], np.random.default_rng(4)
    sets = []
    for _ in range(80):
        table = sieves(truth, rng, sd=5e-5)
        sd = 5e-5 if known else 1e-9
        sets.append(fit_amounts(kind, table.lower, table.upper, table.amount, sd, known=known))
    seen = np.mean([held(fit, truth) for fit in sets], axis=0)
    assert np.all(seen >= 0.86), seen  # 3.6 sd below 0.95 in 80 sets
    assert np.all(np.mean([held(fit, truth, 0.4) for fit in sets], axis=0) < 0.8)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("power", [0.0, 2.0])
def test_exact_amounts_give_the_law_back(kind, power):
    truth = SIEVED[kind]
    upper = np.append(OPENINGS[1:], np.inf)
    amount = 0.1 * share_between(truth, OPENINGS, upper, power)
    fit = fit_amounts(kind, OPENINGS, upper, amount, 1e-12, power)
    np.testing.assert_allclose(theta_of(fit.law), theta_of(truth), atol=1e-6)
    assert fit.largest < 1e-6


def test_too_little_for_a_law():
    lower, upper = np.array([0.0, 1e-4, 2e-4]), np.array([1e-4, 2e-4, 4e-4])
    with pytest.raises(BenchError, match="2 classes hold anything; a law needs at least 3"):
        fit_amounts("lognormal", lower, upper, np.array([1.0, 1.0, 0.0]), 0.01)
    with pytest.raises(BenchError, match="1 class holds anything"):
        fit_counts("weibull", lower, upper, np.array([9.0, 0.0, 0.0]))
    with pytest.raises(BenchError, match="all particles are of one size"):
        fit_sizes("weibull", np.full(9, 1e-5), np.ones(9))


@pytest.mark.parametrize("kind", KINDS)
def test_figures_of_narrow_classes_are_those_of_the_law(kind):
    """Percentiles, d32 and d43 by volume against closed forms; by number where they exist."""
    law = GRAINS[kind]
    edges = np.geomspace(0.05e-6, 400e-6, 4001)
    amount = share_between(law, edges[:-1], edges[1:])
    got = figures_of_cells(edges, amount, 0.0, 3.0)
    p = [0.1, 0.5, 0.9]
    np.testing.assert_allclose(got[:3], quantile(law, p, 3.0), rtol=1e-4)
    assert got[3] == pytest.approx(moment_mean(law, 3, 2), rel=1e-4)
    assert got[4] == pytest.approx(moment_mean(law, 4, 3), rel=1e-4)
    assert got[5] == pytest.approx((got[2] - got[0]) / got[1], rel=1e-12)
    np.testing.assert_allclose(got[6:], quantile(law, p), rtol=1e-4)


def test_percentiles_lie_straight_against_ln_size():
    """By hand: 20 % below 100 um, 60 % below 200: d50 = 100 * 2^(30 / 40)."""
    edges = np.array([50.0, 100, 200, 400]) * 1e-6
    classes = Classes(edges[:-1], edges[1:], np.array([20.0, 40, 40]), 3.0, 3.0)
    figures = figures_of_classes(classes, np.zeros(3), [])
    assert figures["d50"].value == pytest.approx(100e-6 * 2**0.75, rel=1e-9)
    assert figures["d10"].value == pytest.approx(50e-6 * 2**0.5, rel=1e-9)
    assert figures["d90"].value == pytest.approx(200e-6 * 2**0.75, rel=1e-9)
    # even in ln(size) within a class: the mean of 1 / d is (1/a - 1/b) / ln(b / a)
    inverse = (1 / edges[:-1] - 1 / edges[1:]) / np.log(2)
    assert figures["sauter"].value == pytest.approx(
        100 / (np.array([20, 40, 40]) @ inverse), rel=1e-3
    )


def test_error_of_a_weighing_reaches_the_percentiles():
    """By hand: 1 g of 100 more in a class moves d50 along the straight line."""
    edges = np.array([50.0, 100, 200, 400]) * 1e-6
    classes = Classes(edges[:-1], edges[1:], np.array([20.0, 40, 40]), 3.0, 3.0)
    figures = figures_of_classes(classes, np.full(3, 1.0), [])
    # C(100) = 0.2, d50 where C = 0.5: dC/dm_i = (1 or 0, less C) / 100, slope 0.4 per ln 2
    parts = np.array([1 - 0.5, 0.75 - 0.5, 0 - 0.5]) / 100
    by_hand = np.sqrt((parts**2).sum()) / (0.4 / np.log(2)) * figures["d50"].value
    assert figures["d50"].sd == pytest.approx(by_hand, rel=1e-2)


def test_one_law_describes_the_sizes_and_the_other_does_not():
    rng = np.random.default_rng(6)
    for kind, law in SIEVED.items():
        found = measure_sizes([sieves(law, rng)])
        assert found.fits[0].kind == kind and found.fits[0].close
        assert found.fits[1].largest > 4 * found.fits[0].largest


def test_repeats_become_one_value_and_share_what_classes_hide():
    rng = np.random.default_rng(7)
    tables = [sieves(SIEVED["weibull"], rng) for _ in range(4)]
    one, four = measure_sizes(tables[:1]), measure_sizes(tables)
    assert four.figures["d50"].repeats == 4
    mean = np.mean([measure_sizes([t]).figures["d50"].value for t in tables])
    assert four.figures["d50"].value == pytest.approx(mean, rel=1e-3)
    hidden = one.files[0].figures["d10"].hidden
    assert four.figures["d10"].sd > 0.9 * hidden  # no number of repeats makes it less
    assert four.fits[0].parts[0].sd < one.fits[0].parts[0].sd
    assert abs(four.fits[0].law.scale / 300e-6 - 1) < 0.01


def test_volume_turned_to_number_warns_of_the_finest_class():
    found = measure_sizes([sieves(SIEVED["weibull"], np.random.default_rng(8))])
    assert any("figures by number hinge on it" in text for text in found.said)
    assert found.figures["number_d50"].sd > found.figures["number_d50"].value


def test_percentile_in_the_pan_is_taken_from_the_law():
    law = Lognormal(80e-6, 0.5)
    found = measure_sizes([sieves(law, np.random.default_rng(9), sd=1e-7)])
    assert found.figures["d10"].value == pytest.approx(float(quantile(law, 0.1)), rel=0.01)
    assert any("d10 lies below the finest size, 63 um" in text for text in found.said)


def test_few_particles_are_said_to_be_few():
    found = measure_sizes([particles(GRAINS["lognormal"], np.random.default_rng(1), count=40)])
    assert any("40 particles are few for figures by volume" in text for text in found.said)


def test_kinds_do_not_mix():
    rng = np.random.default_rng(1)
    tables = [sieves(SIEVED["weibull"], rng), particles(GRAINS["weibull"], rng)]
    with pytest.raises(BenchError, match="a list of particles and a sieve stack; repeats are of"):
        measure_sizes(tables)
    with pytest.raises(BenchError, match="holds no sieve stack; a weighing error is for sieves"):
        measure_sizes(tables[1:], 1e-5)


def test_parts_keep_the_distribution():
    """A mixture of even parts has the shares of the classes, put together to 20 at most."""
    edges = np.geomspace(1e-6, 1e-3, 61)
    amount = np.sin(np.linspace(0, 9, 60)) ** 2 + 0.01
    table = SizeTable(NOWHERE, "shares", edges[:-1], edges[1:], amount / amount.sum(), 1e-6)
    found = measure_sizes([table])
    assert not found.fits[0].close
    parts, share = parts_of(found.files[0], 3.0)
    assert len(share) == 20 and share.sum() == pytest.approx(1)
    np.testing.assert_allclose(share, (amount / amount.sum()).reshape(20, 3).sum(axis=1), rtol=1e-6)
    np.testing.assert_allclose(parts, edges[::3], rtol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "make, laws, power, least",
    [
        (partial(particles, count=200), GRAINS, 3.0, 0.90),
        (counts, GRAINS, 3.0, 0.90),
        (sieves, SIEVED, 0.0, 0.90),
        (partial(sieves, sd=5e-5), SIEVED, 0.0, 0.90),
    ],
    ids=["list", "counts", "sieves read to 0.1 g", "sieves with noise"],
)
def test_intervals_over_500_sets(make, laws, power, least, kind):
    """Parameters hold what they say; figures, which rest on classes or few pieces, not much less.

    ``least`` : of figures.
    """
    seen = coverage(make, laws[kind], power, sets=500)
    assert np.all(seen["parameters"] >= HOLDS[0]), seen
    assert np.all(seen["parameters"] <= HOLDS[1]), seen
    assert min(seen["figures"].values()) >= least, seen
    assert np.all(np.abs(seen["bias"]) < 0.02), seen
    assert seen["better"] > 0.97, seen
    if kind == "lognormal" and power:
        assert seen["volume_median"] >= HOLDS[0], seen


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("make, power", [(shares, 0.0), (intrusion, 2.0)])
def test_curves_of_instruments_over_200_sets(make, power, kind):
    """Errors that go with the amount: of 200 sets, 3.6 sd below 0.95 is 0.895."""
    seen = coverage(make, GRAINS[kind], power, sets=200)
    assert np.all(seen["parameters"] >= 0.89), seen
    assert min(seen["figures"].values()) >= 0.89, seen
    assert seen["better"] == 1.0


def test_a_law_that_puts_much_beyond_the_classes_does_not_describe_them():
    """Residuals are those of the whole law, as it would stand in a scenario."""
    law = Lognormal(250e-6, 0.5)
    edges = np.geomspace(150e-6, 1000e-6, 21)  # 15 % of the law lies below
    amount = share_between(law, edges[:-1], edges[1:])
    fit = fit_amounts("lognormal", edges[:-1], edges[1:], amount, 1e-9)
    np.testing.assert_allclose(theta_of(fit.law), theta_of(law), atol=1e-6)
    assert fit.largest == pytest.approx(float(1 - law.share_above(150e-6)), abs=2e-3)
