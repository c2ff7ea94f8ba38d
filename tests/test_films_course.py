"""A soak between its snapshots, and the clock: the record's own times and volumes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from films_seen import film, frame, repeat_of, saturation
from films_soaked import DUNKED, FLAT, WAISTED, soaked
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import quad

from poresim.record.model import Record, Repeat
from poresim.show.films.clock import clock, pace_of
from poresim.show.films.course import Course
from poresim.show.films.moisture import volume_share
from poresim.show.films.section import SectionScene
from poresim.show.style import rgb
from poresim.solid.network import Network
from poresim.uptake.result import Ending

SOAKS = [(WAISTED, 0), (WAISTED, 1), (WAISTED, 2), (FLAT, 0), (DUNKED, 0), (DUNKED, 1)]
RISING = SOAKS[:4]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("course")


def course(folder, text: str, k: int) -> tuple[Course, Repeat, Network]:
    record: Record = soaked(text, folder)
    solid = record.solid(0)
    return Course(repeat_of(record, k), solid), repeat_of(record, k), solid


def between(repeat: Repeat, count: int = 4) -> np.ndarray:
    """Times that are no snapshots', all along the soak, the first of them before the first."""
    times = np.concatenate([[0.0], repeat.snapshot_time_s])
    shares = (np.arange(count) + 0.5) / count
    return (times[:-1, None] + shares * np.diff(times)[:, None]).ravel()


def full(solid: Network, fill: np.ndarray) -> float:
    """Share of all tubes' volume, by quadrature of what lies in each."""
    wet = np.clip(fill.astype(float), 0, 1)
    inside = sum(volume_share(wet[:, e], solid.waist) for e in (0, 1))
    return float(np.minimum(inside, 1) @ solid.tube_volume / solid.tube_volume.sum())


@pytest.mark.parametrize("waist", [1.0, 0.7, 0.5, 0.1])
def test_volume_of_a_part_of_a_tube(waist):
    """Against the integral of pi r(s)^2, r falling evenly from 1 at the ends to the waist."""

    def area(s: float) -> float:
        return np.pi * (waist + (1 - waist) * abs(2 * s - 1)) ** 2

    def volume(s: float) -> float:
        return quad(area, 0, min(s, 0.5))[0] + quad(area, 0.5, max(s, 0.5))[0]

    shares = np.array([0.0, 0.1, 0.37, 0.5, 0.62, 0.9, 1.0])
    expected = [volume(s) / volume(1.0) for s in shares]
    assert_allclose(volume_share(shares, np.full(7, waist)), expected, atol=1e-9)


@pytest.mark.parametrize(("text", "k"), SOAKS)
def test_volumes_follow_the_records_own_curve(folder, text, k):
    """Within 1 % of all pores at any time; two per cent later it is not so any more."""
    states, repeat, solid = course(folder, text, k)
    off, late = [], []
    for when in between(repeat, 2):
        state = states.at(when)
        assert_allclose(state.saturation, saturation(repeat, when), atol=1e-12)
        off.append(full(solid, state.fill) - state.saturation)
        later = states.at(min(1.15 * when, repeat.snapshot_time_s[-1]))
        late.append(full(solid, later.fill) - state.saturation)
    assert np.abs(off).max() <= 0.01, np.abs(off).max()
    assert np.abs(late).max() > 0.02


@pytest.mark.parametrize(("text", "k"), SOAKS)
def test_at_a_snapshot_it_is_that_snapshot(folder, text, k):
    states, repeat, _ = course(folder, text, k)
    for i, when in enumerate(repeat.snapshot_time_s):
        at = float(when)
        if repeat.ending is Ending.FULL and at >= repeat.time_s[-1]:
            continue  # it is full, by the filling times
        assert_array_equal(states.at(at).fill, np.clip(repeat.snapshot_fill[i], 0, 1))
        assert states.at(at).time_s == when


@pytest.mark.parametrize(("text", "k"), SOAKS[:5])
def test_no_tube_is_wet_before_its_junction_or_full_before_its_time(folder, text, k):
    states, repeat, solid = course(folder, text, k)
    reached = np.nan_to_num(repeat.wetted_at_s, nan=np.inf)[solid.ends]
    filled = np.nan_to_num(repeat.filled_at_s, nan=np.inf)
    for when in np.concatenate([between(repeat, 3), repeat.snapshot_time_s[:-1]]):
        fill = states.at(float(when)).fill
        assert not (fill[reached > when * (1 + 1e-9)] > 0).any()
        early = fill.sum(axis=1)[filled > when * (1 + 1e-6)]
        assert early.max(initial=0) < 1 - 1e-6, when


@pytest.mark.parametrize(("text", "k"), RISING)
def test_nothing_recedes_where_nothing_drains(folder, text, k):
    """Where snapshots only rise; that volumes are the record's may take back half a per cent of a
    tube."""
    states, repeat, _ = course(folder, text, k)
    times = np.sort(np.concatenate([between(repeat, 3), repeat.snapshot_time_s]))
    wet = np.array([states.at(float(t)).fill for t in times])
    kept = np.array([states.at(float(t)).fill for t in repeat.snapshot_time_s])
    rising = (np.diff(kept, axis=0) >= 0).all(axis=0)
    assert rising.mean() > 0.6
    assert np.diff(wet, axis=0)[:, rising].min() >= -0.005
    assert wet[0].sum() < 0.3 * wet[-1].sum()


def test_after_the_last_snapshot_it_is_as_then(folder):
    states, repeat, _ = course(folder, WAISTED, 2)
    last = float(repeat.snapshot_time_s[-1])
    assert repeat.ending is Ending.TIME
    later = states.at(10 * last)
    assert_array_equal(later.fill, states.at(last).fill)
    assert later.time_s == last and later.past_end and not states.at(last).past_end
    assert later.saturation == states.at(last).saturation


def test_a_soak_that_filled_everything_needs_no_snapshot(folder):
    _, repeat, solid = course(folder, WAISTED, 0)
    cut = replace(repeat, snapshot_time_s=repeat.snapshot_time_s[:4])
    state = Course(cut, solid).at(float(repeat.time_s[-1]))
    assert not state.past_end and state.saturation == repeat.saturation[-1]
    assert_array_equal(state.fill.sum(axis=1) == 1, np.isfinite(repeat.filled_at_s))
    held = replace(cut, ending=Ending.SATURATION)
    assert Course(held, solid).at(float(repeat.time_s[-1])).past_end


def test_throats_close_when_they_close(folder):
    states, repeat, _ = course(folder, WAISTED, 2)
    when = float(np.nanmedian(repeat.blocked_at_s))
    with np.errstate(invalid="ignore"):
        assert_array_equal(states.at(when).closed, repeat.blocked_at_s <= when)
    assert states.at(when).closed.any() and not states.at(0.0).closed.any()


def test_the_clock_shows_the_records_time(folder):
    scene = SectionScene([soaked(FLAT, folder)])
    last = scene.until_s
    one = film(scene, [0.0, 0.3137 * last, last])
    for number, share in enumerate((0.0, 0.3137, 1.0)):
        one.image(number)
        assert one._clock.get_text() == f"{share * last:.3f} s"
        assert one.times[number] == share * last
    assert clock(4.123, 30) == "4.1 s"
    assert clock(0.05, 0.2) == "0.050 s"
    assert clock(400.4, 900) == "400 s"
    assert clock(2.345, 2.5) == "2.35 s"


def test_the_bar_is_as_long_as_the_film_has_run(folder):
    scene = SectionScene([soaked(FLAT, folder)])
    one = film(scene, np.linspace(0, scene.until_s, 20))
    ink = np.array(rgb(one._page.theme.ink))
    for number in (0, 6, 19):
        row = frame(one, number)[-1, :, :3].astype(int)
        dark = np.abs(row - ink).max(axis=1) < 90
        assert abs(dark.sum() - 640 * (number + 1) / 20) <= 1
        assert dark[: dark.sum()].all()


def test_paces():
    root = pace_of("root", 9.0, 4.0, 25.0)
    assert len(root.times) == 100 and root.words == "clock runs as √time"
    assert_allclose(np.diff(np.sqrt(root.times)), 3 / 99, rtol=1e-9)
    assert (root.times[0], root.times[-1]) == (0.0, 9.0)
    slowed = pace_of("even", 4 / 3, 4.0, 25.0)
    assert slowed.words == "slowed 3 times"
    assert_allclose(np.diff(slowed.times), 4 / 3 / 99, rtol=1e-9)
    assert pace_of("even", 160.0, 4.0, 25.0).words == "sped up 40 times"
    assert pace_of("even", 4.0, 4.0, 25.0).words == "real time"
    assert pace_of("even", 1234.0, 1.0, 25.0).words == "sped up 1200 times"
    real = pace_of("real", 7.0, 4.0, 25.0)
    assert real.words == "real time" and len(real.times) == 175
    assert_allclose(real.times[1:] - real.times[:-1], 1 / 25, rtol=0.01)
    assert len(pace_of("real", 1e-4, 4.0, 25.0).times) == 2
