"""Evidence and posterior by tempering against closed forms.

Conjugate normal: textbook, figures from y = 2, noise 1, prior N(0, 4). Linear models with normal
priors: the evidence is a multivariate normal density of the data. Mixtures of narrow normals within
the cube: evidence 1. Slow: errors of the evidence over 200 seeds.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri

from poresim.inference.laws import Normal
from poresim.inference.temper import next_temperature, systematic, temper

PRIOR = Normal(0.0, 2.0)


def conjugate(u):
    return stats.norm.logpdf(2.0, PRIOR.quantile(u[:, 0]), 1.0)


def linear(dimensions, rows, noise=0.3, seed=1):
    """Data y = A x + noise with x standard normal: (log likelihood, log evidence, mean of x)."""
    rng = np.random.default_rng(seed)
    design = rng.standard_normal((rows, dimensions))
    data = 2 * rng.standard_normal(rows)
    spread = design @ design.T + noise**2 * np.eye(rows)
    truth = stats.multivariate_normal.logpdf(data, np.zeros(rows), spread)

    def log_likelihood(u):
        error = (data - ndtri(u) @ design.T) / noise
        return -(error**2).sum(axis=1) / 2 - rows * math.log(noise * math.sqrt(2 * math.pi))

    return log_likelihood, float(truth), design.T @ np.linalg.solve(spread, data)


def bimodal(dimensions, sd=0.02, low=0.25, at=(0.25, 0.8)):
    """Two normal humps within the cube; ``low`` of the posterior lies in the first."""
    level = -dimensions * math.log(sd * math.sqrt(2 * math.pi))

    def log_likelihood(u):
        humps = [-(((u - a) / sd) ** 2).sum(axis=1) / 2 + level for a in at]
        return np.logaddexp(math.log(low) + humps[0], math.log(1 - low) + humps[1])

    return log_likelihood


def held(results, truth, times=1.0):
    """How many 95 % intervals of the evidence hold the truth; ``times``: their sds are taken so."""
    inside = 0
    for one in results:
        t = stats.t.ppf(0.975, len(one.island_log_evidence) - 1)
        inside += abs(one.log_evidence - truth) < t * times * one.log_evidence_sd
    return inside


def test_conjugate_normal():
    found = temper(conjugate, 1, seed=0, particles=8192)
    x = PRIOR.quantile(found.draws[:, 0])
    mean = found.weights @ x
    assert found.log_evidence == pytest.approx(-2.123657489422, abs=0.02)
    assert mean == pytest.approx(1.6, abs=4 * math.sqrt(0.8 / found.effective))
    assert found.weights @ (x - mean) ** 2 == pytest.approx(0.8, rel=0.06)
    assert found.weights.sum() == pytest.approx(1) and len(found.draws) == 8192
    np.testing.assert_array_equal(found.log_likelihood, conjugate(found.draws))


def test_nothing_unknown_is_the_likelihood_itself():
    null = temper(lambda u: np.full(len(u), stats.norm.logpdf(2.0)), 0, seed=3)
    assert null.log_evidence == pytest.approx(-2.918938533205, abs=1e-12)
    assert null.log_evidence_sd == pytest.approx(0, abs=1e-12)
    assert null.draws.shape == (2048, 0)


def test_no_information_leaves_the_prior():
    flat = temper(lambda u: np.full(len(u), -3.25), 4, seed=1)
    assert flat.log_evidence == pytest.approx(-3.25, abs=1e-12)
    assert flat.log_evidence_sd == pytest.approx(0, abs=1e-12)
    for column in flat.draws.T:
        assert stats.kstest(column, "uniform").pvalue > 1e-3


def test_impossible_everywhere_is_said_by_the_evidence():
    none = temper(lambda u: np.full(len(u), -math.inf), 3, seed=1)
    assert none.log_evidence == -math.inf and none.effective == 0
    assert none.draws.shape == (0, 3) and none.weights.shape == (0,)


@pytest.mark.parametrize("possible", [0.3, 0.002])
def test_mostly_impossible(possible):
    """At 0.002 about a fifth of the islands begin without any draw: they count as 0."""
    found = temper(lambda u: np.where(u[:, 1] < possible, -1.0, -math.inf), 2, seed=5)
    error = found.log_evidence - (-1 + math.log(possible))
    assert abs(error) < 4 * found.log_evidence_sd < (0.2 if possible > 0.1 else 2.5)
    assert (found.draws[:, 1] < possible).all()
    assert np.isneginf(found.island_log_evidence).any() == (possible < 0.1)


def test_a_corner_that_one_island_finds():
    """The error says how little that is, and the draws fill the corner all the same."""
    found = temper(lambda u: np.where((u < 0.015).all(axis=1), 0.0, -math.inf), 2, seed=6)
    assert np.isfinite(found.island_log_evidence).sum() == 1
    assert found.log_evidence_sd == pytest.approx(1.0)
    for column in found.draws.T:
        assert stats.kstest(column[::3] / 0.015, "uniform").pvalue > 1e-3


def test_twelve_dimensions():
    log_likelihood, truth, mean = linear(12, 15)
    found = temper(log_likelihood, 12, seed=0)
    assert found.log_evidence == pytest.approx(truth, abs=4 * found.log_evidence_sd)
    assert found.log_evidence_sd < 0.25
    x = ndtri(found.draws)
    sd = math.sqrt(1 / found.effective)
    error = (found.weights @ x - mean) / x.std(axis=0)
    assert np.abs(error).max() < 5 * sd and found.effective > 500


def test_a_likelihood_ten_thousand_times_sharper_than_the_prior_in_each_of_ten():
    found = temper(lambda u: -(((u - 0.37) / 1e-4) ** 2).sum(axis=1) / 2, 10, seed=2)
    truth = 10 * math.log(1e-4 * math.sqrt(2 * math.pi))
    assert found.log_evidence == pytest.approx(truth, abs=4 * found.log_evidence_sd)
    assert found.log_evidence_sd < 0.4
    spread = found.draws.std(axis=0)
    np.testing.assert_allclose(spread, 1e-4, rtol=0.15)


def test_two_humps_keep_their_shares():
    found = temper(bimodal(4), 4, seed=0)
    assert found.log_evidence == pytest.approx(0, abs=4 * found.log_evidence_sd)
    assert found.weights @ (found.draws[:, 0] < 0.5) == pytest.approx(0.25, abs=0.05)


def test_errors_of_the_evidence_are_honest():
    """Fifty seeds: 95 % intervals hold the truth in 43 or more (binomial: 1 in 500 hold fewer).

    Negative controls: intervals a third as wide, and a truth 0.5 off.
    """
    log_likelihood, truth, _ = linear(5, 7)
    results = [temper(log_likelihood, 5, seed, particles=512) for seed in range(50)]
    assert held(results, truth) >= 43
    assert held(results, truth, times=1 / 3) < 40
    assert held(results, truth + 0.5) < 30
    errors = np.array([one.log_evidence - truth for one in results])
    assert abs(errors.mean()) < 4 * errors.std() / math.sqrt(50)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["linear", "edge", "bimodal"])
def test_errors_of_the_evidence_are_honest_in_many_dimensions(case):
    """200 seeds: 95 % intervals hold the truth in 176 or more (binomial: 1 in 5000 hold fewer)."""
    if case == "linear":
        log_likelihood, truth, _ = linear(12, 15)
        dimensions = 12
    elif case == "edge":  # the posterior lies in a corner of the cube
        dimensions, truth = 6, 6 * math.log(1e-3)
        log_likelihood = lambda u: -(u / 1e-3).sum(axis=1)  # noqa: E731
    else:
        log_likelihood, truth, dimensions = bimodal(6), 0.0, 6
    results = [temper(log_likelihood, dimensions, seed) for seed in range(200)]
    assert held(results, truth) >= 176
    errors = np.array([one.log_evidence - truth for one in results])
    assert abs(errors.mean()) < 4 * errors.std() / math.sqrt(200)


def test_effective_draws_are_those_that_the_mean_is_worth():
    """The mean's error over seeds, in units of what ``effective`` says, is about 1."""
    log_likelihood, _, mean = linear(3, 4)
    scores = []
    for seed in range(40):
        found = temper(log_likelihood, 3, seed, particles=512)
        x = ndtri(found.draws)
        scores.append((found.weights @ x - mean) / x.std(axis=0) * math.sqrt(found.effective))
    assert 0.7 < np.sqrt(np.mean(np.square(scores))) < 1.4


def test_the_same_seed_gives_the_same_answer_bit_for_bit():
    log_likelihood = bimodal(2)
    state = np.random.get_state()[1].copy()
    one, two, other = (temper(log_likelihood, 2, seed, particles=512) for seed in (7, 7, 0))
    np.testing.assert_array_equal(one.draws, two.draws)
    assert one.log_evidence == two.log_evidence and one.evaluations == two.evaluations
    assert other.log_evidence != one.log_evidence
    np.testing.assert_array_equal(np.random.get_state()[1], state)
    child = temper(log_likelihood, 2, np.random.SeedSequence(7, spawn_key=(1,)), particles=512)
    assert child.log_evidence != one.log_evidence


def test_what_it_counts():
    calls = []

    def counted(u):
        calls.append(len(u))
        return conjugate(u)

    found = temper(counted, 1, seed=0, particles=512)
    assert found.evaluations == sum(calls)
    assert found.temperatures[0] == 0 and found.temperatures[-1] == 1
    assert len(found.moves) == len(found.acceptance) == len(found.temperatures) - 1
    assert found.evaluations == 512 * (1 + found.moves.sum())
    assert found.resampled(100, seed=1).shape == (100, 1)


def test_a_temperature_leaves_the_asked_share():
    ll = -np.linspace(0, 100, 1000)
    t = next_temperature(np.append(ll, -math.inf), 0.0, 0.5)
    w = np.exp(t * ll)
    assert w.sum() ** 2 / (w**2).sum() == pytest.approx(500, rel=1e-6)
    assert next_temperature(ll / 1e4, 0.9, 0.5) == 1.0


def test_systematic_rows_are_rounded_shares():
    rng = np.random.default_rng(0)
    weights = np.array([0.5, 0.0, 0.13, 0.37])
    for _ in range(20):
        counts = np.bincount(systematic(weights, 10, rng), minlength=4)
        assert counts[0] == 5 and counts[1] == 0 and counts[2] in (1, 2) and counts[3] in (3, 4)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"dimensions": -1}, "dimensions must be 0 or more, got -1"),
        ({"islands": 1}, "two or more islands"),
        ({"particles": 100}, "islands of eight or more particles, got 16 of 100"),
        ({"keep": 1.0}, "keep must lie between 0 and 1"),
        ({"log_likelihood": lambda u: np.full(len(u), math.nan)}, "NaN or"),
        ({"log_likelihood": lambda u: np.full(len(u), math.inf)}, "NaN or"),
        ({"log_likelihood": lambda u: u}, r"gave shape \(2048, 2\) for 2048 rows"),
    ],
)
def test_nonsense_is_refused(asked, said):
    whole = {"log_likelihood": lambda u: -u[:, 0], "dimensions": 2, "seed": 0, **asked}
    with pytest.raises(ValueError, match=said):
        temper(**whole)
