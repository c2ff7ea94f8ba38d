"""Keys as one says them, and scenarios with other values for them."""

from __future__ import annotations

import pytest
from small import TWO_BROTHS

from poresim.scenario.faults import ScenarioError
from poresim.scenario.reading import load_scenario, parse_scenario
from poresim.scenario.varied import KeyFault, Variations

LAYERS = TWO_BROTHS.replace(
    'tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.3, waist = 0.7 }',
    "layers = [\n"
    '  { name = "crust", thickness_mm = 0.1, tubes = { law = "fixed", radius_um = 5 } },\n'
    '  { tubes = { law = "fixed", radius_um = 15 } },\n]',
)


@pytest.fixture
def variations() -> Variations:
    return Variations(parse_scenario(TWO_BROTHS))


@pytest.mark.parametrize(
    ("key", "place"),
    [
        ("solid.tubes.median_radius_um", ("solid", "tubes", "median_radius_um")),
        ("liquids.clear broth.viscosity.mPa_s", ("liquids", 0, "viscosity", "mPa_s")),
        ("liquids.2.particles.leak", ("liquids", 1, "particles", "leak")),
        ("liquids.spiced broth.contact_angle_deg", ("liquids", 1, "contact_angle_deg")),
        ("run.accuracy", ("run", "accuracy")),
    ],
)
def test_keys_lead_to_places(variations, key, place):
    assert variations.places(key) == [place]


def test_a_star_means_every_liquid(variations):
    places = variations.places("liquids.*.contact_angle_deg")
    assert places == [("liquids", 0, "contact_angle_deg"), ("liquids", 1, "contact_angle_deg")]


def test_a_star_passes_over_liquids_that_have_it_from_another(variations):
    assert variations.places("liquids.*.viscosity.mPa_s") == [("liquids", 0, "viscosity", "mPa_s")]
    with pytest.raises(KeyFault, match="no table 'viscositi'"):
        variations.places("liquids.*.viscositi.mPa_s")


def test_a_name_with_dots_is_found():
    text = TWO_BROTHS.replace('name = "clear broth"', 'name = "broth no. 1.5"')
    found = Variations(parse_scenario(text.replace('"clear broth"', '"broth no. 1.5"')))
    place = ("liquids", 0, "viscosity", "mPa_s")
    assert found.places("liquids.broth no. 1.5.viscosity.mPa_s") == [place]


def test_a_layer_by_its_name_or_number():
    found = Variations(parse_scenario(LAYERS))
    assert found.places("solid.layers.crust.tubes.radius_um") == found.places(
        "solid.layers.1.tubes.radius_um"
    )
    scenario = found.scenario({"solid.layers.crust.tubes.radius_um": 3.0})
    assert float(scenario.solid.layers[0].radii.quantile(0.5)) == pytest.approx(3e-6)


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("tubes.waist", "begin with one of solid, liquids"),
        ("solid", "begin with one of"),
        ("softening.wall_s", r"there is no \[softening\]"),
        ("liquids.red wine.density_kg_m3", "there are clear broth, spiced broth, or *"),
        ("liquids.3.density_kg_m3", "there are clear broth"),
        ("solid.tube.waist", "did you mean tubes"),
        ("measured.1.liquid", "begin with one of"),
    ],
)
def test_keys_that_lead_nowhere(variations, key, said):
    with pytest.raises(KeyFault, match=said):
        variations.places(key)


def test_values_reach_what_is_based_on_them(variations):
    scenario = variations.scenario({"liquids.clear broth.contact_angle_deg": 30})
    assert [one.contact_angle_deg for one in scenario.liquids] == [30, 30]
    assert variations.given("liquids.clear broth.contact_angle_deg") == 48
    assert variations.given("liquids.spiced broth.contact_angle_deg") is None


def test_a_value_that_cannot_be_is_named_with_its_key_and_line(tmp_path):
    path = tmp_path / "rusk.toml"
    path.write_text(TWO_BROTHS)
    with pytest.raises(ScenarioError) as caught:
        Variations(load_scenario(path)).scenario({"solid.tubes.waist": 1.5})
    (fault,) = caught.value.faults
    assert fault.line == 7
    assert "with solid.tubes.waist = 1.5: got 1.5" in str(fault)


def test_faults_of_values_are_listed_as_they_are(variations):
    (fault,) = variations.faults({"solid.tubes.waist": 1.5})
    assert fault.key == "solid.tubes.waist" and fault.wrong == "got 1.5"
    assert variations.faults({"solid.tubes.waist": 0.5}) == []


def test_a_misspelt_key_of_a_table_is_named(variations):
    with pytest.raises(ScenarioError, match="did you mean median_radius_um"):
        variations.scenario({"solid.tubes.median_radus_um": 10})


def test_a_value_with_its_sd_gives_way_to_the_value():
    text = TWO_BROTHS.replace(
        "contact_angle_deg = 48", "contact_angle_deg = { value = 48, sd = 2 }"
    )
    scenario = parse_scenario(text)
    path = ("liquids", 0, "contact_angle_deg")
    assert scenario.sds == {path: 2.0}
    found = Variations(scenario)
    assert found.value(path) == 48
    assert found.scenario({path: 40.0}).liquids[1].contact_angle_deg == 40


def test_a_table_of_sizes_can_be_scaled(tmp_path):
    (tmp_path / "radii.csv").write_text("radius_um,count\n5,1\n15,2\n")
    text = TWO_BROTHS.replace(
        'law = "lognormal", median_radius_um = 15, log_sd = 0.3',
        'law = "table", file = "radii.csv"',
    )
    path = tmp_path / "rusk.toml"
    path.write_text(text)
    scenario = Variations(load_scenario(path)).scenario({"solid.tubes.scale": 1.2})
    assert float(scenario.solid.radii.quantile(0.9)) == pytest.approx(18e-6)
