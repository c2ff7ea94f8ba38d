"""What is said of caught grains: profiles and courses by counting, and the words on standing."""

import numpy as np
import pytest
from fakes import record_file
from pictures import check_numbers
from small import run_here

from poresim.outcome.caught import caught_by_depth, closed_by_time
from poresim.outcome.standing import Standing, standing_words
from poresim.record.reading import load_record

RNG = np.random.default_rng(5)


def test_profile_is_a_count_in_each_layer():
    m = 200
    depth = RNG.uniform(0, 2e-3, m)
    captured = RNG.exponential(size=(m, 3))
    blocked = np.where(RNG.random(m) < 0.3, RNG.random(m), np.nan)
    reached = np.isfinite(blocked) | (RNG.random(m) < 0.5)
    found = caught_by_depth(depth, captured, blocked, reached, 7)
    for k in range(7):
        low, high = found.edges[k : k + 2]
        here = [e for e in range(m) if low <= depth[e] < high]
        assert found.caught[k] == pytest.approx(sum(captured[e].sum() for e in here))
        came = [e for e in here if reached[e]]
        shut = [e for e in came if not np.isnan(blocked[e])]
        assert found.closed[k] == pytest.approx(len(shut) / len(came))
    assert found.caught.sum() == pytest.approx(captured.sum())


def test_layers_that_nothing_reached_are_not_known():
    found = caught_by_depth([0.1, 0.9], np.zeros((2, 1)), [np.nan, np.nan], [True, False], 2)
    assert found.closed[0] == 0 and np.isnan(found.closed[1])


def test_course_is_a_count_at_each_time():
    n, m = 40, 120
    ends = RNG.integers(0, n, (m, 2))
    wetted = np.where(RNG.random(n) < 0.8, RNG.random(n), np.nan)
    first = np.array([np.nanmin([wetted[a], wetted[b], np.inf]) for a, b in ends])
    blocked = np.where(RNG.random(m) < 0.4, first + 0.2, np.nan)
    blocked[~np.isfinite(blocked)] = np.nan
    when = np.linspace(0, 1.5, 20)
    found = closed_by_time(blocked, wetted, ends, when)
    for t, share in zip(when, found, strict=True):
        came = sum(f <= t for f in first)
        shut = sum(b <= t for b in blocked)
        assert share == pytest.approx(shut / came if came else 0.0)


def kind(name, full, stood=(0.0,), without="", carries=False):
    medians = np.asarray(full, dtype=float)
    return Standing(
        name, without, carries, np.array(stood), np.column_stack([medians] * 3), end_s=4.0
    )


CLEAR, GUM = kind("clear", [1.0]), kind("gum", [0.6])


def spiced(full, name="spiced", without="clear"):
    return kind(name, full, (0.0, 60.0, 600.0), without, carries=True)


def test_words_on_grains_that_sink_from_one_liquid_and_stay_up_in_the_other():
    found = standing_words([CLEAR, GUM, spiced([0.1, 0.2, 0.9]), spiced([0.1] * 3, "both", "gum")])
    assert found.title == (
        "Grains keep it dry, thickening does not; they sink out of spiced within 1 to 10 min, "
        "and stay up in both"
    )
    assert "it changes between 1 and 10 min of standing" in found.text
    assert "Both: 10 % fresh, 10 % after 10 min: its grains stay up." in found.text


@pytest.mark.parametrize(
    ("kinds", "title"),
    [
        ([CLEAR, GUM, spiced([0.9, 0.9, 1.0])], "Neither thickening nor grains keep it dry"),
        ([CLEAR, kind("gum", [0.4]), spiced([0.9] * 3)], "Thickening keeps it dry"),
        (
            [CLEAR, kind("gum", [0.4]), spiced([0.1] * 3)],
            "Grains keep it dry, and so does thickening",
        ),
        (
            [CLEAR, spiced([0.1, 0.8, 1.0])],
            "Grains keep it dry; they sink out of spiced within 0 to 1 min",
        ),
    ],
)
def test_title_says_what_keeps_it_dry(kinds, title):
    assert standing_words(kinds).title == title


def test_half_as_full_is_the_limit():
    """0.5 of what the liquid without grains fills is dry, a little more is not."""
    assert "Grains keep" in standing_words([CLEAR, spiced([0.5] * 3)]).title
    assert "Neither" in standing_words([CLEAR, spiced([0.51] * 3)]).title


def test_figures_of_grains_need_grains(tmp_path):
    from poresim.show.grains import caught_figure, standing_figure
    from poresim.show.section import NothingToShow

    record = load_record(record_file(tmp_path, 2, 1))
    with pytest.raises(NothingToShow, match="no liquid carries grains"):
        caught_figure([record])
    with pytest.raises(NothingToShow, match="several times of standing"):
        standing_figure([record])


SCENARIO = r'''
# values are invented
title = """A small rusk in a cup of clear broth, or of broth with spices, fresh, or when it has \
stood for as long as it takes to lay a table for four, and to call them, on a warm day in May"""
[solid]
size_mm = [0.4, 0.4, 0.6]
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "fixed", radius_um = 20 }
[[liquids]]
name = "clear"
density_kg_m3 = 1005
viscosity = { law = "newtonian", mPa_s = 1.4 }
surface_tension_mN_m = 52
contact_angle_deg = 48
[[liquids]]
name = "spiced"
based_on = "clear"
particles = { volume_fraction = 0.2, law = "fixed", diameter_um = 41 }
[[liquids]]
name = "spiced, stood"
based_on = "spiced"
stood_s = 600
[exposure]
kind = "face"
faces = ["bottom"]
cup_mm = 30
held_mm = 3
[run]
until_s = 0.02
accuracy = 0.05
'''


def test_a_scenario_with_a_cup_is_run_and_drawn(tmp_path):
    """41 um grains close a face of 40 um throats; after ten minutes they have sunk."""
    from poresim.scenario.reading import parse_scenario
    from poresim.show.grains import caught_figure, standing_figure

    record = run_here(parse_scenario(SCENARIO), tmp_path)
    clear, fresh, stood = record.liquids
    assert fresh.grains == (0.2, 0.0, "spiced", "clear")
    assert stood.grains == (0.2, 600.0, "spiced", "clear")
    one, other = fresh.repeats[0], stood.repeats[0]
    assert one.offered_share[0, 0] == 1 and other.offered_share[0, 0] == 0
    assert one.cake_m3[-1, 0] > 0 and one.cake_thickness_m[-1] > 0
    assert other.carried_in_m3[-1, 0] == 0
    assert one.saturation[-1] < 0.5 < other.saturation[-1]
    # the face of 0.4 x 0.4 mm is shared by its junctions: a cake is thick as its volume over it
    assert one.cake_thickness_m[-1] == pytest.approx(one.cake_m3[-1, 0] / 0.6 / 1.6e-7)
    drawn = [figure([record]) for figure in (caught_figure, standing_figure)]
    check_numbers(drawn[0])
    check_numbers(drawn[1], most_missing=2)  # the ends of the dashed line
    titles = [figure.texts[0].get_text() for figure in drawn]
    assert "All of the grains that were caught" in titles[0].replace("\n", " ")
    assert "Grains keep it dry" in titles[1].replace("\n", " ")
    for figure in drawn:  # a long title does not crowd this out
        said = [" ".join(text.get_text().split()) for text in figure.texts]
        assert any("Invented example values." in text for text in said), said


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("cup_mm = 30\nheld_mm = 3\n", ""),
        ("held_mm = 3", "stirred = true"),
        ("held_mm = 3", "gravity = false"),
    ],
)
def test_nothing_can_have_stood_where_nothing_settles(old, new):
    from poresim.scenario.faults import ScenarioError
    from poresim.scenario.reading import parse_scenario

    with pytest.raises(ScenarioError, match="stood_s.*nothing settles here"):
        parse_scenario(SCENARIO.replace(old, new))


def test_liquids_that_are_no_list_are_one_fault():
    from poresim.scenario.faults import ScenarioError
    from poresim.scenario.reading import parse_scenario

    head, rest = SCENARIO.index("[solid]"), SCENARIO[SCENARIO.index("[exposure]") :]
    solid = SCENARIO[head : SCENARIO.index("[[liquids]]")]
    with pytest.raises(ScenarioError, match="liquids"):
        parse_scenario("liquids = 3\n" + solid + rest.replace("cup_mm = 30\nheld_mm = 3\n", ""))
