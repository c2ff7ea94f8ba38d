"""Results in a notebook: a few lines, an escaped table, a figure; and the example in Python."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from drops_rendered import rendered, scenes
from fakes import block, record_file, soak
from judged_made_up import judged
from matplotlib.figure import Figure
from pictures import check_legible, check_numbers
from planned_made_up import planned
from small import TWO_BROTHS

import poresim as ps
from poresim.brief import length, one_line, volume
from poresim.inference.shares import shares
from poresim.outcome.asked import Asked
from poresim.scenario.reading import parse_scenario
from poresim.uptake.flow import Flow
from poresim.why.explain import Explained
from poresim.why.sweep import Plan, Swept

ROOT = Path(__file__).parent.parent
HOSTILE = "<script>alert(\"x\")</script>\x1b[31m & 'co'\n=1+1"
FIGURES = ("uptake", "front", "section")


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notebook")
    return ps.load_record(record_file(folder, cells=(4, 4, 6), snapshots=3, repeats=2))


@pytest.fixture(scope="module")
def results(record):
    """One of each kind, with names as hostile as a scenario may give."""
    solid = block((4, 4, 6))
    grains = ps.Particles(0.02, np.geomspace(5e-6, 30e-6, 40))
    flow_curve = ps.MeasuredFlow(np.geomspace(1, 1000, 50), 0.1 * np.geomspace(1, 1000, 50) ** -0.3)
    scenario = parse_scenario(TWO_BROTHS + '[sweep]\nvary = { "run.accuracy" = [0.1, 0.2] }\n')
    liquids = tuple(replace(one, name=HOSTILE) for one in scenario.liquids)
    results = scenario.questions.sweep.results or (Asked("end_saturation"),)
    return {
        "network": solid,
        "liquid": ps.Liquid(flow_curve, 0.05, 48.0, 1005.0, 20.0, grains),
        "water": ps.water(20),
        "soak": soak(solid, 7.0),
        "flow": Flow(np.linspace(0, 100, 96), np.zeros(solid.tubes), np.ones(96) * 1e-12, 1, 1e-15),
        "record": replace(
            record, title=HOSTILE, liquids=[replace(q, name=HOSTILE) for q in record.liquids]
        ),
        "liquid of a record": replace(record.liquids[0], name=HOSTILE),
        "repeat": record.liquids[0].repeats[0],
        "scenario": replace(scenario, title=HOSTILE, liquids=liquids),
        "explained": explained(HOSTILE),
        "judged": judged(title=HOSTILE),
        "planned": planned(judged(title=HOSTILE)),
        "swept": Swept(
            replace(scenario, title=HOSTILE), Plan(scenario).quantities, ((0.1,), (0.2,)),
            (HOSTILE, "b"), 2, None, results, MappingProxyType({}), {},
        ),
        "curves": ps.solid_curves(solid, {}, solid.faces["bottom"], 420.0),
        "drop": ps.drop_profile(1e-3, 1000, 0.07, 60),
        "table": record.plot().tables[""],
    }  # fmt: skip


def explained(name: str) -> Explained:
    names = ["wetting", "plugging"]
    rng = np.random.default_rng(0)
    values = {
        frozenset(m for m, used in zip(names, on, strict=True) if used): 1e-6 * scale
        * np.exp(0.01 * rng.normal(size=5))
        for on, scale in (((0, 0), 4), ((1, 0), 2), ((0, 1), 1), ((1, 1), 0.5))
    }  # fmt: skip
    found = shares({k: np.log(v) for k, v in values.items()}, names, of_one=False)
    of = Asked("uptake_at_s", 5.0)
    return Explained(
        name, 0, (name, "b"), of, True, names, values, found, 0.1, [], 0.01, False
    )  # fmt: skip


KINDS = (
    "network", "liquid", "water", "soak", "flow", "record", "liquid of a record", "repeat",
    "scenario", "explained", "judged", "planned", "swept", "curves", "drop", "table",
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_text_is_short_and_harmless(results, kind):
    text = repr(results[kind])
    assert len(text.splitlines()) <= 12 and len(text) < 1500
    assert "array(" not in text and "object at" not in text and "nan" not in text
    assert not any(ord(sign) < 32 and sign != "\n" for sign in text)


@pytest.mark.parametrize("kind", KINDS)
def test_tables_are_escaped_and_hold_the_same(results, kind):
    html = results[kind]._repr_html_()
    root = ET.fromstring(html)  # every < and & of a name is escaped, or this fails
    assert {one.tag for one in root.iter()} <= {"table", "caption", "tbody", "tr", "th", "td"}
    assert {name for one in root.iter() for name in one.attrib} <= {"style", "scope"}
    assert "http" not in html and len(html) < 4000
    told = [" ".join("".join(row.itertext()).split()) for row in root.iter("tr")]
    lines = repr(results[kind]).splitlines()[1:]
    assert [line.replace(" ", "") for line in lines] == [row.replace(" ", "") for row in told]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("network", ("96 junctions", "µm", "block", "0.4 x 0.4 x 0.6 mm", "bottom, top")),
        ("liquid", ("50 mN/m", "48° advancing, 20° receding", "1005 kg/m³", "50 points",
                    "Particles(2 % by volume, 5 µm to 30 µm, 40 sizes")),
        ("water", ("998", "mPa s", "mN/m")),
        ("soak", ("every tube that liquid can reach is full", "0 to 20 s", "nL, 100 % full")),
        ("flow", ("0 to 100 Pa", "9.6e-11 m³/s")),
        ("record", ("full by 20 s, 2 solids", "made_up.h5")),
        ("scenario", ("face", "0.2 s", "10 %")),
        ("explained", ("4.0 mg", "500 µg", "67 %")),
        ("judged", ("92 %", "thickening and plugging", "1,280 soaks")),
        ("curves", ("porosity", "m²", "formation factor")),
        ("drop", ("60°", "nL", "mm wide")),
        ("table", ("rows", "time_s")),
    ],
)  # fmt: skip
def test_text_tells_values_with_their_units(results, kind, words):
    for word in words:
        assert word in repr(results[kind]), repr(results[kind])


def test_figures_in_words():
    assert (volume(3.14159e-9), volume(0.0), volume(2e-16)) == ("3.14 µL", "0 µL", "0.2 pL")
    assert (length(15e-6), length(2.5e-3), length(1.0)) == ("15 µm", "2.5 mm", "1 m")
    assert volume(float("nan")) == "not known"
    assert one_line("a\x1b[31m\nb\u202ec") == "a [31m b c" and len(one_line("x" * 999)) == 200


# ---- figures -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["network", "soak", "record", "explained", "judged", "planned"])
def test_plot_gives_a_figure_that_notebooks_show(results, kind):
    figure = results[kind].plot()
    assert isinstance(figure, Figure)
    assert figure._repr_png_().startswith(b"\x89PNG")
    assert ps.plot(results[kind]).get_size_inches() == pytest.approx(figure.get_size_inches())
    assert figure.tables or kind == "planned"  # whose numbers are its own table


@pytest.mark.parametrize("which", FIGURES)
def test_a_record_plots_what_is_asked(record, which):
    figure = record.plot(which)
    assert figure.tables[""].head[:2] == ("liquid", "time_s")
    both = ps.plot([record, record], which)
    names = {block[0] for block in both.tables[""].blocks}
    assert len(names) == 8


def test_what_cannot_be_plotted_is_said(record, results):
    with pytest.raises(ValueError, match="no figure is called 'uptakes'; there are uptake, front"):
        record.plot("uptakes")
    with pytest.raises(ValueError, match="no liquid is a drop on a face"):
        record.plot("drop")
    with pytest.raises(ValueError, match="no soak to draw"):
        ps.plot({})
    with pytest.raises(ValueError, match="no run of the sweep gets to its result"):
        results["swept"].plot()
    with pytest.raises(TypeError, match="int has nothing to plot"):
        ps.plot(3)


def test_soaks_side_by_side():
    solid = block((4, 4, 6))
    soaks = {
        "clear broth": soak(solid, 7.0),
        "a gum broth of a rather long name": soak(solid, 45.0),
        HOSTILE: soak(solid, 60.0, closed=0.3),
    }
    figure = ps.plot(soaks)
    check_numbers(figure)
    check_legible(figure)
    assert "Clear broth fills 80 % of the pores" in " ".join(figure.texts[0].get_text().split())
    rows = [row for row in figure.tables[""].rows() if row[0] == "clear broth"]
    one = soaks["clear broth"]
    assert [row[4] for row in rows] == pytest.approx((1e9 * one.uptake_m3).tolist())


def test_a_solid_is_legible(results):
    check_legible(results["network"].plot())
    chain = ps.Network([[0, 0, 0], [0, 0, 1e-3], [0, 0, 2e-3]], [[0, 1], [1, 2]], 1e-4)
    check_legible(chain.plot())


def test_an_angle_is_drawn_over_its_photograph():
    image = rendered(scenes(1)[0])
    angle = ps.measure_angle(image, um_per_px=5.0)
    assert repr(angle).startswith(f"Contact angle {angle.angle_deg:.2f} ± ")
    assert "µL on" in repr(angle) and "array(" not in repr(angle)
    figure = angle.plot(image)
    assert len(figure.axes[0].images) == 1
    assert {block[0] for block in figure.tables[""].blocks} >= {"face", "outline, left"}
    check_numbers(figure)


# ---- arrays, imports, the example ---------------------------------------------------------------


def test_results_hand_over_numpy_arrays(results, record):
    arrays = {
        "soak": ("time_s", "uptake_m3", "filled_at_s"), "flow": ("pressure", "rate", "into"),
        "network": ("points", "ends", "radius", "length", "waist"),
        "repeat": ("time_s", "uptake_kg", "filled_at_s"),
    }  # fmt: skip
    for kind, names in arrays.items():
        for name in names:
            assert isinstance(getattr(results[kind], name), np.ndarray), (kind, name)


def test_results_do_not_load_pictures_until_they_are_drawn():
    code = (
        "import sys; import poresim as ps; import numpy as np\n"
        "solid = ps.Network([[0, 0, 0], [0, 0, 1e-3]], [[0, 1]], 1e-5)\n"
        "ps.Liquid; ps.Soak; ps.load_record; ps.load_scenario; repr(solid); solid._repr_html_()\n"
        "print([n for n in sys.modules if n.startswith(('matplotlib', 'poresim.show'))])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_example_in_python_runs(tmp_path, capsys):
    spec = importlib.util.spec_from_file_location("in_python", ROOT / "scenarios/in_python.py")
    example = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(example)
    example.main(tmp_path / "out", size_mm=(0.3, 0.3, 0.8))
    said = capsys.readouterr().out
    for words in ("Network of", "clear broth", "shear rates", "Flow through", "figures and"):
        assert words in said
    assert {one.name for one in (tmp_path / "out").iterdir()} == {
        "soaks.png", "soaks.csv", "solid.png",
    }  # fmt: skip
