"""What is said of a plan; plans are made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from poresim.cli.plan import _table
from poresim.scenario.candidates import angle, weighing
from poresim.why.plan import ranked
from poresim.why.planned import minutes, plan_title, planned_in_words
from tests.judged_made_up import judged, verdict
from tests.planned_made_up import CANDIDATES, OPEN, planned, told


def test_the_first_choice_and_what_its_readings_would_mean():
    words = planned_in_words(planned())
    assert words.startswith(
        "Next: read the angle of gum broth to 2°. It is expected to tell 0.41 bits of the 0.97 "
        "bits of doubt, in 3 min. Now thickening and plugging (60 %); wetting, thickening and "
        "plugging (40 %): 0.97 bits of doubt"
    )
    assert (
        "About 48° (give or take 2°), in 62 % of cases: thickening and plugging then leads, at "
        "91 % on average." in words
    )
    assert "About 55° (give or take 3°), in 38 % of cases: wetting, thickening" in words
    assert words.endswith(
        "All this holds within the model and among these explanations: a hypothesis to test."
    )


def test_a_weighing_is_told_at_the_time_that_tells_most():
    """Both outcomes read 20 % at 30 s; at 180 s 30 and 36 %."""
    words = planned_in_words(planned(bits=((9.0, 0.01), (0.4, 0.01), (0.0, 0.0))))
    assert "About 30 % of the dry mass taken up by 180 s (give or take 0.4 %), in 62 %" in words
    assert "About 36 % of the dry mass taken up by 180 s (give or take 2 %), in 38 %" in words


def test_an_outcome_on_both_sides_of_another_has_no_middle():
    """Below 36 or above 60 degrees: 42 give or take 12 would be wrong."""
    first, *rest = planned().tests
    low, high = first.told.outcomes
    around = high._replace(reading=np.array([42.0]), reading_sd=np.array([12.0]))
    some = [replace(first, told=replace(first.told, outcomes=[low, around])), *rest]
    words = planned_in_words(replace(planned(), tests=some))
    assert "About 48° (give or take 2°), in 62 %" in words
    assert "Further off, on either side, in 38 % of cases: wetting, thickening" in words
    assert "42°" not in words


def test_where_no_reading_changes_what_leads():
    words = planned_in_words(planned(cases=1))
    assert "Whatever it reads, thickening and plugging is expected to lead" in words


def test_tests_as_good_within_the_error_are_said_to_be():
    """Per minute: 24.05 min to 3, and 0.41 to 0.405 bits with errors of 0.012 and 0.004."""
    found = planned(bits=((3.2, 0.1), (0.41, 0.012), (0.405, 0.004)))
    assert [one.tied for one in found.tests] == [True, True, True]
    words = planned_in_words(found)
    assert (
        "As good within the error of the computation: read the angle of clear broth to 2°; weigh "
        "3 pieces in gum broth at 30, 60 and 180 s." in words
    )
    assert (
        plan_title(found) == "Next: read the angle of gum broth to 2°, or 2 more that are as good"
    )
    apart = planned(bits=((3.2, 0.001), (0.41, 0.001), (0.405, 0.001)))
    assert [one.tied for one in apart.tests] == [True, False, False]
    assert "As good within" not in planned_in_words(apart)


def test_what_tells_most_though_slower_is_named():
    words = planned_in_words(planned(bits=((0.7, 0.01), (0.41, 0.012), (0.01, 0.004))))
    assert "Most in all, though slower: weigh 3 pieces in gum broth" in words
    assert "(0.70 bits, 24 min)" in words
    assert "Most about all that is unknown: weigh 3 pieces in gum broth" in words
    assert "Most in all" not in planned_in_words(planned())


def test_nothing_left_to_tell():
    found = planned(judged(verdict({"thickening": 0.999, "wetting": 0.001})))
    assert found.entropy_bits == pytest.approx(0.0114, abs=1e-4)  # -sum p log2 p
    assert planned_in_words(found).startswith("Nothing left to tell: now thickening (above 99 %)")
    assert plan_title(found) == "Nothing left to tell"
    assert not planned(judged(verdict({"thickening": 0.98, "wetting": 0.02}))).nothing_left


def test_no_candidate_tells_them_apart():
    """Below 0.02 bits beyond two standard errors; a single one that does is enough."""
    found = planned(bits=((0.03, 0.006), (0.019, 0.0), (0.0, 0.0)))
    words = planned_in_words(found)
    assert words.startswith(
        "None of these tests tells the explanations apart: the best, weigh 3 pieces in gum broth "
        "at 30, 60 and 180 s, would tell 0.03 bits of the 0.97 bits of doubt."
    )
    assert "such as the thickener alone or the grains filtered out" in words
    assert "based_on" in words
    assert planned(bits=((0.04, 0.006), (0.0, 0.0), (0.0, 0.0))).tells


def test_explanations_that_all_fail():
    found = planned(judged(verdict(OPEN, misfit=("gum broth",))))
    words = planned_in_words(found)
    assert words.startswith("NONE OF THESE EXPLAINS THE DATA: planning")
    assert "of little use" in words
    assert "Next:" not in words
    assert plan_title(found).startswith("Planning is of little use")


def test_cautions():
    found = planned(judged(verdict(OPEN), usual=True, invented=True, change=0.3))
    words = planned_in_words(found)
    for said in ("less sure than was asked", "usual ranges", "The data are invented"):
        assert said in words
        assert said not in planned_in_words(planned())
    assert "[plan] may name others" in words
    assert "[plan] may name others" not in planned_in_words(planned(given=True))
    first, *rest = planned().tests
    sharp = replace(first, told=replace(first.told, widened=np.inf))
    words = planned_in_words(replace(planned(), tests=[sharp, *rest]))
    assert "it may tell more than is said" in words


def test_the_best_per_minute_is_first():
    some = [angle("a", 2), replace(angle("b", 2), minutes=30.0), weighing("c", [60])]
    found = ranked(some, [told(0.2, 0.01, 1), told(0.9, 0.01, 1), told(0.1, 0.01, 1)])
    assert [one.candidate.liquid for one in found] == ["a", "b", "c"]
    assert found[0].bits_per_hour == pytest.approx(4)
    assert found[1].sd_per_hour == pytest.approx(0.02)


def test_the_table():
    head, _, first, *_ = _table(planned())
    assert head.split("  ")[0] == "test"
    assert " ".join(first.split()) == "read the angle of gum broth to 2° 0.410 0.012 3 min 8.20"
    assert len(_table(planned())) == 2 + len(CANDIDATES)


@pytest.mark.parametrize(
    ("value", "said"), [(3, "3 min"), (5.5, "5.5 min"), (24.05, "24 min"), (150, "2.5 h")]
)
def test_minutes(value: float, said: str):
    assert minutes(value) == said
