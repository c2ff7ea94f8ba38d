"""``poresim measure sizes``: what is printed, JSON, the block in a scenario, the figure, faults."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from drawn_sizes import OPENINGS

from poresim.bench.size_laws import quantile, share_between
from poresim.cli.main import main
from poresim.cli.measure import sizes as command
from poresim.scenario.reading import load_scenario
from poresim.solid.sizes import Lognormal, Weibull

BENCH = Path(__file__).parent.parent / "scenarios" / "bench"
SPICE = BENCH / "spice_sieves.csv"
SCENARIO = """\
[solid]
size_mm = [1, 1, 1]
lattice = {{ kind = "cubic", spacing_um = 100 }}
{tubes}
[[liquids]]
name = "broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48
viscosity = {{ law = "newtonian", mPa_s = 1.2 }}
{particles}
[exposure]
kind = "face"
faces = ["bottom"]
[run]
until_s = 1
"""
TUBES = 'tubes = { law = "lognormal", median_radius_um = 12, log_sd = 0.3 }\n'


def run(capsys, *words):
    code = main(["measure", "sizes", *map(str, words)])
    out = capsys.readouterr()
    return code, out.out, out.err


def measured(capsys, tmp_path, *words):
    """The JSON, and what stands on standard error; the figure is made but not drawn."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("poresim.show.figures.write_figure", lambda *_: [])
        return _measured(capsys, tmp_path, *words)


def _measured(capsys, tmp_path, *words):
    code, out, err = run(capsys, *words, "--json", "--out", tmp_path / "figures")
    assert code == 0, err
    return json.loads(out), err


def written(folder, text, name="sizes.csv"):
    path = folder / name
    path.write_text(text)
    return path


def scenario_of(folder, tubes=TUBES, particles=""):
    path = written(folder, SCENARIO.format(tubes=tubes, particles=particles), "block.toml")
    return load_scenario(path)


def test_help_example_runs(capsys, tmp_path, monkeypatch):
    line = next(row for row in command.MORE.splitlines() if "poresim measure" in row)
    monkeypatch.chdir(SPICE.parent.parent.parent)
    words = line.split()[3:]
    words[words.index("--out") + 1] = str(tmp_path / "figures")
    code, out, err = run(capsys, *words)
    assert code == 0, err
    assert re.search(r"d50, by volume +\d+\.\d ± \d\.\d um", out)
    assert 'particles = { volume_fraction = 0.015, law = "weibull"' in out
    assert {p.suffix for p in (tmp_path / "figures").iterdir()} == {".png", ".svg", ".csv"}


def test_json_of_sieves(capsys, tmp_path):
    """The example was made from scale 235 um and shape 2.1 with 2 % of scatter."""
    found, err = measured(capsys, tmp_path, SPICE)
    law = Weibull(235e-6, 2.1)
    for name, share in (("d10", 0.1), ("d50", 0.5), ("d90", 0.9)):
        truth = float(quantile(law, share)) * 1e6
        assert found[f"{name}_sd_um"] > 0
        assert abs(found[f"{name}_um"] - truth) < 3 * found[f"{name}_sd_um"]
    assert found["better_fit"] == "weibull" and found["fits_data"]
    assert found["span"] == pytest.approx(
        (found["d90_um"] - found["d10_um"]) / found["d50_um"], rel=1e-6
    )
    assert {"sauter_um", "sauter_sd_um", "de_brouckere_um", "by_number", "fits"} <= set(found)
    low, high = found["fits"]["weibull"]["interval_95"]["scale_diameter_um"]
    assert low < 235 < high
    assert "sizes do not tell how many grains there are: give --volume-fraction" in err


def test_block_of_grains_is_read_by_a_scenario(capsys, tmp_path):
    found, _ = measured(capsys, tmp_path, SPICE, "--volume-fraction", "0.02")
    scenario = scenario_of(tmp_path, particles=found["block"])
    grains = scenario.liquids[0].grains
    assert grains.volume_fraction == 0.02
    assert float(grains.sizes.quantile(0.5)) == pytest.approx(found["d50_um"] * 1e-6, rel=0.02)


def test_block_without_a_volume_fraction_is_a_comment_to_fill_in(capsys, tmp_path):
    found, _ = measured(capsys, tmp_path, SPICE)
    assert all(line.startswith("# ") for line in found["block"].strip().split("\n"))
    scenario_of(tmp_path, particles=found["block"])
    filled = found["block"].replace("# ", "").replace("FILL_IN", "0.01")
    assert scenario_of(tmp_path, particles=filled).liquids[0].grains.volume_fraction == 0.01


def test_counted_particles_become_a_law_by_volume(capsys, tmp_path):
    """The example was drawn by number: median 9 um, log_sd 0.45; by volume 9 exp(3 * 0.45^2)."""
    words = (BENCH / "pepper_particles.csv", "--volume-fraction", "0.01")
    found, _ = measured(capsys, tmp_path, *words)
    by_number = found["fits_by_number"]["lognormal"]
    for name, truth in (("median_diameter_um", 9.0), ("log_sd", 0.45)):
        low, high = by_number["interval_95"][name]
        assert low < truth < high
    law = found["fits"]["lognormal"]
    s = by_number["log_sd"]
    assert law["median_diameter_um"] == pytest.approx(
        by_number["median_diameter_um"] * np.exp(3 * s**2), rel=1e-9
    )
    assert found["fits_told_by"] == "volume" and "weibull" in found["fits_by_number"]
    sizes = scenario_of(tmp_path, particles=found["block"]).liquids[0].grains.sizes
    assert sizes.median * 1e6 == pytest.approx(law["median_diameter_um"], rel=1e-3)


def test_porosimetry_becomes_tubes_by_number(capsys, tmp_path):
    """The example was made from 11 um and 0.45 by number of tubes, read at 130 degrees."""
    found, err = measured(capsys, tmp_path, BENCH / "rusk_intrusion.csv")
    law = found["fits"]["lognormal"]
    assert law["median_radius_um"] == pytest.approx(11.0, rel=0.03)
    assert law["log_sd"] == pytest.approx(0.45, rel=0.05)
    assert found["d50_um"] == pytest.approx(22 * np.exp(2 * 0.45**2), rel=0.03)
    assert "mercury at 130 degrees and 485 mN/m" in err
    radii = scenario_of(tmp_path, tubes=found["block"]).solid.radii
    assert radii.median * 1e6 == pytest.approx(law["median_radius_um"], rel=1e-3)
    wide, _ = measured(
        capsys, tmp_path, BENCH / "rusk_intrusion.csv", "--angle-deg", "140", "--force"
    )
    ratio = np.cos(np.deg2rad(140)) / np.cos(np.deg2rad(130))
    assert wide["d50_um"] == pytest.approx(found["d50_um"] * ratio, rel=1e-6)


TWO = [0.02, 0.08, 0.2, 0.12, 0.03, 0.02, 0.06, 0.25, 0.2, 0.02]


def two_humps(name):
    rows = [f"{2**k},{v}" for k, v in enumerate(np.cumsum(TWO) if "cum" in name else TWO)]
    return f"diameter_um,{name}\n" + "\n".join(rows) + "\n"


def test_what_no_law_describes_is_given_as_a_table(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    written(tmp_path, two_humps("volume_share"))
    found, err = measured(capsys, tmp_path, "sizes.csv", "--volume-fraction", "0.01")
    assert 'law = "table", file = "sizes.csv"' in found["block"] and not found["fits_data"]
    assert "neither law describes the sizes" in err
    scenario = scenario_of(tmp_path, particles=found["block"])
    assert len(scenario.liquids[0].grains.sizes.values) == 10


def test_what_no_law_describes_and_no_table_holds_is_a_mixture(capsys, tmp_path):
    path = written(tmp_path, two_humps("cumulative_volume_share"))
    found, _ = measured(capsys, tmp_path, path, "--volume-fraction", "0.01")
    scenario = scenario_of(tmp_path, particles=found["block"])
    law = scenario.liquids[0].grains.sizes
    # from the table of shares: half lies below 32 * 2^((0.5 - 0.47) / 0.06)
    upto = np.cumsum(TWO)
    np.testing.assert_allclose(1 - law.share_above(2.0 ** np.arange(1, 9) * 1e-6), upto[1:9], 0.02)


def test_porosimetry_of_two_humps_by_pressure_is_a_mixture_by_number(capsys, tmp_path):
    radius = np.geomspace(100, 1, 21) * 1e-6
    wide, narrow = Lognormal(40e-6, 0.15), Lognormal(4e-6, 0.15)
    volume = 0.4 * wide.share_above(radius) + 0.3 * narrow.share_above(radius)
    pressure = 0.62350366 / (radius * 1e6)
    rows = "".join(f"{p:.8g},{v:.6f}\n" for p, v in zip(pressure, volume, strict=True))
    path = written(tmp_path, "pressure_MPa,intruded_mL_g\n" + rows)
    found, _ = measured(capsys, tmp_path, path)
    law = scenario_of(tmp_path, tubes=found["block"]).solid.radii
    # 3 parts of volume at 4 um against 4 at 40 um: of the number, 75 to 1 (means of 1 / r^2 alike)
    assert law.share_above(15e-6) == pytest.approx(1 / 76, rel=0.1)


def test_a_law_that_no_scenario_takes_makes_no_block(capsys, tmp_path):
    law = Lognormal(5e-2, 0.3)  # 5 cm: a scenario's diameters end at 10 mm
    edges = np.array([0, 20, 30, 40, 60, 80, 120])
    share = share_between(law, edges * 1e-3, np.append(edges[1:], np.inf) * 1e-3)
    rows = "".join(f"{e},{100 * s:.3f}\n" for e, s in zip(edges, share, strict=True))
    path = written(tmp_path, "opening_mm,retained_g\n" + rows)
    found, err = measured(capsys, tmp_path, path)
    assert found["block"] == "" and "no block for a scenario: median_diameter_um is 5" in err


def test_repeats_are_combined(capsys, tmp_path):
    rng, law = np.random.default_rng(3), Weibull(235e-6, 2.1)
    upper = np.append(OPENINGS[1:], np.inf)
    paths = []
    for k in range(3):
        mass = 50 * share_between(law, OPENINGS, upper) * (1 + 0.02 * rng.standard_normal(9))
        rows = "".join(f"{o * 1e6:g},{m:.2f}\n" for o, m in zip(OPENINGS, mass, strict=True))
        paths.append(written(tmp_path, "opening_um,retained_g\n" + rows, f"{k}.csv"))
    found, _ = measured(capsys, tmp_path, *paths)
    assert found["repeats"] == 3
    each = [measured(capsys, tmp_path, p, "--force")[0]["d50_um"] for p in paths]
    assert min(each) < found["d50_um"] < max(each)
    low, high = found["fits"]["weibull"]["interval_95"]["shape"]
    assert low < 2.1 < high


@pytest.mark.parametrize(
    "words, said",
    [
        (["--volume-fraction", "0.9"], "'0.9' is not a share of the liquid's volume above 0 and"),
        (["--volume-fraction", "x"], "'x' is not a share"),
        (["--weighing-sd-g", "-1"], "'-1' is not grams above 0"),
        (["--angle-deg", "80"], "'80' is not an angle in degrees above 90 and up to 180"),
        (["--tension-mN-m", "0"], "'0' is not a tension in mN/m above 0"),
        (["--angle-deg", "140"], "holds no porosimetry; an angle or a tension is for"),
        ([str(BENCH / "pepper_particles.csv")], "repeats are of one kind"),
        (["missing.csv"], "missing.csv: cannot be read"),
    ],
)
def test_wrong_requests_are_one_line(capsys, tmp_path, words, said):
    code, out, err = run(capsys, SPICE, *words, "--out", tmp_path / "figures")
    assert code == 2 and out == "" and said in err and err.count("\n") == 1
    assert not (tmp_path / "figures").exists()


def test_a_wrong_file_is_one_line(capsys, tmp_path):
    path = written(tmp_path, "opening_um,retained_g\n500,1\n500,2\n0,1\n")
    code, out, err = run(capsys, path, "--out", tmp_path / "figures")
    assert code == 2 and out == "" and err.count("\n") == 1 and "line 3: opening_um is that" in err


def test_an_earlier_figure_is_kept(capsys, tmp_path):
    found, _ = _measured(capsys, tmp_path, SPICE)
    pictures = [Path(path) for path in found["figures"] if not path.endswith(".csv")]
    assert len(pictures) == 2 and all(path.stat().st_size > 5000 for path in pictures)
    code, _, err = run(capsys, SPICE, "--out", tmp_path / "figures")
    assert code == 2 and "exists; --force replaces it" in err


def test_particles_of_one_size(capsys, tmp_path):
    path = written(tmp_path, "diameter_um\n" + "8\n" * 9)
    found, err = measured(capsys, tmp_path, path, "--volume-fraction", "0.01")
    assert found["d50_um"] == pytest.approx(8.0) and found["fits"] == {}
    assert "no law is fitted: all particles are of one size" in err
    assert scenario_of(tmp_path, particles=found["block"])
