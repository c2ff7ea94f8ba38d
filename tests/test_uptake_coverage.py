"""Weight logs of known parameters: 95 % intervals hold the truth in about 95 % of them.

The oracle is the simulation: A sqrt(t) until a plateau, a dry mass and a step that lie anywhere,
normal noise, readings rounded to whole steps. A and the plateau differ from log to log, or whole
steps would always fall on the same readings.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from poresim.bench.balance import Balance, errors, spread_of, step_of
from poresim.bench.repeats import interval, together
from poresim.bench.uptake import uptake_of
from poresim.bench.weighing import Weighing, gain_of

ONE_G, TENTH = 1e-3, 1e-4


def simulated(rng, slope, step, noise, every, last):
    time = np.arange(0, last + every / 2, every)
    full = 18e-3 * (1 + 0.02 * rng.standard_normal())
    mass = 0.1 + step * rng.random() + np.minimum(slope * np.sqrt(time), full)
    shown = step * np.round((mass + noise * rng.standard_normal(len(time))) / step)
    return uptake_of(gain_of(time, shown, Weighing())), full


def held(rng, logs, step, noise, every, repeats=1, between=0.0, last=400):
    """Shares of intervals that hold A, the log-log slope, plateau and knee; sd over true error."""
    inside, missing, errors_, sds = np.zeros(4), np.zeros(4), [], []
    for _ in range(logs):
        slope = 1.5e-3 * (1 + 0.2 * (rng.random() - 0.5))
        found = []
        for _ in range(repeats):
            own = slope * (1 + between * rng.standard_normal())
            one, full = simulated(rng, own, step, noise, every, last)
            found.append(one)
        knee = (full / own) ** 2
        for j, (figures, truth) in enumerate(
            (([u.slope for u in found], slope), ([u.power for u in found], 0.5),
             ([found[-1].plateau], full), ([found[-1].knee], knee))
        ):  # fmt: skip
            combined = together(figures)
            if combined is None:
                missing[j] += 1
                continue
            low, high = interval(combined)
            inside[j] += low <= truth <= high
            if j == 0:
                errors_.append(combined.value / truth - 1)
                sds.append(combined.sd / truth)
    assert np.all(missing <= 0.01 * logs), missing  # 1 g steps and few readings: R below 0.98
    return inside / (logs - missing), math.sqrt(
        np.mean(np.square(sds)) / np.mean(np.square(errors_))
    )


@pytest.mark.parametrize(("step", "noise", "every"), [(TENTH, 5e-5, 5), (ONE_G, 5e-5, 5)])
def test_intervals_of_one_log(step, noise, every):
    """120 logs: 95 % +- 2 sd of the count is 91 to 99 %. Errors of rounding have no tails, so that
    an interval of 2 sd holds them more often."""
    shares, sd = held(np.random.default_rng(1), 120, step, noise, every)
    assert np.all(shares >= 0.91), shares
    assert 0.85 < sd < 1.5


@pytest.mark.slow
@pytest.mark.parametrize("step", [TENTH, ONE_G])
@pytest.mark.parametrize("noise", [1e-5, 5e-5, 3e-4])
@pytest.mark.parametrize("every", [1, 5, 20])
def test_intervals_of_500_logs(step, noise, every):
    """95 % less 3 sd of a count of 500 is 92 %. With 1 g steps and readings every second 91 to 94 %
    of A were seen: 0.9 of the plateau, which is rounded too, then ends the straight part at places
    that are not independent of where steps fall; the sd is right all the same."""
    shares, sd = held(np.random.default_rng(7), 500, step, noise, every)
    print(step, noise, every, shares, sd)
    assert shares[0] >= (0.9 if (step, every) == (ONE_G, 1) else 0.92), shares
    assert np.all(shares[1:] >= 0.92), shares
    assert 0.85 < sd < 1.6


@pytest.mark.slow
@pytest.mark.parametrize("step", [TENTH, ONE_G])
@pytest.mark.parametrize("repeats", [2, 3])
@pytest.mark.parametrize("between", [0.0, 0.05, 0.15])
def test_intervals_of_repeats(step, repeats, between):
    """Between pieces that differ; with a few that do not the interval is wider than it need be."""
    shares, sd = held(np.random.default_rng(3), 500, step, 5e-5, 5, repeats, between, 1200)
    print(step, repeats, between, shares, sd)
    assert shares[0] >= 0.93 and shares[1] >= 0.93, shares
    if between == 0.15:
        assert shares[0] <= 0.985


def test_the_usual_error_is_far_off_on_a_staircase():
    """Negative control: 3000 readings on four steps of 1 g. The usual standard error supposes that
    neighbours stray independently, and is some 7 times too small; spread_of is not."""
    rng = np.random.default_rng(2)
    root = np.sqrt(np.linspace(1, 1000, 3000))
    fitted = 0.1e-3 * root
    jacobian = np.column_stack([root, np.ones(len(root))])
    balance = Balance(ONE_G, 1e-5)
    off = errors(fitted, balance, rng, 400) @ np.linalg.pinv(jacobian).T
    one = errors(fitted, balance, rng, 1)[0]
    one -= jacobian @ (np.linalg.pinv(jacobian) @ one)
    found = spread_of(jacobian, fitted, one, ONE_G)
    assert found.sd[0] == pytest.approx(off[:, 0].std(), rel=0.15)
    usual = math.sqrt(one @ one / 2998 * np.linalg.inv(jacobian.T @ jacobian)[0, 0])
    assert usual < 0.25 * off[:, 0].std()


def test_scatter_that_lasts_raises_the_error():
    """A slow wave below the readings: the sd is raised; of independent noise in 1 of 20 logs."""
    rng = np.random.default_rng(4)
    root = np.linspace(1, 10, 200)
    jacobian = np.column_stack([root, np.ones(200)])
    project = jacobian @ np.linalg.pinv(jacobian)
    raised = 0
    for _ in range(100):
        noise = 1e-4 * rng.standard_normal(200)
        raised += spread_of(jacobian, 1e-3 * root, noise - project @ noise, 1e-6).enlarged > 1
    assert raised <= 9
    wave = 1e-4 * (np.sin(3 * root) + 0.3 * rng.standard_normal(200))
    assert spread_of(jacobian, 1e-3 * root, wave - project @ wave, 1e-6).enlarged > 2


@pytest.mark.parametrize(
    ("step", "mass"),
    [
        (0.1, [20.0, 20.1, 20.3, 20.4, 21.0, 22.2]),
        (1.0, [20, 21, 22, 24, 27]),
        (0.5, [0, 0.5, 1.5, 2, 2.5, 3.5, 4, 5, 5.5, 7, 8.5]),
        (2.0, [100, 102, 104, 108, 110, 112, 118, 120, 126, 130]),
        (0.0, [1.0, 1.0]),
        (0.1, [20.0, 20.2, 20.4]),  # too few to say that it is 0.2
    ],
)
def test_the_step_of_a_balance(step, mass):
    assert step_of(np.array(mass, float)) == pytest.approx(step, rel=1e-12)
