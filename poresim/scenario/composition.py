"""Figures of a liquid from what it is made of.

Any of density_kg_m3, surface_tension_mN_m and viscosity may be a table such as { water_C = 20 };
made_of = { water_C = 20 } supplies those of them that the liquid does not state itself. Along
based_on the nearest liquid decides: its made_of comes before its base's figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from poresim.liquid.ethanol import ethanol_solution
from poresim.liquid.properties import Properties
from poresim.liquid.sucrose import sucrose_solution
from poresim.liquid.water import water
from poresim.scenario import schema, wording

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Reader

_RIGHT = f"give {schema.Liquid.model_fields['made_of'].description}"
_LOOKED_AT = 5  # keys of a table that may be a composition, of which the longest has two


@dataclass(frozen=True)
class _Made:
    """What stands in place of a figure until liquids have taken over from each other."""

    properties: Properties


# In place of what is at fault, so that nothing more is said of it.
_STAND_IN = _Made(Properties(1000.0, 1e-3, 0.07))


def read(reader: Reader, path: KeyPath, own: dict[str, Any]) -> dict[str, Any]:
    """The keys that a liquid states itself, with its compositions read and their faults noted."""
    stated = {key: value for key, value in own.items() if key != "made_of"}
    for key in schema.FIGURES:
        if _is_composition(key, own.get(key)):
            stated[key] = _made(reader, (*path, key), own[key])
    if "made_of" not in own:
        return stated
    return dict.fromkeys(schema.FIGURES, _made(reader, (*path, "made_of"), own["made_of"])) | stated


def figures(whole: dict[str, Any]) -> tuple[dict[str, Any], bool]:
    """The keys of a liquid with figures in place of compositions; whether there were any."""
    found = {key: v.properties for key, v in whole.items() if isinstance(v, _Made)}
    numbers = {key: _figure(key, properties) for key, properties in found.items()}
    return whole | numbers, bool(found)


def _figure(key: str, properties: Properties) -> Any:
    if key == "density_kg_m3":
        return properties.density
    if key == "surface_tension_mN_m":
        return properties.surface_tension * 1e3
    return {"law": "newtonian", "mPa_s": properties.viscosity * 1e3}


def _is_composition(key: str, given: Any) -> bool:
    if key != "viscosity" or not isinstance(given, dict):
        return isinstance(given, dict)
    first = list(given)[:_LOOKED_AT]
    return "law" not in given and any(wording.nearest(k, schema.OF_COMPOSITIONS) for k in first)


def _made(reader: Reader, path: KeyPath, table: Any) -> _Made:
    if not isinstance(table, dict):
        reader.fault(path, f"got {wording.shown(table)}", _RIGHT)
        return _STAND_IN
    named = [key for key in schema.COMPOSITIONS if key in table]
    if len(named) != 1:
        _refuse(reader, path, table, named)
        return _STAND_IN
    keys = reader.validated(schema.COMPOSITIONS[named[0]], table, path)
    return _STAND_IN if keys is None else _Made(_properties(keys))


def _refuse(reader: Reader, path: KeyPath, table: dict[str, Any], named: list[str]) -> None:
    """Note a composition that names several, or none, stuffs."""
    if named:
        reader.fault(path, f"names {' and '.join(named)}", "one of them is enough")
        return
    for key in list(table)[:_LOOKED_AT]:
        near = wording.nearest(key, schema.COMPOSITIONS, 0.7)
        if near:
            reader.fault((*path, key), "is not a known key", f"did you mean {near}?")
            return
    reader.fault(path, "does not say what of", _RIGHT)


def _properties(keys: schema.Keys) -> Properties:
    if isinstance(keys, schema.Water):
        return water(keys.water_C)
    if isinstance(keys, schema.Sucrose):
        return sucrose_solution(keys.sucrose_percent, keys.temperature_C)
    assert isinstance(keys, schema.Ethanol)
    return ethanol_solution(keys.ethanol_percent, keys.temperature_C)
