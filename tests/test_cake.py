"""Grains that fit no entrance: the cake that they build on the wetted face, and what it holds back.

The cake's permeability is Carman and Kozeny's (Kozeny 1927; Carman 1937): d^2 e^3 / (180 (1-e)^2).
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

GRAVITY = 9.80665
ETA, DENSITY, TENSION = 1e-3, 1000.0, 0.05
DOWN = (0.0, 0.0, -GRAVITY)
COARSE, POROSITY, FRACTION = 50e-6, 0.4, 0.15
RADIUS, LENGTH = 20e-6, 1e-2
PERMEABILITY = COARSE**2 * POROSITY**3 / (180 * (1 - POROSITY) ** 2)


def grains(fraction=FRACTION, diameter=COARSE, **more):
    """Grains that do not thicken, and whose arrival alone does not close a throat."""
    return ps.Particles(
        fraction, diameter, leak=1.0, intrinsic_viscosity=0, bridging_ratio=1,
        bed_porosity=POROSITY, **more,
    )  # fmt: skip


def tube(parts=1, length=LENGTH):
    """A vertical tube; its ends are junctions 0 and ``parts``."""
    z = np.linspace(length, 0.0, parts + 1)
    points = np.column_stack([np.zeros_like(z), np.zeros_like(z), z])
    ends = np.column_stack([np.arange(parts), np.arange(1, parts + 1)])
    return ps.Network(points, ends, RADIUS)


def first_bed(soak):
    """Resistance, Pa s / m3, of the grains that closed the only tube: a bed in its mouth."""
    section = np.pi * RADIUS**2
    run = float(soak.captured_in_tube_m3.sum()) / ((1 - POROSITY) * section)
    return ETA * run / (PERMEABILITY * section)


def cake_a_volume(fraction=FRACTION, porosity=POROSITY):
    """m3 of cake, pores and all, on which a m3 of liquid has come through; by the two balances.

    What leaves the slurry is cake and liquid: its grains are those of the cake.
    """
    return fraction / (1 - porosity - fraction)


def test_a_cake_grows_as_the_root_of_time_under_suction():
    """Slip casting: thickness^2 and uptake^2 go as the time (Tiller & Tsai 1986, J Am Ceram Soc
    69:882, from memory). A tube's resistance and its cake's both go as the volume V that has come:
    (a + b) V dV/dt = 2 gamma cos(theta) / r."""
    area = 1.3e-9
    solid = tube(40, 0.04)
    liquid = ps.Liquid(ps.Newtonian(ETA), TENSION, 0.0, DENSITY, particles=grains())
    section = np.pi * RADIUS**2
    a = 8 * ETA / (np.pi * RADIUS**4) / section
    b = ETA * cake_a_volume() / (PERMEABILITY * area**2)
    assert b > 3 * a  # the cake is most of what resists
    drive = 2 * TENSION / RADIUS
    end = 0.8 * section * 0.04
    soak = ps.soak(
        solid, liquid, 0, until_s=(a + b) * end**2 / (2 * drive), accuracy=1e-3, face_m2=area
    )
    t, v = soak.time_s[1:], soak.uptake_m3[1:]
    late = t > 0.1 * t[-1]  # before its first grains had come there was no cake
    want = np.sqrt(2 * drive * t / (a + b))
    np.testing.assert_allclose(v[late], want[late], rtol=5e-4)  # accuracy 1e-3, of the time
    in_mouth = soak.captured_m3[1:, 0] / (1 - POROSITY) / area
    thick = cake_a_volume() * v / area
    np.testing.assert_allclose((soak.cake_thickness_m[1:] + in_mouth)[late], thick[late], rtol=1e-3)
    assert np.polyfit(np.log(t[late]), np.log(soak.cake_thickness_m[1:][late]), 1)[
        0
    ] == pytest.approx(0.5, abs=0.01)
    # what the slurry lost is the cake and the liquid
    cake = (soak.cake_m3 + soak.captured_m3)[-1, 0] / (1 - POROSITY)
    assert soak.carried_in_m3[-1, 0] / FRACTION == pytest.approx(soak.uptake_m3[-1] + cake)


def test_a_cake_at_constant_pressure_follows_the_cake_law():
    """t/V = 1/Q0 + k V/2 (Hermia 1982): cake filtration, with Carman and Kozeny's resistance."""
    area = 4e-9
    solid, heavy = (
        tube(),
        ps.Liquid(
            ps.Newtonian(ETA), TENSION, 75.0, DENSITY, particles=grains(0.02, [1e-9, COARSE])
        ),
    )
    fraction = 0.01
    fine = fraction / (1 - fraction)  # of what comes through the cake
    drive = DENSITY * GRAVITY * LENGTH
    start = 8 * ETA * LENGTH / (np.pi * RADIUS**4)
    slope = ETA * cake_a_volume(fraction) / (PERMEABILITY * area**2)
    volume = 6 * start / slope
    soak = ps.soak(
        solid, heavy, [0, 1], until_s=(start * volume + slope * volume**2 / 2) / drive,
        accuracy=1e-3, gravity=DOWN, face_m2=2 * area,
    )  # fmt: skip
    full = soak.time_s > soak.filled_at_s[0]  # from then on only gravity drives
    t, v = soak.time_s[full], soak.carried_in_m3[full, 0] / fine
    assert drive * t[-1] / v[-1] > 3 * start
    start += first_bed(soak) - slope * soak.captured_m3[-1, 1] / fraction
    want = start * (v - v[0]) + slope * (v**2 - v[0] ** 2) / 2
    late = t > 0.02 * t[-1]
    np.testing.assert_allclose(drive * (t - t[0])[late], want[late], rtol=3e-3)


@pytest.mark.parametrize(
    "law",
    [
        pytest.param(ps.PowerLaw(0.02, 0.6), id="power"),
        pytest.param(ps.HerschelBulkley(0.05, 0.02, 0.8), id="yields", marks=pytest.mark.slow),
    ],
)
def test_a_cake_is_a_bundle_of_capillaries_to_other_liquids(law):
    """As wide as e r^2 / 8 = permeability asks for, as long as it is thick: its flow by the law of
    one tube (tested against closed forms elsewhere), in series with the solid's tube; the ODE by
    scipy."""
    area, fraction = 2e-9, 0.01
    liquid = ps.Liquid(law, TENSION, 75.0, DENSITY, particles=grains(2 * fraction, [1e-9, COARSE]))
    clear = ps.Liquid(law, TENSION, 75.0, DENSITY)
    drive = DENSITY * GRAVITY * LENGTH
    bore = np.sqrt(8 * PERMEABILITY / POROSITY)
    number = POROSITY * area / (np.pi * bore**2)

    def through(radius, length, drop):
        one = ps.Network([[0, 0, 0], [0, 0, length]], [[0, 1]], radius)
        return float(ps.flow(one, clear, {0: drop, 1: 0.0}).rate[0])

    first = through(RADIUS, LENGTH, drive)
    until = 400 * np.pi * RADIUS**2 * LENGTH / first
    soak = ps.soak(
        tube(), liquid, [0, 1], until_s=until, accuracy=1e-3, gravity=DOWN, face_m2=2 * area
    )
    closed = max(soak.filled_at_s[0], soak.blocked_at_s[0])
    late = soak.time_s > 1.1 * closed
    t, v = soak.time_s[late], soak.carried_in_m3[late, 0] / (fraction / (1 - fraction))
    clean = 8 * ETA * LENGTH / (np.pi * RADIUS**4)
    open_ = 1 / (1 + first_bed(soak) / clean)  # a bed slows other liquids by as much

    def rate(_, v):
        caked = cake_a_volume(fraction) * v[0] - soak.captured_m3[-1, 1] / (1 - POROSITY)
        thick = caked / area

        def gap(p):
            return number * through(bore, thick, p) - open_ * through(RADIUS, LENGTH, drive - p)

        return [open_ * through(RADIUS, LENGTH, drive - brentq(gap, 0, drive, xtol=1e-9 * drive))]

    exact = solve_ivp(rate, (t[0], t[-1]), [v[0]], rtol=1e-7, atol=1e-16).y[0, -1]
    assert exact - v[0] < 0.8 * first * (t[-1] - t[0])
    assert v[-1] - v[0] == pytest.approx(exact - v[0], rel=2e-3)


def test_grains_that_fit_no_entrance_close_it_first():
    """One grain sits in the mouth, and leaves its leak; the others lie on the face."""
    solid = tube()
    stuck = ps.Particles(0.01, COARSE, leak=0.1, bridging_ratio=1, bed_porosity=POROSITY)
    heavy = ps.Liquid(ps.Newtonian(ETA), TENSION, 75.0, DENSITY, particles=stuck)
    soak = ps.soak(
        solid, heavy, [0, 1], until_s=600.0, accuracy=1e-3, gravity=DOWN, face_m2=1e-6, seed=2
    )
    assert np.isfinite(soak.blocked_at_s[0])
    one = np.pi * COARSE**3 / 6
    assert 0 < soak.captured_m3[-1, 0] < 8 * one  # the draw of that throat: Exp(1) grains
    assert soak.cake_m3[-1, 0] > 0
    assert soak.suspended_m3[-1, 0] == 0
    late = soak.time_s > soak.blocked_at_s[0]
    bulk = soak.carried_in_m3[late, 0] / 0.01
    rate = np.polyfit(soak.time_s[late], bulk, 1)[0]
    clean = np.pi * RADIUS**4 * DENSITY * GRAVITY / (8 * ETA)
    assert rate == pytest.approx(0.1 * clean * (1 + cake_a_volume(0.01)), rel=0.02)


def test_only_what_fits_nowhere_around_lies_on_the_face():
    """A junction with one wide entrance lets the grain in; the one beside it does not."""
    points = [[0, 0, 0], [1e-3, 0, 0], [0, 0, 1e-3], [1e-3, 0, 1e-3]]
    solid = ps.Network(points, [[0, 2], [1, 3]], [40e-6, 20e-6])
    liquid = ps.Liquid(ps.Newtonian(ETA), TENSION, 0.0, DENSITY, particles=grains())
    soak = ps.soak(solid, liquid, [0, 1], until_s=1.0, accuracy=1e-2)
    assert soak.ending.name == "FULL"
    assert soak.suspended_m3[-1, 0] == pytest.approx(
        FRACTION * np.pi * (40e-6) ** 2 * 1e-3, rel=1e-6
    )
    assert soak.cake_m3[-1, 0] > 0
    assert soak.captured_in_tube_m3[0, 0] == 0 < soak.captured_in_tube_m3[1, 0]


@pytest.mark.parametrize("side", [6, 16], ids=["event by event", "many events a step"])
@pytest.mark.parametrize(
    "law",
    [
        ps.Newtonian(1.2e-3),
        pytest.param(ps.PowerLaw(0.05, 0.6), marks=pytest.mark.slow),
        ps.Bingham(0.02, 5e-3),
    ],
)
def test_no_grain_is_lost_with_a_cake(law, side):
    """Carried in = afloat + caught + caked + gone again, by class, to 1e-12."""
    spec = SolidSpec((side * 1e-4,) * 3, radii=Lognormal(15e-6, 0.5), spacing=1e-4, neighbours=5.2)
    solid = ps.build_solid(spec, seed=1)
    sizes = np.geomspace(8e-6, 120e-6, 6)
    liquid = ps.Liquid(law, 0.052, 48.0, 1005.0, particles=ps.Particles(0.05, sizes))
    soak = ps.soak(
        solid, liquid, solid.faces["bottom"], until_saturation=0.3, until_s=50.0, accuracy=0.05,
        seed=3,
    )  # fmt: skip
    assert soak.cake_m3[-1, -1] > 0
    assert soak.cake_m3[-1, 0] == 0
    held = soak.suspended_m3 + soak.captured_m3 + soak.cake_m3 + soak.left_m3
    assert np.all(np.abs(soak.carried_in_m3 - held) <= 1e-12 * soak.carried_in_m3)
    np.testing.assert_allclose(soak.captured_in_tube_m3.sum(axis=0), soak.captured_m3[-1])


def test_a_bed_is_never_thinner_than_what_builds_it():
    with pytest.raises(ValueError, match="volume_fraction must be below 1 - bed_porosity"):
        ps.Particles(0.3, 50e-6, bed_porosity=0.75)
