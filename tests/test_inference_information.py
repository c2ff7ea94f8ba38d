"""Expected information against closed forms and quadrature.

Linear Gaussian: 1/2 ln det(I + S0 F'F / s^2) (Lindley 1956; Alexanderian 2022, arXiv 2212.11466).
Two explanations with normal readings: their mutual information by numerical integration.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.stats import qmc

from poresim.inference.information import expected_information

LN2 = math.log(2)


def prior(n, d, seed=0):
    """Standard normal draws, spread evenly."""
    u = qmc.Sobol(d, seed=seed).random_base2(int(math.log2(n)))
    return stats.norm.ppf(u)


def about_unknowns(theta, forward, sd, outer=4096, seed=1):
    """In nats; all of one explanation."""
    n, m = len(theta), len(forward)
    found = expected_information(
        np.ones(n), np.zeros(n, int), theta @ np.asarray(forward).T, sd**2 * np.eye(m), seed, outer
    )
    return found.unknowns * LN2, found.unknowns_sd * LN2, found


def binary(apart, sd=1.0, share=0.5):
    """I(E; y) in bits of two explanations that read N(0, sd) and N(apart, sd)."""

    def density(y, k):
        return stats.norm.pdf(y, apart * k, sd)

    def part(y, k):
        own = (share, 1 - share)[k] * density(y, k)
        whole = share * density(y, 0) + (1 - share) * density(y, 1)
        return own * math.log2(density(y, k) / whole) if own > 0 else 0.0

    ends = (-9 * sd + min(apart, 0), 9 * sd + max(apart, 0))
    return sum(integrate.quad(part, *ends, args=(k,), limit=200)[0] for k in (0, 1))


@pytest.mark.parametrize(
    ("ratio", "repeats", "nats"), [(9.0, 1, 1.151292546497), (1.0, 4, 0.804718956217)]
)
def test_scalar_linear_gaussian(ratio, repeats, nats):
    """Tolerance 0.02 nats, for nested Monte Carlo."""
    theta = prior(2048, 1)
    found, sd, _ = about_unknowns(theta, np.ones((repeats, 1)), 1 / math.sqrt(ratio))
    assert found == pytest.approx(nats, abs=0.02) and sd < 0.02


def test_vector_linear_gaussian():
    forward = np.array([[1.0, 0.5], [0.0, 2.0], [1.0, -1.0]])
    truth = np.linalg.slogdet(np.eye(2) + forward.T @ forward / 0.6**2)[1] / 2
    found, _, _ = about_unknowns(prior(4096, 2), forward, 0.6, 2048)
    assert found == pytest.approx(truth, abs=0.02)


def test_with_and_without_its_own_draw_bracket_the_truth_of_a_sharp_test():
    """Noise of a thousandth and 256 draws: ln 256 is all that draws can tell."""
    truth = 0.5 * math.log(1 + 1e6)
    _, _, found = about_unknowns(np.random.default_rng(0).standard_normal((256, 1)), [[1.0]], 1e-3)
    assert found.unknowns_low * LN2 <= math.log(256) + 1e-9 < truth < found.unknowns_high * LN2
    _, _, blunt = about_unknowns(prior(2048, 1), [[1.0]], 1.0)
    assert 0 <= blunt.unknowns_high - blunt.unknowns_low < 0.005


@pytest.mark.parametrize(("apart", "share"), [(0.5, 0.5), (1.5, 0.3), (6.0, 0.5)])
def test_two_explanations_that_say_all_by_themselves(apart, share):
    n = 512
    explanation = np.repeat([0, 1], n // 2)
    weights = np.where(explanation == 0, share, 1 - share)
    found = expected_information(
        weights, explanation, apart * explanation[:, None], [[1.0]], 0, 8192
    )
    assert found.explanation == pytest.approx(binary(apart, 1.0, share), abs=0.01)
    assert found.explanation == pytest.approx(
        binary(apart, 1.0, share), abs=4 * found.explanation_sd + 1e-4
    )
    entropy = -share * math.log2(share) - (1 - share) * math.log2(1 - share)
    assert found.explanation_most == pytest.approx(entropy)
    # nothing else is unknown: both informations are one
    assert found.unknowns == pytest.approx(found.explanation, abs=0.03)


def test_two_explanations_with_unknowns_of_their_own():
    """Readings N(0, 1 + 0.25) and N(2, 1 + 0.25): the unknowns' spread only blurs."""
    explanation = np.repeat([0, 1], 2048)
    mean = 2 * explanation + np.concatenate([prior(2048, 1, seed)[:, 0] for seed in (0, 1)])
    found = expected_information(np.ones(4096), explanation, mean[:, None], [[0.25]], 2, 4096)
    assert found.explanation == pytest.approx(binary(2.0, math.sqrt(1.25)), abs=0.02)
    assert found.unknowns > found.explanation


@pytest.mark.parametrize("m", [2, 12])
def test_a_test_that_reads_the_same_by_every_explanation_tells_nothing(m):
    """In 12 dimensions no draw is near another; as they are, they would tell 1.8 of 2 bits."""
    rng = np.random.default_rng(5)
    explanation = np.arange(2000) % 4
    mean, spread = rng.standard_normal((2000, m)), 0.2**2 * np.eye(m)
    found = expected_information(np.ones(2000), explanation, mean, spread, 1, 1024)
    assert 0 <= found.explanation < 0.03
    assert found.explanation_most == pytest.approx(2)
    assert found.widened > 0


def test_many_readings_tell_two_explanations_apart_as_far_as_they_can():
    """Twelve readings, unknowns in all; one differs, by 2 with sd 1.02: a bound from below."""
    rng = np.random.default_rng(6)
    explanation = np.repeat([0, 1], 2000)
    mean = rng.standard_normal((4000, 12))
    mean[:, 3] += 2 * explanation
    found = expected_information(np.ones(4000), explanation, mean, 0.04 * np.eye(12), 0, 1024)
    truth = binary(2.0, math.sqrt(1.04))
    assert 0.8 * truth < found.explanation < truth + 0.03 and found.widened == math.inf


def test_a_crooked_spread_is_told_by_widened_draws():
    """Readings on a ring by the one, within it by the other: normal laws of equal centres fail."""
    rng = np.random.default_rng(7)
    n = 1500
    turn, explanation = rng.uniform(0, 2 * math.pi, 2 * n), np.repeat([0, 1], n)
    far = np.where(explanation == 0, 3.0, 3.0 * np.sqrt(rng.random(2 * n)))
    mean = np.stack([far * np.cos(turn), far * np.sin(turn)], axis=1)
    found = expected_information(np.ones(2 * n), explanation, mean, 0.2**2 * np.eye(2), 0, 2048)

    def density(r, k):  # along a radius: the ring's width is small against its curve
        ring = stats.norm.pdf(r, 3, 0.2) / (2 * math.pi * 3)
        return ring if k == 0 else stats.norm.cdf((3 - r) / 0.2) / (math.pi * 9)

    def part(r, k):
        own, other = density(r, k), density(r, 1 - k)
        return 2 * math.pi * r * own / 2 * math.log2(2 * own / (own + other)) if own else 0.0

    truth = sum(integrate.quad(part, 1e-6, 5, args=(k,), limit=200)[0] for k in (0, 1))
    assert found.explanation == pytest.approx(truth, abs=0.05) and found.widened < 1


def test_a_covariance_for_each_draw():
    """Explanations that differ by scatter alone, N(0, 1) and N(0, 9), by quadrature."""
    explanation = np.arange(400) % 2
    spread = np.where(explanation == 0, 1.0, 9.0)[:, None, None]
    found = expected_information(np.ones(400), explanation, np.zeros((400, 1)), spread, 0, 8192)

    def part(y, sd):
        p, q = stats.norm.pdf(y, 0, 1) / 2, stats.norm.pdf(y, 0, 3) / 2
        own = stats.norm.pdf(y, 0, sd) / 2
        return own * math.log2(2 * own / (p + q)) if own > 0 else 0.0

    truth = sum(integrate.quad(part, -30, 30, args=(sd,), limit=200)[0] for sd in (1, 3))
    assert found.explanation == pytest.approx(truth, abs=0.01)
    same = expected_information(
        np.ones(400), explanation, np.zeros((400, 1)), np.ones((400, 1, 1)), 0, 512
    )
    shared = expected_information(np.ones(400), explanation, np.zeros((400, 1)), [[1.0]], 0, 512)
    assert same.explanation == pytest.approx(shared.explanation, abs=1e-12)


def test_outcomes_say_who_would_lead_and_how_surely():
    """Readings about 0 and about 3: each leads where it is nearer, right Phi(1.5) of the time."""
    explanation = np.repeat([0, 1, 2], 200)
    weights = np.repeat([0.5, 0.5, 0.0], 200)
    mean = 3.0 * explanation[:, None]
    found = expected_information(weights, explanation, mean, [[1.0]], 0, 8192)
    assert [one.leader for one in sorted(found.outcomes)] == [0, 1]
    assert sum(one.chance for one in found.outcomes) == pytest.approx(1)
    for one in found.outcomes:
        assert one.chance == pytest.approx(0.5, abs=0.02)
        assert one.probabilities[one.leader] == pytest.approx(stats.norm.cdf(1.5), abs=0.01)
        assert one.probabilities.sum() == pytest.approx(1)
    low, high = sorted(found.outcomes)
    assert low.reading[0] < 1.5 < high.reading[0] and 0.5 < low.reading_sd[0] < 1.1
    chances = [one.chance for one in found.outcomes]
    assert chances == sorted(chances, reverse=True)


def test_errors_are_honest():
    """Over 40 seeds the scatter is at most what is stated (evenly spread noise makes it less)."""
    explanation = np.arange(1000) % 2
    mean = (1.5 * explanation + np.tile(prior(512, 1)[:500, 0], 2))[:, None]
    found = [
        expected_information(np.ones(1000), explanation, mean, [[0.5]], s, 256) for s in range(40)
    ]
    scatter = np.std([one.explanation for one in found])
    stated = np.mean([one.explanation_sd for one in found])
    assert 0.2 * stated < scatter < 1.25 * stated
    again = expected_information(np.ones(1000), explanation, mean, [[0.5]], 0, 256)
    assert again.explanation == found[0].explanation != found[1].explanation


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"weights": np.ones(3)}, r"got \(3,\), \(4,\) and \(4, 2\)"),
        ({"covariance": np.eye(3)}, r"covariance must be \(N, 2, 2\) or \(2, 2\)"),
        ({"covariance": -np.eye(2)}, "positive definite"),
        ({"explanations": np.array([0, 1, -1, 0])}, "whole numbers from 0"),
        ({"explanations": np.array([0, 1, 0.5, 0])}, "whole numbers from 0"),
        ({"weights": np.array([1, -1, 1, 1.0])}, "0 or more"),
        ({"weights": np.array([0, 0, 0, 1.0])}, "two or more draws"),
        ({"mean": np.full((4, 2), np.nan)}, "finite"),
    ],
)
def test_nonsense_is_refused(asked, said):
    whole = {
        "weights": np.ones(4),
        "explanations": np.array([0, 1, 0, 1]),
        "mean": np.zeros((4, 2)),
        "covariance": np.eye(2),
        "seed": 0,
        **asked,
    }
    with pytest.raises(ValueError, match=said):
        expected_information(**whole)
