"""Pictures: told apart by everyone, read on a phone, and showing what the record holds."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from fakes import block, record_file
from numpy.testing import assert_allclose
from pictures import SIGHT, channels, check_legible, lab, texts

from poresim.record.reading import load_record
from poresim.show import style
from poresim.show.curves import front_figure, uptake_figure
from poresim.show.figures import figure_paths, write_figures
from poresim.show.section import NothingToShow, section_figure
from poresim.show.slab import scale_bar, slab_of
from poresim.show.states import state_at, told_times
from poresim.solid.network import Network
from poresim.uptake.result import Ending


def distance(one: str, other: str, sight: str) -> float:
    return float(np.linalg.norm(lab(one, sight) - lab(other, sight)))


def contrast(one: str, other: str) -> float:
    """WCAG 2.1 contrast ratio."""
    light = [style.luminance([round(255 * v) for v in channels(c)]) for c in (one, other)]
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("sight", SIGHT)
def test_liquids_are_told_apart_by_every_eye(sight):
    """A difference of about 2.3 is just seen (Mahy et al. 1994; from memory); 20 is plain."""
    for one, other in itertools.combinations(style.LIQUIDS, 2):
        assert distance(one, other, sight) > 20, (one, other)
    for one in style.LIQUIDS:
        assert distance(one, style.DRY, sight) > 20, one


def test_the_colour_test_can_fail():
    """Red and green of one lightness: plain for most, nearly the same without one cone."""
    assert distance("#c23b3b", "#4c7d1e", "normal") > 80
    assert distance("#c23b3b", "#4c7d1e", "deuteranopia") < 20


def test_contrast():
    for colour in style.LIQUIDS:
        assert contrast(colour, style.BACKGROUND) > 3  # WCAG AA for graphics
        assert contrast(style.readable(colour), style.BACKGROUND) >= 4.5  # and for text
    assert contrast(style.SOFT, style.BACKGROUND) > 4.5
    assert contrast("#ffffff", "#000000") == pytest.approx(21)  # WCAG's own figure


def test_line_kinds_tell_the_same_without_colour():
    looks = [(style.colour(i), str(style.dashes(i))) for i in range(12)]
    assert len(set(looks)) == 12
    assert len({dash for _, dash in looks[:6]}) == 6


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("show")
    return load_record(record_file(folder, cells=(8, 8, 12), snapshots=10))


@pytest.fixture(scope="module")
def odd(tmp_path_factory):
    """One flat little block, two liquids, a short time: other labels than usual."""
    folder = tmp_path_factory.mktemp("odd")
    return load_record(record_file(folder, liquids=2, repeats=1, cells=(4, 4, 6), snapshots=6))


@pytest.mark.parametrize("which", ["record", "odd"])
@pytest.mark.parametrize("make", [uptake_figure, front_figure, section_figure])
def test_figures_are_legible_on_a_phone(request, which, make):
    """Scaled to 360 px width every letter is at least 9 px tall (its em); nothing is cut off,
    and no two texts lie on one another."""
    check_legible(make([request.getfixturevalue(which)]))


def test_every_figure_says_what_it_shows(record):
    for make, words in (
        (uptake_figure, ("Time (s)", "Uptake (", "median", "lowest to highest")),
        (
            front_figure,
            ("Time (s)", "Depth of the front (mm)", "below the wetted face", "5 to 95 %"),
        ),
        (section_figure, ("to scale", "mm", "throat closed by a grain", "full")),
    ):
        said = " ".join(" ".join(t.get_text().split()) for t in texts(make([record])))
        for word in (*words, "A rusk in four broths", "Invented", "clear broth"):
            assert word in said, (make.__name__, word)


@pytest.fixture(scope="module")
def soon(record):
    """Two liquids that fill everything long before the run ends."""

    def waits(repeat):
        def stay(values):
            return np.concatenate([values, values[-1:]])

        return replace(
            repeat,
            time_s=np.append(repeat.time_s, 20 * repeat.time_s[-1]),
            uptake_kg=stay(repeat.uptake_kg),
            saturation=stay(repeat.saturation),
            front_m=np.concatenate([repeat.front_m, np.full((1, 5), np.nan)]),
        )

    clear = record.liquids[0]
    clear = replace(clear, repeats={n: waits(r) for n, r in clear.repeats.items()})
    return replace(record, liquids=[clear, replace(clear, name="salted broth")])


def test_figures_end_soon_after_the_last_change(record, soon):
    changed = max(r.time_s[-1] for r in record.liquids[0].repeats.values())
    for make in (uptake_figure, front_figure):
        assert make([soon]).axes[0].get_xlim()[1] <= 1.25 * changed
    # of a soak that goes on, nothing is left out:
    assert uptake_figure([record]).axes[0].get_xlim()[1] == pytest.approx(changed)


@pytest.mark.filterwarnings("error")
def test_a_liquid_that_does_not_come_in_is_drawn_too(record):
    def dry(repeat):
        zero = {n: 0 * getattr(repeat, n) for n in ("uptake_kg", "saturation", "front_m")}
        return replace(repeat, **zero, ending=Ending.STOPPED)

    one = record.liquids[0]
    one = replace(one, repeats={n: dry(r) for n, r in one.repeats.items()})
    figure = front_figure([replace(record, liquids=[one])])
    assert "No liquid has come in" in [t.get_text() for t in texts(figure)]
    assert figure.axes[0].get_ylim()[0] == 0
    assert uptake_figure([replace(record, liquids=[one])]).axes[0].get_ylim()[0] == 0


@pytest.mark.filterwarnings("error")
def test_a_single_row_of_tubes_is_drawn(tmp_path):
    """It has no width, and so no scale bar across."""
    row = load_record(record_file(tmp_path, liquids=1, repeats=1, cells=(1, 1, 6), snapshots=3))
    solid = row.solid(0)
    bare = Network(solid.points, solid.ends, solid.radius, faces=solid.faces)
    figure = section_figure([replace(row, solids={0: bare})])
    assert not [t for t in texts(figure) if t.get_text() == "0 mm"]


def test_names_that_differ_at_their_ends_stay_different():
    for lines in (1, 2):
        both = {style.name_label(f"a rather long broth from lot {n}", 12, lines) for n in "12"}
        assert len(both) == 2
        assert all(len(r) <= 12 for b in both for r in b.split("\n"))
        assert all(b.count("\n") < lines for b in both)
    assert style.name_label("clear broth", 14, 1) == "clear broth"


@pytest.mark.parametrize(("stretch", "unit", "ticks"), [(1e-3, "ms", 1e3), (100, "min", 1 / 60)])
def test_the_time_axis_has_short_numbers(record, stretch, unit, ticks):
    def other(repeat):
        return replace(repeat, time_s=stretch * repeat.time_s)

    liquids = [
        replace(q, repeats={n: other(r) for n, r in q.repeats.items()}) for q in record.liquids
    ]
    usual, changed = uptake_figure([record]), uptake_figure([replace(record, liquids=liquids)])
    assert changed.axes[0].get_xlabel() == f"Time ({unit})"
    assert_allclose(
        changed.axes[0].lines[0].get_xdata(),
        usual.axes[0].lines[0].get_xdata() * stretch * ticks,
        rtol=1e-9,
    )
    assert changed.axes[1].get_xlabel().startswith("Square root of time (√s)")


def test_titles_name_all_that_come_to_the_same(record, soon):
    said = " ".join(" ".join(t.get_text().split()) for t in texts(front_figure([soon])))
    assert "Clear broth and salted broth come through" in said
    said = " ".join(" ".join(t.get_text().split()) for t in texts(section_figure([soon])))
    assert "both liquids have filled" in said
    said = " ".join(" ".join(t.get_text().split()) for t in texts(section_figure([record])))
    assert "clear broth has filled" in said


def test_a_band_too_narrow_to_be_seen_is_said_to_be(record):
    def said(one):
        return " ".join(" ".join(t.get_text().split()) for t in texts(uptake_figure([one])))

    assert "hardly wider than the line" not in said(record)
    alike = []
    for one in record.liquids:
        curve = {n: getattr(one.repeats[0], n) for n in ("time_s", "uptake_kg", "saturation")}
        repeats = {n: replace(repeat, **curve) for n, repeat in one.repeats.items()}
        alike.append(replace(one, repeats=repeats))
    assert "hardly wider than the line" in said(replace(record, liquids=alike))


def test_uptake_draws_the_record(record):
    """The line is the median over the solids: compared with numpy at a time of the record."""
    figure = uptake_figure([record])
    line = figure.axes[0].lines[0]
    when = line.get_xdata()[150]
    values = [
        np.interp(np.sqrt(when), np.sqrt(r.time_s), r.uptake_kg)
        for r in record.liquids[0].repeats.values()
    ]
    unit = figure.axes[0].get_ylabel()
    factor = {"Uptake (mg)": 1e6, "Uptake (µg)": 1e9}[unit]
    assert_allclose(line.get_ydata()[150], np.median(values) * factor, rtol=1e-9)


def test_wet_area_is_the_wet_share_of_the_slab(record):
    """What is drawn wet is what the snapshot holds, tube by tube."""
    solid = record.solid(0)
    slab = slab_of(solid, record.faces)
    repeat = record.liquids[0].repeats[0]
    for i in (2, 5, 9):
        fill = repeat.snapshot_fill[i]
        share = np.clip(fill[slab.tubes].sum(axis=1), 0, 1)
        drawn = shoelace(slab.wet_shapes(fill)).sum()
        expected = shoelace(slab.shapes(np.zeros(len(share)), share)).sum()
        parts = shoelace(
            slab.shapes(np.zeros(len(share)), fill[slab.tubes, 0].astype(float))
        ) + shoelace(slab.shapes(1 - fill[slab.tubes, 1].astype(float), np.ones(len(share))))
        full = share >= 1 - 1e-6
        expected = np.where(full, slab.area, parts).sum()
        assert_allclose(drawn, expected, rtol=1e-6)
    dry = np.zeros((solid.tubes, 2), dtype=np.float32)
    assert len(slab.wet_shapes(dry)) == 0
    assert_allclose(shoelace(slab.all_shapes()), slab.area, rtol=1e-9)


def shoelace(shapes: np.ndarray) -> np.ndarray:
    """Areas of polygons (t, 6, 2)."""
    x, y = shapes[..., 0], shapes[..., 1]
    return np.abs((x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1)).sum(axis=1)) / 2


def test_slab_is_thin_flat_and_to_scale():
    solid = block((6, 7, 8))
    slab = slab_of(solid, ["bottom"])
    through = solid.points[solid.ends[slab.tubes], 1]
    assert np.ptp(through) < 1e-9  # one layer of a cubic lattice
    assert_allclose(slab.high - slab.low, [0.6, 0.8])
    assert_allclose(slab.radius, solid.radius[slab.tubes] * 1e3)
    assert slab.wet_sides == ("bottom",)
    assert slab_of(solid, ["front"]).across == "y"


def test_states_are_the_records_own(record):
    repeat = record.liquids[1].repeats[0]
    times = repeat.snapshot_time_s
    state = state_at(repeat, float(times[4]))
    assert state.time_s == times[4]
    assert not state.past_end
    np.testing.assert_array_equal(state.fill, repeat.snapshot_fill[4])
    between = state_at(repeat, float(times[4] + times[5]) / 2)
    assert between.time_s == times[4]  # never one that was not computed
    assert state_at(repeat, float(times[0]) / 2) is None
    assert state_at(repeat, float(times[-1]) * 2).past_end
    assert set(told_times([repeat], 4)) <= set(times)


def test_a_full_solid_needs_no_snapshot(record):
    """The soak ended full between two snapshots: it is shown full, not as it was before."""
    whole = record.liquids[0].repeats[0]
    assert whole.ending is Ending.FULL
    cut = int(np.searchsorted(whole.time_s, 0.9 * whole.time_s[-1]))
    repeat = replace(
        whole,
        time_s=whole.time_s[: cut + 1],
        saturation=whole.saturation[: cut + 1],
        snapshot_time_s=whole.snapshot_time_s[:5],
    )
    state = state_at(repeat, float(whole.time_s[-1]))
    assert not state.past_end
    np.testing.assert_array_equal(state.fill.sum(axis=1) == 1, np.isfinite(whole.filled_at_s))
    stopped = replace(repeat, ending=Ending.SATURATION)
    assert state_at(stopped, float(whole.time_s[-1])).past_end


def test_closed_throats_appear_when_they_close(record):
    repeat = record.liquids[2].repeats[0]
    early, late = (state_at(repeat, float(repeat.snapshot_time_s[i])) for i in (0, -1))
    assert 0 < early.closed.sum() < late.closed.sum()
    slab = slab_of(record.solid(0), record.faces)
    assert len(slab.bars(late.closed)) == late.closed[slab.tubes].sum()


def test_without_snapshots_there_is_no_section(tmp_path):
    bare = load_record(record_file(tmp_path, liquids=1, repeats=1, cells=(3, 3, 4), snapshots=0))
    with pytest.raises(NothingToShow, match="no repeat has snapshots"):
        section_figure([bare])
    written, remarks = write_figures([bare], tmp_path, "x")
    assert len(written) == 6  # uptake and front: PNG, SVG, CSV
    assert len(remarks) == 1
    assert set(written) < set(figure_paths(tmp_path, "x"))


def test_labels_are_moved_apart_and_stay_inside():
    placed = style.apart([1.0, 1.01, 1.02, 5.0], 0.5, 0.0, 6.0)
    assert np.all(np.diff(placed) >= 0.5 - 1e-12)
    assert placed[3] == 5.0
    assert min(style.apart([0.0, 0.0, 0.0], 1.0, 0.0, 9.0)) >= 0
    crowded = style.apart([1.0] * 9, 5.0, 0.0, 8.0)
    assert (min(crowded), max(crowded)) == (0.0, 8.0)
    assert style.apart([3.0, 1.0], 0.5, 0.0, 9.0) == [3.0, 1.0]


def test_text_from_a_scenario_stays_text():
    assert style.label("a\x1b[31m\nb\u202ec") == "a [31m b c"
    assert style.label("one two three four", 8, 2) == "one two\nthree…"
    assert style.label("$\\frac{1}{$") == "$\\frac{1}{$"


def test_formulas_and_odd_letters_are_drawn_as_they_are(tmp_path):
    path = record_file(tmp_path, liquids=1, repeats=1, cells=(3, 3, 4), title="$x^{ \\bad & <b>")
    write_figures([load_record(path)], tmp_path, "odd")


def test_scale_bar_is_round():
    assert [scale_bar(w) for w in (2.0, 0.7, 30, 4.1)] == [1, 0.2, 10, 2]
