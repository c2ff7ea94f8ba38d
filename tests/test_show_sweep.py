"""Figures and tables of sweeps: what they show is what was found, and they can be read.

All results here are invented.
"""

from __future__ import annotations

import csv
import dataclasses
import io

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from pictures import check_legible, check_numbers, texts

from poresim.inference.design import pick_freeze, sobol_points
from poresim.inference.sensitivity import shares
from poresim.show.section import NothingToShow
from poresim.show.style import colour
from poresim.show.sweep import Quantity, Runs, Sweep, radius_laws, sweep_figure, sweep_tables
from poresim.show.sweep_data import with_unit
from poresim.show.sweep_shares import binned, by_share, small_shares
from poresim.show.sweep_words import curves_title, maps_title, shares_title
from poresim.show.tables import column
from poresim.solid.sizes import Lognormal

NAMES = ("clear broth", "gum broth", "spiced broth", "gum broth with a great deal of pepper",
         "a broth", "water $x_1$ & <b>")  # fmt: skip


def scattered(middle, repeats, width=0.05, seed=0):
    rng = np.random.default_rng(seed)
    return middle[:, None] * np.exp(width * rng.normal(size=(len(middle), repeats)))


def one_varied(liquids=2, points=8, repeats=3, lost=(), **more):
    radius = np.geomspace(5, 60, points)
    courses = [np.sqrt(radius), 8 * radius / (40 + radius**2 / 10), radius**1.5 / 40]
    runs = []
    for k in range(liquids):
        values = scattered(courses[k % 3] * (1 + 0.4 * (k // 3)), repeats, seed=k)
        if k == 1:
            for point, count in lost:
                values[point, :count] = np.nan
        runs.append(Runs(NAMES[k], values))
    quantity = Quantity("median throat radius", "µm", radius, True, 15.0, "median_radius_um")
    return Sweep("uptake at 10 s", "mg", (quantity,), tuple(runs), 0.01, "A rusk", **more)


def with_laws(**more):
    values = (5.0, 15.0, 60.0)
    laws = radius_laws(values, [Lognormal(v * 1e-6, 0.5) for v in values])
    return one_varied(laws=laws, **more)


def two_varied(liquids=2, grid=True, repeats=2, holes=False, steep=1.0):
    if grid:
        x, y = (a.ravel() for a in np.meshgrid(np.geomspace(5, 60, 7), np.linspace(0.3, 1, 5)))
    else:
        u = sobol_points(40, 2, 1)
        x, y = 5 * 12 ** u[:, 0], 0.3 + 0.7 * u[:, 1]
    runs = []
    for k in range(liquids):
        middle = (np.sqrt(x / 15) * y * (1 + 0.4 * k)) ** steep
        if holes and k == 1:
            middle = np.where((x > 25) & (y < 0.6), np.nan, middle)
        runs.append(Runs(NAMES[k], scattered(middle, repeats, seed=k)))
    quantities = (Quantity("median throat radius", "µm", x, True, 15.0),
                  Quantity("waist", "", y, False, 0.5))  # fmt: skip
    return Sweep("uptake at 10 s", "mg", quantities, tuple(runs), 0.01, "A rusk")


def many_varied(liquids=2, d=4, n=32, repeats=2, told=True, flat=False):
    u = pick_freeze(n, d, 3)
    names = ("median throat radius", "waist", "contact angle", "surface tension")
    quantities = [
        Quantity(names[i] if i < 4 else f"quantity of no account {i}", "mm", 1 + u[:, i], i == 0)
        for i in range(d)
    ]
    runs = []
    for k in range(liquids):
        middle = np.full(len(u), 2.0) if flat and k else (1 + 4 * u[:, k % d]) * (0.5 + u[:, -1])
        values = np.repeat(middle[:, None], repeats, axis=1)
        found = shares(np.median(values, axis=1), d)[0] if told else None
        runs.append(Runs(NAMES[k], values, found))
    return Sweep("uptake at 10 s", "mg", tuple(quantities), tuple(runs), 0.01, "A rusk")


SWEEPS = {
    "curves": one_varied(),
    "one line": one_varied(liquids=1, repeats=1),
    "six liquids": one_varied(liquids=6),
    "many points": one_varied(points=40),
    "a single point": one_varied(points=1),
    "not reached": one_varied(lost=[(7, 3), (6, 3), (5, 1)]),
    "laws": with_laws(),
    "laws and six liquids": with_laws(liquids=6, invented=True),
    "maps": two_varied(),
    "one map": two_varied(liquids=1, repeats=1),
    "five maps": two_varied(liquids=5),
    "scattered": two_varied(grid=False, liquids=3),
    "holes": two_varied(holes=True),
    "scattered holes": two_varied(holes=True, grid=False),
    "steep maps": two_varied(steep=4.0),
    "shares": many_varied(),
    "one liquid's shares": many_varied(liquids=1, d=3),
    "no shares": many_varied(told=False, liquids=3),
    "a liquid that does not vary": many_varied(flat=True),
    "nine quantities": many_varied(d=9, liquids=4),
}


@pytest.mark.parametrize("name", SWEEPS)
def test_every_letter_is_read_on_a_phone(name):
    figure = sweep_figure(SWEEPS[name])
    check_legible(figure)
    if len(SWEEPS[name].quantities) == 1:
        for line in figure.axes[-1].lines:
            if line.get_marker() == ".":  # every solid: in the sweep's own table
                line.set_data([], [])
        check_numbers(figure)


@pytest.mark.parametrize("name", SWEEPS)
def test_every_figure_tells_what_it_is(name):
    """What was varied, which result, how many solids, accuracy, which scenario."""
    sweep = SWEEPS[name]
    told = " ".join(" ".join(text.get_text() for text in texts(sweep_figure(sweep))).split())
    assert "uptake at 10 s" in told.lower()
    assert sweep.quantities[0].name in told.lower()
    assert f"{sweep.solids} solids" in told or "one solid" in told
    assert "accuracy 1 %" in told
    assert "A rusk" in told
    assert ("Invented" in told) == sweep.invented


def test_long_names_are_cut_not_run_over():
    """Titles and names as long as anyone writes them."""
    sweep = with_laws(liquids=3)
    long = "a very long name of something that nobody will ever want to read to its end " * 3
    quantity = dataclasses.replace(sweep.quantities[0], name="radius of the throats " * 4)
    sweep = dataclasses.replace(
        sweep,
        quantities=(quantity,),
        scenario=long,
        result="uptake of the whole piece at 10 s " * 2,
    )
    runs = tuple(dataclasses.replace(r, name=long + str(k)) for k, r in enumerate(sweep.liquids))
    check_legible(sweep_figure(dataclasses.replace(sweep, liquids=runs)))
    many = many_varied(liquids=3)
    runs = tuple(dataclasses.replace(r, name=long + str(k)) for k, r in enumerate(many.liquids))
    quantities = tuple(dataclasses.replace(q, name=long) for q in many.quantities)
    check_legible(
        sweep_figure(dataclasses.replace(many, liquids=runs, quantities=quantities, scenario=long))
    )


def test_curves_are_the_medians():
    sweep = one_varied(lost=[(7, 3), (6, 1)])
    panel = sweep_figure(sweep).axes[0]
    for k, runs in enumerate(sweep.liquids):
        line = next(li for li in panel.lines if li.get_color() == colour(k) and len(li.get_xdata()))
        across, middle = line.get_data()
        assert_array_equal(across, sweep.quantities[0].values)
        expected = np.median(runs.values[:6], axis=1)
        assert_allclose(middle[:6], expected, rtol=1e-14)
    assert np.isnan(middle[7])
    assert middle[6] == pytest.approx(np.median(runs.values[6, 1:]))
    crosses = [li for li in panel.lines if li.get_marker() == "x"]
    assert [list(li.get_xdata()) for li in crosses] == [[], [sweep.quantities[0].values[7]]]
    open_ones = [li for li in panel.lines if li.get_marker() == "o" and li.get_mfc() != colour(1)]
    assert sweep.quantities[0].values[6] in np.concatenate([li.get_xdata() for li in open_ones])


def test_a_band_holds_every_solid():
    sweep = one_varied(liquids=1)
    (band,) = sweep_figure(sweep).axes[0].collections
    ends = band.get_paths()[0].vertices
    for x, values in zip(sweep.quantities[0].values, sweep.liquids[0].values, strict=True):
        at = ends[np.isclose(ends[:, 0], x), 1]
        assert (at.min(), at.max()) == pytest.approx((values.min(), values.max()))


def test_results_over_decades_stand_on_a_logarithmic_axis():
    assert sweep_figure(one_varied()).axes[0].get_yscale() == "linear"
    assert sweep_figure(one_varied(liquids=3)).axes[0].get_yscale() == "log"
    sweep = one_varied(liquids=1)
    wide = dataclasses.replace(sweep.liquids[0], values=sweep.liquids[0].values ** 3)
    assert dataclasses.replace(sweep, liquids=(wide,)).log
    below = dataclasses.replace(wide, values=wide.values - 50)
    assert not dataclasses.replace(sweep, liquids=(below,)).log


def test_densities_of_radii_are_those_of_their_laws():
    """Lognormal, per step of ln r: a normal density of the logarithm (closed form)."""
    laws = radius_laws([1.0, 2.0], [Lognormal(1e-5, 0.4), Lognormal(3e-5, 0.9)])
    for law, median, sd in zip(laws, (10.0, 30.0), (0.4, 0.9), strict=True):
        score = np.log(law.radius_um / median) / sd
        expected = np.exp(-(score**2) / 2) / (sd * np.sqrt(2 * np.pi))
        assert_allclose(law.density, expected, atol=2e-3 / sd)
        assert np.trapezoid(law.density, np.log(law.radius_um)) == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize("name", ["maps", "scattered", "steep maps", "one map", "holes"])
def test_contours_carry_their_values(name):
    """Where a label stands, the result between the points is what it says: on triangles within
    3 % of a step between levels (lines are drawn straight on the logarithmic axis), in the cells
    of a grid within 15 % (they cut corners there)."""
    from matplotlib.tri import LinearTriInterpolator, Triangulation
    from scipy.interpolate import RegularGridInterpolator

    sweep = SWEEPS[name]
    scale = np.log10 if sweep.log else np.asarray
    x, y = (one.values for one in sweep.quantities)
    seen = 0
    for axes, runs in zip(sweep_figure(sweep).axes, sweep.liquids, strict=False):
        (lines,) = [c for c in axes.collections if len(getattr(c, "levels", ())) and not c.filled]
        step = np.diff(lines.levels).min()
        if name == "scattered":
            flat = np.log(x) / np.ptp(np.log(x)), y / np.ptp(y)
            triangles = Triangulation(x, y, Triangulation(*flat).triangles)
            found, room = LinearTriInterpolator(triangles, scale(runs.median)), 0.03
        else:
            grid = RegularGridInterpolator(
                (np.unique(x), np.unique(y)), scale(runs.median).reshape(5, 7).T
            )
            found, room = (lambda a, b, grid=grid: grid((a, b))), 0.15
        for text in axes.texts:
            at = axes.transData.inverted().transform(
                text.get_transform().transform(text.get_position())
            )
            assert abs(found(*at) - scale(float(text.get_text()))) < room * step
            seen += 1
    assert seen >= 3 * len(sweep.liquids)


def test_maps_share_their_colours():
    figure = sweep_figure(two_varied(liquids=3))
    filled = [c for axes in figure.axes[:3] for c in axes.collections if getattr(c, "filled", 0)]
    assert len(filled) == 3
    for one in filled[1:]:
        assert_array_equal(one.levels, filled[0].levels)
    every = np.concatenate([r.median for r in two_varied(liquids=3).liquids])
    assert filled[0].levels[0] <= every.min()
    assert filled[0].levels[-1] >= every.max()


@pytest.mark.parametrize("grid", [True, False])
def test_no_colour_where_nothing_is_known(grid):
    """Not even between points that are known: what lies there was not found."""
    sweep = two_varied(holes=True, grid=grid)
    axes = sweep_figure(sweep).axes[1]
    lost = ~np.isfinite(sweep.liquids[1].median)
    assert lost.any()
    (crosses,) = [li for li in axes.lines if li.get_marker() == "x"]
    x, y = (q.values[lost] for q in sweep.quantities)
    assert_array_equal(crosses.get_data(), [x, y])
    (filled,) = [c for c in axes.collections if getattr(c, "filled", 0)]
    for path in filled.get_paths():
        inside = path.contains_points(np.column_stack([x, y]), radius=-1e-9)
        assert not inside.any()


def test_points_on_a_line_make_a_map_of_points():
    x = np.linspace(1, 2, 6)
    quantities = (Quantity("waist", "", x), Quantity("angle", "°", 10 * x))
    sweep = Sweep("uptake", "mg", quantities, (Runs("a", x[:, None]),), 0.01, "A rusk")
    check_legible(sweep_figure(sweep))


def test_a_result_that_does_not_vary_is_drawn():
    flat = tuple(
        dataclasses.replace(runs, values=np.full_like(runs.values, 2.5))
        for runs in two_varied().liquids
    )
    sweep = dataclasses.replace(two_varied(), liquids=flat)
    check_legible(sweep_figure(sweep))
    assert maps_title(sweep).startswith("Uptake at 10 s: 2.5\u00a0mg everywhere")
    line = dataclasses.replace(one_varied(), liquids=(Runs("a", np.full((8, 2), 3.0)),))
    check_legible(sweep_figure(line))
    assert curves_title(line).endswith("hardly changes")


def test_bars_are_the_shares():
    sweep = many_varied()
    figure = sweep_figure(sweep)
    bars = figure.axes[0].patches
    order = [i for i in by_share(sweep) if i not in small_shares(sweep)]
    expected = [
        100 * min(max(float(share[i]), 0), 1)
        for i in order
        for runs in sweep.liquids
        for share in (runs.shares.first, runs.shares.total)
    ]
    assert_allclose([bar.get_width() for bar in bars], expected, rtol=1e-12)
    whiskers = [li.get_xdata() for li in figure.axes[0].lines if li.get_linestyle() == "-"]
    ends = [
        100 * np.clip(interval[i], 0, 1)
        for i in order
        for runs in sweep.liquids
        for interval in (runs.shares.first_interval, runs.shares.total_interval)
    ]
    assert_allclose(whiskers, ends, rtol=1e-12)


def test_quantities_that_count_come_first_and_the_rest_is_named():
    sweep = many_varied(d=9, liquids=1)
    assert set(by_share(sweep)[:2]) == {0, 8}
    assert small_shares(sweep) == list(range(1, 8))
    told = " ".join(" ".join(t.get_text() for t in texts(sweep_figure(sweep))).split())
    assert "Less than 1 %: waist, contact angle" in told
    assert small_shares(many_varied(told=False)) == []


def test_left_out_rows_are_told():
    sweep = many_varied(liquids=1, d=3)
    found = dataclasses.replace(sweep.liquids[0].shares, dropped=2, rows=30)
    runs = dataclasses.replace(sweep.liquids[0], shares=found)
    figure = sweep_figure(dataclasses.replace(sweep, liquids=(runs,)))
    told = " ".join(" ".join(t.get_text() for t in texts(figure)).split())
    assert "2 of 32 rows left out" in told


def test_bins_hold_as_many_runs_each():
    x = sobol_points(64, 1, 0)[:, 0]
    found = binned(Quantity("x", "", x), Runs("a", np.column_stack([x, x])))
    assert len(found.at) == 8
    assert_allclose(found.median, (np.arange(8) + 0.5) / 8, atol=0.02)
    assert_allclose(found.high - found.low, 0.8 / 8, atol=0.03)
    few = binned(Quantity("x", "", np.array([1.0, 2.0, 1.0])), Runs("a", np.array([[1], [5], [3]])))
    assert_array_equal([few.at, few.median], [[1, 2], [2, 5]])
    none = binned(Quantity("x", "", x), Runs("a", np.full((64, 1), np.nan)))
    assert len(none.at) == 0


COURSES = [
    (np.array([1.0, 2, 3, 4]), "rises"),
    (np.array([4.0, 3, 2, 1]), "falls"),
    (np.array([1.0, 3, 4, 2]), "peaks near 30\u00a0µm"),
    (np.array([4.0, 1, 2, 3]), "is least near 20\u00a0µm"),
    (np.array([4.0, 4.01, 4.02, 4.0]), "hardly changes"),
    (np.array([1.0, 2, 3, np.nan]), "rises, not reached above 30\u00a0µm"),
    (np.array([np.nan, 3, 2, 1]), "falls, not reached below 20\u00a0µm"),
    (np.full(4, np.nan), "is never reached"),
]


@pytest.mark.parametrize(("course", "words"), COURSES)
def test_titles_tell_the_course(course, words):
    quantity = Quantity("radius", "µm", np.array([10.0, 20, 30, 40]))
    sweep = Sweep("uptake", "mg", (quantity,), (Runs("a", course[:, None]),), 0.01, "A rusk")
    plain = words in ("rises", "falls")
    whole = f"Uptake {words} with radius" if plain else f"Uptake against radius: {words}"
    assert curves_title(sweep) == whole
    order = np.array([2, 0, 3, 1])  # points come in any order
    mixed = dataclasses.replace(quantity, values=quantity.values[order])
    mixed_runs = (Runs("a", course[order, None]),)
    again = dataclasses.replace(sweep, quantities=(mixed,), liquids=mixed_runs)
    assert curves_title(again) == curves_title(sweep)


@pytest.mark.parametrize(
    ("last", "words"), [(-0.02, "peaks near 30\u00a0µm"), (0.02, "rises"), (0.0, "rises")]
)
def test_what_all_solids_do_counts_however_far_they_lie_apart(last, words):
    """Two solids far apart; both fall at the end, or one of them does."""
    quantity = Quantity("radius", "µm", np.array([10.0, 20, 30, 40]))
    course = np.array([0.5, 0.6, 0.68, 0.65])
    values = np.column_stack([course, course + 0.1])
    values[-1, 1] = values[-2, 1] + last
    sweep = Sweep("uptake", "mg", (quantity,), (Runs("a", values),), 0.01, "A rusk")
    assert words in curves_title(sweep)


def test_titles_of_several_liquids():
    assert curves_title(one_varied()) == (
        "Uptake at 10 s against median throat radius: rises with clear broth; "
        "peaks near 21\u00a0µm with gum broth"
    )
    title = maps_title(two_varied())
    assert title.endswith("greatest with gum broth at median throat radius 60\u00a0µm, waist 1")
    sweep = many_varied(liquids=2)
    title = shares_title(sweep, by_share(sweep))
    assert title.startswith("Uptake at 10 s seems to vary most with ")
    assert "of the variance)" in title
    clear = many_varied(liquids=1, d=4)
    found = clear.liquids[0].shares
    limits = np.column_stack([0.9 * found.total, 1.1 * found.total])
    limits[0, 0] = 0.99 * found.total[0]
    total = np.where(np.arange(4) == 0, found.total, 0.5 * found.total)
    sure = dataclasses.replace(found, total=total, total_interval=limits)
    runs = (dataclasses.replace(clear.liquids[0], shares=sure),)
    title = shares_title(dataclasses.replace(clear, liquids=runs), [0, 3, 1, 2])
    assert title.startswith("Uptake at 10 s varies most with median throat radius (")
    four = many_varied(d=9, liquids=4)
    assert shares_title(four, by_share(four)).endswith(", with others for the rest")
    nothing = many_varied(told=False)
    assert shares_title(nothing, by_share(nothing)) == "Uptake at 10 s against 4 quantities"


def test_numbers_are_told_as_people_write_them():
    assert with_unit(15.0, "µm") == "15\u00a0µm"
    assert with_unit(48.0, "°") == "48°"
    assert with_unit(1234.0, "Pa") == "1230\u00a0Pa"
    assert with_unit(0.00021, "") == "0.00021"
    assert column("time to 50 % saturation", "s") == "time_to_50_percent_saturation_s"
    assert column("median radius", "µm") == "median_radius_um"
    assert column("$", "") == "value"


def rows_of(table):
    return list(csv.DictReader(io.StringIO(table.text())))


def test_the_table_is_what_is_drawn():
    sweep = with_laws(lost=[(7, 3), (6, 1)])
    tables = sweep_tables(sweep)
    assert list(tables) == ["", "radii"]
    rows = rows_of(tables[""])
    assert list(rows[0]) == [
        "median_radius_um", "liquid", "uptake_at_10_s_mg_median", "uptake_at_10_s_mg_least",
        "uptake_at_10_s_mg_greatest", "solids_with_result", "solids",
    ]  # fmt: skip
    assert len(rows) == 16
    gum = [row for row in rows if row["liquid"] == "gum broth"]
    values = sweep.liquids[1].values
    assert float(gum[2]["uptake_at_10_s_mg_median"]) == pytest.approx(np.median(values[2]))
    assert float(gum[2]["uptake_at_10_s_mg_least"]) == pytest.approx(values[2].min())
    assert (gum[6]["solids_with_result"], gum[6]["solids"]) == ("2", "3")
    assert (gum[7]["uptake_at_10_s_mg_median"], gum[7]["solids_with_result"]) == ("", "0")
    radii = rows_of(tables["radii"])
    assert list(radii[0]) == ["median_radius_um", "radius_um", "tubes_per_ln_radius"]
    assert {float(row["median_radius_um"]) for row in radii} == {5, 15, 60}


def test_tables_of_shares():
    sweep = many_varied(flat=True)
    tables = sweep_tables(sweep)
    assert list(tables) == ["", "bins", "shares"]
    found = {(row["quantity"], row["liquid"]): row for row in rows_of(tables["shares"])}
    assert len(found) == 8
    row = found["median throat radius", "clear broth"]
    told = sweep.liquids[0].shares
    assert float(row["first_order"]) == pytest.approx(told.first[0])
    assert float(row["total_high"]) == pytest.approx(told.total_interval[0, 1])
    assert (row["level"], row["rows"], row["rows_left_out"]) == ("0.95", "32", "0")
    assert found["waist", "gum broth"]["total"] == ""
    bins = rows_of(tables["bins"])
    assert list(bins[0])[:4] == ["quantity", "unit", "liquid", "value_in_unit"]
    assert list(bins[0])[4:] == [f"uptake_at_10_s_mg_{n}" for n in ("10_percent", "median",
                                                                    "90_percent")]  # fmt: skip


def test_nothing_to_show():
    sweep = one_varied(liquids=1)
    lost = Runs("a", np.full((8, 3), np.nan))
    with pytest.raises(NothingToShow, match="no run of the sweep gets to its result, uptake"):
        sweep_figure(dataclasses.replace(sweep, liquids=(lost,)))


def test_a_liquid_without_results_beside_others():
    for sweep in (one_varied(), two_varied(), many_varied(told=False)):
        points = len(sweep.quantities[0].values)
        lost = Runs("gum broth", np.full((points, 2), np.nan))
        check_legible(sweep_figure(dataclasses.replace(sweep, liquids=(sweep.liquids[0], lost))))


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"quantities": ()}, "needs a quantity and a liquid"),
        ({"liquids": ()}, "needs a quantity and a liquid"),
        ({"liquids": (Runs("a", np.ones((7, 2))),)}, r"a: \(7, 2\) results, 8 points"),
        ({"liquids": (Runs("a", np.ones(8)),)}, r"a: \(8,\) results, 8 points"),
        ({"quantities": (Quantity("x", "", np.arange(8.0), True),)}, "x: spaced by ratios"),
        (
            {"quantities": (Quantity("x", "", np.arange(8.0)), Quantity("y", "", np.ones(3)))},
            "y: .* values for 8 points",
        ),
        (
            {"liquids": (Runs("a", np.ones((8, 2)), many_varied().liquids[0].shares),)},
            "a: 4 shares of other quantities",
        ),
    ],
)
def test_arrays_that_do_not_belong_together(change, fault):
    with pytest.raises(ValueError, match=fault):
        dataclasses.replace(one_varied(), **change)
