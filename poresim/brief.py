"""How results show themselves: a few lines in a terminal, a small table in a notebook.

Stands below everything and imports nothing of it: results of all kinds are told alike.
"""

from __future__ import annotations

import html
import math
import unicodedata
from collections.abc import Sequence
from typing import Any

Rows = Sequence[tuple[str, str]]  # name, and value in words with its unit

_MOST = 200  # letters of a name or a value
_VOLUMES = (("mL", 1e6), ("µL", 1e9), ("nL", 1e12), ("pL", 1e15))
_LENGTHS = (("m", 1.0), ("mm", 1e3), ("µm", 1e6), ("nm", 1e9))


class Brief:
    """Of results that say in :meth:`_told` what they are, and their figures by name."""

    def _told(self) -> tuple[str, Rows]:
        raise NotImplementedError

    def __repr__(self) -> str:
        return as_lines(*self._told())

    def _repr_html_(self) -> str:
        return as_table(*self._told())


def one_line(text: str, most: int = _MOST) -> str:
    """Text from a file, safe to show: no control characters, one line, never too long."""
    clean = "".join(" " if unicodedata.category(c)[0] in "CZ" else c for c in text)
    return " ".join(clean.split())[:most]


def as_lines(title: str, rows: Rows) -> str:
    """A line for what it is, and one a row below it."""
    told = [(one_line(name), one_line(value)) for name, value in rows]
    wide = max((len(name) for name, _ in told), default=0)
    return "\n".join([one_line(title), *(f"  {name:{wide}}  {value}" for name, value in told)])


def as_table(title: str, rows: Rows) -> str:
    """The same as HTML, escaped; nothing in it acts or comes from elsewhere."""
    left = ' style="text-align:left"'
    body = "".join(
        f'<tr><th scope="row"{left}>{html.escape(one_line(name))}</th>'
        f"<td{left}>{html.escape(one_line(value))}</td></tr>"
        for name, value in rows
    )
    caption = f"<caption{left}>{html.escape(one_line(title))}</caption>"
    return f"<table>{caption}<tbody>{body}</tbody></table>"


def volume(value_m3: float) -> str:
    """``3.1 µL``, to three figures."""
    return _scaled(value_m3, _VOLUMES)


def length(value_m: float) -> str:
    """``15 µm``, to three figures."""
    return _scaled(value_m, _LENGTHS)


def span(values: Any) -> str:
    """From the least to the greatest; one number where they are the same."""
    ends = dict.fromkeys(f"{value:.3g}" for value in (min(values), max(values)))
    return " to ".join(ends)


def _scaled(value: float, units: Sequence[tuple[str, float]]) -> str:
    if not math.isfinite(value):
        return "not known"
    unit, factor = next((u for u in units if abs(value) * u[1] >= 1), units[-1 if value else 1])
    return f"{value * factor:.3g} {unit}"
