"""``[priors]``: laws by key, one clear line a fault, and that scenarios can be varied so."""

from __future__ import annotations

from pathlib import Path

import pytest
from small import TWO_BROTHS

from poresim.cli.main import main
from poresim.inference.laws import Lognormal, LogUniform, Normal, Uniform
from poresim.scenario.believable import checked_priors
from poresim.scenario.faults import ScenarioError
from poresim.scenario.reading import parse_scenario
from poresim.scenario.varied import Variations

WAIST = '"solid.tubes.waist"'
RADIUS = '"solid.tubes.median_radius_um"'
ANGLE = '"liquids.clear broth.contact_angle_deg"'
HEAD = len(TWO_BROTHS.splitlines()) + 1  # the line of [priors]


def believing(*lines: str, text: str = TWO_BROTHS):
    return parse_scenario(text + "[priors]\n" + "\n".join(lines) + "\n", Path("rusk.toml"))


def read_fault(*lines: str) -> str:
    with pytest.raises(ScenarioError) as caught:
        believing(*lines)
    (fault,) = caught.value.faults
    return str(fault)


def checked_faults(*lines: str, text: str = TWO_BROTHS) -> list[str]:
    scenario = believing(*lines, text=text)
    with pytest.raises(ScenarioError) as caught:
        checked_priors(scenario)
    return [str(fault) for fault in caught.value.faults]


def test_laws_are_read_by_key():
    scenario = believing(
        f'{WAIST} = {{ law = "uniform", least = 0.5, greatest = 0.9 }}',
        '"liquids.*.surface_tension_mN_m" = { law = "loguniform", least = 40, greatest = 72 }',
        f'{ANGLE} = {{ law = "normal", mean = 48, sd = 3, least = 0, greatest = 90 }}',
        f'{RADIUS} = {{ law = "lognormal", median = 15, log_sd = 0.1, greatest = 22 }}',
    )
    laws = {
        "solid.tubes.waist": Uniform(0.5, 0.9),
        "liquids.*.surface_tension_mN_m": LogUniform(40, 72),
        "liquids.clear broth.contact_angle_deg": Normal(48, 3, 0, 90),
        "solid.tubes.median_radius_um": Lognormal(15, 0.1, greatest=22),
    }
    assert scenario.questions.priors == laws
    assert checked_priors(scenario) == laws


def test_without_the_table_there_are_none():
    scenario = parse_scenario(TWO_BROTHS)
    assert scenario.questions.priors is None
    assert checked_priors(scenario) == {}


def test_what_is_believed_changes_no_run():
    scenario = believing(f'{WAIST} = {{ law = "uniform", least = 0.5, greatest = 0.9 }}')
    plain = parse_scenario(TWO_BROTHS)
    assert (scenario.solid, scenario.liquids) == (plain.solid, plain.liquids)
    assert scenario.sds == {}
    assert Variations(scenario).scenario({}).questions.priors is None


@pytest.mark.parametrize(
    ("law", "said"),
    [
        ('{ law = "lognorml", median = 15, log_sd = 0.3 }', "did you mean lognormal?"),
        ('{ law = "beta", least = 0, greatest = 1 }', "got 'beta', a text; one of uniform, log"),
        ("{ law = 3 }", "got 3; give 'uniform' or"),
        ("{ mean = 15, sd = 3 }", ".law: is missing; give 'uniform' or 'loguniform' with least"),
        ("{ }", ".law: is missing; give 'uniform'"),
        ('{ law = "normal", mean = 15 }', "has no sd; a normal law has mean and sd"),
        ('{ law = "lognormal", least = 3 }', "has no median and no log_sd; a lognormal law has"),
        ('{ law = "uniform", greatest = 3 }', "has no least; a uniform law has least and"),
        (
            '{ law = "lognormal", mean = 15, sd = 3 }',
            "has no median and no log_sd but has mean and sd; a lognormal law has median and",
        ),
        (
            '{ law = "loguniform", least = 3, greatest = 9, median = 5 }',
            "has median; a loguniform law has least and greatest",
        ),
        ('{ law = "uniform", least = 5, greatest = 3 }', "least must lie below greatest, both"),
        ('{ law = "uniform", least = 3, greatest = 3 }', "got 3 and 3"),
        ('{ law = "loguniform", least = 0, greatest = 3 }', "needs least above 0, got 0"),
        (
            '{ law = "normal", mean = 15, sd = 1, least = 20, greatest = 18 }',
            "least must lie below greatest, got 20 and 18",
        ),
        (
            '{ law = "normal", mean = 15, sd = 1, least = 30 }',
            "from 30 to inf lies less than a millionth of this law: widen the bounds",
        ),
        ('{ law = "lognormal", median = 15, log_sd = 1, least = -1 }', "needs least of 0 or more"),
        ('{ law = "normal", mean = 15, sd = 0 }', ".sd: got 0; give standard deviation, in the"),
        ('{ law = "normal", mean = 15, sd = -2.0 }', ".sd: got -2.0; give standard deviation"),
        ('{ law = "lognormal", median = -15, log_sd = 1 }', ".median: got -15; give median"),
        ('{ law = "lognormal", median = 15, log_sd = 6 }', "above 0 up to 5, such as 0.3"),
        ('{ law = "normal", mean = inf, sd = 3 }', ".mean: got inf; give mean, in the unit of"),
        ('{ law = "normal", mean = 1e300, sd = 3 }', "from -1e+09 up to 1e+09, such as 48"),
        ('{ law = "normal", mean = "15", sd = 3 }', ".mean: got '15', a text"),
        ('{ law = "normal", mean = true, sd = 3 }', ".mean: got true, a true/false value"),
        ('{ law = "normal", mean = 15, sdd = 3 }', ".sdd: is not a known key; did you mean sd?"),
        ('{ law = "lognormal", medan = 15, log_sd = 1 }', "did you mean median? (known keys here"),
        ("15", 'got 15; give a law such as { law = "normal", mean = 48, sd = 3 }'),
        ('"normal"', "got 'normal', a text; give a law such as"),
        ("[10, 15, 20]", "got an array of 3; give a law such as"),
        ("{ value = 15, sd = 3 }", 'gives value and sd; write { law = "normal", mean = ..., sd'),
    ],
)
def test_every_fault_of_a_law_is_one_clear_line(law, said):
    fault = read_fault(f"{RADIUS} = {law}")
    assert fault.startswith(f"rusk.toml, line {HEAD + 1}: priors.solid.tubes.median_radius_um")
    assert said in fault


def test_every_law_at_fault_is_told():
    with pytest.raises(ScenarioError) as caught:
        believing(
            f"{WAIST} = 1",
            f'{RADIUS} = {{ law = "normal", mean = 3 }}',
            f'{ANGLE} = {{ law = "normal" , mean = 48, sd = 3 }}',
        )
    assert [fault.line for fault in caught.value.faults] == [HEAD + 1, HEAD + 2]


def test_a_key_without_quotes_is_not_taken_apart():
    fault = read_fault('solid.tubes.waist = { law = "uniform", least = 0.5, greatest = 0.9 }')
    assert "is a table of tables; write whole keys in quotes" in fault
    assert '"solid.tubes..." = { law = ... }' in fault


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("priors = 3\n", "priors: is no table of laws; [priors] holds 1 to 60 lines such as"),
        ("priors = []\n", "priors: is no table of laws"),
        ("priors = {}\n", "priors: holds 0 laws; [priors] holds 1 to 60 lines"),
    ],
)
def test_what_is_no_table_of_laws(table, said):
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(table + TWO_BROTHS)
    (fault,) = caught.value.faults
    assert said in str(fault)


def test_too_many_laws():
    law = '{ law = "normal", mean = 48, sd = 3 }'
    rows = [f'"solid.layers.{number}.thickness_mm" = {law}' for number in range(61)]
    assert "priors: holds 61 laws; [priors] holds 1 to 60 lines" in read_fault(*rows)
    believing(*rows[:60])


def test_the_table_is_one_of_the_file():
    with pytest.raises(ScenarioError, match=r"prior: is not a known key; did you mean priors\?"):
        parse_scenario(TWO_BROTHS + "[prior]\n")


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("tubes.waist", "begin with one of solid, liquids"),
        ("solid", "'solid' is no key"),
        ("softening.wall_s", "there is no [softening]"),
        ("solid.tube.waist", "there is no table 'tube'; did you mean tubes?"),
        ("solid.tubes.median_radus_um", "is not a known key; did you mean median_radius_um?"),
        ("solid.tubes.scale_radius_um", "is not a key of the law 'lognormal'; it is one of"),
        ("liquids.red wine.contact_angle_deg", "there are clear broth, spiced broth, or *"),
        ("liquids.spiced broth.viscosity.mPa_s", "there is no table 'viscosity'"),
        ("liquids.*.contact_angel_deg", "did you mean contact_angle_deg?"),
        ("liquids.clear broth.name", "its median, 15, cannot be: got 15.0; give a name of its"),
        ("solid.tubes", "its median, 15, cannot be: got 15.0; give a table such as"),
        ("run.repeats", "its median, 15, cannot be: got 15.0; give number of solids drawn"),
        ("measured.1.angle_deg", "begin with one of"),
    ],
)
def test_a_key_that_names_no_quantity(key, said):
    (fault,) = checked_faults(f'"{key}" = {{ law = "normal", mean = 15, sd = 1 }}')
    assert fault.startswith(f"rusk.toml, line {HEAD + 1}: priors.{key}: ")
    assert said in fault


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (  # 8 - 3.09 x 3 < 0
            f'{RADIUS} = {{ law = "normal", mean = 8, sd = 3 }}',
            "one draw in a thousand lies below -1.271, which cannot be: got -1.2707; "
            "give least: median radius in um, from 0.001 up to 10000, such as 15",
        ),
        (
            f'{WAIST} = {{ law = "lognormal", median = 0.7, log_sd = 0.3 }}',
            "one draw in a thousand lies above 1.769, which cannot be: got 1.76897; give greatest: "
            "narrowest radius over radius",
        ),
        (
            f'{ANGLE} = {{ law = "normal", mean = 200, sd = 6 }}',
            "its median, 200, cannot be: got 200.0; give advancing contact angle in degrees",
        ),
        (
            f'{ANGLE} = {{ law = "normal", mean = -20, sd = 6 }}',
            "its median, -20, cannot be: got -20.0; give advancing contact angle in degrees",
        ),
        (  # more tubes than block, 100 um apart
            f'{RADIUS} = {{ law = "lognormal", median = 15, log_sd = 0.3 }}',
            "lies above 37.91, which cannot be: solid.lattice.spacing_um: the tubes would take "
            "247 % of the block, and at most 95 % can be; give greatest, or make the spacing",
        ),
        (
            '"liquids.spiced broth.particles.volume_fraction" = '
            '{ law = "uniform", least = 0, greatest = 0.7 }',
            "lies above 0.6993, which cannot be: got 0.6993; give greatest: share of the liquid's",
        ),
    ],
)
def test_values_that_cannot_be(line, said):
    (fault,) = checked_faults(line)
    assert said in fault


def test_a_law_that_is_cut_as_told_passes():
    cut = f'{RADIUS} = {{ law = "normal", mean = 8, sd = 3, least = 1 }}'
    assert set(checked_priors(believing(cut))) == {"solid.tubes.median_radius_um"}


def test_both_ends_are_told():
    low, high = checked_faults(f'{WAIST} = {{ law = "normal", mean = 0.7, sd = 0.3 }}')
    assert "lies below -0.2271" in low and "lies above 1.627" in high


def test_a_quantity_has_one_law():
    law = '= { law = "normal", mean = 48, sd = 3 }'
    for keys in (
        ("liquids.*.contact_angle_deg", "liquids.clear broth.contact_angle_deg"),
        ("liquids.1.contact_angle_deg", "liquids.clear broth.contact_angle_deg"),
    ):
        (fault,) = checked_faults(*(f'"{key}" {law}' for key in keys))
        assert f"line {HEAD + 2}: priors.{keys[1]}: names liquids[1].contact_angle_deg, " in fault
        assert f"as '{keys[0]}' does; give each quantity one law" in fault


def test_a_law_replaces_a_standard_deviation():
    text = TWO_BROTHS.replace(
        "contact_angle_deg = 48", "contact_angle_deg = { value = 48, sd = 2 }"
    )
    law = f'{ANGLE} = {{ law = "uniform", least = 30, greatest = 60 }}'
    scenario = believing(law, text=text)
    assert scenario.sds == {("liquids", 0, "contact_angle_deg"): 2.0}
    assert checked_priors(scenario) == {"liquids.clear broth.contact_angle_deg": Uniform(30, 60)}


@pytest.mark.parametrize(
    ("key", "said"),
    [(RADIUS, "lies below -1.271"), ('"solid.tube.waist"', "did you mean tubes?")],
)
def test_check_tells_it_and_ends_with_2(tmp_path, capsys, key, said):
    file = tmp_path / "rusk.toml"
    file.write_text(f'{TWO_BROTHS}[priors]\n{key} = {{ law = "normal", mean = 8, sd = 3 }}\n')
    assert main(["check", str(file)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    (line,) = told.err.strip().splitlines()
    assert line.startswith(f"{file}, line {HEAD + 1}: priors.") and said in line
