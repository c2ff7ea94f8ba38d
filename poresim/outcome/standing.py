"""What keeps a solid dry when liquids have stood in their cups: thickening, plugging, settling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.words import capital, short
from poresim.record.model import LiquidRecord, Record

Floats = NDArray[np.float64]

_DRY = 0.5  # times as full as without: kept dry by it


@dataclass(frozen=True, eq=False)
class Standing:
    """One liquid, after each time of standing that was tried.

    name : of the first. without : the liquid without its grains, if that was tried. carries :
    whether it has grains. stood_s : (t,) s, rising. full : (t, 3) share of the pores full in the
    end: median, lowest and highest over the solids. end_s : when that was.
    """

    name: str
    without: str
    carries: bool
    stood_s: Floats
    full: Floats
    end_s: float


class Found(NamedTuple):
    """A title, and the figures behind it in words."""

    title: str
    text: str


def standing_of(record: Record) -> list[Standing]:
    """The liquids of a record that have finished soaks, each kind once."""
    kinds: dict[str, list[LiquidRecord]] = {}
    for liquid in record.liquids:
        if liquid.repeats:
            kinds.setdefault(liquid.grains.kind or liquid.name, []).append(liquid)
    found = []
    for name, liquids in kinds.items():
        ordered = sorted(liquids, key=lambda liquid: liquid.grains.stood_s)
        full = []
        for liquid in ordered:
            ends = [float(r.saturation[-1]) for r in liquid.repeats.values()]
            full.append((np.median(ends), min(ends), max(ends)))
        first = ordered[0]
        found.append(
            Standing(
                name,
                first.grains.without if first.grains.without != name else "",
                first.grains.volume_fraction > 0,
                np.array([liquid.grains.stood_s for liquid in ordered]),
                np.array(full),
                max(float(r.time_s[-1]) for one in ordered for r in one.repeats.values()),
            )
        )
    return found


def standing_words(kinds: Sequence[Standing]) -> Found:
    """Which of thickening, plugging and settling keeps the solid dry, and when that changes.

    Dry: at most half as full, in the median, as by the liquid without it.
    """
    by_name = {kind.name: kind for kind in kinds}
    plain = [kind for kind in kinds if not kind.carries]
    wettest = max(plain, key=lambda kind: float(kind.full[0, 0]), default=None)
    thick, plugged, lost, kept, told = [], [], [], [], []
    for kind in plain:
        if kind is wettest:
            continue
        assert wettest is not None
        if kind.full[0, 0] <= _DRY * wettest.full[0, 0]:
            thick.append(kind)
        told.append(f"{capital(short(kind.name))} is at {_percent(kind)}")
    for kind in kinds:
        twin = by_name.get(kind.without)
        if not kind.carries or twin is None:
            continue
        limit = _DRY * twin.full[0, 0]
        if kind.full[0, 0] > limit:
            told.append(f"{capital(short(kind.name))}, fresh, is at {_percent(kind)}")
            continue
        plugged.append(kind)
        after = np.flatnonzero(kind.full[:, 0] > limit)
        if len(after):
            first = int(after[0])
            spans = (float(kind.stood_s[first - 1]), float(kind.stood_s[first]))
            lost.append((kind, spans))
            told.append(
                f"{_course(kind)}: it changes between {_times(*spans, ' and ')} of "
                "standing, as its grains sink past the face"
            )
        elif len(kind.stood_s) > 1:
            kept.append(kind)
            told.append(f"{_course(kind)}: its grains stay up")
        else:
            told.append(f"{capital(short(kind.name))}, fresh, is at {_percent(kind)}")
    if wettest is not None:
        told.insert(0, f"{capital(short(wettest.name))} fills {_percent(wettest)} of the pores")
    return Found(
        _title(len(plain) > 1, thick, plugged, lost, kept),
        ". ".join(told) + ". Kept dry: at most half as full as without.",
    )


def _title(
    thickened: bool,
    thick: Sequence[Standing],
    plugged: Sequence[Standing],
    lost: Sequence[tuple[Standing, tuple[float, float]]],
    kept: Sequence[Standing],
) -> str:
    if not plugged:
        return "Thickening keeps it dry" if thick else "Neither thickening nor grains keep it dry"
    text = "Grains keep it dry"
    if thickened:
        text += ", and so does thickening" if thick else ", thickening does not"
    if lost and kept:
        text += f"; {_sinks(*lost[0])}, and stay up in {short(kept[0].name)}"
    elif lost:
        text += f"; {_sinks(*lost[0])}"
    return text


def _sinks(kind: Standing, spans: tuple[float, float]) -> str:
    return f"they sink out of {short(kind.name)} within {_times(*spans)}"


def _course(kind: Standing) -> str:
    fresh, after = _percent(kind), _percent(kind, -1)
    return f"{capital(short(kind.name))}: {fresh} fresh, {after} after {_time(kind.stood_s[-1])}"


def _percent(kind: Standing, at: int = 0) -> str:
    return f"{100 * kind.full[at, 0]:.2g} %" if kind.full[at, 0] < 0.995 else "100 %"


def _times(low: float, high: float, word: str = " to ") -> str:
    """Two times, with one unit where they have the same."""
    first, last = _time(low), _time(high)
    unit = last[last.index(" ") :]
    return f"{first.removesuffix(unit) if low > 0 else 0}{word}{last}"


def _time(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds < 60 else f"{seconds / 60:.3g} min"
