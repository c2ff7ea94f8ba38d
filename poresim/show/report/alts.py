"""What each figure shows, with numbers: for those who do not see it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from poresim.outcome import words
from poresim.outcome.standing import standing_of, standing_words
from poresim.record.model import Record
from poresim.show.series import Series, records_of

MOST = 6  # liquids that are told of
_THROUGH = 0.95  # of the pores full: there is no front any more


def alt(name: str, series: Sequence[Series]) -> str:
    """Of the figure of that name."""
    head, told = _TOLD[name]
    rows = list(filter(None, told(series)))
    if len(rows) > MOST:
        rows = [*rows[:MOST], f"{len(rows) - MOST} more liquids: see the table of numbers"]
    return f"{head} {'. '.join(words.capital(row) for row in rows)}.".replace("..", ".")


def caption(name: str) -> tuple[str, str]:
    """A short name for the figure, and how to read it."""
    return _CAPTIONS[name]


_CAPTIONS = {
    "section": (
        "Where the liquid is.",
        "Slabs through the middle of one solid, liquids side by side, times below one another.",
    ),
    "uptake": (
        "How much is taken up.",
        "The same curves twice: against time, and against its root, where capillary uptake into "
        "an even solid is straight.",
    ),
    "front": ("How deep the front stands.", "One panel a liquid; grey lines are the others."),
    "drop": ("What becomes of the drop.", "Its contact angle, what is left of it, and its shape."),
    "caught": (
        "What the grains did.",
        "Where they were caught, by depth, and which share of the throats they closed, by depth "
        "and by time.",
    ),
    "standing": (
        "How long the liquid may stand.",
        "Each point is a soak after that time in a cup.",
    ),
    "firmness": ("How firm it stays.", "The force at which it snaps, against time."),
    "strength": ("Where it is still strong.", "Wet tubes, and the strength of the walls there."),
}


def _section(series: Sequence[Series]) -> list[str]:
    return [_filled(one) for one in series]


def _filled(one: Series) -> str:
    full, shut = one.summary.end_saturation, one.summary.blocked_of_reached
    text = f"{one.name}: {words.ranged(full, words.percent)} of the pores are full in the end"
    if shut.median > 0:
        text += f", {words.ranged(shut, words.percent)} of the throats it came to closed"
    return text


def _uptake(series: Sequence[Series]) -> list[str]:
    return [
        f"{s.name}: {words.ranged(s.summary.end_uptake_kg, words.mass)} after "
        f"{words.seconds(s.summary.end_s.median)}, half full {_half(s)}"
        for s in series
    ]


def _half(one: Series) -> str:
    told = words.half_time(one.summary)
    return told if told.startswith(("never", "not in")) else f"in {told}"


def _front(series: Sequence[Series]) -> list[str]:
    rows = []
    for one in series:
        depth = float(np.median([r.front_m[-1, 2] for r in one.repeats]))
        if one.summary.end_saturation.median >= _THROUGH:
            rows.append(f"{one.name} has come through the whole solid")
        elif np.isfinite(depth):
            rows.append(f"{one.name} stands {1e3 * depth:.2g} mm deep in the end, in the median")
        else:
            rows.append(f"{one.name} has no front in the end")
    return rows


def _caught(series: Sequence[Series]) -> list[str]:
    rows = []
    for one in series:
        caught = [float(r.captured_m3[-1].sum()) for r in one.repeats if r.captured_m3.size]
        if caught:
            shut = words.ranged(one.summary.blocked_of_reached, words.percent)
            grains = words.volume(float(np.median(caught)))
            rows.append(
                f"{one.name}: {grains} of grains caught, {shut} of the throats reached closed"
            )
    return rows  # fmt: skip


def _standing(series: Sequence[Series]) -> list[str]:
    records: list[Record] = records_of(series)
    return [standing_words(standing_of(records[0])).text.removesuffix(".")]


def _strength(series: Sequence[Series]) -> list[str]:
    soft = [s.summary for s in series if len(s.repeats[0].snap_force_N)]
    return words.firmness_told(soft)


_Told = Callable[[Sequence[Series]], list[str]]
_TOLD: dict[str, tuple[str, _Told]] = {
    "section": ("Slabs through the solid with each liquid at several times.", _section),
    "uptake": ("Uptake against time and against its root, a line a liquid.", _uptake),
    "front": ("Depth of the front below the wetted face against time.", _front),
    "drop": (
        "Contact angle and what is left of each drop against time, and its shape.",
        lambda series: words.drop_told([s.summary for s in series]),
    ),
    "caught": ("Grains caught and throats closed, by depth and by time.", _caught),
    "standing": ("Share of the pores full against time of standing in the cup.", _standing),
    "firmness": ("Snap force against time, a line a liquid.", _strength),
    "strength": ("Slabs with the strength of their walls at several times.", _strength),
}
