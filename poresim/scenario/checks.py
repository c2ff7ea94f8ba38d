"""What no single key can tell: keys that contradict each other, solids that cannot be."""

from __future__ import annotations

import contextlib
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.liquid.curves import FlowCurve, PlateauFault
from poresim.scenario import composition, schema, wording
from poresim.scenario.build import (
    LiquidSpec,
    liquid_spec,
    solid_spec,
    viscosity_law,
    waist_law,
)
from poresim.scenario.plan import most_classes, plan_solid
from poresim.solid.build import refuse_too_large
from poresim.solid.files import load_network
from poresim.solid.fitting import fit
from poresim.solid.memory import available_bytes, in_words
from poresim.solid.spec import SolidError, SolidSpec
from poresim.solid.swelling import Swelling
from poresim.tables.sizes import read_radii, read_sizes

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Reader

_KEY_OF_FIELD: dict[str, KeyPath] = {
    "size": ("solid", "size_mm"),
    "spacing": ("solid", "lattice", "spacing_um"),
    "porosity": ("solid", "porosity"),
    "neighbours": ("solid", "lattice", "neighbours"),
    "correlation": ("solid", "correlation_um"),
}
_MOST_LIQUIDS = 100
_OF_A_BLOCK = (
    "size_mm",
    "lattice",
    "tubes",
    "porosity",
    "sides",
    "layers",
    "layer_axis",
    "correlation_um",
    "body_ratio",
)


def solid(reader: Reader, keys: schema.Solid, folder: Path) -> SolidSpec | None:
    """The solid's spec, or None with its faults noted."""
    before = len(reader.faults)
    _contradictions(reader, keys)
    for path, tubes in _all_tubes(keys):
        _uniform_backwards(reader, path, tubes, "radius")
        _tables(reader, path, tubes, "radius", folder)
        _waist(reader, path, tubes)
    if len(reader.faults) > before:
        return None
    try:
        spec = solid_spec(keys, folder)
        if spec.network is not None:
            load_network(spec.network)
        else:
            refuse_too_large(fit(spec))
    except SolidError as fault:
        path = _KEY_OF_FIELD.get(fault.field, ("solid", fault.field))
        reader.fault(path, fault.wrong, fault.right)
        return None
    except (OSError, ValueError) as fault:
        reader.fault(("solid", "network"), str(fault))
        return None
    return spec


def _contradictions(reader: Reader, keys: schema.Solid) -> None:
    if keys.network is not None:
        for name in _OF_A_BLOCK:
            if name in keys.model_fields_set:
                reader.fault(
                    ("solid", name),
                    "contradicts network",
                    "a network file is the whole solid: give the one or the other",
                )
        return
    if keys.tubes is not None and keys.layers is not None:
        reader.fault(
            ("solid", "tubes"), "contradicts layers", "each layer has its own tubes: leave this out"
        )
    if keys.layers is None and "layer_axis" in keys.model_fields_set:
        reader.fault(("solid", "layer_axis"), "is given without layers", "leave it out")
    for number, layer in enumerate(keys.layers or ()):
        if not layer.name.isprintable():
            wrong = "holds characters that cannot be shown"
            reader.fault(("solid", "layers", number, "name"), wrong, "use plain text")
    for name in ("size_mm", "lattice", "tubes"):
        if name == "tubes" and keys.layers is not None:
            continue
        if getattr(keys, name) is None:
            what = schema.Solid.model_fields[name].description
            reader.fault(("solid", name), "is missing", f"give {what}")
    if keys.lattice is None:
        return
    spacing, porosity = keys.lattice.spacing_um, keys.porosity
    if spacing is not None and porosity is not None:
        reader.fault(
            ("solid", "porosity"),
            "contradicts solid.lattice.spacing_um",
            "give one of the two; the other follows and is reported",
        )
    if spacing is None and porosity is None:
        reader.fault(
            ("solid", "lattice"),
            "has no spacing_um, and [solid] has no porosity",
            "give one of the two; the other follows and is reported",
        )


def _all_tubes(keys: schema.Solid) -> list[tuple[KeyPath, Any]]:
    """Every table of tubes: that of the block, or one a layer."""
    found: list[tuple[KeyPath, Any]] = [(("solid", "tubes"), keys.tubes)]
    for number, layer in enumerate(keys.layers or ()):
        found.append((("solid", "layers", number, "tubes"), layer.tubes))
    return [(path, tubes) for path, tubes in found if tubes is not None]


def _waist(reader: Reader, path: KeyPath, tubes: Any) -> None:
    """Note a law of the waists that cannot be."""
    try:
        waist_law(tubes.waist)
    except ValueError as fault:
        wrong, right = str(fault), "give a law that leaves waists between the two"
        reader.fault((*path, "waist"), wrong, right)


def liquids(reader: Reader, folder: Path) -> list[LiquidSpec]:
    """The specs of the liquids that are without fault."""
    listed = reader.data.get("liquids")
    if listed is None or listed == []:
        reader.fault(("liquids",), "is missing", "add at least one table [[liquids]]")
        return []
    if not isinstance(listed, list) or not all(isinstance(one, dict) for one in listed):
        reader.fault(("liquids",), "is not a list of tables", "write [[liquids]], one a liquid")
        return []
    if len(listed) > _MOST_LIQUIDS:
        wrong = f"are {len(listed)}"
        reader.fault(("liquids",), wrong, f"a scenario has at most {_MOST_LIQUIDS}")
        return []
    listed = [composition.read(reader, ("liquids", n), one) for n, one in enumerate(listed)]
    family = _Family(reader, listed)
    family.refuse_same_names()
    specs = []
    for number, own in enumerate(listed):
        whole, worked_out = composition.figures(family.whole(number))
        keys = _liquid(reader, whole, number, own)
        if keys is None:
            continue
        before = len(reader.faults)
        if "particles" in own:
            _tables(reader, ("liquids", number, "particles"), keys.particles, "diameter", folder)
        if "viscosity" in own:
            _flow_law(reader, ("liquids", number, "viscosity"), keys.viscosity, folder)
        if len(reader.faults) == before:
            with contextlib.suppress(ValueError):  # taken over, and reported where it stands
                specs.append(replace(liquid_spec(keys, folder), worked_out=worked_out))
    if len(specs) < len(listed) and not reader.faults:
        reader.fault(("liquids",), "take over something that is wrong", "state all keys of each")
    return specs


def liquid_names(data: dict[str, Any]) -> list[str]:
    """What liquids are called, those at fault among them: they are there to be named."""
    listed = data.get("liquids")
    tables = [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
    return [one["name"] for one in tables if isinstance(one.get("name"), str)]


def _liquid(
    reader: Reader, whole: dict[str, Any], number: int, own: dict[str, Any]
) -> schema.Liquid | None:
    based = "based_on" in own

    def mine(path: KeyPath, kind: str) -> bool:
        # What a liquid took over, and what its base lacks, is reported at the base.
        missing_here = kind == "missing" and len(path) == 1 and (not based or path == ("name",))
        return path[0] in own or missing_here

    keys = reader.validated(schema.Liquid, whole, ("liquids", number), mine)
    if keys is None:
        return None
    path: KeyPath = ("liquids", number)
    if not keys.name.isprintable() or not keys.name.strip():
        reader.fault((*path, "name"), "holds nothing that can be shown", "use plain text")
    receding = keys.receding_angle_deg
    if receding is not None and receding > keys.contact_angle_deg:
        stated = "receding_angle_deg" if "receding_angle_deg" in own else "contact_angle_deg"
        if stated in own:
            reader.fault(
                (*path, stated),
                f"the receding angle ({receding:g}) is above the advancing one "
                f"({keys.contact_angle_deg:g})",
                "a liquid recedes at the same angle or a smaller one",
            )
    _one_viscosity(reader, path, keys, own)
    if "particles" in own and keys.particles is not None:
        _uniform_backwards(reader, (*path, "particles"), keys.particles, "diameter")
        _capture(reader, (*path, "particles"), keys.particles)
    return keys


def _capture(reader: Reader, path: KeyPath, keys: Any) -> None:
    """Note keys of grains that contradict each other."""
    if keys.max_fraction <= keys.volume_fraction:
        reader.fault(
            (*path, "max_fraction"),
            f"got {keys.max_fraction:g}, not above volume_fraction ({keys.volume_fraction:g})",
            "grains jam there: give more, or a lower volume_fraction",
        )
    bridging, passing = keys.bridging_ratio, keys.passing_ratio
    if passing < bridging:
        right = "grains that pass what is closed cannot arch: give "
        if "passing_ratio" in keys.model_fields_set:
            wrong = f"got {passing:g}, below bridging_ratio ({bridging:g})"
            reader.fault(
                (*path, "passing_ratio"), wrong, right + "more, or less for bridging_ratio"
            )
        else:
            wrong = f"got {bridging:g}, above passing_ratio ({passing:g})"
            reader.fault(
                (*path, "bridging_ratio"), wrong, right + "less, or more for passing_ratio"
            )


def _one_viscosity(reader: Reader, path: KeyPath, keys: schema.Liquid, own: dict[str, Any]) -> None:
    """Note an angle that depends on the speed, in a liquid that has more than one viscosity."""
    line, law = keys.dynamic_angle, keys.viscosity.law
    if line is None or line.log_length_ratio == 0 or law == "newtonian":
        return
    # what a liquid took over from one that is at fault itself is reported there
    stated = next((key for key in ("dynamic_angle", "viscosity") if key in own), None)
    if stated is not None:
        reader.fault(
            (*path, stated),
            f"an angle that depends on the speed needs one viscosity, and this is a {law} liquid",
            "give a newtonian viscosity, or dynamic_angle = { log_length_ratio = 0 }",
        )


class _Family:
    """Liquids that take over from each other."""

    def __init__(self, reader: Reader, listed: list[dict[str, Any]]) -> None:
        self._reader = reader
        self._listed = listed
        self._by_name: dict[str, int] = {}
        for number, one in enumerate(listed):
            if isinstance(one.get("name"), str):
                self._by_name.setdefault(one["name"], number)
        self._told: set[int] = set()

    def refuse_same_names(self) -> None:
        """Note every liquid whose name another one bears already."""
        seen: dict[str, int] = {}
        for number, one in enumerate(self._listed):
            if not isinstance(one.get("name"), str):
                continue
            first = seen.setdefault(_same_name(one["name"]), number)
            if first != number:
                self._reader.fault(
                    ("liquids", number, "name"),
                    f"{wording.quoted(one['name'])} is the name of liquid {first + 1} already",
                    "give each liquid a name of its own (capitals and spaces do not count)",
                )

    def whole(self, number: int) -> dict[str, Any]:
        """The keys of a liquid with those that it takes over."""
        chain = [number]
        while (base := self._base(chain[-1])) is not None:
            if base in chain:
                self._cycle(chain[chain.index(base) :])
                break
            chain.append(base)
        whole: dict[str, Any] = {}
        for one in reversed(chain):
            whole |= {k: v for k, v in self._listed[one].items() if k not in ("name", "based_on")}
        own = self._listed[number]
        return whole | {k: own[k] for k in ("name", "based_on") if k in own}

    def _base(self, number: int) -> int | None:
        named = self._listed[number].get("based_on")
        if not isinstance(named, str):
            return None
        if named not in self._by_name and number not in self._told:
            self._told.add(number)
            near = wording.nearest(named, self._by_name)
            known = ", ".join(wording.quoted(n) for n in self._by_name)
            hint = f"did you mean {near!r}? " if near else ""
            self._reader.fault(
                ("liquids", number, "based_on"),
                f"there is no liquid {wording.quoted(named)}",
                f"{hint}liquids: {known}"[:200],
            )
        return self._by_name.get(named)

    def _cycle(self, ring: list[int]) -> None:
        first = min(ring)
        if first in self._told:
            return
        self._told.add(first)
        names = [str(self._listed[one]["name"])[:40] for one in [*ring[:5], ring[0]]]
        self._reader.fault(
            ("liquids", first, "based_on"),
            f"goes in a circle: {' -> '.join(names)}",
            "one of them must stand on its own",
        )


def _same_name(name: str) -> str:
    """What two names have in common when people would take them for the same."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _uniform_backwards(reader: Reader, path: KeyPath, keys: Any, what: str) -> None:
    """Uniform laws, also inside mixtures, must not end before they begin."""
    for number, part in enumerate(getattr(keys, "parts", ())):
        _uniform_backwards(reader, (*path, "parts", number), part, what)
    if getattr(keys, "law", None) != "uniform":
        return
    least, greatest = (getattr(keys, f"{end}_{what}_um") for end in ("least", "greatest"))
    if greatest < least:
        reader.fault(
            (*path, f"greatest_{what}_um"),
            f"got {greatest:g}, below least_{what}_um ({least:g})",
            "swap the two",
        )


def _tables(reader: Reader, path: KeyPath, keys: Any, what: str, folder: Path) -> None:
    """Note every file of a law, also inside a mixture, that holds no such table."""
    for number, part in enumerate(getattr(keys, "parts", ())):
        _tables(reader, (*path, "parts", number), part, what, folder)
    if getattr(keys, "law", None) != "table":
        return
    try:
        if what == "radius":
            read_radii(folder / keys.file)
        else:
            read_sizes(folder / keys.file, f"{what}_um")
    except ValueError as fault:
        reader.fault((*path, "file"), str(fault))


def _flow_law(reader: Reader, path: KeyPath, keys: Any, folder: Path) -> None:
    """Note a law whose figures make no flow curve, or whose file holds none."""
    zero = getattr(keys, "zero_mPa_s", None)
    if zero is not None and keys.infinite_mPa_s > zero:
        reader.fault(
            (*path, "infinite_mPa_s"),
            f"got {keys.infinite_mPa_s:g}, above zero_mPa_s ({zero:g})",
            "swap the two",
        )
        return
    try:
        law = viscosity_law(keys, folder)
        if isinstance(law, FlowCurve):
            from poresim.tube.curve_tables import curve_tables

            curve_tables(law)
    except PlateauFault as fault:
        key = fault.name.replace("viscosity", "mPa_s")
        reader.fault((*path, key), fault.wrong, fault.right)
    except ValueError as fault:
        at = (*path, "file") if keys.law == "measured" else path
        reader.fault(at, str(fault).replace("infinite_viscosity", "infinite_mPa_s"))


def softening(reader: Reader, keys: schema.Softening, spec: SolidSpec) -> None:
    """Note what a block that softens lacks: it has to be a block, of a mass that is known."""
    if spec.network is not None:
        reader.fault(
            ("softening",), "is given with a network file", "it is for blocks: leave it out"
        )
    elif keys.overhang_mm is not None and spec.dry_density is None:
        reader.fault(
            ("softening", "overhang_mm"),
            "is given, but the block's mass is not known",
            "give solid.dry_density_kg_m3, or leave this out",
        )


def swelling(
    reader: Reader, keys: schema.Swelling, softening: schema.Softening | None
) -> Swelling | None:
    """How walls swell; their time of exchange is softening's, or their own."""
    shared = None if softening is None else softening.wall_s
    own = keys.wall_s
    if own is None and shared is None:
        reader.fault(
            ("solid", "swelling"),
            "says no wall_s",
            "give the time in s in which a wall takes up water, here or in [softening]",
        )
        return None
    if own is not None and shared is not None and own != shared:
        reader.fault(
            ("solid", "swelling", "wall_s"),
            f"got {own:g}, and softening.wall_s is {shared:g}",
            "walls have one time of exchange: leave this out",
        )
        return None
    exchange = own if own is not None else shared
    assert exchange is not None
    return Swelling(keys.narrowing, exchange)


def snapshots(
    reader: Reader, keys: schema.Run, spec: SolidSpec, liquids: Sequence[LiquidSpec]
) -> None:
    """Note more snapshots than there is memory for."""
    classes = most_classes(liquids)
    solid, free = plan_solid(spec, keys.snapshots, classes), available_bytes()
    needed = solid.memory_bytes
    if needed > free:
        without = plan_solid(spec, 0, classes).memory_bytes
        most = keys.snapshots * max(free - without, 0) // (needed - without)
        reader.fault(
            ("run", "snapshots"),
            f"{keys.snapshots} snapshots of {solid.tubes:,} tubes need about {in_words(needed)} "
            f"of memory, and {in_words(free)} is free",
            f"keep {most} or fewer, or make the block smaller",
        )
