"""Grains on their way through networks: what throats catch, what that does to flow, and the books.

Flow at a constant pressure: both ends of a tube are inlets, at one height over another; the liquid
pulls itself only until the tubes are full; from then on gravity alone drives it.
"""

import functools

import numpy as np
import pytest

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

GRAVITY = 9.80665
ETA, DENSITY = 1e-3, 1000.0
DOWN = (0.0, 0.0, -GRAVITY)
FINE = 1e-9  # grains that pass everything: they count the liquid that comes in


def heavy(particles, angle=89.0):
    """A liquid that next to nothing but gravity drives."""
    return ps.Liquid(ps.Newtonian(ETA), 0.05, angle, DENSITY, particles=particles)


def bundle(tubes: int, radius: float, length: float, parts: int = 1) -> tuple[ps.Network, list]:
    """Vertical tubes side by side, each of ``parts`` in series; both their ends are inlets."""
    x = 1e-3 * np.repeat(np.arange(tubes), parts + 1)
    z = np.tile(np.linspace(length, 0.0, parts + 1), tubes)
    points = np.column_stack([x, np.zeros_like(x), z])
    first = np.arange(tubes * (parts + 1)).reshape(tubes, parts + 1)
    ends = np.stack([first[:, :-1].ravel(), first[:, 1:].ravel()], axis=1)
    return ps.Network(points, ends, radius), [*first[:, 0], *first[:, -1]]


def clean_flow(radius, length, eta=ETA):
    """Hagen-Poiseuille, m3/s, of a vertical tube under its own head."""
    return np.pi * radius**4 * DENSITY * GRAVITY / (8 * eta)


def came_in(soak, fraction):
    """(k,) m3 of suspension that has come in, by its finest grains."""
    return soak.carried_in_m3[:, 0] / fraction


# ---- the laws of blocking (Hermans & Bredee 1936; Grace 1956; Hermia 1982) --------------------


def test_grains_that_each_close_a_tube_block_completely():
    """V = Q0/k (1 - exp(-k t)), k = (grains a volume) Q0 / N: from memory, Hermia 1982."""
    n, radius, length, d = 400, 20e-6, 1e-3, 50e-6
    solid, inlet = bundle(n, radius, length)
    fraction = 2e-4
    grains = ps.Particles(fraction, [FINE, d], leak=1e-4, intrinsic_viscosity=0, bridging_ratio=1)
    per_volume = 0.5 * fraction / (np.pi * d**3 / 6)
    q0 = n * clean_flow(radius, length)
    k = per_volume * q0 / n
    soak = ps.soak(
        solid, heavy(grains), inlet, until_s=2.0 / k, accuracy=1e-3, gravity=DOWN, seed=4
    )
    t, v = soak.time_s, came_in(soak, 0.5 * fraction)
    for share in (0.3, 1.0, 2.0):
        got = np.interp(share / k, t, v)
        mean = q0 / k * -np.expm1(-share)
        # a tube passes Exp(1) / per_volume, cut off at q t: so much does the mean of n scatter
        cut = np.minimum(np.random.default_rng(0).exponential(size=200_000), share)
        scatter = cut.std() / np.sqrt(n) / cut.mean()
        assert got == pytest.approx(mean, rel=3 * scatter + 2e-3)  # accuracy; leaks


def exponent(t, v, first, last, parts=10):
    """m of d2t/dV2 = k (dt/dV)^m between two volumes: the slope of ln(-dQ/dV) in ln Q is 2 - m."""
    edges = np.linspace(first, last, parts + 1)
    rate = np.diff(edges) / np.diff(np.interp(edges, v, t))
    falls = -np.diff(rate) / np.diff(edges)[1:]
    middle = np.sqrt(rate[1:] * rate[:-1])
    return 2 - np.polyfit(np.log(middle), np.log(falls), 1)[0]


def test_blocking_has_the_exponent_of_the_complete_law():
    """m = 2: each grain that comes closes one of equal tubes."""
    n, radius, length, d, fraction = 3000, 20e-6, 1e-3, 50e-6, 1e-4
    solid, inlet = bundle(n, radius, length)
    grains = ps.Particles(2 * fraction, [FINE, d], leak=1e-4, intrinsic_viscosity=0)
    k = fraction / (np.pi * d**3 / 6) * clean_flow(radius, length)
    soak = ps.soak(
        solid, heavy(grains), inlet, until_s=2.0 / k, accuracy=1e-2, gravity=DOWN, seed=1
    )
    t, v = soak.time_s, came_in(soak, fraction)  # filling the tubes is next to nothing of it
    assert exponent(t, v, 0.0, v[-1]) == pytest.approx(2, abs=0.15)


def test_blocking_of_unlike_tubes_has_the_exponent_of_the_intermediate_law():
    """m = 1: what a volume closes falls with the flow that is left.

    So it is where tubes conduct q evenly spread in ln q: the widest drink most and are closed
    first. Each is closed as exp(-(grains a volume) q t), so that V = sum (1 - exp(-c q t)) / c.
    """
    n, length, fraction, d = 2000, 1e-3, 1e-4, 85e-6
    radius = np.geomspace(6e-6, 40e-6, n)
    solid, inlet = bundle(n, 1.0, length)
    solid = ps.Network(solid.points, solid.ends, radius)
    grains = ps.Particles(2 * fraction, [FINE, d], leak=1e-5, intrinsic_viscosity=0)
    c, q = fraction / (np.pi * d**3 / 6), clean_flow(radius, length)
    until = 0.1 / (c * q[0])
    soak = ps.soak(solid, heavy(grains), inlet, until_s=until, accuracy=1e-2, gravity=DOWN, seed=1)
    t, v = soak.time_s, came_in(soak, fraction)  # filling the tubes is next to nothing of it
    for when in (0.01, 0.1, 1.0):
        passed = np.minimum(
            np.random.default_rng(0).exponential(size=(400, n)), c * q * when * until
        ).sum(axis=1)
        want, scatter = passed.mean() / c, passed.std() / c
        got = np.interp(when * until, t, v)
        assert got == pytest.approx(want, abs=3 * scatter + 1e-2 * want)
    # of the sum itself 1.04: the spread has ends
    first = np.interp(2.5 / (c * q[-1]), t, v)
    assert exponent(t, v, first, v[-1]) == pytest.approx(1, abs=0.15)


def test_arches_close_throats_as_a_geometric_law_says():
    """Chance p at each passage of as many grains as an arch takes: survival (1 - p)^n, 1/p passages
    in the mean, times of closing exponential (Marin et al. 2018, PRE 97:021102: Poisson clogs)."""
    n, radius, length, ratio, fraction = 2000, 20e-6, 1e-3, 2.0, 0.05
    solid, inlet = bundle(n, radius, length)
    d = 2 * radius / ratio
    p = float(ps.bridging_chance(ratio, fraction, 6.0))
    assert 1e-3 < p < 0.5
    passages = fraction / (np.pi * d**3 / 6) / ratio**2 * clean_flow(radius, length)  # 1/s
    grains = ps.Particles(fraction, d, leak=1e-4, intrinsic_viscosity=0)
    mean = 1 / -np.log1p(-p) / passages
    soak = ps.soak(
        solid, heavy(grains, 90), inlet, until_s=3 * mean, accuracy=1e-2, gravity=DOWN, seed=3
    )
    for share in (0.3, 1.0, 3.0):
        count = share * mean * passages  # passages till then
        left = np.sum(~(soak.blocked_at_s < share * mean))
        want = (1 - p) ** count
        # the hazard is p a passage, not ln 1/(1 - p): between the two lies p/2 of it
        assert left == pytest.approx(
            n * want, abs=3 * np.sqrt(n * want * (1 - want)) + n * want * share * 0.5 * p
        )


def test_a_bed_in_a_throat_makes_a_cake_of_it():
    """t/V = 1/Q0 + k V/2 from when the throat closed: cake filtration; its k by Carman-Kozeny.

    The entrance is a short wide tube that lets the grains in.
    """
    radius, length, d, leak = 20e-6, 1e-3, 50e-6, 0.5
    points = [[0, 0, 1.05 * length], [0, 0, length], [0, 0, 0]]
    solid, inlet = ps.Network(points, [[0, 1], [1, 2]], [5 * radius, radius]), [0, 2]
    fraction = 0.02
    grains = ps.Particles(
        fraction, [FINE, d], leak=leak, intrinsic_viscosity=0, bridging_ratio=1, bed_porosity=0.4
    )
    q = clean_flow(radius, length)
    soak = ps.soak(
        solid, heavy(grains), inlet, until_s=2e3 * np.pi * radius**2 * length / q,
        accuracy=1e-3, gravity=DOWN, seed=1,
    )  # fmt: skip
    closed = float(soak.blocked_at_s[1])
    t, v = soak.time_s, came_in(soak, 0.5 * fraction)
    begun = np.interp(closed, t, v)
    late = t > 1.2 * closed  # at once the volume when it closed, read between steps, shows
    t, v = t[late] - closed, v[late] - begun
    area = np.pi * radius**2
    permeability = d**2 * 0.4**3 / (180 * 0.6**2)
    # resistance of the bed that a volume of suspension brings, and of the tube with its grain
    slope = ETA * 0.5 * fraction / (0.6 * area) / (permeability * area)
    start = 8 * ETA * length / (np.pi * radius**4) / leak
    start += slope * (begun - np.pi * (5 * radius) ** 2 * 0.05 * length)  # those are afloat yet
    start += 8 * ETA * 0.05 * length / (np.pi * (5 * radius) ** 4)
    drive = DENSITY * GRAVITY * 1.05 * length
    assert drive * t[-1] / v[-1] > 3 * start  # the bed resists more than what was there
    np.testing.assert_allclose(drive * t, start * v + slope * v**2 / 2, rtol=5e-3)
    assert exponent(t, v, v[0], v[-1]) == pytest.approx(0, abs=0.15)


def test_lined_walls_block_as_the_standard_law():
    """t/V = 1/Q0 + k t/2, k = 2 (volume lined a volume passed) / (volume of the tube)."""
    radius, length, deposition = 20e-6, 1e-3, 10.0
    solid, inlet = bundle(1, radius, length)
    fraction = 0.01
    grains = ps.Particles(
        fraction, FINE, intrinsic_viscosity=0, deposition_per_m=deposition, bed_porosity=0.4
    )
    room = np.pi * radius**2 * length
    lines = fraction * -np.expm1(-deposition * length) / 0.6  # volume lined a volume passed
    k = 2 * lines / room * clean_flow(radius, length)  # 1/s
    soak = ps.soak(solid, heavy(grains, 90), inlet, until_s=2.0 / k, accuracy=1e-3, gravity=DOWN)
    t, v = soak.time_s, came_in(soak, fraction)
    late = t > 0.05 / k
    want = clean_flow(radius, length) * t / (1 + 0.5 * k * t)
    assert want[-1] < 0.6 * clean_flow(radius, length) * t[-1]
    np.testing.assert_allclose(v[late], want[late], rtol=5e-3)
    assert exponent(t, v, v[late][0], v[-1]) == pytest.approx(1.5, abs=0.15)


def test_walls_catch_grains_as_in_a_deep_bed():
    """dc/dx = -deposition c (Iwasaki 1937): what is caught falls as exp(-deposition x)."""
    radius, length, parts, deposition = 20e-6, 2e-2, 20, 50.0
    solid, inlet = bundle(1, radius, length, parts)
    grains = ps.Particles(1e-6, FINE, intrinsic_viscosity=0, deposition_per_m=deposition)
    whole = np.pi * radius**2 * length / clean_flow(radius, length)
    soak = ps.soak(solid, heavy(grains), inlet, until_s=100 * whole, accuracy=1e-3, gravity=DOWN)
    caught = soak.captured_in_tube_m3[:, 0]
    depth = length - solid.points[solid.ends].mean(axis=1)[:, 2]
    slope = np.polyfit(depth, np.log(caught), 1)[0]
    assert slope == pytest.approx(-deposition, rel=0.02)
    # what goes out again is exp(-deposition length) of what comes in: 0.367879 here
    out = soak.left_m3[-1, 0] / soak.carried_in_m3[-1, 0]
    assert out == pytest.approx(np.exp(-deposition * length), rel=0.02)


# ---- books, limits and the seed ----------------------------------------------------------------

SIZES = np.geomspace(4e-6, 40e-6, 6)


def block(side=8, seed=1):
    """A cubic block of invented tubes, 15 um wide in the median."""
    spec = SolidSpec((side * 1e-4,) * 3, radii=Lognormal(15e-6, 0.5), spacing=1e-4, neighbours=5.2)
    return ps.build_solid(spec, seed=seed)


def broth(particles=None, viscosity=None, **more):
    """An invented liquid that wets."""
    law = ps.Newtonian(1.2e-3) if viscosity is None else viscosity
    return ps.Liquid(law, 0.052, 48.0, 1005.0, particles=particles, **more)


LAWS = {
    "thin": ps.Newtonian(1.2e-3),
    "power": ps.PowerLaw(0.05, 0.6),
    "yields": ps.HerschelBulkley(0.02, 0.1, 0.5),
    "cross": ps.Cross(0.5, 1e-3, 1.0, 0.7),
}

#: Quick with many events a step; a law that is found by iteration is "yields", too.
LONGEST = (("cross", 4), ("power", 4))


@pytest.mark.parametrize(
    ("name", "side"),
    [
        pytest.param(
            name, side, id=f"{name}-{words}", marks=[pytest.mark.slow] * ((name, side) in LONGEST)
        )
        for name in LAWS
        for side, words in ((4, "event by event"), (16, "many events a step"))
    ],
)
def test_no_grain_is_lost(name, side):
    """Carried in = afloat + caught + gone again, by class, to 1e-12 of what was carried in."""
    solid = block(side)
    grains = ps.Particles(0.02, SIZES, deposition_per_m=20.0)
    soak = ps.soak(
        solid, broth(grains, LAWS[name]), solid.faces["bottom"], until_saturation=0.4,
        until_s=50.0, accuracy=0.05, seed=3,
    )  # fmt: skip
    assert np.isfinite(soak.blocked_at_s).any()
    rest = soak.carried_in_m3 - soak.suspended_m3 - soak.captured_m3 - soak.left_m3
    rest -= soak.cake_m3
    assert np.all(np.abs(rest) <= 1e-12 * soak.carried_in_m3)
    assert np.all(soak.captured_in_tube_m3 >= 0) and np.all(soak.suspended_m3 >= 0)
    np.testing.assert_allclose(soak.captured_in_tube_m3.sum(axis=0), soak.captured_m3[-1])
    # what comes in with the liquid: the solid holds the rest of it, or it is cake
    net = (soak.carried_in_m3 - soak.left_m3)[-1] / (0.02 / len(SIZES))
    cake = soak.cake_m3[-1].sum() / (1 - 0.4)
    assert net == pytest.approx(np.full(len(SIZES), soak.uptake_m3[-1] + cake), rel=5e-3)


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=[pytest.mark.slow] * (n == "cross")) for n in LAWS]
)
def test_grains_far_below_every_throat_only_thicken(name):
    """Bit for bit the uptake of the liquid with all its grains (Krieger-Dougherty, by hand)."""
    solid = block(2)
    small = 2 * solid.radius.min() / 4
    grains = ps.Particles(0.1, [small, small / 3])
    factor = (1 - 0.1 / 0.64) ** (-2.5 * 0.64)
    law = LAWS[name]
    thick = {
        "thin": ps.Newtonian(law.viscosity * factor) if name == "thin" else None,
        "power": ps.PowerLaw(0.05 * factor**0.6, 0.6),
        "yields": ps.HerschelBulkley(0.02, 0.1 * factor**0.5, 0.5),
        "cross": ps.Cross(0.5 * factor, 1e-3 * factor, factor, 0.7),
    }[name]
    asked = dict(until_s=0.05, accuracy=0.1, inlet=solid.faces["bottom"])
    with_grains = ps.soak(solid, broth(grains, law), **asked)
    without = ps.soak(solid, broth(None, thick), **asked)
    assert with_grains.uptake_m3.tolist() == without.uptake_m3.tolist()
    assert with_grains.filled_at_s.tobytes() == without.filled_at_s.tobytes()


def test_no_grains_and_none_of_them_are_alike():
    solid = block(3)
    asked = dict(until_s=0.05, accuracy=0.1, inlet=solid.faces["bottom"])
    none = ps.soak(solid, broth(), **asked)
    zero = ps.soak(solid, broth(ps.Particles(0.0, 50e-6)), **asked)
    assert none.uptake_m3.tolist() == zero.uptake_m3.tolist()


def test_the_seed_alone_decides_which_throats_close():
    solid = block(4)
    asked = dict(until_s=0.02, accuracy=0.1, inlet=solid.faces["bottom"])
    liquid = broth(ps.Particles(0.02, SIZES))
    one, again, other = (ps.soak(solid, liquid, seed=s, **asked) for s in (1, 1, 2))
    assert one.blocked_at_s.tobytes() == again.blocked_at_s.tobytes()
    assert one.captured_in_tube_m3.tobytes() == again.captured_in_tube_m3.tobytes()
    assert one.blocked_at_s.tobytes() != other.blocked_at_s.tobytes()


@functools.cache
def caught_in_a_block(accuracy: float) -> ps.Soak:
    """A soak of many events a step, of one seed."""
    solid = block(16)
    liquid = broth(ps.Particles(0.015, SIZES))
    return ps.soak(solid, liquid, solid.faces["bottom"], until_s=0.05, accuracy=accuracy, seed=3)


@pytest.mark.parametrize("accuracy", [1e-2, 3e-2])
def test_what_is_caught_is_as_accurate_as_the_uptake(accuracy):
    """Against the same seed at a tenth of the accuracy: the volume, and which throats close."""
    fine, soak = caught_in_a_block(1e-3), caught_in_a_block(accuracy)
    whole = fine.captured_m3[-1].sum()
    assert soak.captured_m3[-1] == pytest.approx(fine.captured_m3[-1], abs=accuracy * whole)
    closed, of_all = np.isfinite(soak.blocked_at_s), np.isfinite(fine.blocked_at_s)
    # a clock that has all but run down goes either way: so many of them, and their scatter
    either = 3 * accuracy * of_all.sum()
    assert np.sum(closed != of_all) <= either + 2 * np.sqrt(either)
    assert abs(int(closed.sum()) - int(of_all.sum())) <= accuracy * of_all.sum()


def test_a_thinner_liquid_is_left_where_grains_are_caught():
    """Upstream throats keep coarse grains back: deep down fewer are afloat than came in."""
    solid = block(16)
    grains = ps.Particles(0.1, [60e-6])
    soak = ps.soak(solid, broth(grains), solid.faces["bottom"], until_s=0.05, accuracy=0.05, seed=3)
    assert soak.suspended_m3[-1, 0] < 0.2 * 0.1 * soak.uptake_m3[-1]
    assert soak.front_fraction[-1] < 0.05 * 0.1
    depth = solid.points[solid.ends].mean(axis=1)[:, 2]
    caught = soak.captured_in_tube_m3[:, 0]
    assert (caught * depth).sum() / caught.sum() < 0.5 * depth[soak.filled_at_s > 0].mean()
