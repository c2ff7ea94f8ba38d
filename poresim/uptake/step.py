"""One step of the march.

1. All wet junctions are balanced over the whole step, as if nothing happened in it.
2. What does happen (a tube fills, a junction is reached, a grain closes a throat) is met in the
   order of time: :mod:`poresim.uptake.events`.
3. At the step's end what is still owed is spread over the whole cluster, and the books close:
   :mod:`poresim.uptake.closing`.

Between events the pressures enter a straight Newtonian network only by their integral over time,
so a step without events is exact whatever its length; with events in it the error is that of
their interplay within one step, of second order in its length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel
from poresim.uptake.closing import close_books
from poresim.uptake.events import (
    ALL,
    NEWTON_ROUNDS,
    REGION,
    balance_all,
    balance_region,
    list_wet,
    meet_events,
    outside_intake,
    schedule_all,
)
from poresim.uptake.ledger import expect, predict, unbook
from poresim.uptake.linear import System, make_system
from poresim.uptake.sheet import Sheet, make_sheet
from poresim.uptake.solve import solve_set
from poresim.uptake.state import State
from poresim.uptake.waits import arrival_waits

_SHORTER = 2  # times that a step is shortened because its balance is not found
_GOOD_ENOUGH = 1e-3  # of the intake: what may stay owed where the solve does not get further
_LEAST = 1e-4  # of what closing may leave owed: a solve need not go below
_LATE = 12  # solves to shorten a step in which a meniscus sets out
_MEETINGS = 12  # solves to end a step on its first event
_ATTEMPTS = 8
_NEARLY = 4.0  # times its goal: a balance that is as good as found
_MENISCI_A_LOOK = 100  # what all junctions owe is looked at after one in so many had an event

#: Tolerances and counters of a step, one record.
CONTROL = np.dtype(
    [
        ("owed_share", np.float64),  # a junction may owe this share of a mean meniscus' intake
        ("solve_share", np.float64),  # the cluster may owe this share of the step's intake
        ("linear_share", np.float64),  # linear solves reduce what is owed to this share
        ("close_share", np.float64),  # what closing aims to leave owed at the end, over the liquid
        ("left_share", np.float64),  # what may stay owed
        ("shift_share", np.float64),  # menisci may be shifted by this share of the liquid
        ("drift_share", np.float64),  # events may leave this share of the intake owed, in all
        ("start_share", np.float64),  # squared share of its tube that a late starter may go
        ("meet_share", np.float64),  # a step may run on past its first event by this share of time
        ("budget", np.int64),  # balances around one event
        ("regions", np.int64),  # rounds of Newton on a growing region around one event
        ("sweeps", np.int64),  # of single balances before each Newton step
        ("leak", np.float64),
        ("filled", np.float64),  # liquid in full tubes, m3
        ("solves", np.int64),
        ("iterations", np.int64),
        ("events", np.int64),
        ("balances", np.int64),
        ("again", np.int64),
        ("undone", np.int64),
        ("unsolved", np.int64),
    ],
    align=True,
)


@kernel
def open_books(law, wetting, tubes, junctions, filled_at, chosen, beside, now, until, floor):
    """Book every adjoining tube; (junctions to balance, tubes)."""
    n, count = list_wet(wetting, tubes, junctions, filled_at, chosen, beside)
    for k in range(count):
        e = beside[k]
        tubes[e].start = now
        expect(tubes[e], junctions[tubes[e].a], junctions[tubes[e].b], until - now)
        predict(law, wetting, tubes, junctions, e, until, floor)
    _pass(wetting, tubes, junctions, filled_at, until - now)
    return n, count


@kernel
def _pass(wetting, tubes, junctions, filled_at, time):
    """Book what the full tubes that need no books of their own pass in ``time`` (of any sign)."""
    if not wetting.linear:
        return
    for e in range(len(tubes)):
        if filled_at[e] >= 0.0:
            tube = tubes[e]
            a, b = junctions[tube.a], junctions[tube.b]
            volume = tube.conduct * time * (a.pressure - b.pressure + tube.tilt * tube.length)
            a.owed -= volume
            b.owed += volume


@kernel
def rebook(
    law, wetting, tubes, junctions, filled_at, beside, count, before, until, floor
):  # fmt: skip
    """Book the adjoining tubes anew for a step that ends at ``until``, not ``before``."""
    _pass(wetting, tubes, junctions, filled_at, until - before)
    for k in range(count):
        e = beside[k]
        unbook(tubes, junctions, e)
        expect(tubes[e], junctions[tubes[e].a], junctions[tubes[e].b], until - tubes[e].start)
        predict(law, wetting, tubes, junctions, e, until, floor)


@kernel
def late_start(tubes, beside, count):
    """The largest share of its tube's length, squared, that a meniscus at a mouth will go."""
    most = 0.0
    for k in range(count):
        tube = tubes[beside[k]]
        if tube.full:
            continue
        room = math.pi * tube.radius * tube.radius * tube.length
        if tube.x0 == 0.0 and tube.v0 > 0.0:
            most = max(most, (tube.v0 / room) ** 2)
        if tube.x1 == 0.0 and tube.v1 > 0.0:
            most = max(most, (tube.v1 / room) ** 2)
    return most


@kernel
def keep(wetting, tubes, junctions, filled_at, since, kept_tubes, kept_junctions):
    """Bring the copies up to date after the step that began at ``since``.

    It changed no tubes but those beside liquid; and full ones, where they need no books, not
    after they filled.
    """
    for i in range(len(junctions)):
        kept_junctions[i] = junctions[i]
    for e in range(len(tubes)):
        if wetting.linear and filled_at[e] < since:
            continue
        if junctions[tubes[e].a].wet or junctions[tubes[e].b].wet:
            kept_tubes[e] = tubes[e]


@dataclass(frozen=True, eq=False)
class Stepper:
    """A state with the work space and the tolerances to march it."""

    state: State
    control: Any
    sheet: Sheet
    system: System
    chosen: NDArray[np.int32]  # junctions being balanced
    beside: NDArray[np.int32]  # tubes beside liquid
    mark: NDArray[np.int8]  # of tubes
    inlets: NDArray[np.int32]
    times: NDArray[np.float64]  # queue of events
    queue: NDArray[np.int32]
    line: NDArray[np.int32]  # junctions waiting to be balanced
    waits: NDArray[np.float64]
    seeds: NDArray[np.int32]
    one_by_one: bool  # steps end on their first event
    kept: tuple[NDArray[Any], ...]  # tubes, junctions, filled_at, blocked_at at the step's start
    kept_at: NDArray[np.float64]  # (1,) when that was

    @classmethod
    def of(cls, state: State, control: Any, one_by_one: bool) -> Stepper:
        """Work space for a state."""
        n, m = len(state.junctions), len(state.tubes)
        room = 2 * m + 1024
        return cls(
            state,
            control,
            make_sheet(n, m),
            make_system(n, m),
            chosen=np.zeros(n, np.int32),
            beside=np.zeros(m, np.int32),
            mark=np.zeros(m, np.int8),
            inlets=np.flatnonzero(state.junctions["inlet"]).astype(np.int32),
            times=np.zeros(room),
            queue=np.zeros(room, np.int32),
            line=np.zeros(n + 2, np.int32),
            waits=np.zeros(m),
            seeds=np.zeros(2, np.int32),
            one_by_one=one_by_one,
            kept=tuple(
                a.copy() for a in (state.tubes, state.junctions, state.filled_at, state.blocked_at)
            ),
            kept_at=np.zeros(1),
        )

    def arrival_waits(self) -> NDArray[np.float64]:
        """Rough times until menisci arrive, s; see :func:`poresim.uptake.waits.arrival_waits`."""
        s = self.state
        count = arrival_waits(s.law, s.wetting, s.tubes, s.junctions, self.waits)
        return self.waits[:count]

    def take(
        self, now: float, until: float, liquid: float, fresh: bool = True
    ) -> tuple[float, float]:
        """Run from ``now``, with that much liquid in the tubes, towards ``until``.

        Unless something has just happened (``fresh``), pressures are smooth in time and menisci
        that rested at their mouths set out from a drive of none: steps that end on their first
        event are shortened until that is resolved.

        Returns (time reached, liquid then). A step whose books do not close, or close only by
        shifting menisci far, is undone and taken shorter.
        """
        s, control = self.state, self.control
        self._keep(now)
        filled = float(control["filled"])
        for attempt in range(_ATTEMPTS):
            until, held, moved, left = self._try(now, until, liquid, fresh)
            fine = moved <= float(control["shift_share"]) * max(held, liquid)
            if (fine and left <= float(control["left_share"]) * held) or liquid == 0.0:
                break
            if attempt == _ATTEMPTS - 1:
                control["unsolved"] += 1
                break
            s.tubes[:], s.junctions[:], s.filled_at[:], s.blocked_at[:] = self.kept
            control["filled"] = filled
            until = now + 0.25 * (until - now)
            control["undone"] += 1
        return until, held

    def _keep(self, now: float) -> None:
        s = self.state
        since = float(self.kept_at[0])
        keep(s.wetting, s.tubes, s.junctions, s.filled_at, since, *self.kept[:2])
        self.kept_at[0] = now
        self.kept[2][:], self.kept[3][:] = s.filled_at, s.blocked_at

    def _try(
        self, now: float, until: float, liquid: float, fresh: bool
    ) -> tuple[float, float, float, float]:
        """One step: (time reached, liquid, volume shifted in closing, volume left owed)."""
        s, control = self.state, self.control
        tube = (s.law, s.wetting, s.tubes, s.junctions)
        graph = (*tube, s.first, s.ring)
        n, count = open_books(
            *tube, s.filled_at, self.chosen, self.beside, now, until, s.floor_drop
        )
        least = _LEAST * float(control["close_share"]) * liquid
        for attempt in range(_ATTEMPTS):
            total, intake, menisci = self._solve(n, now, until, least)
            # a meniscus on the verge of starting limits what can be solved: the closing mends that
            goal = float(control["solve_share"]) * intake
            enough = max(
                _NEARLY * goal, _GOOD_ENOUGH * intake, float(control["left_share"]) * liquid
            )
            if total <= enough or attempt == _SHORTER:
                break
            before, until = until, now + 0.25 * (until - now)
            rebook(*tube, s.filled_at, self.beside, count, before, until, s.floor_drop)
        events = schedule_all(*tube, self.beside, count, until, self.times, self.queue)
        for _ in range(_LATE if self.one_by_one and not fresh else 0):
            ratio = late_start(s.tubes, self.beside, count) / float(control["start_share"])
            if ratio <= 1.0:
                break
            before, until = until, now + max(0.2, 0.8 / math.sqrt(ratio)) * (until - now)
            rebook(*tube, s.filled_at, self.beside, count, before, until, s.floor_drop)
            _, intake, menisci = self._solve(n, now, until, least)
            events = schedule_all(*tube, self.beside, count, until, self.times, self.queue)
        for _ in range(_MEETINGS if self.one_by_one else 0):
            if events == 0 or until - self.times[0] <= float(control["meet_share"]) * until:
                break
            before, until = until, max(float(self.times[0]), now + 1e-3 * (until - now))
            rebook(*tube, s.filled_at, self.beside, count, before, until, s.floor_drop)
            _, intake, menisci = self._solve(n, now, until, least)
            events = schedule_all(*tube, self.beside, count, until, self.times, self.queue)
        tol = float(control["owed_share"]) * intake / max(menisci, 1)
        look = 1 + menisci // _MENISCI_A_LOOK
        while events > 0:
            events, time, needed = meet_events(
                *graph, control, s.filled_at, s.blocked_at, now, until, s.floor_drop, tol,
                float(control["drift_share"]) * intake, look,
                self.times, self.queue, events, self.line, self.seeds,
            )  # fmt: skip
            if needed == ALL:
                events = balance_all(
                    *graph, self.inlets, self.sheet, self.system, self.chosen, self.beside, control,
                    s.filled_at, time, until, s.floor_drop, least, self.times, self.queue,
                )  # fmt: skip
            if needed == REGION:
                events = balance_region(
                    *graph, self.sheet, self.system, self.chosen, self.beside, self.mark, control,
                    self.seeds, time, until, s.floor_drop, tol, self.times, self.queue, events,
                )  # fmt: skip
        held, moved, left = close_books(
            *graph, self.sheet, self.system, self.chosen, self.beside, control, s.filled_at, now,
            until, s.floor_drop, liquid,
        )  # fmt: skip
        return until, float(held), float(moved), float(left)

    def _solve(self, n: int, now: float, until: float, least: float) -> tuple[float, float, int]:
        """Balance the wet junctions: (what they owe, what menisci take, their number)."""
        s, control = self.state, self.control
        outside = outside_intake(s.tubes, s.junctions, s.first, s.ring, self.inlets)
        total, iterations, solves, intake, menisci = solve_set(
            s.law, s.wetting, s.tubes, s.junctions, s.first, s.ring, self.sheet, self.system,
            self.chosen, n, now, until, s.floor_drop, outside, float(control["solve_share"]),
            least, int(control["sweeps"]), float(control["linear_share"]), NEWTON_ROUNDS,
        )  # fmt: skip
        control["iterations"] += iterations
        control["solves"] += solves
        return float(total), float(intake) + float(outside), int(menisci)
