"""The oracle of drops against scipy's integration of the same few tubes. Values are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import oracle_sitting
import pytest
from oracle_drop import of_volume
from oracle_graphs import THIN
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

LENGTH, G = 1e-3, 9.80665
DROP = 2e-12


def cap_pressure(volume, base, receding, pull):
    """Of the drop on that base while it is pinned, by the sphere's radius R = (a^2 + h^2) / 2 h."""

    def over(h, a):
        return np.pi * h * (3 * a * a + h * h) / 6 - volume

    a = base
    h = brentq(over, 0, 10 * np.cbrt(volume), (a,), xtol=1e-20, rtol=1e-14)
    least = np.tan(np.radians(receding) / 2)
    if h < a * least:
        a = np.cbrt(6 * volume / (np.pi * least * (3 + least**2)))
        h = a * least
    return 2 * THIN.gamma * 2 * h / (a * a + h * h) + 2 / 3 * THIN.density * pull * h


def test_caps_by_quadrature():
    """The volume of a cap is the integral of its circles."""
    for angle in np.radians([5.0, 48.0, 90.0, 130.0]):
        base = oracle_sitting.base_of(DROP, angle)
        h = oracle_sitting.height_of(DROP, base)
        ball = base / np.sin(angle)
        assert ball * (1 - np.cos(angle)) == pytest.approx(h, rel=1e-12)
        whole = quad(lambda z, r=ball, top=h: np.pi * (r * r - (z + r - top) ** 2), 0, h)[0]
        assert whole == pytest.approx(DROP, rel=1e-10)
        assert oracle_sitting.volume_on(base, angle) == pytest.approx(DROP, rel=1e-12)


def test_the_pressure_is_young_laplace_of_a_small_drop():
    """1 uL of water, to the 1.4 % by which the model is said to be high there."""
    lc = np.sqrt(0.072 / (1000 * G))
    water = replace(THIN, gamma=0.072, density=1000.0, angle=60.0)
    cap = oracle_sitting.Cap(water, G)
    cap.take(0.0, 1e-9, True)
    known = of_volume(1e-9 / lc**3, 60.0).base_pressure * 1000 * G * lc
    assert 1.0 < cap.pressure(1e-9) / known < 1.014


def row(radii, spacing):
    """Upright tubes in a row: points, ends, and their mouths."""
    k = len(radii)
    x = spacing * np.arange(k)
    top = np.column_stack([x, np.zeros(k), np.zeros(k)])
    points = np.concatenate([top, top - [0, 0, LENGTH]])
    return points, np.column_stack([np.arange(k), k + np.arange(k)]), np.arange(k)


@pytest.mark.parametrize(("receding", "pull"), [(0.0, 0.0), (25.0, 0.0), (48.0, G), (20.0, 1e4)])
def test_one_tube_under_a_drop_is_scipy(receding, pull):
    """d(x^2)/dt = r^2 (2 gamma cos(angle) / r + P(V)) / (4 eta), V falling by pi r^2 x."""
    radius = 30e-6
    points, ends, mouths = row([radius], 1e-3)
    points[1] = [0, LENGTH, 0]  # it lies level
    fluid = replace(THIN, receding=receding)
    base = oracle_sitting.base_of(DROP, np.radians(THIN.angle))
    area = np.pi * radius**2
    pull_in = 2 * THIN.gamma * np.cos(np.radians(THIN.angle)) / radius

    def speed(_, y):
        x = np.sqrt(np.maximum(y, 0))
        left = np.maximum(DROP - area * x, 1e-7 * DROP)[0]
        drive = pull_in + cap_pressure(left, base, receding, pull)
        return [radius**2 * drive / (4 * THIN.consistency)]

    empty = (DROP / area) ** 2 * 4 * THIN.consistency / (radius**2 * pull_in)
    at = empty * np.array([0.05, 0.2, 0.4, 0.6])
    run = solve_ivp(speed, (0, at[-1]), [0.0], t_eval=at, rtol=1e-11, atol=1e-22, method="DOP853")
    found = oracle_sitting.soak(
        points, ends, np.array([radius]), LENGTH, mouths, fluid, DROP, tuple(at), (),
        (0.0, 0.0, -pull),
    )  # fmt: skip
    for state, y in zip(found.states, run.y[0], strict=True):
        assert state.x[0] == pytest.approx(np.sqrt(y), rel=1e-6)
        assert state.left + state.volume.sum() == pytest.approx(DROP, rel=1e-12)


def test_tubes_that_the_base_leaves_stop_by_scipy():
    """Five mouths under a sliding drop, lying off the middle by 0, d and 2 d; the outer ones stop.

    d(x^2)/dt as above in each one that is covered. A bared tube has nothing to draw from.
    """
    radii, spacing = np.array([20e-6, 26e-6, 15e-6, 22e-6, 30e-6]), 60e-6
    points, ends, mouths = row(radii, spacing)
    points[5:] = points[:5] + [0, LENGTH, 0]
    points[:5] *= [1.0001, 1, 1]  # so that it is clear which of two goes first
    points[0, 0] -= 2e-6
    fluid = replace(THIN, receding=30.0)
    away = oracle_sitting.distances(points, mouths)[:5]
    base = oracle_sitting.base_of(DROP, np.radians(THIN.angle))
    assert away.max() < base
    area, pull_in = np.pi * radii**2, 2 * THIN.gamma * np.cos(np.radians(48.0)) / radii
    edge = np.array([oracle_sitting.volume_on(a, np.radians(30.0)) for a in away])
    edge[np.argmin(away)] = 0.0

    def left_of(y):
        return max(DROP - (area * np.sqrt(np.maximum(y, 0))).sum(), 1e-7 * DROP)

    y, now, end = np.zeros(5), 0.0, 4e-4
    covered = np.ones(5, bool)
    at = np.array([5e-5, 1e-4, 2e-4, end])
    states = {}
    while now < end:
        below = edge[covered & (edge > 0)].max(initial=0.0)
        here = covered.copy()

        def speed(_, y, covered=here):
            drive = pull_in + cap_pressure(left_of(y), base, 30.0, 0.0)
            return np.where(covered, radii**2 * drive / (4 * THIN.consistency), 0.0)

        def leaves(_, y, below=below):
            return left_of(y) - below

        leaves.terminal = True
        run = solve_ivp(
            speed, (now, end), y, t_eval=at[at > now], events=leaves, rtol=1e-11, atol=1e-20,
            method="DOP853",
        )  # fmt: skip
        states |= dict(zip(run.t, np.array(run.y).T, strict=False))
        if not len(run.t_events[0]):
            break
        now, y = run.t_events[0][0], run.y_events[0][0]
        covered &= edge < below * (1 - 1e-9)
    assert 1 <= covered.sum() <= 3
    found = oracle_sitting.soak(
        points, ends, radii, LENGTH, mouths, fluid, DROP, tuple(at), tolerance=1e-9
    )
    assert [what for _, what, _ in found.log if what == "uncover"]
    for state in found.states:
        np.testing.assert_allclose(state.x[0::2], np.sqrt(states[state.time]), rtol=2e-6)


def test_a_drop_on_a_drop_keeps_its_base_or_spreads():
    cap = oracle_sitting.Cap(replace(THIN, receding=20.0), 0.0)
    cap.take(0.0, DROP, True)
    first = cap.wide
    assert first == pytest.approx(oracle_sitting.base_of(DROP, np.radians(48.0)))
    cap.take(0.45 * DROP, 0.9 * DROP, False)  # still pinned, and less than fits at 48 degrees
    assert cap.wide == first
    cap.take(0.9 * DROP, 1.9 * DROP, False)
    assert cap.wide == pytest.approx(oracle_sitting.base_of(1.9 * DROP, np.radians(48.0)))
    low = 0.05 * DROP  # it has slid
    slid = cap.base(low)
    assert slid == pytest.approx(oracle_sitting.base_of(low, np.radians(20.0)))
    cap.take(low, 1.2 * low, False)
    assert cap.wide == slid
