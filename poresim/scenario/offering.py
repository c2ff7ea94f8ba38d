"""How the liquid is offered: keys that contradict each other, the solid or the liquids."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from poresim.drop.cap import cap_of_angle
from poresim.scenario import schema
from poresim.scenario.build import LiquidSpec, build_dip, settles_in
from poresim.solid.files import load_network
from poresim.solid.fitting import fit
from poresim.solid.lattices import LATTICES
from poresim.solid.memory import TRAPPED_UP_TO
from poresim.solid.spec import SolidSpec

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Reader


def exposure(
    reader: Reader,
    keys: schema.Exposure,
    spec: SolidSpec | None,
    run: schema.Run | None,
    liquids: Sequence[LiquidSpec],
) -> None:
    """Note all that a scenario's solid, liquids and times make of its exposure."""
    _faces(reader, "faces", getattr(keys, "faces", None) or [], spec)
    _faces(reader, "vents", keys.vents or [], spec)
    if keys.air == "free" and keys.vents is not None:
        reader.fault(
            ("exposure", "vents"),
            "is given, but the air is free",
            'free air leaves everywhere: give air = "trapped" too, or leave it out',
        )
    if isinstance(keys, schema.Dipped):
        _dip(reader, keys, spec, run)
    if isinstance(keys, schema.Dropped):
        _drop(reader, keys, spec)
        _series(reader, keys, spec, run, liquids)
    else:
        _cup(reader, keys)
    _stood(reader, keys)
    if keys.air == "trapped" and spec is not None and spec.body_ratio > 0:
        reader.fault(
            ("exposure", "air"),
            "is 'trapped', but the solid's junctions have bodies",
            "use 'free', or leave the bodies out",
        )
    if keys.air == "trapped" and spec is not None and spec.network is None:
        _air(reader, spec)
    if isinstance(keys, schema.Dropped) and spec is not None and spec.network is None:
        _drops(reader, keys, spec, liquids)


def _air(reader: Reader, spec: SolidSpec) -> None:
    many = fit(spec).junctions
    if many > TRAPPED_UP_TO:
        reader.fault(
            ("exposure", "air"),
            f"is 'trapped', but the solid has about {many} junctions",
            f"use 'free', or a block of {TRAPPED_UP_TO} junctions or fewer",
        )


def _drops(
    reader: Reader, keys: schema.Dropped, spec: SolidSpec, liquids: Sequence[LiquidSpec]
) -> None:
    """Note liquids of which a drop spreads without end, or does not fit on the block."""
    if not liquids:
        return
    names = [one.get("name") for one in reader.data["liquids"]]
    volume, widths = keys.volume_uL * 1e-9, []
    for liquid in liquids:
        number, angle = names.index(liquid.name), liquid.contact_angle_deg
        if 0 < angle < 180:
            widths.append((2 * float(cap_of_angle(volume, angle).base_radius), liquid))
        elif "contact_angle_deg" in reader.data["liquids"][number]:  # or reported at its base
            reader.fault(
                ("liquids", number, "contact_angle_deg"),
                f"got {angle:g}: a drop of it has no shape",
                "give more than 0, less than 180",
            )
    if not widths:
        return
    width, liquid = max(widths, key=lambda one: one[0])
    room = min(fit(spec).size[:2])
    if width > room:
        most = _rounded_down(keys.volume_uL * (room / width) ** 3)
        reader.fault(
            ("exposure", "volume_uL"),
            f"a drop of {keys.volume_uL:g} uL of {liquid.name[:40]} at "
            f"{liquid.contact_angle_deg:g} degrees is {1e3 * width:.3g} mm wide, and the block's "
            f"top {1e3 * room:.3g} mm",
            f"give {most:.2g} or less, or make the block wider",
        )


def _rounded_down(value: float) -> float:
    """To two figures."""
    last = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.floor(value / last) * last


def _drop(reader: Reader, keys: schema.Dropped, spec: SolidSpec | None) -> None:
    if spec is not None and spec.network is not None:
        reader.fault(("exposure", "kind"), "is a drop on a network file", "a drop sits on a block")
    for key in ("cup_mm", "cup_mL", "held_mm", "stirred"):
        if getattr(keys, key) is not None:
            reader.fault(
                ("exposure", key), "is given with a drop", "a drop has no cup: leave it out"
            )


def _series(
    reader: Reader,
    keys: schema.Dropped,
    spec: SolidSpec | None,
    run: schema.Run | None,
    liquids: Sequence[LiquidSpec],
) -> None:
    """Note what keeps several drops from coming one after another."""
    if keys.drops == 1:
        if keys.every_s is not None:
            reader.fault(
                ("exposure", "every_s"),
                "is given, but there is one drop",
                "give drops, how many, or leave it out",
            )
        return
    if keys.every_s is None:
        reader.fault(
            ("exposure", "every_s"),
            f"is missing, and there are {keys.drops} drops",
            "give the time from one drop to the next in s, such as 60",
        )
        return
    last = keys.every_s * (keys.drops - 1)
    if run is not None and run.until_s is not None and last >= run.until_s:
        reader.fault(
            ("exposure", "every_s"),
            f"got {keys.every_s:g}: drop {keys.drops} comes at {last:g} s, and the run ends at "
            f"{run.until_s:g} s",
            "let the drops come sooner, or the run last longer",
        )
    if spec is not None and spec.body_ratio > 0:
        reader.fault(
            ("exposure", "drops"),
            f"got {keys.drops}, but the solid's junctions have bodies",
            "set down one drop, or leave the bodies out",
        )
    names = [one.get("name") for one in reader.data.get("liquids") or []]
    for liquid in liquids:
        if liquid.grains is not None and liquid.grains.volume_fraction > 0:
            reader.fault(
                ("liquids", names.index(liquid.name), "particles"),
                f"are given, but there are {keys.drops} drops",
                "set down one drop, or leave them out: grains are followed in the first drop only",
            )


def _dip(
    reader: Reader, keys: schema.Dipped, spec: SolidSpec | None, run: schema.Run | None
) -> None:
    if keys.faces is None and keys.depth_mm is None:
        right = "give faces (whole faces touch) or depth_mm"
        reader.fault(("exposure",), "says neither faces nor depth_mm", right)
    elif keys.faces is not None and keys.depth_mm is not None:
        right = "give faces (whole faces touch) or depth_mm (up to where it is lowered)"
        reader.fault(("exposure", "depth_mm"), "contradicts faces", right)
    if keys.faces is not None and "tilt_deg" in keys.model_fields_set:
        reader.fault(("exposure", "tilt_deg"), "is given with faces", "it goes with depth_mm")
    if keys.faces is not None and keys.lift_mm_s is not None:
        reader.fault(
            ("exposure", "lift_mm_s"), "is given with faces", "a film needs a depth_mm to run down"
        )
    if "rest_s" in keys.model_fields_set and keys.dips == 1:
        reader.fault(
            ("exposure", "rest_s"), "is given, but there is one dip", "give dips, or leave it out"
        )
    if keys.depth_mm is not None and spec is not None and spec.network is not None:
        reader.fault(
            ("exposure", "depth_mm"), "is given with a network file", "it is for blocks: give faces"
        )
    if keys.depth_mm is not None and not keys.gravity:
        reader.fault(
            ("exposure", "gravity"), "is false, but a depth is given", "a surface is level: true"
        )
    if keys.tilt_deg > 0 and spec is not None and spec.sides == "periodic":
        reader.fault(
            ("exposure", "tilt_deg"),
            f"got {keys.tilt_deg:g}, but the sides are periodic",
            "liquid would run downhill without end: leave it out, or use open or sealed sides",
        )
    lifted = build_dip(keys).lifts[-1]
    if run is not None and run.until_s is not None and run.until_s <= lifted:
        reader.fault(
            ("run", "until_s"),
            f"got {run.until_s:g}, but it is lifted out for the last time at {lifted:g} s",
            f'give more than {lifted:g}, or use kind = "face" if it is not lifted out',
        )


def _faces(reader: Reader, key: str, faces: Sequence[str], spec: SolidSpec | None) -> None:
    """Note faces named under a key twice, or that the solid does not have."""
    if not faces:
        return
    present, why = present_faces(spec)
    for number, face in enumerate(faces):
        path: KeyPath = ("exposure", key, number)
        if face in faces[:number]:
            reader.fault(path, f"{face!r} is named twice", "name each face once")
        elif face not in present:
            reader.fault(path, f"{face!r}: {why}", f"this solid has {', '.join(present)}")


def _cup(reader: Reader, keys: schema.Exposure) -> None:
    """Note keys of the cup that lack another or contradict it."""
    depth, held = keys.cup_mm, keys.held_mm
    too = "give the depth of the liquid, cup_mm, too, or leave it out"
    if depth is None and held is not None:
        reader.fault(("exposure", "held_mm"), "is given without cup_mm", too)
    if depth is None and keys.stirred is False:
        reader.fault(("exposure", "stirred"), "is false without cup_mm", too)
    if depth is not None and held is not None and held > depth:
        reader.fault(
            ("exposure", "held_mm"),
            f"got {held:g}, below the floor of the cup (cup_mm = {depth:g})",
            f"give 0 (the surface) to {depth:g}",
        )


def _stood(reader: Reader, keys: schema.Exposure) -> None:
    """Note liquids that are said to have stood where nothing settles."""
    listed = reader.data.get("liquids")
    if settles_in(keys) or not isinstance(listed, list):
        return
    for number, own in enumerate(listed):
        if isinstance(own, dict) and own.get("stood_s"):
            wrong = "is given, but nothing settles here"
            right = (
                "give exposure.cup_mm, how deep the liquid is; it settles unstirred, with gravity"
            )
            reader.fault(("liquids", number, "stood_s"), wrong, right)


def present_faces(spec: SolidSpec | None) -> tuple[tuple[str, ...], str]:
    """The faces of a solid that can take liquid, and why it has no others."""
    if spec is None:
        return schema.FACES, ""
    if spec.network is not None:
        found = tuple(name for name, on in load_network(spec.network).faces.items() if len(on))
        return found, "the network file has no junctions there"
    if spec.sides != "open":
        return ("bottom", "top"), f"the sides are {spec.sides}"
    if spec.lattice in LATTICES and LATTICES[spec.lattice].flat:
        return ("bottom", "top", "left", "right"), "a flat lattice lies in x-z"
    return schema.FACES, ""
