"""What stands where in a record file: one table, used by the writer and the reader alike.

::

    /                       title, scenario (the file's text), seed, poresim_version,
                            created (UTC), format, complete, key, faces; area_m2 and lift_s,
                            where it is lifted out
    /liquids/<k>/           name, density_kg_m3; log_length_ratio, where angles depend on the speed;
                            what GrainsOf names
    /liquids/<k>/repeats/<n>/   the datasets of SOAK, GRAINS, DROP, DROPS, FILM, AIR and SOFT;
                            steps, solves, ending, ...; what SHEAR names, as attributes (absent in
                            older records)
    /solids/<n>/            a network, as poresim.solid.files writes it
"""

from __future__ import annotations

from typing import NamedTuple

#: Number of the layout; a reader refuses files with a higher one. Precision and packing may differ
#: between files of one number: readers take any.
FORMAT = 1
#: Levels of the quantiles in ``front_m``.
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


class Column(NamedTuple):
    """One dataset: its unit, what it means, its shape (letters are lengths that must agree).

    dtype : of the values as they are read. single : it is kept in single precision (seven figures)
    unless the scenario asks for double. stays : it is left in the file until it is asked for.
    """

    units: str
    long_name: str
    shape: tuple[str | int, ...]
    dtype: str = "f8"
    single: bool = False
    stays: bool = False


#: t times, m tubes, n junctions, s snapshots.
SOAK = {
    "time_s": Column("s", "time since the liquid touched the solid", ("t",)),
    "uptake_kg": Column("kg", "mass of liquid in the tubes", ("t",)),
    "saturation": Column("1", "liquid over the volume of all tubes", ("t",)),
    "front_m": Column(
        "m", "depth of the menisci below the wetted face, quantiles", ("t", len(QUANTILES))
    ),
    "front_mean_m": Column("m", "mean depth of the menisci", ("t",)),
    "front_width_m": Column("m", "standard deviation of the depth of the menisci", ("t",)),
    "filled_at_s": Column("s", "when each tube filled; NaN = never", ("m",), single=True),
    "wetted_at_s": Column(
        "s", "when liquid reached each junction; NaN = never", ("n",), single=True
    ),
    "blocked_at_s": Column(
        "s", "when a grain closed each throat; NaN = never", ("m",), single=True
    ),
    "snapshot_time_s": Column("s", "times of the snapshots", ("s",)),
    "snapshot_fill": Column(
        "1",
        "share of each tube's length wet from end 0 and from end 1",
        ("s", "m", 2),
        "f4",
        stays=True,
    ),
}

#: Of a liquid with grains that throats can catch; all or none stand in a soak. c size classes.
GRAINS = {
    "class_diameter_m": Column("m", "diameter of each size class of grains", ("c",)),
    "carried_in_m3": Column("m3", "grains of each class that came in", ("t", "c")),
    "suspended_m3": Column("m3", "of these, afloat in the tubes", ("t", "c")),
    "captured_m3": Column("m3", "caught in the tubes", ("t", "c")),
    "left_m3": Column("m3", "and gone out again through the wetted faces", ("t", "c")),
    "cake_m3": Column("m3", "of those that fit no entrance, lying on the wetted faces", ("t", "c")),
    "cake_thickness_m": Column("m", "mean thickness of what they build there", ("t",)),
    "front_fraction": Column(
        "1", "grains over all that is in open tubes, by volume; NaN = none is open", ("t",)
    ),
    "offered_share": Column(
        "1", "concentration at the wetted faces over that at first, as grains settle", ("t", "c")
    ),
    "cup_m3": Column("m3", "afloat in the cup; NaN = the cup has no end", ("t", "c")),
    "captured_in_tube_m3": Column(
        "m3", "caught in each tube in the end, by class", ("m", "c"), single=True
    ),
}

#: Where the liquid is one drop set down on a face; all or none stand in a soak.
DROP = {
    "drop_m3": Column("m3", "what is left of the drop on the face", ("t",)),
    "drop_angle_deg": Column("deg", "its contact angle", ("t",)),
    "drop_base_m": Column("m", "radius of its base", ("t",)),
    "drop_height_m": Column("m", "height of its apex", ("t",)),
}

#: And of several drops set down one after another.
DROPS = {"dispensed_m3": Column("m3", "what has been set down on the face so far", ("t",))}

#: Where the solid is lifted out with a film on it.
FILM = {"film_m3": Column("m3", "what hangs outside on the solid, out of the liquid", ("t",))}

#: Where air can be trapped; all or none stand in a soak.
AIR = {
    "trapped_share": Column(
        "1", "share of the tubes' volume with air that the liquid has cut off", ("t",)
    ),
    "trapped_pv_J": Column("J", "its moles times R T: pressure times volume", ("t",)),
    "bubbled_pv_J": Column("J", "the same of what has left as bubbles so far", ("t",)),
    "free_uptake_kg": Column("kg", "uptake of the same soak with air that leaves at once", ("t",)),
}

#: Where the scenario says how walls soften; all or none stand in a soak. l layers across z.
SOFT = {
    "snap_force_N": Column("N", "force midway between two supports at which it snaps", ("t",)),
    "capacity_Nm": Column("N m", "bending moment that the section carries", ("t",)),
    "weight_Nm": Column(
        "N m", "moment of the soaked block's own weight over its overhang; NaN = none", ("t",)
    ),
    "strength_Pa": Column("Pa", "strength of layers from z = 0 upward", ("t", "l"), single=True),
}
#: Groups of which all or none stand in a soak.
OPTIONAL = (GRAINS, DROP, DROPS, FILM, AIR, SOFT)
#: An attribute of a soak whose walls soften.
FAILS = {"fails_at_s": Column("s", "when it no longer carries its overhang; NaN = never", ())}

#: Attributes of a soak: at which shear rates the liquid was used. Work is viscous dissipation.
SHEAR = {
    "wall_shear_rate_1_s": Column(
        "1/s", "wall shear rates below which 10, 50 and 90 % of the work were done", (3,)
    ),
    "effective_viscosity_Pa_s": Column("Pa s", "viscosity at the second of these", ()),
    "viscosity_at_50_1_s_Pa_s": Column("Pa s", "viscosity at 50 1/s", ()),
    "extrapolated_share": Column(
        "1", "share of the work below and above the measured flow curve; NaN = none measured", (2,)
    ),
}

#: Two datasets of a solid, by which its numbers of junctions and tubes are known.
SOLID = {
    "points_m": Column("m", "positions of the junctions", ("n", 3)),
    "ends": Column("1", "the two junctions of each tube", ("m", 2), "i8"),
}


class RecordError(ValueError):
    """A record that cannot be read or may not be written; the text says why, in one line."""

    wrong_request = True
