"""Weight logs from CSV files: a time, a mass, and for repeats in one file a column ``repeat``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from poresim.tables.rows import MOST_ROWS, Floats, Rows, TableError, read_rows

TIME = {"time_s": 1.0, "time_min": 60.0, "time_h": 3600.0}
MASS = {"mass_g": 1e-3, "mass_kg": 1.0, "mass_mg": 1e-6}
REPEAT = "repeat"
FEWEST = 4
_MOST_REPEATS = 50
_NAMED = 30  # letters of a repeat's name that are kept


@dataclass(frozen=True, eq=False)
class WeightLog:
    """One piece's log. name : of the repeat, "" where the file holds one. time_s (k,) rising, from
    0 s or later. mass_kg (k,) as the balance showed it, of either sign."""

    path: Path
    name: str
    time_s: Floats
    mass_kg: Floats

    @property
    def label(self) -> str:
        """What the log is called where something is said of it."""
        return f"{self.path}, repeat {self.name}" if self.name else str(self.path)


def read_weights(path: Path) -> list[WeightLog]:
    """The logs of a file, one a repeat, in the order in which they begin there.

    Raises TableError (one line) when it is no such file, for times below 0 s and for times that do
    not rise within a repeat.
    """
    rows = read_rows(path, "time_s and mass_g")
    time = rows.needed(TIME, signed=True)
    mass = rows.needed(MASS, signed=True)
    rows.refuse_count(FEWEST, MOST_ROWS)
    names = _repeats(rows)
    column = rows.name_of(TIME)
    logs = []
    for name in dict.fromkeys(names):
        here = np.flatnonzero([other == name for other in names])
        _refuse_times(rows, column, time, here)
        log = WeightLog(path, name, time[here], mass[here])
        if len(here) < FEWEST:
            raise TableError(f"{log.label}: has {len(here)} readings; {FEWEST} or more are needed")
        logs.append(log)
    if len(logs) > _MOST_REPEATS:
        raise TableError(f"{path}: has {len(logs)} repeats; {_MOST_REPEATS} at most are read")
    return logs


def _refuse_times(rows: Rows, column: str, time: Floats, here: np.ndarray) -> None:
    """Raise at the first time, of the rows of one repeat, that is before 0 or does not rise."""
    unit, factor = column.removeprefix("time_"), TIME[column]
    before = -np.inf
    for i in here:
        line, now = rows.body[i][0], time[i] / factor
        if now < 0:
            raise TableError(
                f"{rows.path}, line {line}: {column} is {now:g}; count time from when the face "
                "meets the liquid, and give the dry mass at time 0"
            )
        if now <= before:
            raise TableError(
                f"{rows.path}, line {line}: {column} is {now:g} after {before:g} {unit}; time must "
                f"rise (for repeats in one file add a column {REPEAT!r})"
            )
        before = now


def _repeats(rows: Rows) -> list[str]:
    """What each row has in the column ``repeat``; "" where there is none."""
    if REPEAT not in rows.header:
        return [""] * len(rows.body)
    place, names = rows.header.index(REPEAT), []
    for line, row in rows.body:
        name = row[place].strip()[:_NAMED] if place < len(row) else ""
        if not name:
            raise TableError(f"{rows.path}, line {line}: {REPEAT} is empty; a name is expected")
        names.append(name)
    return names
