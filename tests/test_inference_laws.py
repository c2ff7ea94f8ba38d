"""Prior laws against scipy.stats (uniform, loguniform, truncnorm, and lognorm cut by hand)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from poresim.inference.laws import Lognormal, LogUniform, Normal, Uniform

U = np.linspace(0.0005, 0.9995, 401)
CUT = stats.truncnorm((10 - 45) / 15, (60 - 45) / 15, loc=45, scale=15)
FAR = stats.truncnorm(3.0, 4.5, loc=-2, scale=0.5)
PAIRS = [
    (Uniform(-2, 5), stats.uniform(-2, 7)),
    (LogUniform(1e-6, 3e-3), stats.loguniform(1e-6, 3e-3)),
    (Normal(45, 15), stats.norm(45, 15)),
    (Normal(45, 15, 10, 60), CUT),
    (Normal(-2, 0.5, -0.5, 0.25), FAR),
    (Lognormal(2e-5, 0.4), stats.lognorm(0.4, scale=2e-5)),
]


@pytest.mark.parametrize(("law", "reference"), PAIRS, ids=lambda one: type(one).__name__)
def test_a_law_agrees_with_scipy(law, reference):
    x = reference.ppf(U)
    np.testing.assert_allclose(law.quantile(U), x, rtol=1e-9, atol=1e-12 * np.ptp(x))
    np.testing.assert_allclose(law.density(x), reference.pdf(x), rtol=1e-9)
    np.testing.assert_allclose(law.log_density(x), reference.logpdf(x), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(law.cumulative(x), U, rtol=1e-8)


def test_a_cut_lognormal_is_the_exponential_of_a_cut_normal():
    law, logs = Lognormal(3.0, 0.7, 1.0, 8.0), Normal(math.log(3), 0.7, 0.0, math.log(8))
    x = law.quantile(U)
    np.testing.assert_allclose(x, np.exp(logs.quantile(U)), rtol=1e-12)
    np.testing.assert_allclose(law.density(x), logs.density(np.log(x)) / x, rtol=1e-12)
    np.testing.assert_allclose(law.cumulative(x), U, rtol=1e-9)


@pytest.mark.parametrize("law", [law for law, _ in PAIRS] + [Lognormal(3.0, 0.7, 1.0, 8.0)])
def test_ends_are_the_bounds_and_nothing_lies_outside(law):
    ends = law.quantile([0.0, 1.0])  # to rounding, and never outside
    np.testing.assert_allclose(ends, [law.least, law.greatest], rtol=1e-14)
    assert ends[0] >= law.least and ends[1] <= law.greatest
    for beyond in (np.nextafter(law.least, -np.inf), np.nextafter(law.greatest, np.inf)):
        if math.isfinite(beyond):
            assert law.density(beyond) == 0 and law.log_density(beyond) == -math.inf
    assert law.quantile(np.full((2, 3), 0.5)).shape == (2, 3)
    assert law.cumulative(law.quantile([0.2, 0.7])) == pytest.approx([0.2, 0.7])


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Uniform(2, 2), "least must lie below greatest, both finite, got 2 and 2"),
        (lambda: Uniform(0, math.inf), "both finite"),
        (lambda: Uniform(math.nan, 1), "both finite"),
        (lambda: LogUniform(0, 2), "needs least above 0, got 0"),
        (lambda: Normal(0, 0), "sd must be above 0 and finite, got 0"),
        (lambda: Normal(math.inf, 1), "finite mean"),
        (lambda: Normal(0, 1, 3, 2), "least must lie below greatest, got 3 and 2"),
        (lambda: Normal(0, 1, 9, 10), "less than a millionth of this law"),
        (lambda: Normal(0, 1, math.nan, 10), "least must lie below greatest"),
        (lambda: Lognormal(-1, 1), "median above 0, got -1"),
        (lambda: Lognormal(1, math.nan), "log_sd must be above 0"),
        (lambda: Lognormal(1, 1, -2), "least of 0 or more, got -2"),
    ],
)
def test_nonsense_is_refused(make, said):
    with pytest.raises(ValueError, match=said):
        make()


def test_labels_say_the_law():
    assert Uniform(10, 60).label("deg") == "10 to 60 deg"
    assert LogUniform(1, 100).label("um") == "1 to 100 um, even in the logarithm"
    assert Normal(45, 5).label("deg") == "45 ± 5 deg"
    assert Normal(45, 5, 0, 90).label("deg") == "45 ± 5 deg, 0 to 90"
    assert Normal(1, 0.1, least=0).label() == "1 ± 0.1, at least 0"
    assert Normal(1, 0.1, greatest=2).label() == "1 ± 0.1, at most 2"
    assert Lognormal(20, 0.5).label("um") == "20 um, within a factor 1.65"
