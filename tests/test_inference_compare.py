"""Probabilities from evidences: the conjugate normal against its null, and the delta method."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poresim.inference.compare import compare

# y = 2, noise 1: prior N(0, 4), and 0 for certain (textbook)
CONJUGATE, NULL = -2.123657489422, -2.918938533205


def test_conjugate_normal_against_its_null():
    found = compare([CONJUGATE, NULL], [0, 0])
    bayes = math.exp(2**2 / 2 * 4 / 5 - math.log(5) / 2)
    assert found.probabilities[0] == pytest.approx(bayes / (1 + bayes), rel=1e-9)
    assert found.probabilities.sum() == pytest.approx(1, abs=1e-15)
    assert found.sd == pytest.approx([0, 0], abs=1e-12) and found.leads_surely == 1
    assert found.log_odds == pytest.approx([0, NULL - CONJUGATE])
    mean = 0.5 * (math.exp(CONJUGATE) + math.exp(NULL))
    assert found.log_evidence == pytest.approx(math.log(mean), rel=1e-12)


def test_prior_weights_multiply_and_may_rule_out():
    found = compare([CONJUGATE, NULL, 5.0], [0, 0, 0], prior=[2, 6, 0])
    ratio = math.exp(CONJUGATE - NULL) / 3
    assert found.probabilities == pytest.approx([ratio / (1 + ratio), 1 / (1 + ratio), 0])
    assert found.log_odds[2] == -math.inf


def test_errors_by_the_delta_method():
    """Two explanations: sd P = P (1 - P) sqrt(s1^2 + s2^2) for small errors; t of 15 is wider."""
    found = compare([-1.0, -1.7], [0.03, 0.04], freedom=15)
    p = found.probabilities[0]
    expected = p * (1 - p) * 0.05 * math.sqrt(15 / 13)
    assert found.sd == pytest.approx([expected, expected], rel=0.03)
    assert found.leads_surely > 0.999


def test_large_errors_say_that_the_lead_is_unsure():
    found = compare([-10.0, -10.1], [2.0, 2.0])
    assert 0.4 < found.leads_surely < 0.6 and found.sd.min() > 0.25


def test_far_apart_evidences_neither_overflow_nor_vanish():
    found = compare([-5000.0, 3000.0, -math.inf], [0.1, 0.1, 0.0])
    assert found.probabilities == pytest.approx([0, 1, 0]) and np.isfinite(found.sd).all()
    assert found.log_evidence == pytest.approx(3000 - math.log(3))


def test_the_same_seed_gives_the_same_errors():
    one, two, other = (compare([-1, -2], [0.1, 0.2], seed=s).sd[0] for s in (0, 0, 1))
    assert one == two != other


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (([-1, -2], [0.1], None), "one evidence, one error and one prior weight an explanation"),
        (([-1, -2], [0.1, 0.1], [1]), "one evidence, one error and one prior weight"),
        (([], [], None), "got shapes"),
        (([math.nan, -2], [0.1, 0.1], None), "must be numbers or -inf"),
        (([-1, -2], [0.1, -0.1], None), "errors 0 or more"),
        (([-1, -2], [0.1, 0.1], [-1, 2]), "prior weights must be 0 or more"),
        (([-1, -2], [0.1, 0.1], [0, 0]), "not all 0"),
        (([-math.inf] * 2, [0, 0], None), "no explanation has any evidence"),
        (([-math.inf, -1], [0, 0], [1, 0]), "no explanation has any evidence"),
    ],
)
def test_nonsense_is_refused(asked, said):
    with pytest.raises(ValueError, match=said):
        compare(*asked)
