"""Curves of mercury porosimetry from CSV files: volume intruded against size or pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from poresim.tables.rows import MOST_ROWS, Floats, Rows, TableError

VOLUME = "intruded_mL_g"
RADII = {"radius_um": 1e-6, "radius_nm": 1e-9}
_DIAMETERS = {"diameter_um": 0.5e-6, "diameter_nm": 0.5e-9}
PRESSURES = {"pressure_MPa": 1e6, "pressure_kPa": 1e3, "pressure_Pa": 1.0}
#: Of mercury where nothing else is said (ISO 15901-1, from memory).
ANGLE_DEG, TENSION = 130.0, 0.485
_SIZES = RADII | _DIAMETERS
_BOUNDS = 1e-10, 1e-2  # m: of any pore


@dataclass(frozen=True, eq=False)
class IntrusionCurve:
    """radius : (k,) rising, m. volume : (k,) m3/kg intruded down to it, falling.

    direct : a scenario can read the file. said : what was decided, a sentence each.
    """

    radius: Floats
    volume: Floats
    direct: bool
    said: list[str] = field(default_factory=list)


def entered_radius(
    pressure: Floats, angle_deg: float = ANGLE_DEG, tension: float = TENSION
) -> Floats:
    """Radius (m) of the round throats that a liquid which does not wet enters at a pressure (Pa).

    r = -2 tension cos(angle) / pressure (Washburn 1921, PNAS 7:115), tension in N/m. For mercury
    0.485 N/m and 130 or 140 degrees are in use (ISO 15901-1, from memory). Raises ValueError: an
    angle up to 90 or above 180 degrees, a tension or pressure that is not above 0.
    """
    p = np.asarray(pressure, np.float64)
    if not 90.0 < angle_deg <= 180.0:
        raise ValueError(
            f"mercury's angle must lie above 90 and up to 180 degrees, got {angle_deg:g}"
        )
    if not (math.isfinite(tension) and tension > 0):
        raise ValueError(f"mercury's tension must be above 0, got {tension:g} N/m")
    if not np.all(np.isfinite(p) & (p > 0)):
        raise ValueError("pressures must be above 0")
    return np.asarray(-2.0 * tension * math.cos(math.radians(angle_deg)) / p)


def read_intrusion(
    rows: Rows, angle_deg: float | None = None, tension: float | None = None
) -> IntrusionCurve:
    """The curve that a file's rows hold; angle and tension are those of mercury, for pressures.

    Raises TableError.
    """
    path = rows.path
    name = rows.name_of(_SIZES | PRESSURES)
    if not name:
        raise TableError(
            f"{path}: has {VOLUME} and no column {' or '.join((*_SIZES, *PRESSURES))}{rows.only()}"
        )
    other = [n for n in ("count", "weight", "volume_share") if n in rows.header]
    if other and VOLUME in rows.header:
        raise TableError(f"{path}: has {VOLUME} and {other[0]}; keep one of them")
    pressed = name in PRESSURES
    if not pressed and (angle_deg is not None or tension is not None):
        raise TableError(f"{path}: gives {name}; an angle or a tension is for pressures alone")
    if VOLUME not in rows.header:
        rows.needed({VOLUME: 1e-3})
    rows.refuse_count(2, MOST_ROWS)
    volume = rows.needed({VOLUME: 1e-3}, least_open=False)
    across = rows.numbers(name)
    rising = refuse_unsorted(rows, name, across)
    up = rising == pressed  # the volume must rise along the rows
    fallen = np.flatnonzero(np.diff(volume) < 0 if up else np.diff(volume) > 0)
    if len(fallen):
        raise TableError(
            f"{path}, line {rows.body[fallen[0] + 1][0]}: {VOLUME} must not fall as {name} "
            f"{'rises' if pressed else 'falls'}; it is cumulative, the volume intruded so far"
        )
    if volume.max() == volume.min():
        raise TableError(f"{path}: {VOLUME} stays the same; nothing is intruded between the rows")
    said = []
    if pressed:
        angle = ANGLE_DEG if angle_deg is None else angle_deg
        gamma = TENSION if tension is None else tension
        try:
            radius = entered_radius(across * PRESSURES[name], angle, gamma)
        except ValueError as fault:
            raise TableError(f"{path}: {fault}") from None
        other_deg = 140.0 if angle < 135 else 130.0
        ratio = math.cos(math.radians(other_deg)) / math.cos(math.radians(angle))
        said.append(
            f"{path}: radii by Washburn, mercury at {angle:g} degrees and {gamma * 1e3:g} mN/m; "
            f"{other_deg:g} degrees would make them {ratio:.3g} times as wide"
        )
    else:
        radius = across * _SIZES[name]
    _refuse_radii(rows, name, radius)
    order = np.argsort(radius)
    radius, volume = radius[order], volume[order]
    if volume[-1] > 0:
        said.append(
            f"{path}: {volume[-1] / volume[0]:.2g} of the volume lies beyond the widest size; "
            "it is left out"
        )
    return IntrusionCurve(radius, volume, name in ("radius_um", "diameter_um"), said)


def _refuse_radii(rows: Rows, name: str, radius: Floats) -> None:
    beyond = np.flatnonzero((radius < _BOUNDS[0]) | (radius > _BOUNDS[1]))
    if len(beyond):
        raise TableError(
            f"{rows.path}, line {rows.body[beyond[0]][0]}: {name} makes a radius of "
            f"{radius[beyond[0]]:.3g} m; pores from {_BOUNDS[0]:g} to {_BOUNDS[1]:g} m are read"
        )


def refuse_unsorted(rows: Rows, name: str, size: Floats) -> bool:
    """Whether a column rises from row to row; TableError where it neither rises nor falls."""
    rising = bool(size[-1] > size[0])
    wrong = np.flatnonzero(np.diff(size) <= 0 if rising else np.diff(size) >= 0)
    if len(wrong):
        raise TableError(
            f"{rows.path}, line {rows.body[wrong[0] + 1][0]}: {name} does not go on "
            f"{'rising' if rising else 'falling'}; sort the rows, each {name} once"
        )
    return rising
