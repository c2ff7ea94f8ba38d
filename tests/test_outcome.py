"""What follows from a soak, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from fakes import block, record_file
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from poresim.outcome.blocking import blocked, reached_share
from poresim.outcome.curves import exponent, time_to, value_at
from poresim.outcome.faces import depth_below, inlet_of, wetted_area
from poresim.outcome.spread import band, spread
from poresim.outcome.summary import summarise
from poresim.outcome.words import headline, mass, percent, seconds, shear_told, title
from poresim.record.reading import load_record
from poresim.record.summaries import summaries
from poresim.uptake.result import Ending

# Lucas-Washburn, L = sqrt(gamma r cos(theta) t / (2 mu)) with gamma 0.072 N/m, theta 60 deg,
# r 10 um, mu 1e-3 Pa s: L(1 s) = 13.416407865 mm, time to 10 mm = 0.5555555556 s
# (Lucas 1918, Kolloid-Z 23:15; Washburn 1921, Phys Rev 17:273).
WASHBURN = math.sqrt(0.072 * 10e-6 * 0.5 / 2e-3)
COARSE = 3.0 * np.linspace(0, 1, 8) ** 2  # only eight points: reading between them is tested


def test_times_and_values_between_points_of_washburns_law():
    length = WASHBURN * np.sqrt(COARSE)
    assert_allclose(time_to(COARSE, length, 0.01), 0.5555555556, rtol=1e-9)
    assert_allclose(value_at(COARSE, length, 1.0), 13.416407865e-3, rtol=1e-9)


def test_a_level_never_reached_is_nan_and_the_first_point_counts():
    assert math.isnan(time_to([0, 1, 4], [0, 1, 2], 2.0001))
    assert time_to([0, 1, 4], [0, 1, 2], 0) == 0
    assert time_to([0, 1, 4], [0, 1, 1], 1) == 1  # the first time, not the last


def test_beyond_the_end_a_curve_is_unknown_unless_it_rests():
    assert math.isnan(value_at([0, 1], [0, 5], 2.0))
    assert value_at([0, 1], [0, 5], 2.0, holds=True) == 5
    assert value_at([0, 1], [0, 5], 1.0) == 5


@given(st.floats(0.2, 1.5), st.floats(1e-6, 1e3))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_exponent_of_a_power_law_is_its_exponent(power, scale):
    time = np.concatenate([[0.0], np.geomspace(1e-7, 10, 600)])
    value = scale * time**power
    fit = exponent(time, value, 0.05 * value[-1], 0.7 * value[-1])
    assert_allclose(fit.slope, power, atol=2e-4)  # read straight in sqrt(time) between points
    assert fit.scatter < 1e-3


def test_exponent_tells_half_from_a_third_and_refuses_what_is_not_there():
    time = np.concatenate([[0.0], np.geomspace(1e-3, 10, 200)])
    assert abs(exponent(time, time ** (1 / 3), 0.3, 2).slope - 0.5) > 0.15
    assert math.isnan(exponent(time, np.sqrt(time), 0.3, 99).slope)
    assert math.isnan(exponent(time, np.sqrt(time), 0.0, 2).slope)


def test_curves_of_different_length_are_refused():
    with pytest.raises(ValueError, match="equally long"):
        time_to([0, 1], [0, 1, 2], 1)


def test_spread_counts_a_never_as_later_than_everything():
    one = spread([3.0, float("nan"), 1.0, 2.0])
    assert (one.median, one.low, one.high, one.reached, one.repeats) == (2.5, 1.0, 3.0, 3, 4)
    assert math.isnan(spread([1.0, float("nan")]).median)  # half of them: no median
    assert math.isnan(spread([float("nan")] * 3).low)
    assert spread([5.0]).median == 5.0


def test_band_is_unknown_where_one_repeat_is():
    times = [[0.0, 1.0, 4.0], [0.0, 1.0]]
    values = [[0.0, 1.0, 2.0], [0.0, 3.0]]
    running = band(times, values, [False, False], [1.0, 4.0])
    assert_allclose(running.median, [2.0, np.nan])
    resting = band(times, values, [False, True], [1.0, 4.0])
    assert_allclose((resting.low[1], resting.median[1], resting.high[1]), (2.0, 2.5, 3.0))


def test_blocked_shares_by_hand():
    nan = float("nan")
    found = blocked(
        [1.0, nan, nan, 2.0], [0.0, 1.0, nan, nan, nan], [[0, 1], [1, 2], [2, 3], [3, 4]]
    )
    assert found == (2, 0.5, 0.5)  # reached: tubes 0 and 1, of which one is closed
    assert reached_share([0.0, nan]) == 0.5


def test_faces_of_a_block():
    solid = block((4, 5, 6))
    assert len(inlet_of(solid, ["bottom"])) == 20
    depth = depth_below(solid, ["bottom", "top"])
    assert_allclose(np.unique(np.round(depth * 1e4, 9)), [0, 1, 2], atol=1e-9)
    assert_allclose(wetted_area(solid, ["bottom", "top"]), 2 * 20e-8)
    with pytest.raises(ValueError, match="no junction lies on left; faces with junctions: bottom"):
        inlet_of(solid, ["left"])


@pytest.mark.parametrize(
    ("value", "text"),
    [(1e-9, "1.0 ns"), (1.1e-6, "1.1 µs"), (0.0042, "4.2 ms"), (0.35, "0.35 s"), (6.13, "6.1 s"),
     (42.4, "42 s"), (720, "12 min"), (7200, "2.0 h"), (0, "0 s"), (float("nan"), "never")],
)  # fmt: skip
def test_times_in_words(value, text):
    assert seconds(value) == text


def test_shares_and_masses_in_words():
    assert [percent(v) for v in (0, 0.0004, 0.004, 0.0996, 0.2249, 1)] == [
        "0 %", "<0.1 %", "0.4 %", "10 %", "22 %", "100 %",
    ]  # fmt: skip
    assert [mass(v) for v in (2.13e-6, 4.2e-8, 0.0123)] == ["2.1 mg", "42 µg", "12 g"]


def test_the_sentence_says_what_was_computed(tmp_path):
    found = summaries(load_record(record_file(tmp_path)))
    text = headline(found)
    assert text.startswith("Clear broth fills 80 % of the pores in ")
    assert "spiced broth stops at" in text
    assert "grains having closed" in text
    assert "gum broth is at" in text  # it had not come to rest: no "stops"
    assert "because" not in text
    assert title(found).count(";") == 1


def test_a_solid_that_cannot_be_filled_is_told_as_such(tmp_path):
    """Full where liquid can come, but that is a sixth of it: no "fills 10 %"."""
    record = load_record(record_file(tmp_path, liquids=1, repeats=1))
    whole = record.liquids[0].repeats[0]
    rest = np.append(whole.time_s, 10 * whole.time_s[-1])  # nothing happens any more
    soak = replace(
        whole,
        time_s=rest,
        uptake_kg=np.append(whole.uptake_kg, whole.uptake_kg[-1]),
        saturation=0.17 * np.append(whole.saturation, whole.saturation[-1]),
    )
    assert soak.ending is Ending.FULL
    found = summarise("clear broth", [soak], [record.solid(0).ends], [1e-6])
    assert found.end_s.median <= whole.time_s[-1]
    assert headline([found]).startswith("Clear broth fills all that it can reach, 17 %, in ")
    late = summarise(
        "clear broth", [replace(soak, ending=Ending.TIME)], [record.solid(0).ends], [1e-6]
    )
    assert late.end_s.median == rest[-1]


def test_summary_of_a_made_up_record(tmp_path):
    clear, gum, spiced, _ = summaries(load_record(record_file(tmp_path)))
    # made as sqrt(t), but for the lowest layer, which is wet from the start: somewhat below 0.5
    assert 0.35 < clear.exponent.median < 0.5
    assert clear.endings == {Ending.FULL: 3}
    assert gum.endings == {Ending.TIME: 3}
    assert spiced.at_rest
    assert 0.25 < spiced.blocked_of_all.median < 0.4
    assert clear.time_to_s[0.5].median < gum.time_to_s[0.5].median
    assert clear.as_dict()["time_to_s"]["0.5"]["repeats"] == 3


def test_the_shear_rates_that_mattered_in_words(tmp_path):
    record = load_record(record_file(tmp_path, liquids=1, repeats=1))
    assert shear_told([replace(summaries(record)[0], name="clear broth")]) == [
        "clear broth was sheared at 6.3 to 4000 1/s (10 to 90 % of the work)"
    ]  # made up: no flow law, no viscosities
    one = record.liquids[0].repeats[0]

    def told(there, bench, *outside):
        soak = replace(
            one,
            wall_shear_rate_1_s=np.array([312.0, 2000.0, 8990.0]),
            effective_viscosity_Pa_s=there,
            viscosity_at_50_1_s_Pa_s=bench,
            extrapolated_share=np.array(outside or (math.nan, math.nan)),
        )
        found = summarise("gum broth", [soak], [record.solid(0).ends], [1e-6])
        assert found.as_dict()["wall_shear_rate_50_1_s"]["median"] == 2000.0
        return shear_told([found])[0]

    head = "gum broth was sheared at 310 to 9000 1/s (10 to 90 % of the work): "
    assert told(0.012, 0.0351) == head + "12 mPa s there, 35 at 50 1/s"
    assert "12 000 mPa s there, 0.00012 at" in told(12.3, 1.2e-7)
    assert told(0.001, 0.001) == head + "1 mPa s there, as at 50 1/s"
    assert told(0.012, 0.035, 0.0, 0.049) == head + "12 mPa s there, 35 at 50 1/s"
    assert told(0.012, 0.035, 0.0, 0.23) == head + (
        "12 mPa s there, 35 at 50 1/s; 23 % of the work above the range of its flow curve, which "
        "is extrapolated there"
    )
    assert "; 4.0 % of the work below and 3.0 % of the work above the" in told(1.0, 2.0, 0.04, 0.03)
    nothing = replace(one, wall_shear_rate_1_s=np.full(3, np.nan))
    still = summarise("gum broth", [nothing], [record.solid(0).ends], [1e-6])
    assert shear_told([still]) == []
    assert still.as_dict()["wall_shear_rate_50_1_s"]["median"] is None
