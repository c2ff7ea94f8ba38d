"""Grains that settle in a cup: closed forms, conserved volumes, and a fine-grid reckoning."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

import poresim as ps
from poresim.liquid.cup import Settling

DEPTH, PLACE = 0.02, 0.008


def one_class(speed: float = 1e-5, fraction: float = 0.05, place: float = PLACE) -> Settling:
    return Settling(DEPTH, place, [speed], [fraction])


def random_cup(rng: np.random.Generator, classes: int, fraction: float, sign: int = 1) -> Settling:
    share = rng.dirichlet(np.ones(classes))
    speed = rng.lognormal(math.log(1e-5), 1.0, classes)
    return Settling(DEPTH, rng.uniform(0, DEPTH), sign * speed, fraction * share)


# ---- one size ------------------------------------------------------------------------------


@pytest.mark.parametrize("fraction", [0.0, 0.05, 0.3])
def test_the_clear_liquid_s_lower_edge_sinks_at_the_hindered_speed(fraction):
    """v (1 - phi)^4.65 t (Kynch 1952; Richardson & Zaki 1954)."""
    cup = one_class(1e-5, fraction)
    passes = PLACE / (1e-5 * (1 - fraction) ** 4.65)
    assert cup.next_change(0.0) == pytest.approx(passes, rel=1e-12)
    assert cup.next_change(passes * (1 + 1e-9)) == math.inf
    times = passes * np.array([0.0, 0.5, 1 - 1e-9, 1 + 1e-9, 50.0])
    np.testing.assert_array_equal(cup.offered(times), [[1], [1], [1], [0], [0]])
    left = cup.left_share(passes * np.array([0.0, 0.5, 1.0, 100.0]))
    np.testing.assert_allclose(left[:, 0], [1, 0.8, 0.6, 0], rtol=1e-12, atol=1e-15)


def test_ten_micrometres_leave_36_mm_in_an_hour():
    """Stokes 1851: 1.00790569e-5 m/s (excess density 370 kg/m3, 2 mPa s)."""
    grains = ps.Particles(1e-9, 10e-6, density=1370.0)
    liquid = ps.Liquid(ps.Newtonian(2e-3), 0.05, 50.0, 1000.0, particles=grains)
    above, below = (ps.Cup(0.05, place).settling(liquid) for place in (0.0362, 0.0364))
    assert above.offered(3600.0)[0, 0] == 0 and below.offered(3600.0)[0, 0] == 1
    assert below.next_change(3600.0) == pytest.approx(0.0364 / 1.00790569e-5, rel=1e-7)


def test_grains_that_rise_are_the_mirror_image(rng):
    for fraction in (0.02, 0.3):
        down = random_cup(rng, 4, fraction)
        up = Settling(DEPTH, DEPTH - down.place, -down.velocity, down.fraction)
        times = np.linspace(0, 5000, 40)
        for name in ("offered", "left_share", "sunk"):
            np.testing.assert_allclose(
                getattr(up, name)(times), getattr(down, name)(times), rtol=1e-12
            )


def test_held_grains_stay_and_hinder_for_ever():
    cup = Settling(DEPTH, PLACE, [1e-5, 0.0], [0.05, 0.2])
    assert cup.next_change(0.0) == pytest.approx(PLACE / (1e-5 * 0.75**4.65), rel=1e-12)
    np.testing.assert_array_equal(cup.offered([0.0, 1e9]), [[1, 1], [0, 1]])
    np.testing.assert_array_equal(cup.left_share([0.0, 1e9]), [[1, 1], [0, 1]])


def test_a_face_at_the_surface_is_left_at_once_and_one_at_the_floor_last(rng):
    speed, fraction = [1e-5, 3e-6], [0.03, 0.02]
    top, floor = (Settling(DEPTH, place, speed, fraction) for place in (0.0, DEPTH))
    np.testing.assert_array_equal(top.offered([0.0, 1.0]), 0)
    assert top.next_change(0.0) == math.inf
    for t in rng.uniform(0, 3e4, 50):
        np.testing.assert_array_equal(floor.offered(t) > 0, floor.left_share(t) > 0)


# ---- several sizes -------------------------------------------------------------------------


@pytest.mark.parametrize("classes", [1, 2, 5, 64])
@pytest.mark.parametrize("fraction", [0.0, 1e-7, 0.015, 0.1, 0.35, 0.6])
@pytest.mark.parametrize("sign", [1, -1])
def test_what_has_settled_and_what_is_afloat_is_all(rng, classes, fraction, sign):
    """Reckoned apart: what is afloat from the zones, what has settled from the floor's flow."""
    cup = random_cup(rng, classes, fraction, sign)
    times = np.concatenate([[0.0], np.geomspace(1e-2, 1e7, 300)])
    left, sunk = cup.left_share(times), cup.sunk(times)
    np.testing.assert_allclose(left + sunk, 1.0, rtol=0, atol=1e-10)
    assert np.all(np.diff(left, axis=0) <= 1e-12) and np.all(np.diff(sunk, axis=0) >= 0)
    assert np.all(left >= 0) and np.all(sunk[0] == 0) and np.all(left[-1] < 1e-12)


def test_fronts_conserve_every_class(rng):
    """In the frame of each front as much of a class arrives as leaves (Rankine-Hugoniot)."""
    for fraction in (0.01, 0.1, 0.4, 0.6):
        cup = random_cup(rng, 6, fraction)
        share, front = cup.share_in_zone, cup.front_speed
        grains = share * cup.fraction
        speed = cup.velocity * (1 - grains.sum(axis=1, keepdims=True)) ** 4.65
        assert np.all(np.diff(front) < 0) and len(front) == 6
        for k, v in enumerate(front):
            below, above = grains[k] * (speed[k] - v), grains[k + 1] * (speed[k + 1] - v)
            np.testing.assert_allclose(above, below, rtol=0, atol=1e-12 * v * fraction)


def test_without_hindrance_each_class_goes_its_own_way(rng):
    """No grains to speak of: every front at its class's own speed, nothing thickened behind."""
    cup = random_cup(rng, 5, 0.0)
    np.testing.assert_allclose(cup.front_speed, np.sort(cup.velocity)[::-1], rtol=1e-14)
    assert set(np.unique(cup.share_in_zone)) == {0.0, 1.0}


def fine_grid(speed: list, fraction: list, cells: int, until: float) -> np.ndarray:
    """(cells, classes) fractions: the conservation laws on a grid, upwind, one step after another.

    What leaves a cell is its grains at the hindered speed of the next cell down (Buerger et al.
    2008's scheme, from memory): no front is put in, and nothing is known of them.
    """
    h = DEPTH / cells
    phi = np.tile(fraction, (cells, 1))
    steps = math.ceil(until * max(speed) / (0.5 * h))
    for _ in range(steps):
        free = (1 - phi.sum(axis=1)) ** 4.65
        free_below = np.append(free[1:], free[-1])
        out = phi * speed * free_below[:, None]
        phi -= until / steps / h * np.diff(out, axis=0, prepend=0.0)
    return phi


@pytest.mark.parametrize(
    ("gone", "speed", "fraction"),
    [
        (0.7, [1e-5, 4e-6], [0.03, 0.02]),
        pytest.param(1.3, [1e-5, 4e-6], [0.03, 0.02], marks=pytest.mark.slow),
        pytest.param(0.7, [1e-5, 7e-6, 2e-6], [0.02, 0.05, 0.03], marks=pytest.mark.slow),
        (1.3, [1e-5, 7e-6, 2e-6], [0.02, 0.05, 0.03]),
        (2.0, [2e-6, 0.0, 1e-5], [0.04, 0.03, 0.06]),
        # From 18 % on what happens at the floor is felt above it once the edge has come there.
        (0.7, [1e-5, 8e-6, 6e-6, 0.0], [0.12, 0.1, 0.08, 0.05]),
        (0.7, [3e-6, 1e-5], [0.25, 0.15]),
    ],
)
def test_against_a_fine_grid(gone, speed, fraction):
    """Before and after the first edge has come to the floor: every profile, nearer the finer."""
    until = gone * DEPTH / Settling(DEPTH, PLACE, speed, fraction).front_speed[0]
    wrong = []
    for cells in (200, 800):
        x = (np.arange(cells) + 0.5) / cells * DEPTH
        exact = np.array([Settling(DEPTH, place, speed, fraction).offered(until)[0] for place in x])
        found = fine_grid(speed, fraction, cells, until) / fraction
        wrong.append(np.abs(found - exact).mean(axis=0).max())
        left = Settling(DEPTH, PLACE, speed, fraction).left_share(until)[0]
        np.testing.assert_allclose(found.mean(axis=0), left, rtol=0, atol=0.5 / cells)
    # Edges are smeared over a few cells (first order), over sqrt(cells) where hindrance is weak.
    assert wrong[1] < 0.6 * wrong[0]
    assert wrong[1] < 0.02
    # A negative control: a class that kept its concentration behind an edge would be found out.
    naive = np.abs(found - (exact > 0)).mean(axis=0).max()
    assert naive > 2 * wrong[1]


def test_slower_grains_thicken_behind_a_front_but_not_beyond_what_was_there(rng):
    for fraction in (0.05, 0.3):
        cup = random_cup(rng, 8, fraction)
        afloat = cup.share_in_zone > 0
        assert np.all(cup.share_in_zone[afloat] >= 1)
        total = (cup.share_in_zone * cup.fraction).sum(axis=1)
        assert np.all(np.diff(total) <= 1e-15) and total[0] == pytest.approx(fraction)


def test_classes_of_one_speed_leave_together():
    """Also where they differ in the last digits, and against their sum as one class."""
    both = Settling(DEPTH, PLACE, [1e-5, 1e-5 * (1 + 1e-13), 3e-6], [0.02, 0.03, 0.04])
    one = Settling(DEPTH, PLACE, [1e-5, 3e-6], [0.05, 0.04])
    np.testing.assert_allclose(both.front_speed, one.front_speed, rtol=1e-9)
    np.testing.assert_allclose(both.share_in_zone[:, [0, 2]], one.share_in_zone, rtol=1e-9)
    near = Settling(DEPTH, PLACE, [1e-5, 1e-5 * (1 - 1e-7), 3e-6], [0.02, 0.03, 0.04])
    np.testing.assert_allclose(near.left_share(1500.0)[0, 2], one.left_share(1500.0)[0, 1], 1e-6)


def test_a_class_without_grains_changes_nothing():
    with_it = Settling(DEPTH, PLACE, [1e-5, 8e-6, 3e-6], [0.05, 0.0, 0.04])
    without = Settling(DEPTH, PLACE, [1e-5, 3e-6], [0.05, 0.04])
    times = np.linspace(0, 9000, 50)
    for name in ("offered", "left_share"):
        np.testing.assert_allclose(
            getattr(with_it, name)(times)[:, [0, 2]], getattr(without, name)(times), atol=1e-9
        )
    assert np.isfinite(with_it.offered(times)).all()


# ---- means and changes ---------------------------------------------------------------------


def test_the_mean_over_a_time_is_exact(rng):
    cup = random_cup(rng, 5, 0.1)
    for _ in range(20):
        t0, t1 = np.sort(rng.uniform(0, 6000, 2))
        fine = np.linspace(t0, t1, 200_001)
        middle = (fine[1:] + fine[:-1]) / 2
        np.testing.assert_allclose(
            cup.offered_mean(t0, t1), cup.offered(middle).mean(axis=0), rtol=0, atol=2e-4
        )
    # Two parts make the whole to the last digits.
    whole, first, last = (cup.offered_mean(*span) for span in ((0, 900), (0, 300), (300, 900)))
    np.testing.assert_allclose(whole, first / 3 + 2 * last / 3, rtol=1e-13)
    np.testing.assert_array_equal(cup.offered_mean(7.0, 7.0), cup.offered(7.0)[0])


def test_changes_are_where_the_offer_changes(rng):
    cup = random_cup(rng, 6, 0.1)
    t, seen = 0.0, 0
    while (after := cup.next_change(t)) < math.inf:
        assert after > t
        before, then = cup.offered([after * (1 - 1e-12), after])
        assert np.any(before != then)
        steady = cup.offered(t + (after - t) * np.linspace(0, 1 - 1e-9, 7))
        np.testing.assert_array_equal(steady, np.tile(steady[0], (7, 1)))
        t, seen = after, seen + 1
    assert seen == 6
    np.testing.assert_array_equal(cup.offered(t), 0)


# ---- cups and liquids ----------------------------------------------------------------------

GRAINS = ps.Particles(0.05, [5e-6, 20e-6, 60e-6], [1.0, 2.0, 1.0], density=1400.0)


def liquid(law: object = ps.Newtonian(1.2e-3), grains: ps.Particles | None = GRAINS) -> ps.Liquid:
    return ps.Liquid(law, 0.052, 48.0, 1005.0, particles=grains)


def test_a_cup_takes_speeds_and_shares_from_the_liquid():
    cup = ps.Cup(DEPTH, PLACE, volume=2e-5).settling(liquid())
    np.testing.assert_allclose(cup.fraction, [0.0125, 0.025, 0.0125], rtol=1e-14)
    np.testing.assert_array_equal(cup.velocity, ps.settling_velocity(liquid()))
    assert (cup.depth, cup.place) == (DEPTH, PLACE)
    assert cup.offered(0.0).shape == (1, 3) and cup.offered(np.zeros(4)).shape == (4, 3)


def test_a_yield_stress_keeps_the_small_ones_afloat():
    cup = ps.Cup(DEPTH, PLACE).settling(liquid(ps.Bingham(5e-3, 2e-3)))
    np.testing.assert_array_equal(cup.offered(1e7), [[1, 1, 0]])


def test_what_is_stirred_offers_everything_for_ever():
    assert (ps.Stirred().volume, ps.Stirred(1e-5).volume) == (None, 1e-5)
    still = ps.Stirred().settling(liquid())
    np.testing.assert_array_equal(still.offered([0.0, 1e9]), np.ones((2, 3)))
    np.testing.assert_array_equal(still.offered_mean(0.0, 1e9), np.ones(3))
    np.testing.assert_array_equal(still.left_share(1e9), np.ones((1, 3)))
    np.testing.assert_array_equal(still.sunk(1e9), np.zeros((1, 3)))
    assert still.next_change(0.0) == math.inf


@pytest.mark.parametrize("reservoir", [ps.Cup(DEPTH, PLACE), ps.Stirred()])
def test_a_liquid_without_grains_has_no_classes(reservoir):
    clear = reservoir.settling(liquid(grains=None))
    assert clear.offered([1.0, 2.0]).shape == (2, 0)
    assert clear.offered_mean(0.0, 1.0).shape == (0,)
    assert clear.left_share(1.0).shape == clear.sunk(1.0).shape == (1, 0)
    assert clear.next_change(0.0) == math.inf


def test_cups_go_to_other_processes():
    cup = ps.Cup(DEPTH, PLACE, 1e-5)
    assert pickle.loads(pickle.dumps(cup)) == cup
    there = pickle.loads(pickle.dumps(cup.settling(liquid())))
    np.testing.assert_array_equal(there.offered(99.0), cup.settling(liquid()).offered(99.0))


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: ps.Cup(0.0, 0.0), "depth .* above 0"),
        (lambda: ps.Cup(math.inf, 0.0), "depth .* finite"),
        (lambda: ps.Cup(0.02, 0.03), r"place \(m below the surface\) must lie in 0 to depth"),
        (lambda: ps.Cup(0.02, -0.001), "place"),
        (lambda: ps.Cup(0.02, 0.01, 0.0), "volume .* above 0"),
        (lambda: ps.Stirred(-1.0), "volume .* above 0"),
        (lambda: Settling(0.02, 0.01, [1e-5, -1e-5], [0.1, 0.1]), "all sink or all rise"),
        (lambda: Settling(0.02, 0.01, [math.nan], [0.1]), "velocity must be finite"),
        (lambda: Settling(0.02, 0.01, [1e-5], [0.1, 0.1]), "one value a class"),
        (lambda: Settling(0.02, 0.01, [1e-5, 2e-5], [0.5, 0.5]), "add up to below 1, got 1"),
        (lambda: Settling(0.02, 0.01, [1e-5], [-0.1]), "fraction must lie in 0 to 1"),
        (lambda: one_class().offered([-1.0]), "times must lie in 0"),
        (lambda: one_class().offered([math.nan]), "times must lie in 0"),
        (lambda: one_class().left_share(math.inf), "times must lie in 0"),
        (lambda: one_class().offered_mean(2.0, 1.0), "from 2 to 1"),
        (lambda: one_class().offered(np.zeros((2, 2))), r"times must hold one row, got shape"),
    ],
)
def test_what_lies_outside_is_refused(ask, said):
    with pytest.raises(ValueError, match=said):
        ask()
