"""Softening of wet walls, and what a softened bar carries, against published laws and statics."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.optimize import linprog
from scipy.special import erfc

from poresim.softening.bending import moment_capacity, snap_force
from poresim.softening.glass import (
    WATER_K,
    dry_basis,
    glass_temperature,
    water_at,
    wet_basis,
    wlf_log10,
)
from poresim.softening.moisture import slab_time, wall_moisture
from poresim.softening.overhang import overhang_moment
from poresim.softening.strength import fermi

KELVIN = 273.15

# ---- strength ------------------------------------------------------------------------------


def test_fermi():
    """1 / (1 + exp((x - xc) / b)) (Peleg 1994; computed)."""
    np.testing.assert_allclose(
        fermi([0.30, 0.40, 0.45, 0.50, 0.60], 0.45, 0.04),
        [0.977022630, 0.777299861, 0.5, 0.222700139, 0.022977370],
        atol=5e-10,
    )
    assert isinstance(fermi(0.3, 0.45, 0.04), float)


def test_fermi_never_overflows():
    """Its limit at no width is a step: 1 below the midpoint, 1/2 there, 0 above."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        np.testing.assert_array_equal(fermi([0.0, 0.45, 100.0], 0.45, 1e-300), [1.0, 0.5, 0.0])
        assert fermi(50.0, 0.45, 1e-310) == 0.0
        assert 0 < fermi(20.0, 0.45, 0.04) == pytest.approx(math.exp(-19.55 / 0.04), rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((-0.1, 0.45, 0.04), "moisture must lie in 0 to .*, got -0.1"),
        ((np.nan, 0.45, 0.04), "moisture .* got nan"),
        ((0.1, 0.45, 0.0), "width must be above 0 .*, got 0"),
        ((0.1, -1.0, 0.04), "midpoint .* got -1"),
    ],
)
def test_fermi_says_what_is_wrong(arguments, said):
    with pytest.raises(ValueError, match=said):
        fermi(*arguments)


# ---- glass ---------------------------------------------------------------------------------

SUCROSE, STARCH, GLUTEN = (62.0, 4.7), (243.0, 5.2), (162.0, 5.0)  # Roos & Karel 1991, memory


@pytest.mark.parametrize(
    ("solid", "water", "expected"),
    [
        (SUCROSE, [0, 0.02, 0.05, 0.10, 0.15], [62, 44.758, 22.932, -5.584, -27.315]),
        (STARCH, [0.05, 0.10, 0.15, 0.20], [161.777, 104.577, 62.117, 29.348]),
        (GLUTEN, [0.05, 0.10, 0.15, 0.20], [100.125, 55.929, 22.781, -3.0]),
    ],
)
def test_gordon_taylor(solid, water, expected):
    """Gordon & Taylor 1952 with constants of Roos & Karel 1991 (from memory; computed)."""
    dry_C, k = solid
    found = glass_temperature(water, dry_C + KELVIN, k) - KELVIN
    np.testing.assert_allclose(found, expected, atol=6e-4)


@pytest.mark.parametrize(
    ("solid", "expected"), [(SUCROSE, 0.0468948), (STARCH, 0.207619), (GLUTEN, 0.146211)]
)
def test_water_that_softens_at_25_C(solid, expected):
    """The same law solved for the water (computed by root finding elsewhere)."""
    dry_C, k = solid
    assert water_at(25 + KELVIN, dry_C + KELVIN, k) == pytest.approx(expected, abs=6e-7)


def test_water_and_temperature_are_inverse():
    water = np.linspace(0, 0.99, 50)
    there = glass_temperature(water, 335.15, 4.7)
    assert np.all(np.diff(there) < 0)
    np.testing.assert_allclose(water_at(there, 335.15, 4.7), water, atol=1e-14)
    assert glass_temperature(1.0, 335.15, 4.7) == pytest.approx(WATER_K) == 138.15


def test_bases():
    """A fifth of the whole is a quarter of the solid: by the definitions."""
    assert dry_basis(0.2) == pytest.approx(0.25)
    assert wet_basis(0.25) == pytest.approx(0.2)
    x = np.geomspace(1e-6, 1e3, 20)
    np.testing.assert_allclose(dry_basis(wet_basis(x)), x, rtol=1e-12)
    assert dry_basis(water_at(25 + KELVIN, 243 + KELVIN, 5.2)) == pytest.approx(0.262020, abs=1e-5)


def test_wlf():
    """Williams, Landel & Ferry 1955, JACS 77:3701, with their universal constants (computed)."""
    np.testing.assert_allclose(
        wlf_log10([0.0, 10.0, 20.0, 50.0]), [0.0, -2.831169, -4.871508, -8.582677], atol=5e-7
    )


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: glass_temperature(1.1, 335.15, 4.7), "water must lie in 0 to 1.*got 1.1"),
        (lambda: glass_temperature(0.1, 62.0, 4.7), "dry_K must be above 138.15 .*got 62"),
        (lambda: glass_temperature(0.1, 335.15, 0.0), "k must be above 0 .*got 0"),
        (lambda: water_at(340.0, 335.15, 4.7), "temperature_K .*335.15.*got 340"),
        (lambda: water_at(138.15, 335.15, 4.7), "temperature_K .*138.15.*got 138.15"),
        (lambda: water_at(np.nan, 335.15, 4.7), "temperature_K .*got nan"),
        (lambda: dry_basis(1.0), "water must be at least 0 and below 1.*got 1"),
        (lambda: wet_basis(-0.1), "moisture .*got -0.1"),
        (lambda: wlf_log10(-1.0), "above_K .*got -1"),
    ],
)
def test_glass_says_what_is_wrong(call, said):
    with pytest.raises(ValueError, match=said):
        call()


# ---- moisture ------------------------------------------------------------------------------


def test_moisture_against_an_integration():
    """dm/dt = (m_sat - m) / tau once wet, by scipy's solve_ivp (DOP853)."""
    wetted = np.array([0.0, 1.5, 7.0])
    sat, tau, start = np.array([0.8, 0.5, 1.2]), np.array([2.0, 0.3, 5.0]), 0.04
    times = np.linspace(0, 12, 25)
    found = wall_moisture(wetted, times, sat, tau, start)
    assert found.shape == (25, 3)
    for i in range(3):
        after = times[times >= wetted[i]]
        run = solve_ivp(
            lambda _, m, i=i: (sat[i] - m) / tau[i], (wetted[i], 12.0), [start], t_eval=after,
            method="DOP853", rtol=1e-11, atol=1e-13,
        )  # fmt: skip
        np.testing.assert_allclose(found[times >= wetted[i], i], run.y[0], rtol=1e-9)
        np.testing.assert_array_equal(found[times < wetted[i], i], start)


def test_what_is_never_wetted_stays_as_it_was():
    found = wall_moisture([np.nan, 0.0], 1e9, 0.8, 3.0, 0.05)
    np.testing.assert_array_equal(found, [0.05, 0.8])
    assert wall_moisture([], [1.0, 2.0], 0.8, 3.0).shape == (2, 0)


def test_a_wall_in_no_time():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = wall_moisture([1.0], [0.5, 1.0, 1.1], 0.8, 1e-310)
    np.testing.assert_array_equal(found[:, 0], [0.0, 0.0, 0.8])


def _slab(faces, cells, length, diffusivity):
    """Matrix of dm/dt in a slab whose wet faces are held, cell by cell (finite volumes)."""
    dx = length / cells
    a = np.diag(np.full(cells, -2.0)) + np.eye(cells, k=1) + np.eye(cells, k=-1)
    a[0, 0] = -3.0  # the face is half a cell away
    a[-1, -1] = -3.0 if faces == 2 else -1.0
    return a * diffusivity / dx**2


@pytest.mark.parametrize("faces", [1, 2])
def test_slab_time_is_how_diffusion_dies_away(faces):
    """Late decay of the mean of a slab by finite volumes; Crank, The Mathematics of Diffusion."""
    length, diffusivity = 2e-4, 1e-10
    tau = slab_time(length, diffusivity, faces)
    dry = expm(_slab(faces, 120, length, diffusivity) * tau)
    left = np.ones(120)
    means = []
    for _ in range(4):
        left = dry @ left
        means.append(left.mean())
    assert -1 / math.log(means[3] / means[2]) == pytest.approx(1.0, abs=2e-4)


def test_slab_time_by_hand():
    """0.2 mm, 1e-10 m2/s: (2e-4)^2 / (pi^2 1e-10) = 40.528 s from both faces, 4 times from one."""
    assert slab_time(2e-4, 1e-10) == pytest.approx(40.5285, rel=1e-5)
    assert slab_time(2e-4, 1e-10, 1) == pytest.approx(162.1139, rel=1e-5)


def test_how_late_first_order_exchange_is():
    """Against the mean of a slab by finite volumes: late by at most the share that is told.

    By hand: early the mean is 4 sqrt(D t / pi) / L (Crank 1975, eq. 4.20, from memory), 0.718
    sqrt(t / tau); less 1 - exp(-t / tau), that is most at 0.19 tau, and there 0.140.
    """
    a = _slab(2, 400, 1.0, 1.0)
    tau = slab_time(1.0, 1.0)
    values, vectors = np.linalg.eigh(a)
    weights = vectors.mean(axis=0) * vectors.sum(axis=0)
    times = np.linspace(0.0, 4 * tau, 400)
    true = 1 - np.exp(times[:, None] * values) @ weights
    behind = true - wall_moisture([0.0], times, 1.0, tau)[:, 0]
    assert behind.min() > -1e-3
    assert behind.max() == pytest.approx(0.140, abs=0.001)
    assert times[np.argmax(behind)] / tau == pytest.approx(0.19, abs=0.015)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: wall_moisture([0.0], [1.0], -0.1, 1.0), "saturated .*got -0.1"),
        (lambda: wall_moisture([0.0], [1.0], 0.5, 0.0), "tau .*above 0.*got 0"),
        (lambda: wall_moisture([np.inf], [1.0], 0.5, 1.0), "wetted_at .*got inf"),
        (lambda: wall_moisture([[0.0]], [1.0], 0.5, 1.0), r"wetted_at .*got shape \(1, 1\)"),
        (lambda: wall_moisture([0.0], [np.nan], 0.5, 1.0), "times .*got nan"),
        (lambda: wall_moisture([0.0, 1.0], 1.0, 0.5, [1.0] * 3), r"tau .*\(2,\).*got .*\(3,\)"),
        (lambda: slab_time(1e-4, 1e-10, 3), "faces must be 1 or 2, got 3"),
        (lambda: slab_time(0.0, 1e-10), "thickness .*got 0"),
        (lambda: slab_time(1e-4, -1.0), "diffusivity .*got -1"),
    ],
)
def test_moisture_says_what_is_wrong(call, said):
    with pytest.raises(ValueError, match=said):
        call()


# ---- bending -------------------------------------------------------------------------------

HEIGHT, WIDTH, SPAN = 0.01, 0.02, 0.08


def _elastic(strength, height, width, span):
    """4 sigma I / (c span): snap force of a uniform bar on two supports (any text on beams)."""
    return 4 * strength * (width * height**3 / 12) / (height / 2 * span)


@pytest.mark.parametrize("fibres", [1, 2, 3, 7, 64, 1001])
def test_uniform_bar(fibres):
    """2 s b h^2 / (3 span) = 3.3333 N for 200 kPa; as a cantilever s b h^2 / (6 span), 0.83333."""
    strength = np.full(fibres, 2e5)
    force = snap_force(strength, HEIGHT, WIDTH, SPAN)
    assert force == pytest.approx(10 / 3, rel=1e-12)
    assert force == pytest.approx(_elastic(2e5, HEIGHT, WIDTH, SPAN), rel=1e-12)
    bent = snap_force(strength, HEIGHT, WIDTH, SPAN, "cantilever")
    assert bent == pytest.approx(10 / 12, rel=1e-12)
    assert isinstance(force, float)


@pytest.mark.parametrize(("below", "above"), [(0, 3), (3, 0), (2, 2), (1, 4)])
def test_dead_skins_leave_the_sound_core(below, above):
    """Fibres without strength might as well be cut away: the closed form of what is left."""
    strength = np.full(12, 2e5)
    strength[:below] = 0.0
    strength[12 - above :] = 0.0
    core = HEIGHT * (12 - below - above) / 12
    assert snap_force(strength, HEIGHT, WIDTH, SPAN) == pytest.approx(
        _elastic(2e5, core, WIDTH, SPAN), rel=1e-12
    )


def test_strength_that_falls_straight():
    """By hand: s = z: c = 1 / sqrt(2), moment (1 - c) / 3; s = 1 - |2 z - 1|: moment 1 / 12.

    Thin fibres, as the profile is not even within one; of the first, integral of z |z - c| over
    0 to 1 = c^3 / 3 - c / 2 + 1 / 3 = (1 - c) / 3 at c^2 = 1 / 2.
    """
    z = (np.arange(2000) + 0.5) / 2000
    assert moment_capacity(z, 1.0, 1.0) == pytest.approx((1 - 0.5**0.5) / 4.5, rel=1e-6)
    roof = 1 - np.abs(2 * z - 1)
    assert moment_capacity(roof, 1.0, 1.0) == pytest.approx(1 / 18, rel=1e-6)


def test_no_strength_no_force():
    assert snap_force(np.zeros(5), HEIGHT, WIDTH, SPAN) == 0.0
    assert snap_force([0.0, 5e-324, 0.0], HEIGHT, WIDTH, SPAN) < 1e-300
    # a hinge in the middle leaves two halves that pull and push: no loss
    assert moment_capacity([1.0, 0.0, 1.0], 3.0, 1.0) == pytest.approx((9 - 1) / 6)


def _admissible(strength, height, width):
    """The largest moment of stresses that stay within the strengths, by linear programming.

    strength (cells across, fibres). No axial force, and no moment about the upright axis.
    """
    across, fibres = strength.shape
    z = (np.arange(fibres) + 0.5) * height / fibres
    y = ((np.arange(across) + 0.5) / across - 0.5) * width
    area = height * width / strength.size
    at_z, at_y = np.broadcast_to(z, strength.shape).ravel(), np.repeat(y, fibres)
    limit = strength.ravel()
    found = linprog(
        -at_z / height,
        A_eq=np.array([np.ones(limit.size), at_y / width]),
        b_eq=[0, 0],
        bounds=np.column_stack([-limit, limit]),
        method="highs",
    )
    assert found.success
    return -found.fun * area * height


@pytest.mark.parametrize("seed", range(8))
def test_capacity_against_linear_programming(seed):
    """Lower-bound theorem (Drucker, Prager & Greenberg 1952): scipy's linprog on thin fibres."""
    rng = np.random.default_rng(seed)
    profile = rng.uniform(0, 1, 6) ** 3 * (rng.uniform(0, 1, 6) > 0.2)
    thin = np.repeat(profile, 100)[None, :]
    assert moment_capacity(profile, HEIGHT, WIDTH) == pytest.approx(
        _admissible(thin, HEIGHT, WIDTH) / 1.5, rel=1e-4, abs=1e-12
    )


@pytest.mark.parametrize("seed", range(4))
def test_cells_across_the_width_count_by_their_mean(seed):
    """Exact where left and right are alike, an upper bound elsewhere (linprog)."""
    rng = np.random.default_rng(seed)
    cells = rng.uniform(0.0, 1.0, (6, 40))
    alike = cells + cells[::-1]
    mean = moment_capacity(alike.mean(axis=0), HEIGHT, WIDTH)
    assert mean == pytest.approx(_admissible(alike, HEIGHT, WIDTH) / 1.5, rel=2e-3)
    lopsided = cells * np.linspace(0, 1, 6)[:, None] ** 2
    upper = moment_capacity(lopsided.mean(axis=0), HEIGHT, WIDTH)
    assert _admissible(lopsided, HEIGHT, WIDTH) / 1.5 < upper


STRENGTHS = st.lists(
    st.tuples(st.floats(0, 1e7), st.one_of(st.just(0.0), st.just(1.0), st.floats(0, 1))),
    min_size=1, max_size=40,
)  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(STRENGTHS)
def test_weakening_a_fibre_never_helps(pairs):
    """By duality the capacity is a least sum of terms that each rise with a strength.

    1e-300 N: below 1e-308 numbers have fewer digits.
    """
    before = np.array([strength for strength, _ in pairs])
    after = before * np.array([left for _, left in pairs])
    full = snap_force(before, HEIGHT, WIDTH, SPAN)
    assert snap_force(after, HEIGHT, WIDTH, SPAN) <= full * (1 + 1e-12) + 1e-300
    assert full <= _elastic(before.max(), HEIGHT, WIDTH, SPAN) * (1 + 1e-12) + 1e-300
    assert full >= _elastic(before.min(), HEIGHT, WIDTH, SPAN) * (1 - 1e-12) - 1e-300
    assert snap_force(before[::-1], HEIGHT, WIDTH, SPAN) == pytest.approx(
        full, rel=1e-9, abs=1e-300
    )


def test_weakening_single_fibres_near_the_middle():
    """Seeded, for the small changes a search may miss: one fibre in 20, by a part in a million."""
    rng = np.random.default_rng(5)
    before = rng.uniform(0, 1, (5000, 20))
    after = before.copy()
    after[np.arange(5000), rng.integers(0, 20, 5000)] *= 1 - 1e-6
    change = moment_capacity(after, 1.0, 1.0) - moment_capacity(before, 1.0, 1.0)
    assert change.max() <= 1e-15
    assert change.min() < -1e-9


def test_against_the_elastic_bar_whose_stiffness_goes_with_strength():
    """Alike above and below, that bar snaps at sum(s z^2) 2 / h: never above 1.5 times ours."""
    rng = np.random.default_rng(2)
    half = rng.uniform(0, 1, (500, 20))
    profile = np.concatenate([half[:, ::-1], half], axis=1)
    edges = np.linspace(-0.5, 0.5, 41)
    elastic = (profile * np.diff(edges**3) / 3).sum(axis=1) * 2
    ours = moment_capacity(profile, 1.0, 1.0)
    assert np.all(elastic <= 1.5 * ours)
    # A hollow bar, a thin shell: two thirds, the worst there is.
    shell = np.zeros(1000)
    shell[[0, -1]] = 1.0
    edges = np.linspace(-0.5, 0.5, 1001)
    exact = (shell * np.diff(edges**3) / 3).sum() * 2
    assert moment_capacity(shell, 1.0, 1.0) / exact == pytest.approx(2 / 3, abs=1e-3)


def _elastic_core(strength):
    """Most that elastic fibres of that stiffness carry up to their first break, skins cut away."""
    n, most = len(strength), 0.0
    edges = np.linspace(0.0, 1.0, n + 1)
    for low in range(0, n, 4):
        for high in range(low + 4, n + 1, 4):
            s, e = strength[low:high], edges[low : high + 1]
            middle = (s * np.diff(e**2) / 2).sum() / (s * np.diff(e)).sum()
            stiffness = (s * np.diff((e - middle) ** 3) / 3).sum()
            most = max(most, stiffness / max(e[-1] - middle, middle - e[0]))
    return most


def test_how_far_from_elastic_fibres():
    """The figures that the description of the model tells, soaked bars and a straight fall."""
    z = (np.arange(200) + 0.5) / 200
    more = moment_capacity(z, 1.0, 1.0) / _elastic_core(z) - 1
    assert more == pytest.approx(0.43, abs=0.01)
    soaked = []
    for reach in (0.05, 0.1, 0.2, 0.4, 0.8):
        for depth in (z, np.minimum(z, 1 - z)) if reach < 0.5 else (z,):
            strength = fermi(0.8 * erfc(depth / reach), 0.45, 0.04)
            soaked.append(moment_capacity(strength, 1.0, 1.0) / _elastic_core(strength) - 1)
    assert 0.0 < min(soaked) < 0.015
    assert max(soaked) == pytest.approx(0.18, abs=0.01)


def test_many_times_at_once():
    rng = np.random.default_rng(3)
    strength = rng.uniform(0, 1e5, (4, 3, 17))
    together = snap_force(strength, HEIGHT, WIDTH, SPAN)
    assert together.shape == (4, 3)
    for index in np.ndindex(4, 3):
        assert together[index] == snap_force(strength[index], HEIGHT, WIDTH, SPAN)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: snap_force([-1.0], HEIGHT, WIDTH, SPAN), "strength .*got -1"),
        (lambda: snap_force([np.nan], HEIGHT, WIDTH, SPAN), "strength .*got nan"),
        (lambda: snap_force(1.0, HEIGHT, WIDTH, SPAN), r"strength .*got shape \(\)"),
        (lambda: snap_force(np.ones((2, 0)), HEIGHT, WIDTH, SPAN), r"strength .*got shape \(2, 0"),
        (lambda: snap_force([1.0], 0.0, WIDTH, SPAN), "height .*got 0"),
        (lambda: snap_force([1.0], HEIGHT, [1.0, 2.0], SPAN), "width .*single number"),
        (lambda: snap_force([1.0], HEIGHT, WIDTH, -1.0), "span .*got -1"),
        (lambda: snap_force([1.0], HEIGHT, WIDTH, SPAN, "four-point"), "'three-point' or 'cantil"),
    ],
)
def test_bending_says_what_is_wrong(call, said):
    with pytest.raises(ValueError, match=said):
        call()


# ---- overhang ------------------------------------------------------------------------------


def test_overhang_moment_by_hand():
    """0.2 kg/m over 60 mm: 0.012 kg * 9.80665 m/s2 * 0.03 m = 3.530394e-3 N m."""
    assert overhang_moment(0.2, 0.06) == pytest.approx(3.530394e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: overhang_moment(-0.1, 0.06), "mass_per_length .*got -0.1"),
        (lambda: overhang_moment(0.1, 0.0), "overhang .*got 0"),
    ],
)
def test_overhang_says_what_is_wrong(call, said):
    with pytest.raises(ValueError, match=said):
        call()
