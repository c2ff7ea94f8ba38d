"""Usual laws of what a scenario states: which keys have one, about which value, cut where.

Medians and quantiles are held against closed forms: exp(+-sd z) about the value stated.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from small import TWO_BROTHS

from poresim.inference.laws import Law, Lognormal, Normal, Uniform
from poresim.scenario.believable import checked_priors
from poresim.scenario.reading import load_scenario, parse_scenario
from poresim.scenario.starter import starter
from poresim.scenario.usual import USUAL, usual_priors
from poresim.scenario.varied import Variations

WHY = Path(__file__).parents[1] / "scenarios" / "why_so_little.toml"
ANGLE = "contact_angle_deg = 48"
THIN = 'viscosity = { law = "newtonian", mPa_s = 1.2 }'
WET = "liquids.clear broth.contact_angle_deg"
Z = 3.0902  # of a share of 0.999


def usual(*changes: tuple[str, str]) -> dict[str, Law]:
    text = TWO_BROTHS
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    scenario = parse_scenario(text)
    laws = usual_priors(scenario)
    assert checked_priors(scenario, laws) == laws
    return laws


def median(law: Law) -> float:
    return float(law.quantile(0.5))


def test_what_is_stated_has_a_law_where_it_stands():
    """The spiced broth takes all but its grains over from the clear one: no laws of its own."""
    assert list(usual()) == [
        "solid.tubes.median_radius_um",
        "solid.tubes.log_sd",
        "solid.tubes.waist",
        "liquids.clear broth.surface_tension_mN_m",
        "liquids.clear broth.contact_angle_deg",
        "liquids.clear broth.viscosity.mPa_s",
        "liquids.spiced broth.particles.volume_fraction",
        "liquids.spiced broth.particles.median_diameter_um",
    ]


def test_laws_are_about_what_is_stated():
    laws = usual()
    assert laws[WET] == Normal(48, 8, 0, 89.9)
    assert laws["liquids.clear broth.surface_tension_mN_m"] == Lognormal(52, 0.05)
    assert laws["liquids.clear broth.viscosity.mPa_s"] == Lognormal(1.2, 0.1)
    grains = laws["liquids.spiced broth.particles.volume_fraction"]
    assert grains == Lognormal(0.05, 0.2, greatest=0.95 * 0.64)
    assert laws["liquids.spiced broth.particles.median_diameter_um"] == Lognormal(12, 0.2)
    assert isinstance(laws["solid.tubes.waist"], Uniform)  # 0.7 is 0.3 below the highest
    assert laws["solid.tubes.waist"].quantile([0, 1]) == pytest.approx([0.4, 1.0])


@pytest.mark.parametrize("text", [starter("rusk"), WHY.read_text()], ids=["starter", "why"])
def test_medians_are_the_values_stated_and_every_law_can_be(text):
    scenario = parse_scenario(text)
    variations = Variations(scenario)
    laws = usual_priors(scenario)
    assert len(laws) >= 8
    assert checked_priors(scenario, laws) == laws
    for key, law in laws.items():
        assert median(law) == pytest.approx(variations.given(key), rel=1e-4), key


def test_every_scenario_that_comes_along_can_be_varied_so():
    for file in sorted(WHY.parent.glob("*.toml")):
        scenario = load_scenario(file)
        laws = usual_priors(scenario)
        assert laws
        assert checked_priors(scenario, laws) == laws


def test_a_liquid_that_states_its_own_has_its_own():
    laws = usual(('based_on = "clear broth"', 'based_on = "clear broth"\ncontact_angle_deg = 70'))
    assert laws[WET] == Normal(48, 8, 0, 89.9)
    assert laws["liquids.spiced broth.contact_angle_deg"] == Normal(70, 8, 0, 89.9)


def test_what_has_its_own_sd_has_no_other_law():
    plain = usual()
    laws = usual(
        (ANGLE, "contact_angle_deg = { value = 48, sd = 1.5 }"),
        ("median_radius_um = 15", "median_radius_um = { value = 15, sd = 2 }"),
    )
    assert set(plain) - set(laws) == {WET, "solid.tubes.median_radius_um"}
    assert all(laws[key] == plain[key] for key in laws)


@pytest.mark.parametrize(
    ("viscosity", "expected"),
    [
        (
            'law = "power_law", consistency_Pa_sn = 0.12, index = 0.5',
            {"consistency_Pa_sn": Lognormal(0.12, 0.25), "index": Normal(0.5, 0.05, 0.05, 1)},
        ),
        (
            'law = "power_law", consistency_Pa_sn = 0.12, index = 1.2',
            {"consistency_Pa_sn": Lognormal(0.12, 0.25), "index": Normal(1.2, 0.05, 1)},
        ),
        (
            'law = "bingham", yield_Pa = 0.02, plastic_mPa_s = 10',
            {"yield_Pa": Lognormal(0.02, 0.5), "plastic_mPa_s": Lognormal(10, 0.25)},
        ),
        (
            'law = "herschel_bulkley", yield_Pa = 0, consistency_Pa_sn = 0.12, index = 0.5',
            {"consistency_Pa_sn": Lognormal(0.12, 0.25), "index": Normal(0.5, 0.05, 0.05, 1)},
        ),
        (
            'law = "cross", zero_mPa_s = 500, infinite_mPa_s = 5, time_s = 6, exponent = 0.7',
            {
                "zero_mPa_s": Lognormal(500, 0.35, 50),
                "infinite_mPa_s": Lognormal(5, 0.25, 0, 50),
                "time_s": Lognormal(6, 0.35),
                "exponent": Normal(0.7, 0.05, 0.05),
            },
        ),
        (
            'law = "carreau", zero_mPa_s = 500, infinite_mPa_s = 0, time_s = 6, index = 0.5',
            {
                "zero_mPa_s": Lognormal(500, 0.35),
                "time_s": Lognormal(6, 0.35),
                "index": Normal(0.5, 0.05, 0.05, 1),
            },
        ),
    ],
)
def test_every_figure_of_a_flow_law(viscosity, expected):
    laws = usual((THIN, f"viscosity = {{ {viscosity} }}"))
    found = {
        key.rpartition(".")[2]: law for key, law in laws.items() if ".viscosity." in key
    }  # fmt: skip
    assert found == expected


def test_plateaus_never_cross_whatever_is_drawn():
    near = 'law = "cross", zero_mPa_s = 6, infinite_mPa_s = 5, time_s = 6, exponent = 0.7'
    laws = usual((THIN, f"viscosity = {{ {near} }}"))
    zero = laws["liquids.clear broth.viscosity.zero_mPa_s"]
    infinite = laws["liquids.clear broth.viscosity.infinite_mPa_s"]
    assert infinite.greatest == zero.least == pytest.approx(math.sqrt(30))


CLEAR, SPICED, TUBES = "liquids.clear broth.", "liquids.spiced broth.", "solid.tubes."
UNIFORM = '{ law = "uniform", least = 0.5, greatest = 0.9 }'
TENSION = "surface_tension_mN_m = "


@pytest.mark.parametrize(
    ("old", "new", "gone"),
    [
        (THIN, "viscosity = { water_C = 20 }", CLEAR + "viscosity.mPa_s"),
        (TENSION + "52", TENSION + "{ water_C = 20 }", CLEAR + "surface_tension_mN_m"),
        ("waist = 0.7", "waist = 1", TUBES + "waist"),
        ("waist = 0.7", f"waist = {UNIFORM}", TUBES + "waist"),
        ("log_sd = 0.3", "log_sd = 0", TUBES + "log_sd"),
        ("volume_fraction = 0.05", "volume_fraction = 0", SPICED + "particles.volume_fraction"),
    ],
)
def test_what_is_known_otherwise_or_nothing_has_none(old, new, gone):
    assert set(usual()) - set(usual((old, new))) == {gone}


def test_files_have_none(tmp_path):
    (tmp_path / "flow.csv").write_text("shear_rate_1_s,viscosity_mPa_s\n1,50\n10,30\n100,20\n")
    (tmp_path / "radii.csv").write_text("radius_um,count\n5,1\n15,2\n")
    text = TWO_BROTHS.replace(
        THIN, 'viscosity = { law = "measured", file = "flow.csv", infinite_mPa_s = 1 }'
    ).replace(
        'law = "lognormal", median_radius_um = 15, log_sd = 0.3',
        'law = "table", file = "radii.csv"',
    )
    path = tmp_path / "rusk.toml"
    path.write_text(text)
    laws = usual_priors(load_scenario(path))
    assert not any(".viscosity." in key or "radius" in key or "scale" in key for key in laws)


@pytest.mark.parametrize(
    ("tubes", "key", "law"),
    [
        ('law = "fixed", radius_um = 5', "radius_um", Lognormal(5, 0.35)),
        ('law = "gamma", scale_radius_um = 3, shape = 2', "scale_radius_um", Lognormal(3, 0.35)),
    ],
)
def test_other_laws_of_radii(tubes, key, law):
    laws = usual(('law = "lognormal", median_radius_um = 15, log_sd = 0.3', tubes))
    assert laws[f"solid.tubes.{key}"] == law
    assert "solid.tubes.log_sd" not in laws


def test_layers_by_name_or_number():
    laws = usual(
        (
            'tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.3, waist = 0.7 }',
            "layers = [\n"
            '  { name = "crust", thickness_mm = 0.1, tubes = { law = "fixed", radius_um = 5 } },\n'
            '  { tubes = { law = "fixed", radius_um = 15 } },\n]',
        )
    )
    assert [key for key in laws if key.startswith("solid")] == [
        "solid.layers.crust.tubes.radius_um",
        "solid.layers.2.tubes.radius_um",
    ]


def test_a_liquid_whose_name_means_another_goes_by_its_number():
    based = 'based_on = "clear broth"'
    star = usual(('"spiced broth"', '"*"'), (based, based + "\ncontact_angle_deg = 70"))
    assert median(star["liquids.2.contact_angle_deg"]) == pytest.approx(70, rel=1e-3)
    dotted = usual(('"clear broth"', '"no. 1.5"'), ('"clear broth"', '"no. 1.5"'))
    assert "liquids.no. 1.5.contact_angle_deg" in dotted


def test_an_angle_stays_above_the_receding_one_of_any_liquid():
    """The last value that can be is found to well within what a reading can tell."""
    own = usual((ANGLE, ANGLE + "\nreceding_angle_deg = 40"))
    based = 'based_on = "clear broth"'
    other = usual((based, based + "\nreceding_angle_deg = 40"))
    for laws in (own, other):
        assert laws[WET].least == pytest.approx(40, abs=1e-6)
        assert laws[WET].greatest == 89.9


@pytest.mark.parametrize(("stated", "greatest"), [(5, 89.9), (89.9, 89.9), (90, 180), (120, 180)])
def test_an_angle_stays_on_its_side_of_wetting(stated, greatest):
    law = usual((ANGLE, f"contact_angle_deg = {stated}"))[WET]
    assert (law.least, law.greatest) == (0, greatest)


def test_tubes_are_cut_where_the_lattice_ends_on_both_sides_alike():
    """1 / x goes as x, so that the median stays; x is the last factor that the block can be."""
    text = TWO_BROTHS.replace("median_radius_um = 15", "median_radius_um = 20")
    scenario = parse_scenario(text)
    law = usual_priors(scenario)["solid.tubes.median_radius_um"]
    assert law.greatest < 20 * math.exp(0.35 * Z)  # else nothing was cut
    assert law.greatest * law.least == pytest.approx(20**2)
    assert median(law) == pytest.approx(20)
    variations = Variations(scenario)
    key = "solid.tubes.median_radius_um"
    assert not variations.faults({key: law.greatest})
    assert variations.faults({key: law.greatest * (1 + 1e-9)})


def test_a_network_of_ones_own_has_no_tubes_to_vary(tmp_path):
    import numpy as np

    from poresim.solid.files import save_network
    from poresim.solid.network import Network

    points, ends = np.array([[0.0, 0, 0], [0, 0, 1e-4]]), np.array([[0, 1]])
    save_network(Network(points, ends, np.array([1e-5])), tmp_path / "own.h5")
    start, end = TWO_BROTHS.index("size_mm"), TWO_BROTHS.index("[[liquids]]")
    path = tmp_path / "rusk.toml"
    path.write_text(TWO_BROTHS[:start] + 'network = "own.h5"\n' + TWO_BROTHS[end:])
    laws = usual_priors(load_scenario(path))
    assert laws and all(key.startswith("liquids") for key in laws)


def test_the_table_names_each_kind_once_with_a_source():
    assert len({one.name for one in USUAL}) == len(USUAL)
    keys = [key for one in USUAL for key in one.keys]
    assert len(set(keys)) == len(keys)
    for one in USUAL:
        assert one.spread > 0 and len(one.source) > 10 and one.told.isprintable()
    assert USUAL[0].told == "normal, ± 8 degrees, 0 to 89.9 (to 180 from 90 up)"
    assert USUAL[1].told == "lognormal, within a factor 1.05"
    assert USUAL[-1].told == (
        "uniform, 0.5 to 1.5 times the value, within 0.01 and 1, as far to either side"
    )
