"""Softening from the scenario's keys to the record. All values are invented."""

from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest
from small import TWO_BROTHS, run_here

import poresim as ps
from poresim.outcome.spread import spread
from poresim.outcome.words import firmness_told
from poresim.record.layout import FAILS, SOFT
from poresim.record.reading import load_record
from poresim.record.summaries import summaries
from poresim.record.writing import soak_image
from poresim.scenario.faults import ScenarioError
from poresim.scenario.reading import parse_scenario

SOFTENS = """
[softening]
wall_s = 0.05
dry_strength_kPa = 200
midpoint = 0.3
width = 0.04
overhang_mm = 30
"""
TEXT = TWO_BROTHS.replace("[solid]\n", "[solid]\ndry_density_kg_m3 = 420\n") + SOFTENS
TEXT = TEXT.replace("repeats = 3", "repeats = 1")
SPICED = TEXT[TEXT.index('[[liquids]]\nname = "spiced') : TEXT.index("[exposure]")]
LONG = TEXT.replace(SPICED, "").replace("until_s = 0.2", "until_s = 20")


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("soft")
    (folder / "soft.toml").write_text(TEXT)
    return run_here(ps.load_scenario(folder / "soft.toml"), folder / "results")


def test_a_record_says_how_the_block_softens(record):
    """Dry it snaps at 2 s b h^2 / (3 span), span x: 2 2e5 0.2e-3 0.3e-3^2 / (3 0.2e-3) N."""
    for liquid in record.liquids:
        for repeat in liquid.repeats.values():
            force = repeat.snap_force_N
            assert force.shape == repeat.time_s.shape
            assert force[0] == pytest.approx(2 * 2e5 * 0.3e-3**2 / 3, rel=1e-12)
            assert np.all(np.diff(force) <= 1e-15)
            assert repeat.strength_Pa.shape == (len(force), 3)
            dry = 420 * 0.2e-3 * 0.3e-3 * 9.80665 * 0.03**2 / 2
            assert repeat.weight_Nm[0] == pytest.approx(dry, rel=1e-12)
            assert repeat.capacity_Nm[0] == pytest.approx(2e5 * 0.2e-3 * 0.3e-3**2 / 6, rel=1e-12)
            late = repeat.capacity_Nm < repeat.weight_Nm
            assert np.isnan(repeat.fails_at_s) == (not late.any())
    plain, spiced = (liquid.repeats[0] for liquid in record.liquids)
    assert plain.snap_force_N[-1] < spiced.snap_force_N[-1]  # grains keep it drier


def test_walls_go_on_drinking_when_all_tubes_are_full(tmp_path):
    """To the run's end: all walls then are at 1 kg/kg, and the force at what the Fermi law leaves.

    The overhang is given up on the way, when s b h^2 / 6 falls below m g L^2 / 2: within a wall's
    time, as all tubes are full after 2 ms.
    """
    (tmp_path / "long.toml").write_text(LONG)
    found = run_here(ps.load_scenario(tmp_path / "long.toml"), tmp_path / "results")
    repeat = found.liquids[0].repeats[0]
    assert repeat.time_s[-1] == 20.0 and repeat.ending.name == "FULL"
    left = (1 + np.exp(-0.3 / 0.04)) / (1 + np.exp((1.0 - 0.3) / 0.04))
    assert repeat.snap_force_N[-1] == pytest.approx(repeat.snap_force_N[0] * left, rel=1e-9)
    mass = 420 * 0.2e-3**2 * 0.3e-3 + repeat.uptake_kg[-1]
    strength = mass / 0.2e-3 * 9.80665 * 0.03**2 / 2 / (0.2e-3 * 0.3e-3**2 / 6)
    moisture = 0.3 + 0.04 * np.log(2e5 * (1 + np.exp(-0.3 / 0.04)) / strength - 1)
    alone = -0.05 * np.log(1 - moisture)  # had all tubes been full at once
    assert alone < repeat.fails_at_s < alone + np.nanmax(repeat.filled_at_s)
    summary = summaries(found)[0]
    assert firmness_told([summary])[0].startswith(
        "clear broth leaves the block <0.1 % of its dry snap force in the end; it no longer "
        "carries its overhang after 0."
    )
    few = replace(summary, fails_at_s=spread([np.nan, np.nan, 0.5]))
    assert firmness_told([few])[0].endswith(
        "in the end; 1 of 3 blocks no longer carry their overhang then"
    )
    never = replace(summary, fails_at_s=spread([np.nan]))
    assert firmness_told([never])[0].endswith("of its dry snap force in the end")
    assert summary.as_dict()["fails_at_s"]["median"] == repeat.fails_at_s


def test_a_block_at_rest_has_times_of_its_own(tmp_path):
    """Without snapshots, too: its force falls step by step while all tubes are full."""
    text = LONG.replace("snapshots = 6", "snapshots = 0")
    found = run_here(parse_scenario(text), tmp_path)
    repeat = found.liquids[0].repeats[0]
    full = np.nanmax(repeat.filled_at_s) * (1 + 1e-6)  # kept with seven figures
    late = repeat.time_s > full
    assert late.sum() > 50 and np.all(np.diff(repeat.time_s) > 0)
    assert np.all(repeat.saturation[late] == repeat.saturation[-1])
    whole = repeat.snap_force_N[0]
    assert np.abs(np.diff(repeat.snap_force_N[repeat.time_s > full])).max() < 0.1 * whole
    # all walls are wet: at 1 - exp(-(t - filled_at) / 0.05 s) kg/kg, as the mean of the Fermi law
    middle = int(np.flatnonzero(late)[25])
    moisture = -np.expm1(-(repeat.time_s[middle] - repeat.filled_at_s) / 0.05)
    share = (1 + np.exp(-0.3 / 0.04)) / (1 + np.exp((moisture - 0.3) / 0.04))
    layer = found.solid(0).points[found.solid(0).ends, 2].mean(axis=1) / 1e-4 + 1e-9
    walls = np.bincount(np.minimum(layer, 2).astype(int), minlength=3)
    mean = np.average(repeat.strength_Pa[middle], weights=walls) / 2e5
    assert mean == pytest.approx(share.mean(), rel=1e-5)


def test_more_times_leave_what_there_was(record):
    """Rows between are as numpy's interp has them, of grains by class, too."""
    repeat = replace(record.liquids[1].repeats[0], snap_force_N=np.zeros(0))
    assert repeat.captured_m3.ndim == 2 and repeat.captured_m3.any()
    times = repeat.time_s
    extra = np.array([0.3 * times[4] + 0.7 * times[5], times[-2], (times[-2] + times[-1]) / 2])
    more = repeat.with_times(extra)
    np.testing.assert_array_equal(more.time_s, np.sort([*times, *extra]))
    new = np.searchsorted(more.time_s, extra, side="right") - 1
    for name in ("uptake_kg", "saturation", "front_m", "captured_m3", "offered_share", "cup_m3"):
        rows, before = getattr(more, name), getattr(repeat, name)
        np.testing.assert_array_equal(np.delete(rows, new, axis=0), before)
        for column, old in zip(
            rows.reshape(len(rows), -1).T, before.reshape(len(times), -1).T, strict=True
        ):
            np.testing.assert_allclose(column[new], np.interp(extra, times, old), rtol=1e-12)
    assert len(more.filled_at_s) == len(repeat.filled_at_s)


def test_it_stands_in_the_file_with_units(record):
    with h5py.File(record.path) as file:
        group = file["liquids/0/repeats/0"]
        for name, column in SOFT.items():
            assert group[name].attrs["units"] == column.units
        assert all(name in group.attrs for name in FAILS)
    again = load_record(record.path).liquids[0].repeats[0]
    np.testing.assert_array_equal(again.snap_force_N, record.liquids[0].repeats[0].snap_force_N)


def test_the_soak_itself_is_the_same_bit_for_bit(record, tmp_path):
    """Walls that soften do not swell: nothing else in the record changes."""
    (tmp_path / "soft.toml").write_text(TEXT.replace(SOFTENS, ""))
    hard = run_here(ps.load_scenario(tmp_path / "soft.toml"), tmp_path / "results")
    for with_it, without in zip(record.liquids, hard.liquids, strict=True):
        one, other = with_it.repeats[0], without.repeats[0]
        soaked = len(other.time_s)  # after it the soak is at rest
        np.testing.assert_array_equal(one.uptake_kg[:soaked], other.uptake_kg)
        np.testing.assert_array_equal(one.filled_at_s, other.filled_at_s)
        assert len(other.snap_force_N) == 0 and np.isnan(other.fails_at_s)
        assert soak_image("k", other) != soak_image("k", one)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("dry_density_kg_m3 = 420\n", "", "softening.overhang_mm: .*mass is not known"),
        ("width = 0.04", "width = 0", "softening.width: got 0"),
        ("width = 0.04", "with = 0.04", "softening.with: .*did you mean width"),
        ("overhang_mm = 30", "span_mm = inf", "softening.span_mm"),
    ],
)
def test_faults(old, new, said):
    with pytest.raises(ScenarioError, match=said):
        parse_scenario(TEXT.replace(old, new))


def test_a_network_file_has_no_section(tmp_path):
    points = np.array([[0.0, 0, 0], [1e-3, 0, 0]])
    ps.save_network(ps.Network(points, [[0, 1]], [1e-5]), tmp_path / "n.h5")
    a, b = TEXT.index("[solid]"), TEXT.index("[[liquids]]")
    text = TEXT[:a] + '[solid]\nnetwork = "n.h5"\n' + TEXT[b:]
    with pytest.raises(ScenarioError, match=r"softening: is given with a network file"):
        parse_scenario(text, tmp_path / "s.toml")
