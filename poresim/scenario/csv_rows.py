"""Rows of the CSV files that a scenario names.

Columns are separated by commas, below a header that names them with their units; decimals have a
point. Lines that begin with # are comments. Every fault is a ValueError of one line.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_ROWS = 20_000
_LARGEST_FILE = 5_000_000  # bytes
_HEADING = re.compile(r"[\w .()/%^-]{1,40}")


@dataclass(frozen=True)
class Rows:
    """A file's rows that hold anything, without comments."""

    path: Path
    header: list[str]
    body: list[tuple[int, list[str]]]  # line in the file, cells

    def numbers(self, name: str, *, least_open: bool = True) -> Floats:
        """A column; ValueError at the first cell that is no number above 0 (or from 0 up)."""
        place, found = self.header.index(name), []
        for line, row in self.body:
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

    def only(self) -> str:
        """The columns there are. Whatever else the file may be, its text is not for showing."""
        names = ", ".join(name for name in self.header if _HEADING.fullmatch(name))[:80]
        return f"{', only ' * bool(names)}{names}"

    def refuse_count(self, fewest: int, most: int) -> None:
        """Raise unless there are that many rows."""
        count = len(self.body)
        if not fewest <= count <= most:
            few = f"{count or 'no'} row{'' if count == 1 else 's'}"
            many = "too many rows" if count > most else few
            raise ValueError(
                f"{self.path}: has {many}; {fewest} to {most} are expected below the header"
            )


def read_rows(path: Path, expected: str) -> Rows:
    """The rows of a file, up to one more than any table may have.

    Raises ValueError (one line): no readable file, or an empty one; ``expected`` says what its
    header should have had.
    """
    try:
        if "\0" in str(path):
            raise ValueError(f"{path}: is no name of a file")
        if path.exists() and not path.is_file():
            raise ValueError(f"{path}: is not a file")
        if path.stat().st_size > _LARGEST_FILE:
            raise ValueError(f"{path}: is larger than {_LARGEST_FILE:,} bytes")
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(islice(_filled(file), MOST_ROWS + 2))
    except (OSError, UnicodeError, csv.Error) as fault:
        reason = "not UTF-8 text" if isinstance(fault, UnicodeError) else str(fault)
        reason = getattr(fault, "strerror", None) or reason
        raise ValueError(f"{path}: cannot be read ({reason})") from None
    if not rows:
        raise ValueError(f"{path}: is empty; a header with {expected} is expected")
    return Rows(path, [cell.strip() for cell in rows[0][1]], rows[1:])


def _filled(file: Iterator[str]) -> Iterator[tuple[int, list[str]]]:
    """(line, cells) of the rows that hold anything."""
    bare = ("\n" if line.lstrip().startswith("#") else line for line in file)
    reader = csv.reader(bare)
    for row in reader:
        if any(cell.strip() for cell in row):
            yield reader.line_num, row
