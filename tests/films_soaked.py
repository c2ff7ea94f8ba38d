"""Small soaks, computed as users compute theirs, whose films are looked at. Values are invented.

Every film is held to the record alone; nothing here knows how a film is drawn.
"""

from __future__ import annotations

from pathlib import Path

from small import TWO_BROTHS, run_here

from poresim.record.model import Record
from poresim.scenario.reading import load_scenario
from poresim.show.films.block import BlockScene
from poresim.show.films.drop import DropScene
from poresim.show.films.dunk import DunkScene
from poresim.show.films.front import FrontScene
from poresim.show.films.section import SectionScene
from poresim.show.films.throat import ThroatScene

_LIQUIDS = f"""
[[liquids]]{TWO_BROTHS.split("[[liquids]]")[1]}[[liquids]]
name = "slow broth"
based_on = "clear broth"
viscosity = {{ law = "newtonian", mPa_s = 10 }}
"""
_GRAINS = """
[[liquids]]
name = "spiced broth"
based_on = "clear broth"
particles = { volume_fraction = 0.05, law = "lognormal", median_diameter_um = 12, log_sd = 0.4 }
"""
_BOTTOM = """
[exposure]
kind = "face"
faces = ["bottom"]
"""

#: Straight tubes of one radius in a plane: shares of area and of volume are the same.
FLAT = f"""\
title = "A flat lattice"
seed = 3

[solid]
size_mm = [1.4, 0.1, 1.0]
lattice = {{ kind = "square", spacing_um = 100, neighbours = 3.4 }}
tubes = {{ law = "fixed", radius_um = 6, waist = 1.0 }}
{_LIQUIDS}{_BOTTOM}
[run]
until_s = 0.2
accuracy = 0.01
repeats = 1
snapshots = 12
"""

WAISTED = f"""\
title = "A small rusk"
seed = 4

[solid]
size_mm = [0.6, 0.5, 0.8]
lattice = {{ kind = "cubic", spacing_um = 100, neighbours = 5.2 }}
tubes = {{ law = "lognormal", median_radius_um = 13, log_sd = 0.4, waist = 0.5 }}
{_LIQUIDS}{_GRAINS}{_BOTTOM}
[run]
until_s = 0.5
accuracy = 0.02
repeats = 1
snapshots = 16
"""

#: As above, without grains.
WIDE = WAISTED.replace(_GRAINS, "")

DROPS = """\
title = "A drop on a tile"
seed = 5

[solid]
size_mm = [1.2, 1.2, 0.6]
lattice = { kind = "cubic", spacing_um = 100, neighbours = 5.2 }
tubes = { law = "lognormal", median_radius_um = 12, log_sd = 0.4 }

[[liquids]]
name = "water"
density_kg_m3 = 998
surface_tension_mN_m = 72
contact_angle_deg = 60
receding_angle_deg = 15
viscosity = { law = "newtonian", mPa_s = 1.0 }

[[liquids]]
name = "water on wax"
based_on = "water"
contact_angle_deg = 95
receding_angle_deg = 80

[exposure]
kind = "drop"
volume_uL = 0.05
face = "top"

[run]
until_s = 1
accuracy = 0.05
repeats = 1
snapshots = 10
"""

DUNKED = f"""\
title = "A rusk, dunked and lifted out"
seed = 11

[solid]
size_mm = [1.6, 0.5, 0.8]
dry_density_kg_m3 = 420
lattice = {{ kind = "cubic", spacing_um = 100, neighbours = 5.2 }}
tubes = {{ law = "lognormal", median_radius_um = 15, log_sd = 0.4 }}
{_LIQUIDS}
[exposure]
kind = "dip"
depth_mm = 0.4
tilt_deg = 20
dip_s = 0.05

[run]
until_s = 0.4
accuracy = 0.05
repeats = 1
snapshots = 12

[softening]
wall_s = 0.1
dry_strength_kPa = 200
midpoint = 0.3
width = 0.05
overhang_mm = 1.4
"""


#: View -> what draws it, and a scenario that it shows.
VIEWS = {
    "section": (SectionScene, WAISTED),
    "block": (BlockScene, WAISTED),
    "front": (FrontScene, WAISTED),
    "throat": (ThroatScene, WAISTED),
    "drop": (DropScene, DROPS),
    "dunk": (DunkScene, DUNKED),
}

_MADE: dict[str, Record] = {}


def soaked(text: str, folder: Path) -> Record:
    """The record of a scenario; computed once by every process."""
    if text not in _MADE:
        path = folder / f"soaked_{len(_MADE)}.toml"
        path.write_text(text, encoding="utf-8")
        _MADE[text] = run_here(load_scenario(path), folder)
    return _MADE[text]
