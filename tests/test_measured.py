"""Measurements in a scenario: standard deviations of quantities, and [[measured]] tables."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from test_scenario import GOOD

from poresim.cli.main import main
from poresim.scenario.faults import ScenarioError
from poresim.scenario.measured import ReadAngle
from poresim.scenario.reading import parse_scenario

ANGLE = "contact_angle_deg = 48"
LOG = "time_s;mass_g\n0;8,0\n10;9,1\n20;9,6\n40;10,2\n"
FILM = "time_s,angle_deg,sd_deg,base_mm,volume_uL\n0,52,0.5,3.1,5\n2,47,0.5,3.1,4.2\n"
SNAP = "time_s,force_N\n30,4.1\n0,9.0\n30,3.8\n"


def first(old, new):
    return GOOD.replace(old, new, 1)


def with_logs(folder, block, dry=True):
    """A scenario beside its files."""
    for name, text in (("log.csv", LOG), ("film.csv", FILM), ("snap.csv", SNAP)):
        (folder / name).write_text(text)
    text = first("[solid]\n", "[solid]\ndry_mass_g = 8.0\n") if dry else GOOD
    return text + "\n" + block, folder / "rusk.toml"


def test_a_quantity_may_have_a_standard_deviation():
    text = first(ANGLE, "contact_angle_deg = { value = 48, sd = 1.5 }")
    text = text.replace("median_radius_um = 15,", "median_radius_um = { value = 15, sd = 2 },", 1)
    found, plain = parse_scenario(text), parse_scenario(GOOD)
    assert found.sds[("solid", "tubes", "median_radius_um")] == 2.0
    assert found.sds[("liquids", 0, "contact_angle_deg")] == 1.5
    assert found.solid == plain.solid and found.liquids == plain.liquids
    assert plain.sds == {}


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("{ value = 48, sd = 0 }", "contact_angle_deg: got value 48 with sd 0; give { value = 48"),
        ("{ value = 48, sd = -1.0 }", "got value 48 with sd -1.0"),
        ("{ sd = 1.5 }", "got value None with sd 1.5"),
        ('{ value = "48", sd = 1.5 }', "got value '48' with sd 1.5"),
        ("{ value = 190, sd = 1.5 }", "got 190; "),
        ("{ value = 48, sd = inf }", "got value 48 with sd inf"),
        ("{ value = 48, sd = 1, x = 2 }", "got a table"),
    ],
)
def test_wrong_standard_deviations(given, says):
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(first(ANGLE, f"contact_angle_deg = {given}"))
    assert len(caught.value.faults) == 1
    assert says in str(caught.value)


def test_what_was_measured_is_read(tmp_path):
    block = "\n".join(
        f'[[measured]]\nliquid = "clear broth"\n{what}'
        for what in (
            'uptake = "log.csv"',
            'angle = "film.csv"',
            "angle_deg = 49.5\nsd_deg = 0.8",
            'snap_force = "snap.csv"',
        )
    )
    text, path = with_logs(tmp_path, block)
    scenario = parse_scenario(text, path)
    logs, film, angle, snap = (one.of for one in scenario.measured)
    assert [one.liquid for one in scenario.measured] == ["clear broth"] * 4
    np.testing.assert_allclose(logs[0].mass_kg, [8.0e-3, 9.1e-3, 9.6e-3, 10.2e-3])
    np.testing.assert_allclose(film.angle_deg, [52, 47])
    np.testing.assert_allclose(film.base_m, 3.1e-3)
    np.testing.assert_allclose(film.volume_m3, [5e-9, 4.2e-9])
    assert angle == ReadAngle(49.5, 0.8)
    np.testing.assert_allclose(snap.time_s, [0, 30, 30])
    np.testing.assert_allclose(snap.force_n, [9.0, 4.1, 3.8])
    assert len(pickle.loads(pickle.dumps(scenario)).measured) == 4


WRONG = [
    ('liquid = "clear soup"\nangle_deg = 40\nsd_deg = 1', "liquid: names 'clear soup'; there are"),
    ('liquid = "clear broth"', "measures nothing; give one of uptake, angle, angle_deg or"),
    (
        'liquid = "clear broth"\nangle = "film.csv"\nuptake = "log.csv"',
        "gives uptake and angle; give one of",
    ),
    ('liquid = "clear broth"\nangle_deg = 40', "sd_deg: belongs beside angle_deg"),
    ('liquid = "clear broth"\nangle = "film.csv"\nsd_deg = 1', "sd_deg: belongs beside angle_deg"),
    ('liquid = "clear broth"\nangle_deg = 200\nsd_deg = 1', "angle_deg: got 200"),
    ('liquid = "clear broth"\nuptake = "no.csv"', "uptake: "),
    ('liquid = "clear broth"\nuptake = "film.csv"', "has no column mass_g"),
    ('liquid = "clear broth"\nangle = "log.csv"', "has no column angle_deg"),
    ('liquid = "clear broth"\nsnap_force = "log.csv"', "has no column force_N"),
    ('liquid = "clear broth"\nweights = "log.csv"', "weights: is not a known key"),
]


@pytest.mark.parametrize(("block", "says"), WRONG)
def test_wrong_measurements_are_one_line(tmp_path, block, says):
    text, path = with_logs(tmp_path, "[[measured]]\n" + block)
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, path)
    assert says in str(caught.value)
    assert len(caught.value.faults) == 1


def test_a_liquid_at_fault_is_still_there_to_be_named(tmp_path):
    """One line: not another for every measurement of it."""
    block = '[[measured]]\nliquid = "clear broth"\nangle_deg = 40\nsd_deg = 1\n'
    text, path = with_logs(tmp_path, block + '[explain]\nbetween = ["clear broth", "gum broth"]')
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text.replace("surface_tension_mN_m", "surface_tenson_mN_m"), path)
    assert {fault.key for fault in caught.value.faults} == {"liquids[1].surface_tenson_mN_m"}


def test_the_dry_mass_of_a_solid_at_fault_is_not_missed(tmp_path):
    block = '[[measured]]\nliquid = "clear broth"\nuptake = "log.csv"\n'
    text, path = with_logs(tmp_path, block)
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text.replace("dry_mass_g = 8.0\n", "dry_mass_g = 8.0\nsids = 1\n"), path)
    assert [fault.key for fault in caught.value.faults] == ["solid.sids"]


def test_weight_logs_need_the_dry_mass(tmp_path):
    text, path = with_logs(
        tmp_path, '[[measured]]\nliquid = "clear broth"\nuptake = "log.csv"', dry=False
    )
    with pytest.raises(ScenarioError, match="dry_mass_g: is missing; give the dry mass in g"):
        parse_scenario(text, path)


@pytest.mark.parametrize(
    ("name", "rows", "says"),
    [
        ("film.csv", "time_s,angle_deg\n0,52\n0,47\n", "line 3: time does not rise"),
        (
            "film.csv",
            "time_s,angle_deg\n0,180\n",
            "line 2: angle_deg is 180; from 0.01 to 179.99 is",
        ),
        ("film.csv", "time_s,angle_deg\n-1,60\n", "line 2: time_s is '-1'"),
        ("film.csv", "time_s,angle_deg\n", "has no rows"),
        ("snap.csv", "time_s,force_N\n0,-3\n", "line 2: force_N is '-3'"),
    ],
)
def test_wrong_courses(tmp_path, name, rows, says):
    key = "angle" if name == "film.csv" else "snap_force"
    block = f'[[measured]]\nliquid = "clear broth"\n{key} = "{name}"'
    text, path = with_logs(tmp_path, block)
    (tmp_path / name).write_text(rows)
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, path)
    assert says in str(caught.value)


def test_a_list_of_tables_is_expected():
    with pytest.raises(ScenarioError, match=r"measured: is not a list of tables; write \[\["):
        parse_scenario(GOOD + "\n[measured]\nangle_deg = 3\n")


def test_check_reads_them_too(tmp_path, capsys):
    block = '[[measured]]\nliquid = "clear broth"\nangle = "gone.csv"'
    text, path = with_logs(tmp_path, block)
    path.write_text(text)
    assert main(["check", str(path)]) == 2
    assert "gone.csv" in capsys.readouterr().err
