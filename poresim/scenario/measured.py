"""What was measured at the bench, as a scenario names it: ``[[measured]]``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from poresim.scenario import schema
from poresim.tables.courses import FilmedDrop, SnapForces, read_filmed_drop, read_snap_forces
from poresim.tables.rows import TableError
from poresim.tables.weights import WeightLog, read_weights

if TYPE_CHECKING:
    from poresim.scenario.reading import Reader

_MOST = 200
_KINDS = ("uptake", "angle", "angle_deg", "snap_force")
_RIGHT = f"give one of {', '.join(_KINDS[:-1])} or {_KINDS[-1]}"


@dataclass(frozen=True)
class ReadAngle:
    """An angle that was read once. angle_deg, with its standard deviation."""

    angle_deg: float
    sd_deg: float


@dataclass(frozen=True, eq=False)
class Measurement:
    """Of the liquid with that name: weight logs (one a repeat), a filmed drop, an angle, forces."""

    liquid: str
    of: tuple[WeightLog, ...] | FilmedDrop | ReadAngle | SnapForces


def measured(reader: Reader, folder: Path, liquids: Sequence[str]) -> tuple[Measurement, ...]:
    """Every measurement that is without fault; faults are noted.

    liquids : names that there are.
    """
    listed = reader.data.get("measured")
    if listed is None:
        return ()
    if not isinstance(listed, list) or not all(isinstance(one, dict) for one in listed):
        reader.fault(("measured",), "is not a list of tables", "write [[measured]], one a log")
        return ()
    if len(listed) > _MOST:
        reader.fault(("measured",), f"are {len(listed)}", f"a scenario has at most {_MOST}")
        return ()
    found = []
    for number, table in enumerate(listed):
        keys = reader.validated(schema.MeasuredData, table, ("measured", number))
        if keys is not None:
            one = _one(reader, keys, number, folder, liquids)
            if one is not None:
                found.append(one)
    return tuple(found)


def _one(
    reader: Reader,
    keys: schema.MeasuredData,
    number: int,
    folder: Path,
    liquids: Sequence[str],
) -> Measurement | None:
    where = ("measured", number)
    if keys.liquid not in liquids:
        there = ", ".join(liquids)[:200]
        reader.fault((*where, "liquid"), f"names {keys.liquid[:80]!r}", f"there are {there}")
        return None
    given = [name for name in _KINDS if getattr(keys, name) is not None]
    if len(given) != 1:
        wrong = f"gives {' and '.join(given)}" if given else "measures nothing"
        reader.fault(where, wrong, _RIGHT)
        return None
    kind = given[0]
    if (keys.sd_deg is None) == (kind == "angle_deg"):
        right = "give angle_deg and sd_deg together; a file has a column sd_deg"
        reader.fault((*where, "sd_deg"), "belongs beside angle_deg", right)
        return None
    if kind == "angle_deg":
        assert keys.angle_deg is not None and keys.sd_deg is not None
        return Measurement(keys.liquid, ReadAngle(keys.angle_deg, keys.sd_deg))
    if kind == "uptake" and not _weighed_dry(reader):
        reader.fault(
            ("solid", "dry_mass_g"),
            "is missing",
            "give the dry mass in g of the piece that was weighed: logs are compared by that",
        )
        return None
    path = folder / getattr(keys, kind)
    try:
        if kind == "uptake":
            return Measurement(keys.liquid, tuple(read_weights(path)))
        if kind == "angle":
            return Measurement(keys.liquid, read_filmed_drop(path))
        return Measurement(keys.liquid, read_snap_forces(path))
    except TableError as fault:
        reader.fault((*where, kind), str(fault))
        return None


def _weighed_dry(reader: Reader) -> bool:
    """Whether the dry mass of a piece is given, even by a [solid] that is at fault."""
    solid = reader.data.get("solid")
    return isinstance(solid, dict) and "dry_mass_g" in solid
