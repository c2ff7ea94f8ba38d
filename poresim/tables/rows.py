"""Rows of a CSV file with a header whose names carry their units.

Columns are separated by commas, semicolons or tabs: by whichever the header has. Decimals have a
point, or a comma where columns are separated by something else (or the cell stands in quotes).
UTF-8, or UTF-16 as spreadsheets save it, with a mark at the start or without. Lines that begin with
# are comments. Every fault is a TableError of one line.
"""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_ROWS = 20_000
_LARGEST_FILE = 5_000_000  # bytes
_HEADING = re.compile(r"[\w .()/%^-]{1,40}")
_BETWEEN = {",": "commas", ";": "semicolons", "\t": "tabs"}
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+")
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")


class TableError(ValueError):
    """A file that does not hold the table that is asked for; one line."""

    wrong_request = True


@dataclass(frozen=True)
class Rows:
    """A file's rows that hold anything, without comments."""

    path: Path
    header: list[str]
    body: list[tuple[int, list[str]]]  # line in the file, cells
    separator: str = ","

    def numbers(self, name: str, *, least_open: bool = True, signed: bool = False) -> Floats:
        """A column; TableError at the first cell that is no number above 0.

        least_open : False lets it be 0. signed : it may be any number.
        """
        place, found = self.header.index(name), []
        bound = "above 0" if least_open else "of at least 0"
        for line, row in self.body:
            given = row[place].strip() if place < len(row) else ""
            value = self._number(given)
            fits = value > 0 or (value == 0 and not least_open) or signed
            if not (fits and abs(value) < 1e9):
                shown = repr(given[:30]) if given else "empty"
                right = f"a number{'' if signed else ' ' + bound} is expected"
                raise TableError(
                    f"{self.path}, line {line}: {name} is {shown}; "
                    f"{self._units_row(line, row) or right}"
                )
            found.append(value)
        return np.array(found)

    def quantity(
        self,
        units: Mapping[str, float],
        *,
        least_open: bool = True,
        signed: bool = False,
        within: tuple[float, float] | None = None,
    ) -> Floats | None:
        """The column with one of these names, in SI units; None if there is none.

        units : what a column may be called, and by what it is multiplied. within : bounds (SI) of
        what is not 0. Raises TableError where two of them are there, or for cells as
        :meth:`numbers` and those beyond the bounds.
        """
        name = self.name_of(units)
        if not name:
            return None
        given, factor = self.numbers(name, least_open=least_open, signed=signed), units[name]
        low, high = within or (0.0, math.inf)
        size = np.abs(given) * factor
        beyond = np.flatnonzero((given != 0) & ((size < low) | (size > high)))
        if len(beyond):
            raise TableError(
                f"{self.path}, line {self.body[beyond[0]][0]}: {name} is {given[beyond[0]]:g}; "
                f"from {low / factor:g} to {high / factor:g} is expected"
            )
        return given * factor

    def name_of(self, units: Mapping[str, float]) -> str:
        """The column that has one of these names; "" if there is none."""
        found = [name for name in self.header if name in units]
        if len(found) > 1:
            raise TableError(
                f"{self.path}: gives {' and '.join(found[:3])}; one column of a kind is expected"
            )
        return found[0] if found else ""

    def needed(
        self,
        units: Mapping[str, float],
        *,
        least_open: bool = True,
        signed: bool = False,
        within: tuple[float, float] | None = None,
    ) -> Floats:
        """As :meth:`quantity`; TableError if there is none, which names the nearest there is."""
        found = self.quantity(units, least_open=least_open, signed=signed, within=within)
        if found is None:
            raise TableError(f"{self.path}: has no column {' or '.join(units)}{self._near(units)}")
        return found

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
            raise TableError(
                f"{self.path}: has {many}; {fewest} to {most} are expected below the header"
            )

    def _refuse_ragged(self) -> None:
        """Raise where a row has more cells than the header."""
        for line, row in self.body:
            if len(row) > len(self.header) and any(c.strip() for c in row[len(self.header) :]):
                said = "write decimals with a point, or separate columns by semicolons"
                raise TableError(
                    f"{self.path}, line {line}: has {len(row)} cells, and the header "
                    f"{len(self.header)}" + (f"; {said}" if self.separator == "," else "")
                )

    def _number(self, given: str) -> float:
        """NaN for what is none, or could be two."""
        if "," in given:
            if "." in given or (self.separator == "," and _THOUSANDS.fullmatch(given)):
                return math.nan
            given = given.replace(",", ".", 1)
        if "_" in given:
            return math.nan
        try:
            return float(given)
        except ValueError:
            return math.nan

    def _units_row(self, line: int, row: list[str]) -> str:
        """What to say of a row below the header that holds units; "" of any other."""
        first = bool(self.body) and line == self.body[0][0]
        if first and len(self.body) > 1 and all(math.isnan(self._number(c)) for c in row):
            return "a row of units belongs into the header's names: delete the row"
        return ""

    def _near(self, units: Mapping[str, float]) -> str:
        plain = {re.sub(r"\W+", "_", h.lower()).strip("_"): h for h in self.header}
        for name in units:
            close = difflib.get_close_matches(name.lower(), plain, n=1, cutoff=0.6)
            if close and _HEADING.fullmatch(plain[close[0]]):
                return f"; {plain[close[0]]!r} is the nearest"
        return self.only()


def read_rows(path: Path, expected: str) -> Rows:
    """The rows of a file, up to one more than any table may have.

    Raises TableError (one line): no readable file, an empty one, or a row of more cells than the
    header; ``expected`` says what that should have had.
    """
    try:
        if "\0" in str(path):
            raise TableError(f"{path}: is no name of a file")
        if path.exists() and not path.is_file():
            raise TableError(f"{path}: is not a file")
        if path.stat().st_size > _LARGEST_FILE:
            raise TableError(f"{path}: is larger than {_LARGEST_FILE:,} bytes")
        with path.open("rb") as start:
            code = "utf-16" if start.read(2) in _UTF_16 else "utf-8-sig"
        with path.open(encoding=code, newline="") as file:
            separator = _separator(file)
            file.seek(0)
            rows = list(islice(_filled(file, separator), MOST_ROWS + 2))
    except (OSError, UnicodeError, csv.Error) as fault:
        reason = "not UTF-8 text" if isinstance(fault, UnicodeError) else str(fault)
        reason = getattr(fault, "strerror", None) or reason
        raise TableError(f"{path}: cannot be read ({reason})") from None
    if not rows:
        raise TableError(f"{path}: is empty; a header with {expected} is expected")
    found = Rows(path, [cell.strip() for cell in rows[0][1]], rows[1:], separator)
    found._refuse_ragged()
    return found


def _separator(file: Iterator[str]) -> str:
    """What separates the columns of the header."""
    for line in file:
        if line.strip() and not line.lstrip().startswith("#"):
            return max(_BETWEEN, key=lambda mark: (line.count(mark), mark == ","))
    return ","


def _filled(file: Iterator[str], separator: str) -> Iterator[tuple[int, list[str]]]:
    """(line, cells) of the rows that hold anything."""
    bare = ("\n" if line.lstrip().startswith("#") else line for line in file)
    reader = csv.reader(bare, delimiter=separator)
    for row in reader:
        if any(cell.strip() for cell in row):
            yield reader.line_num, row
