"""Flow points as a rheometer leaves them: repeated, scattered, up and down, with sds or without."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tables.flow_curve import FLOW_COLUMNS, rates_and_viscosities
from poresim.tables.rows import Floats, Rows, TableError, read_rows

_STRESS_SDS = {"shear_stress_sd_Pa": 1.0, "shear_stress_sd_mPa": 1e-3}
_VISCOSITY_SDS = {"viscosity_sd_Pa_s": 1.0, "viscosity_sd_mPa_s": 1e-3}
_SD = re.compile(r"(^|[\W_])(sd|std|stdev|sigma|error|err)([\W_]|$)", re.IGNORECASE)


class FlowPoints(NamedTuple):
    """Points in the files' order: rate 1/s, stress Pa, its sd Pa (None where no file has sds), and
    which file each stems from; (n,) each."""

    rate: Floats
    stress: Floats
    sd: Floats | None
    run: NDArray[np.int64]


def read_flow_points(paths: Sequence[Path]) -> FlowPoints:
    """The points of files with two of shear rate, shear stress and viscosity, in any order.

    A sd column (``shear_stress_sd_Pa`` or ``viscosity_sd_mPa_s``; the rate counts as exact) must
    stand in all files or in none. Raises TableError (one line) for what is no such file.
    """
    given = [_read(path) for path in paths]
    without = [path for path, (_, _, sd) in zip(paths, given, strict=True) if sd is None]
    if 0 < len(without) < len(paths):
        raise TableError(
            f"{without[0]}: has no sds, and another file has; give them in all files or in none"
        )
    rate, stress = (np.concatenate([one[k] for one in given]) for k in (0, 1))
    sds = [one[2] for one in given if one[2] is not None]
    run = np.repeat(np.arange(len(given)), [len(one[0]) for one in given])
    return FlowPoints(rate, stress, np.concatenate(sds) if sds else None, run)


def _read(path: Path) -> tuple[Floats, Floats, Floats | None]:
    rows = read_rows(path, f"two of {FLOW_COLUMNS}")
    rate, viscosity = rates_and_viscosities(rows, 1)
    stress = rate * viscosity
    return rate, stress, _sds(rows, rate, stress)


def _sds(rows: Rows, rate: Floats, stress: Floats) -> Floats | None:
    """Sds of the stress, Pa. TableError where they are larger than it, or have another name."""
    names = [name for name in rows.header if name in _STRESS_SDS | _VISCOSITY_SDS]
    for name in rows.header:
        if name not in names and _SD.search(name):
            raise TableError(
                f"{rows.path}: has a column {name[:40]!r}; sds are headed "
                f"{' or '.join(_STRESS_SDS | _VISCOSITY_SDS)}"
            )
    if not names:
        return None
    if len(names) > 1:
        raise TableError(f"{rows.path}: gives {' and '.join(names[:3])}; keep one of them")
    given = rows.numbers(names[0])
    units = _STRESS_SDS if names[0] in _STRESS_SDS else _VISCOSITY_SDS
    sd = given * units[names[0]] * (rate if units is _VISCOSITY_SDS else 1.0)
    large = np.flatnonzero(sd >= stress)
    if len(large):
        k = int(large[0])
        raise TableError(
            f"{rows.path}, line {rows.body[k][0]}: {names[0]} is {given[k]:.4g}, as large as the "
            "value itself; look at its unit, or leave the row out"
        )
    return np.asarray(sd)
