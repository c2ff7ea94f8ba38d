"""Sizes from CSV files with a header: lists, and cumulative curves of porosimetry."""

from __future__ import annotations

from pathlib import Path

from poresim.solid.sizes import Intrusion, SizeLaw, Table
from poresim.tables.porosimetry import VOLUME, read_intrusion
from poresim.tables.rows import MOST_ROWS, Floats, Rows, TableError, read_rows

_UM = 1e-6


def read_sizes(path: Path, column: str) -> tuple[Floats, Floats | None]:
    """A column of sizes and, if there is one, a column "weight" from a CSV file with a header.

    Diameters are weighted by volume of grains, and their weights may be headed "volume_share".
    Raises ValueError (one line) when it is no such file.
    """
    table = _read(path, (column,))
    sizes = table.numbers(column)
    return sizes, _weights(table, ("weight", "volume_share"))


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
        raise TableError(f"{path}: has radius_um and diameter_um; keep one of them")
    column = "radius_um" if "radius_um" in table.header else "diameter_um"
    sizes = table.numbers(column) * (_UM if column == "radius_um" else 0.5 * _UM)
    if VOLUME in table.header:
        curve = read_intrusion(table)
        return Intrusion(curve.radius, curve.volume)
    near = [name for name in table.header if name.lower().startswith("intruded")]
    if near:
        raise TableError(f"{path}: has a column {near[0][:40]!r}; the unit here is {VOLUME}")
    return Table(sizes, _weights(table, ("weight", "count")))


def _read(path: Path, columns: tuple[str, ...]) -> Rows:
    """The rows of a file that has at least one of these columns."""
    wanted = " or ".join(columns)
    rows = read_rows(path, wanted)
    if not any(column in rows.header for column in columns):
        raise TableError(f"{path}: has no column {wanted}{rows.only()}")
    rows.refuse_count(1, MOST_ROWS)
    return rows


def _weights(rows: Rows, names: tuple[str, ...]) -> Floats | None:
    """The column of one of these names, if there is one."""
    here = [name for name in names if name in rows.header]
    if len(here) > 1:
        raise TableError(f"{rows.path}: has {' and '.join(here)}; keep one of them")
    if not here:
        return None
    weights = rows.numbers(here[0], least_open=False)
    if weights.sum() <= 0:
        raise TableError(f"{rows.path}: every {here[0]} is 0; at least one must be above 0")
    return weights
