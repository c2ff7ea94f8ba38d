"""Every fault that a user can meet in a scenario file, and files that mean harm."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import poresim as ps
from poresim.scenario.faults import ScenarioError
from poresim.scenario.plan import plan
from poresim.scenario.reading import LARGEST_FILE, parse_scenario
from poresim.solid.files import save_network
from poresim.solid.network import Network

GOOD = """\
title = "A rusk in three broths"
seed = 11

[solid]
name = "twice-baked rusk"
size_mm = [2.0, 2.0, 3.0]
dry_density_kg_m3 = 420
lattice = { kind = "cubic", spacing_um = 100, neighbours = 5.2 }
tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.5, waist = 0.5 }

[[liquids]]
name = "clear broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48
viscosity = { law = "newtonian", mPa_s = 1.2 }

[[liquids]]
name = "gum broth"
based_on = "clear broth"
viscosity = { law = "herschel_bulkley", yield_Pa = 0.02, consistency_Pa_sn = 0.12, index = 0.5 }

[[liquids]]
name = "spiced broth"
based_on = "clear broth"
[liquids.particles]
volume_fraction = 0.015
law = "lognormal"
median_diameter_um = 12
log_sd = 0.5
density_kg_m3 = 1300

[exposure]
kind = "face"
faces = ["bottom"]

[run]
until_s = 30
accuracy = 0.01
repeats = 4
"""


def changed(*changes: tuple[str, str]) -> str:
    text = GOOD
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def faults_of(text: str, path: Path | None = None) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        parse_scenario(text, path or Path("rusk.toml"))
    lines = str(caught.value).split("\n")
    assert lines == [str(fault) for fault in caught.value.faults]
    assert all(line.isprintable() for line in lines)
    return lines


# ---- faults of single keys -----------------------------------------------------------------

# (what stands in the file, what is put there instead, "line: key: what the fault says")
FAULTS = [
    ("2.0, 2.0, 3.0", '"2", 2.0, 3.0', "6: solid.size_mm[1]: got '2', a text; give three lengths"),
    ("= 420", "= true", "7: solid.dry_density_kg_m3: got true, a true/false value"),
    ("seed = 11", "seed = 1.5", "2: seed: got 1.5; give a whole number"),
    (
        "repeats = 4",
        "repeats = 4.0",
        "40: run.repeats: got 4.0; give number of solids drawn, a whole",
    ),
    ('faces = ["bottom"]', 'faces = "bottom"', "35: exposure.faces: got 'bottom', a text"),
    ("viscosity = {", "viscosity = 3 #", "16: liquids[1].viscosity: got 3"),
    ('title = "A rusk in three broths"', "title = 3", "1: title: got 3; give a title in quotes"),
    ("= 420", "= 1979-05-27", "7: solid.dry_density_kg_m3: got 1979-05-27"),
    ("spacing_um = 100", "spacing_um = -100", "8: solid.lattice.spacing_um: got -100"),
    ("2.0, 2.0, 3.0", "2.0, 0, 3.0", "6: solid.size_mm[2]: ... each from 0.0001 to 1000"),
    ("waist = 0.5", "waist = 1.5", "9: solid.tubes.waist: ... from 0.01 up to 1"),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = 190",
        "15: liquids[1].contact_angle_deg: ... 180",
    ),
    ("mN_m = 52", "mN_m = 0.052", "14: liquids[1].surface_tension_mN_m: got 0.052; give surface"),
    ("mPa_s = 1.2", "mPa_s = 0.0012", "16: liquids[1].viscosity.mPa_s: ... from 0.05 up to"),
    ("= 0.015", "= 0.7", "27: liquids[3].particles.volume_fraction: ... from 0 up to 0.6"),
    ("= 0.015", "= nan", "27: liquids[3].particles.volume_fraction: got nan"),
    ("until_s = 30", "until_s = inf", "38: run.until_s: got inf; give time in s"),
    ("until_s = 30", "until_s = 0", "38: run.until_s: ... above 0"),
    ("accuracy = 0.01", "accuracy = 0.5", "39: run.accuracy: ... from 1e-06 up to 0.2"),
    ("repeats = 4", "repeats = 0", "40: run.repeats: ... from 1 up to"),
    (
        "until_s = 30",
        "until_s = 30\nuntil_saturation = 1.1",
        "39: run.until_saturation: ... up to 1",
    ),
    ("seed = 11", "seed = -1", "2: seed: ... from 0"),
    ("seed = 11", "seed = 1000000000000000000000000000000", "2: seed: got a number far too large"),
    ("= 420", "= 1e999", "7: solid.dry_density_kg_m3: got inf"),
    ("until_s = 30", "untils_s = 30", "38: run.untils_s: ... did you mean until_s?"),
    (
        "mPa_s = 1.2",
        "viscosity_Pa = 1.2",
        "16: liquids[1].viscosity.viscosity_Pa: ... did you mean mPa_s?",
    ),
    ("spacing_um", "spacing_mm", "8: solid.lattice.spacing_mm: ... did you mean spacing_um?"),
    ("seed = 11", "sead = 11", "2: sead: ... did you mean seed?"),
    ("[run]", "[ruin]", "37: ruin: ... did you mean run?"),
    (
        "= 420",
        "= 420\naccuracy = 0.1",
        "8: solid.accuracy: does not belong in [solid]; put it in [run]",
    ),
    (
        'kind = "cubic", ',
        'kind = "cubic", porosity = 0.5, ',
        "8: solid.lattice.porosity: ... put it in [solid]",
    ),
    ("until_s = 30", '"" = 30', "38: run.: is not a known key"),
    (
        "surface_tension_mN_m = 52\n",
        "",
        "11: liquids[1].surface_tension_mN_m: is missing; give surface",
    ),
    ("size_mm = [2.0, 2.0, 3.0]\n", "", "4: solid.size_mm: is missing; give three lengths"),
    ("median_radius_um = 15, ", "", "9: solid.tubes.median_radius_um: is missing"),
    (
        'law = "lognormal", ',
        "",
        "9: solid.tubes: names no law; add law = one of lognormal, weibull",
    ),
    ('kind = "cubic", ', "", "8: solid.lattice.kind: is missing; give the kind of lattice"),
    ('name = "gum broth"\n', "", "18: liquids[2].name: is missing; give a name"),
    ('faces = ["bottom"]', "", "33: exposure.faces: is missing; give the faces"),
    ("until_s = 30\n", "", "37: run: says no end; give until_s (in s), until_saturation"),
    ('"cubic"', '"cubik"', "8: solid.lattice.kind: got 'cubik', a text; did you mean cubic?"),
    (
        '"newtonian"',
        '"newton"',
        "16: liquids[1].viscosity: law: got 'newton', a text; did you mean newtonian?",
    ),
    ('"bottom"', '"bottom", "buttom"', "35: exposure.faces[2]: ... did you mean bottom?"),
    ('"face"', '"phase"', "34: exposure.kind: got 'phase', a text; one of face, dip, drop"),
    ('"face"', '"dipp"', "34: exposure.kind: got 'dipp', a text; did you mean dip? (one of face"),
    ('"face"', "3", "34: exposure.kind: got 3; give how the liquid is offered: 'face', 'dip' or"),
    ('kind = "face"\n', "", "33: exposure.kind: is missing; give how the liquid is offered"),
    ('"bottom"', "", "35: exposure.faces: has 0 members; give the faces"),
    ('"face"', '"face"\nair = "caught"', "35: exposure.air: got 'caught', a text; one of free, tr"),
    (
        '"face"',
        '"face"\ntilt_deg = 3',
        "35: exposure.tilt_deg: is not a key of the kind 'face'; it is one of dip; known keys here",
    ),
    (
        '"face"',
        '"face"\nvolume_uL = 3',
        "35: exposure.volume_uL: is not a key of the kind 'face'; it is one of drop; known keys",
    ),
    (
        "= 420",
        "= 420\ndepth_mm = 3",
        "8: solid.depth_mm: does not belong in [solid]; put it in [exposure]",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"cross", zero_mPa_s = 50, infinite_mPa_s = 60, time_s = 1, exponent = 0.7',
        "16: liquids[1].viscosity.infinite_mPa_s: got 60, above zero_mPa_s (50); swap the two",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"cross", zero_mPa_s = 50, infinite_mPa_s = 0, time_s = 1, exponent = 1',
        "16: liquids[1].viscosity: its stress hardly rises, or falls, with the rate (local index ",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"cross", zero_mPa_s = 5000, infinite_mPa_s = 1, time_s = 1, exponent = 1.5',
        "16: liquids[1].viscosity: ... is needed); raise infinite_mPa_s or thin it less",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"carreau", zero_mPa_s = 50, infinite_mPa_s = 1, time_s = 0, index = 0.5',
        "16: liquids[1].viscosity.time_s: got 0; give time constant",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"carreau", zero_mPa_s = 50, infinite_mPa_s = 1, time_s = 1, index = 1.2',
        "16: liquids[1].viscosity.index: got 1.2; give flow index at high rates",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"carreau", zero_mPa_s = 50, infinite_mPa_s = 1, time_s = 1, exponent = 0.5',
        "16: liquids[1].viscosity.exponent: is not a key of the law 'carreau'; it is one of cross",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"cross", zero_mPa_s = 50, time_s = 1, exponent = 0.5',
        "16: liquids[1].viscosity.infinite_mPa_s: is missing; give viscosity at high rates",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"measured", file = "none.csv"',
        "16: liquids[1].viscosity.file: ... cannot be read (No such file or directory)",
    ),
    (
        '"newtonian", mPa_s = 1.2',
        '"measured"',
        "16: liquids[1].viscosity.file: is missing; give the name of a CSV file with two of the",
    ),
    ("= 420", "= 420\nlayers = []", "8: solid.layers: has 0 members; give a list of layers, such"),
    ("= 420", "= 420\nlayers = 3", "8: solid.layers: got 3; give a list of layers"),
    ("= 420", "= 420\nlayers = [3]", "8: solid.layers[1]: got 3; give a list of layers"),
    ("= 420", "= 420\nlayers = [{}]", "8: solid.layers[1].tubes: is missing; give a table such"),
    (
        "= 420",
        '= 420\nlayers = [{ tubes = { law = "fixed", radius_um = 9 } }]',
        "10: solid.tubes: contradicts layers; each layer has its own tubes: leave this out",
    ),
    (
        "= 420",
        "= 420\nlayers = [{ thicknes_mm = 3 }]",
        "8: solid.layers[1].thicknes_mm: is not a known key; did you mean thickness_mm?",
    ),
    (
        "= 420",
        '= 420\nlayers = [{ thickness_mm = -1, tubes = { law = "fixd" } }]',
        "8: solid.layers[1].thickness_mm: got -1; give thickness in mm, from 0.0001 up to 1000",
    ),
    (
        "= 420",
        '= 420\nlayers = [{ thickness_mm = 1, tubes = { law = "fixd" } }]',
        "8: solid.layers[1].tubes: law: got 'fixd', a text; did you mean fixed?",
    ),
    (
        "= 420",
        '= 420\nlayers = [\n{ name = "a\\u0007", tubes = { law = "fixed", radius_um = 9 } }]',
        "9: solid.layers[1].name: holds characters that cannot be shown; use plain text",
    ),
    ("= 420", '= 420\nlayer_axis = "z"', "8: solid.layer_axis: is given without layers; leave it"),
    ("= 420", '= 420\nlayer_axis = "w"', "8: solid.layer_axis: got 'w', a text; one of x, y, z"),
    ("= 420", "= 420\ncorrelation_um = -3", "8: solid.correlation_um: got -3; give distance in um"),
    (
        "= 420",
        "= 420\ncorrelation_um = 20",
        "8: solid.correlation_um: the radii are correlated over 20 um, next to nothing beside the "
        "spacing of 100 um; make it 25 um or more, or leave it out",
    ),
    (
        "= 420",
        '= 420\nsides = "periodic"\ncorrelation_um = 600',
        "9: solid.correlation_um: ... too far for sides that repeat after 2000 um; make it 500 um",
    ),
    ("= 420", "= 420\nbody_ratio = -1", "8: solid.body_ratio: got -1; give radius of a junction's"),
    (
        "= 420",
        "= 420\nbody_ratio = 9",
        "9: solid.lattice.spacing_um: 100 % of the bodies would be wider than a tube is long",
    ),
    (
        "waist = 0.5",
        "waist = true",
        "9: solid.tubes.waist: got true, a true/false value; give narr",
    ),
    ("waist = 0.5", 'waist = "a"', "9: solid.tubes.waist: got 'a', a text; give narrowest radius"),
    ("waist = 0.5", "waist = [1]", "9: solid.tubes.waist: got an array of 1; give narrowest"),
    ("waist = 0.5", "waist = {}", "9: solid.tubes.waist: names no law; add law = one of fixed, un"),
    (
        "waist = 0.5",
        'waist = { law = "bta" }',
        "9: solid.tubes.waist: law: got 'bta', a text; did you mean beta? (one of fixed, uniform",
    ),
    (
        "waist = 0.5",
        'waist = { law = "number" }',
        "9: solid.tubes.waist: ... give narrowest radius",
    ),
    ("waist = 0.5", "waist = { law = [3] }", "9: solid.tubes.waist: law is an array of 1; one of"),
    (
        "waist = 0.5",
        'waist = { law = "uniform", least = 0.3 }',
        "9: solid.tubes.waist.greatest: is missing; give greatest waist, from 0.01 up to 1",
    ),
    (
        "waist = 0.5",
        'waist = { law = "uniform", least = 0.0, greatest = 1 }',
        "9: solid.tubes.waist.least: got 0.0; give least waist, from 0.01 up to 1",
    ),
    (
        "waist = 0.5",
        'waist = { law = "uniform", least = 0.5, greatest = 0.3 }',
        "9: solid.tubes.waist: least and greatest must lie above 0 and up to 1, in this order",
    ),
    (
        "waist = 0.5",
        'waist = { law = "lognormal", median = 9, log_sd = 0.1 }',
        "9: solid.tubes.waist: of a law with the median 9 next to nothing lies between 0.01 and 1",
    ),
    (
        "waist = 0.5",
        'waist = { law = "beta", a = 2, b = 2, median = 1 }',
        "9: solid.tubes.waist.median: is not a key of the law 'beta'; it is one of lognormal",
    ),
    (
        "= 0.015",
        "= 0.015\nbridging_ratio = 0.5",
        "28: liquids[3].particles.bridging_ratio: got 0.5; give throat over grain below which "
        "grains can arch (1: never), from 1 up to 10, such as 3",
    ),
    (
        "= 0.015",
        "= 0.015\nbridging_ratio = 8",
        "28: liquids[3].particles.bridging_ratio: got 8, above passing_ratio (7); grains that pass "
        "what is closed cannot arch: give less, or more for passing_ratio",
    ),
    (
        "= 0.015",
        "= 0.015\nbridging_ratio = 5\npassing_ratio = 4",
        "29: liquids[3].particles.passing_ratio: got 4, below bridging_ratio (5); grains that pass",
    ),
    (
        "= 0.015",
        "= 0.015\nbriding_ratio = 5",
        "28: liquids[3].particles.briding_ratio: ... did you mean bridging_ratio?",
    ),
    (
        "= 0.015",
        "= 0.015\npassing_ratio = inf",
        "28: liquids[3].particles.passing_ratio: got inf; give throat over grain",
    ),
    (
        "= 0.015",
        "= 0.015\ndeposition_per_m = -3",
        "28: liquids[3].particles.deposition_per_m: got -3; give share of the grains that sticks",
    ),
    (
        "= 0.015",
        "= 0.015\nbed_porosity = 40",
        "28: liquids[3].particles.bed_porosity: ... from 0.2 up to 0.8, such as 0.4",
    ),
    (
        "= 0.015",
        "= 0.015\nmax_fraction = 0.8",
        "28: liquids[3].particles.max_fraction: ... from 0.4 up to 0.75, such as 0.64",
    ),
    (
        "= 0.015",
        "= 0.5\nmax_fraction = 0.45",
        "28: liquids[3].particles.max_fraction: got 0.45, not above volume_fraction (0.5); grains "
        "jam there: give more, or a lower volume_fraction",
    ),
    (
        "= 0.015",
        '= 0.015\nintrinsic_viscosity = "2.5"',
        "28: liquids[3].particles.intrinsic_viscosity: got '2.5', a text; give how steeply grains",
    ),
    (
        '"face"',
        '"face"\ncup_mm = 0',
        "35: exposure.cup_mm: got 0; give depth of the liquid in the cup in mm, above 0",
    ),
    (
        '"face"',
        '"face"\ncup_mm = 20\nheld_mm = 25',
        "36: exposure.held_mm: got 25, below the floor of the cup (cup_mm = 20); give 0 (the "
        "surface) to 20",
    ),
    (
        '"face"',
        '"face"\nheld_mm = 25',
        "35: exposure.held_mm: is given without cup_mm; give the depth of the liquid, cup_mm, too",
    ),
    (
        '"face"',
        '"face"\nstirred = false',
        "35: exposure.stirred: is false without cup_mm; give the depth of the liquid, cup_mm, too",
    ),
    (
        '"face"',
        '"face"\nstirred = 1',
        "35: exposure.stirred: got 1; give true (no grain settles; so",
    ),
    ('"face"', '"face"\ncup_mL = -5', "35: exposure.cup_mL: got -5; give volume of the liquid"),
    ('"face"', '"face"\ncup_ml = 5', "35: exposure.cup_ml: ... did you mean cup_mL?"),
    (
        "= 420",
        "= 420\nheld_mm = 3",
        "8: solid.held_mm: does not belong in [solid]; put it in [exposure]",
    ),
    ("[run]", "[plan]\n[run]", "37: plan.tests: is missing; give a list of tests, [[plan.tests]]"),
    (
        "[run]",
        "[softening]\nwall_s = 20\nmidpoint = 0.3\nwidth = 0.05\n[run]",
        "37: softening.dry_strength_kPa: is missing; give bending strength",
    ),
    (
        "[run]",
        "[softening]\nwall_s = -20\ndry_strength_kPa = 200\nmidpoint = 0.3\nwidth = 0.05\n[run]",
        "38: softening.wall_s: got -20; give time in s",
    ),
    ("= 420", "= 420\nporosity = 0.4", "8: solid.porosity: contradicts solid.lattice.spacing_um"),
    ("spacing_um = 100, ", "", "8: solid.lattice: has no spacing_um, and [solid] has no porosity"),
    (
        "median_radius_um = 15",
        "median_radius_um = 60",
        "8: solid.lattice.spacing_um: 64 % of the tubes would be wider than long (spacing 100 um), "
        "and at most 20 % may be; make the spacing 187 um or more, or multiply the radii by "
        "0.546 or less",
    ),
    ("2.0, 2.0, 3.0", "900, 900, 900", "6: solid.size_mm: ... PB of memory, and"),
    ("2.0, 2.0, 3.0", "2.0, 2.0, 0.03", "6: solid.size_mm: the z edge of 0.03 mm is too short"),
    ("neighbours = 5.2", "neighbours = 7", "8: solid.lattice.neighbours: ... can have up to 6"),
    ("= 420", '= 420\nnetwork = "a.h5"', "6: solid.size_mm: contradicts network"),
    ('"bottom"', '"bottom", "bottom"', "35: exposure.faces[2]: ... named twice"),
    (
        "= 48",
        "= 48\nreceding_angle_deg = 60",
        "16: liquids[1].receding_angle_deg: ... is above the advancing",
    ),
    (
        "= 48",
        "= 48\ndynamic_angle = { log_length_ratio = 31 }",
        "16: liquids[1].dynamic_angle.log_length_ratio: ... from 0 up to 30, such as 10",
    ),
    (
        "= 48",
        "= 48\ndynamic_angle = { log_ratio = 10 }",
        "16: liquids[1].dynamic_angle.log_ratio: ... did you mean log_length_ratio?",
    ),
    (
        "= 48",
        "= 48\ndynamic_angle = 10",
        "16: liquids[1].dynamic_angle: got 10; give a table such as { log_length_ratio = 10 }",
    ),
    (
        "= 48",
        "= 48\ndynamic_angle = {}",
        "16: liquids[1].dynamic_angle.log_length_ratio: is missing",
    ),
    (
        "= 48",
        "= 48\ndynamic_angle = { log_length_ratio = 10 }",  # the gum takes it over
        "22: liquids[2].viscosity: an angle that depends on the speed needs one viscosity, and "
        "this is a herschel_bulkley liquid; give a newtonian viscosity, or dynamic_angle",
    ),
    (
        "consistency_Pa_sn = 0.12, index = 0.5 }",
        "consistency_Pa_sn = 0.12, index = 0.5 }\ndynamic_angle = { log_length_ratio = 10 }",
        "22: liquids[2].dynamic_angle: an angle that depends on the speed needs one viscosity",
    ),
    (
        'based_on = "clear broth"',
        'based_on = "claer broth"',
        "20: liquids[2].based_on: ... did you mean 'clear broth'?",
    ),
    (
        'name = "clear broth"',
        'name = "clear broth"\nbased_on = "gum broth"',
        "13: liquids[1].based_on: goes in a circle: clear broth -> gum broth -> clear broth",
    ),
    (
        '"clear broth"',
        '"clear broth"\nbased_on = "clear broth"',
        "13: liquids[1].based_on: ... circle",
    ),
    ('"spiced broth"', '"Gum  BROTH"', "24: liquids[3].name: ... is the name of liquid 2 already"),
    (
        '"spiced broth"',
        '"\\uFF27um broth"',
        "24: liquids[3].name: ... is the name of liquid 2 already",
    ),
    ('"spiced broth"', '"a\\u0000b"', "24: liquids[3].name: holds nothing that can be shown"),
    (
        '"lognormal", median_radius_um = 15, log_sd = 0.5',
        '"uniform", least_radius_um = 9, greatest_radius_um = 2',
        "9: solid.tubes.greatest_radius_um: got 2, below least_radius_um (9)",
    ),
    (
        '"lognormal", median_radius_um = 15, log_sd = 0.5',
        '"table", file = "none.csv"',
        "9: solid.tubes.file: ... cannot be read",
    ),
    (
        'law = "lognormal", median_radius_um = 15, log_sd = 0.5',
        'law = "table", file = ""',
        "9: solid.tubes.file: got '', a text; give the name of a CSV file",
    ),
    (
        'law = "lognormal", median_radius_um = 15, log_sd = 0.5',
        'law = "table", file = "a\\u0000b"',
        "9: solid.tubes.file: ... is no name of a file",
    ),
    (
        'law = "lognormal", median_radius_um = 15, log_sd = 0.5',
        'law = "fixed", radius_um = 15, log_sd = 0.5',
        "9: solid.tubes.log_sd: is not a key of the law 'fixed'; it is one of lognormal; known",
    ),
    (
        "mPa_s = 1.2",
        "mPa_s = 1.2, index = 0.5",
        "16: liquids[1].viscosity.index: ... it is one of power_law, herschel_bulkley, carreau",
    ),
    (
        "median_diameter_um",
        "median_radius_um",
        "29: liquids[3].particles.median_radius_um: ... did you mean median_diameter_um?",
    ),
    ('"clear broth"', '"' + "x" * 81 + '"', "12: liquids[1].name: ... up to 80 letters"),
    (
        "density_kg_m3 = 1005",
        "density_kg_m3 = { water_C = 120 }",
        "13: liquids[1].density_kg_m3.water_C: got 120; give temperature of the water in C, from 0 "
        "up to 100, such as 20",
    ),
    (
        "density_kg_m3 = 1005",
        "density_kg_m3 = { watr_C = 20 }",
        "13: liquids[1].density_kg_m3.watr_C: is not a known key; did you mean water_C?",
    ),
    (
        "density_kg_m3 = 1005",
        "density_kg_m3 = {}",
        "13: liquids[1].density_kg_m3: does not say what of; give a table such as { water_C = 20 }",
    ),
    (
        "surface_tension_mN_m = 52",
        "surface_tension_mN_m = { ethanol_percent = 20, temperature_C = 60 }",
        "14: liquids[1].surface_tension_mN_m.temperature_C: got 60; give temperature of the "
        "solution in C, from 20 up to 40",
    ),
    (
        "surface_tension_mN_m = 52",
        "surface_tension_mN_m = { ethanol_percent = 20 }",
        "14: liquids[1].surface_tension_mN_m.temperature_C: is missing; give temperature of the",
    ),
    (
        "surface_tension_mN_m = 52",
        "surface_tension_mN_m = { ethanol_percent = 20, temprature_C = 20 }",
        "14: liquids[1].surface_tension_mN_m.temprature_C: ... did you mean temperature_C?",
    ),
    (
        'viscosity = { law = "newtonian", mPa_s = 1.2 }',
        "viscosity = { sucrose_percent = 70, temperature_C = 20 }",
        "16: liquids[1].viscosity.sucrose_percent: got 70; give sucrose in mass %, from 0 up to 65",
    ),
    (
        'viscosity = { law = "newtonian", mPa_s = 1.2 }',
        "viscosity = { sucros_percent = 30, temperature_C = 20 }",
        "16: liquids[1].viscosity.sucros_percent: ... did you mean sucrose_percent?",
    ),
    (
        'viscosity = { law = "newtonian", mPa_s = 1.2 }',
        "viscosity = { temperature_C = 20 }",
        "16: liquids[1].viscosity: does not say what of; give a table such as",
    ),
    (
        'viscosity = { law = "newtonian", mPa_s = 1.2 }',
        'viscosity = { sucrose_percent = "30", temperature_C = 20 }',
        "16: liquids[1].viscosity.sucrose_percent: got '30', a text; give sucrose in mass %",
    ),
    (
        "contact_angle_deg = 48",
        'contact_angle_deg = 48\nmade_of = "water"',
        "16: liquids[1].made_of: got 'water', a text; give a table such as { water_C = 20 }",
    ),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = 48\nmade_of = { water_C = 20, sucrose_percent = 3 }",
        "16: liquids[1].made_of: names water_C and sucrose_percent; one of them is enough",
    ),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = 48\nmade_of = { water_C = 20, temperature_C = 30 }",
        "16: liquids[1].made_of.temperature_C: ... known keys here: water_C",
    ),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = 48\nmade_of = { milk_C = 20 }",
        "16: liquids[1].made_of: does not say what of; give a table such as { water_C = 20 }",
    ),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = { water_C = 20 }",
        "15: liquids[1].contact_angle_deg: got a table; give advancing contact angle",
    ),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = 48\nmadeof = { water_C = 20 }",
        "16: liquids[1].madeof: is not a known key; did you mean made_of?",
    ),
    (
        "contact_angle_deg = 48",
        "contact_angle_deg = 48\nwater_C = 20",
        "16: liquids[1].water_C: is not a known key; did you mean made_of?",
    ),
    (
        "density_kg_m3 = 1005\n",
        "",
        "11: liquids[1].density_kg_m3: is missing; give density in kg/m3, from 100 up to 25000, "
        "such as 1005, or made_of = { water_C = 20 }",
    ),
    (
        "neighbours = 5.2",
        "neighbours = 1e-6",
        "8: solid.lattice.neighbours: got 1e-06, which leaves no tube; ask for more",
    ),
    (
        '"cubic", spacing_um = 100, neighbours = 5.2',
        '"scattered", spacing_um = 900, neighbours = 14',
        "8: solid.lattice.neighbours: got 14, but scattered junctions in a block of this size have "
        "about 13.3, and thinning only takes tubes out; ask for fewer, or make the block larger",
    ),
    (
        '"cubic", spacing_um = 100, neighbours = 5.2',
        '"cubic", spacing_um = 0.01',
        "8: solid.lattice.spacing_um: ... wider than long",
    ),
]


# ---- dips and drops ------------------------------------------------------------------------

AT_A_FACE = 'kind = "face"\nfaces = ["bottom"]\n'
DIP = 'kind = "dip"\ndip_s = 5\n'
DROP = 'kind = "drop"\nvolume_uL = 0.1\n'
PERIODIC = ("= 420", '= 420\nsides = "periodic"')
SMALL = ("size_mm = [2.0, 2.0, 3.0]", "size_mm = [0.5, 0.5, 0.8]")  # few enough for trapped air
TRAPPED = AT_A_FACE + 'air = "trapped"\n'

# (the keys of the exposure, other changes, "line: key: the whole fault"): the only one
EXPOSURE_FAULTS = [
    (
        DIP,
        (),
        "33: exposure: says neither faces nor depth_mm; give faces (whole faces touch) or depth_mm",
    ),
    (
        DIP + 'faces = ["bottom"]\ndepth_mm = 1\n',
        (),
        "37: exposure.depth_mm: contradicts faces; give faces (whole faces touch) or depth_mm (up "
        "to where it is lowered)",
    ),
    (
        DIP + 'faces = ["bottom"]\ntilt_deg = 20\n',
        (),
        "37: exposure.tilt_deg: is given with faces; it goes with depth_mm",
    ),
    (
        DIP + 'faces = ["bottom", "bottom"]\n',
        (),
        "36: exposure.faces[2]: 'bottom' is named twice; name each face once",
    ),
    (
        DIP + 'faces = ["left"]\n',
        (PERIODIC,),
        "37: exposure.faces[1]: 'left': the sides are periodic; this solid has bottom, top",
    ),
    (
        DIP + "depth_mm = 1\ntilt_deg = 20\n",
        (PERIODIC,),
        "38: exposure.tilt_deg: got 20, but the sides are periodic; liquid would run downhill "
        "without end: leave it out, or use open or sealed sides",
    ),
    (
        DIP + "depth_mm = 1\nrest_s = 3\n",
        (),
        "37: exposure.rest_s: is given, but there is one dip; give dips, or leave it out",
    ),
    (
        DIP + "depth_mm = 1\ngravity = false\n",
        (),
        "37: exposure.gravity: is false, but a depth is given; a surface is level: true",
    ),
    (
        DIP + "depth_mm = 1\n",
        (("until_s = 30", "until_s = 5"),),
        "39: run.until_s: got 5, but it is lifted out for the last time at 5 s; give more than 5, "
        'or use kind = "face" if it is not lifted out',
    ),
    (
        DIP + "depth_mm = 1\ndips = 2\nrest_s = 20\n",
        (),
        "41: run.until_s: got 30, but it is lifted out for the last time at 30 s; give more than "
        '30, or use kind = "face" if it is not lifted out',
    ),
    (
        DIP + "depth_mm = 1\ntilt_deg = 90.5\n",
        (),
        "37: exposure.tilt_deg: got 90.5; give how far it is tilted towards its left side in "
        "degrees, from 0 up to 90, such as 30",
    ),
    (
        DIP + "depth_mm = 0\n",
        (),
        "36: exposure.depth_mm: got 0; give how deep its lowest corner lies below the surface in "
        "mm, above 0 up to 10000, such as 10",
    ),
    (
        DIP + "depth_mm = 1\ndips = 2.0\n",
        (),
        "37: exposure.dips: got 2.0; give how often it is dipped, a whole number, from 1 up to "
        "100, such as 2",
    ),
    (
        DIP + "depth_mm = 1\nvolume_uL = 3\n",
        (),
        "37: exposure.volume_uL: is not a key of the kind 'dip'; it is one of drop; known keys "
        "here: kind, gravity, air, vents, cup_mm, held_mm, cup_mL, stirred, faces, depth_mm, "
        "tilt_deg, dip_s, lift_mm_s, dips, rest_s",
    ),
    (
        DIP + "depth = 1\n",
        (),
        "36: exposure.depth: is not a known key; did you mean depth_mm? (known keys here: kind, "
        "gravity, air, vents, cup_mm, held_mm, cup_mL, stirred, faces, depth_mm, tilt_deg, dip_s, "
        "lift_mm_s, dips, rest_s)",
    ),
    (
        DROP + 'faces = ["top"]\n',
        (),
        "36: exposure.faces: is not a key of the kind 'drop'; it is one of face, dip; known keys "
        "here: kind, gravity, air, vents, cup_mm, held_mm, cup_mL, stirred, volume_uL, drops, "
        "every_s, face",
    ),
    (
        DROP + "drops = 3\n",
        (),
        "33: exposure.every_s: is missing, and there are 3 drops; give the time from one drop to "
        "the next in s, such as 60",
    ),
    (
        DROP + "every_s = 60\n",
        (),
        "36: exposure.every_s: is given, but there is one drop; give drops, how many, or leave it "
        "out",
    ),
    (
        DROP + "drops = 101\nevery_s = 1e-3\n",
        (),
        "36: exposure.drops: got 101; give how many drops, a whole number, from 1 up to 100, such "
        "as 3",
    ),
    (DROP + 'face = "bottom"\n', (), "36: exposure.face: got 'bottom', a text; use 'top'"),
    (
        DROP + "held_mm = 1\n",
        (),
        "36: exposure.held_mm: is given with a drop; a drop has no cup: leave it out",
    ),
    (
        DROP + "stirred = false\n",
        (),
        "36: exposure.stirred: is given with a drop; a drop has no cup: leave it out",
    ),
    (
        DROP + "cup_mm = 1\n",
        (),
        "36: exposure.cup_mm: is given with a drop; a drop has no cup: leave it out",
    ),
    (
        DROP + "cup_mL = 1\n",
        (),
        "36: exposure.cup_mL: is given with a drop; a drop has no cup: leave it out",
    ),
    (
        DROP,
        (("contact_angle_deg = 48", "contact_angle_deg = 0"),),
        "15: liquids[1].contact_angle_deg: got 0: a drop of it has no shape; give more than 0, "
        "less than 180",
    ),
    (
        DROP,
        (('based_on = "clear broth"', 'based_on = "clear broth"\ncontact_angle_deg = 180'),),
        "21: liquids[2].contact_angle_deg: got 180: a drop of it has no shape; give more than 0, "
        "less than 180",
    ),
    (  # a half sphere of 2 mm: 2/3 pi mm3 = 2.09 uL fill the top exactly
        'kind = "drop"\nvolume_uL = 2.1\n',
        (("contact_angle_deg = 48", "contact_angle_deg = 90"),),
        "35: exposure.volume_uL: a drop of 2.1 uL of clear broth at 90 degrees is 2 mm wide, and "
        "the block's top 2 mm; give 2 or less, or make the block wider",
    ),
    (  # the widest of three is told: V = pi a^3 (2 + cos)(1 - cos)^2 / (3 sin^3), a = 1.357 mm
        'kind = "drop"\nvolume_uL = 0.7\n',
        (('based_on = "clear broth"', 'based_on = "clear broth"\ncontact_angle_deg = 20'),),
        "36: exposure.volume_uL: a drop of 0.7 uL of gum broth at 20 degrees is 2.71 mm wide, and "
        "the block's top 2 mm; give 0.27 or less, or make the block wider",
    ),
    (
        AT_A_FACE + 'vents = ["top"]\n',
        (),
        "36: exposure.vents: is given, but the air is free; free air leaves everywhere: give "
        'air = "trapped" too, or leave it out',
    ),
    (
        AT_A_FACE + "vents = []\n",  # sealed: not what free air does
        (),
        "36: exposure.vents: is given, but the air is free; free air leaves everywhere: give "
        'air = "trapped" too, or leave it out',
    ),
    (
        TRAPPED + 'vents = ["top", "left", "top"]\n',
        (SMALL,),
        "37: exposure.vents[3]: 'top' is named twice; name each face once",
    ),
    (
        TRAPPED + 'vents = ["top", "left"]\n',
        (SMALL, PERIODIC),
        "38: exposure.vents[2]: 'left': the sides are periodic; this solid has bottom, top",
    ),
    (
        TRAPPED + 'vents = ["topp"]\n',
        (SMALL,),
        "37: exposure.vents[1]: got 'topp', a text; did you mean top? (one of bottom, top, left, "
        "right, front, back)",
    ),
    (
        TRAPPED + 'vents = "top"\n',
        (SMALL,),
        "37: exposure.vents: got 'top', a text; give the faces by which air gets out, from bottom, "
        "top, left, right, front, back (all of a block when left out, none when empty)",
    ),
]


def test_drops_that_come_too_late_and_those_with_grains_are_told():
    grains = (
        "rusk.toml, line 26: liquids[3].particles: are given, but there are 3 drops; set down one "
        "drop, or leave them out: grains are followed in the first drop only"
    )
    late = (
        "rusk.toml, line 37: exposure.every_s: got 15: drop 3 comes at 30 s, and the run ends at "
        "30 s; let the drops come sooner, or the run last longer"
    )
    assert faults_of(changed((AT_A_FACE, DROP + "drops = 3\nevery_s = 5\n"))) == [grains]
    assert faults_of(changed((AT_A_FACE, DROP + "drops = 3\nevery_s = 15\n"))) == [grains, late]


@pytest.mark.parametrize(("keys", "others", "expected"), EXPOSURE_FAULTS)
def test_fault_of_a_dip_or_a_drop(keys, others, expected):
    """One fault, one line, nothing beside it."""
    found = faults_of(changed((AT_A_FACE, keys), *others))
    assert found == [f"rusk.toml, line {expected}"]


@pytest.mark.parametrize(
    "keys", [DIP + "depth_mm = 1\ntilt_deg = 20\n", DIP + 'faces = ["bottom"]\n', DROP]
)
def test_what_the_faults_of_dips_and_drops_start_from_is_without_fault(keys):
    """So that what is found above is due to what was changed."""
    parse_scenario(changed((AT_A_FACE, keys)))
    parse_scenario(changed((AT_A_FACE, keys.replace("tilt_deg = 20\n", "")), PERIODIC))


@pytest.mark.parametrize(
    ("vents", "others"),
    [
        ("", (PERIODIC,)), ("vents = []\n", (PERIODIC,)), ('vents = ["top"]\n', (PERIODIC,)),
        ('vents = ["bottom", "top", "left", "right", "front", "back"]\n', ()),
    ],
)  # fmt: skip
def test_vents_that_a_solid_has_are_without_fault(vents, others):
    parse_scenario(changed((AT_A_FACE, TRAPPED + vents), SMALL, *others))


def test_a_drop_as_wide_as_is_said_fits():
    """What a fault says to give is taken."""
    near = (("contact_angle_deg = 48", "contact_angle_deg = 90"),)
    parse_scenario(changed((AT_A_FACE, 'kind = "drop"\nvolume_uL = 2.09\n'), *near))


def test_a_drop_of_the_liquid_that_is_at_fault_is_told():
    """Its own number, also when another one could not be read; without liquids, nothing."""
    wrong = (
        ("mPa_s = 1.2 }", "mPa_s = 1.2, note = 1 }"),
        ('"spiced broth"\nbased_on = "clear broth"', '"spiced broth"\ncontact_angle_deg = 180'),
        (
            "[liquids.particles]\n",
            "density_kg_m3 = 1005\nsurface_tension_mN_m = 50\n"
            'viscosity = { law = "newtonian", mPa_s = 1 }\n[liquids.particles]\n',
        ),
    )
    found = faults_of(changed((AT_A_FACE, DROP), *wrong))
    assert [line.split(": ")[1] for line in found] == [
        "liquids[1].viscosity.note",
        "liquids[3].contact_angle_deg",
    ]
    start, end = GOOD.index("[[liquids]]"), GOOD.index("[exposure]")
    for none in ("", "liquids = 3\n", "liquids = [3]\n", "[[liquids]]\nname = [1]\n"):
        text = changed((AT_A_FACE, DROP)).replace(GOOD[start:end], "")
        text = none + text if none.startswith("liquids") else text + none
        assert "exposure" not in "".join(faults_of(text))


def test_an_exposure_of_no_known_kind_is_one_fault():
    """What its keys mean is not known either; a key that no kind has is told."""
    for kind in ("dipp", "drip"):
        wrong = f'kind = "{kind}"\ndepth_mm = 1\ndip_s = 5\n'
        assert len(faults_of(changed((AT_A_FACE, wrong)))) == 1
    found = faults_of(changed((AT_A_FACE, 'kind = "dipp"\ngravity = 1\ncolour = 3\n')))
    assert [line.split(": ")[1] for line in found] == [
        "exposure.kind", "exposure.gravity", "exposure.colour",
    ]  # fmt: skip


def test_dips_and_drops_of_a_network_file(tmp_path):
    """It has no size: no depth, and no top that a drop could sit on."""
    network = Network(
        np.array([[0.0, 0, 0], [0, 0, 1e-3]]),
        np.array([[0, 1]]),
        np.array([1e-5]),
        faces={"bottom": np.array([0])},
    )
    save_network(network, tmp_path / "net.h5")
    block = GOOD[GOOD.index("size_mm") : GOOD.index("[[liquids]]")]

    def found(keys: str) -> list[str]:
        text = changed((block, 'network = "net.h5"\n'), (AT_A_FACE, keys))
        path = tmp_path / "rusk.toml"
        return [line.removeprefix(f"{path}, line ") for line in faults_of(text, path)]

    assert found(DIP + "depth_mm = 1\n") == [
        "32: exposure.depth_mm: is given with a network file; it is for blocks: give faces"
    ]
    assert found(DROP) == ["30: exposure.kind: is a drop on a network file; a drop sits on a block"]
    assert found(TRAPPED + 'vents = ["top"]\n') == [
        "33: exposure.vents[1]: 'top': the network file has no junctions there; this solid has "
        "bottom"
    ]
    for keys in (DIP + 'faces = ["bottom"]\n', TRAPPED + 'vents = ["bottom"]\n'):
        text = changed((block, 'network = "net.h5"\n'), (AT_A_FACE, keys))
        parse_scenario(text, tmp_path / "rusk.toml")


@pytest.mark.parametrize(("old", "new", "expected"), FAULTS, ids=[f[2][:40] for f in FAULTS])
def test_fault(old, new, expected):
    line, key, said = expected.split(": ", 2)
    start = f"rusk.toml, line {line}: {key}: "
    found = faults_of(changed((old, new)))
    mine = [fault.removeprefix(start) for fault in found if fault.startswith(start)]
    assert mine, f"no fault of {key} in line {line}:\n" + "\n".join(found)
    assert said.removeprefix("... ") in mine[0]
    assert said.startswith("... ") or mine[0].startswith(said)


def test_every_fault_is_reported_at_once_in_the_order_of_the_file():
    text = changed(
        ("seed = 11", "seed = 1.5"),
        ("spacing_um = 100", "spacing_um = -100"),
        ("mN_m = 52", "mN_m = nan"),
        ("mPa_s = 1.2", "mPas = 1.2"),
        ('"bottom"', '"floor"'),
        ("accuracy = 0.01", "acuracy = 0.01"),
        ("[exposure]", "[extra]\n[exposure]"),
    )
    found = faults_of(text)
    keys = ["seed", "spacing_um", "surface_tension", "mPas", "extra", "faces", "acuracy"]
    assert len(found) == len(keys)
    for line, key in zip(found, keys, strict=True):
        assert key in line
    lines = [int(line.split("line ")[1].split(":")[0]) for line in found]
    assert lines == sorted(lines)


def test_a_misspelt_key_is_one_fault():
    """That the key it stands for is missing is not told beside it; what else is missing is."""
    found = faults_of(changed(("contact_angle_deg = 48", "contact_angel_deg = 48")))
    assert len(found) == 1
    assert "contact_angel_deg: is not a known key; did you mean contact_angle_deg?" in found[0]
    found = faults_of(changed(("= 48\n", "= 48\nnote = 1\n"), ("surface_tension_mN_m = 52\n", "")))
    assert ["surface_tension_mN_m: is missing" in line for line in found] == [True, False]


def test_a_fault_that_is_taken_over_is_reported_once_where_it_stands():
    found = faults_of(changed(("contact_angle_deg = 48", "contact_angle_deg = -1")))
    assert len(found) == 1
    assert "line 15: liquids[1].contact_angle_deg" in found[0]
    missing = faults_of(changed(("contact_angle_deg = 48\n", "")))
    assert len(missing) == 1
    assert "line 11: liquids[1].contact_angle_deg: is missing" in missing[0]


def test_a_wrong_composition_is_told_once_however_many_take_it_over():
    found = faults_of(changed(("density_kg_m3 = 1005", "made_of = { water_C = -3 }")))
    assert len(found) == 1
    assert "line 13: liquids[1].made_of.water_C: got -3" in found[0]
    both = faults_of(
        changed(
            ("density_kg_m3 = 1005", "made_of = { watr_C = 20 }"),
            ("contact_angle_deg = 48\n", ""),
        )
    )
    assert ["liquids[1].contact_angle_deg" in line for line in both] == [True, False]
    assert "liquids[1].made_of.watr_C" in both[1]


def test_an_empty_file_lacks_everything():
    found = faults_of("")
    assert [line.split(": ")[1] for line in found] == ["exposure", "liquids", "run", "solid"]
    assert all("is missing; add" in line for line in found)


@pytest.mark.parametrize(
    ("lattice", "sides", "face", "said"),
    [
        ("square", "open", "front", "a flat lattice lies in x-z; this solid has bottom, top, left"),
        ("cubic", "sealed", "left", "the sides are sealed; this solid has bottom, top"),
        ("cubic", "periodic", "right", "the sides are periodic"),
    ],
)
def test_faces_that_the_solid_does_not_have(lattice, sides, face, said):
    text = changed(
        ('"cubic"', f'"{lattice}"'),
        ("neighbours = 5.2", "neighbours = 3"),
        ("= 420", f'= 420\nsides = "{sides}"'),
        ('"bottom"', f'"{face}"'),
    )
    assert said in faults_of(text)[0]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (None, "cannot be read (No such file or directory)"),
        ("", "is empty; a header with radius_um or diameter_um is expected"),
        ("width\n3\n", "has no column radius_um or diameter_um, only width"),
        ("diameter_nm\n3\n", "has no column radius_um or diameter_um, only diameter_nm"),
        ("radius_um,diameter_um\n3,6\n", "has radius_um and diameter_um; keep one of them"),
        ("radius_um,count,weight\n3,6,1\n", "has weight and count; keep one of them"),
        ("radius_um,count\n3,-1\n", "line 2: count is '-1'; a number of at least 0 is expected"),
        ("radius_um,count\n3,0\n", "every count is 0"),
        ("diameter_um,intruded_mL_g\n9,0\n", "has 1 row; 2 to 20000 are expected"),
        (
            "diameter_um,intruded_mL_g\n9,0\n5,0.2\n\n3,0.1\n",
            "line 5: intruded_mL_g must not fall as diameter_um falls; it is cumulative, the",
        ),
        (
            "diameter_um,intruded_mL_g\n3,0.2\n5,0.3\n9,0\n",
            "line 3: intruded_mL_g must not fall as diameter_um falls",
        ),
        (
            "diameter_um,intruded_mL_g\n9,0\n5,0.2\n6,0.3\n",
            "line 4: diameter_um does not go on falling; sort the rows, each diameter_um once",
        ),
        (
            "diameter_um,intruded_mL_g\n3,0.4\n5,0.3\n5,0.2\n9,0\n",
            "line 4: diameter_um does not go on rising; sort the rows",
        ),
        ("diameter_um,intruded_mL_g\n9,0.1\n5,0.1\n", "nothing is intruded between the rows"),
        (
            "diameter_um,intruded_mL_g\n9,0.1\n5,\n",
            "line 3: intruded_mL_g is empty; a number of",
        ),
        ("diameter_um,intruded_mL_g\n9,0.1\n,0.2\n", "line 3: diameter_um is empty; a number"),
        (
            "diameter_um,intruded_mL_g,count\n9,0,1\n5,1,1\n",
            "has intruded_mL_g and count; keep",
        ),
        (
            "diameter_um,intruded_cm3_g\n9,0.1\n",
            "has a column 'intruded_cm3_g'; the unit here is intruded_mL_g",
        ),
        ("root:x:0:0:secret\n", "has no column radius_um"),
        ("radius_um\n", "has no rows"),
        ("radius_um\n3\nx\n", "radii.csv, line 3: radius_um is 'x'; a number above 0 is expected"),
        ("radius_um\n3\n-1\n", "line 3: radius_um is '-1'"),
        ("radius_um\nnan\n", "line 2: radius_um is 'nan'"),
        ("radius_um,weight\n3,1\n4\n", "line 3: weight is empty"),
        ("radius_um,weight\n3,0\n", "every weight is 0"),
        ("radius_um\n" + "3\n" * 20_001, "has too many rows"),
        ('# a, "b\n\nradius_um\n3\n# c\n-1\n', "radii.csv, line 6: radius_um is '-1'"),
        (b"radius_um\n\xff\n", "not UTF-8 text"),
    ],
)
def test_wrong_tables(tmp_path, rows, said):
    if rows is not None:
        path = tmp_path / "radii.csv"
        path.write_bytes(rows if isinstance(rows, bytes) else rows.encode())
    text = changed(
        ('law = "lognormal", median_radius_um = 15, log_sd = 0.5', 'law="table",file="radii.csv"')
    )
    found = faults_of(text, tmp_path / "rusk.toml")
    assert len(found) == 1
    assert said in found[0]
    assert "secret" not in found[0]  # what no table holds is not shown


def test_a_wrong_flow_curve_is_told_once_however_many_take_it_over(tmp_path):
    (tmp_path / "gum.csv").write_text("shear_rate_1_s,shear_stress_Pa\n1,3\n10,2\n100,5\n")
    text = changed(('law = "newtonian", mPa_s = 1.2', 'law = "measured", file = "gum.csv"'))
    found = faults_of(text, tmp_path / "rusk.toml")
    assert len(found) == 1
    assert "line 16: liquids[1].viscosity.file: " in found[0]
    assert "gum.csv, lines 2 and 3: the stress hardly rises, or falls" in found[0]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (
            "infinite_mPa_s = 5",
            "infinite_mPa_s: got 5 mPa s, and 5 was measured at 100 1/s; give less, or leave it",
        ),
        (
            "zero_mPa_s = 30",
            "zero_mPa_s: got 30 mPa s, and 40 was measured at 1 1/s; give more, or leave it out",
        ),
        (
            "infinite_mPa_s = 4.99",
            "infinite_mPa_s: got 4.99 mPa s, and at 100 1/s the curve is still steep; give less",
        ),
        ("infinite_mPa_s = 2, zero_mPa_s = 1", "infinite_mPa_s: got 2, above zero_mPa_s (1); swap"),
        ("infinite_mPa_s = -1", "infinite_mPa_s: got -1; give viscosity towards which it goes"),
        ("zero_mPa_s = 0", "zero_mPa_s: got 0; give viscosity towards which it goes below"),
        ("infinity_mPa_s = 1", "infinity_mPa_s: is not a known key; did you mean infinite_mPa_s?"),
    ],
)
def test_plateaus_that_a_measured_curve_cannot_have(tmp_path, keys, said):
    (tmp_path / "gum.csv").write_text("shear_rate_1_s,viscosity_mPa_s\n1,40\n10,16\n100,5\n")
    text = changed(
        ('law = "newtonian", mPa_s = 1.2', f'law = "measured", file = "gum.csv", {keys}')
    )
    found = faults_of(text, tmp_path / "rusk.toml")
    assert len(found) == 1
    assert f"line 16: liquids[1].viscosity.{said}" in found[0]


def test_a_curve_too_sharp_for_tables_is_a_fault_of_its_table(monkeypatch):
    from poresim.tube import curve_tables

    monkeypatch.setattr(curve_tables, "MOST_ERROR", 1e-30)
    curve_tables.curve_tables.cache_clear()
    text = changed(
        (
            '"newtonian", mPa_s = 1.2',
            '"cross", zero_mPa_s = 51, infinite_mPa_s = 1, time_s = 1, exponent = 0.7',
        )
    )
    found = faults_of(text)
    assert len(found) == 1
    assert "line 16: liquids[1].viscosity: the flow curve bends too sharply" in found[0]


def test_every_wrong_table_is_told_at_its_own_key(tmp_path):
    one, other = (f'{{ share = 1, law = "table", file = "{name}.csv" }}' for name in "ab")
    text = changed(
        (
            'law = "lognormal", median_radius_um = 15, log_sd = 0.5',
            f'law="mixture", parts=[{one}, {other}]',
        ),
        ('law = "lognormal"\nmedian_diameter_um = 12\nlog_sd = 0.5', 'law="table"\nfile="c.csv"'),
    )
    found = faults_of(text, tmp_path / "rusk.toml")
    keys = [line.split(": ")[1] for line in found]
    assert keys == [
        "solid.tubes.parts[1].file",
        "solid.tubes.parts[2].file",
        "liquids[3].particles.file",
    ]
    assert all("cannot be read" in line for line in found)


LAYERED = """\
layers = [
  { thickness_mm = 1.0, tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.5 } },
  { name = "crust", thickness_mm = 1.4, tubes = { law = "fixed", radius_um = 5, waist = 0.3 } },
]
"""


def layered(*changes: tuple[str, str]) -> str:
    head, rest = GOOD.split("tubes = {", 1)
    text = head + LAYERED + rest[rest.index("\n") + 1 :]
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            (),
            "line 9: solid.layers: the layers are 2.4 mm together, but the block is 3 mm along "
            "that axis; make the last one 2 mm, leave out the last one's thickness, and it "
            "takes the rest",
        ),
        (
            ("thickness_mm = 1.4, ", "thickness_mm = 2.0, correlation_um = 9, "),
            "line 9: solid.layers: in layer 2 the radii are correlated over 9 um, next to nothing",
        ),
    ],
)
def test_layers_that_do_not_fit(change, said):
    found = faults_of(layered(*([change] if change else [])))
    assert len(found) == 1
    assert said in found[0]


def test_faults_inside_layers_are_told_at_their_keys(tmp_path):
    text = layered(
        ("thickness_mm = 1.4, ", ""),
        ('"fixed", radius_um = 5', '"uniform", least_radius_um = 9, greatest_radius_um = 3'),
        ('"lognormal", median_radius_um = 15, log_sd = 0.5', '"table", file = "none.csv"'),
        ("waist = 0.3", 'waist = { law = "uniform", least = 0.8, greatest = 0.3 }'),
    )
    found = faults_of(text, tmp_path / "rusk.toml")
    assert [line.split(": ")[1] for line in found] == [
        "solid.layers[1].tubes.file",
        "solid.layers[2].tubes.greatest_radius_um",
        "solid.layers[2].tubes.waist",
    ]
    assert [line.split(": ")[0][-2:] for line in found] == ["10", "11", "11"]


def test_a_flat_lattice_has_no_layers_along_y():
    text = layered(
        ("thickness_mm = 1.4, ", ""),
        ('"cubic", spacing_um = 100, neighbours = 5.2', '"square", spacing_um = 100'),
        ("layers = [", 'layer_axis = "y"\nlayers = ['),
    )
    assert "solid.layer_axis: got 'y', but a flat lattice lies in x-z" in faults_of(text)[0]


def test_a_network_file_with_a_dangling_index_is_one_line(tmp_path):
    import h5py

    with h5py.File(tmp_path / "bad.h5", "w") as file:
        file["points_m"] = np.eye(3) * 1e-4
        file["ends"] = np.array([[0, 1], [1, 3]])
        file["radius_m"] = file["length_m"] = np.full(2, 1e-5)
    head, rest = GOOD.split("size_mm")[0], GOOD[GOOD.index("[[liquids]]") :]
    found = faults_of(head + 'network = "bad.h5"\n' + rest, tmp_path / "rusk.toml")
    assert len(found) == 1
    assert "line 6: solid.network" in found[0]
    assert "tube 1 joins junctions [1, 3], but there are only 3 junctions" in found[0]


# ---- files that are no scenario ------------------------------------------------------------


def file_faults(path: Path) -> str:
    with pytest.raises(ScenarioError) as caught:
        ps.load_scenario(path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_files_that_are_no_scenario(tmp_path):
    path = tmp_path / "a.toml"
    assert "no such file" in file_faults(path)
    assert "is a folder" in file_faults(tmp_path)
    path.write_bytes(GOOD.encode() + b"\n# caf\xe9\n")
    assert "line 42: is not UTF-8 text; save it as UTF-8" in file_faults(path)
    path.write_text(GOOD.replace("[run]", "[run"))
    assert "line 37: is not TOML: Expected ']'" in file_faults(path)
    path.write_text(GOOD + "accuracy = 0.02\n")
    assert "line 41: is not TOML: Cannot overwrite a value" in file_faults(path)
    path.write_text(GOOD.replace("until_s = 30", "until_s = 0,5  # half a second"))
    assert "line 38: is not TOML" in file_faults(path)
    assert "write decimals with a point: 0.5" in file_faults(path)
    path.write_text(GOOD.replace("[[liquids]]", "[liquids]"))
    assert "for several liquids write [[liquids]] each time" in file_faults(path)
    path.write_text("a = [1\nb = 2")
    assert "is not TOML" in file_faults(path)
    path.write_text(GOOD + "#" * LARGEST_FILE)
    assert "a scenario is at most 200,000 bytes" in file_faults(path)
    path.write_text("seed = " + "9" * 5000)
    assert "a number that is far too long" in file_faults(path)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "rusk.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    scenario = ps.load_scenario(path)
    assert scenario.title == "A rusk in three broths"
    assert scenario.text == GOOD


def test_huge_blocks_are_refused_in_figures_that_can_be_read():
    text = changed(
        ("spacing_um = 100", "spacing_um = 0.01"),
        ("median_radius_um = 15", "median_radius_um = 0.001"),
    )
    line = faults_of(text)[0]
    assert "1.2e+16 junctions and 3.12e+16 tubes need about" in line


@pytest.mark.parametrize("line", ["until_s = 30", "until_saturation = 0.9"])
def test_snapshots_count_as_memory(monkeypatch, line):
    from poresim.scenario import checks
    from poresim.solid import build

    for module in (build, checks):
        monkeypatch.setattr(module, "available_bytes", lambda: 200_000_000)
    parse_scenario(
        changed(("until_s = 30", line))
    )  # 34,000 tubes, 60 snapshots, 64 sizes of grains
    found = faults_of(changed(("until_s = 30", f"{line}\nsnapshots = 1000")))
    assert len(found) == 1
    assert "line 39: run.snapshots: 1000 snapshots of 34,034 tubes need about 944 MB" in found[0]
    assert "200 MB is free; keep 125 or fewer" in found[0]
    fewer = plan(parse_scenario(changed(("until_s = 30", f"{line}\nsnapshots = 125"))))
    assert 195e6 < fewer.solid.memory_bytes <= 200e6


@pytest.mark.parametrize(
    "text",
    [
        "[solid]\nlattice = { kind = [" + "1," * 900 + "] }",
        "a = " + "[" * 80_000,
        "a = " + "{a=" * 60_000,
        "a = " + "[" * 300 + "]" * 300,
        "a" + ".a" * 90_000 + " = 1",
        "[" + "a." * 90_000 + "a]",
        "\n".join(f"[{'a.' * 150}b{n}]" for n in range(600)),
        "".join(f"k{n}=1\n" for n in range(20_000)),
        "[solid]\n" + "".join(f"k{n}=1\n" for n in range(20_000)),
        "[[liquids]]\n" * 16_000,
        "".join(f'[[liquids]]\nname="{n}"\nbased_on="{n + 1}"\n' for n in range(99)),
        "a" * 180_000 + " = 1",
        'title = "' + "x" * 180_000 + '"',
        "[exposure]\nfaces = [" + "1," * 80_000 + "]",
        'a = "' + "\\u0007" * 30_000 + '"',
        ("[[liquids]]\nviscosity = {" + ",".join(f"watrC{n}=1" for n in range(150)) + "}\n") * 90,
    ],
    ids=range(16),
)
def test_hostile_texts_end_soon_and_in_faults(text):
    assert len(text) <= LARGEST_FILE
    start = time.process_time()
    found = faults_of(text)
    assert time.process_time() - start < 5
    assert len(found) <= 101
    assert max(map(len, found)) <= 400


_NAMES = ["spacing_um", "porosity", "law", "parts", "based_on", "faces", "seed", "network", "kind"]
_NAMES += ["made_of", "water_C", "sucrose_percent", "temperature_C", "time_s", "exponent", "file"]
_NAMES += ["layers", "tubes", "thickness_mm", "correlation_um", "body_ratio", "waist", "least"]
_VALUES = ["-1", "nan", "1e400", "[]", "{}", "true", '""', '"\\u0000"', "[[1]]", "0", '"bottom"']
_PIECES = st.sampled_from(
    [*_NAMES, *_VALUES, "=", "\n", "[", "]", "{", "}", ",", '"', "[[liquids]]\n"]
)


@settings(
    max_examples=400, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(GOOD)),
            st.integers(0, 40),
            st.one_of(_PIECES, st.text(max_size=5), st.just("")),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_whatever_is_done_to_a_scenario_gives_a_scenario_or_faults(edits):
    text = GOOD
    for place, removed, put in edits:
        text = text[:place] + put + text[place + removed :]
    try:
        scenario = parse_scenario(text, Path("/nonexistent/rusk.toml"))
    except ScenarioError as error:
        assert error.faults
        assert all(str(fault).isprintable() for fault in error.faults)
    else:
        assert plan(scenario).solid.tubes > 0
        for liquid in scenario.liquids:
            ps.build_liquid(liquid)


_TOML = st.recursive(
    st.one_of(
        st.integers(-(10**20), 10**20).map(str),
        st.floats().map(lambda x: repr(x) if x == x else "nan"),
        st.booleans().map(lambda b: str(b).lower()),
        st.sampled_from(_VALUES),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda v: "[" + ", ".join(v) + "]"),
        st.dictionaries(st.sampled_from(_NAMES), inner, max_size=3).map(
            lambda d: "{" + ", ".join(f"{k} = {v}" for k, v in d.items()) + "}"
        ),
    ),
    max_leaves=6,
)


@settings(
    max_examples=300, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
@given(st.data())
def test_whatever_value_a_key_has_gives_a_scenario_or_faults(data):
    rows = GOOD.splitlines()
    keyed = [n for n, row in enumerate(rows) if " = " in row]
    for _ in range(data.draw(st.integers(1, 3))):
        number = data.draw(st.sampled_from(keyed))
        rows[number] = rows[number].split(" = ")[0] + " = " + data.draw(_TOML)
    try:
        parse_scenario("\n".join(rows), Path("/nonexistent/rusk.toml"))
    except ScenarioError as error:
        assert error.faults
        for fault in error.faults:
            assert fault.line is not None, f"the line of a wrong value is known: {fault}"
