"""A soaking block as a bar: what is left of its snap force. All values are invented."""

from __future__ import annotations

import numpy as np
import pytest

import poresim as ps
from poresim.softening.asked import Bar, Walls
from poresim.softening.bar import soften
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

WALLS = Walls(exchange_s=5.0, dry_strength=2e5, midpoint=0.3, width=0.05, saturated=0.8)
SIZE = (2e-3, 1e-3, 1.2e-3)
BAR = Bar(SIZE, span=2e-3, dry_mass=420 * 2e-3 * 1e-3 * 1.2e-3)
DRY = 2 * 2e5 * 1e-3 * 1.2e-3**2 / (3 * 2e-3)  # 2 s b h^2 / (3 span): any text on beams


@pytest.fixture(scope="module")
def solid():
    spec = SolidSpec(SIZE, radii=Lognormal(15e-6, 0.5), spacing=1e-4, neighbours=5.2)
    return ps.build_solid(spec, seed=2)


@pytest.fixture(scope="module")
def soak(solid):
    broth = ps.Liquid(ps.Newtonian(1.2e-3), 0.052, 48.0, 1005.0)
    return ps.soak(solid, broth, solid.faces["bottom"], until_saturation=0.95, accuracy=0.02)


def softened(solid, soak, bar=BAR, walls=WALLS, until=60.0, **more):
    times = np.linspace(0.0, until, 121)
    liquid = 1005.0 * np.interp(times, soak.time_s, soak.uptake_m3)
    return soften(solid, soak.filled_at_s, times, liquid, walls, bar, **more)


def test_it_starts_dry_and_never_gets_stronger(solid, soak):
    found = softened(solid, soak)
    assert found.snap_force_N[0] == pytest.approx(DRY, rel=1e-12)
    assert np.all(np.diff(found.snap_force_N) <= 1e-15 * DRY)
    assert np.all(np.diff(found.strength_Pa, axis=0) <= 1e-15 * WALLS.dry_strength)
    assert found.snap_force_N[-1] < 0.2 * DRY
    assert np.isnan(found.fails_at_s) and np.isnan(found.weight_Nm).all()


def test_a_bar_wet_all_over_is_the_closed_form(solid):
    """Moisture 0.8 (1 - exp(-t / 5)), strength by the Fermi law, force by the beam: by hand."""
    times = np.array([0.0, 1.0, 5.0, 40.0])
    found = soften(solid, np.zeros(solid.tubes), times, np.zeros(4), WALLS, BAR)
    moisture = 0.8 * (1 - np.exp(-times / 5.0))
    left = (1 + np.exp(-6)) / (1 + np.exp((moisture - 0.3) / 0.05))
    np.testing.assert_allclose(found.snap_force_N, DRY * left, rtol=1e-12)


def test_the_wet_half_gives_way_first(solid):
    """Below, all tubes are full long since: the dry half is left, a quarter of the force, 1/4 DRY.

    Where walls keep nothing at all, the beam is half as high: force goes as the height squared.
    """
    middle = solid.points[solid.ends, 2].mean(axis=1)
    wet = np.where(middle < 0.4999 * SIZE[2], 0.0, np.nan)
    rotten = Walls(1e-3, 2e5, 0.3, 1e-3, 0.8)
    found = soften(solid, wet, [1e3], [0.0], rotten, BAR, layers=12)
    assert found.snap_force_N[0] == pytest.approx(DRY / 4, rel=1e-12)
    np.testing.assert_allclose(found.strength_Pa[0], [0] * 6 + [2e5] * 6, atol=1e-200)


def test_it_fails_when_it_no_longer_carries_itself(solid, soak):
    """Against the crossing found by root finding on a bar that is wet all over."""
    from scipy.optimize import brentq

    bar = Bar(SIZE, BAR.span, BAR.dry_mass, overhang=0.05)
    times = np.linspace(0.0, 60.0, 13)
    found = soften(solid, np.zeros(solid.tubes), times, np.full(13, 1e-6), WALLS, bar)
    load = (BAR.dry_mass + 1e-6) / 2e-3 * 9.80665 * 0.05**2 / 2

    def spare(t):
        moisture = 0.8 * (1 - np.exp(-t / 5.0))
        left = (1 + np.exp(-6)) / (1 + np.exp((moisture - 0.3) / 0.05))
        return 2e5 * left * 1e-3 * 1.2e-3**2 / 6 - load

    assert found.fails_at_s == pytest.approx(brentq(spare, 0.0, 60.0), rel=1e-9)
    np.testing.assert_allclose(found.weight_Nm, load)
    slow = softened(solid, soak, bar=bar)
    assert slow.fails_at_s > found.fails_at_s  # it is not wet all over at once


def test_layers_hardly_matter(solid, soak):
    few, many = (softened(solid, soak, layers=n).snap_force_N for n in (6, 12))
    np.testing.assert_allclose(few, many, atol=0.05 * DRY)


def test_in_parts(solid, soak, monkeypatch):
    """What is worked out in parts, to spare memory, is the same bit for bit."""
    whole = softened(solid, soak)
    monkeypatch.setattr("poresim.softening.bar._AT_ONCE", 7 * solid.tubes)
    np.testing.assert_array_equal(softened(solid, soak).snap_force_N, whole.snap_force_N)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda s: soften(s, [0.0], [0.0], [0.0], WALLS, BAR),
            "filled_at must hold one time a tube",
        ),
        (
            lambda s: soften(s, np.zeros(s.tubes), [0.0, 1.0], [0.0], WALLS, BAR),
            r"rows of one length, got \(2,\) and \(1,\)",
        ),
        (lambda s: soften(s, np.zeros(s.tubes), [0.0], [-1.0], WALLS, BAR), "liquid_mass .*got -1"),
        (lambda s: Walls(0.0, 2e5, 0.3, 0.05, 0.8), "exchange_s must be above 0.*got 0"),
        (lambda s: Walls(1.0, 2e5, 0.3, 0.05, -0.8), "saturated .*got -0.8"),
        (lambda s: Bar((1e-3, 1e-3), 1e-3), "size must be three lengths in m, got 2"),
        (lambda s: Bar(SIZE, 1e-3, overhang=1.0), "dry_mass must be given with an overhang"),
        (lambda s: Bar(SIZE, 1e-3, 1e-6, 0.0), "overhang must be above 0.*got 0"),
    ],
)
def test_it_says_what_is_wrong(solid, call, said):
    with pytest.raises(ValueError, match=said):
        call(solid)
