"""The stored references, worked out again."""

from __future__ import annotations

import numpy as np
import pytest
from oracle_data import (
    DATA,
    DROPS,
    GAS,
    GENERAL,
    GRAINS,
    GRAPHS,
    LIFTS,
    RANDOM,
    SETS,
    gas_reference,
    general_reference,
    lift_reference,
    names_of,
    random_reference,
    reference,
    sitting_reference,
)
from oracle_graphs import random_graph

#: How far grain cases may differ, in steps twice as long (times of closings are the worst).
CARRIED = {"grains": 3e-6, "grains_waist": 1e-5, "grains_cake": 1e-4, "moving_grains": 2e-6}

#: Files that are not of what general_reference gives.
OTHERS = ("lifts", "drops", "gas")


def stored(name):
    return np.load(DATA / f"{name}.npz")


def same(found, names, data, key, rtol):
    for name, value in zip(names, found, strict=True):
        # times at a given uptake are read off a cubic between steps: coarser than events
        limit = 10 * rtol if name == "time_at" else rtol
        known = data[f"{key}/{name}"]
        least = limit * known.sum() if name in GRAINS[len(GENERAL) :] else 0.0  # of all classes
        np.testing.assert_allclose(value, known, rtol=limit, atol=least, err_msg=name)


@pytest.mark.parametrize("seed", [0, 1])
def test_stored_random_graphs(seed):
    small = sorted(range(GRAPHS), key=lambda s: len(random_graph(s).ends))[seed]
    same(random_reference(small), RANDOM, stored("random"), small, 1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(GRAPHS))
def test_all_stored_random_graphs(seed):
    # linear solves round differently on another processor: 1.02e-8 was seen in one tube of one
    same(random_reference(seed), RANDOM, stored("random"), seed, 3e-8)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "name"),
    [(f, n) for f, cases in SETS.items() if f not in OTHERS for n in cases()],
)
def test_stored_general_cases_do_not_depend_on_the_tolerance(file, name):
    """Recomputed ten times more loosely and with another start: the same to 2e-6.

    Where menisci start counts most where the liquid thins most: one is the same to 4e-6 (and to
    3e-8 with the same start and a tolerance of 1e-8). Grains, in steps twice as long and ten times
    more loosely carried and solved, bring more.
    """
    case = SETS[file]()[name]
    more = {"tolerance": 1e-6}
    if case.grains is not None:
        more = {"tolerance": 1e-7, "longest": 0.08, "carries": 1e-5}
    found = general_reference(case, start=3e-7, **more)
    limit = 6e-6 if name == "law_power_waist" else 2e-6
    if case.grains is not None:
        limit = CARRIED[name]
    same(found, names_of(case), stored(file), name, limit)


QUICK_LIFTS = ("lift_star",)


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=[pytest.mark.slow] * (name not in QUICK_LIFTS))
        for name in SETS["lifts"]()
    ],
)
def test_stored_lifts_do_not_depend_on_the_tolerance(name):
    """A hundred times more loosely, another start: volumes to 4e-6 of a tube, times to 1e-5."""
    case, data = SETS["lifts"]()[name], stored("lifts")
    found = dict(zip(LIFTS, lift_reference(case, tolerance=1e-6, start=3e-7), strict=True))
    known = {key: data[f"{name}/{key}"] for key in LIFTS}
    for key in ("time", "full", "dry"):
        np.testing.assert_array_equal(found[key], known[key], err_msg=key)
    for key in ("filled_at", "wetted_at", "opened_at"):
        np.testing.assert_allclose(found[key], known[key], rtol=1e-5, err_msg=key)
    off = np.abs(found["volume"] - known["volume"]) / case.graph.volume
    assert off.max() < 4e-6
    scale = 2 * case.fluid.gamma / case.graph.radius.min()
    np.testing.assert_allclose(found["pressure"], known["pressure"], rtol=0, atol=2e-6 * scale)


@pytest.mark.slow
@pytest.mark.parametrize("name", SETS["drops"]())
def test_stored_drops_do_not_depend_on_the_tolerance(name):
    """A hundred times more loosely, another start: volumes to 4e-6 of a tube, times to 1e-5."""
    case, data = SETS["drops"]()[name], stored("drops")
    found = dict(zip(DROPS, sitting_reference(case, tolerance=1e-6, start=3e-7), strict=True))
    known = {key: data[f"{name}/{key}"] for key in DROPS}
    for key in ("time", "dry"):
        np.testing.assert_array_equal(found[key], known[key], err_msg=key)
    for key in ("filled_at", "wetted_at"):
        np.testing.assert_allclose(found[key], known[key], rtol=1e-5, err_msg=key)
    assert (np.abs(found["volume"] - known["volume"]) / case.graph.volume).max() < 4e-6
    np.testing.assert_allclose(found["left"], known["left"], rtol=0, atol=1e-6 * case.drop)


QUICK_GAS = ("gas_block",)


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=[pytest.mark.slow] * (n not in QUICK_GAS)) for n in SETS["gas"]()],
)
def test_stored_trapped_air_does_not_depend_on_the_tolerance(name):
    """A hundred times more loosely: volumes to 3e-6 of a tube, times to 3e-6, p V to 1e-6."""
    case, data = SETS["gas"]()[name], stored("gas")
    found = dict(zip(GAS, gas_reference(case, tolerance=1e-6), strict=True))
    known = {key: data[f"{name}/{key}"] for key in GAS}
    np.testing.assert_array_equal(found["full"], known["full"])
    for key in ("filled_at", "state_time"):
        np.testing.assert_allclose(found[key], known[key], rtol=3e-6, err_msg=key)
    off = np.abs(found["gas_volume"] - known["gas_volume"]) / case.graph.volume
    assert off.max() < 3e-6
    scale = 2 * case.fluid.gamma / case.graph.radius.min()
    for key in ("pressure", "gas_pressure"):
        np.testing.assert_allclose(found[key], known[key], atol=3e-6 * scale, err_msg=key)
    most = known["gas_pv"].max()
    for key in ("gas_pv", "lost_pv"):
        assert found[key][-1] == pytest.approx(known[key][-1], abs=1e-6 * most)


@pytest.mark.slow
@pytest.mark.parametrize("side", [8, 12])
def test_stored_lattices(side):
    fresh, data = reference(side), stored(f"lattice_{side}")
    for key in ("radius", "filled_at", "time_at"):
        np.testing.assert_allclose(fresh[key], data[key], rtol=1e-8, err_msg=key)
