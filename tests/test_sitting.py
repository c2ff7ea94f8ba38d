"""A drop as all the liquid there is: how long a bundle takes to drink it, what is left of it."""

from __future__ import annotations

import numpy as np
import pytest

import poresim as ps
from poresim.drop.base import Drop
from poresim.drop.soak_time import constant_base, shrinking_base
from poresim.uptake.result import Ending
from poresim.uptake.sitting import LEAST

VOLUME, RADIUS = 1e-9, 1e-7  # m3; m, so fine that the drop presses next to nothing
TENSION, ANGLE, VISCOSITY = 0.05, 60.0, 2e-3


def liquid(receding: float | None, **more) -> ps.Liquid:
    keys = {
        "viscosity": ps.Newtonian(VISCOSITY),
        "surface_tension": TENSION,
        "contact_angle_deg": ANGLE,
        "receding_angle_deg": receding,
        "density": 1000.0,
    }
    return ps.Liquid(**(keys | more))


def bundle(side: int):
    """Upright tubes under the whole base, and their share of it."""
    base = Drop(VOLUME, ANGLE, ANGLE, TENSION, 1000.0).first_base_radius
    spacing = 2.02 * base / (side - 1)
    share = np.pi * RADIUS**2 / spacing**2
    length = 3.3 * VOLUME / (share * np.pi * base**2)
    at = (np.arange(side) - (side - 1) / 2) * spacing
    x, y = (v.ravel() for v in np.meshgrid(at, at))
    top = np.column_stack([x, y, np.zeros(side**2)])
    points = np.concatenate([top, top - [0, 0, length]])
    mouths = np.arange(side**2)
    solid = ps.Network(
        points, np.column_stack([mouths, mouths + side**2]), np.full(side**2, RADIUS)
    )
    return solid, mouths, base, share


def time_left(soak: ps.Soak, share: float) -> float:
    """When so much of the drop was left."""
    left = soak.drop_m3 / VOLUME
    k = int(np.argmax(left <= share))
    return float(np.interp(share, left[[k, k - 1]], soak.time_s[[k, k - 1]]))


@pytest.mark.parametrize("accuracy", [1e-2, pytest.param(1e-3, marks=pytest.mark.slow)])
def test_a_sliding_drop_takes_nine_times_as_long_as_a_pinned_one(accuracy) -> None:
    """Denesuk et al. 1993, J Colloid Interface Sci 158:114 (from memory)."""
    solid, mouths, base, share = bundle(80)
    known = (VOLUME, base, share, RADIUS, VISCOSITY, TENSION, ANGLE)
    pinned = ps.soak(
        solid, liquid(0.0), mouths, until_s=3 * constant_base(*known), accuracy=accuracy,
        drop_m3=VOLUME,
    )  # fmt: skip
    slides = ps.soak(
        solid, liquid(ANGLE), mouths, until_s=2 * shrinking_base(*known), accuracy=accuracy,
        drop_m3=VOLUME,
    )  # fmt: skip
    short, long = (
        float(soak.time_s[soak.drop_m3 <= 1.01 * LEAST * VOLUME][0]) for soak in (pinned, slides)
    )
    assert short == pytest.approx(constant_base(*known), rel=0.01)
    assert long / short == pytest.approx(9, rel=0.02)
    # on the way: r = r0 (1 - sqrt(T / time)), and V as its cube
    gone = time_left(slides, 0.125) / shrinking_base(*known)
    assert gone == pytest.approx(0.25, rel=0.02)
    gone = time_left(pinned, 0.5) / constant_base(*known)
    assert gone == pytest.approx(0.25, rel=0.01)
    for soak in (pinned, slides):
        total = soak.drop_m3 + soak.uptake_m3
        np.testing.assert_allclose(total, VOLUME, rtol=1e-9)
        assert soak.volume_balance <= 1e-2 * accuracy


def block(seed: int = 3, typical: float = 10e-6) -> ps.Network:
    """A cubic lattice of invented radii, 14 x 14 x 8 junctions."""
    shape, spacing = (14, 14, 8), 80e-6
    index = np.arange(np.prod(shape)).reshape(shape)
    ends = np.concatenate(
        [
            np.stack([index.take(range(n - 1), k).ravel(), index.take(range(1, n), k).ravel()], 1)
            for k, n in enumerate(shape)
        ]
    )
    points = np.stack(np.unravel_index(index.ravel(), shape), 1) * spacing
    rng = np.random.default_rng(seed)
    return ps.Network(points, ends, typical * np.exp(0.3 * rng.standard_normal(len(ends))))


TOP = np.arange(14 * 14 * 8).reshape(14, 14, 8)[:, :, -1].ravel()
SMALL = 5e-11  # m3


def test_a_drop_that_does_not_wet_stays_on_top() -> None:
    """(In pores so fine that it cannot press itself in, either.)"""
    soak = ps.soak(
        block(typical=3e-6), liquid(80.0, contact_angle_deg=95.0), TOP, until_s=180.0,
        accuracy=1e-2, gravity=(0, 0, -9.80665), drop_m3=SMALL,
    )  # fmt: skip
    assert soak.ending is Ending.STOPPED
    assert soak.uptake_m3[-1] == 0.0
    assert soak.drop_m3[-1] == SMALL


def test_a_drop_goes_on_into_narrow_tubes_when_it_is_spent() -> None:
    soak = ps.soak(
        block(), liquid(20.0), TOP, until_s=2.0, accuracy=2e-2, drop_m3=SMALL, snapshots=[0.02, 1.9]
    )
    spent = soak.drop_m3 <= 1.01 * LEAST * SMALL
    assert 0 < spent.argmax() < len(spent) - 3
    np.testing.assert_allclose(soak.drop_m3 + soak.uptake_m3, SMALL, rtol=1e-9)
    early, late = soak.snapshot_fill.sum(axis=2)
    radius = block().radius
    assert radius[late > 0.99].mean() < radius[early > 0.99].mean()


def test_a_liquid_that_clogs_starts_to_soak_and_then_pools() -> None:
    grains = ps.Particles(0.2, [16e-6], leak=1e-4)
    clean, clogs = (
        ps.soak(
            block(), liquid(0.0, particles=particles), TOP, until_s=1.0, accuracy=2e-2,
            drop_m3=SMALL,
        )
        for particles in (None, grains)
    )  # fmt: skip
    gone = float(clean.time_s[np.argmax(clean.drop_m3 < 1e-3 * SMALL)])
    assert 0.0 < gone < 0.02
    left = np.interp([gone, 50 * gone], clogs.time_s, clogs.drop_m3 / SMALL)
    assert 0.75 < left[1] < left[0] < 0.95
    assert np.isfinite(clogs.blocked_at_s).any()


def test_angle_and_base_follow_what_is_left() -> None:
    """Pinned while the angle falls, then sliding at the receding angle; never pinned again."""
    water = liquid(20.0)
    soak = ps.soak(block(), water, TOP, until_s=1.0, accuracy=2e-2, drop_m3=SMALL)
    drop = Drop(SMALL, ANGLE, 20.0, TENSION, 1000.0)
    angle, base = drop.angle_deg(soak.drop_m3), drop.base_radius(soak.drop_m3)
    assert angle[0] == pytest.approx(ANGLE)
    assert np.all(np.diff(angle) <= 1e-9)
    slides = angle < 20.0 + 1e-9
    assert np.all(base[~slides] == base[0])
    assert np.all(np.diff(base[slides]) <= 1e-9 * base[0])


def test_the_same_drop_twice_is_the_same_bit_for_bit() -> None:
    one, other = (
        ps.soak(block(), liquid(20.0), TOP, until_s=1.0, accuracy=2e-2, drop_m3=SMALL)
        for _ in range(2)
    )
    assert np.array_equal(one.time_s, other.time_s)
    assert np.array_equal(one.drop_m3, other.drop_m3)
    assert np.array_equal(one.filled_at_s, other.filled_at_s, equal_nan=True)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"drop_m3": -1.0}, "drop_m3 must be finite and above 0"),
        ({"drop_m3": 1e-6}, "the inlets reach"),
        ({"drop_m3": SMALL, "lift_s": [1.0]}, "exclude one another"),
        ({"drop_m3": SMALL, "inlet_pressure": 5.0}, "exclude one another"),
        ({"drop_m3": SMALL, "cup": ps.Stirred(1e-6)}, "exclude one another"),
    ],
)
def test_wrong_drops_are_refused(more, said) -> None:
    with pytest.raises(ValueError, match=said):
        ps.soak(block(), liquid(20.0), TOP, until_s=1.0, **more)
