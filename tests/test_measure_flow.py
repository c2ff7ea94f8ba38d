"""``poresim measure flow``: words, JSON, block, figure, and every fault in one line."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from pictures import check_legible, check_numbers
from PIL import Image

from poresim.bench.flow_fit import fit_flow
from poresim.cli.main import main
from poresim.cli.measure.flow_words import block, chosen, remarks, short
from poresim.liquid.curves import Carreau, Cross
from poresim.liquid.laws import HerschelBulkley, PowerLaw
from poresim.scenario.reading import parse_scenario
from poresim.show.measured_flow import flow_figure
from poresim.tables.flow_points import read_flow_points

EXAMPLE = Path(__file__).parent.parent / "scenarios" / "bench" / "gum_broth_flow.csv"
DRAIN = [
    "--drain-s", "128", "130", "127", "--drain-tube-mm", "1", "20", "--drain-heights-mm", "100",
    "50", "--drain-cup-radius-mm", "30", "--density-kg-m3", "1010",
]  # fmt: skip
SPHERE = [
    "--sphere-s", "10.1", "9.9", "--sphere-diameter-mm", "2", "--sphere-density-kg-m3", "2500",
    "--sphere-distance-mm", "100", "--sphere-tube-mm", "30", "--density-kg-m3", "1010",
]  # fmt: skip
SCENARIO = """
title = "a broth"
[solid]
name = "rusk"
size_mm = [1, 1, 1]
dry_density_kg_m3 = 400
lattice = {{ kind = "cubic", spacing_um = 100, neighbours = 5 }}
tubes = {{ law = "lognormal", median_radius_um = 30, log_sd = 0.3, waist = 0.2 }}
[[liquids]]
name = "broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48
{block}
[exposure]
kind = "face"
faces = ["bottom"]
[run]
until_s = 1
accuracy = 0.05
repeats = 1
"""


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def measure(capsys, *arguments):
    code = main(["measure", "flow", *map(str, arguments)])
    said = capsys.readouterr()
    assert code == 0, said.err
    return said


def told(capsys, *arguments):
    return json.loads(measure(capsys, *arguments, "--json").out)


def refused(capsys, *arguments, fresh=True):
    """The one line on standard error; nothing else is said, nothing is written."""
    code = main(["measure", "flow", *map(str, arguments)])
    said = capsys.readouterr()
    assert code == 2 and said.out == "" and said.err.count("\n") == 1, said
    assert "Traceback" not in said.err and not (fresh and Path("results").exists())
    return said.err.strip()


def law_of(text):
    """The flow law that a scenario with this block has; its reader must take it."""
    return parse_scenario(SCENARIO.format(block=text)).liquids[0].viscosity


def written(name, text):
    path = Path(name)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# ---- what is told --------------------------------------------------------------------------------


def test_the_example_of_the_help(capsys):
    """Invented from a Cross curve: 400 mPa s at rest, 1.8 at high rates, 0.6 s, 0.72."""
    said = measure(capsys, EXAMPLE)
    assert "Cross " in said.out and "weight 100 %" in said.out
    assert "1000 to 100000 1/s lie outside the points" in said.err
    assert "nan" not in said.out and "inf " not in said.out
    law = law_of(said.out.split("for a scenario:")[1].split("figure:")[0])
    assert isinstance(law, Cross)
    np.testing.assert_allclose(
        [law.zero_viscosity, law.infinite_viscosity, law.time, law.exponent],
        [0.4, 1.8e-3, 0.6, 0.72],
        rtol=0.2,
    )
    with Image.open("results/measure/gum_broth_flow-flow.png") as picture:
        assert picture.width > 800
    assert "INVENTED" in EXAMPLE.read_text()
    assert main(["measure", "flow", str(EXAMPLE)]) == 2
    assert "--force replaces it" in capsys.readouterr().err


def test_as_json(capsys):
    found = told(capsys, EXAMPLE, "--tension-mN-m", 50, "--angle-deg", 60, "--depth-mm", 5)
    assert found["law"] == "cross" and found["rivals"] == ["cross"] and found["points"] == 33
    fit = found["fits"]["cross"]
    for name, value in {"zero_mPa_s": 400, "time_s": 0.6, "exponent": 0.72}.items():
        low, high = fit["interval95"][name]
        assert low <= value <= high and low < fit[name] < high and fit["sd"][name] > 0
    assert fit["undetermined"] == [] and 0.01 < fit["rms"] < 0.03 and fit["weight"] > 0.99
    assert set(found["fits"]) == {
        "newtonian", "power_law", "bingham", "herschel_bulkley", "cross", "carreau"
    }  # fmt: skip
    assert sum(one["weight"] for one in found["fits"].values()) == pytest.approx(1)
    assert found["pores"] == {"shear_rate_1_s": [100.0, 1e5], "missing": [[1000.0, 1e5]]}
    assert {one["shear_rate_1_s"]: one["inside"] for one in found["at"]}[1e5] is False
    assert found["wall"]["stress_Pa"] == pytest.approx(5.0)
    law = law_of(found["block"])
    rate = found["wall"]["shear_rate_1_s"]
    assert float(law.shear_stress(rate)) == pytest.approx(5.0, rel=1e-3)
    assert found["files"] == [str(EXAMPLE)] and len(found["figures"]) == 4


@pytest.mark.parametrize("key", ["newtonian", "power_law", "bingham", "herschel_bulkley", "cross"])
def test_every_law_has_a_block_that_a_scenario_takes(key):
    points = read_flow_points([EXAMPLE])
    fits = fit_flow(points.rate, points.stress, intervals=False)
    fit = chosen(fits, key)
    law = law_of(block(fit, "fitted to gum.csv"))
    rates = np.array([0.5, 50.0, 5e3])
    np.testing.assert_allclose(law.apparent_viscosity(rates), fit.viscosity(rates)[0], rtol=2e-4)


def test_a_law_of_ones_own_choice(capsys):
    found = told(capsys, EXAMPLE, "--law", "carreau")
    assert isinstance(law_of(found["block"]), Carreau) and found["law"] == "cross"


def test_what_cannot_be_told_apart_is_said(capsys):
    rate = np.geomspace(2, 200, 10)
    noise = np.exp(0.02 * np.random.default_rng(3).normal(size=10))
    eta = 1e3 * PowerLaw(0.3, 0.5).apparent_viscosity(rate) * noise
    rows = [f"{a:.6g};{b:.6g}".replace(".", ",") for a, b in zip(rate, eta, strict=True)]
    path = written("thin.csv", "\ufeffshear_rate_1_s;viscosity_mPa_s\n" + "\n".join(rows) + "\n")
    said = measure(capsys, path)
    assert "the points cannot tell these laws apart: power law" in said.err
    assert "the plateau at" in said.err or "a yield stress is not told from none" in said.err
    law = law_of(said.out.split("for a scenario:")[1].split("figure:")[0])
    assert isinstance(law, PowerLaw) and law.index == pytest.approx(0.5, abs=0.03)


def test_repeats_in_files_with_sds(capsys):
    rng, rate = np.random.default_rng(4), np.geomspace(1, 1000, 9)
    law = HerschelBulkley(0.3, 0.2, 0.6)
    paths = []
    for k in range(3):
        stress = law.shear_stress(rate) * np.exp(0.05 * k + 0.01 * rng.normal(size=9))
        rows = "\n".join(
            f"{a:.6g},{b:.6g},{0.01 * b:.4g}" for a, b in zip(rate, stress, strict=True)
        )
        head = "shear_rate_1_s,shear_stress_Pa,shear_stress_sd_Pa\n"
        paths.append(written(f"run{k}.csv", head + rows + "\n"))
    said = measure(capsys, *paths)
    assert "27 in 3 files" in said.out and "by the sds" in said.out
    assert "the files differ as a whole by about 5" in said.err
    found = told(capsys, *paths, "--force")
    assert found["weights"] == "sd" and found["law"] == "herschel_bulkley"
    low, high = found["fits"]["herschel_bulkley"]["interval95"]["consistency_Pa_sn"]
    assert low < 0.2 < high and high / low > 1.15


def test_remarks_of_strays_and_of_a_lag():
    rate = np.geomspace(0.1, 1000, 30)
    eta = 0.05 * np.exp(-0.3 * (np.log10(rate) - 1) ** 2)
    both = np.concatenate([rate, rate[::-1]])
    stress = both * np.concatenate([eta, eta[::-1] * 0.7])
    said = " ".join(remarks(fit_flow(both, stress, intervals=False)))
    assert "on the way down in rate, stresses lie" in said and "% lower" in said
    stress = rate * eta * np.exp(0.01 * np.random.default_rng(1).normal(size=30))
    said = " ".join(remarks(fit_flow(rate, stress, intervals=False)))
    assert "the points stray from the best law to the same side" in said
    assert "1000 to 100000 1/s lie outside" in said
    all_seen = fit_flow([1e1, 1e3, 1e4, 2e5], [1.0, 100, 1000, 20000], intervals=False)
    assert "the points cover that" in " ".join(remarks(all_seen))


def test_a_cup_without_a_flow_curve(capsys):
    found = told(capsys, *DRAIN)
    assert found["drain"]["viscosity_mPa_s"] == pytest.approx(9.2, rel=0.02)
    low, high = found["drain"]["shear_rates_1_s"]
    assert low < found["drain"]["shear_rate_1_s"] < high
    assert found["fits"]["newtonian"]["mPa_s"] == found["drain"]["viscosity_mPa_s"]
    assert found["fits"]["newtonian"]["sd"]["mPa_s"] == found["drain"]["sd_mPa_s"] > 0
    assert float(law_of(found["block"]).viscosity) == pytest.approx(9.2e-3, rel=0.02)
    assert any("one rate (1400 1/s) tells no law" in text for text in found["remarks"])
    by_volume = [*DRAIN[:-4], "--drain-volume-mL", str(9 * math.pi * 5), *DRAIN[-2:]]
    again = told(capsys, *by_volume, "--force")
    assert again["drain"]["viscosity_mPa_s"] == pytest.approx(found["drain"]["viscosity_mPa_s"])
    level = [*by_volume, "--drain-heights-mm", "50", "50", "--force"]
    assert refused(capsys, *level, fresh=False).startswith("--drain-heights-mm must be two diff")
    water = told(capsys, *DRAIN, "--drain-water-s", 58, "--force")
    assert "from water" in water["remarks"][0]
    assert water["drain"]["inlet_loss"] != 0.2


def test_a_sphere_and_a_cup_beside_a_flow_curve(capsys):
    said = measure(capsys, *SPHERE, "--tension-mN-m", 50)
    assert "by sphere" in said.out and re.search(r"of the sphere +15 1/s\n", said.out)
    assert "at the wall of pores, 10 mm deep" in said.out
    said = measure(capsys, *SPHERE, *DRAIN, "--force")
    assert "sphere and drain differ" in said.err or "drain and sphere differ" in said.err
    assert "at 1400 1/s\nviscosity" in said.out  # the block has that of the greater rate
    said = measure(capsys, EXAMPLE, *SPHERE)
    assert "sphere: the fitted Cross has" in said.err and "sds away" in said.err


def test_figures_are_legible():
    points = read_flow_points([EXAMPLE])
    single = [("drain", 1400.0, 9e-3, 1e-3), ("sphere", 15.0, 0.2, 0.01)]
    wide = fit_flow(points.rate, points.stress, intervals=False)
    rate = np.geomspace(2, 200, 10)
    noise = np.exp(0.03 * np.random.default_rng(3).normal(size=10))
    alike = fit_flow(rate, rate**0.5 * noise, 0.03 * rate**0.5, intervals=False)
    assert len(alike.rivals) >= 2
    for fits, singles in ((wide, []), (wide, single), (alike, []), (None, single[:1])):
        figure = flow_figure(fits, singles, "gum_broth_flow.csv")
        check_legible(figure)
        check_numbers(figure)


def test_numbers_in_words():
    assert (short(1000.0), short(99999.9), short(0.01234)) == ("1000", "100000", "0.0123")


# ---- what is refused -----------------------------------------------------------------------------

HEAD = "shear_rate_1_s,viscosity_mPa_s\n"
GOOD = "1,40\n10,12\n100,5\n1000,2\n"
FAULTS = [
    ("", "gum.csv: is empty; a header with two of shear_rate_1_s"),
    (HEAD, "gum.csv: has no rows; 1 to 1000 are expected below the header"),
    (HEAD + "1,40\n10,12\n", "gum.csv: 2 points; 4 to 5000 are needed for a flow law"),
    ("time_s,mass_g\n1,2\n", "gum.csv: has none of the columns needed, only time_s, mass_g"),
    (HEAD + "-1,40\n" + GOOD, "gum.csv, line 2: shear_rate_1_s is '-1'; a number above 0"),
    (HEAD + "1,-4\n" + GOOD, "gum.csv, line 2: viscosity_mPa_s is '-4'; a number above 0"),
    (HEAD + "1/s,mPa s\n" + GOOD, "gum.csv, line 2: shear_rate_1_s is '1/s'; a row of units"),
    (HEAD + "1,4,5\n" + GOOD, "gum.csv, line 2: has 3 cells, and the header 2; write decimals"),
    (HEAD + "7,4\n7,5\n7,4\n7,4\n", "gum.csv: all points are at 7 1/s; a flow law needs several"),
    (HEAD + "1,1e8\n" + GOOD, "gum.csv: viscosity is 1e+08 mPa s at 1 1/s; 0.05 to 1e+07 is"),
    (b"shear_rate_1_s,viscosity_mPa_s\n\xff\n", "gum.csv: cannot be read (not UTF-8 text)"),
    (
        "shear_rate_1_s,viscosity_mPa_s,sd\n1,40,1\n",
        "gum.csv: has a column 'sd'; sds are headed shear_stress_sd_Pa or shear_stress_sd_mPa or",
    ),
    (
        "shear_rate_1_s,viscosity_mPa_s,viscosity_sd_mPa_s\n1,40,1\n2,30,30\n",
        "gum.csv, line 3: viscosity_sd_mPa_s is 30, as large as the value itself; look at its unit",
    ),
    (
        "shear_rate_1_s,viscosity_mPa_s,viscosity_sd_mPa_s,shear_stress_sd_Pa\n1,40,1,1\n",
        "gum.csv: gives viscosity_sd_mPa_s and shear_stress_sd_Pa; keep one of them",
    ),
    (
        "shear_rate_1_s,viscosity_mPa_s,viscosity_sd_mPa_s\n1,40,\n",
        "gum.csv, line 2: viscosity_sd_mPa_s is empty; a number above 0",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), FAULTS, ids=[said[9:50] for _, said in FAULTS])
def test_wrong_files(capsys, text, said):
    assert refused(capsys, written("gum.csv", text)).startswith(said)


def test_files_that_do_not_go_together(capsys):
    one = written("one.csv", HEAD + GOOD)
    other = written("other.csv", "shear_rate_1_s,viscosity_mPa_s,viscosity_sd_mPa_s\n1,40,1\n")
    assert refused(capsys, one, other) == (
        "one.csv: has no sds, and another file has; give them in all files or in none"
    )
    assert refused(capsys, one, "none.csv").startswith("none.csv: cannot be read (No such file")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "give flow curves as CSV files, or --drain-s, or --sphere-s"),
        (DRAIN[4:], "--drain-tube-mm is given, and no --drain-s"),
        (DRAIN[:-2], "--drain-s needs --density-kg-m3 as well"),
        (DRAIN[:7], "--drain-s needs --drain-heights-mm, --density-kg-m3, --drain-cup-r"),
        (SPHERE[:3], "--sphere-s needs --sphere-diameter-mm, --sphere-density-kg-m3, "),
        ([*DRAIN, "--drain-s", "-3"], "poresim measure flow: argument --drain-s: '-3' is no num"),
        ([*DRAIN, "--drain-s", "40"], "drains in 40 s; below"),
        ([*DRAIN, "--drain-heights-mm", "50", "50"], "a cup drains from 50 to 50 mm: the first"),
        ([*DRAIN, "--drain-water-s", "58", "--drain-water-C", "200"], "--drain-water-C: "),
        ([*DRAIN, "--law", "cross"], "--law cross: one rate gives a Newtonian viscosity only"),
        ([*DRAIN, "--tension-mN-m", "50", "--angle-deg", "95"], "a liquid with an angle of 95"),
        ([*SPHERE, "--sphere-tube-mm", "3"], "the sphere takes 0.67 of the tube's width"),
        (["--drain-s", "x"], "poresim measure flow: argument --drain-s: 'x' is no number above 0"),
        (["--law", "best"], "poresim measure flow: argument --law: invalid choice"),
    ],
)  # fmt: skip
def test_wrong_options(capsys, arguments, said):
    assert refused(capsys, *arguments).startswith(said)


def test_a_law_that_cannot_be_had(capsys):
    path = written("few.csv", HEAD + GOOD)
    assert refused(capsys, path, "--law", "cross") == "--law cross: too few points or rates for it"
