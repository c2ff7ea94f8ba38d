"""Least squares against NIST StRD nonlinear regression problems, and profile intervals.

NIST/ITL Statistical Reference Datasets, nonlinear regression (public): data, starts, certified
parameters, their standard deviations and residual sums of squares. From memory, verified by the
certified residual sum of squares: a wrong digit in the data would miss all of its digits.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from poresim.bench.error import BenchError
from poresim.bench.nonlinear import covariance, interval, problem, profile, solve

MISRA_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
           75.47, 81.78]  # fmt: skip
MISRA_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1,
           689.1, 760.0]  # fmt: skip
CHWIRUT_Y = [92.9, 57.1, 31.05, 11.5875, 8.025, 63.6, 21.4, 14.25, 8.475, 63.8, 26.8, 16.4625,
             7.125, 67.3, 41.0, 21.15, 8.175, 81.5, 13.12, 59.9, 14.62, 32.9, 5.44, 12.56, 5.44,
             32.0, 13.95, 75.8, 20.0, 10.42, 59.5, 21.67, 8.55, 62.0, 20.2, 7.76, 3.75, 11.81,
             54.7, 23.7, 11.55, 61.3, 17.7, 8.74, 59.2, 16.3, 8.62, 81.0, 4.87, 14.62, 81.7,
             17.17, 81.3, 28.9]  # fmt: skip
CHWIRUT_X = [0.5, 1.0, 1.75, 3.75, 5.75, 0.875, 2.25, 3.25, 5.25, 0.75, 1.75, 2.75, 4.75, 0.625,
             1.25, 2.25, 4.25, 0.5, 3.0, 0.75, 3.0, 1.5, 6.0, 3.0, 6.0, 1.5, 3.0, 0.5, 2.0, 4.0,
             0.75, 2.0, 5.0, 0.75, 2.25, 3.75, 5.75, 3.0, 0.75, 2.5, 4.0, 0.75, 2.5, 4.0, 0.75,
             2.5, 4.0, 0.5, 6.0, 3.0, 0.5, 2.75, 0.5, 1.75]  # fmt: skip
#: name: x, y, law(b, x), two starts, certified b, sd, residual sum of squares.
STRD = {
    "Misra1a": (
        MISRA_X, MISRA_Y, lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
        [[500, 1e-4], [250, 5e-4]],
        [2.3894212918e02, 5.5015643181e-04], [2.7070075241e00, 7.2668688436e-06],
        1.2455138894e-01,
    ),
    "Misra1b": (
        MISRA_X, MISRA_Y, lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2.0),
        [[500, 1e-4], [300, 2e-4]],
        [3.3799746163e02, 3.9039091287e-04], [3.1643950207e00, 4.2547321834e-06],
        7.5464681533e-02,
    ),
    "Misra1c": (
        MISRA_X, MISRA_Y, lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
        [[500, 1e-4], [600, 2e-4]],
        [6.3642725809e02, 2.0813627256e-04], [4.6638326572e00, 1.7728423155e-06],
        4.0966836971e-02,
    ),
    "Misra1d": (
        MISRA_X, MISRA_Y, lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
        [[500, 1e-4], [450, 3e-4]],
        [4.3736970754e02, 3.0227324449e-04], [3.6489174345e00, 2.9334354479e-06],
        5.6419295283e-02,
    ),
    "Chwirut2": (
        CHWIRUT_X, CHWIRUT_Y, lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
        [[0.1, 0.01, 0.02], [0.15, 0.008, 0.010]],
        [1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02],
        [3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03],
        5.1304802941e02,
    ),
    "DanWood": (
        [1.309, 1.471, 1.490, 1.565, 1.611, 1.680], [2.138, 3.421, 3.597, 4.340, 4.882, 5.660],
        lambda b, x: b[0] * x ** b[1],
        [[1, 5], [0.7, 4]],
        [7.6886226176e-01, 3.8604055871e00], [1.8281973860e-02, 5.1726610913e-02],
        4.3173084083e-03,
    ),
    "BoxBOD": (
        [1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224],
        lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
        [[1, 1], [100, 0.75]],
        [2.1380940889e02, 5.4723748542e-01], [1.2354515176e01, 1.0455993237e-01],
        1.1680088766e03,
    ),
    "MGH09": (
        [4, 2, 1, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625],
        [0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246],
        lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
        [[25, 39, 41.5, 39], [0.25, 0.39, 0.415, 0.39]],
        [1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01],
        [1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02],
        3.0750560385e-04,
    ),
    "Rat42": (
        [9, 14, 21, 28, 42, 57, 63, 70, 79],
        [8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08],
        lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
        [[100, 1, 0.1], [75, 2.5, 0.07]],
        [7.2462237576e01, 2.6180768402e00, 6.7359200066e-02],
        [1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03],
        8.0565229338e00,
    ),
    "Rat43": (
        np.arange(1, 16),
        [16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93,
         699.56, 689.96, 637.56, 717.41],
        lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
        [[100, 10, 1, 1], [700, 5, 0.75, 1.3]],
        [6.9964151270e02, 5.2771253025e00, 7.5962938329e-01, 1.2792483859e00],
        [1.6302297817e01, 2.0828735829e00, 1.9566123451e-01, 6.8761936385e-01],
        8.7864049080e03,
    ),
    "MGH10": (
        np.arange(50, 126, 5),
        [34780, 28610, 23650, 19630, 16370, 13720, 11540, 9744, 8261, 7030, 6005, 5147, 4427, 3820,
         3307, 2872],
        lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
        [[2, 400000, 25000], [0.02, 4000, 250]],
        [5.6096364710e-03, 6.1813463463e03, 3.4522363462e02],
        [1.5687892471e-04, 2.3309021107e01, 7.8486103508e-01],
        8.7945855171e01,
    ),
}  # fmt: skip


def digits(found, certified):
    """How many digits agree: -log10 of the relative difference, the worst."""
    return float(np.min(-np.log10(np.abs(np.asarray(found) / certified - 1) + 1e-16)))


@pytest.mark.parametrize("name", STRD)
def test_certified_problems_of_nist(name):
    x, y, law, starts, certified, sds, squares = STRD[name]
    x, y = np.asarray(x, float), np.asarray(y, float)
    # data recalled rightly: at the certified parameters they have the certified squares
    assert digits(((y - law(np.array(certified), x)) ** 2).sum(), squares) > 9
    found = solve(problem(lambda b: law(b, x) - y, unknowns=len(certified)), starts)
    variance = found.squares / (len(x) - len(certified))
    sd = np.sqrt(variance * np.diag(covariance(found.jacobian)))
    got = digits(found.squares, squares), digits(found.x, certified), digits(sd, sds)
    assert found.settled
    assert got[0] > 9 and min(got[1:]) > 6


def straight(x, y, low=-np.inf, high=np.inf):
    return problem(lambda b: b[0] + b[1] * x - y, None, low, high, 2)


def test_a_straight_line_has_the_intervals_of_textbooks():
    """scipy.stats.linregress: slope, intercept, their sds; the profile is Student's, as it must be
    where the law is linear."""
    rng = np.random.default_rng(1)
    x = np.linspace(0, 3, 12)
    y = 2 + 0.5 * x + 0.1 * rng.normal(size=12)
    asked, said = straight(x, y), stats.linregress(x, y)
    found = solve(asked, [[0.0, 0.0]])
    variance = found.squares / 10
    sds = np.sqrt(variance * np.diag(covariance(found.jacobian)))
    np.testing.assert_allclose(found.x, [said.intercept, said.slope], rtol=1e-9)
    np.testing.assert_allclose(sds, [said.intercept_stderr, said.stderr], rtol=1e-7)
    t = stats.t.ppf(0.975, 10)
    for k in (0, 1):
        ends = interval(asked, found, k, t**2 * variance, 0.3 * sds[k])
        np.testing.assert_allclose(ends, found.x[k] + np.array([-t, t]) * sds[k], rtol=2e-4)


def test_the_profile_is_where_the_squares_have_risen():
    """Misra1a, both ends of both parameters: squares of the others' best fit, by another search."""
    from scipy.optimize import minimize_scalar

    x, y, law, starts, _, _, squares = STRD["Misra1a"]
    x, y = np.array(x), np.array(y)
    asked = problem(lambda b: law(b, x) - y, unknowns=2)
    found = solve(asked, starts)
    rise = stats.t.ppf(0.975, 12) ** 2 * squares / 12
    for end in interval(asked, found, 1, rise, 1e-5):
        # the scale is the mean of y against the shape, in closed form
        shape = 1 - np.exp(-end * x)
        left = y - shape * (shape @ y) / (shape @ shape)
        assert left @ left == pytest.approx(squares + rise, rel=1e-3 * rise / squares)
    for end in interval(asked, found, 0, rise, 1.0):
        best = minimize_scalar(
            lambda b, end=end: ((law([end, b], x) - y) ** 2).sum(),
            bounds=(4e-4, 8e-4),
            method="bounded",
            options={"xatol": 1e-13},
        )
        assert best.fun == pytest.approx(squares + rise, rel=1e-3 * rise / squares)


def test_what_the_data_do_not_determine_is_infinite():
    asked = problem(
        lambda b: (b[0] + b[1]) * np.arange(1.0, 6) - 2 * np.arange(1.0, 6), None, -9, 9, 2
    )
    found = solve(asked, [[0.5, 0.5]])
    assert np.all(np.isinf(np.diag(covariance(found.jacobian))))
    # only the sum is known, 2; where the other ends at 9, this one must at -7
    ends = interval(asked, found, 0, 1e-3, 0.1)
    assert ends == (pytest.approx(-7, abs=0.02), math.inf)
    soft = asked._replace(soft=(0, 1))
    assert interval(soft, found, 0, 1e-3, 0.1) == (-math.inf, math.inf)


def test_an_end_beyond_the_bounds_is_open():
    x = np.linspace(0, 3, 12)
    y = 2 + 0.5 * x + 0.1 * np.cos(7 * x)
    asked = straight(x, y, [-9, 0.49], [9, 9])
    found = solve(asked, [[1.0, 1.0]])
    low, high = interval(asked, found, 1, found.squares, 0.01)
    assert low == -math.inf and 0.5 < high < 1.0


def test_one_parameter_alone_has_a_profile():
    asked = problem(lambda b: np.array([1.0, 2.0]) * b[0] - [1.0, 2.0], unknowns=1)
    found = solve(asked, [[3.0]])
    assert profile(asked, found, 0, 2.0, found.x).squares == pytest.approx(5.0)


def test_starts_that_lead_nowhere():
    asked = problem(lambda b: np.array([math.nan, b[0]]), unknowns=1)
    with pytest.raises(BenchError, match="does not converge from any start"):
        solve(asked, [[1.0]])
