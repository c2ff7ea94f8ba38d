"""Beside every figure stand an SVG and the CSV that it draws: the same numbers, safe, whole."""

from __future__ import annotations

import csv
import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fakes import record_file
from numpy.testing import assert_allclose, assert_array_equal
from pictures import check_column, check_numbers, numbers_drawn
from planned_made_up import planned

from poresim.cli.main import main
from poresim.record.model import GrainsOf
from poresim.record.reading import load_record
from poresim.show import style
from poresim.show.curves import front_figure, uptake_figure
from poresim.show.figures import figure_paths, write_figures
from poresim.show.grains import caught_figure, standing_figure
from poresim.show.picture import Picture, said
from poresim.show.section import section_figure
from poresim.show.slab import slab_of
from poresim.show.states import state_at, told_times
from poresim.show.svg import svg_text
from poresim.show.tables import Table, column
from poresim.tables.writing import as_text, csv_text
from poresim.why.plan import _csv as plan_csv

HOSTILE = (
    '=HYPERLINK("http://x.example","a, b")',
    "-1+2|cmd",
    "broth --></title><script>alert(1)</script>&amp;",
    "'tis a broth",
)
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tables")
    return load_record(record_file(folder, cells=(6, 6, 8), snapshots=3, repeats=2))


@pytest.fixture(scope="module")
def hostile(record):
    liquids = [replace(q, name=name) for q, name in zip(record.liquids, HOSTILE, strict=True)]
    return replace(record, liquids=liquids, title="<img src=http://x.example onerror=alert(1)>")


@pytest.fixture(scope="module")
def written(hostile, tmp_path_factory):
    folder = tmp_path_factory.mktemp("written")
    return write_figures([hostile], folder, "odd")[0]


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def numbers(rows: list[dict[str, str]], name: str) -> np.ndarray:
    return np.array([float(row[name] or "nan") for row in rows])


def of(rows: list[dict[str, str]], liquid: str) -> list[dict[str, str]]:
    return [row for row in rows if row["liquid"] == liquid]


# ---- the same numbers ------------------------------------------------------------------------


def test_lines_and_bands_of_the_uptake_are_the_rows_of_its_table(record):
    figure = uptake_figure([record])
    rows = rows_of(figure.tables[""].text())
    unit = figure.axes[0].get_ylabel().removeprefix("Uptake (").removesuffix(")")
    name = column("uptake", unit)
    for k, liquid in enumerate(record.liquids):
        mine = of(rows, liquid.name)
        assert len(mine) > 200
        for axes, across in zip(figure.axes, ("time_s", "root_time_s05"), strict=True):
            line = next(one for one in axes.lines if one.get_color() == style.colour(k))
            assert_allclose(numbers(mine, across), line.get_xdata(), rtol=1e-9)
            assert_allclose(numbers(mine, f"{name}_median"), line.get_ydata(), rtol=1e-9)
            band = axes.collections[k].get_paths()[0].vertices[1:-1, 1]
            low, high = band[: len(mine)], band[-len(mine) :][::-1]
            assert_allclose(numbers(mine, f"{name}_low"), low, rtol=1e-9)
            assert_allclose(numbers(mine, f"{name}_high"), high, rtol=1e-9)


def test_a_number_that_is_drawn_and_not_written_is_seen(record):
    figure = uptake_figure([record])
    check_numbers(figure)
    line = figure.axes[0].lines[0]
    line.set_ydata(1.001 * np.asarray(line.get_ydata()))
    with pytest.raises(AssertionError):
        check_numbers(figure)


def test_the_front_is_drawn_as_written(record):
    figure = front_figure([record])
    check_numbers(figure)
    rows = rows_of(figure.tables[""].text())
    for k, liquid in enumerate(record.liquids):
        axes, mine = figure.axes[k], of(rows, liquid.name)
        check_column(figure, axes, style.colour(k), "depth_mm_median")
        band = axes.collections[0].get_paths()[0].vertices[1:-1, 1]
        assert_allclose(numbers(mine, "depth_mm_5_percent")[:9], band[:9], rtol=1e-9)
        assert_allclose(numbers(mine, "depth_mm_95_percent")[:9], band[-9:][::-1], rtol=1e-9)


def test_sections_hold_every_tube_that_is_drawn(record):
    """Outlines made anew from the table are those of the picture, to the sixth digit."""
    figure = section_figure([record])
    rows = rows_of(figure.tables[""].text())
    slab = slab_of(record.solid(0), record.faces)
    panels = rows_of(figure.tables["panels"].text())
    times = told_times([liquid.repeats[0] for liquid in record.liquids], 4)
    assert len(panels) == 4 * len(times) and len(rows) == len(panels) * len(slab.tubes)
    at = numbers(rows, "time_s")
    for k, liquid in enumerate(record.liquids):
        for j, when in enumerate(times):
            mine = [
                row for row, t in zip(rows, at, strict=True)
                if t == pytest.approx(when, rel=1e-5) and row["liquid"] == liquid.name
            ]  # fmt: skip
            assert_array_equal(numbers(mine, "tube"), slab.tubes)
            told = {name: numbers(mine, name) for name in mine[0] if name != "liquid"}
            again = replace(
                slab,
                start=np.stack([told["across_1_mm"], told["up_1_mm"]], axis=1),
                end=np.stack([told["across_2_mm"], told["up_2_mm"]], axis=1),
                radius=told["radius_um"] / 1e3,
                waist=told["waist"],
            )
            fill = np.zeros((record.solid(0).tubes, 2))
            fill[slab.tubes] = np.stack([told["wet_from_1"], told["wet_from_2"]], axis=1)
            axes = figure.axes[k * len(times) + j]
            dry, wet, *_ = axes.collections
            for drawn, found in ((dry, again.all_shapes()), (wet, again.wet_shapes(fill))):
                shown = np.array([path.vertices[:6] for path in drawn.get_paths()])
                assert_allclose(found.reshape(-1, 6, 2), shown.reshape(-1, 6, 2), atol=2e-5)
            state = state_at(liquid.repeats[0], when)
            assert_array_equal(told["closed"].astype(bool), state.closed[slab.tubes])


def with_grains(record):
    """Grains in every tube that fills, as a record of grains has them; a liquid that stood, too."""
    clear, _, spiced, _ = record.liquids

    def sown(repeat, kind):
        held = np.where(np.isfinite(repeat.blocked_at_s), 1e-16, 0.0)[:, None]
        carried = np.linspace(0.02, 0.001, len(repeat.time_s))
        return replace(
            repeat, class_diameter_m=np.array([12e-6]), captured_in_tube_m3=held,
            front_fraction=carried, cake_thickness_m=np.zeros(len(carried)),
        )  # fmt: skip

    def made(liquid, name, stood):
        repeats = {n: sown(r, name) for n, r in liquid.repeats.items()}
        grains = GrainsOf(0.02, stood, "spiced broth", "clear broth")
        return replace(liquid, name=name, repeats=repeats, grains=grains)

    plain = replace(clear, grains=GrainsOf(kind="clear broth"))
    return replace(
        record,
        liquids=[plain, made(spiced, "spiced broth", 0.0), made(spiced, "stood broth", 600.0)],
    )


def test_what_grains_did_is_drawn_as_written(record):
    grains = with_grains(record)
    caught = caught_figure([grains])
    check_numbers(caught)
    assert set(caught.tables) == {"", "times"}
    steps = rows_of(caught.tables[""].text())
    mine = of(steps, "spiced broth")
    for axes, name in zip(caught.axes[:2], ("of_caught", "closed_of_reached"), strict=True):
        values, edges, _ = axes.patches[0].get_data()
        assert_allclose(numbers(mine, f"{name}_percent"), values, rtol=1e-9)
        assert_allclose(numbers(mine, "depth_to_mm"), edges[1:], rtol=1e-9)
    for axes, name in zip(caught.axes[2:], ("closed_of_reached", "at_the_front"), strict=True):
        check_column(caught, axes, style.colour(1), f"{name}_percent", "times")
    standing = standing_figure([grains])
    check_numbers(standing, most_missing=2)  # the ends of the dashed line, from side to side
    rows = rows_of(standing.tables[""].text())
    assert list(rows[0])[1] == "stood_min" and {float(r["stood_min"]) for r in rows} == {0, 10}


def test_whiskers_of_a_plan_stand_in_its_table():
    """The figure draws a test's bits an hour with their error; both are in the question's table."""
    rows = rows_of(plan_csv(planned()))
    for row in rows:
        hours = float(row["minutes"]) / 60
        assert float(row["sd_bits_per_hour"]) == pytest.approx(float(row["sd_bits"]) / hours)


# ---- files -------------------------------------------------------------------------------------


def test_every_picture_has_its_svg_and_its_csv(written, hostile):
    pictures = [path for path in written if path.suffix == ".png"]
    assert [path.stem for path in pictures] == ["odd-uptake", "odd-front", "odd-section"]
    for path in pictures:
        for kind in (".svg", ".csv"):
            assert path.with_suffix(kind) in written and path.with_suffix(kind).stat().st_size > 500
    assert set(written) <= set(figure_paths(written[0].parent, "odd"))


def test_figures_that_a_record_no_longer_has_go(written, record, tmp_path):
    for name in ("new-drop.png", "new-uptake-lifts.csv", "other-drop.png"):
        (tmp_path / name).write_text("old")
    write_figures([replace(record, liquids=record.liquids[:1])], tmp_path, "new")
    assert not (tmp_path / "new-drop.png").exists()
    assert not (tmp_path / "new-uptake-lifts.csv").exists()
    assert (tmp_path / "other-drop.png").read_text() == "old"


@pytest.mark.parametrize("name", ["compare-uptake.csv", "compare-strength-layers.csv"])
def test_no_table_is_overwritten_without_force(record, tmp_path, capsys, name):
    (tmp_path / name).write_text("mine")
    assert main(["compare", str(record.path), "--out", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and f"{name}: exists; --force replaces it" in error
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_commands_name_the_tables(tmp_path, capsys):
    path = record_file(tmp_path, liquids=1, repeats=1, cells=(3, 3, 4), snapshots=1)
    assert main(["compare", str(path), "--out", str(tmp_path / "out")]) == 0
    told = capsys.readouterr().out
    for one in (tmp_path / "out").iterdir():
        assert f"{'numbers: ' if one.suffix == '.csv' else 'figure:  '}{one}" in told
    assert "compare-section.csv" in told


# ---- names from scenarios ------------------------------------------------------------------------


def test_no_name_becomes_a_formula_and_every_name_comes_back(written):
    for path in (one for one in written if one.suffix == ".csv"):
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        found = list(dict.fromkeys(row["liquid"] for row in rows))
        assert not any(name[0] in "=+-@" for name in found), path
        back = [name.removeprefix("'") for name in found]
        assert back == [style.label(name) for name in HOSTILE], path
        assert len({len(row) for row in rows}) == 1 and None not in rows[0]


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", " =", "＝", "'"])
def test_signs_of_formulas(sign):
    assert as_text(f"{sign}1+1") == f"'{sign}1+1"


def test_numbers_and_other_names_stay_as_they_are():
    assert as_text("clear broth") == "clear broth" and as_text("") == ""
    rows = [["a, b", -1.5, 3, None], ['say "x"', float("nan"), True, np.float64(1 / 3)]]
    text = csv_text(["name", "x", "n", "y"], rows)
    assert text == 'name,x,n,y\n"a, b",-1.5,3,\n"say ""x""",,1,0.3333333333\n'


def test_tables_refuse_columns_that_do_not_fit():
    with pytest.raises(ValueError, match="other columns than a, b"):
        Table(("a", "b"), [(1.0,)])
    with pytest.raises(ValueError, match=r"columns of \[2, 3\] rows"):
        Table(("a", "b"), [(np.zeros(2), np.zeros(3))]).text()
    several = Table(("a", "b"), [("x", np.arange(2.0)), ("y", 5)])
    assert list(several.rows()) == [["x", 0.0], ["x", 1.0], ["y", 5]]


# ---- SVG ---------------------------------------------------------------------------------------


def test_svgs_have_a_title_and_refer_to_nothing_elsewhere(written, hostile):
    for path in (one for one in written if one.suffix == ".svg"):
        text = path.read_text(encoding="utf-8")
        root = ET.fromstring(text)
        title, words = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert title.text and "Scenario: <img src=http" in words.text
        assert root.get("role") == "img" and root.get("aria-labelledby") == "title desc"
        assert not any(one.tag.split("}")[-1] in ("script", "foreignObject") for one in root.iter())
        for one in root.iter():
            for name, value in one.attrib.items():
                assert not name.split("}")[-1].startswith("on")
                if name.endswith("href"):
                    assert value.startswith(("#", "data:image/png;base64,"))
        assert "<!DOCTYPE" not in text and "<metadata" not in text
        assert "<text" not in re.sub(r"<!--.*?-->", "", text)  # letters are outlines
    front = next(one for one in written if one.name == "odd-front.svg")
    assert "http://x.example" in ET.parse(front).getroot().find(f"{SVG}desc").text


def test_tubes_of_a_section_are_a_picture_within_its_svg(written):
    """Thousands of paths would open slowly; axes and letters stay sharp."""
    path = next(one for one in written if one.name == "odd-section.svg")
    root = ET.parse(path).getroot()
    panels = 4 * 3
    assert len(list(root.iter(f"{SVG}image"))) == panels
    assert len(list(root.iter(f"{SVG}path"))) < 40 * panels


def test_an_svg_has_the_same_bytes_each_time(record):
    assert svg_text(front_figure([record])) == svg_text(front_figure([record]))


def test_title_and_description_are_what_stands_above_and_below(record):
    title, words = said(uptake_figure([record]))
    assert title.startswith("Clear broth fills") and words.endswith("A rusk in four broths.")
    bare = Picture()
    assert said(bare) == ("", "")


# ---- one style sheet ----------------------------------------------------------------------------


def test_colours_and_letters_are_those_of_the_style_sheet():
    """No colour and no size of letters is written down anywhere else."""
    colours = re.compile(r'"#[0-9a-fA-F]{3,8}"|(?:color|colors|fc|ec|mec|mfc)="[a-z]{3,}"|cividis')
    sizes = re.compile(r"(?:fontsize|labelsize|titlesize)=[\d.]+[,)]")
    for path in sorted(Path(style.__file__).parent.glob("*.py")):
        text = path.read_text(encoding="utf-8")
        if path.name != "style.py":
            stray = [one for one in colours.findall(text) if one.split('"')[1:2] not in
                     (["none"], ["face"])]  # fmt: skip
            assert not stray, (path.name, stray)
        assert not sizes.findall(text), path.name


def test_helper_sees_what_artists_hold(record):
    assert len(numbers_drawn(uptake_figure([record]))) > 4 * 2 * 240
