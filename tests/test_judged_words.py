"""What is said of a verdict: each sentence when it holds, and only then. Verdicts are made up."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from judged_made_up import EQUAL, LIQUIDS, SURE, UNKNOWNS, judged, verdict

from poresim.cli.judge import _table
from poresim.why.judged import (
    error_of,
    judged_in_words,
    likely,
    others_in_words,
    spoken,
    told_apart,
    verdict_title,
)
from poresim.why.weighing.rivals import NOTHING
from poresim.why.weighing.verdict import Fit, Known, Leaning

OPEN = {"wetting": 0.5, "thickening": 0.3, "plugging": 0.15, NOTHING: 0.05}
ANGLE = "liquids.gum broth.contact_angle_deg"
ALONE = tuple(
    Known(f"liquids.clear broth.{key}", (1.0, 2.0, 3.0), (1.0, 2.0, 3.0), 0.5)
    for key in ("surface_tension_mN_m", "contact_angle_deg", "viscosity.mPa_s")
)
#: A verdict, and a part of a sentence that is said of it and of no other.
SENTENCES = {
    "sure": (judged(), "Most likely explanation: thickening and plugging (92 %)."),
    "open": (judged(verdict(OPEN)), "These data do not tell which explanation is right"),
    "misfit": (judged(verdict(misfit=("gum broth",))), "NONE OF THESE EXPLAINS THE DATA."),
    "leaning": (
        judged(verdict(leanings=[Leaning(ANGLE, 0.6, 0.97)])),
        "This leans on what was assumed of contact angle of gum broth: assumed lower by half a "
        "standard deviation, thickening and plugging gets 60 %; higher, 97 %.",
    ),
    "few soaks": (judged(change=0.08), "may be off by 8.0 %, more than the 2.0 % that was asked"),
    "few draws": (judged(verdict(sd=np.array([0.06, 0.06, 0, 0, 0]))), "may be off by 6.0 %"),
    "blind": (
        judged(verdict(unknowns=list(ALONE)), newtonian=("clear broth",)),
        "Weighing clear broth shows surface tension, contact angle and viscosity only together",
    ),
    "pair": (
        judged(verdict(pairs=[(ANGLE, UNKNOWNS[1].key, 0.9)])),
        "A higher contact angle of gum broth with a higher viscosity at rest of gum broth",
    ),
    "strained": (
        judged(verdict(fits=[Fit("log of gum broth", 0.004)], explained=0.03)),
        "Look again at the log of gum broth: by chance it would lie as far off about once in 200",
    ),
    "usual": (judged(usual=True), "usual ranges"),
    "unused": (
        judged(unused=["later angles of the drop of gum broth"]),
        "Not weighed: later angles of",
    ),
    "invented": (judged(invented=True), "The data are invented."),
}


@pytest.mark.parametrize("kind", SENTENCES)
def test_a_sentence_is_said_when_it_holds_and_only_then(kind):
    found, sentence = SENTENCES[kind]
    assert sentence in judged_in_words(found)
    plain = {"open", "misfit"} if kind == "sure" else set(SENTENCES) - {kind}
    for other in plain:
        said = judged_in_words(SENTENCES[other][0])
        assert sentence not in said, other
    assert judged_in_words(found).endswith("by a model: a hypothesis to test.")


def test_what_all_fail_at_is_not_told_as_if_it_held():
    said = judged_in_words(judged(verdict(misfit=("gum broth",), pairs=[(ANGLE, "x", -0.9)])))
    assert "The log of gum broth lies furthest off" in said
    assert "once in 100,000 times" in said
    for word in ("Most likely", "Almost surely", "leans", "Open", "together"):
        assert word not in said


def test_titles():
    assert verdict_title(judged()) == "Thickening and plugging: 92 %"
    assert verdict_title(judged(verdict(misfit=LIQUIDS))) == "None of these explains the data"
    assert verdict_title(judged(verdict(OPEN))) == "Open: wetting, or thickening"
    assert verdict_title(judged(verdict(EQUAL))).startswith("Open: 8 explanations")
    some = {"wetting": 0.6, "thickening": 0.15, "plugging": 0.15, NOTHING: 0.1}
    assert verdict_title(judged(verdict(some))) == "Most likely wetting, but only 60 %"
    rough = judged(change=0.12)
    assert verdict_title(rough) == "Thickening and plugging: 92 %, give or take 12 %"
    sure = {NOTHING: 0.999, "wetting": 0.001}
    assert verdict_title(judged(verdict(sure))) == "No difference between the liquids: above 99 %"


def test_those_that_are_not_told_apart_are_named_and_no_others():
    said = judged_in_words(judged(verdict(OPEN)))
    assert "right: wetting (50 %), or thickening (30 %)." in said
    assert "or 4 more." in judged_in_words(judged(verdict(EQUAL)))


def test_properties_are_judged_over_all_explanations():
    said = judged_in_words(judged())
    # plugging: 0.92 + 0.075 + 0.001; thickening: 0.92 + 0.075 + 0.004; wetting: 0.075
    flows, grains = "thickening (how the liquid flows)", "plugging (grains caught in the pores)"
    assert f"Almost surely at work: {flows} and {grains}." in said
    assert "Open whether at work: wetting (surface tension and contact angle) 8 %." in said
    assert "not needed" not in said
    said = judged_in_words(judged(verdict({NOTHING: 0.97, "wetting": 0.03})))
    assert "Almost surely not needed: wetting (" in said


def test_more_soaks_are_advised_only_where_they_would_help():
    assert "most_rows" in judged_in_words(SENTENCES["few soaks"][0])
    assert "most_rows" not in judged_in_words(SENTENCES["few draws"][0])


def test_an_angle_that_was_read_is_no_longer_hidden_behind_the_others():
    fits = [Fit("log of clear broth", 0.5), Fit("angle of clear broth", 0.5)]
    found = judged(verdict(unknowns=list(ALONE), fits=fits), newtonian=("clear broth",))
    assert "clear broth shows surface tension and viscosity only together" in judged_in_words(found)
    found = judged(verdict(unknowns=list(ALONE[1:]), fits=fits), newtonian=("clear broth",))
    assert "only together" not in judged_in_words(found)
    found = judged(verdict(unknowns=list(ALONE)), newtonian=())  # none of them is Newtonian
    assert "only together" not in judged_in_words(found)


def test_liquids_that_hide_the_same_are_told_in_one_sentence():
    keys = ("surface_tension_mN_m", "viscosity.mPa_s")
    unknowns = [dataclasses.replace(judged()).verdict.unknowns[0]._replace(key=f"liquids.*.{key}")
                for key in keys]  # fmt: skip
    said = judged_in_words(judged(verdict(unknowns=unknowns), newtonian=LIQUIDS[:2]))
    assert said.count("only together") == 1
    assert "Weighing clear broth and gum broth shows surface tension and viscosity" in said


@pytest.mark.parametrize(
    ("p", "words"),
    [(0.0, "below 1 %"), (0.00999, "below 1 %"), (0.01, "1 %"), (0.076, "8 %"), (0.99, "99 %"),
     (0.9901, "above 99 %"), (1.0, "above 99 %")],
)  # fmt: skip
def test_probabilities_are_never_0_or_100(p, words):
    assert likely(p) == words


def test_explanations_in_a_sentence():
    assert spoken("wetting") == "wetting"
    assert spoken("wetting+thickening+plugging") == "wetting, thickening and plugging"
    assert spoken("thickening+gravity") == "thickening and density"
    assert spoken(NOTHING) == "no difference between the liquids"


def test_those_below_1_percent_are_told_together():
    found = judged()
    assert told_apart(found) == [0, 1]
    assert others_in_words(found, 2) == "3 others together below 1 %"
    assert others_in_words(found, 4) == "1 other below 1 %"
    assert others_in_words(found, 5) == ""
    many = {f"{'wetting+' * k}plugging": 0.008 for k in range(20)}
    found = judged(verdict({"thickening": 0.84} | many))
    assert others_in_words(found, 1) == "20 others together 16 %"
    lines = _table(judged())
    assert [line.split("  ")[0] for line in lines[2:]] == [
        "thickening and plugging",
        "wetting, thickening and plugging",
        "3 others together below 1 %",
    ]
    assert sum(SURE.values()) == pytest.approx(1.0)


def test_the_error_of_a_probability_is_the_larger_of_both():
    found = judged(verdict(sd=np.array([0.05, 0.01, 0, 0, 0])), change=0.015)
    assert [error_of(found, k) for k in (0, 1)] == [0.05, 0.015]
