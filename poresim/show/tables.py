"""The numbers that a figure draws, as it has them: what is written beside it as CSV."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from poresim.brief import Brief, Rows
from poresim.record.files import write_text
from poresim.tables.writing import Cell, csv_text

_PLAIN = {"µ": "u", "μ": "u", "%": "percent", "°": "deg", "²": "2", "³": "3", "√": "sqrt_"}


@dataclass(frozen=True, repr=False)
class Table(Brief):
    """Columns by name, and runs of rows, such as one a line that is drawn.

    blocks : each has as many cells as there are columns: an array (n,) of the run's n rows, or what
    is the same in all of them. Without an array it is one row. digits : of its numbers.
    """

    head: tuple[str, ...]
    blocks: Sequence[Sequence[Any]]
    digits: int = 10

    def __post_init__(self) -> None:
        if any(len(block) != len(self.head) for block in self.blocks):
            raise ValueError(f"a block of other columns than {', '.join(self.head)}")

    def rows(self) -> Iterator[list[Cell]]:
        """All rows."""
        for block in self.blocks:
            counts = {len(cell) for cell in block if isinstance(cell, np.ndarray)}
            if len(counts) > 1:
                raise ValueError(f"columns of {sorted(counts)} rows")
            count = counts.pop() if counts else 1
            columns = [
                c.tolist() if isinstance(c, np.ndarray) else [_plain(c)] * count for c in block
            ]
            yield from map(list, zip(*columns, strict=True))

    def _told(self) -> tuple[str, Rows]:
        return f"Table of {sum(1 for _ in self.rows()):,} rows", [
            ("columns", ", ".join(self.head)),
            ("as CSV", ".text()"),
        ]

    def text(self) -> str:
        """As a CSV file."""
        return csv_text(self.head, self.rows(), self.digits)


def write_table(path: Path, table: Table) -> None:
    """Write it, UTF-8, whole or not at all."""
    write_text(path, table.text())


def column(name: str, unit: str = "") -> str:
    """``uptake_at_10_s_mg``: a name in a table, of letters, digits and ``_``."""
    whole = f"{name} {unit}".strip()
    for sign, plain in _PLAIN.items():
        whole = whole.replace(sign, plain)
    return re.sub(r"[^0-9A-Za-z]+", "_", whole).strip("_") or "value"


def spread_columns(name: str, unit: str = "") -> tuple[str, str, str]:
    """Of a line with a band: ``uptake_mg_median``, ``uptake_mg_low``, ``uptake_mg_high``."""
    whole = column(name, unit)
    return f"{whole}_median", f"{whole}_low", f"{whole}_high"


def _plain(value: Any) -> Cell:
    cell: Cell = value.item() if isinstance(value, np.generic) else value
    return cell
