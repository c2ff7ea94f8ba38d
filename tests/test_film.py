"""A film on a solid that is lifted out: what hangs there, what runs down, what the solid drinks."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from small import run_here

import poresim as ps
from poresim.drop.film import (
    LANDAU_LEVICH,
    Film,
    carried,
    drained,
    entrained,
    film_on,
)
from poresim.exposure.dip import Dip, film_of
from poresim.scenario.reading import parse_scenario
from poresim.uptake.result import Ending

WATER = (0.0728, 998.0)  # N/m, kg/m3
RADIUS, TENSION, ANGLE, VISCOSITY = 10e-6, 0.05, 60.0, 1e-3
NO_DRAIN = 1e9  # m: so high that nothing runs down


def test_the_film_between_slow_and_fast() -> None:
    """White & Tallmadge 1965 (from memory): Ca = 1.09 D^1.5 + D^2; its limits are known laws."""
    assert pytest.approx(1.09, abs=5e-3) == LANDAU_LEVICH**-1.5
    speed = np.array([1e-7, 1e-2, 1.0, 1e3])
    mu = np.array([1e-3, 1e-3, 1e-3, 1e2])
    thick = entrained(mu, speed, *WATER)
    lc = math.sqrt(WATER[0] / (WATER[1] * 9.80665))
    d, ca = thick / lc, mu * speed / WATER[0]
    np.testing.assert_allclose((d / LANDAU_LEVICH) ** 1.5 + d**2, ca, rtol=1e-12)
    assert thick[0] / (LANDAU_LEVICH * lc * ca[0] ** (2 / 3)) == pytest.approx(1.0, abs=2e-3)
    assert thick[3] / (lc * ca[3] ** 0.5) == pytest.approx(1.0, abs=2e-2)
    assert entrained(1e-3, 0.0, *WATER) == 0.0


def test_what_is_carried_up() -> None:
    """All of it where slow, two thirds where fast (Derjaguin 1945); in between what goes up."""
    slow, fast = carried(1e-3, 1e-6, *WATER), carried(1e2, 1e3, *WATER)
    assert slow / entrained(1e-3, 1e-6, *WATER) == pytest.approx(1.0, abs=1e-2)
    assert fast / entrained(1e2, 1e3, *WATER) == pytest.approx(2 / 3, abs=2e-2)
    h, mu, u = entrained(0.05, 0.1, *WATER), 0.05, 0.1
    up = u * h - WATER[1] * 9.80665 * h**3 / (3 * mu)
    assert carried(mu, u, *WATER) == pytest.approx(up / u, rel=1e-12)


@pytest.mark.parametrize("time", [0.01, 0.05, 0.3, 20.0])
def test_what_has_run_down_is_the_mean_of_the_film_along_its_height(time) -> None:
    """Jeffreys 1930 (from memory), integrated by quadrature."""
    film = Film(1e-3, 1e-4, 2e-2, VISCOSITY, 1000.0)
    wave = 1000.0 * 9.80665 * film.thickness**2 * time / VISCOSITY
    mean, _ = quad(
        lambda z: drained(z, time, VISCOSITY, 1000.0, film.thickness),
        0, film.height, points=[min(wave, film.height)], epsabs=1e-16, epsrel=1e-10,
    )  # fmt: skip
    left = film.after(film.volume, time)
    assert left == pytest.approx(film.area * mean / film.height, rel=1e-8)
    halfway = film.after(film.after(film.volume, 0.4 * time), 0.6 * time)
    assert halfway == pytest.approx(left, rel=1e-12)
    step = 1e-6 * time
    slope = (left - film.after(left, step)) / step
    assert film.runs_down(left) == pytest.approx(slope, rel=1e-4)


def test_a_yield_stress_holds_a_film_up() -> None:
    """density g h is the stress at the wall: what that does not move stays."""
    film = film_on(ps.Bingham(2.0, 0.01), 0.02, 0.05, 1000.0, 1e-4, 0.01)
    held = 2.0 / (1000.0 * 9.80665)
    assert film.after(film.volume, 1e9) == pytest.approx(film.area * held, rel=1e-12)
    assert film.runs_down(film.area * held) == 0.0
    slow = film_on(ps.Bingham(2.0, 0.01), 1e-9, 0.05, 1000.0, 1e-4, 0.01)
    assert slow.thickness >= held


def test_a_liquid_that_thins_has_the_viscosity_of_its_lift() -> None:
    law = ps.PowerLaw(0.5, 0.5)
    film = film_on(law, 0.02, 0.05, 1000.0, 1e-4, 0.01)
    thick = entrained(film.viscosity, 0.02, 0.05, 1000.0)
    assert film.viscosity == pytest.approx(0.5 * (0.02 / thick) ** -0.5, rel=1e-9)
    plain = film_on(ps.Newtonian(film.viscosity), 0.02, 0.05, 1000.0, 1e-4, 0.01)
    assert plain.thickness == pytest.approx(film.thickness, rel=1e-9)


# ---- soaks ---------------------------------------------------------------------------------


def liquid(**more) -> ps.Liquid:
    keys = {"surface_tension": TENSION, "contact_angle_deg": ANGLE, "density": 1000.0}
    return ps.Liquid(viscosity=ps.Newtonian(VISCOSITY), **(keys | more))


def tube(length: float) -> ps.Network:
    points = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, length]])
    return ps.Network(points, np.array([[0, 1]]), np.array([RADIUS]))


@pytest.mark.parametrize("accuracy", [1e-2, 1e-3])
def test_a_tube_drinks_its_film_and_stops(accuracy) -> None:
    """Washburn goes on until the film is gone: x^2 = k t, and the rest is at rest."""
    k = RADIUS * TENSION * math.cos(math.radians(ANGLE)) / (2 * VISCOSITY)
    area, lift, more = math.pi * RADIUS**2, 0.1, 5e-3
    before = math.sqrt(k * lift)
    film = Film(1e-6, area * more / 1e-6, NO_DRAIN, VISCOSITY, 1000.0)
    soak = ps.soak(
        tube(20e-3), liquid(), [0], until_s=5.0, accuracy=accuracy, lift_s=[lift], film=film
    )
    assert soak.uptake_m3[-1] == pytest.approx(area * (before + more), rel=2e-6)
    assert soak.ending is Ending.STOPPED
    left = np.flatnonzero((soak.time_s > lift) & (soak.film_m3 > 0))
    drunk = soak.uptake_m3[left] - area * before
    np.testing.assert_allclose(drunk + soak.film_m3[left], film.volume, rtol=1e-9)
    gone = soak.time_s[left[-1] + 1]
    assert gone == pytest.approx((before + more) ** 2 / k, rel=accuracy)
    np.testing.assert_allclose(
        soak.uptake_m3[left], area * np.sqrt(k * soak.time_s[left]), rtol=1e-6
    )


def test_a_film_on_a_full_solid_runs_down() -> None:
    """Jeffreys' film, as long as one likes; nothing goes in."""
    film = Film(1e-4, 1e-4, 1e-2, VISCOSITY, 1000.0)
    soak = ps.soak(
        tube(1e-3), liquid(), [0], until_s=50.0, accuracy=1e-3, lift_s=[1.0], film=film,
        snapshots=[1.1, 2.0, 11.0, 40.0],
    )  # fmt: skip
    assert soak.ending is Ending.FULL
    for time in (1.1, 2.0, 11.0, 40.0, 50.0):
        row = np.flatnonzero(soak.time_s == time)[0]
        assert soak.film_m3[row] == pytest.approx(film.after(film.volume, time - 1.0), rel=1e-6)
    np.testing.assert_allclose(soak.uptake_m3[-1], math.pi * RADIUS**2 * 1e-3, rtol=1e-9)


def test_what_drinks_a_film_that_runs_down_gets_the_less() -> None:
    """dV/dt = -q - (what runs down), with Washburn's q: integrated by small steps."""
    k = RADIUS * TENSION * math.cos(math.radians(ANGLE)) / (2 * VISCOSITY)
    area, lift = math.pi * RADIUS**2, 0.1
    film = Film(1e-8, area * 5e-3 / 1e-8, 1e-3, 20 * VISCOSITY, 1000.0)
    left, time, step = film.volume, lift, 1e-5
    while left > 0:
        drunk = area * (math.sqrt(k * (time + step)) - math.sqrt(k * time))
        left, time = film.after(left, step) - drunk, time + step
    soak = ps.soak(tube(20e-3), liquid(), [0], until_s=5.0, accuracy=1e-3, lift_s=[lift], film=film)
    assert soak.uptake_m3[-1] == pytest.approx(area * math.sqrt(k * time), rel=2e-4)
    assert soak.uptake_m3[-1] < 0.95 * (area * math.sqrt(k * lift) + film.volume)


@pytest.mark.slow
def test_under_a_film_without_end_a_lifted_block_soaks_as_if_it_were_not() -> None:
    solid = ps.build_solid(parse_scenario(SCENARIO).solid, 4)
    inlet = solid.faces["bottom"]
    whole = ps.soak(solid, liquid(), inlet, until_saturation=0.9, accuracy=1e-3)
    end = float(whole.time_s[-1])
    film = Film(1.0, 1.0, NO_DRAIN, VISCOSITY, 1000.0)
    lifted = ps.soak(
        solid, liquid(), inlet, until_s=end, accuracy=1e-3, lift_s=[0.2 * end], film=film
    )
    at = np.linspace(0.1, 1.0, 10) * end
    found, known = (np.interp(at, s.time_s, s.uptake_m3) for s in (lifted, whole))
    np.testing.assert_allclose(found, known, rtol=1e-3)
    bare = ps.soak(solid, liquid(), inlet, until_s=end, accuracy=1e-2, lift_s=[0.2 * end])
    assert bare.uptake_m3[-1] < 0.7 * lifted.uptake_m3[-1]


def test_a_second_dip_takes_the_film_back_and_leaves_another() -> None:
    area = math.pi * RADIUS**2
    film = Film(1e-6, area * 1e-3 / 1e-6, NO_DRAIN, VISCOSITY, 1000.0)
    soak = ps.soak(
        tube(50e-3), liquid(), [0], until_s=2.0, accuracy=1e-3, lift_s=[0.1, 0.101, 0.5], film=film
    )
    k = RADIUS * TENSION * math.cos(math.radians(ANGLE)) / (2 * VISCOSITY)
    # it has not drunk all of the first film by 0.101 s, and so went on as if never lifted
    assert soak.uptake_m3[-1] == pytest.approx(area * (math.sqrt(0.5 * k) + 1e-3), rel=1e-5)
    between = (soak.time_s > 0.101) & (soak.time_s <= 0.5)
    assert np.all(soak.film_m3[between] == 0) and np.any(soak.film_m3[soak.time_s > 0.5] > 0)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"film": 3.0, "lift_s": [1.0]}, "film must be a Film, got 3.0"),
        ({"film": Film(1.0, 1.0, 1.0, 1.0, 1.0)}, "film is for a solid that is lifted out"),
    ],
)
def test_films_that_a_soak_refuses(more, said) -> None:
    with pytest.raises(ValueError, match=said):
        ps.soak(tube(1e-3), liquid(), [0], until_s=2.0, **more)


# ---- scenarios -----------------------------------------------------------------------------

SCENARIO = """
seed = 3
[solid]
size_mm = [0.5, 0.4, 0.4]
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "lognormal", median_radius_um = 10, log_sd = 0.4 }
[[liquids]]
name = "broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48
viscosity = { law = "newtonian", mPa_s = 1.2 }
[exposure]
kind = "dip"
depth_mm = 0.2
dip_s = 0.002
lift_mm_s = 5
[run]
until_s = 1
accuracy = 0.05
snapshots = 0
"""


def test_a_block_that_is_lifted_carries_a_film(tmp_path: Path) -> None:
    scenario = parse_scenario(SCENARIO)
    with_it = run_here(scenario, tmp_path / "a")
    repeat = with_it.liquids[0].repeats[0]
    solid = with_it.solid(0)
    area = (0.5 * 0.4 + 2 * 0.2 * (0.5 + 0.4)) * 1e-6
    thick = carried(1.2e-3, 5e-3, 0.052, 1005.0)
    assert np.max(repeat.film_m3) == pytest.approx(area * thick, rel=0.05)
    known = film_of(solid, Dip(0.2e-3, lift_speed=5e-3), area, ps.Newtonian(1.2e-3), 0.052, 1005.0)
    assert known is not None and known.volume == pytest.approx(area * thick, rel=1e-12)
    assert known.height == pytest.approx(0.2e-3)
    again = ps.load_record(with_it.path).liquids[0].repeats[0]
    np.testing.assert_array_equal(again.film_m3, repeat.film_m3)
    without = run_here(parse_scenario(SCENARIO.replace("lift_mm_s = 5", "")), tmp_path / "b")
    bare = without.liquids[0].repeats[0]
    assert len(bare.film_m3) == 0 and bare.uptake_kg[-1] < repeat.uptake_kg[-1]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("depth_mm = 0.2", 'faces = ["bottom"]', "lift_mm_s: is given with faces"),
        ("lift_mm_s = 5", "lift_mm_s = 0", "lift_mm_s"),
        ("lift_mm_s = 5", "lift_speed = 5", "lift_mm_s"),
    ],
)
def test_faults_of_the_film(old, new, said) -> None:
    with pytest.raises(ps.ScenarioError, match=said):
        parse_scenario(SCENARIO.replace(old, new))
