"""Several drops one after another (against the oracle: test_sitting_oracle.py). Values invented."""

from __future__ import annotations

import numpy as np
import pytest
from test_sitting import ANGLE, SMALL, TENSION, TOP, block, liquid

import poresim as ps
from poresim.drop.base import Drop
from poresim.drop.cap import cap_of_angle
from poresim.uptake.result import Ending
from poresim.uptake.sitting import LEAST

DOWN = (0.0, 0.0, -9.80665)


def soak(times, receding=20.0, volume=SMALL, until=0.5, accuracy=2e-2, **more):
    return ps.soak(
        block(), liquid(receding), TOP, until_s=until, accuracy=accuracy, drop_m3=volume,
        drops_s=times, **more,
    )  # fmt: skip


def rows_of(found: ps.Soak) -> np.ndarray:
    """First rows with a further drop."""
    return np.flatnonzero(np.diff(found.dispensed_m3)) + 1


def small_block() -> tuple[ps.Network, np.ndarray]:
    """A cubic lattice of invented radii, 6 x 6 x 4 junctions, and its top."""
    index = np.arange(6 * 6 * 4).reshape(6, 6, 4)
    pairs = [
        np.stack([index.take(range(n - 1), k).ravel(), index.take(range(1, n), k).ravel()], 1)
        for k, n in enumerate(index.shape)
    ]
    points = np.stack(np.unravel_index(index.ravel(), index.shape), 1) * 80e-6
    ends = np.concatenate(pairs)
    radii = 10e-6 * np.exp(0.3 * np.random.default_rng(4).standard_normal(len(ends)))
    return ps.Network(points, ends, radii), index[:, :, -1].ravel()


SPENT, STILL_THERE = (0.2, 0.3), (2e-3, 4e-3, 0.1)


@pytest.mark.parametrize(
    ("times", "receding"),
    [
        (SPENT, 20.0),
        (STILL_THERE, 0.0),
        (STILL_THERE, 20.0),
        (STILL_THERE, 60.0),
        pytest.param(SPENT, 0.0, marks=pytest.mark.slow),
        pytest.param(SPENT, 60.0, marks=pytest.mark.slow),
    ],
)
def test_what_is_set_down_is_left_or_drawn(times, receding) -> None:
    """Second ones on a spent drop, and on one that is still there; steps hold many events."""
    kept(soak(times, receding, gravity=DOWN), times, SMALL)


SOON_SPENT, NOT_YET = (0.02, 0.03), (2e-4, 4e-4, 0.01)


@pytest.mark.parametrize(
    ("times", "air"),
    [
        (SOON_SPENT, "free"),
        (NOT_YET, "trapped"),
        pytest.param(NOT_YET, "free", marks=pytest.mark.slow),
        pytest.param(SOON_SPENT, "trapped", marks=pytest.mark.slow),
    ],
)
def test_what_is_set_down_is_left_or_drawn_event_by_event(times, air) -> None:
    solid, inlet = small_block()
    found = ps.soak(
        solid, liquid(20.0), inlet, until_s=0.04, accuracy=2e-2, drop_m3=1e-12, drops_s=times,
        air=air,
    )  # fmt: skip
    kept(found, times, 1e-12)


def kept(found: ps.Soak, times, volume: float) -> None:
    """To rounding while a drop is there; books of drained solids close to 1/100 of the accuracy."""
    assert not found.ending.failed
    rows = rows_of(found)
    np.testing.assert_array_equal(found.time_s[rows], times)
    assert np.all(np.diff(found.time_s) > 0)
    np.testing.assert_allclose(found.dispensed_m3[rows], volume * np.arange(2, 2 + len(times)))
    off = found.dispensed_m3 - found.drop_m3 - found.uptake_m3
    there = found.drop_m3 > LEAST * volume
    assert there.mean() > 0.1
    assert np.abs(off[there]).max() <= 1e-9 * volume
    closes = 1e-2 * found.accuracy * found.dispensed_m3[-1]
    if not len(found.trapped_share):
        assert np.abs(off).max() <= closes
        jump = found.drop_m3[rows] - found.drop_m3[rows - 1]
        np.testing.assert_allclose(jump, volume, rtol=0, atol=closes)
    np.testing.assert_array_equal(found.uptake_m3[rows], found.uptake_m3[rows - 1])
    assert found.volume_balance <= 1e-2 * found.accuracy


def test_on_a_spent_drop_it_is_as_the_first_was() -> None:
    found, alone = soak((0.2,)), soak(())
    (row,) = rows_of(found)
    assert found.drop_m3[row - 1] <= LEAST * SMALL
    for name in ("drop_angle_deg", "drop_base_m", "drop_height_m"):
        values = getattr(found, name)
        assert values[row] == pytest.approx(values[0], rel=1e-6)
    assert found.drop_angle_deg[row] == pytest.approx(ANGLE)
    when = np.geomspace(1e-4, 0.01, 20)
    courses = [np.interp(when, one.time_s, one.drop_m3) for one in (alone, found)]
    np.testing.assert_allclose(*courses, atol=2e-3 * SMALL)  # junctions are numbered otherwise
    assert alone.dispensed_m3.shape == (0,)
    # a solid that is half full drinks more slowly than a dry one
    spent = found.time_s[(found.time_s > 0.2) & (found.drop_m3 <= 1.01 * LEAST * SMALL)]
    first = found.time_s[(found.time_s < 0.2) & (found.drop_m3 <= 1.01 * LEAST * SMALL)]
    assert 0.0 < first[0] < spent[0] - 0.2


@pytest.mark.parametrize("receding", [0.0, 20.0, 60.0])
def test_on_a_drop_the_base_stays_or_spreads_to_the_advancing_angle(receding) -> None:
    found = soak((1e-3, 2e-3, 3e-3), receding, volume=0.4 * SMALL)
    rows = rows_of(found)
    assert np.all(found.drop_m3[rows - 1] > 1e-2 * SMALL)
    assert np.all(found.drop_angle_deg <= ANGLE + 1e-9)
    spread = 0
    for row in rows:
        least = cap_of_angle(found.drop_m3[row], ANGLE).base_radius
        base, before = found.drop_base_m[row], found.drop_base_m[row - 1]
        assert base == pytest.approx(max(least, before), rel=1e-9)
        spread += least > before
        h = found.drop_height_m[row]
        assert np.pi * h * (3 * base**2 + h**2) / 6 == pytest.approx(found.drop_m3[row], rel=1e-9)
        assert 2 * np.degrees(np.arctan(h / base)) == pytest.approx(found.drop_angle_deg[row])
    assert spread
    # between drops it never grows, and slides at the receding angle only
    for start, end in zip([0, *rows], [*rows, len(found.time_s)], strict=True):
        some = np.arange(start, end)[found.drop_m3[start:end] > 5e-4 * SMALL]
        base, angle = found.drop_base_m[some], found.drop_angle_deg[some]
        assert np.all(np.diff(base) <= 1e-12)
        np.testing.assert_allclose(angle[1:][np.diff(base) < -1e-12], receding, atol=1e-6)


def test_a_base_that_keeps_its_width_is_no_wider_than_it_was() -> None:
    """Little is left of a pinned drop: the next one of its size fits on its base."""
    found = soak((0.01,), 0.0, volume=SMALL)
    alone = soak((), 0.0, volume=SMALL)
    share = np.interp(0.01, alone.time_s, alone.drop_m3) / SMALL
    (row,) = rows_of(found)
    widest = Drop((1 + share) * SMALL, ANGLE, 0.0, TENSION, 1000.0).first_base_radius
    assert found.drop_base_m[row] == pytest.approx(widest, rel=1e-6)


def test_a_drop_that_outgrows_the_face_ends_the_soak() -> None:
    """On fine pores nothing is drawn in so soon: the base grows as the root of the volume."""
    face = 0.5 * 13 * 80e-6 * np.sqrt(2)  # to a corner
    times = tuple(1e-6 * k for k in range(1, 60))
    found = ps.soak(
        block(typical=1e-6), liquid(0.0), TOP, until_s=1.0, accuracy=2e-2, drop_m3=SMALL,
        drops_s=times,
    )  # fmt: skip
    assert found.ending is Ending.OUTGROWN and not found.ending.failed
    many = round(found.dispensed_m3[-1] / SMALL)
    assert found.time_s[-1] == times[many - 1]
    left = found.drop_m3[-1]
    assert found.drop_base_m.max() <= face * (1 + 1e-9)
    assert cap_of_angle(left + SMALL, ANGLE).base_radius > face
    assert 1 < many < 60


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"drops_s": [0.1]}, "drops_s says when further drops come: give drop_m3"),
        ({"drop_m3": SMALL, "drops_s": [0.0]}, "drops_s must hold finite times above 0 s"),
        ({"drop_m3": SMALL, "drops_s": [0.2, 0.1]}, "each later than the last"),
        ({"drop_m3": SMALL, "drops_s": [0.1, np.nan]}, "drops_s must hold finite times"),
        ({"drop_m3": SMALL, "drops_s": "soon"}, "drops_s must be a row of times in s"),
        ({"drop_m3": 1e-6, "drops_s": [0.1]}, "the inlets reach"),
    ],
)
def test_wrong_series_are_refused(more, said) -> None:
    with pytest.raises(ValueError, match=said):
        ps.soak(block(), liquid(20.0), TOP, until_s=1.0, **more)


def test_grains_and_bodies_are_refused() -> None:
    grains = liquid(0.0, particles=ps.Particles(0.2, [16e-6], leak=1e-4))
    keys = {"until_s": 1.0, "drop_m3": SMALL, "drops_s": [0.1]}
    with pytest.raises(ValueError, match="without grains that throats can catch"):
        ps.soak(block(), grains, TOP, **keys)
    plain = block()
    hollow = ps.Network(plain.points, plain.ends, plain.radius, body_volume=1e-15)
    with pytest.raises(ValueError, match="have no bodies"):
        ps.soak(hollow, liquid(20.0), TOP, **keys)
