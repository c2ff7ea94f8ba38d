"""Repeats made one value: limits known in closed form, and intervals that hold what they say."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from poresim.bench.combine import combine
from poresim.bench.error import BenchError


def test_one_repeat_keeps_its_own_uncertainty():
    found = combine([3.0], [0.2])
    assert (found.value, found.sd, found.repeats) == (3.0, 0.2, 1) and math.isnan(found.between)
    assert found.half_width() == pytest.approx(1.959964 * 0.2, rel=1e-6)  # normal, two-sided 95 %


def test_repeats_without_own_uncertainty_give_the_mean_and_its_standard_error():
    values = np.array([4.1, 4.7, 3.9, 4.4])
    found = combine(values, np.zeros(4))
    assert found.value == pytest.approx(values.mean(), rel=1e-12)
    assert found.sd == pytest.approx(stats.sem(values), rel=1e-9)
    assert found.between == pytest.approx(values.std(ddof=1), rel=1e-9)
    interval = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert found.half_width() == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)


def test_repeats_that_agree_are_weighed_by_their_own():
    """Less scatter than their sds say: the weighted mean, 1/sd^2 (least squares)."""
    found = combine([10.0, 10.1], [0.5, 1.0])
    assert found.between == 0
    assert found.value == pytest.approx((10.0 * 4 + 10.1) / 5, rel=1e-12)
    assert found.sd == pytest.approx(math.sqrt(1 / 5), rel=1e-12)


def test_scatter_is_where_squares_come_to_their_number():
    """The equation that Paule & Mandel (1982) solve, by another root finder."""
    from scipy.optimize import brentq

    v, s = np.array([1.0, 2.0, 4.0, 2.5]), np.array([0.1, 0.5, 0.3, 0.2])

    def over(scatter):
        w = 1 / (s**2 + scatter**2)
        return w @ (v - w @ v / w.sum()) ** 2 - 3

    assert combine(v, s).between == pytest.approx(brentq(over, 1e-9, 10, xtol=1e-13), rel=1e-9)


@pytest.mark.parametrize(("repeats", "scatter"), [(3, 0.0), (3, 1.0), (3, 5.0), (6, 1.0)])
def test_intervals_hold_what_they_say(repeats, scatter):
    """2000 simulated benches: 95 % intervals hold the truth in 94 % or more (not much too often
    where scatter dominates)."""
    rng = np.random.default_rng(repeats)
    inside = 0
    for _ in range(2000):
        sds = rng.uniform(0.5, 1.5, repeats)
        values = rng.normal(7.0, np.hypot(sds, scatter))
        found = combine(values, sds)
        inside += abs(found.value - 7.0) <= found.half_width(0.95)
    assert inside >= 0.94 * 2000
    if scatter == 5.0:
        assert inside <= 0.97 * 2000


@pytest.mark.parametrize(
    ("values", "sds"), [([], []), ([1.0], [1.0, 2.0]), ([math.nan], [1.0]), ([1.0], [-1.0])]
)
def test_what_does_not_fit_is_refused(values, sds):
    with pytest.raises(BenchError):
        combine(values, sds)
