"""Walls that swell: a chain of tubes against its own equations, and what scenarios say of it.

Random graphs stand in test_soak_oracle (the oracle's swelling cases).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from small import run_here

import poresim as ps
from poresim.scenario.reading import parse_scenario
from poresim.softening.moisture import wall_moisture
from poresim.solid.swelling import MOST_NARROWING

RADIUS, LENGTH, TENSION, ANGLE = 10e-6, 1e-3, 0.05, 60.0
PULL = 2 * TENSION * np.cos(np.radians(ANGLE)) / RADIUS
NARROWING = 0.5


def chain(n: int, length: float = LENGTH) -> ps.Network:
    points = np.zeros((n + 1, 3))
    points[:, 0] = np.arange(n + 1) * length
    return ps.Network(
        points, np.column_stack([np.arange(n), np.arange(1, n + 1)]), np.full(n, RADIUS)
    )


def liquid(law) -> ps.Liquid:
    return ps.Liquid(
        viscosity=law, surface_tension=TENSION, contact_angle_deg=ANGLE, density=1000.0
    )


def filled_by_turns(n, index, consistency, narrowing, exchange, length=LENGTH):
    """(n,) s. One flow u goes through all that is wet: pull = B u^index (x + sum L b^-(3 index+1)).

    Mean speed in a tube by Rabinowitsch; b is what a full tube has left of its radius.
    """
    b = 2 * consistency / RADIUS * ((3 * index + 1) / index / RADIUS) ** index
    way = 1 + 1 / index
    filled = [length**way / way / (PULL / b) ** (1 / index)]
    for _ in range(n - 1):
        since = np.array(filled)

        def speed(t, x, since=since):
            left = 1 - narrowing * (1 - np.exp(-(t - since) / exchange))
            drags = np.sum(length / left ** (3 * index + 1))
            return (PULL / b / (x + drags)) ** (1 / index)

        def there(t, x):
            return x[0] - length

        there.terminal = True
        run = solve_ivp(
            speed, (filled[-1], 1e6 * filled[0]), [0.0], method="Radau", events=there,
            rtol=1e-10, atol=1e-14,
        )  # fmt: skip
        filled.append(run.t_events[0][0])
    return np.array(filled)


LAWS = {"newtonian": (1.0, 1e-3, ps.Newtonian(1e-3)), "power": (0.5, 1e-2, ps.PowerLaw(1e-2, 0.5))}


@pytest.mark.parametrize(
    ("law", "accuracy"),
    [
        *((law, 1e-2) for law in LAWS),
        ("newtonian", 1e-3),
        pytest.param("power", 1e-3, marks=pytest.mark.slow),
    ],
)
def test_a_chain_of_tubes_fills_as_its_own_equations_say(law, accuracy) -> None:
    """Poiseuille, Rabinowitsch, Young-Laplace, integrated tube by tube; ten times slower."""
    index, consistency, flow = LAWS[law]
    exchange = filled_by_turns(8, index, consistency, 0.0, 1.0)[-1] / 3
    known = filled_by_turns(8, index, consistency, NARROWING, exchange)
    assert known[-1] > 5 * 3 * exchange
    soak = ps.soak(
        chain(8), liquid(flow), [0], until_saturation=1.0, accuracy=accuracy,
        swelling=ps.Swelling(NARROWING, exchange),
    )  # fmt: skip
    np.testing.assert_allclose(soak.filled_at_s, known, rtol=accuracy)
    assert soak.shear_share.sum() == pytest.approx(1.0)


def test_short_tubes_in_a_row_are_a_tube_that_swells_all_along() -> None:
    """Only full tubes narrow: what that leaves out falls with their length.

    The limit for walls that swell at once, dx/dt = r^2 pull b^4 / (8 mu x), is Washburn's, slower
    by 1 / b^4; in n tubes half a tube in n drags as if it were dry, until it is full.
    """
    narrow, whole = 0.3, 8e-3
    exchange = 1e-9
    last = []
    for n in (8, 16, 32):
        last.append(filled_by_turns(n, 1.0, 1e-3, narrow, exchange, whole / n)[-1])
    limit = whole**2 * 4 * 1e-3 / (RADIUS**2 * PULL) / (1 - narrow) ** 4
    off = 1 - np.array(last) / limit
    assert np.all(off > 0) and off[-1] < 0.03
    np.testing.assert_allclose(off[:-1] / off[1:], 2.0, rtol=1e-6)  # half a tube's drag, each
    soak = ps.soak(
        chain(16, whole / 16), liquid(ps.Newtonian(1e-3)), [0], until_saturation=1.0,
        accuracy=1e-3, swelling=ps.Swelling(narrow, exchange),
    )  # fmt: skip
    assert soak.filled_at_s[-1] == pytest.approx(last[1], rel=1e-3)


def test_walls_swell_as_they_take_up_moisture() -> None:
    """The same first-order exchange that softening goes by."""
    age = np.array([0.0, 1.0, 5.0, 100.0])
    left = ps.Swelling(0.4, 5.0).left(age)
    moist = wall_moisture(np.zeros(1), age, 1.0, 5.0)[:, 0]
    np.testing.assert_allclose(left, 1 - 0.4 * moist, rtol=1e-14)
    assert ps.Swelling(0.4, 5.0).left(float("nan")) == 1.0


def test_swelling_by_nothing_changes_nothing() -> None:
    args = (chain(5), liquid(ps.Newtonian(1e-3)), [0])
    plain = ps.soak(*args, until_saturation=1.0, accuracy=1e-3)
    none = ps.soak(*args, until_saturation=1.0, accuracy=1e-3, swelling=ps.Swelling(0.0, 1.0))
    np.testing.assert_allclose(none.filled_at_s, plain.filled_at_s, rtol=1e-9)


def test_swelling_alone_all_but_stops_a_soak() -> None:
    args = (chain(8), liquid(ps.Newtonian(1e-3)), [0])
    dry = ps.soak(*args, until_saturation=1.0, accuracy=1e-2)
    most = ps.Swelling(MOST_NARROWING, 0.05 * dry.time_s[-1])
    wet = ps.soak(*args, until_s=10 * dry.time_s[-1], accuracy=1e-2, swelling=most)
    assert 0.1 < wet.saturation[-1] < 0.5
    assert np.diff(np.interp([5, 10], wet.time_s / dry.time_s[-1], wet.saturation)) < 0.01


@pytest.mark.parametrize("law", LAWS)
def test_a_tube_that_has_emptied_is_narrow_when_it_fills_again(law) -> None:
    """Dipped, lifted and dipped: walls stay as wet; and volumes are kept throughout."""
    flow = LAWS[law][2]
    points = np.array([[0, 0, 0], [0, 0, 1], [0, 0, 2], [1, 0, 1], [2, 0, 1]]) * LENGTH
    solid = ps.Network(
        points, np.array([[0, 1], [1, 2], [1, 3], [3, 4]]), np.array([30e-6, 8e-6, 9e-6, 7e-6])
    )
    slow = ps.soak(solid, liquid(flow), [0], until_saturation=1.0, accuracy=1e-2).time_s[-1]
    turns = np.array([0.1, 2.0]) * slow
    soaks = [
        ps.soak(
            solid,
            liquid(flow),
            [0],
            until_s=30 * slow,
            accuracy=1e-3,
            lift_s=turns,
            swelling=swells,
        )
        for swells in (None, ps.Swelling(0.4, 0.05 * slow))
    ]
    dry, wet = soaks
    assert dry.saturation[-1] == pytest.approx(1.0, rel=1e-6)
    assert wet.volume_balance <= 1e-5
    assert np.nanmax(wet.filled_at_s) > 1.2 * np.nanmax(dry.filled_at_s)


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ((-0.1, 1.0), "narrowing must lie in 0 to 0.95"),
        ((0.96, 1.0), "narrowing must lie in 0 to 0.95"),
        ((float("nan"), 1.0), "narrowing must lie in 0 to 0.95"),
        ((0.5, 0.0), "exchange_s must be above 0"),
    ],
)
def test_what_swelling_cannot_be(args, said) -> None:
    with pytest.raises(ValueError, match=said):
        ps.Swelling(*args)


def test_a_soak_says_what_it_was_given_instead_of_swelling() -> None:
    with pytest.raises(ValueError, match="swelling must be a Swelling, got 0.5"):
        ps.soak(chain(2), liquid(ps.Newtonian(1e-3)), [0], until_s=1.0, swelling=0.5)


# ---- scenarios -----------------------------------------------------------------------------

SCENARIO = """
[solid]
size_mm = [0.6, 0.6, 0.6]
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "fixed", radius_um = 15 }
swelling = { narrowing = 0.4, wall_s = 20 }
[[liquids]]
name = "broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48
viscosity = { law = "newtonian", mPa_s = 1.2 }
[exposure]
kind = "face"
faces = ["bottom"]
[run]
until_s = 1
"""
SOFT = "[softening]\nwall_s = 20\ndry_strength_kPa = 200\nmidpoint = 0.3\nwidth = 0.05\n"


def test_a_scenario_says_how_walls_swell() -> None:
    assert parse_scenario(SCENARIO).solid.swelling == ps.Swelling(0.4, 20.0)
    shared = SCENARIO.replace(", wall_s = 20", "") + SOFT
    assert parse_scenario(shared).solid.swelling == ps.Swelling(0.4, 20.0)
    assert parse_scenario(SCENARIO + SOFT).solid.swelling == ps.Swelling(0.4, 20.0)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (", wall_s = 20", "", "solid.swelling: says no wall_s"),
        ("wall_s = 20 }", "wall_s = 0 }", "wall_s"),
        ("narrowing = 0.4", "narrowing = 0.99", "narrowing"),
        ("narrowing = 0.4", "narrows = 0.4", "narrowing"),
    ],
)
def test_faults_of_swelling(old, new, said) -> None:
    with pytest.raises(ps.ScenarioError, match=said):
        parse_scenario(SCENARIO.replace(old, new))


def test_two_times_of_exchange_contradict() -> None:
    with pytest.raises(ps.ScenarioError, match="softening.wall_s is 30"):
        parse_scenario(SCENARIO + SOFT.replace("wall_s = 20", "wall_s = 30"))


def test_a_run_with_walls_that_swell_takes_up_less(tmp_path: Path) -> None:
    text = SCENARIO.replace("wall_s = 20", "wall_s = 0.0005").replace(
        "until_s = 1", "until_s = 0.002"
    )
    with_it, without = (
        run_here(parse_scenario(one), tmp_path / name).liquids[0].repeats[0]
        for name, one in (
            ("a", text),
            ("b", text.replace("swelling = { narrowing = 0.4, wall_s = 0.0005 }", "")),
        )
    )
    assert with_it.uptake_kg[-1] < 0.95 * without.uptake_kg[-1]


def test_a_solid_that_swells_is_the_same_solid() -> None:
    scenario = parse_scenario(SCENARIO)
    dry = replace(scenario.solid, swelling=None)
    np.testing.assert_array_equal(
        ps.build_solid(dry, 3).radius, ps.build_solid(scenario.solid, 3).radius
    )
