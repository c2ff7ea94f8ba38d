"""The figure of a verdict shows what was found; verdicts are made up."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from judged_made_up import EQUAL, LIQUIDS, UNKNOWNS, curve, judged, verdict
from matplotlib.colors import to_hex
from numpy.testing import assert_allclose, assert_array_equal
from pictures import check_legible, check_numbers, texts
from scipy.stats import norm

from poresim.show.judge import STRONG, judged_figure, write_figure
from poresim.show.judge_logs import root_ticks
from poresim.show.judge_unknowns import span
from poresim.why.weighing import curves
from poresim.why.weighing.bench import Bench, Log
from poresim.why.weighing.curves import LEVELS, band_of
from poresim.why.weighing.joint import Missed
from poresim.why.weighing.likelihood import Predicted
from poresim.why.weighing.rivals import NOTHING, Rival
from poresim.why.weighing.verdict import Known

LONG = tuple(f"a rather long name of a broth with gum {i}" for i in range(6))
EVERY = "wetting+thickening+plugging+settling+gravity"
MANY = [
    Known(f"liquids.{name}.particles.{key}", (10.0, 15.0, 20.0), (12.0, 14.0, 16.0), left)
    for name in LONG
    for key, left in (("median_diameter_um", 0.3), ("volume_fraction", 0.95))
] + list(UNKNOWNS) * 2


def said(figure):
    return [plain(text) for text in texts(figure)]


def plain(text):
    return " ".join(text.get_text().split())


def bars(figure):
    return [patch for axes in figure.axes for patch in axes.patches]


def test_the_figure_is_written_and_tells_the_verdict(tmp_path):
    path = tmp_path / "a.png"
    assert write_figure(judged(invented=True), path)[0] == path
    assert path.read_bytes().startswith(b"\x89PNG")
    figure = judged_figure(judged(invented=True))
    words = said(figure)
    assert plain(figure.texts[0]) == "Thickening and plugging: 92 %"
    assert "Wetting, thickening and plugging" in words
    assert "3 others together below 1 %" in words
    assert not any("not explained" in text for text in words)
    foot = next(text for text in words if text.startswith("INVENTED DATA."))
    assert "1,280 soaks" in foot
    assert "seed 3" in foot
    assert "INVENTED" not in " ".join(said(judged_figure(judged())))


def test_bars_are_the_probabilities_and_add_up():
    figure = judged_figure(judged(verdict(EQUAL)))
    widths = [bar.get_width() for bar in bars(figure)]
    assert_allclose(widths, list(EQUAL.values()))
    percents = [float(text[:-2]) for text in said(figure) if text[:-2].isdigit()]
    assert len(percents) == len(EQUAL)
    assert abs(sum(percents) - 100) <= 0.5 * len(EQUAL)  # each is rounded by half at most


def test_only_those_that_are_not_told_apart_are_strong():
    some = {"wetting": 0.5, "thickening": 0.3, "plugging": 0.15, NOTHING: 0.05}
    figure = judged_figure(judged(verdict(some)))
    strong = [to_hex(bar.get_facecolor()) == STRONG for bar in bars(figure)]
    assert strong == [True, True, False, False]


def test_whiskers_are_as_long_as_the_error():
    figure = judged_figure(judged(change=0.04))
    axes = next(axes for axes in figure.axes if axes.patches)
    ends = [line.get_xdata() for line in axes.lines if np.ptp(line.get_xdata()) > 0]
    assert_allclose(ends, [[0.88, 0.96], [0.035, 0.115]])


def test_where_nothing_explains_the_data_that_is_the_headline_and_the_log_is_marked():
    figure = judged_figure(judged(verdict(misfit=("gum broth",))))
    words = said(figure)
    assert plain(figure.texts[0]) == "None of these explains the data"
    assert sum("not explained" in text for text in words) == 1
    assert all(bar.get_facecolor() != bar.get_edgecolor() for bar in bars(figure))
    titles = {t.get_text(): t.get_position() for t in figure.texts}
    assert titles["✗ not explained"][0] == titles["gum broth"][0]  # above the same panel


def test_panels_show_what_was_weighed_and_the_band():
    found = judged(verdict(liquids=LIQUIDS[:3]))
    figure = judged_figure(found)
    panels = [axes for axes in figure.axes if axes.collections]
    assert len(panels) == 3
    for axes, one in zip(panels, found.verdict.curves, strict=True):
        # lines with markers: a repeat each; the error bars are collections
        points = [line for line in axes.lines if line.get_marker() == "o"]
        assert_allclose([p.get_xdata() for p in points], [np.sqrt(one.read)] * 3)
        assert_allclose([p.get_ydata() for p in points], 100 * one.measured)
        corners = axes.collections[0].get_paths()[0].vertices
        assert_allclose(corners[:, 1].max(), 100 * one.high.max())
        middle = next(line for line in axes.lines if line.get_marker() == "None")
        assert_allclose(middle.get_ydata(), 100 * one.middle)
    assert len({axes.get_xlim() for axes in panels}) == 1
    assert len({axes.get_ylim() for axes in panels}) == 1


def test_logs_read_at_different_times_share_a_panel():
    some = [curve("clear broth"), curve("clear broth", repeats=1)]
    figure = judged_figure(judged(verdict(curves=some)))
    (panel,) = [axes for axes in figure.axes if axes.collections]
    assert len([line for line in panel.lines if line.get_marker() == "o"]) == 4


def test_unknowns_most_learnt_first_and_what_was_not_learnt_in_a_line():
    words = said(judged_figure(judged()))
    names = ["Median radius", "Viscosity at rest of gum broth", "How far pieces differ"]
    assert [words.index(name) for name in names] == sorted(words.index(name) for name in names)
    assert "58.3 to 60.6 µm" in words
    assert "Not learnt: contact angle of gum broth." in words
    words = said(judged_figure(judged(verdict(unknowns=MANY))))
    assert sum(" µm" in text for text in words) == 8  # 6 diameters and a radius twice: the first 10
    assert any(text.startswith("2 more are known a little better") for text in words)


@pytest.mark.parametrize(
    ("known", "words"),
    [
        (Known("solid.tubes.median_radius_um", (1, 2, 3), (58.29, 59, 60.62), 0.1),
         "58.3 to 60.6 µm"),
        (Known("liquids.a.viscosity.mPa_s", (1, 2, 3), (387.0, 459, 532), 0.1),
         "390 to 530 mPa s"),
        (Known("how far pieces differ", (0.1, 0.2, 0.3), (0.0036, 0.01, 0.0706), 0.1),
         "0.4 to 7.1 %"),
        (Known("liquids.a.contact_angle_deg", (1, 2, 3), (47.7, 49, 51.5), 0.1), "47.7 to 51.5°"),
        (Known("solid.tubes.waist", (0.1, 0.2, 0.3), (0.2, 0.2, 0.2), 0.1),
         "0.20000"),
    ],
)  # fmt: skip
def test_intervals_to_two_figures_of_their_width(known, words):
    assert span(known) == words


@pytest.mark.parametrize(
    ("last", "ticks"),
    [(60, [0, 5, 30, 60]), (0.06, [0, 0.005, 0.03, 0.05]), (100, [0, 10, 50, 100])],
)
def test_ticks_are_round_and_about_even_in_the_root(last, ticks):
    assert_array_equal(root_ticks(last, 4), ticks)


@pytest.mark.parametrize(
    "found",
    [
        judged(verdict(EQUAL, LIQUIDS[:1]), invented=True, usual=True, change=0.08),
        judged(verdict(liquids=LIQUIDS[:3], misfit=LIQUIDS[:1]), usual=True, invented=True),
        judged(
            verdict({EVERY: 0.5, "thickening+plugging+settling+gravity": 0.3, NOTHING: 0.2}, LONG,
                    misfit=LONG[1:3], unknowns=MANY)
        ),
        judged(verdict({"wetting": 1.0, NOTHING: 0.0}, unknowns=[UNKNOWNS[2]])),
    ],
    ids=["equal, one liquid", "misfit, three", "long names, six", "nothing learnt"],
)  # fmt: skip
def test_every_figure_is_read_on_a_phone(found):
    figure = judged_figure(found)
    check_legible(figure)
    check_numbers(figure, [axes for axes in figure.axes[1:] if axes.axison], across=False)


def mixture(draws=400, times=5, seed=1):
    """Draws of a closed form: uptake k sqrt(t), k lognormal, pieces by a factor, and a misfit."""
    rng = np.random.default_rng(seed)
    root = np.linspace(1.0, 3.0, times)
    k = 0.1 * np.exp(0.1 * rng.normal(size=draws))
    level = k[:, None] * root
    own = 0.05**2 * level[:, :, None] * level[:, None, :]
    lost = 0.02 * level[:, :, None]
    return Predicted(level, own, (Missed(lost, np.zeros((draws, 1))),)), root


def test_the_band_of_one_draw_is_that_of_a_normal():
    told, _ = mixture(draws=1)
    low, middle, high = band_of(told)
    sd = np.hypot(0.05, 0.02) * told.level[0]  # closed form
    for level, found in zip(LEVELS, (low, middle, high), strict=True):
        assert_allclose(found, told.level[0] + norm.ppf(level) * sd, rtol=1e-9)


def test_the_band_holds_9_of_10_new_pieces():
    told, root = mixture(draws=2000)
    low, middle, high = band_of(told)
    rng = np.random.default_rng(2)
    count = 20_000
    k = 0.1 * np.exp(0.1 * rng.normal(size=count))
    pieces = k * (1 + np.hypot(0.05, 0.02) * rng.normal(size=count))
    new = pieces[:, None] * root
    inside = ((low <= new) & (new <= high)).mean(axis=0)
    # sampling: sd 0.0021 of 20,000 pieces; the band's ends, of 2,000 draws, about 0.006 more
    assert_allclose(inside, 0.9, atol=0.02)
    assert_allclose((new < middle).mean(axis=0), 0.5, atol=0.035)
    narrow = ((0.98 * low + 0.02 * high <= new) & (new <= 0.9 * high)).mean()
    assert narrow < 0.88  # a band without what pieces differ by would fail


def test_the_band_never_lies_below_0():
    told = Predicted(np.full((3, 2), 0.01), np.tile(np.eye(2), (3, 1, 1)), ())
    low, _, high = band_of(told)
    assert_array_equal(low, 0.0)
    assert (high > 1).all()


def test_a_curve_for_each_log_by_the_draws_of_the_posterior(monkeypatch):
    """Each liquid to its own last reading, without the balance; one draw: a closed form."""
    asked = []

    class OneDraw:
        def __init__(self, evidence, rival, u):
            assert_array_equal(u, np.full((400, 1), 0.5))

        def at(self, makeup, when, sd):
            asked.append((makeup, sd))
            level = np.tile(0.1 * np.sqrt(when), (400, 1))
            cover = np.tile(np.diag(0.01 + sd**2), (400, 1, 1))
            return Predicted(level, cover, ())

    monkeypatch.setattr(curves, "View", OneDraw)
    logs = [
        ("a", Log(np.array([1.0, 4.0]), np.array([[0.1, 0.2]]), np.array([0.01, 0.01]))),
        ("b", Log(np.array([2.0, 9.0]), np.array([[0.1, 0.3]]), np.array([0.01, 0.01]))),
        ("a", Log(np.array([3.0, 16.0]), np.array([[0.2, 0.4]]), np.array([0.01, 0.01]))),
    ]
    rival = Rival(frozenset({"wetting"}))
    makeups = {(rival, "a"): "makeup a", (rival, "b"): "makeup b"}
    evidence = SimpleNamespace(bench=Bench(logs, [], []), makeups=makeups)
    posterior = SimpleNamespace(resampled=lambda count, seed: np.full((count, 1), 0.5))
    found = curves.curves_of(evidence, rival, posterior)
    assert [one.liquid for one in found] == ["a", "b", "a"]
    assert [makeup for makeup, _ in asked] == ["makeup a", "makeup b", "makeup a"]
    assert all((sd == 0).all() for _, sd in asked)
    for one, (_, log), last in zip(found, logs, (16, 9, 16), strict=True):
        assert_allclose(np.sqrt(one.when), np.linspace(0, np.sqrt(last), 40))
        assert_allclose(one.middle, 0.1 * np.sqrt(one.when), atol=1e-9)
        assert_allclose(one.high - one.middle, 0.1 * norm.ppf(0.95), rtol=1e-7)
        assert one.read is log.when
        assert one.measured is log.uptake
