"""What is read off a piece or a drop as time goes: filmed drops and snap forces, from CSV files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from poresim.tables.rows import MOST_ROWS, Floats, TableError, read_rows
from poresim.tables.weights import TIME

_ANGLE, _ANGLE_SD = {"angle_deg": 1.0}, {"sd_deg": 1.0}
_ANGLES = 0.01, 179.99
_BASE = {"base_mm": 1e-3}
_VOLUME = {"volume_uL": 1e-9}
_FORCE = {"force_N": 1.0, "force_mN": 1e-3}


@dataclass(frozen=True, eq=False)
class FilmedDrop:
    """A drop's angle as time goes. time_s, angle_deg (k,); the rest too, or None where not given.

    sd_deg : standard deviations of the angles. base_m : diameter of the base. volume_m3.
    """

    time_s: Floats
    angle_deg: Floats
    sd_deg: Floats | None
    base_m: Floats | None
    volume_m3: Floats | None


@dataclass(frozen=True, eq=False)
class SnapForces:
    """Pieces broken after so long in the liquid: time_s (k,), force_n (k,); times may repeat."""

    time_s: Floats
    force_n: Floats


def read_filmed_drop(path: Path) -> FilmedDrop:
    """Columns time_s (_min, _h) and angle_deg; sd_deg, base_mm and volume_uL if they are there.

    Raises TableError (one line) when it is no such file, or times do not rise.
    """
    rows = read_rows(path, "time_s and angle_deg")
    time = rows.needed(TIME, least_open=False)
    angle = rows.needed(_ANGLE, within=_ANGLES)
    rows.refuse_count(1, MOST_ROWS)
    late = np.flatnonzero(np.diff(time) <= 0)
    if len(late):
        line = rows.body[int(late[0]) + 1][0]
        raise TableError(f"{path}, line {line}: time does not rise; sort the rows, each time once")
    sd, base, volume = (
        rows.quantity(units, least_open=units is _ANGLE_SD) for units in (_ANGLE_SD, _BASE, _VOLUME)
    )
    return FilmedDrop(time, angle, sd, base, volume)


def read_snap_forces(path: Path) -> SnapForces:
    """Columns time_s (_min, _h) and force_N (or force_mN), a row a piece.

    Raises TableError (one line) when it is no such file.
    """
    rows = read_rows(path, "time_s and force_N")
    time = rows.needed(TIME, least_open=False)
    force = rows.needed(_FORCE, least_open=False)
    rows.refuse_count(1, MOST_ROWS)
    order = np.argsort(time, kind="stable")
    return SnapForces(time[order], force[order])
