"""Pictures and sentences of drops and of solids that are lifted out. Values are invented."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from fakes import SPACING, record_file
from numpy.testing import assert_allclose
from pictures import check_column, check_legible, check_numbers, texts

from poresim.drop.base import Drop
from poresim.outcome.words import drop_title, drop_told, lifted_told
from poresim.record.reading import load_record
from poresim.record.summaries import summaries
from poresim.show.curves import front_figure, uptake_figure
from poresim.show.drop import drop_figure, gone_at, shapes_of, time_axis
from poresim.show.figures import write_figures
from poresim.show.lifts import Surface, dip_of, in_liquid, lifts_of, surface_of
from poresim.show.section import NotAsked, section_figure
from poresim.show.series import series_of
from poresim.show.slab import slab_of
from poresim.show.states import told_times
from poresim.uptake.result import Ending

VOLUME = 1e-10  # m3
#: Name -> advancing and receding angle, the time scale (None: it stays), the share left, ending.
WATER = ("water", 60, 15, 0.06, 0.0, Ending.STOPPED)
GLAZE = ("glaze", 70, 20, 0.5, 0.13, Ending.TIME)
WAXED = ("water on a waxed tile", 95, 80, None, 1.0, Ending.STOPPED)
SYRUP = ("thick syrup of the first lot, reduced by half", 60, 30, 900.0, 0.0, Ending.TIME)
AT_ONCE = ("gone at once", 40, 0, 2e-6, 0.0, Ending.TIME)
BEAD = ("bead", 140, 120, None, 1.0, Ending.STOPPED)


def dropped(repeat, advancing, receding, scale, floor, ending):
    """What is left falls as 1 - sqrt(t / scale); the shapes are those of such a drop."""
    time = np.unique(np.concatenate([[0.0], np.geomspace(1e-7, 180.0, 300)]))
    share = np.ones_like(time)
    if scale:
        share = np.clip(floor + (1 - floor) * (1 - np.sqrt(time / scale)), floor, 1.0)
    columns = {
        n: np.interp(time, repeat.time_s, getattr(repeat, n))
        for n in ("uptake_kg", "saturation", "front_mean_m", "front_width_m")
    }
    if not scale:
        columns |= {n: 0.0 * columns[n] for n in ("uptake_kg", "saturation")}
    front = np.stack([np.interp(time, repeat.time_s, c) for c in repeat.front_m.T], axis=1)
    drop = Drop(VOLUME, advancing, receding, 0.072, 998.0)
    made = replace(
        repeat, time_s=time, front_m=front, drop_m3=VOLUME * share, ending=ending, **columns
    )
    left = made.drop_m3
    return replace(
        made,
        drop_angle_deg=drop.angle_deg(left),
        drop_base_m=drop.base_radius(left),
        drop_height_m=drop.height(left),
    )


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return load_record(record_file(tmp_path_factory.mktemp("plain"), liquids=2, snapshots=10))


def drops(plain, *liquids, repeats=3):
    """A record of drops, each slower by three tenths in the next solid."""
    bare = plain.liquids[0]
    made = []
    for name, advancing, receding, scale, floor, ending in liquids:
        each = {
            n: dropped(
                bare.repeats[n], advancing, receding, scale and scale * (1 + 0.3 * n), floor, ending
            )
            for n in range(repeats)
        }
        made.append(replace(bare, name=name, repeats=each))
    return replace(plain, liquids=made, faces=("top",), title="Drops")


def said(figure):
    return " ".join(" ".join(t.get_text().split()) for t in texts(figure))


def line_of(axes, colour):
    return next(a for a in axes.lines if a.get_color() == colour and len(a.get_xdata()) > 20)


# ---- drops -----------------------------------------------------------------------------------


def test_lines_are_the_records_angle_and_volume(plain):
    """Median over the solids, read straight in sqrt(time) between the record's own points."""
    record = drops(plain, WATER, GLAZE)
    angle, left = drop_figure([record]).axes[:2]
    for liquid, colour in zip(record.liquids, ("#2f3bb0", "#e8510b"), strict=True):
        for axes, value in (
            (angle, lambda r: r.drop_angle_deg),
            (left, lambda r: 100 * r.drop_m3 / VOLUME),
        ):
            line = line_of(axes, colour)
            for k in (5, 60, 150):
                when = line.get_xdata()[k]
                values = [
                    np.interp(np.sqrt(when), np.sqrt(r.time_s), value(r))
                    for r in liquid.repeats.values()
                ]
                assert_allclose(line.get_ydata()[k], np.median(values), rtol=1e-9)
    assert angle.get_xscale() == left.get_xscale() == "log"


def test_an_angle_ends_where_the_first_drop_has_gone_and_the_volume_stays_at_0(plain):
    record = drops(plain, WATER, GLAZE)
    angle, left = drop_figure([record]).axes[:2]
    first = min(gone_at(r) for r in record.liquids[0].repeats.values())
    assert_allclose(first, 0.06, rtol=0.1)  # between the record's times
    step = time_axis(series_of([record]))[1] / time_axis(series_of([record]))[0]
    assert first / step <= line_of(angle, "#2f3bb0").get_xdata()[-1] < first
    water = line_of(left, "#2f3bb0")
    assert_allclose(water.get_xdata()[-1], 180)  # also for one that stays so long
    assert water.get_ydata()[-1] == 0
    assert line_of(angle, "#e8510b").get_xdata()[-1] == water.get_xdata()[-1]


def test_the_time_axis_shows_the_quickest_and_the_slowest(plain):
    series = series_of([drops(plain, AT_ONCE, SYRUP)])
    when = time_axis(series)
    first = min(gone_at(r) for r in series[0].repeats)
    assert when[0] <= first / 10 * (1 + 1e-9) and when[-1] == 180
    assert_allclose(np.diff(np.log(when)), np.log(when[1] / when[0]), rtol=1e-9)
    alone = time_axis(series_of([drops(plain, WATER)]))
    assert 0.1 < alone[-1] < 0.3  # twice the slowest of them
    still = time_axis(series_of([drops(plain, WAXED)]))
    assert still[0] < still[-1] == 180


def twice(repeat, liquid):
    """A second drop on the spent first one, which goes as that did."""
    first = dropped(repeat, *liquid)
    k = int(np.searchsorted(first.time_s, 10.0))
    late = first.time_s + 20.0
    made = {
        n: np.concatenate([getattr(first, n)[:k], getattr(first, n)])
        for n in ("uptake_kg", "saturation", "front_m", "drop_m3", "drop_angle_deg")
        + ("drop_base_m", "drop_height_m", "front_mean_m", "front_width_m")
    }
    time = np.concatenate([first.time_s[:k], [np.nextafter(20.0, 0.0)], late[1:]])
    made = {n: np.insert(v, k, v[k - 1], axis=0)[: len(time) + 1] for n, v in made.items()}
    time = np.insert(time, k + 1, 20.0)
    given = np.where(np.arange(len(time)) > k, 2 * VOLUME, VOLUME)
    return replace(first, time_s=time, dispensed_m3=given, **made)


def test_two_drops_are_drawn_and_told_as_two(plain):
    bare = plain.liquids[0]
    repeat = twice(bare.repeats[0], WATER[1:])
    record = replace(
        plain, liquids=[replace(bare, name="water", repeats={0: repeat})], faces=("top",)
    )
    assert gone_at(repeat) == pytest.approx(20.06, abs=0.005)
    assert [s.stage for s in shapes_of(repeat)] == ["drop 1", "gone", "drop 2", "gone"]
    figure = drop_figure([record])
    angle, left = figure.axes[:2]
    assert left.get_xscale() == "linear" and "% of one drop" in left.get_ylabel()
    line = line_of(left, "#2f3bb0")
    x, y = line.get_xdata(), line.get_ydata()
    assert y[np.argmin(np.abs(x - 20.0))] == pytest.approx(100, abs=0.1)
    assert np.interp(19.0, x, y) == pytest.approx(0, abs=1e-6)
    assert not np.isfinite(line_of(angle, "#2f3bb0").get_ydata()[np.searchsorted(x, 15.0)])
    check_legible(figure)
    check_numbers(figure, figure.axes[:2])
    assert "2 drops" in said(figure)
    told = drop_told(summaries(record))
    assert told == ["water: the last of 2 drops is half gone after 20 s and gone after 20 s"]
    assert drop_title(summaries(record)) == "Water: all 2 drops are gone after 20 s"


def test_shapes_are_the_records_caps(plain):
    """Volume and angle of the outline by geometry: of revolution, and its slope at the face."""
    for liquid in (WATER, GLAZE, SYRUP, BEAD):
        repeat = drops(plain, liquid, repeats=1).liquids[0].repeats[0]
        for shape in shapes_of(repeat):
            row = int(np.flatnonzero(repeat.time_s == shape.time_s)[0])
            assert shape.base_m == repeat.drop_base_m[row]
            assert shape.height_m == repeat.drop_height_m[row]
            if shape.stage == "gone":
                assert repeat.drop_m3[row] < 1e-6 * VOLUME
                continue
            x, y = shape.outline().T * 1e-3
            half = slice(0, 61)
            volume = abs(np.trapezoid(math.pi * x[half] ** 2, y[half]))
            assert_allclose(volume, repeat.drop_m3[row], rtol=2e-3)
            assert_allclose(y[[0, -1]], 0, atol=1e-12)
            assert_allclose(x[[0, -1]], [-shape.base_m, shape.base_m], rtol=1e-9)
            assert_allclose(y.max(), shape.height_m, rtol=1e-12)
            begins = math.degrees(math.atan2(y[1] - y[0], x[1] - x[0])) % 180
            assert_allclose(begins, repeat.drop_angle_deg[row], atol=2.5)  # of a chord of 1/120


def test_the_stages_are_told(plain):
    def stages(liquid):
        return [s.stage for s in shapes_of(drops(plain, liquid, repeats=1).liquids[0].repeats[0])]

    assert stages(WATER) == ["set down", "pinned", "slides", "gone"]
    assert stages(GLAZE) == ["set down", "pinned", "slides", "on top"]
    assert stages(WAXED) == ["set down", "stays"]
    assert stages(SYRUP) == ["set down", "pinned", "on top"]  # it never gets to its receding angle
    assert stages(AT_ONCE) == ["set down", "pinned", "gone"]  # receding angle 0: never slides
    found = shapes_of(drops(plain, WATER, repeats=1).liquids[0].repeats[0])
    assert found[1].base_m == found[0].base_m > found[2].base_m
    assert_allclose(found[2].angle_deg, 15, rtol=1e-9)
    assert found[1].angle_deg > 15


def test_drops_are_drawn_to_one_scale(plain):
    """Inches a mm of every cap, of the face and of the scale bar."""
    figure = drop_figure([drops(plain, WATER, WAXED)])
    caps = figure.axes[2:]
    assert len(caps) == 4 + 2
    width, height = figure.get_size_inches()
    scales = []
    for axes in caps:
        box = axes.get_position()
        scales.append(box.width * width / np.ptp(axes.get_xlim()))
        scales.append(box.height * height / np.ptp(axes.get_ylim()))
    assert_allclose(scales, scales[0], rtol=1e-9)
    bar = next(a for a in figure.artists if hasattr(a, "get_xdata"))
    name = next(t.get_text() for t in texts(figure) if t.get_text().endswith(" mm"))
    assert_allclose(np.ptp(bar.get_xdata()) * width / scales[0], float(name[:-3]), rtol=1e-9)


def test_sentences(plain):
    record = drops(plain, WATER, GLAZE, WAXED, repeats=1)
    found = summaries(record)
    assert drop_title(found) == (
        "Water is gone after 0.061 s; glaze still has 13 % on top after 180 s; "
        "water on a waxed tile stays on top"
    )
    water, glaze, waxed = drop_told(found)
    assert water == "water is half gone after 0.015 s and gone after 0.061 s"
    assert glaze.startswith("glaze still has 13 % on top after 180 s; half is gone after 0.17 s")
    assert glaze.endswith("; it is not at rest yet")
    assert waxed == (
        "water on a waxed tile stays on top; nothing of it sinks in; it does not wet: its contact "
        "angle is 95°; it is at rest"
    )
    repeat = record.liquids[1].repeats[0]
    shut = np.where(np.arange(len(repeat.blocked_at_s)) % 2, 1.0, np.nan)
    laden = replace(record.liquids[1], repeats={0: replace(repeat, blocked_at_s=shut)})
    text = drop_told(summaries(replace(record, liquids=[laden])))[0]
    assert "; grains have closed 50 % of the throats that it came to" in text
    assert "does not wet" not in text
    plugged = replace(record.liquids[1], repeats={0: replace(repeat, ending=Ending.STOPPED)})
    text = drop_told(summaries(replace(record, liquids=[plugged])))[0]
    assert text.startswith("glaze stays on top with 13 % of the drop; half is gone after")
    assert text.endswith("; it is at rest")


def test_figures_of_the_summary(plain):
    """By hand: 1 - sqrt(t / scale) is a half at scale / 4, and 0 at scale."""
    water, glaze = summaries(drops(plain, WATER, GLAZE))
    assert_allclose(water.drop_half_s.low, 0.015, rtol=1e-3)
    assert_allclose(water.drop_half_s.median, 1.3 * 0.015, rtol=1e-3)
    assert_allclose(water.drop_gone_s.high, 1.6 * 0.06, rtol=0.1)
    assert water.drop_left_share.high == 0 and water.drop_angle_deg.median == pytest.approx(60)
    assert glaze.drop_gone_s.reached == 0 and glaze.drop_gone_s.repeats == 3
    assert glaze.drop_left_share.median == pytest.approx(0.13)
    told = glaze.as_dict()
    assert told["drop_gone_s"]["median"] is None and told["drop_left_share"]["reached"] == 3
    for one in summaries(plain):
        assert math.isnan(one.drop_left_share.median) and math.isnan(one.lifted_s.median)
        assert drop_told([one]) == lifted_told([one]) == []


def test_without_drops_there_is_no_figure(plain, tmp_path):
    with pytest.raises(NotAsked, match="no liquid is a drop"):
        drop_figure([plain])
    written, _ = write_figures([plain], tmp_path, "face")
    assert not any("drop" in path.name for path in written)
    made, _ = write_figures([drops(plain, WATER, WAXED)], tmp_path, "drops")
    assert {"drops-drop.png", "drops-drop.svg"} <= {path.name for path in made}


SIX = (WATER, GLAZE, WAXED, SYRUP, AT_ONCE, BEAD)
SOME = ((WAXED,), (AT_ONCE,), (WATER, GLAZE, WAXED), (AT_ONCE, SYRUP, WATER, BEAD))


@pytest.mark.parametrize(
    ("liquids", "repeats"),
    [
        ((WATER,), 1),
        (SIX, 1),
        (SIX, 3),
        *((some, 3) for some in SOME),
        pytest.param((WATER,), 3, marks=pytest.mark.slow),
        *(pytest.param(some, 1, marks=pytest.mark.slow) for some in SOME),
    ],
)
def test_legible(plain, liquids, repeats):
    figure = drop_figure([drops(plain, *liquids, repeats=repeats)])
    check_legible(figure)
    check_numbers(figure, figure.axes[:2])
    for axes, name in zip(
        figure.axes[:2], ("angle_deg_median", "left_percent_median"), strict=True
    ):
        check_column(figure, axes, "#2f3bb0", name)
    assert "The time axis is logarithmic" in said(figure)
    assert "Invented example values." in said(figure)


def test_sections_are_thick_under_the_drop(plain):
    """As wide as its base then, midway over the face; nothing once it has gone."""
    record = drops(plain, WATER, GLAZE, WAXED)
    figure = section_figure([record])
    check_legible(figure)
    repeats = [q.repeats[0] for q in record.liquids]
    times = told_times(repeats, 4)
    panels = iter(figure.axes)
    for repeat in repeats:
        for when in times:
            thick = [a for a in next(panels).lines if a.get_lw() == 3.5]
            row = np.flatnonzero(repeat.time_s <= when)[-1]
            if repeat.drop_m3[row] == 0:
                assert not thick
                continue
            ends = np.sort(thick[0].get_xdata())
            assert_allclose(np.ptp(ends), 2e3 * repeat.drop_base_m[row], rtol=1e-9)
            assert_allclose(ends.mean(), 8 * SPACING * 1e3 / 2, rtol=1e-9)
    assert "what the drop covers" in said(figure)


# ---- lifts -----------------------------------------------------------------------------------

TILT, DEPTH = 20.0, 0.3  # degrees, mm
DIPPED = f"""
[exposure]
kind = "dip"
depth_mm = {DEPTH}
tilt_deg = {TILT}
dip_s = 2
dips = 2
rest_s = 5
"""
LIFTS = (2.0, 7.0, 9.0)


@pytest.fixture(scope="module")
def dipped(plain):
    text = plain.scenario + DIPPED
    return replace(plain, scenario=text, lift_s=LIFTS, faces=("left", "bottom"), area_m2=1e-6)


def uprights(axes):
    return [(a.get_xdata()[0], a.get_ls()) for a in axes.lines if np.ptp(a.get_xdata()) == 0]


def test_curves_have_a_line_where_the_solid_is_lifted_out(plain, dipped):
    upper, lower = uptake_figure([dipped]).axes
    assert [x for x, _ in uprights(upper)] == list(LIFTS)
    assert_allclose([x for x, _ in uprights(lower)], np.sqrt(LIFTS))
    assert [kind for _, kind in uprights(upper)] == ["-", "--", "-"]
    for axes in front_figure([dipped]).axes:
        last = axes.get_xlim()[1]
        assert [x for x, _ in uprights(axes)] == [t for t in LIFTS if t <= last]
    assert said(uptake_figure([dipped])).count("lifted out Upright") == 0
    assert [t.get_text() for t in texts(uptake_figure([dipped]))].count("lifted out") == 1
    for make in (uptake_figure, front_figure):
        assert "lifted" not in said(make([plain]))
        assert not any(uprights(axes) for axes in make([plain]).axes)
        check_legible(make([dipped]))


def test_lifts_after_the_end_are_not_marked(dipped):
    late = replace(dipped, lift_s=(2.0, 7.0, 30.0))
    assert lifts_of(series_of([late])) == [(2.0, True), (7.0, False)]
    assert [s.lifted_s.median for s in summaries(late)] == [2.0, 2.0]


def test_in_the_liquid_until_the_moment_of_lifting(dipped):
    where = [in_liquid(dipped, t) for t in (0.0, 2.0, 2.1, 7.0, 7.1, 9.0, 9.1, 1e9)]
    assert where == [True, True, False, False, True, True, False, False]


def test_the_surface_is_as_deep_and_as_tilted_as_asked(dipped):
    """Lowest corner (0, 0): z cos + x sin = depth; it meets the left side at depth / cos, the
    bottom at depth / sin."""
    slab = slab_of(dipped.solid(0), dipped.faces)
    dip = dip_of(dipped)
    assert dip is not None and dip.lifts == LIFTS
    found = surface_of(dip, slab, 0.0)
    assert isinstance(found, Surface)
    tilt = math.radians(TILT)
    high, wide = DEPTH / math.cos(tilt), DEPTH / math.sin(tilt)
    assert wide > slab.high[0] == 8 * SPACING * 1e3  # so that the right side is cut instead
    ends = sorted(found.line.tolist())
    assert_allclose(ends[0], [0, high], atol=1e-12)
    assert_allclose(ends[1], [0.8, (DEPTH - 0.8 * math.sin(tilt)) / math.cos(tilt)], atol=1e-12)
    lengths = sorted(np.linalg.norm(found.edges[:, 1] - found.edges[:, 0], axis=1))
    assert_allclose(lengths, sorted([high, 0.8]), rtol=1e-12)  # left and bottom, not right
    deep = replace(dip, depth=5e-3)
    assert len(surface_of(deep, slab, 0.0).line) == 0  # all of it is under water
    assert surface_of(replace(dip, depth=None), slab, 0.0) is None


def test_sections_show_the_surface_while_the_solid_is_in_the_liquid(plain, dipped):
    figure = section_figure([dipped])
    check_legible(figure)
    repeats = [q.repeats[0] for q in dipped.liquids]
    times = told_times(repeats, 4, [2.0, 9.0])
    nearest = [min(repeats[0].snapshot_time_s, key=lambda t: abs(t - x)) for x in (2.0, 9.0)]
    assert set(nearest) <= set(times) and times[-1] == repeats[0].snapshot_time_s[-1]
    thin = [sum(a.get_lw() == 1.0 for a in axes.lines) for axes in figure.axes]
    assert thin == [in_liquid(dipped, t) for _ in dipped.liquids for t in times]
    for axes in figure.axes:  # no side is thick all along
        assert {spine.get_linewidth() for spine in axes.spines.values()} == {0.7}
    bare = section_figure([plain])
    assert not any(axes.lines for axes in bare.axes)
    assert all(axes.spines["bottom"].get_linewidth() == 3.5 for axes in bare.axes)


def test_whole_faces_that_touch_the_liquid_are_thick_until_they_are_lifted_out(dipped):
    text = DIPPED.replace(f"depth_mm = {DEPTH}\ntilt_deg = {TILT}", 'faces = ["bottom"]')
    touched = replace(dipped, scenario=text, faces=("bottom",))
    assert dip_of(touched).depth is None
    figure = section_figure([touched])
    times = told_times([q.repeats[0] for q in touched.liquids], 4, [2.0, 9.0])
    thick = [sum(a.get_lw() == 3.5 for a in axes.lines) for axes in figure.axes]
    assert thick == [in_liquid(touched, t) for _ in touched.liquids for t in times]


def test_a_scenario_of_other_lifts_is_not_believed(dipped):
    for text in (dipped.scenario.replace("dip_s = 2", "dip_s = 3"), "title = [", 'title = "x"'):
        assert dip_of(replace(dipped, scenario=text)) is None


def test_sentence_of_a_lift(dipped):
    """The share of junctions first reached later, and the saturation then, from the record."""
    gum = dipped.liquids[1]
    text = lifted_told(summaries(replace(dipped, lift_s=(2.0,))))[1]
    full = np.median(
        [np.interp(np.sqrt(2.0), np.sqrt(r.time_s), r.saturation) for r in gum.repeats.values()]
    )
    later = np.median([(r.wetted_at_s > 2.0).mean() for r in gum.repeats.values()])
    assert text.startswith(f"gum broth has filled {100 * full:.0f} % (")
    assert "of the pores when the solid is lifted out for good after 2.0 s" in text
    assert f"to a further {100 * later:.0f} % of all junctions; " in text
    assert text.endswith(" of the pores are full in the end")


def test_run_and_compare_print_them(plain, dipped):
    from poresim.cli.tables import offered

    found = summaries(drops(plain, WATER, WAXED))
    assert offered(found).splitlines() == [
        f"{text[0].upper()}{text[1:]}." for text in drop_told(found)
    ]
    assert len(offered(summaries(dipped)).splitlines()) == 2
    assert offered(summaries(plain)) == ""


def test_the_film_on_a_lifted_block_is_drawn_above_its_uptake(dipped):
    """What a balance shows; a record without one is drawn as before."""
    assert "as a balance shows" not in said(uptake_figure([dipped]))
    liquid = dipped.liquids[0]
    most = max(repeat.uptake_kg.max() for repeat in liquid.repeats.values())
    films = {
        number: replace(
            repeat,
            film_m3=np.where(repeat.time_s > LIFTS[0], 0.3 * most / liquid.density, 0.0),
        )
        for number, repeat in liquid.repeats.items()
    }
    others = dipped.liquids[1:]
    filmed = replace(dipped, liquids=[replace(liquid, repeats=films), *others])
    figure = uptake_figure([filmed])
    assert "as a balance shows" in said(figure)
    check_legible(figure)
    axes = figure.axes[0]
    (dotted,) = [line for line in axes.get_lines() if line.get_linestyle() == ":"]
    x, y = dotted.get_data()
    shown = np.isfinite(y)
    assert shown.any() and np.all(x[shown] > 0.95 * LIFTS[0])
    assert np.nanmax(y) <= axes.get_ylim()[1]
    factor = {"Uptake (mg)": 1e6, "Uptake (µg)": 1e9}[axes.get_ylabel()]
    assert_allclose(y[-1] - axes.lines[0].get_ydata()[-1], 0.3 * most * factor, rtol=1e-9)
