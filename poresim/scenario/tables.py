"""Sizes from CSV files with a header: lists, and cumulative curves of porosimetry."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from poresim.solid.sizes import Intrusion, SizeLaw, Table

Floats = NDArray[np.float64]

_UM = 1e-6
_HEADING = re.compile(r"[\w .()/%^-]{1,40}")
_LARGEST_TABLE = 20_000  # rows
_LARGEST_FILE = 5_000_000  # bytes
_VOLUME = "intruded_mL_g"


@dataclass(frozen=True)
class _Rows:
    """A CSV file: names of its columns, and its filled rows with their lines."""

    path: Path
    header: list[str]
    rows: list[tuple[int, list[str]]]

    def numbers(self, name: str, *, least_open: bool) -> Floats:
        """A column; ValueError at the first cell that is no number above 0 (or from 0 up)."""
        place, found = self.header.index(name), []
        for line, row in self.rows:
            try:
                value = float(row[place])
            except (ValueError, IndexError):
                value = math.nan
            if not (0 < value < 1e9 or (value == 0 and not least_open)):
                given = row[place][:30] if place < len(row) else "nothing"
                raise ValueError(
                    f"{self.path}, line {line}: {name} is {given!r}; a number "
                    f"{'above' if least_open else 'of at least'} 0 is expected"
                )
            found.append(value)
        return np.array(found)

    def weights(self, names: tuple[str, ...]) -> Floats | None:
        """The column of one of these names, if there is one."""
        here = [name for name in names if name in self.header]
        if len(here) > 1:
            raise ValueError(f"{self.path}: has {' and '.join(here)}; keep one of them")
        if not here:
            return None
        weights = self.numbers(here[0], least_open=False)
        if weights.sum() <= 0:
            raise ValueError(f"{self.path}: every {here[0]} is 0; at least one must be above 0")
        return weights


def read_table(path: Path, column: str) -> tuple[Floats, Floats | None]:
    """A column of sizes and, if there is one, a column "weight" from a CSV file with a header.

    Diameters are weighted by volume of grains, and their weights may be headed "volume_share".
    Raises ValueError (one line) when it is no such file.
    """
    table = _read(path, (column,))
    sizes = table.numbers(column, least_open=True)
    return sizes, table.weights(("weight", "volume_share"))


def read_radii(path: Path) -> SizeLaw:
    """The law of the tube radii that a CSV file holds; a diameter is twice the radius.

    A list, as from tomography: ``radius_um`` or ``diameter_um``, each row drawn with its
    ``count`` (or ``weight``), by number of tubes; nothing is drawn between rows.

    A curve, as from porosimetry: ``diameter_um`` (or ``radius_um``) and ``intruded_mL_g``, the
    volume intruded so far, so it rises as the diameter falls. The rows may run either way. The
    volume becomes a number of tubes as :class:`poresim.solid.sizes.Intrusion` says: in a lattice
    of tubes of one length, number is proportional to volume over diameter squared. What was
    intruded at the widest diameter already lies outside the curve and is left out.

    Raises ValueError (one line) when it is no such file.
    """
    table = _read(path, ("radius_um", "diameter_um"))
    if "radius_um" in table.header and "diameter_um" in table.header:
        raise ValueError(f"{path}: has radius_um and diameter_um; keep one of them")
    column = "radius_um" if "radius_um" in table.header else "diameter_um"
    sizes = table.numbers(column, least_open=True) * (_UM if column == "radius_um" else 0.5 * _UM)
    if _VOLUME in table.header:
        return _intrusion(table, column, sizes)
    near = [name for name in table.header if name.lower().startswith("intruded")]
    if near:
        raise ValueError(f"{path}: has a column {near[0][:40]!r}; the unit here is {_VOLUME}")
    return Table(sizes, table.weights(("weight", "count")))


def _intrusion(table: _Rows, column: str, sizes: Floats) -> Intrusion:
    path = table.path
    if table.weights(("weight", "count")) is not None:
        raise ValueError(f"{path}: has {_VOLUME} and a weight or count; keep one of them")
    volume = table.numbers(_VOLUME, least_open=False)
    if len(sizes) < 2:
        raise ValueError(f"{path}: has one row; a curve of {_VOLUME} needs two or more")
    rising = sizes[-1] > sizes[0]
    wrong = np.flatnonzero(np.diff(sizes) <= 0 if rising else np.diff(sizes) >= 0)
    if len(wrong):
        raise ValueError(
            f"{path}, line {table.rows[wrong[0] + 1][0]}: {column} does not go on "
            f"{'rising' if rising else 'falling'}; sort the rows, each {column} once"
        )
    fallen = np.flatnonzero(np.diff(volume) > 0 if rising else np.diff(volume) < 0)
    if len(fallen):
        raise ValueError(
            f"{path}, line {table.rows[fallen[0] + 1][0]}: {_VOLUME} must not fall as {column} "
            "falls; it is cumulative, the volume intruded so far"
        )
    if volume.max() == volume.min():
        raise ValueError(f"{path}: {_VOLUME} stays the same; nothing is intruded between the rows")
    order = slice(None) if rising else slice(None, None, -1)
    return Intrusion(sizes[order], volume[order])


def _read(path: Path, columns: tuple[str, ...]) -> _Rows:
    """The rows of a file that has at least one of these columns."""
    wanted = " or ".join(columns)
    try:
        if "\0" in str(path):
            raise ValueError(f"{path}: is no name of a file")
        if path.exists() and not path.is_file():
            raise ValueError(f"{path}: is not a file")
        if path.stat().st_size > _LARGEST_FILE:
            raise ValueError(f"{path}: is larger than {_LARGEST_FILE:,} bytes")
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(zip(range(_LARGEST_TABLE + 2), csv.reader(file), strict=False))
    except (OSError, UnicodeError, csv.Error) as fault:
        reason = "not UTF-8 text" if isinstance(fault, UnicodeError) else str(fault)
        reason = getattr(fault, "strerror", None) or reason
        raise ValueError(f"{path}: cannot be read ({reason})") from None
    filled = [(number + 1, row) for number, row in rows if any(cell.strip() for cell in row)]
    if not filled:
        raise ValueError(f"{path}: is empty; a header with {wanted} is expected")
    header = [cell.strip() for cell in filled[0][1]]
    if not any(column in header for column in columns):
        # Whatever else the file may be, its text is not for showing.
        names = ", ".join(name for name in header if _HEADING.fullmatch(name))[:80]
        raise ValueError(f"{path}: has no column {wanted}{', only ' * bool(names)}{names}")
    if len(filled) < 2 or len(rows) > _LARGEST_TABLE + 1:
        raise ValueError(
            f"{path}: has {'no rows' if len(filled) < 2 else 'too many rows'}; "
            f"1 to {_LARGEST_TABLE} are expected below the header"
        )
    return _Rows(path, header, filled[1:])
