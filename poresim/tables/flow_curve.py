"""Measured flow curves from CSV files. Every fault is a TableError of one line."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from poresim.liquid.curves import MeasuredFlow, PlateauFault, PointsFault
from poresim.tables.rows import Floats, Rows, TableError, read_rows

_FEWEST_POINTS, _MOST_POINTS = 3, 1000
_SAME = 0.02  # a stress this close to rate times viscosity agrees with it

#: What a flow curve's columns are called, and what turns them to SI units.
_RATES = {"shear_rate_1_s": 1.0}
_STRESSES = {"shear_stress_Pa": 1.0, "shear_stress_mPa": 1e-3}
_VISCOSITIES = {"viscosity_Pa_s": 1.0, "viscosity_mPa_s": 1e-3}
FLOW_COLUMNS = "shear_rate_1_s, shear_stress_Pa (or _mPa) and viscosity_mPa_s (or _Pa_s)"


def read_flow_curve(
    path: Path, infinite_viscosity: float = 0.0, zero_viscosity: float = math.inf
) -> MeasuredFlow:
    """A measured flow curve from two of shear rate, shear stress and viscosity, in any order.

    A third column must agree with the other two; plateaus in Pa s. Raises ValueError (one line)
    when it is no such file, or when the curve is none that a liquid can have; PlateauFault.
    """
    rows = read_rows(path, f"two of {FLOW_COLUMNS}")
    return _curve(
        rows, rates_and_viscosities(rows, _FEWEST_POINTS), (infinite_viscosity, zero_viscosity)
    )


def rates_and_viscosities(rows: Rows, fewest: int) -> tuple[Floats, Floats]:
    """Shear rates, 1/s, and viscosities, Pa s, from two of the columns, or three that agree.

    Raises TableError for other columns, for fewer rows or more than a flow curve may have.
    """
    rate, stress, viscosity = (rows.name_of(kind) for kind in (_RATES, _STRESSES, _VISCOSITIES))
    names = [name for name in (rate, stress, viscosity) if name]
    if len(names) < 2:
        raise TableError(f"{rows.path}: has {_too_few(rows, names)}")
    rows.refuse_count(fewest, _MOST_POINTS)
    values = {name: rows.numbers(name) * _unit(name) for name in names}
    if rate and stress and viscosity:
        _refuse_another(rows, values[rate] * values[viscosity], values[stress], stress)
    rates = values[rate] if rate else values[stress] / values[viscosity]
    return rates, values[viscosity] if viscosity else values[stress] / rates


def _curve(
    rows: Rows, points: tuple[Floats, Floats], plateaus: tuple[float, float]
) -> MeasuredFlow:
    """The law of these points; its faults name the lines that they stand in."""
    try:
        return MeasuredFlow(*points, *plateaus)
    except PlateauFault:
        raise
    except PointsFault as fault:
        first, second = sorted(rows.body[k][0] for k in fault.points)
        raise TableError(f"{rows.path}, lines {first} and {second}: {fault}") from None
    except ValueError as fault:
        raise TableError(f"{rows.path}: {fault}") from None


def _too_few(rows: Rows, names: list[str]) -> str:
    had = f"{names[0]} alone" if names else f"none of the columns needed{rows.only()}"
    return f"{had}; a header with two of {FLOW_COLUMNS} is expected"


def _refuse_another(rows: Rows, expected: Floats, stress: Floats, name: str) -> None:
    away = np.flatnonzero(np.abs(stress / expected - 1) > _SAME)
    if len(away):
        k, unit = int(away[0]), _unit(name)
        raise TableError(
            f"{rows.path}, line {rows.body[k][0]}: {name} is {stress[k] / unit:.4g}, but rate "
            f"times viscosity is {expected[k] / unit:.4g}; leave one column out, or mend it"
        )


def _unit(name: str) -> float:
    return (_RATES | _STRESSES | _VISCOSITIES)[name]
