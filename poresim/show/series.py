"""What the figures draw: liquids of one or several records, each with its colour and summary."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from poresim.outcome.curves import time_to
from poresim.outcome.spread import Band, band
from poresim.outcome.summary import AT_REST, Summary
from poresim.record.model import LiquidRecord, Record, Repeat
from poresim.record.summaries import summary_of
from poresim.show.style import colour, dashes, label

_FLAT = 1.2  # how much longer than its changes a figure lasts, so that rest is seen


@dataclass(frozen=True, eq=False)
class Series:
    """One liquid of one record, with its place among all that are shown together."""

    name: str
    place: int
    record: Record
    liquid: LiquidRecord
    summary: Summary

    @property
    def colour(self) -> str:
        """Its colour."""
        return colour(self.place)

    @property
    def dashes(self):  # type: ignore[no-untyped-def]
        """Its line kind."""
        return dashes(self.place)

    @property
    def repeats(self) -> list[Repeat]:
        """Its finished repeats."""
        return list(self.liquid.repeats.values())

    @property
    def end_s(self) -> float:
        """Last time of its longest repeat."""
        return max(float(r.time_s[-1]) for r in self.repeats)

    @property
    def busy_s(self) -> float:
        """Until when its curves still change visibly; the end of a repeat that was cut short."""
        return max(_busy(repeat) for repeat in self.repeats)

    def band(self, column: str, when: np.ndarray, index: int | None = None) -> Band:
        """Median and range over the repeats of one column (``index``: of its second axis)."""
        values = [getattr(r, column) for r in self.repeats]
        if index is not None:
            values = [v[:, index] for v in values]
        times = [r.time_s for r in self.repeats]
        return band(times, values, [r.ending in AT_REST for r in self.repeats], when)


def series_of(records: Sequence[Record]) -> list[Series]:
    """Every liquid that has a finished soak; named by its record too when there are several."""
    found: list[Series] = []
    for record in records:
        for liquid in record.liquids:
            if liquid.repeats:
                name = label(liquid.name)
                if len(records) > 1:
                    name = f"{name}, {label(record.name).replace('_', ' ')}"
                same = sum(s.name.partition(" [")[0] == name for s in found)
                name = f"{name} [{same + 1}]" if same else name
                summary = summary_of(record, liquid, name)
                found.append(Series(name, len(found), record, liquid, summary))
    return found


def records_of(series: Sequence[Series]) -> list[Record]:
    """The records that they are from, in their order."""
    return list({id(one.record): one.record for one in series}.values())


def grid(series: Sequence[Series], count: int = 240) -> np.ndarray:
    """Times from 0 until every curve is flat or ends, equally spaced in sqrt(time)."""
    return times_to(max((s.busy_s for s in series), default=1.0), series, count)


def times_to(busy: float, series: Sequence[Series], count: int = 240) -> np.ndarray:
    """Times from 0 until somewhat after ``busy`` s, equally spaced in sqrt(time)."""
    longest = max((s.end_s for s in series), default=1.0)
    end = min(longest, _FLAT * busy) if busy > 0 else longest
    return np.asarray(end * np.linspace(0, 1, count) ** 2)


def _busy(repeat: Repeat) -> float:
    if repeat.ending not in AT_REST:
        return float(repeat.time_s[-1])
    return time_to(repeat.time_s, repeat.saturation, 0.999 * float(repeat.saturation[-1]))


def caution(records: Sequence[Record]) -> str:
    """A remark for the foot of a picture when a scenario calls its values invented."""
    invented = any("invented" in record.scenario.lower() for record in records)
    unfinished = [r for r in records if not r.complete]
    parts = ["Invented example values."] if invented else []
    if unfinished:
        parts.append("Unfinished run: some repeats are missing.")
    return " ".join(parts)


def repeats_in_words(series: Sequence[Series]) -> str:
    """How many solids stand behind each line."""
    counts = sorted({len(s.repeats) for s in series})
    if counts == [1]:
        return "one solid"
    return f"{' to '.join(str(c) for c in {counts[0]: 0, counts[-1]: 0})} solids"
