"""The oracle after the solid is lifted out, against closed forms. All values are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import oracle_march
import pytest
from oracle_tubes import Fluid
from scipy.integrate import solve_ivp

GC, MU = 0.036, 1e-3  # 0.072 N/m, 60 degrees, 1 mPa s
STANDARD = Fluid(0.072, 60.0, MU)
SIZE = 1e-3


def chain(count):
    points = np.zeros((count + 1, 3))
    points[:, 2] = SIZE * np.arange(count + 1)
    k = np.arange(count)
    return points, np.stack([k, k + 1], 1)


def lifted(radius, lift, fluid=STANDARD, until=np.inf, **more):
    """A chain of tubes of these radii, fed at its first end."""
    points, ends = chain(len(radius))
    keys = {"lift": lift, "until": until, "tolerance": 1e-9, "start": 1e-8}
    return oracle_march.soak(points, ends, np.array(radius), SIZE, [0], fluid, **(keys | more))


def kept(found, radius, rtol=1e-9):
    """Liquid after the lift, over what was there at the lift: 1."""
    since = found.log[0][0]
    taken = found.uptake[(found.time >= since)]
    np.testing.assert_allclose(taken[1:], taken[1], rtol=rtol)
    total = np.pi * np.square(radius) * SIZE
    assert abs(found.owed) <= rtol * total.sum()
    return taken[-1]


def first_full(radius):
    return 2 * MU * SIZE**2 / (GC * radius)  # Washburn 1921


def test_a_wide_tube_empties_into_a_narrow_one():
    """Drive 2 gamma cos (1 / r_n - 1 / r_w) over the resistance of both wetted lengths."""
    wide, narrow = 20e-6, 8e-6
    lift = 1.2 * first_full(wide)
    drive = 2 * GC * (1 / narrow - 1 / wide)
    # at the lift: dx (r_w^-4 L + r_n^-4 x) 8 mu r_n^2 = 2 gamma cos / r_n dt from x = 0
    a, b = SIZE * wide**-4, narrow**-4
    k = 8 * MU * narrow**2
    x0 = (-a + np.sqrt(a * a + 2 * b * 2 * GC / narrow * 0.2 * first_full(wide) / k)) / b

    def after(x):  # time from the lift until the narrow tube is wet to x
        shrink = (narrow / wide) ** 2  # the wide one loses that much a length
        own = (b - shrink * wide**-4) * (x**2 - x0**2) / 2
        return k / drive * (own + (SIZE + shrink * x0) * wide**-4 * (x - x0))

    at = lift + after(np.array([0.3, 0.5, 0.7, 0.9]) * SIZE)
    found = lifted([wide, narrow], (lift,), until=1.0, at=at)
    assert found.filled_at[1] == pytest.approx(lift + after(SIZE), rel=1e-6)
    for share, state in zip((0.3, 0.5, 0.7, 0.9), found.states, strict=False):
        assert state.x[2] / SIZE == pytest.approx(share, rel=1e-6)
        back = SIZE - (share * SIZE - x0) * (narrow / wide) ** 2
        assert state.x[1] == pytest.approx(back, rel=1e-7)
        flow = drive / (8 * MU / np.pi) / (state.x[1] * wide**-4 + state.x[2] * narrow**-4)
        p = -2 * GC / wide - flow * 8 * MU / np.pi * state.x[1] * wide**-4
        assert state.pressure[1] == pytest.approx(p, rel=1e-6)
    end = found.states[-1]
    np.testing.assert_array_equal(end.full, [False, True])
    np.testing.assert_array_equal(end.dry, [True, False, False])
    np.testing.assert_allclose(end.pressure[1:], -2 * GC / wide, rtol=1e-9)
    kept(found, [wide, narrow])


def test_a_wide_tube_empties_by_scipy():
    """The same for a power-law liquid, by solve_ivp."""
    wide, narrow, n, thick = 20e-6, 8e-6, 0.6, 0.05
    fluid = replace(STANDARD, consistency=thick, index=n)
    alone = lifted([wide, narrow], (), fluid)
    lift = alone.filled_at[0] + 0.2 * (alone.filled_at[1] - alone.filled_at[0])
    at = lift + np.array([0.3, 0.6]) * (alone.filled_at[1] - lift)
    found = lifted([wide, narrow], (lift,), fluid, 20 * lift, at=(lift, *at))
    x0 = found.states[0].x[2]
    drive = 2 * GC * (1 / narrow - 1 / wide)

    def speed(_, x):
        # loss = 2 K L / r (Q (3 n + 1) / (n pi r^3))^n: Rabinowitsch and Mooney
        back = SIZE - (x - x0) * (narrow / wide) ** 2
        loss = sum(
            2 * thick * z / r * ((3 * n + 1) / (n * np.pi * r**3)) ** n
            for z, r in ((back, wide), (x, narrow))
        )
        return (drive / loss) ** (1 / n) / (np.pi * narrow**2)

    keys = {"rtol": 1e-11, "atol": 1e-16, "t_eval": at}
    run = solve_ivp(speed, (lift, at[-1]), [x0], **keys)
    for state, x in zip(found.states[1:], run.y[0], strict=False):
        assert state.x[2] == pytest.approx(x, rel=1e-6)
    kept(found, [wide, narrow])


@pytest.mark.parametrize("receding", [48.0, 40.0, 0.0])
def test_hysteresis_holds(receding):
    """Nothing moves if cos(advancing) / r_narrow < cos(receding) / r_wide."""
    wide, narrow = 20e-6, 14e-6  # cos 60 * 20 / 14 = 0.714, of 44.4 degrees
    fluid = replace(STANDARD, receding=receding)
    lift = 1.2 * first_full(wide)
    found = lifted([wide, narrow], (lift,), fluid, until=1.0, at=(lift,))
    first, last = found.states
    if receding < 44.4:
        assert last.full[0] and not last.dry[:2].any()
        np.testing.assert_array_equal(last.x, first.x)
        assert np.isnan(last.pressure).all()
    else:
        assert last.full[1] and not last.full[0] and last.dry[0]
        assert found.filled_at[1] > lift
    kept(found, [wide, narrow])
