"""One step of the march.

1. All wet junctions are balanced over the whole step, as if nothing happened in it.
2. What does happen (a tube fills, a junction is reached, a grain closes a throat) is met in the
   order of time. Each event changes the flows around it: there the junctions are balanced anew
   over the rest of the step, outward until little is owed.
3. At the step's end what is still owed is spread over the whole cluster by one linear solve, and
   moved through the full tubes and into the menisci: the books close.

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

from poresim.tube.filled import STRAIGHT, wetted_flow
from poresim.tube.jit import kernel
from poresim.tube.shape import radius_at, volume_to
from poresim.tube.wetting import drives
from poresim.uptake.cluster import (
    Work,
    adjoining,
    assemble,
    conjugate_gradients,
    list_wet,
    make_work,
    solve_set,
    total_owed,
)
from poresim.uptake.heap import pop
from poresim.uptake.ledger import expect, predict, schedule, settle, unbook
from poresim.uptake.local import spread
from poresim.uptake.state import FILLS, State

_CLOSINGS = 6
_LONG = 1e300  # the wait for a meniscus that moves but will not arrive
_SHORTER = 2  # times that a step is shortened because its balance is not found
_GOOD_ENOUGH = 1e-3  # of the intake: what may stay owed where the solve does not get further
_LEAST = 1e-4  # of what closing may leave owed: a solve need not go below
_MEETINGS = 12  # solves to end a step on its first event
_ATTEMPTS = 8
_NEWTON_STEPS = 25
_LOOK = 32  # events between looks at what all junctions owe
_NOTHING, _REGION, _ALL = 0, 1, 2

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
        (
            "start_share",
            np.float64,
        ),  # squared share of its tube that a late starter may go in a step
        ("meet_share", np.float64),  # a step may run on past its first event by this share of time
        ("budget", np.int64),  # balances around one event
        ("regions", np.int64),  # rounds of Newton on a growing region around one event
        ("sweeps", np.int64),
        ("sweep_share", np.float64),  # sweeps look at junctions that owe this share of owed_share
        ("inverse", np.int64),  # 1: solves try inverse steps first
        ("leak", np.float64),
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
def arrival_waits(law, wetting, tubes, junctions, waits):
    """How long each meniscus would take to cross its tube at its present speed.

    Fills ``waits`` with the finite ones and returns their number; a rough estimate that sets
    the length of steps, not their result.
    """
    n = 0
    for e in range(len(tubes)):
        tube = tubes[e]
        if tube.full or not (junctions[tube.a].wet or junctions[tube.b].wet):
            continue
        best = math.inf
        for end in range(2):
            mouth = junctions[tube.a if end == 0 else tube.b]
            if not mouth.wet:
                continue
            x = tube.x0 if end == 0 else tube.x1
            goal = tube.length - (tube.x1 if end == 0 else tube.x0)
            tilt = tube.tilt if end == 0 else -tube.tilt
            if goal <= x:
                continue
            ahead, _ = drives(wetting, tube, tilt, mouth.pressure, x)
            if ahead <= 0.0:
                continue
            if x < 0.5 * tube.length and tube.waist <= STRAIGHT:  # will the waist let it pass?
                past, _ = drives(wetting, tube, tilt, mouth.pressure, 0.5 * tube.length)
                if past <= 0.0:
                    continue
            at = max(x, 0.5 * goal)
            rate, _ = wetted_flow(law, ahead, at, tube.radius, tube.length, tube.waist)
            r = radius_at(tube, at)
            speed = tube.leak * rate / (math.pi * r * r)
            wait = (goal * goal - x * x) / (2.0 * at * speed) if speed > 0.0 else _LONG
            if wait >= _LONG and x > 0.0:  # held back before the end: does it still move?
                rate, _ = wetted_flow(law, ahead, x, tube.radius, tube.length, tube.waist)
                if rate <= 0.0:
                    continue
            best = min(best, wait)
        if best < math.inf:
            waits[n] = best
            n += 1
    return n


@kernel
def open_books(law, wetting, tubes, junctions, work, now, until, floor):
    """Book every adjoining tube; (junctions to balance, tubes)."""
    n, count = list_wet(tubes, junctions, work)
    for k in range(count):
        e = work.tubes[k]
        tubes[e].start = now
        expect(tubes[e], junctions[tubes[e].a], junctions[tubes[e].b], until - now)
        predict(law, wetting, tubes, junctions, e, until, floor)
    return n, count


@kernel
def rebook(law, wetting, tubes, junctions, work, count, until, floor):
    """Book the adjoining tubes anew for a step that ends at ``until``."""
    for k in range(count):
        e = work.tubes[k]
        unbook(tubes, junctions, e)
        expect(tubes[e], junctions[tubes[e].a], junctions[tubes[e].b], until - tubes[e].start)
        predict(law, wetting, tubes, junctions, e, until, floor)


@kernel
def schedule_all(law, wetting, tubes, junctions, work, count, until, times, queue):
    """Enter what happens before the step's end to the first ``count`` adjoining tubes."""
    events = 0
    for k in range(count):
        e = work.tubes[k]
        tubes[e].next = math.inf
        events = schedule(law, wetting, tubes, junctions, e, until, times, queue, events)
    return events


@kernel
def meet_events(
    law, wetting, tubes, junctions, first, ring, control, filled_at, blocked_at,
    now, until, floor, tol, drift, times, queue, events, line, seeds,
):  # fmt: skip
    """Meet events in the order of time: (events left, time of the last, what is needed).

    Comes back early when the balances around an event, outward from ``seeds``, did not suffice:
    _REGION is needed; or when all wet junctions together owe more than ``drift``: _ALL.
    """
    met = 0
    # so close to the end nothing is balanced any more: what starts there waits for the next step
    short = max(1e-3 * (until - now), control.meet_share * until)
    while events > 0:
        time, e, events = pop(times, queue, events)
        tube = tubes[e]
        if tube.next != time:
            continue
        control.events += 1
        settle(law, wetting, tubes, junctions, e, time, until, floor)
        tube.next = math.inf
        seeds[0], seeds[1] = tube.a, tube.b
        if tube.event == FILLS:
            new = _fill(tubes, junctions, e, time, filled_at)
            if new >= 0:
                if new == tube.b:
                    seeds[0], seeds[1] = tube.b, tube.a
                events = _wet(
                    law, wetting, tubes, junctions, first, ring, new, e, time, until,
                    until - time < short, floor, times, queue, events,
                )  # fmt: skip
        else:
            tube.blocked = 1
            tube.leak *= control.leak
            tube.conduct *= control.leak
            tube.grain0 = tube.grain1 = math.inf
            blocked_at[e] = time
        predict(law, wetting, tubes, junctions, e, until, floor)
        events = schedule(law, wetting, tubes, junctions, e, until, times, queue, events)
        if until - time < short:
            continue
        events, done, enough = spread(
            law, wetting, tubes, junctions, first, ring, seeds, time, until, floor, tol,
            control.budget, line, times, queue, events,
        )  # fmt: skip
        control.balances += done
        if not enough and control.regions > 0:
            return events, time, _REGION
        met += 1
        if met % _LOOK == 0 and not enough and _all_owed(junctions) > drift:
            return events, time, _ALL
    return events, until, _NOTHING


@kernel
def _all_owed(junctions):
    total = 0.0
    for i in range(len(junctions)):
        if junctions[i].wet and not junctions[i].inlet:
            total += abs(junctions[i].owed)
    return total


@kernel
def bring_up(law, wetting, tubes, junctions, work, count, time, until, floor):
    """Move the listed tubes on to ``time`` and book what they will take from then on."""
    for k in range(count):
        e = work.tubes[k]
        if tubes[e].start < time:
            settle(law, wetting, tubes, junctions, e, time, until, floor)
            predict(law, wetting, tubes, junctions, e, until, floor)


@kernel
def balance_all(
    law, wetting, tubes, junctions, first, ring, work, control, time, until, floor, least,
    times, queue,
):  # fmt: skip
    """Balance all wet junctions anew over the rest of a step; the number of events in it."""
    n, count = list_wet(tubes, junctions, work)
    bring_up(law, wetting, tubes, junctions, work, count, time, until, floor)
    _, its, solves, _, _ = solve_set(
        law, wetting, tubes, junctions, first, ring, work, n, count, time, until, floor,
        control.solve_share, least, control.sweep_share * control.owed_share, 0.0,
        control.sweeps, control.inverse > 0, control.linear_share, _NEWTON_STEPS,
    )  # fmt: skip
    control.iterations += its
    control.solves += solves
    control.again += 1
    return schedule_all(law, wetting, tubes, junctions, work, count, until, times, queue)


@kernel
def _fill(tubes, junctions, e, time, filled_at):
    """Tube e is full; the junction that this wets, or -1."""
    tube = tubes[e]
    a, b = junctions[tube.a], junctions[tube.b]
    # the ends meet to rounding: let them meet exactly, and book the difference
    if a.wet and (not b.wet or tube.x0 >= tube.x1):
        x = tube.length - tube.x1
        a.owed -= volume_to(tube, x) - volume_to(tube, tube.x0)
        tube.x0 = x
    else:
        x = tube.length - tube.x0
        b.owed -= volume_to(tube, x) - volume_to(tube, tube.x1)
        tube.x1 = x
    tube.full = 1
    filled_at[e] = time
    if not a.wet:
        return tube.a
    if not b.wet:
        return tube.b
    return -1


@kernel
def _wet(
    law, wetting, tubes, junctions, first, ring, new, e, time, until, wait, floor,
    times, queue, events,
):  # fmt: skip
    """Liquid reaches a junction through tube e: its other tubes start, or ``wait`` till the end."""
    node = junctions[new]
    for k in range(first[new], first[new + 1]):
        g = ring[k]
        tube = tubes[g]
        if g == e:
            continue
        other = tube.b if tube.a == new else tube.a
        if junctions[other].wet:  # a meniscus is on its way from there: bring it up to date
            settle(law, wetting, tubes, junctions, g, time, until, floor)
        tube.start = until if wait else time
    node.wet = 1
    node.wetted = time
    from_ = tubes[e].a if tubes[e].b == new else tubes[e].b
    node.pressure = min(max(junctions[from_].pressure, node.low), node.high)
    for k in range(first[new], first[new + 1]):
        if ring[k] != e:
            predict(law, wetting, tubes, junctions, ring[k], until, floor)
            events = schedule(law, wetting, tubes, junctions, ring[k], until, times, queue, events)
    return events


@kernel
def balance_region(
    law, wetting, tubes, junctions, first, ring, work, control, seeds, time, until, floor, tol,
    times, queue, events,
):  # fmt: skip
    """Newton on a growing region around an event, until its rim owes little too."""
    n = 0
    for i in seeds:
        if not junctions[i].inlet and not junctions[i].queued:
            junctions[i].queued = 1
            work.chosen[n] = i
            n += 1
    inner = 0
    reach = 3
    for _ in range(control.regions):
        for _ in range(reach):
            outer = n
            for p in range(inner, outer):
                i = work.chosen[p]
                for k in range(first[i], first[i + 1]):
                    tube = tubes[ring[k]]
                    if tube.full:
                        j = tube.b if tube.a == i else tube.a
                        if not junctions[j].inlet and not junctions[j].queued:
                            junctions[j].queued = 1
                            work.chosen[n] = j
                            n += 1
            inner = outer
        count = adjoining(tubes, junctions, first, ring, work, n)
        bring_up(law, wetting, tubes, junctions, work, count, time, until, floor)
        _, its, solves, _, _ = solve_set(
            law, wetting, tubes, junctions, first, ring, work, n, count, time, until, floor,
            0.0, tol, 0.0, tol, 1, False, control.linear_share, 12,
        )  # fmt: skip
        control.iterations += its
        rim = 0.0
        for k in range(count):
            tube = tubes[work.tubes[k]]
            if tube.full:
                for j in (tube.a, tube.b):
                    if not junctions[j].inlet and not junctions[j].queued:
                        rim = max(rim, abs(junctions[j].owed))
        for k in range(count):
            events = schedule(
                law, wetting, tubes, junctions, work.tubes[k], until, times, queue, events
            )
        if rim <= tol:
            break
        reach *= 2
    for p in range(n):
        junctions[work.chosen[p]].queued = 0
    return events


@kernel
def close_books(
    law, wetting, tubes, junctions, work, control, filled_at, now, until, floor, liquid
):  # fmt: skip
    """Bring every tube to the step's end and spread what is owed: (liquid then, moved, left).

    ``moved`` is the volume that menisci had to be shifted by, ``left`` what is still owed.

    The last predictions' slopes, stretched to the time each tube had in this step, say how a
    small shift of the pressures would have changed the volumes.
    """
    n, count = list_wet(tubes, junctions, work)
    for p in range(n):
        junctions[work.chosen[p]].place = p
    for k in range(count):
        e = work.tubes[k]
        tube = tubes[e]
        a, b = junctions[tube.a], junctions[tube.b]
        part = until - tube.start
        settle(law, wetting, tubes, junctions, e, until, until, floor)
        tube.start = until
        if tube.full:
            had = until - max(now, filled_at[e])
            tube.s0 = tube.s1 = tube.s0 * had / part if part > 0.0 else 0.0
        else:
            had = until - max(now, a.wetted) if a.wet else 0.0
            tube.s0 = tube.s0 * had / part if part > 0.0 else 0.0
            had = until - max(now, b.wetted) if b.wet else 0.0
            tube.s1 = tube.s1 * had / part if part > 0.0 else 0.0
    goal = control.close_share * liquid
    moved = 0.0
    for _ in range(_CLOSINGS):
        total, _most = total_owed(junctions, work, n)
        if total <= goal:
            break
        links = assemble(tubes, junctions, work, n, count)
        control.iterations += conjugate_gradients(work, n, links, 0.0, 0.3 * goal, 1000)
        control.solves += 1
        for k in range(count):
            moved += _shift(tubes, junctions, work, work.tubes[k])
    left, _most = total_owed(junctions, work, n)
    held = 0.0
    for k in range(count):
        tube = tubes[work.tubes[k]]
        if tube.full:
            held += volume_to(tube, tube.length)
        else:
            held += volume_to(tube, tube.x0) + volume_to(tube, tube.x1)
    for p in range(n):
        junctions[work.chosen[p]].place = -1
    return held, moved, left


@kernel
def _shift(tubes, junctions, work, e):
    """Move liquid as the closing pressures say; a meniscus at its limit takes no further part."""
    tube = tubes[e]
    a, b = junctions[tube.a], junctions[tube.b]
    up = work.move[a.place] if a.place >= 0 else 0.0
    down = work.move[b.place] if b.place >= 0 else 0.0
    if tube.full:
        volume = tube.s0 * (up - down)
        a.owed -= volume
        b.owed += volume
        return 0.0
    moved = 0.0
    if up * tube.s0 != 0.0:
        old = tube.x0
        tube.x0, free = _moved(tube, old, tube.x1, tube.s0 * up)
        volume = volume_to(tube, tube.x0) - volume_to(tube, old)
        a.owed -= volume
        moved += abs(volume)
        if not free:
            tube.s0 = 0.0
    if down * tube.s1 != 0.0:
        old = tube.x1
        tube.x1, free = _moved(tube, old, tube.x0, tube.s1 * down)
        volume = volume_to(tube, tube.x1) - volume_to(tube, old)
        b.owed -= volume
        moved += abs(volume)
        if not free:
            tube.s1 = 0.0
    return moved


@kernel
def _moved(tube, x, other, volume):
    """Where a meniscus at x stands after a small volume more, and whether it was free to go."""
    r = radius_at(tube, x)
    new = x + volume / (math.pi * r * r)
    half = 0.5 * tube.length
    if tube.waist <= STRAIGHT:
        if (x - half) * (new - half) < 0.0:
            return half, False
        # one correction for the changing width
        rn = radius_at(tube, new)
        mean = (r * r + r * rn + rn * rn) / 3.0
        new = x + volume / (math.pi * mean)
    room = tube.length - other
    if new > x:
        most = x + 0.999 * (room - x)
        return min(new, most), new <= most
    return max(new, 0.001 * x), new >= 0.001 * x


@kernel
def keep(tubes, junctions, kept_tubes, kept_junctions):
    """Bring the copies up to date after a step: it changes no tubes but those beside liquid."""
    for i in range(len(junctions)):
        kept_junctions[i] = junctions[i]
    for e in range(len(tubes)):
        if junctions[tubes[e].a].wet or junctions[tubes[e].b].wet:
            kept_tubes[e] = tubes[e]


@dataclass(frozen=True, eq=False)
class Stepper:
    """A state with the work space and the tolerances to march it."""

    state: State
    control: Any
    work: Work
    times: NDArray[np.float64]  # queue of events
    queue: NDArray[np.int32]
    line: NDArray[np.int32]  # junctions waiting to be balanced
    waits: NDArray[np.float64]
    seeds: NDArray[np.int32]
    one_by_one: bool  # steps end on their first event
    kept: tuple[NDArray[Any], ...]  # tubes, junctions, filled_at, blocked_at at the step's start

    @classmethod
    def of(cls, state: State, control: Any, one_by_one: bool) -> Stepper:
        """Work space for a state."""
        n, m = len(state.junctions), len(state.tubes)
        room = 2 * m + 1024
        return cls(
            state,
            control,
            make_work(n, m),
            np.zeros(room),
            np.zeros(room, np.int32),
            np.zeros(n + 2, np.int32),
            np.zeros(m),
            np.zeros(2, np.int32),
            one_by_one,
            tuple(
                a.copy() for a in (state.tubes, state.junctions, state.filled_at, state.blocked_at)
            ),
        )

    def arrival_waits(self) -> NDArray[np.float64]:
        """Rough times until menisci arrive, s; see :func:`arrival_waits`."""
        s = self.state
        count = arrival_waits(s.law, s.wetting, s.tubes, s.junctions, self.waits)
        return self.waits[:count]

    def take(self, now: float, until: float, liquid: float) -> tuple[float, float]:
        """Run from ``now``, with that much liquid in the tubes, towards ``until``.

        Returns (time reached, liquid then). A step whose books do not close, or close only by
        shifting menisci far, is undone and taken shorter.
        """
        s, control = self.state, self.control
        self._keep()
        for attempt in range(_ATTEMPTS):
            until, held, moved, left = self._try(now, until, liquid)
            fine = moved <= float(control["shift_share"]) * max(held, liquid)
            if (fine and left <= float(control["left_share"]) * held) or liquid == 0.0:
                break
            if attempt == _ATTEMPTS - 1:
                control["unsolved"] += 1
                break
            s.tubes[:], s.junctions[:], s.filled_at[:], s.blocked_at[:] = self.kept
            until = now + 0.25 * (until - now)
            control["undone"] += 1
        return until, held

    def _keep(self) -> None:
        s = self.state
        keep(s.tubes, s.junctions, *self.kept[:2])
        self.kept[2][:], self.kept[3][:] = s.filled_at, s.blocked_at

    def _try(self, now: float, until: float, liquid: float) -> tuple[float, float, float, float]:
        """One step: (time reached, liquid, volume shifted in closing, volume left owed)."""
        s, control, work = self.state, self.control, self.work
        tube = (s.law, s.wetting, s.tubes, s.junctions)
        graph = (*tube, s.first, s.ring)
        n, count = open_books(*tube, work, now, until, s.floor_drop)
        least = _LEAST * float(control["close_share"]) * liquid
        for attempt in range(_ATTEMPTS):
            total, intake, menisci = self._solve(n, count, now, until, least)
            # a meniscus on the verge of starting limits what can be solved: the closing mends that
            goal = float(control["solve_share"]) * intake
            enough = max(goal, _GOOD_ENOUGH * intake, float(control["left_share"]) * liquid)
            if total <= enough or attempt == _SHORTER:
                break
            until = now + 0.25 * (until - now)
            rebook(*tube, work, count, until, s.floor_drop)
        events = schedule_all(*tube, work, count, until, self.times, self.queue)
        for _ in range(_MEETINGS if self.one_by_one else 0):
            if events == 0 or until - self.times[0] <= float(control["meet_share"]) * until:
                break
            until = max(float(self.times[0]), now + 1e-3 * (until - now))
            rebook(*tube, work, count, until, s.floor_drop)
            _, intake, menisci = self._solve(n, count, now, until, least)
            events = schedule_all(*tube, work, count, until, self.times, self.queue)
        tol = float(control["owed_share"]) * intake / max(menisci, 1)
        while events > 0:
            events, time, needed = meet_events(
                *graph, control, s.filled_at, s.blocked_at, now, until, s.floor_drop, tol,
                float(control["drift_share"]) * intake,
                self.times, self.queue, events, self.line, self.seeds,
            )  # fmt: skip
            if needed == _ALL:
                events = balance_all(
                    *graph, work, control, time, until, s.floor_drop, least, self.times, self.queue
                )
            if needed == _REGION:
                events = balance_region(
                    *graph, work, control, self.seeds, time, until, s.floor_drop, tol,
                    self.times, self.queue, events,
                )  # fmt: skip
        held, moved, left = close_books(
            *tube, work, control, s.filled_at, now, until, s.floor_drop, liquid
        )
        return until, float(held), float(moved), float(left)

    def _solve(
        self, n: int, count: int, now: float, until: float, least: float
    ) -> tuple[float, float, int]:
        """Balance the wet junctions: (what they owe, what menisci take, their number)."""
        s, control = self.state, self.control
        total, iterations, solves, intake, menisci = solve_set(
            s.law, s.wetting, s.tubes, s.junctions, s.first, s.ring, self.work, n, count, now,
            until, s.floor_drop, float(control["solve_share"]), least,
            float(control["sweep_share"]) * float(control["owed_share"]), 0.0,
            int(control["sweeps"]), bool(control["inverse"]), float(control["linear_share"]),
            _NEWTON_STEPS,
        )  # fmt: skip
        control["iterations"] += iterations
        control["solves"] += solves
        return float(total), float(intake), int(menisci)
