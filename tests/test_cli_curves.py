"""``poresim check --curves``: figures of a solid in words, as JSON and as a picture."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from pictures import check_numbers
from PIL import Image
from small import TWO_BROTHS
from test_cli import refused

import poresim as ps
from poresim.cli.main import main
from poresim.curves.summary import solid_curves
from poresim.scenario.reading import load_scenario
from poresim.show.solid import curves_figure
from poresim.solid.build import geometry_seed


@pytest.fixture
def small(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    text = TWO_BROTHS.replace("size_mm", "dry_density_kg_m3 = 500\nsize_mm", 1)
    (tmp_path / "small.toml").write_text(text)
    return tmp_path / "small.toml"


def test_in_words(small, capsys):
    assert main(["check", str(small), "--curves"]) == 0
    said = capsys.readouterr()
    for word in ("pores:", "walls:", "permeability x", "formation factor x", "mercury:", "mL/g"):
        assert word in said.out
    assert said.out.count("drawn in against a suction") == 1  # both broths wet alike
    assert "clear broth, spiced broth: drawn in" in said.out
    assert "nan" not in said.out and "inf" not in said.out
    assert "for one solid" in said.err and "of memory" in said.err
    assert "figure:  results/small/curves.png" in said.out
    with Image.open("results/small/curves.png") as picture:
        assert picture.width > 800


def test_as_json_it_is_what_python_says(small, capsys):
    assert main(["check", str(small), "--curves", "--json", "--out", "there"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["junctions"] > 0 and told["faults"] == []
    files = ["curves.png", "curves.svg", "curves.csv", "curves-mercury.csv"]
    assert told["figures"] == [f"there/{name}" for name in files]
    assert all(Path("there", name).is_file() for name in files)
    found = told["curves"]
    scenario = load_scenario(small)
    solid = ps.build_solid(scenario.solid, geometry_seed(scenario.seed))
    assert found["permeability_m2"]["z"] == ps.permeability(solid, "z")
    assert found["formation_factor"]["x"] == ps.formation_factor(solid, "x")
    assert found["porosity"] == pytest.approx(told["porosity"], rel=0.2)  # as drawn; as expected
    assert found["porosity"] == solid.porosity
    curve = ps.invasion_curve(
        solid, ps.build_liquid(scenario.liquids[0]), solid.faces["bottom"], trapping="pockets"
    )
    got = found["uptake"]["spiced broth"]["pockets"]
    np.testing.assert_array_equal(got["pressure_Pa"], curve.pressure_Pa)
    np.testing.assert_array_equal(got["saturation"], curve.saturation)
    mercury = found["intrusion"]
    pores = float(solid.tube_volume.sum() / np.prod(solid.size)) / 500 * 1e3  # mL/g
    assert mercury["intruded_mL_g"][-1] == pytest.approx(pores, rel=1e-9)
    assert mercury["saturation"][-1] == pytest.approx(1.0)
    assert found["remarks"] == []


def test_nothing_is_overwritten_without_force(small, capsys):
    Path("results/small").mkdir(parents=True)
    Path("results/small/curves.png").write_text("mine")
    for more in ((), ("--json",)):
        error_of = main(["check", str(small), "--curves", *more])
        said = capsys.readouterr()
        assert error_of == 2
        assert said.err.count("\n") == 1 and "--force replaces it" in said.err
        assert Path("results/small/curves.png").read_text() == "mine"
        assert "permeability" not in said.out
    assert main(["check", str(small), "--curves", "--force"]) == 0
    assert Path("results/small/curves.png").stat().st_size > 1000


def test_out_and_force_belong_to_curves(small, capsys):
    for more in (("--out", "there"), ("--force",)):
        assert "--curves" in refused(capsys, "check", str(small), *more)
    assert not Path("there").exists()


def test_a_folder_that_is_a_file(small, capsys):
    Path("taken").write_text("")
    assert main(["check", str(small), "--curves", "--out", "taken"]) == 2
    assert "is a file" in capsys.readouterr().err


def test_sealed_sides_are_said_to_have_no_faces(small, capsys):
    small.write_text(small.read_text().replace("[solid]", '[solid]\nsides = "sealed"', 1))
    assert main(["check", str(small), "--curves"]) == 0
    said = capsys.readouterr().out
    assert "remark:  along x: no junctions on the left face" in said
    assert "remark:  along y: no junctions on the front face" in said
    assert "permeability z" in said


def test_a_network_without_size_or_faces():
    """What can be computed is, and a line each says what cannot."""
    solid = ps.Network([[0, 0, 0], [0, 0, 1e-3], [0, 0, 2e-3]], [[0, 1], [1, 2]], 1e-5)
    liquid = ps.Liquid(ps.Newtonian(1e-3), 0.072, 60.0, 1000.0)
    found = solid_curves(solid, {"water": liquid}, [0])
    assert found.permeability_m2 == {} and found.intrusion is None
    assert len(found.remarks) == 2
    assert "no size: permeability and formation factor cannot be computed" in found.remarks[0]
    assert "no faces: no mercury curve" in found.remarks[1]
    told = found.as_dict()
    assert told["porosity"] is None and told["intrusion"] is None
    json.dumps(told, allow_nan=False)
    figure = curves_figure(found, "chain")
    figure.canvas.draw()
    check_numbers(figure)


def test_a_network_file(small, capsys):
    """One's own network: a flat one has no extent in y, so no block."""
    points = [[0, 0, 0], [1e-3, 0, 0], [0, 0, 1e-3], [1e-3, 0, 1e-3]]
    ends = [[0, 1], [0, 2], [1, 3], [2, 3]]
    ps.save_network(ps.Network(points, ends, 1e-5), "mine.h5")
    text = small.read_text()
    start, end = text.index("[solid]"), text.index("[[liquids]]")
    small.write_text(text[:start] + '[solid]\nnetwork = "mine.h5"\n\n' + text[end:])
    assert main(["check", str(small), "--curves"]) == 0
    said = capsys.readouterr()
    assert "remark:  the network has no size" in said.out
    assert "nan" not in said.out
    assert "mercury: half is in" in said.out


@pytest.mark.parametrize("angle", [48, 90, 130])
def test_liquids_that_do_not_wet(small, capsys, angle):
    text = small.read_text().replace("contact_angle_deg = 48", f"contact_angle_deg = {angle}")
    small.write_text(text)
    assert main(["check", str(small), "--curves"]) == 0
    said = capsys.readouterr().out
    assert ("pressed in" in said) == (angle == 130)
    full = said.split("without suction ")[1].split(" %")[0]
    assert (float(full) == 100) == (angle == 48)


def test_many_ways_of_wetting_are_drawn(small):
    """A figure with more liquids than colours, long names, and names that are no words."""
    scenario = load_scenario(small)
    solid = ps.build_solid(scenario.solid)
    liquids = {
        f"{'a very long name of a broth ' * 3}{i} $x^2$ \n": ps.Liquid(
            ps.Newtonian(1e-3), 0.05, 10.0 * i, 1000.0
        )
        for i in range(9)
    }
    found = solid_curves(solid, liquids, solid.faces["bottom"], 400.0)
    assert len(found.ways()) == 9
    curves_figure(found, "a solid of a long name " * 5, invented=True).canvas.draw()
    assert math.isfinite(found.per_mass)
