"""Pictures of blocks that soften: what is drawn is what the record holds. Values are invented."""

from __future__ import annotations

import base64
import csv
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from fakes import record_file
from matplotlib.colors import to_hex
from numpy.testing import assert_allclose
from pictures import SIGHT, check_column, check_legible, check_numbers, lab, texts

from poresim.record.reading import load_record
from poresim.show.figures import write_figures
from poresim.show.firmness import course, firmness_figure
from poresim.show.section import NotAsked, NothingToShow
from poresim.show.slab import slab_of
from poresim.show.strength import _colours, _times, shown_at, strength_figure
from poresim.softening.asked import Bar, Walls
from poresim.softening.bar import soften

KINDS = ("png", "svg", "csv")
WALLS = Walls(exchange_s=2.0, dry_strength=2e5, midpoint=0.3, width=0.05, saturated=0.8)
KEYS = """
[softening]
wall_s = 2
dry_strength_kPa = 200
midpoint = 0.3
width = 0.05
saturated = 0.8
"""
SIZE = (8e-4, 8e-4, 12e-4)
SPAN = 6e-4
DENSITY = 420.0  # kg/m3, dry
MASS = DENSITY * SIZE[0] * SIZE[1] * SIZE[2]
CARRIES, DROOPS, FALLS = 2e-4, 25e-3, 0.3  # m of overhang: for ever, until it is soaked, never


def softened(record, overhang=DROOPS, size=SIZE):
    """A record as a run with walls that soften makes it."""
    bar = Bar(size, SPAN, MASS, overhang)

    def soft(solid, repeat):
        return repeat.softening(
            soften(solid, repeat.filled_at_s, repeat.time_s, repeat.uptake_kg, WALLS, bar)
        )

    liquids = [
        replace(q, repeats={n: soft(record.solid(n), r) for n, r in q.repeats.items()})
        for q in record.liquids
    ]
    return replace(record, liquids=liquids, scenario=record.scenario + KEYS)


@pytest.fixture(scope="module")
def hard(tmp_path_factory):
    return load_record(record_file(tmp_path_factory.mktemp("soft"), snapshots=10))


@pytest.fixture(scope="module")
def one_solid(tmp_path_factory):
    folder = tmp_path_factory.mktemp("one")
    return load_record(record_file(folder, repeats=1, snapshots=10))


@pytest.fixture(scope="module")
def record(hard):
    return softened(hard)


def said(figure):
    found = " ".join(" ".join(t.get_text().split()) for t in texts(figure))
    return found.replace("texture- modified", "texture-modified")


def dots(axes):
    """Colour -> (x, y) of the dots."""
    return {
        line.get_color(): np.array(line.get_data())
        for line in axes.lines
        if line.get_marker() == "o"
    }


def test_lines_are_the_records_snap_force(record):
    """Median over the solids, at points between the record's own: straight in sqrt(time)."""
    figure = firmness_figure([record])
    upper, lower = figure.axes
    assert upper.get_ylabel() == "Snap force (N)" and lower.get_yscale() == "log"
    for axes in (upper, lower):
        for liquid, colour in zip(record.liquids, ("#2f3bb0", "#e8510b"), strict=False):
            line = next(
                a for a in axes.lines if a.get_color() == colour and len(a.get_xdata()) == 240
                and a.get_lw() > 1.5
            )  # fmt: skip
            when = line.get_xdata()[60]
            values = [
                np.interp(np.sqrt(when), np.sqrt(r.time_s), r.snap_force_N)
                for r in liquid.repeats.values()
            ]
            assert_allclose(line.get_ydata()[60], np.median(values), rtol=1e-6)
    dry = 2 * 2e5 * SIZE[1] * SIZE[2] ** 2 / (3 * SPAN)  # of one strength: 2 s b h^2 / (3 span)
    level = [a.get_ydata()[0] for a in upper.lines if np.ptp(a.get_ydata()) == 0]
    assert_allclose(level[0], dry, rtol=1e-9)
    name = next(one for one in figure.tables[""].head if one.endswith("_median"))
    check_column(figure, figure.axes[0], "#2f3bb0", name)


def test_the_dotted_line_is_the_weight_in_the_unit_of_the_force(one_solid):
    """m g L / 2 with m of the overhang, dry and soaked, times 4 / span."""
    record = softened(one_solid)
    lines = [a for a in firmness_figure([record]).axes[1].lines if a.get_lw() == 1.3]
    assert len(lines) == len(record.liquids)
    for line, liquid in zip(lines, record.liquids, strict=True):
        repeat = liquid.repeats[0]
        for at in (0, 100, 239):
            when, y = line.get_xdata()[at], line.get_ydata()[at]
            drunk = np.interp(np.sqrt(when), np.sqrt(repeat.time_s), repeat.uptake_kg)
            moment = (MASS + drunk) / SIZE[0] * 9.80665 * DROOPS**2 / 2
            assert_allclose(y, moment * 4 / SPAN, rtol=1e-3)


def test_dots_stand_at_fails_at_s_where_the_force_meets_the_need(record):
    figure = firmness_figure([record])
    fails = {
        c: [r.fails_at_s for r in q.repeats.values() if np.isfinite(r.fails_at_s)]
        for c, q in zip(("#2f3bb0", "#e8510b"), record.liquids, strict=False)
    }
    assert len(fails["#2f3bb0"]) == 3
    for axes in figure.axes:
        for colour, times in fails.items():
            if times:
                assert_allclose(dots(axes)[colour][0], times, rtol=1e-12)
    for repeat in record.liquids[0].repeats.values():
        found = course(repeat)
        i = int(np.flatnonzero(found.time_s == repeat.fails_at_s)[0])
        assert found.force_N[i] == found.needed_N[i] == found.fails_N
        around = found.force_N[[i - 1, i + 1]]
        assert around[0] > found.fails_N > around[1]  # a point of a falling curve
        moment = np.interp(repeat.fails_at_s, repeat.time_s, repeat.weight_Nm)
        assert_allclose(found.fails_N, 4 * moment / SPAN, rtol=1e-9)


def test_blocks_that_never_fail_have_no_dots_and_are_counted(record, hard):
    never = firmness_figure([softened(hard, CARRIES)])
    assert not dots(never.axes[1])
    assert "it still carries its overhang" in said(never)
    assert "gives way" not in said(never)
    first = record.liquids[0]
    for left, words in ((1, "Never: 1 of 3 in clear broth."), (0, "dot: one of the blocks gives")):
        repeats = dict(first.repeats)
        if left:
            repeats[2] = replace(repeats[2], fails_at_s=float("nan"))
        figure = firmness_figure([replace(record, liquids=[replace(first, repeats=repeats)])])
        assert words in said(figure)
        assert ("Never" in said(figure)) == bool(left)
        assert dots(figure.axes[0])["#2f3bb0"].shape == (2, 3 - left)
    repeats = {n: replace(r, fails_at_s=float("nan")) for n, r in first.repeats.items()}
    repeats[0] = first.repeats[0]
    few = firmness_figure([replace(record, liquids=[replace(first, repeats=repeats)])])
    assert "In clear broth 1 of 3 blocks no longer carries its overhang in the end" in said(few)


def test_a_block_that_fails_at_once(hard):
    figure = firmness_figure([softened(hard, FALLS)])
    assert "Even dry, the block does not carry its overhang" in said(figure)
    for axes in figure.axes:
        low, high = axes.get_ylim()
        for x, y in dots(axes).values():
            assert np.all(x == 0) and np.all((low < y) & (y < high))
    check_legible(figure)


def test_without_an_overhang_there_is_the_force_alone(hard):
    record = softened(hard, None)
    figure = firmness_figure([record])
    assert len(figure.axes) == 1 and not dots(figure.axes[0])
    assert "overhang" not in said(figure)
    left = [
        np.median([r.snap_force_N[-1] / r.snap_force_N[0] for r in q.repeats.values()])
        for q in record.liquids
    ]
    least = record.liquids[int(np.argmin(left))].name
    assert f"After 20 s {least} leaves the block " in said(figure)
    check_legible(figure)


def test_records_of_other_strengths_have_dry_lines_of_their_own(record, hard):
    other = softened(hard)
    stronger = [
        replace(
            q,
            repeats={
                n: replace(r, snap_force_N=2 * r.snap_force_N, capacity_Nm=2 * r.capacity_Nm)
                for n, r in q.repeats.items()
            },
        )
        for q in other.liquids[:1]
    ]
    other = replace(other, liquids=stronger, path=other.path.with_name("twice.h5"))
    figure = firmness_figure([replace(record, liquids=record.liquids[:1]), other])
    names = [t.get_text() for t in texts(figure) if t.get_text().startswith("dry")]
    assert names == ["dry, made up", "dry, twice"]


def test_tubes_have_the_colour_of_their_own_wall(record):
    """1 - exp(-t / tau) of what a wall takes up, then the Fermi law, over that of the dry wall."""
    figure = strength_figure([record])
    repeat, solid = record.liquids[0].repeats[0], record.solid(0)
    slab = slab_of(solid, record.faces)
    maps = [c for a in figure.axes for c in a.collections if c.get_array() is not None]
    maps = [c for c in maps if len(c.get_array()) == len(slab.tubes)]
    times = _times([q.repeats[0] for q in record.liquids])
    assert len(maps) == 2 * len(record.liquids) and len(times) == 2
    for drawn, when in zip(maps, times, strict=False):
        since = np.nan_to_num(np.maximum(when - repeat.filled_at_s[slab.tubes], 0.0))
        moisture = 0.8 * (1 - np.exp(-since / 2.0))
        share = (1 + np.exp(-0.3 / 0.05)) / (1 + np.exp((moisture - 0.3) / 0.05))
        assert_allclose(drawn.get_array(), 100 * share, rtol=1e-5)
        assert drawn.get_clim() == (0, 100)
    assert np.ptp(maps[0].get_array()) > 90  # soft and firm at once


def test_map_section_and_profile_show_the_same_moment(record):
    liquid = record.liquids[1]
    repeat, solid = liquid.repeats[0], record.solid(0)
    when = float(repeat.snapshot_time_s[4])
    found = shown_at(record, solid, repeat, when)
    assert found.time_s == when == found.state.time_s
    row = int(np.flatnonzero(repeat.time_s == when)[0])
    assert_allclose(found.layers, repeat.strength_Pa[row] / 2e5, rtol=1e-12)
    assert found.force == repeat.snap_force_N[row] / repeat.snap_force_N[0]
    height = solid.points[solid.ends, 2].mean(axis=1)
    layer = np.floor(height / SIZE[2] * len(found.layers) + 1e-9).astype(int)
    mean = [found.share[layer == i].mean() for i in range(len(found.layers))]
    assert_allclose(mean, found.layers, rtol=1e-5)  # the record's own layers, from the tubes drawn
    early = shown_at(record, solid, repeat, float(repeat.snapshot_time_s[0]) / 2)
    assert early.state is None and early.force == 1 and np.all(early.share == 1)


def test_the_profile_is_drawn_at_its_heights(record):
    from matplotlib.patches import StepPatch

    steps = [a for x in strength_figure([record]).axes for a in x.findobj(StepPatch)]
    assert len(steps) == 2 * len(record.liquids)
    last = record.liquids[0].repeats[0]
    values, edges, _ = steps[1].get_data()
    assert_allclose(values, 100 * last.strength_Pa[-1] / 2e5, rtol=1e-9)
    assert_allclose(edges[[0, -1]], [0, 1e3 * SIZE[2]], atol=1e-12)


@pytest.mark.parametrize("make", [firmness_figure, strength_figure])
def test_softening_that_is_not_asked_for_is_not_shown(hard, make):
    with pytest.raises(NotAsked, match="how walls soften"):
        make([hard])


def test_hard_records_beside_soft_ones_are_left_out(hard, record):
    hard = replace(hard, title="A hard rusk")
    for make in (firmness_figure, strength_figure):
        found = said(make([hard, replace(record, liquids=record.liquids[:1])]))
        assert "gum broth" not in found and "A hard rusk" not in found


def test_files_are_written_where_softening_is_asked_for(record, hard, tmp_path):
    """And the map keeps the colours of its scale, which say numbers, to the last bit."""
    from PIL import Image

    record = replace(record, liquids=record.liquids[:2])
    written, remarks = write_figures([record], tmp_path, "soft")
    without, _ = write_figures([replace(hard, liquids=hard.liquids[:2])], tmp_path, "hard")
    usual = {f"{f}.{kind}" for f in ("uptake", "front", "section") for kind in KINDS}
    usual.add("section-panels.csv")
    assert {p.name for p in without} == {f"hard-{name}" for name in usual}
    usual |= {f"{f}.{kind}" for f in ("firmness", "strength") for kind in KINDS}
    usual |= {"firmness-dry.csv", "firmness-failures.csv"}
    usual |= {"strength-panels.csv", "strength-layers.csv"}
    assert {p.name for p in written} == {f"soft-{name}" for name in usual} and not remarks
    with Image.open(tmp_path / "soft-strength.png") as picture:
        seen = {c for _, c in picture.convert("RGB").getcolors(1 << 24)}
    scale = [tuple(int(to_hex(c)[i : i + 2], 16) for i in (1, 3, 5)) for c in _colours()(range(10))]
    assert set(scale) <= seen
    within: set[tuple[int, ...]] = set()
    for layer in re.findall(r'base64,([^"]+)"', (tmp_path / "soft-strength.svg").read_text()):
        with Image.open(io.BytesIO(base64.b64decode(layer))) as picture:
            within |= {c[:3] for _, c in picture.convert("RGBA").getcolors(1 << 24) if c[3] == 255}
    with (tmp_path / "soft-strength.csv").open(newline="") as file:
        steps = [int(float(row["strength_percent"]) / 10.0001) for row in csv.DictReader(file)]
    often = {scale[k] for k in set(steps) if steps.count(k) >= 10}
    assert len(often) > 2 and often <= within


@pytest.mark.parametrize("sight", ["normal", "protanopia", "deuteranopia", "tritanopia"])
def test_the_scale_of_colours_is_even_to_every_eye(sight):
    """Lightness (CIELAB) falls at every step, and no step is twice as long as the mean one."""
    assert sight in SIGHT
    light = np.array([lab(to_hex(c), sight)[0] for c in _colours()(range(10))])
    steps = -np.diff(light)
    assert steps.min() > 3 and steps.max() < 2 * steps.mean()


def test_a_scenario_that_does_not_fit_the_record_is_not_believed(record):
    other = record.scenario.replace("midpoint = 0.3", "midpoint = 0.5")
    with pytest.raises(NothingToShow, match="not those that its scenario leads to"):
        strength_figure([replace(record, scenario=other)])
    for text in ("title = [", 'title = "x"', record.scenario.replace("wall_s = 2", "wall_s = -2")):
        with pytest.raises(NothingToShow, match="does not say how its walls soften"):
            strength_figure([replace(record, scenario=text)])


def test_without_snapshots_there_is_no_map(tmp_path):
    bare = load_record(record_file(tmp_path, liquids=1, repeats=1, snapshots=0))
    with pytest.raises(NothingToShow, match="no repeat has snapshots"):
        strength_figure([softened(bare)])
    assert len(firmness_figure([softened(bare)]).axes) == 2


LONG = (
    "clear broth of the first lot, warmed", "gum broth of the first lot, warmed slowly",
    "spiced broth as sold in winter 2024", "spiced broth as sold in winter 2025",
    "thick stock, reduced by half, unsalted", "thick stock, reduced by two thirds, unsalted",
)  # fmt: skip


@pytest.mark.parametrize("make", [firmness_figure, strength_figure])
@pytest.mark.parametrize(
    "count", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in (2, 4)), 6]
)
@pytest.mark.parametrize("overhang", [CARRIES, DROOPS])
def test_legible(one_solid, make, count, overhang):
    record = softened(one_solid, overhang)
    liquids = [replace(record.liquids[i % 4], name=LONG[i]) for i in range(count)]
    figure = make([replace(record, liquids=liquids)])
    check_legible(figure)
    profiles = [axes for axes in figure.axes if axes.patches and make is strength_figure]
    check_numbers(figure, profiles or None)
    for word in ("No basis for texture-modified diets.", "Invented example values."):
        assert word in said(figure)


@pytest.mark.parametrize("cells", [(30, 3, 4), (12, 3, 7), (1, 1, 8)])
def test_maps_of_bars_of_all_shapes_are_legible(tmp_path, cells):
    """Flat ones stand below one another: then both are as wide as there is room."""
    bare = load_record(record_file(tmp_path, repeats=1, cells=cells, snapshots=6))
    figure = strength_figure([softened(bare, size=tuple(1e-4 * c for c in cells))])
    check_legible(figure)
    wet, strong = (axes.get_position() for axes in figure.axes[:2])
    assert ("Below: the same tubes" in said(figure)) == (cells[0] > 2 * cells[2])
    if cells[0] > 2 * cells[2]:
        assert strong.y1 < wet.y0 and strong.x0 == wet.x0
    else:
        assert strong.x0 > wet.x1 and strong.y0 == wet.y0
