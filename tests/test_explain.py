"""Why two liquids differ: known answers, and what is said when there is none."""

from __future__ import annotations

import csv
import json
import math
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from poresim.cli.main import main
from poresim.ensemble.run import run
from poresim.record.layout import RecordError
from poresim.scenario.reading import load_scenario
from poresim.show.explain import explained_figure
from poresim.why.explain import explain, result_path
from poresim.why.told import explained_in_words, verdict

#: Straight tubes, no gravity: a Newtonian liquid goes its way in time with viscosity / (tension x
#: cosine of the angle), whatever the network (Washburn 1921, Phys Rev 17:273).
STRAIGHT = """\
title = "Straight tubes"
[solid]
size_mm = [0.2, 0.2, 1.0]
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "fixed", radius_um = 10 }
sides = "periodic"
[[liquids]]
name = "thin"
density_kg_m3 = 1000
surface_tension_mN_m = 60
contact_angle_deg = 30
viscosity = { law = "newtonian", mPa_s = 1 }
[[liquids]]
name = "thick"
based_on = "thin"
surface_tension_mN_m = 50
contact_angle_deg = 60
viscosity = { law = "newtonian", mPa_s = 2 }
[exposure]
kind = "face"
faces = ["bottom"]
gravity = false
[run]
until_s = 0.003
accuracy = 0.02
snapshots = 0
"""
TIME = "[explain]\nof = { time_to_saturation = 0.2 }\n"
UPTAKE = "[explain]\nof = { uptake_at_s = 0.002 }\nmost_repeats = 4\n"
#: Tubes of all widths, and grains that do not fit into some of them.
LADEN = STRAIGHT.replace(
    'law = "fixed", radius_um = 10', 'law = "lognormal", median_radius_um = 10, log_sd = 0.3'
).replace(
    "mPa_s = 2 }",
    'mPa_s = 4 }\nparticles = { volume_fraction = 0.1, law = "fixed", diameter_um = 22 }',
)
#: The second liquid differs in nothing yet.
ALIKE = (
    LADEN[: LADEN.index("surface_tension_mN_m = 50")] + "\n" + LADEN[LADEN.index("[exposure]") :]
)


@pytest.fixture
def asked(tmp_path):
    """Explain the text of a scenario."""
    with ThreadPoolExecutor(1) as pool:

        def ask(text: str, **how):
            path = tmp_path / "rusk.toml"
            path.write_text(text)
            return explain(load_scenario(path), tmp_path / "out", executor=pool, **how)

        yield ask


def test_washburn_shares_are_the_logarithms_of_its_factors(asked):
    """ln(time) = ln(viscosity) - ln(tension x cosine) + ...: they add up."""
    found = asked(STRAIGHT + TIME)
    wets = math.log(60 * math.cos(math.radians(30)) / (50 * math.cos(math.radians(60))))
    thick = math.log(2)
    assert found.mechanisms == ["wetting", "thickening"]
    assert found.shares.whole.value == pytest.approx(wets + thick, rel=0.02)
    assert found.shares.of["wetting"].value == pytest.approx(wets / (wets + thick), abs=0.02)
    assert found.shares.sum_alone == pytest.approx(1.0, abs=0.02)


ONE = {
    "wetting": "contact_angle_deg = 52\n",
    "thickening": 'viscosity = { law = "newtonian", mPa_s = 1.5 }\n',
    "plugging": "particles = { volume_fraction = 0.1, law = 'fixed', diameter_um = 22, "
    "intrinsic_viscosity = 0 }\n",
    "gravity": "density_kg_m3 = 1300\n",
}


@pytest.mark.parametrize("mechanism", ONE)
def test_liquids_that_differ_in_one_property_give_it_all(asked, mechanism):
    found = asked(ALIKE.replace("[exposure]", ONE[mechanism] + "[exposure]") + UPTAKE)
    assert found.mechanisms == [mechanism]
    assert found.shares.distinct
    assert found.shares.of[mechanism].value >= 0.98


def test_shares_add_up_where_changes_one_at_a_time_do_not(asked):
    """A thick liquid carries fewer grains in: alone they come to more than together."""
    found = asked(LADEN + UPTAKE.replace("most_repeats = 4", "most_repeats = 3"))
    assert sum(one.value for one in found.shares.of.values()) == pytest.approx(1.0, abs=1e-12)
    assert abs(found.shares.sum_alone - 1) > 0.05
    assert "not 100 %" in explained_in_words(found)


def test_none_and_all_are_plain_runs_of_the_liquids(asked, tmp_path):
    """The two ends are what ``run`` computes."""
    text = LADEN.replace("accuracy", "repeats = 2\naccuracy")
    found = asked(text + UPTAKE.replace("most_repeats = 4", "most_repeats = 2"))
    with ThreadPoolExecutor(1) as pool:
        record = run(load_scenario(tmp_path / "rusk.toml"), tmp_path / "run", executor=pool)
    ends = frozenset(), frozenset(found.mechanisms)
    for subset, liquid in zip(ends, record.liquids, strict=True):
        for n, repeat in liquid.repeats.items():
            at = np.interp(math.sqrt(0.002), np.sqrt(repeat.time_s), repeat.uptake_kg)
            assert found.values[subset][n] == pytest.approx(at, rel=1e-12)


def test_the_number_of_solids_follows_the_width_asked_for(asked):
    text = LADEN[: LADEN.index("particles =")] + LADEN[LADEN.index("[exposure]") :] + UPTAKE
    wide = asked(text.replace("most_repeats = 4", "width = 1"))
    assert wide.repeats == 4
    assert wide.shares.widest <= 1
    many = asked(text.replace("most_repeats = 4", "width = 1e-6\nmost_repeats = 7"), force=True)
    assert many.repeats == 7
    assert "wider than the" in explained_in_words(many)
    for subset, row in wide.values.items():
        np.testing.assert_array_equal(row, many.values[subset][:4])


def test_a_scale_other_than_the_logarithm(asked):
    found = asked(STRAIGHT + TIME + 'scale = "linear"\n')
    a, b = found.ends
    assert found.shares.whole.value == pytest.approx(b - a, rel=1e-12)
    assert sum(one.value for one in found.shares.of.values()) == pytest.approx(1.0, abs=1e-12)


def test_uncertain_values_widen_the_intervals(asked):
    sure = asked(STRAIGHT + TIME)
    text = STRAIGHT.replace("contact_angle_deg = 60", "contact_angle_deg = { value = 60, sd = 3 }")
    unsure = asked(text + TIME + "most_repeats = 12\n", force=True)
    assert unsure.uncertain == ["liquids[2].contact_angle_deg"]
    share = unsure.shares.of["wetting"]
    assert share.low < sure.shares.of["wetting"].value < share.high
    # ln(cos) has slope tan(60) a radian: sd of the share by first-order propagation
    wets, thick = (math.log(x) for x in (60 * math.sqrt(0.75) / 25, 2))
    sd = math.tan(math.radians(60)) * math.radians(3) * thick / (wets + thick) ** 2
    assert share.width == pytest.approx(2 * 2.2 * sd, rel=0.5)  # of 12 draws; t = 2.20
    assert "standard deviations" in explained_in_words(unsure)


def test_the_same_liquid_twice_is_said_to_be_the_same(asked):
    found = asked(ALIKE)
    assert found.shares is None
    assert "do not differ" in explained_in_words(found)
    assert verdict(found) == "No difference to explain"
    assert list(explained_figure(found).tables) == ["ends"]


def test_a_result_that_is_not_reached_is_refused_in_one_line(asked):
    text = STRAIGHT + "[explain]\nof = { time_to_saturation = 0.99 }\n"
    with pytest.raises(RecordError, match=r"is not known in 4 of 4 soaks .* choose another"):
        asked(text)


def test_nothing_taken_up_has_no_logarithm(asked):
    text = STRAIGHT.replace("contact_angle_deg = 60", "contact_angle_deg = 120") + UPTAKE
    with pytest.raises(RecordError, match=r'is 0 in .* give scale = "linear"'):
        asked(text)
    found = asked(text + 'scale = "linear"\n', force=True)
    assert found.shares.of["wetting"].value > 0.5


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('between = ["thin", "wine"]', "explain.between[2]: names 'wine'; there are thin"),
        ('between = ["thin", "thin"]', "names one liquid twice"),
        ('of = "sorptivty"', "did you mean sorptivity?"),
        ("of = { uptake_at_s = 1, saturation_at_s = 2 }", "gives uptake_at_s and saturation_at_s"),
        ("of = { uptake_at_min = 1 }", "uptake_at_s"),
        ("widht = 0.1", "did you mean width?"),
        ("width = 0", "got 0"),
    ],
)
def test_faults_of_the_table(tmp_path, capsys, keys, said):
    path = tmp_path / "rusk.toml"
    path.write_text(f"{STRAIGHT}[explain]\n{keys}\n")
    assert main(["explain", str(path), "--out", str(tmp_path / "out")]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert f"{path}, line" in err
    assert not (tmp_path / "out").exists()


def test_one_liquid_is_too_few(tmp_path, capsys):
    path = tmp_path / "rusk.toml"
    path.write_text(ALIKE[: ALIKE.rindex("[[liquids]]")] + ALIKE[ALIKE.index("[exposure]") :])
    assert main(["explain", str(path), "--out", str(tmp_path / "out")]) == 2
    assert "explain needs two" in capsys.readouterr().err


def test_the_command_prints_writes_and_does_not_overwrite(tmp_path, capsys):
    path = tmp_path / "rusk.toml"
    path.write_text(STRAIGHT + TIME)
    out = tmp_path / "out"
    ask = ["explain", str(path), "--out", str(out), "--workers", "1"]
    assert main([*ask, "--json"]) == 0
    printed = capsys.readouterr()
    assert (
        "4 mixtures of the two liquids x 4 solids to begin with, 64 solids at most" in printed.err
    )
    assert "of memory a soak" in printed.err
    told = json.loads(printed.out)
    assert sum(told["shares"].values()) == pytest.approx(1.0)
    assert set(told["intervals"]) == set(told["shares"]) == {"wetting", "thickening"}
    assert told["of"]["scale"] == "log of the ratio"
    names = {one.name for one in out.iterdir()}
    parts = {f"rusk.explain-{part}.csv" for part in ("ends", "shares")}
    assert names == {f"rusk.explain.{kind}" for kind in ("json", "csv", "png", "svg")} | parts
    assert {Path(one).name for one in told["figures"]} == names - {
        "rusk.explain.json", "rusk.explain.csv",
    }  # fmt: skip
    with (out / "rusk.explain-shares.csv").open(newline="") as file:
        shares = {row["property"]: float(row["share"]) for row in csv.DictReader(file)}
    assert shares == pytest.approx(told["shares"], rel=1e-9)
    assert result_path(out, load_scenario(path)).exists()
    assert json.loads((out / "rusk.explain.json").read_text())["shares"] == told["shares"]
    assert main(ask) == 2
    assert "exists; --force replaces it" in capsys.readouterr().err
