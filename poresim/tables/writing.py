"""CSV files as they are written: numbers in full, empty cells for what is not known, safe names."""

from __future__ import annotations

import csv
import io
import math
import unicodedata
from collections.abc import Iterable, Sequence

Cell = str | float | int | None

_FORMULA = "=+-@"  # with which spreadsheets begin what they compute
_QUOTE = "'"


def as_text(name: str) -> str:
    """A name that no spreadsheet takes for a formula: such a one gets an apostrophe before it.

    So does one that begins with an apostrophe; whoever reads the name takes the first one away,
    and has every name as it was. Numbers are left alone, negative ones too.
    """
    first = unicodedata.normalize("NFKC", name.lstrip()[:1])  # wide signs count as well
    return _QUOTE + name if first and first in _FORMULA + _QUOTE else name


def csv_text(head: Sequence[str], rows: Iterable[Sequence[Cell]], digits: int = 10) -> str:
    """The text of a table: commas, quotes where they are needed, lines that end in a newline.

    Numbers have so many digits; what is not finite, or None, is an empty cell.
    """
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(head)
    table.writerows([_cell(value, digits) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: Cell, digits: int) -> str | int:
    if isinstance(value, str):
        return as_text(value)
    if isinstance(value, int):
        return int(value)
    return f"{value:.{digits}g}" if value is not None and math.isfinite(value) else ""
