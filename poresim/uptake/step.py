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
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner, kernel
from poresim.uptake.carry import carry
from poresim.uptake.closing import ROUNDING, close_books
from poresim.uptake.drain import Air, let_air_in
from poresim.uptake.events import Agenda, meet_events, schedule_all
from poresim.uptake.lag import find_slews, first_crossing, lateness
from poresim.uptake.ledger import expect
from poresim.uptake.linear import System, make_system
from poresim.uptake.pockets import kept_pockets, put_pockets
from poresim.uptake.sheet import Sheet, make_sheet
from poresim.uptake.solve import solve_all
from poresim.uptake.state import TOP, TUBE, State, firmness
from poresim.uptake.team import Team, let_go, make_teams
from poresim.uptake.tree import Tree, make_trees
from poresim.uptake.undo import keep, undo
from poresim.uptake.vents import Sorting, close_doors, make_sorting, show_doors, sort_air
from poresim.uptake.waits import arrival_waits

_SHORTER = 2  # times that a step is shortened because its balance is not found
_GOOD_ENOUGH = 1e-3  # of the intake: what may stay owed where the solve does not get further
_LEAST = 1e-4  # of what closing may leave owed: a solve need not go below
_ENDINGS = 12  # solves to shorten a step, for each reason
_SHORTEST, _SAFE = 0.2, 0.8  # of it is left at least, and of what should suffice
_ATTEMPTS = 8
_NEARLY = 4.0  # times its goal: a balance that is as good as found
_MANY = 2000  # menisci: where there are more, events may leave more owed, else less:
_LEAST_OF_IT, _MOST_OF_IT = 0.6, 1.5  # so many times as much
_TRICKLE = 3.0  # times the square of a tangent's reach: flows over a mean meniscus' that are none
_FLOWS = 0.5  # times accuracy and intake: by how much flows that carry grains may miss balance
_MENISCI_A_LOOK = 30  # what all junctions owe is looked at after one in so many had an event

Watch = Callable[[float, float], None]

#: Tolerances and counters of a step, one record.
CONTROL = np.dtype(
    [
        ("owed_share", np.float64),  # a junction may owe this share of a mean meniscus' intake
        ("solve_share", np.float64),  # all may owe this share of the step's intake
        ("linear_share", np.float64),  # linear solves reduce what is owed to this share
        ("close_share", np.float64),  # what closing aims to leave owed by all, over the liquid
        ("close_intake", np.float64),  # but no more than this over the step's intake
        ("soft", np.float64),  # of what full tubes couple: see poresim.uptake.linear
        ("rough_share", np.float64),  # and by each, in sum, over the step's intake
        ("left_share", np.float64),  # what may stay owed by all
        ("shift_share", np.float64),  # menisci may be shifted by this share of the liquid
        ("drift_share", np.float64),  # events may leave this share of the intake owed, in all
        ("start_share", np.float64),  # squared share of its tube that a late starter may go
        ("late_share", np.float64),  # menisci may be late by this share of the time
        ("meet_share", np.float64),  # a step may run on past its first event by this share of time
        ("budget", np.int64),  # balances around one event
        ("sweeps", np.int64),  # of single balances before each Newton step
        ("filled", np.float64),  # liquid in full tubes, m3
        ("solves", np.int64),
        ("iterations", np.int64),
        ("events", np.int64),
        ("balances", np.int64),
        ("again", np.int64),
        ("undone", np.int64),
        ("steady", np.int64),  # steps since something happened
        ("last", np.float64),  # the time that the last step took, s, and the one before
        ("previous", np.float64),
        ("unsolved", np.int64),
    ],
    align=True,
)


@kernel
def begin(wetting, tubes, junctions, log, now, until, last):
    """All slots start a step; nothing is booked."""
    for p in range(len(log.counts)):
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            if tubes[s].live:
                tube = tubes[s]
                tube.start = now
                tube.v0 = tube.v1 = 0.0
                expect(wetting, tube, junctions[tube.a], junctions[tube.b], until - now, last)


@kernel
def end_sooner(wetting, tubes, junctions, log, until, before):
    """The step that has begun will end at ``until``, not ``before``: what menisci will do."""
    for p in range(len(log.counts)):
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            if tubes[s].live:
                tube = tubes[s]
                a, b = junctions[tube.a], junctions[tube.b]
                expect(wetting, tube, a, b, until - tube.start, before - tube.start)


@kernel
def late_start(wetting, tubes, log):
    """The largest share of its tube that a meniscus that rested will take; squared from a mouth.

    In a network of one half: larger ones do without.
    """
    most = 0.0
    for s in range(log.counts[0, TOP]):
        tube = tubes[s]
        if not tube.live or tube.body:
            continue
        room = math.pi * tube.radius * tube.radius * tube.length
        most = max(
            most,
            _setting_out(wetting, tube.x0, tube.speed0, tube.v0 / room),
            _setting_out(wetting, tube.x1, tube.speed1, tube.v1 / room),
        )
    return most


@inner
def _setting_out(wetting, x, speed, share):
    if x == 0.0:
        return share * share if share > 0.0 else 0.0
    return abs(share) if speed == 0.0 and not wetting.plain else 0.0


def _evened_out(menisci: int) -> float:
    """How much more events may leave owed where it is owed at many places, and so evens out."""
    return min(max((menisci / _MANY) ** 0.25, _LEAST_OF_IT), _MOST_OF_IT)


def _sooner(now: float, until: float, ratio: float, power: float) -> float:
    """Where a step is to end whose error, of that power, is ``ratio`` times what it may be."""
    if ratio <= 1.0:
        return until
    return now + max(_SHORTEST, _SAFE * ratio**-power) * (until - now)


@cache
def _helper() -> ThreadPoolExecutor:
    """The second thread. (A process of two marches at once has two teams, which take turns.)"""
    return ThreadPoolExecutor(1, "poresim")


os.register_at_fork(after_in_child=_helper.cache_clear)  # threads stay behind


@dataclass(frozen=True, eq=False)
class Stepper:
    """A state with the work space and the tolerances to march it."""

    state: State
    control: Any
    sheet: Sheet
    system: System
    trees: tuple[Tree, Tree]
    agenda: Agenda
    waits: NDArray[np.float64]
    teams: list[Team]  # of each thread
    one_by_one: bool  # steps end on their first event
    watch: Watch  # told when a step's pressures have been found: (begins, will end)
    offer: Watch  # told over what time grains are about to be carried: (from, to)
    carried: dict[str, float]  # when grains were last carried on: time, liquid and events then
    kept: tuple[NDArray[Any], ...]  # slots, junctions, free slots and counts before the step
    sorting: Sorting  # work space where air can be trapped

    @classmethod
    def of(
        cls,
        state: State,
        control: Any,
        one_by_one: bool,
        threads: int,
        watch: Watch,
        offer: Watch,
    ) -> Stepper:
        """Work space for a state, and one thread or two."""
        n, m = len(state.junctions), len(state.tubes)
        agenda = Agenda.of(state.graph, m)
        agenda.tally["filled"][0] = control["filled"] = state.begun
        return cls(
            state,
            control,
            make_sheet(n, m, int(np.diff(state.graph.first).max()), state.traps),
            make_system(n),
            make_trees(state.graph, firmness(state.shapes, m)),
            agenda,
            waits=np.zeros(m),
            teams=make_teams(threads),
            one_by_one=one_by_one,
            watch=watch,
            offer=offer,
            carried={"time": 0.0, "liquid": state.begun, "events": 0},
            kept=(
                np.zeros(m, TUBE),  # memory is taken as slots are first used
                state.junctions.copy(),
                np.zeros(m, np.int32),
                np.zeros_like(state.log.counts),
            ),
            sorting=make_sorting(n, m) if state.traps else make_sorting(0, 0),
        )

    def arrival_waits(self, back: bool = False) -> NDArray[np.float64]:
        """Rough times until menisci arrive, s; see :func:`poresim.uptake.waits.arrival_waits`."""
        s = self.state
        count = 0
        for half in s.slots_by_half:
            count = arrival_waits(s.law, s.wetting, half, s.junctions, self.waits, count, back)
        return self.waits[:count]

    def take(
        self, now: float, until: float, liquid: float, fresh: bool = True, most: float = math.inf
    ) -> tuple[float, float]:
        """Run from ``now``, with that much liquid in the tubes, towards ``until``.

        Unless something has just happened (``fresh``), pressures are smooth in time and menisci
        that rested at their mouths set out from a drive of none: steps that end on their first
        event are shortened until that is resolved.

        Returns (time reached, liquid then). A step whose books do not close, or close only by
        shifting menisci far, is undone and taken shorter; and so is one that takes up more than
        there is, with which there would be more than ``most`` in the tubes. One in which trapped
        air would come back that has gone as bubbles is taken anew with its way out closed.
        """
        s, control = self.state, self.control
        if self.one_by_one and float(control["late_share"]) > 0.0:
            self._look_back(fresh)
        keep(s.tubes, s.junctions, s.log, *self.kept)
        pockets = kept_pockets(s.graph.pockets)
        filled = self.agenda.tally["filled"].copy()
        for attempt in range(_ATTEMPTS):
            reached, held, moved, left = self._try(now, until, liquid, fresh)
            fine = moved <= float(control["shift_share"]) * max(held, liquid) and held <= most
            fine = (fine and left <= float(control["left_share"]) * held) or liquid == 0.0
            if attempt == _ATTEMPTS - 1:
                control["unsolved"] += not fine and held <= most
                break
            if fine and not self._close_doors(pockets[0]):
                break
            undo(s, *self.kept)
            put_pockets(s.graph.pockets, pockets)
            show_doors(s.tubes, s.graph.pockets)
            self.agenda.tally["filled"] = filled
            self._count()
            control["undone"] += 1
            if not fine:
                until = now + 0.25 * (reached - now)
        until = reached
        control["last"], control["previous"] = until - now, control["last"]
        return until, held

    def _close_doors(self, pockets: NDArray[Any]) -> int:
        """How many of the pockets, as they were, are not to let bubbles go in this step."""
        s = self.state
        if not s.traps:
            return 0
        return int(close_doors(s.tubes, s.junctions, s.graph, s.shapes, s.log, pockets))

    def sort_air(self, lifted: bool) -> None:
        """Pockets of trapped air are found anew, and let bubbles go.

        lifted : see :func:`poresim.uptake.vents.sort_air`.
        """
        s = self.state
        if s.traps:
            sort_air(
                s.wetting, s.tubes, s.junctions, s.graph, s.shapes, s.log, self.sorting, lifted
            )

    def let_air_in(self, air: Air, now: float) -> tuple[float, int]:
        """Tubes open where air may enter, and junctions run dry.

        Returns by how much that changes what tubes hold, m3 (a rounding, which junctions owe), and
        how much happened.
        """
        s = self.state
        more = let_air_in(
            s.law, s.wetting, s.tubes, s.junctions, s.graph, s.shapes, s.log, air,
            self.agenda.tally[0], s.floor_drop, now, self.one_by_one,
        )  # fmt: skip
        before = int(self.control["events"])
        self._count()
        return float(more), int(self.control["events"]) - before

    def carry_on(self, now: float, liquid: float, stops: bool) -> None:
        """Grains go on with what has flowed, unless too little has, and no throat changed.

        now : the end of a step, with that much ``liquid`` in the tubes; ``stops`` if that is looked
        at.
        """
        s, control, last = self.state, self.control, self.carried
        events, wait = int(control["events"]), 1.0 + float(control["shift_share"])
        if len(s.log.gates) == 0 or now <= last["time"]:
            return
        if not stops and events == last["events"] and now < wait * last["time"]:
            return
        self.offer(last["time"], now)
        goal = _FLOWS * float(control["shift_share"]) * abs(liquid - last["liquid"])
        carry(
            s.tubes, s.junctions, s.graph, s.shapes, s.log, s.cargo, s.roofs, self.sheet,
            self.system, self.trees, control, self.teams[0], last["time"], now, goal,
        )  # fmt: skip
        self.carried.update(time=now, liquid=liquid, events=events)
        self.offer(now, now)

    def _look_back(self, fresh: bool) -> None:
        """How fast pressures have changed of late."""
        control = self.control
        control["steady"] = 0 if fresh else control["steady"] + 1
        find_slews(
            self.state.junctions, self.kept[1], control["steady"], control["last"],
            control["previous"],
        )  # fmt: skip

    def _try(
        self, now: float, until: float, liquid: float, fresh: bool
    ) -> tuple[float, float, float, float]:
        """One step: (time reached, liquid, volume shifted in closing, volume left owed)."""
        s, control = self.state, self.control
        least = _LEAST * float(control["close_share"]) * liquid
        if float(control["close_intake"]) < math.inf:
            least = min(least, ROUNDING * liquid)
        begin(s.wetting, s.tubes, s.junctions, s.log, now, until, float(control["last"]))
        booked = 0.0
        for attempt in range(_ATTEMPTS):
            total, intake, menisci = self._solve(now, until, booked, least)
            booked = until - now
            # a meniscus on the verge of starting limits what can be solved: the closing mends that
            goal = float(control["solve_share"]) * intake
            enough = max(
                _NEARLY * goal, _GOOD_ENOUGH * intake, float(control["left_share"]) * liquid
            )
            if total <= enough or attempt == _SHORTER:
                break
            before, until = until, now + 0.25 * (until - now)
            end_sooner(s.wetting, s.tubes, s.junctions, s.log, until, before)
        self._schedule(now, until)
        if self.one_by_one:
            for sooner in (self._for_starts, self._for_haste, self._for_events):
                for _ in range(_ENDINGS):
                    shorter = sooner(now, until, fresh)
                    if shorter >= until:
                        break
                    intake, menisci = self._again(now, until, shorter, least)
                    until = shorter
        self.watch(now, until)
        self._meet(now, until, intake, menisci, least)
        held, moved, left = self._all(
            close_books,
            (s.law, s.wetting, s.tubes, s.junctions, s.graph, s.log, self.sheet, self.system,
             self.trees, control),
            (now, until, liquid, intake),
        )  # fmt: skip
        return until, float(held), float(moved), float(left)

    def _for_starts(self, now: float, until: float, fresh: bool) -> float:
        """Where a step is to end whose menisci set out from a drive of none."""
        if fresh:
            return until
        ratio = late_start(self.state.wetting, self.state.tubes, self.state.log)
        ratio /= float(self.control["start_share"])
        return _sooner(now, until, ratio, 0.5)

    def _for_haste(self, now: float, until: float, fresh: bool) -> float:
        """Where a step is to end that holds what changes too fast for that."""
        s, share = self.state, float(self.control["late_share"])
        if now == 0.0 or share == 0.0:
            return until
        last = 0.0 if fresh else float(self.control["last"])
        late = lateness(
            s.wetting, s.law, s.tubes, s.junctions, s.graph, s.log, self.kept[1], until, last
        )
        return _sooner(now, until, late / (share * now), 0.4)

    def _for_events(self, now: float, until: float, fresh: bool) -> float:
        """Where a step is to end that ends on what happens first."""
        s, control = self.state, self.control
        first = float(self.agenda.times[0, 0]) if self.agenda.counts[0, 0] > 0 else math.inf
        if float(control["late_share"]) > 0.0:
            turns = first_crossing(s.wetting, s.law, s.tubes, s.junctions, s.log, until)
            if turns < min(first, until):
                control["steady"] = -1  # from the next step on pressures change otherwise
                first = turns
        if until - first <= float(control["meet_share"]) * until:
            return until
        return max(first, now + 1e-3 * (until - now))

    def _meet(self, now: float, until: float, intake: float, menisci: int, least: float) -> None:
        """What happens within the step."""
        s, control = self.state, self.control
        even = 1.0 if self.one_by_one else _evened_out(menisci)
        tol = float(control["owed_share"]) * min(even, 1.0) * intake / max(menisci, 1)
        drift = float(control["drift_share"]) * even * intake
        look = 1 + menisci // _MENISCI_A_LOOK
        since = now
        while self.agenda.counts[:, 0].any():
            time, needed = self._all(
                meet_events,
                (s.law, s.wetting, s.tubes, s.junctions, s.graph, s.shapes, s.log, s.cargo,
                 control),
                (now, since, until, s.floor_drop, tol, drift, look, self.agenda),
            )  # fmt: skip
            self._count()
            if not needed:
                break
            # balance all anew over the rest of the step
            since = time
            self._solve(time, until, until - time, least)
            control["again"] += 1
            self._schedule(time, until)

    def _count(self) -> None:
        """Sum up what has happened in all halves."""
        for name in ("events", "balances", "filled"):
            self.control[name] = self.agenda.tally[name].sum()

    def _all(self, work: Any, before: tuple[Any, ...], after: tuple[Any, ...]) -> Any:
        """Run a kernel in every thread; its arguments stand ``before`` and ``after`` the team."""
        if len(self.teams) == 1:
            return work(*before, self.teams[0], *after)
        ours, theirs = self.teams
        try:
            other = _helper().submit(lambda: work(*before, theirs, *after))
            result = work(*before, ours, *after)
        except BaseException:
            let_go(ours)
            raise
        other.result()
        return result

    def _again(self, now: float, until: float, shorter: float, least: float) -> tuple[float, int]:
        """The step that was to end at ``until`` ends sooner: (intake, menisci)."""
        s = self.state
        end_sooner(s.wetting, s.tubes, s.junctions, s.log, shorter, until)
        _, intake, menisci = self._solve(now, shorter, until - now, least)
        self._schedule(now, shorter)
        return intake, menisci

    def _schedule(self, now: float, until: float) -> None:
        s = self.state
        self._all(
            schedule_all,
            (s.law, s.wetting, s.tubes, s.junctions, s.graph, s.log),
            (self.carried["time"], now, until, self.agenda),
        )

    def _solve(
        self, now: float, until: float, booked: float, least: float
    ) -> tuple[float, float, int]:
        """Balance the wet junctions: (what they owe, what menisci take, their number)."""
        s = self.state
        total, intake, menisci = self._all(
            solve_all,
            (s.law, s.wetting, s.tubes, s.junctions, s.graph, s.log, self.sheet, self.system,
             self.trees, self.control),
            (s.inlets, now, until, booked, s.floor_drop, least),
        )  # fmt: skip
        if until > now:
            mean = intake / max(menisci, 1) / (until - now)
            s.law.trickle = _TRICKLE * s.law.reach**2 * mean
        return float(total), float(intake), int(menisci)
