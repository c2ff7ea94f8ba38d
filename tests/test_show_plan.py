"""The figure of a plan shows what was found; plans are made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_hex
from numpy.testing import assert_allclose
from pictures import check_legible, texts

from poresim.scenario.candidates import weighing
from poresim.show.plan import STRONG, planned_figure
from tests.judged_made_up import judged, verdict
from tests.planned_made_up import OPEN, planned

LONG = "a rather long name of a broth with gum and five kinds of spices"
MANY = planned(
    candidates=[weighing(f"{LONG} {i}", np.arange(1, 13) * 10.0) for i in range(13)],
    bits=tuple((0.1 + 0.01 * i, 0.03) for i in range(13)),
)
CASES = {
    "usual": planned(),
    "tied": planned(bits=((3.2, 0.1), (0.41, 0.012), (0.405, 0.004))),
    "left": planned(judged(verdict({"thickening": 0.999, "wetting": 0.001}))),
    "none": planned(bits=((0.01, 0.01),) * 3, cases=1),
    "zero": planned(bits=((0.0, 0.0),) * 3, cases=1),
    "misfit": planned(judged(verdict(OPEN, misfit=("gum broth",)), invented=True)),
    "many": replace(MANY, judged=judged(verdict(OPEN), title=30 * "broth ")),
}


def said(figure):
    return [" ".join(text.get_text().split()) for text in texts(figure)]


def bars(figure):
    return [patch for axes in figure.axes for patch in axes.patches]


def test_bars_are_bits_per_hour_and_whiskers_their_error():
    """0.41 bits in 3 min, 0.3 in 24.05... the best first."""
    found = CASES["usual"]
    figure = planned_figure(found)
    assert_allclose([bar.get_width() for bar in bars(figure)], [8.2, 0.3 * 60 / 24, 0.2])
    assert [to_hex(bar.get_facecolor()) == STRONG for bar in bars(figure)] == [True, False, False]
    words = said(figure)
    assert "Next: read the angle of gum broth to 2°" in words
    assert "8.2" in words and "0.75" in words and "0.20" in words
    assert any(text.startswith("– About 48° (give or take 2°), in 62 %") for text in words)
    ends = [line.get_xdata() for line in figure.axes[0].lines if np.ptp(line.get_xdata()) > 0]
    assert_allclose(ends[0], [8.2 - 0.24, 8.2 + 0.24])


def test_those_as_good_are_as_dark():
    figure = planned_figure(CASES["tied"])
    assert [to_hex(bar.get_facecolor()) == STRONG for bar in bars(figure)] == [True] * 3
    assert any("as good as the first" in text for text in said(figure))


@pytest.mark.parametrize("case", ["left", "none", "misfit"])
def test_bars_are_hollow_where_they_are_of_no_use(case: str):
    figure = planned_figure(CASES[case])
    assert all(bar.get_facecolor() != bar.get_edgecolor() for bar in bars(figure))
    assert not any("What the first test would mean" in text for text in said(figure))


def test_invented_data_and_what_is_not_drawn_are_said():
    assert any(text.startswith("INVENTED DATA.") for text in said(planned_figure(CASES["misfit"])))
    assert not any("INVENTED" in text for text in said(planned_figure(CASES["usual"])))
    words = said(planned_figure(CASES["many"]))
    assert any(text.startswith("3 more tell less.") for text in words)


@pytest.mark.parametrize("case", CASES)
def test_letters_are_read_on_a_phone_and_nothing_overlaps(case: str):
    check_legible(planned_figure(CASES[case]))
