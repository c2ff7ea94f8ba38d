"""A first scenario to edit."""

from __future__ import annotations

_TEXT = """\
# A scenario of poresim: what soaks into what.
# Every value here is invented: put in your own, then delete this line (pictures repeat it).
# Each quantity carries its unit in its key. "poresim check" names every fault in this file.
title = {title}
seed = 11                          # the same seed gives the same solids and grains

[solid]
name = "rusk"
size_mm = [1.5, 1.5, 1.5]          # x, y and the depth z
dry_density_kg_m3 = 420            # optional

# Junctions joined by tubes. kind: cubic, bcc, fcc, diamond, scattered, or, flat in x-z,
# square, triangular, honeycomb. Instead of spacing_um, [solid] may hold porosity = 0.35.
lattice = {{ kind = "cubic", spacing_um = 100, neighbours = 5.2 }}

# Radii of the tubes, by number:
#   lognormal (median_radius_um, log_sd), weibull (scale_radius_um, shape),
#   gamma (scale_radius_um, shape), uniform (least_radius_um, greatest_radius_um),
#   fixed (radius_um), table (file: a CSV with radius_um and, if you like, count; or of a
#   porosimeter, with diameter_um and intruded_mL_g),
#   mixture (parts = [{{ share = 0.3, law = ... }}, ...]).
# waist: the radius halfway along a tube over that at its ends (1 = straight). The throat is there.
tubes = {{ law = "lognormal", median_radius_um = 30, log_sd = 0.35, waist = 0.15 }}

# Instead of tubes, layers from the bottom up, one without thickness_mm takes the rest:
# layers = [{{ tubes = {{...}} }}, {{ thickness_mm = 0.3, tubes = {{...}} }}]
# correlation_um = 200             # wide and narrow tubes in patches of this size
# swelling = {{ narrowing = 0.2, wall_s = 20 }}   # walls swell as they soak, throats narrow
# sides = "open"                   # or "sealed", or "periodic" (what leaves left comes in right)

[[liquids]]
name = "clear broth"
density_kg_m3 = 1005
surface_tension_mN_m = 52
contact_angle_deg = 48             # advancing; receding_angle_deg is the same when not given
# Density, tension and viscosity may each be what a liquid is made of, in place of a figure:
# {{ water_C = 20 }}, {{ sucrose_percent = 30, temperature_C = 20 }} or {{ ethanol_percent = 20,
# temperature_C = 25 }} (mass %). made_of = {{ water_C = 20 }} supplies those that are not given.
# law: newtonian (mPa_s), power_law (consistency_Pa_sn, index), bingham (yield_Pa,
# plastic_mPa_s), herschel_bulkley (yield_Pa, consistency_Pa_sn, index)
viscosity = {{ law = "newtonian", mPa_s = 1.2 }}

[[liquids]]
name = "spiced broth"
based_on = "clear broth"           # takes over what it does not state
# Grains that close throats: a law of their diameters by volume, with the keys of the radii
# (median_diameter_um, ...). leak: the share of its flow that a closed throat keeps.
particles = {{ volume_fraction = 0.01, law = "lognormal", median_diameter_um = 12, log_sd = 0.4 }}

[exposure]
kind = "face"
faces = ["bottom"]                 # bottom, top, left, right, front, back
gravity = true                     # along -z
# kind = "dip" (depth_mm or faces, tilt_deg, dip_s, lift_mm_s, dips, rest_s), or
# "drop" (volume_uL, drops, every_s), without faces
# air = "trapped" (small blocks) keeps what air is cut off; vents: the faces where it gets out

[run]
until_s = 4                        # and / or until_saturation = 0.9
accuracy = 0.05                    # relative error of the uptake curve; 0.01 takes longer
repeats = 2                        # solids drawn from the same law
"""


def starter(name: str) -> str:
    """Text of a scenario that runs as it is; ``name`` becomes its title."""
    plain = "".join(c if c.isprintable() else " " for c in name)[:200]
    escaped = plain.replace("\\", "\\\\").replace('"', '\\"')
    return _TEXT.format(title=f'"{escaped}"')
