"""The cup that a solid soaks from: grains settle there while they are drawn; it may hold little.

Settling by Stokes 1851 and Richardson & Zaki 1954: v = (excess g d^2 / 18 eta) (1 - phi)^4.65.
"""

import numpy as np
import pytest

import poresim as ps

GRAVITY = 9.80665
ETA, TENSION, DENSITY = 1e-3, 0.05, 1000.0
SIZE, GRAIN, FRACTION = 30e-6, 1400.0, 0.05
RADIUS, LENGTH = 300e-6, 2.0
FOLLOWED = 1e-9  # 1/m: grains that nothing can catch are not followed on their way
SPEED = (GRAIN - DENSITY) * GRAVITY * SIZE**2 / (18 * ETA) * (1 - FRACTION) ** 4.65


def lying_tube(parts=8):
    """A long level capillary: what it takes in is Washburn's law."""
    x = np.linspace(0, LENGTH, parts + 1)
    points = np.column_stack([x, np.zeros_like(x), np.zeros_like(x)])
    return ps.Network(points, np.column_stack([np.arange(parts), np.arange(1, parts + 1)]), RADIUS)


def broth(law=None, sizes=SIZE, **more):
    law = ps.Newtonian(ETA) if law is None else law
    return ps.Liquid(
        law, TENSION, 0.0, DENSITY,
        particles=ps.Particles(FRACTION, sizes, density=GRAIN, intrinsic_viscosity=0, **more),
    )  # fmt: skip


def washburn(time):
    """m3 in the tube."""
    return np.pi * RADIUS**2 * np.sqrt(TENSION * RADIUS * time / (2 * ETA))


def test_grains_come_until_they_have_sunk_below_the_face():
    """Carried in: all that comes with the liquid until the edge passes the face, and none later."""
    place = 0.01
    passes = place / SPEED
    cup = ps.Cup(0.05, place)
    soak = ps.soak(lying_tube(), broth(), 0, until_s=4 * passes, accuracy=1e-3, cup=cup)
    assert soak.uptake_m3[-1] == pytest.approx(washburn(4 * passes), rel=1e-3)
    assert soak.carried_in_m3[-1, 0] == pytest.approx(FRACTION * washburn(passes), rel=1e-3)
    early = soak.time_s < 0.99 * passes
    np.testing.assert_array_equal(soak.offered_share[:, 0], soak.time_s < passes)
    came = soak.carried_in_m3[early, 0] / FRACTION
    np.testing.assert_allclose(came[1:], soak.uptake_m3[early][1:], rtol=2e-3)


def test_a_cup_that_has_stood_offers_what_is_left():
    """Grains are offered for so much less time."""
    place = 0.01
    passes = place / SPEED
    cup = ps.Cup(0.05, place, stood=0.75 * passes)
    soak = ps.soak(lying_tube(), broth(), 0, until_s=passes, accuracy=1e-3, cup=cup)
    assert soak.carried_in_m3[-1, 0] == pytest.approx(FRACTION * washburn(passes / 4), rel=1e-3)
    stood = ps.Cup(0.05, place, stood=2 * passes)
    soak = ps.soak(lying_tube(), broth(), 0, until_s=1.0, accuracy=1e-2, cup=stood)
    assert soak.carried_in_m3[-1, 0] == 0


def test_a_yield_stress_keeps_them_coming():
    """0.048 excess g d holds a grain (Beris et al. 1985): 5.6 mPa here."""
    cup = ps.Cup(0.05, 0.001)
    held = broth(ps.Bingham(6e-3, ETA), deposition_per_m=FOLLOWED)
    sinks = broth(ps.Bingham(5e-3, ETA))
    asked = dict(inlet=0, until_s=300.0, accuracy=1e-2, cup=cup)
    soak = ps.soak(lying_tube(), held, **asked)
    assert np.all(soak.offered_share == 1)
    assert soak.carried_in_m3[-1, 0] == pytest.approx(FRACTION * soak.uptake_m3[-1], rel=1e-6)
    lost = ps.soak(lying_tube(), sinks, **asked)
    assert lost.offered_share[-1, 0] == 0
    assert lost.carried_in_m3[-1, 0] < 0.9 * FRACTION * lost.uptake_m3[-1]


def test_what_is_left_in_the_cup_is_what_has_neither_sunk_nor_gone():
    volume, depth = 1e-5, 0.02
    sizes = np.array([10e-6, 30e-6])
    cup = ps.Cup(depth, depth / 2, volume)
    liquid = broth(sizes=sizes)
    soak = ps.soak(lying_tube(), liquid, 0, until_s=120.0, accuracy=1e-2, cup=cup)
    left = cup.settling(liquid).left_share(soak.time_s)
    whole = volume * FRACTION / 2
    np.testing.assert_allclose(soak.cup_m3, left * whole - soak.carried_in_m3, rtol=1e-12)
    assert soak.cup_m3[-1, 1] < soak.cup_m3[-1, 0] < whole


def test_a_cup_without_end_says_so():
    soak = ps.soak(lying_tube(), broth(deposition_per_m=FOLLOWED), 0, until_s=1.0, accuracy=1e-2)
    assert np.all(np.isnan(soak.cup_m3)) and soak.cup_m3.shape == soak.carried_in_m3.shape


@pytest.mark.parametrize("cup", [ps.Cup(0.05, 0.02, 2e-8), ps.Stirred(2e-8)])
def test_a_soak_ends_when_the_cup_is_empty(cup):
    """Washburn's law up to then: t = (V / area)^2 2 eta / (gamma r)."""
    clear = ps.Liquid(ps.Newtonian(ETA), TENSION, 0.0, DENSITY)
    soak = ps.soak(lying_tube(), clear, 0, until_s=1e4, accuracy=1e-3, cup=cup)
    assert soak.ending.name == "EMPTY"
    assert 2e-8 * (1 - 2e-4) <= soak.uptake_m3[-1] <= 2e-8
    empty = (2e-8 / (np.pi * RADIUS**2)) ** 2 * 2 * ETA / (TENSION * RADIUS)
    assert soak.time_s[-1] == pytest.approx(empty, rel=1e-3)


def test_a_cake_empties_the_cup_too():
    """What leaves it is liquid and cake."""
    liquid = broth(sizes=700e-6, leak=1.0)
    soak = ps.soak(lying_tube(), liquid, 0, until_s=1e4, accuracy=1e-3, cup=ps.Stirred(2e-8))
    assert soak.ending.name == "EMPTY"
    cake = soak.cake_m3[-1, 0] / 0.6
    assert soak.uptake_m3[-1] + cake == pytest.approx(2e-8, rel=2e-4)
    assert cake > 1e-9


def test_grains_that_settle_thicken_no_longer():
    """They pass every throat, so that only how they thicken shows: first more, then less."""
    grains = ps.Particles(0.2, SIZE, density=GRAIN)
    thick = ps.Liquid(ps.Newtonian(ETA), TENSION, 0.0, DENSITY, particles=grains)
    asked = dict(inlet=0, until_s=200.0, accuracy=1e-2)
    afloat = ps.soak(lying_tube(), thick, **asked)
    settled = ps.soak(lying_tube(), thick, **asked, cup=ps.Cup(0.05, 1e-5))
    factor = (1 - 0.2 / 0.64) ** (2.5 * 0.64)
    clear = washburn(200.0)
    assert afloat.uptake_m3[-1] == pytest.approx(clear * np.sqrt(factor), rel=1e-2)
    assert settled.uptake_m3[-1] == pytest.approx(clear, rel=2e-2)


def test_cup_must_be_a_cup():
    with pytest.raises(ValueError, match="cup must be a Cup or Stirred, got 3"):
        ps.soak(lying_tube(), broth(), 0, until_s=1.0, cup=3)
