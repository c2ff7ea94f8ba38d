"""Soaks in which contact angles depend on the speed of the line, and how these are asked for.

Voinov 1976, Tanner 1979, Cox 1986. Graphs of many tubes are held against the oracle in
``test_soak_oracle`` (cases ``moving``...); here are tubes alone and in series, against ODEs.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import oracle_march
import pytest
from oracle_tubes import Fluid
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from test_moving_line import Tube

import poresim as ps
from poresim.solid.build import build_solid
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

TUBE = Tube(1e-5, 3e-3, 1.0, 0.0, 0.0, 1.2e-3, 0.052, math.radians(48), math.radians(48), 10.0)


def solid_of(radii, length, waist=1.0):
    points = np.zeros((len(radii) + 1, 3))
    points[:, 2] = length * np.arange(len(radii) + 1)
    k = np.arange(len(radii))
    return ps.Network(points, np.stack([k, k + 1], 1), radii, waist=waist)


def fill_time(t, length):
    """By an ODE over the place: dt/dx = 1/v(x)."""
    run = solve_ivp(
        lambda x, _: [1 / t.speed(x)], (0, length), [0.0], method="LSODA", rtol=1e-11, atol=1e-20
    )
    return run.y[0, -1]


@pytest.mark.parametrize("tilt", [0.0, -0.4, 0.4])
def test_one_tube_fills_as_its_ode_has_it(tilt):
    """Level, upward, downward; the static law is about a tenth early."""
    suction = 2 * TUBE.gamma * math.cos(TUBE.angle) / TUBE.radius
    t = replace(TUBE, tilt=tilt * suction / TUBE.length)
    gravity = (0.0, 0.0, t.tilt / 1000.0)
    keys = {"inlet": [0], "until_s": 1e3, "accuracy": 1e-4, "gravity": gravity}
    found = ps.soak(solid_of([t.radius], t.length), t.liquid(), **keys)
    assert found.filled_at_s[0] == pytest.approx(fill_time(t, t.length), rel=1e-9)
    static = ps.soak(solid_of([t.radius], t.length), t.liquid(log_ratio=0.0), **keys)
    assert static.filled_at_s[0] < 0.96 * found.filled_at_s[0]


def test_the_oracle_agrees_with_the_ode():
    """The reference of whole graphs, on one tube."""
    fluid = Fluid(TUBE.gamma, 48.0, TUBE.eta, log_ratio=TUBE.log_ratio)
    points = np.array([[0, 0, 0], [0, 0, 1e-4]])
    ends, length = np.array([[0, 1]]), np.array([1e-4])
    found = oracle_march.soak(points, ends, np.array([1e-5]), length, [0], fluid, tolerance=1e-6)
    assert found.filled_at[0] == pytest.approx(fill_time(TUBE, 1e-4), rel=3e-6)


@pytest.mark.parametrize("accuracy", [1e-2, 1e-3])
def test_tubes_in_series_hold_the_accuracy(accuracy):
    """A wide tube behind a fine one: it is fed slowly, and there the line hardly matters."""
    fine, wide, length = 8e-6, 2.5e-5, 5e-4
    fluid = replace(TUBE, radius=wide, length=length)
    before = 8 * fluid.eta * length * wide**2 / fine**4  # Pa over the speed in the wide tube

    def speed(x):
        def over(v):
            pull = 2 * fluid.gamma * math.cos(fluid.angle_at(v)) / wide
            return pull - (before + fluid.loss(x)) * v

        return brentq(over, 0.0, 1e3, rtol=1e-14, xtol=1e-300)

    first = fill_time(replace(fluid, radius=fine), length)
    run = solve_ivp(lambda x, _: [1 / speed(x)], (0, length), [0.0], rtol=1e-10, atol=1e-20)
    solid = solid_of([fine, wide], length)
    found = ps.soak(solid, fluid.liquid(), inlet=[0], until_s=1e3, accuracy=accuracy)
    assert found.filled_at_s[0] == pytest.approx(first, rel=1e-9)
    assert found.filled_at_s[1] == pytest.approx(first + run.y[0, -1], rel=accuracy)
    assert found.volume_balance <= accuracy / 100


def block(cells, seed=3):
    x, y, z = (1e-4 * n for n in cells)
    spec = SolidSpec((x, y, z), "cubic", Lognormal(1.5e-5, 0.5), 1e-4)
    return build_solid(spec, seed=seed)


def test_a_coarse_march_of_a_lattice_agrees_with_a_fine_one():
    solid, liquid = block((3, 3, 2)), TUBE.liquid()
    keys = {"inlet": solid.faces["bottom"], "until_saturation": 0.8}
    coarse, fine = (ps.soak(solid, liquid, accuracy=a, **keys) for a in (2e-2, 2e-3))
    at = [np.interp([0.2, 0.4, 0.6, 0.78], s.saturation, s.time_s) for s in (coarse, fine)]
    np.testing.assert_allclose(at[0], at[1], rtol=2e-2)
    static = ps.soak(solid, TUBE.liquid(log_ratio=0.0), accuracy=2e-2, **keys)
    slower = at[0] / np.interp([0.2, 0.4, 0.6, 0.78], static.saturation, static.time_s)
    assert np.all(slower > 1.1)  # the effect is larger than what is tested here


def test_the_ratio_is_off_unless_given_and_checked():
    assert ps.Liquid(ps.Newtonian(1e-3), 0.07, 30, 1000).log_length_ratio == 0
    for wrong, said in (
        (-1.0, "at least 0"),
        (31.0, "0 .off. to 30, got 31"),
        (math.nan, "finite"),
    ):
        with pytest.raises(ValueError, match=f"log_length_ratio must .*{said}"):
            ps.Liquid(ps.Newtonian(1e-3), 0.07, 30, 1000, log_length_ratio=wrong)
    with pytest.raises(TypeError, match="log_length_ratio must be a number, got 'ten'"):
        ps.Liquid(ps.Newtonian(1e-3), 0.07, 30, 1000, log_length_ratio="ten")


@pytest.mark.parametrize(
    "law", [ps.PowerLaw(0.1, 0.5), ps.Bingham(1.0, 1e-3), ps.Carreau(0.1, 1e-3, 1.0, 0.5)]
)
def test_other_laws_are_refused(law):
    """Ca needs one viscosity."""
    with pytest.raises(ValueError, match=rf"needs one viscosity, .*got {type(law).__name__}"):
        ps.Liquid(law, 0.07, 30, 1000, log_length_ratio=10)
    ps.Liquid(law, 0.07, 30, 1000, log_length_ratio=0)
