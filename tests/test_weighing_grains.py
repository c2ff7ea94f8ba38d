"""Liquids with grains, and tails of what is foretold, against laws they were drawn from."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from poresim.inference.normals import log_densities
from poresim.scenario.reading import parse_scenario
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import UniformWaist
from poresim.why.weighing.bank import inputs_of
from poresim.why.weighing.bench import Log
from poresim.why.weighing.features import LEVELS, filled_at, times_until
from poresim.why.weighing.filled import by_odds, by_times
from poresim.why.weighing.joint import Missed
from poresim.why.weighing.learnt import Learnt, Runs, learn, pace_of, telling, told_by
from poresim.why.weighing.likelihood import Predicted, log_likelihood, predict, tails_from
from poresim.why.weighing.rivals import Makeup
from poresim.why.weighing.tables import OPENING, THROAT, tables_of
from poresim.why.weighing.tails import NORMAL, Tails, tails_of
from tests import closed_bank
from tests.test_weighing import four, washburn

Floats = np.ndarray

# ---- tails


@pytest.mark.parametrize("repeats", [1, 3])
def test_readings_of_a_log_are_as_of_a_t_law(repeats: int):
    """Density and chance of a log against scipy's multivariate t and F laws."""
    rng = np.random.default_rng(repeats)
    m, tails = 4, Tails(1.7, 6.0)
    root, lost = rng.standard_normal((2, m, m))
    own, missed = root @ root.T + 0.1 * np.eye(m), lost @ lost.T
    level = rng.standard_normal(m)
    told = Predicted(level[None, :], own[None], (Missed(lost[None], np.zeros((1, 1))),), tails)
    log = Log(np.arange(1.0, m + 1), rng.standard_normal((repeats, m)), np.zeros(m))
    density, chance = log_likelihood([log], [told])
    whole = np.kron(np.eye(repeats), own) + np.kron(np.ones((repeats, repeats)), missed)
    law = stats.multivariate_t(np.tile(level, repeats), 1.7 * whole, df=6)
    off = log.uptake.ravel() - np.tile(level, repeats)
    assert density[0] == pytest.approx(law.logpdf(log.uptake.ravel()), rel=1e-10)
    square = off @ np.linalg.solve(1.7 * whole, off) / off.size
    assert chance[0] == pytest.approx(stats.f.sf(square, off.size, 6), rel=1e-9)


def test_one_reading_is_as_of_students_law():
    scores = np.array([-3.0, 0.0, 0.4, 2.0])
    found = Tails(2.0, 5.0).below(scores)
    np.testing.assert_allclose(found, stats.t.cdf(scores, 5, scale=math.sqrt(2)), rtol=1e-12)
    assert Tails(2.0, 5.0).variance == pytest.approx(stats.t.var(5, scale=math.sqrt(2)))
    np.testing.assert_allclose(NORMAL.below(scores), stats.norm.cdf(scores), rtol=1e-12)


@pytest.mark.parametrize("tails", [Tails(2.0, 6.0), Tails(0.7, math.inf)])
def test_draws_of_the_factor_make_the_law(tails: Tails):
    rng = np.random.default_rng(3)
    drawn = np.array([tails.factor(rng) for _ in range(4000)]) * rng.standard_normal(4000)
    assert drawn.var() == pytest.approx(tails.variance, rel=0.15)
    assert stats.kstest(drawn, tails.below).pvalue > 0.01


@pytest.mark.parametrize(("widened", "freedom"), [(1.0, 4.0), (1.5, 8.0), (0.8, math.inf)])
def test_tails_are_those_of_the_law_that_readings_were_drawn_from(widened: float, freedom: float):
    rng = np.random.default_rng(0)
    count = 6
    factor = (
        1.0
        if math.isinf(freedom)
        else stats.chi2.rvs(freedom, size=4000, random_state=rng) / freedom
    )
    squares = widened * stats.chi2.rvs(count, size=4000, random_state=rng) / factor
    found = tails_of(squares, count)
    assert found.widened == pytest.approx(widened, rel=0.1)
    if freedom < 100:
        assert found.freedom == pytest.approx(freedom, rel=0.3)
    else:
        assert found.freedom >= 50


@pytest.mark.parametrize("freedom", [3.0, math.inf])
def test_tails_come_from_runs_that_are_left_out(freedom: float):
    """Soaks whose ln(times) scatter as multivariate t, or normally; the balance hardly errs."""
    rng = np.random.default_rng(7)
    n, until = 400, 4.0
    inputs = rng.uniform(-1, 1, (n, 2))
    factor = np.ones(n) if math.isinf(freedom) else rng.chisquare(freedom, n) / freedom
    steps = np.linspace(-1, 1, len(LEVELS)) ** np.arange(4)[:, None]
    scatter = rng.standard_normal((n, 4)) @ (0.05 * steps) / np.sqrt(factor)[:, None]
    times = (inputs @ [0.3, 0.2])[:, None] + 2 * np.log(LEVELS) + scatter
    features = np.hstack([times, np.full((n, 1), math.log(1e-9))])
    filled = by_times(times, times_until(until), 0.0).share
    runs = Runs(inputs, features, np.arange(n), filled, np.full(n, 1000.0), until)
    when = np.array([0.1, 0.2, 0.3, 0.45])
    found = tails_from(when, np.full(4, 1e-4), learn(runs, 0.0), runs, 1e-5)
    if freedom < 10:
        assert found.freedom <= 5
    else:
        assert found.freedom >= 20 and found.widened == pytest.approx(1, abs=0.25)


# ---- curves that are kept


@pytest.mark.parametrize("until", [1e9, 1.0])
def test_curves_are_kept_as_they_were(until: float):
    soak = washburn(2.0, until)
    when = times_until(min(until, 4.0))
    expected = np.minimum(np.sqrt(when / 2.0), 1.0)
    np.testing.assert_allclose(filled_at(soak, when), expected, atol=2e-4)


# ---- liquids with grains


UNTIL = 100.0


def plugged(rng: np.random.Generator, n: int) -> tuple[Runs, Runs]:
    """Runs without grains (ln time = size, scatter 0.1) and with: beyond a threshold of the third
    input these stop at a share that scatters, and hardly go on."""
    inputs = rng.uniform(-1, 1, (n, 3))
    volume = np.full((n, 1), math.log(1e-9))
    own = inputs[:, :1] + 0.1 * rng.standard_normal((n, 1))
    times = own + 2 * np.log(LEVELS)
    filled = by_times(times, times_until(UNTIL), 0.0).share
    stops = np.minimum(np.exp(-1.5 * np.maximum(inputs[:, 2], 0)), 1.0)
    held = (
        filled
        * np.where(inputs[:, 2] > 0, stops * np.exp(0.15 * rng.standard_normal(n)), 1.0)[:, None]
    )
    kept = np.sqrt(times_until(UNTIL))
    late = [np.interp(LEVELS, *np.unique(np.stack([row, kept]), axis=1), right=1e3) for row in held]
    rows, density = np.arange(n), np.full(n, 1000.0)
    plain = Runs(inputs[:, :2], np.hstack([times, volume]), rows, filled, density, UNTIL)
    slow = np.hstack([2 * np.log(np.maximum(late, 1e-3)), volume])
    return plain, Runs(inputs, slow, rows, held, density, UNTIL)


def test_curves_come_back_from_what_grains_hold_up():
    """Up to what straight lines between nodes miss of a root of time that comes to an end."""
    plain, laden = plugged(np.random.default_rng(2), 120)
    known = learn(plain, 0.0)
    free = known.middle(laden.inputs)
    when = np.array([0.05, 0.2, 1.0, 3.0, 20.0])
    true = laden.filled_at(np.broadcast_to(when, (120, 5)))
    part = by_odds(told_by(laden, known), pace_of(free), when).share
    found = by_times(free[:, :-1], when, 0.0).share * (1 - part)
    some = true < found.max(axis=1, keepdims=True)  # faster than the middle: none is held up
    assert some.mean() > 0.5
    assert np.abs(found - true)[some].mean() < 0.01


def test_where_grains_pass_scatter_is_that_of_solids():
    plain, laden = plugged(np.random.default_rng(2), 200)
    found = learn(laden, 0.0, learn(plain, 0.0))
    places = np.random.default_rng(3).uniform(-1, 1, (200, 3)) * [1, 1, 0.4] - [0, 0, 0.55]
    told = found.read(places)
    when = np.array([0.2])
    none = np.ones(len(places))
    readings = predict(when, np.zeros(1), told, none, 0 * none)
    share = np.sqrt(0.2) * np.exp(-places[:, 0] / 2)
    some = share < 0.8
    level = readings.level[some, 0] / 1e-9
    np.testing.assert_allclose(level, share[some], rtol=0.1)
    sd = np.sqrt(readings.own[some, 0, 0] - 1e-8)  # 1e-8: the least of a balance
    assert np.median(sd / readings.level[some, 0]) == pytest.approx(0.05, rel=0.4)


def test_where_grains_pass_a_liquid_is_foretold_as_one_without():
    """Nearly all that it is then told by is the surface of liquids without grains."""
    plain, laden = plugged(np.random.default_rng(4), 200)
    known = learn(plain, 0.0)
    some = laden.inputs[:, 2] < -0.5
    when, per = np.array([0.1, 0.4]), np.full(int(some.sum()), 1e9)
    sizes = [
        predict(when, np.zeros(2), one.read(laden.inputs[some]), per, 0 * per)
        for one in (learn(laden, 0.0, known), known)
    ]
    off = np.abs(sizes[0].level / sizes[1].level - 1)
    assert np.median(off) < 0.02
    wide = np.sqrt(np.einsum("nii->ni", sizes[0].own) / np.einsum("nii->ni", sizes[1].own))
    assert 0.9 < np.median(wide) < 1.5


def test_runs_with_grains_are_foretold_better_by_what_is_held_up():
    """ln density of readings of fresh runs, against their curves told by times."""
    when = np.array([0.1, 0.4, 1.5, 6.0])

    def level(one: Learnt, fresh: Runs) -> float:
        per = np.full(len(fresh.rows), 1e9)
        told = predict(when, np.full(4, 0.01), one.read(fresh.inputs), per, 0 * per)
        true = fresh.filled_at(np.broadcast_to(when, (len(per), 4)))
        off = (true - told.level)[:, None, :]
        return float(log_densities(off, told.own + told.missed)[0].mean())

    gains = []
    for seed in range(3):
        plain, laden = plugged(np.random.default_rng(seed), 160)
        _, fresh = plugged(np.random.default_rng(100 + seed), 400)
        known = learn(plain, 0.0)
        gains.append(level(learn(laden, 0.0, known), fresh) - level(learn(laden, 0.0), fresh))
    assert np.mean(gains) > 0.3


@pytest.mark.parametrize("slope", [1.0, -3.0])
def test_an_input_that_is_another_counts_once(slope: float):
    rng = np.random.default_rng(1)
    one = rng.standard_normal((20, 2))
    inputs = np.stack([one[:, 0], np.full(20, 7.0), slope * one[:, 0] + 2, one[:, 1]], axis=1)
    np.testing.assert_array_equal(telling(inputs), [0, 3])


# ---- grains beside throats


def test_a_usual_throat_is_median_times_mean_waist():
    one = SolidSpec(
        size=(1e-3, 1e-3, 1e-3), radii=Lognormal(60e-6, 0.4), spacing=3e-4,
        waist=UniformWaist(0.1, 0.3),
    )  # fmt: skip
    assert one.middle_throat == pytest.approx(60e-6 * 0.2)


@pytest.mark.parametrize("waist", [1.0, 0.2])
def test_tubes_widen_by_their_half_opening(waist: float):
    """tan = (r - waist r) / (length / 2), of a lognormal law's lower quartile r."""
    radii = Lognormal(60e-6, 0.4)
    one = SolidSpec(size=(1e-3, 1e-3, 1e-3), radii=radii, spacing=3e-4, waist=waist)
    quartile = 60e-6 * math.exp(0.4 * stats.norm.ppf(0.25))
    assert math.tan(one.half_opening(3e-4)) == pytest.approx(quartile * (1 - waist) / 1.5e-4)


@pytest.mark.parametrize(("waist", "steeper"), [(1.0, 0.0), (0.5, math.atan(2 * 7.5 / 100))])
def test_the_pull_of_tubes_is_an_input(waist: float, steeper: float):
    """ln cos(angle + half-opening); straight tubes: Young's cosine."""
    text = four().text.replace("radius_um = 15", f"radius_um = 15, waist = {waist}")
    tables = tables_of(closed_bank.unknowns_of(parse_scenario(text)))
    told = tables.at(np.full((1, len(tables.unknowns)), 0.5))
    assert told[OPENING][0] == pytest.approx(math.degrees(steeper))
    found = inputs_of(Makeup(("clear broth",) * 5), told, np.zeros((1, 0)))[0]
    assert found[0] == pytest.approx(math.log(math.cos(math.radians(45) + steeper)), rel=1e-4)


def test_grains_go_in_by_their_size_over_that_of_throats():
    """Grains and tubes twice as wide: the same input; grains alone: larger by ln 2."""

    def size(tube: float, grain: float) -> float:
        scenario = four()
        text = scenario.text.replace("radius_um = 15", f"radius_um = {15 * tube}")
        text = text.replace("diameter_um = 9", f"diameter_um = {9 * grain}")
        tables = tables_of(closed_bank.unknowns_of(parse_scenario(text)))
        told = tables.at(np.full((1, len(tables.unknowns)), 0.5))
        assert told[THROAT][0] == pytest.approx(math.log(15e-6 * tube))
        one = Makeup(("spiced broth",) * 5)
        found = inputs_of(one, told, np.zeros((1, 0)))[0]
        return float(found[-2])

    assert size(1, 1) == pytest.approx(math.log(9 / 15))
    assert size(0.5, 0.5) == pytest.approx(size(1, 1))
    assert size(1, 2) == pytest.approx(size(1, 1) + math.log(2))
