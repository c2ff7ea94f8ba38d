"""Which state of which soak is shown at a time: only states that the record holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.curves import value_at
from poresim.outcome.summary import AT_REST
from poresim.outcome.words import percent
from poresim.record.model import Repeat
from poresim.show.series import Series
from poresim.uptake.result import Ending


@dataclass(frozen=True, eq=False)
class State:
    """A soak at one time.

    time_s : the snapshot's own time. fill (m, 2) : wet shares. closed (m,) : throats closed by
    then. saturation : of the whole solid then. past_end : the soak had ended before the time
    that was asked for, and this is its last snapshot.
    """

    time_s: float
    fill: NDArray[np.float32]
    closed: NDArray[np.bool_]
    saturation: float
    past_end: bool

    @property
    def closed_share(self) -> float:
        """Closed throats over all throats of the solid."""
        return float(self.closed.mean())


def reading(state: State | None, closed: bool) -> str:
    """The words below a panel; ``closed``: whether throats get closed in any panel."""
    if state is None:
        return "dry"
    text = f"{percent(state.saturation)} full" + (" (end)" if state.past_end else "")
    if closed and state.closed_share > 0:
        text += f"\n{percent(state.closed_share)} closed"
    return text


def longest_reading(closed: bool) -> str:
    """As long as :func:`reading` can be."""
    return "99.9 % full (end)" + ("\n99.9 % closed" if closed else "")


def common_repeat(series: Sequence[Series]) -> int | None:
    """The first repeat of which every liquid has snapshots; None when there is none."""
    sets = [{n for n, r in s.liquid.repeats.items() if len(r.snapshot_time_s)} for s in series]
    shared = set.intersection(*sets) if sets else set()
    return min(shared) if shared else None


def snapshot_grid(repeats: Sequence[Repeat]) -> NDArray[np.float64]:
    """The times of all snapshots together, in order."""
    times = np.concatenate([r.snapshot_time_s for r in repeats])
    return np.unique(times)


def state_at(repeat: Repeat, when: float) -> State | None:
    """The last snapshot at or before ``when``; None when there is none yet.

    When everything that liquid can reach had filled by then, the state follows from the tubes'
    filling times, with no snapshot needed.
    """
    times = repeat.snapshot_time_s
    if repeat.ending is Ending.FULL and when >= repeat.time_s[-1]:
        return full_state(repeat, when)
    index = int(np.searchsorted(times, when * (1 + 1e-9), side="right")) - 1
    if index < 0:
        return None
    at = float(times[index])
    with np.errstate(invalid="ignore"):
        closed = repeat.blocked_at_s <= at
    saturation = value_at(repeat.time_s, repeat.saturation, at, holds=repeat.ending in AT_REST)
    later = index == len(times) - 1 and when > at * (1 + 1e-9)
    return State(at, repeat.snapshot_fill[index], closed, float(saturation), later)


def full_state(repeat: Repeat, when: float) -> State:
    """Of a soak that has filled all that liquid can reach: it follows from the filling times."""
    filled = np.isfinite(repeat.filled_at_s).astype(np.float32)
    fill = np.stack([filled, np.zeros_like(filled)], axis=1)
    closed = np.isfinite(repeat.blocked_at_s)
    return State(when, fill, closed, float(repeat.saturation[-1]), past_end=False)


def told_times(repeats: Sequence[Repeat], count: int, lifts: Sequence[float] = ()) -> list[float]:
    """Snapshot times that tell the story: the fastest soak at a third, two thirds and nearly all
    of its final uptake, and the end.

    lifts : when the solid is lifted out, s. Such moments take the places of the times nearest to
    them in sqrt(time), except the end.
    """
    times = snapshot_grid(repeats)
    fastest = min(repeats, key=_half_time)
    final = float(fastest.saturation[-1])
    told: list[float] = []
    for i in range(1, count):
        reached = np.flatnonzero(fastest.saturation >= final * (0.96 * i / (count - 1)))
        when = float(fastest.time_s[reached[0]]) if len(reached) else float(times[-1])
        told.append(float(times[np.argmin(np.abs(np.sqrt(times) - np.sqrt(when)))]))
    told.append(float(times[-1]))
    moments = {float(times[np.argmin(np.abs(times - lift))]) for lift in lifts}
    for moment in sorted(moments - set(told)):
        others = sorted(set(told) - moments - {told[-1]})
        if others:
            told.remove(min(others, key=lambda t: abs(np.sqrt(t) - np.sqrt(moment))))
        told.insert(0, moment)
    return sorted(set(told))


def _half_time(repeat: Repeat) -> float:
    """When half of everything is wet; beyond all times, by uptake, when it never is."""
    reached = np.flatnonzero(repeat.saturation >= 0.5)
    if len(reached):
        return float(repeat.time_s[reached[0]])
    return 1e12 * (2 - float(repeat.saturation[-1]))
