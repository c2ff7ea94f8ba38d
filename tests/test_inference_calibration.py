"""Calibration: forecasts right by construction pass, overconfident ones fail.

Simulation-based calibration (Talts et al. 2018) of the whole chain on the conjugate normal: prior
N(0, 4), noise 1, the posterior by tempering; a wrong noise must fail.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from poresim.inference.calibration import calibration, ranks, uniformity
from poresim.inference.laws import Normal
from poresim.inference.temper import temper

PRIOR = Normal(0.0, 2.0)


def forecasts(n, k, seed, sharper=1.0):
    """Truths drawn from Dirichlet forecasts; what is told is p^sharper, made of sum 1."""
    rng = np.random.default_rng(seed)
    p = rng.dirichlet(np.full(k, 0.6), n)
    truth = (np.cumsum(p, axis=1) < rng.random((n, 1))).sum(axis=1)
    told = p**sharper
    return told / told.sum(axis=1, keepdims=True), truth


def chain(runs, noise=1.0, particles=256, count=99):
    """Ranks of truths whose data have noise 1, in posteriors that suppose ``noise``."""
    rng = np.random.default_rng(11)
    found = []
    for run in range(runs):
        u = rng.random(1)
        data = PRIOR.quantile(u)[0] + rng.standard_normal()

        def log_likelihood(tried, data=data):
            error = (data - PRIOR.quantile(tried[:, 0])) / noise
            return -(error**2) / 2 - math.log(noise)

        posterior = temper(log_likelihood, 1, np.random.SeedSequence(5, spawn_key=(run,)),
                           particles=particles)  # fmt: skip
        found.append(ranks(u, posterior.draws, posterior.weights, count, seed=run)[0])
    return np.array(found)


def test_right_forecasts_pass():
    held = [calibration(*forecasts(400, 4, seed), seed=seed).holds for seed in range(12)]
    assert sum(held) >= 8  # three checks of 95 to 99 % each


def test_overconfident_and_timid_forecasts_fail():
    for sharper in (2.0, 0.5):
        found = calibration(*forecasts(400, 4, 1, sharper))
        assert not found.holds
        assert found.top_label > 2 * found.top_label_by_chance
        assert abs(found.first - found.confidence) > 4 * found.first_sd
        assert (found.first < found.confidence) == (sharper > 1)
        outside = (found.bins.observed < found.bins.low) | (found.bins.observed > found.bins.high)
        assert outside.sum() >= 4


def test_figures_by_hand():
    """Five cases of two classes, two bins: all figures from the definitions."""
    p = np.array([[0.9, 0.1], [0.8, 0.2], [0.3, 0.7], [0.6, 0.4], [1.0, 0.0]])
    found = calibration(p, [0, 1, 1, 0, 0], bins=2)
    assert found.bins.counts.tolist() == [5, 5]
    assert found.bins.forecast == pytest.approx([0.2, 0.8])
    assert found.bins.observed == pytest.approx([0.2, 0.8])
    # every highest probability lies in the upper bin: |4/5 - 0.8|
    assert found.top_label == pytest.approx(0)
    # class 0: below 0.5 one case, 0.3 that did not come; above, 3 of 4 came of 3.3
    assert found.per_class == pytest.approx((0.3 + 0.3) / 5)
    assert found.first == found.confidence == pytest.approx(0.8)
    variance = 0.09 + 0.16 + 0.21 + 0.24
    assert found.first_sd == pytest.approx(math.sqrt(variance) / 5)
    assert found.bins.low[1] == stats.binom.ppf(0.025, 5, 0.8) / 5
    assert found.cases == 5 and found.bins.edges.tolist() == [0, 0.5, 1]


def test_bands_hold_what_they_say():
    """Of right forecasts 95 % of the bins' shares lie in their bands; binomials are discrete."""
    inside, all_ = 0, 0
    for seed in range(15):
        bins = calibration(*forecasts(300, 3, seed)).bins
        full = bins.counts > 0
        within = (bins.observed >= bins.low) & (bins.observed <= bins.high)
        inside, all_ = inside + int(within[full].sum()), all_ + int(full.sum())
    assert 0.93 < inside / all_ < 0.99


def test_empty_bins_are_nan():
    bins = calibration([[1.0, 0.0]] * 3, [0, 0, 0], bins=4).bins
    assert bins.counts.tolist() == [3, 0, 0, 3]
    assert np.isnan(bins.observed[1:3]).all() and np.isnan(bins.low[1:3]).all()


def test_the_truth_ranks_evenly_among_draws_of_its_own_posterior():
    found = chain(200)
    assert found.min() >= 0 and found.max() <= 99
    assert uniformity(found, 99) > 0.01
    assert uniformity(chain(200, noise=0.5), 99) < 1e-3


@pytest.mark.slow
def test_simulation_based_calibration_of_a_thousand_runs():
    """Uniform by p > 0.01; noise taken for 0.8 or 1.25 of what it is must fail."""
    assert uniformity(chain(1000, particles=1024), 99) > 0.01
    assert uniformity(chain(1000, noise=0.8), 99) < 0.01
    assert uniformity(chain(1000, noise=1.25), 99) < 0.01


def test_ranks_of_weighted_draws():
    """Half of the weight lies below the truth, though but a tenth of the draws do."""
    draws = np.concatenate([np.full(10, -1.0), np.full(90, 1.0)])[:, None]
    weights = np.concatenate([np.full(10, 0.05), np.full(90, 0.5 / 90)])
    assert ranks([0.0], draws, weights, 40, seed=0)[0] == pytest.approx(20, abs=1)
    tied = [ranks([0.0], np.zeros((50, 1)), np.ones(50), 9, seed=s)[0] for s in range(400)]
    assert stats.chisquare(np.bincount(tied, minlength=10)).pvalue > 1e-3


def test_uniformity_against_scipy():
    rng = np.random.default_rng(0)
    found = rng.integers(0, 100, 2000)
    counts = np.histogram(found, bins=20, range=(0, 100))[0]
    assert uniformity(found, 99) == pytest.approx(stats.chisquare(counts).pvalue, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: calibration([[0.5, 0.5]], [0, 1]), r"got \(1, 2\) and \(2,\)"),
        (lambda: calibration([[0.5, 0.6]], [0]), "sum 1 in each case"),
        (lambda: calibration([[1.5, -0.5]], [0]), "0 or more"),
        (lambda: calibration([[0.5, 0.5]], [2]), "whole numbers from 0 to 1"),
        (lambda: calibration([[0.5, 0.5]], [0.0]), "whole numbers from 0 to 1"),
        (lambda: calibration([[0.5, 0.5]], [0], bins=1), "two or more bins"),
        (lambda: ranks([0.0, 1.0], np.zeros((5, 1)), np.ones(5), 9, 0), r"got \(2,\), \(5, 1\)"),
        (lambda: uniformity([0] * 200, 100), "101 ranks, no multiple of 20 bins"),
        (lambda: uniformity([0] * 20, 99), "20 bins need 100 ranks"),
        (lambda: uniformity([100] * 200, 99), "from 0 to 99"),
    ],
)
def test_nonsense_is_refused(call, said):
    with pytest.raises(ValueError, match=said):
        call()
