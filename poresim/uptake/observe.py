"""The course of a soak as it is watched: curve, front, snapshots, balance, ending."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.drop.base import Drop
from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.tube.jit import kernel
from poresim.uptake.carry import weigh
from poresim.uptake.clinging import Clinging
from poresim.uptake.drain import Air
from poresim.uptake.inputs import Asked
from poresim.uptake.pockets import BUBBLED, FREE
from poresim.uptake.result import Ending, Soak
from poresim.uptake.shear import Shear, edges, shares
from poresim.uptake.sitting import Sitting
from poresim.uptake.state import DRY, PASSING, State
from poresim.uptake.supply import Supply
from poresim.uptake.swollen import Swollen

_OF_DROPS = ("drop_m3", "drop_angle_deg", "drop_base_m", "drop_height_m", "dispensed_m3")
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_SETTLED = 1e-2  # times the floor of drops, itself 1e-4 of the weakest suction
BALANCE = 1e-2  # times accuracy: the volume balance that every record keeps
_BRIEF = 1e-3  # of the time gone by: what rests in so short a step may move in a longer one
_LAST_DROP = 0.1  # times the accuracy, of the cup: what may be left in it
_GAS_START = 0.1  # times the accuracy: how much shorter a first step is against trapped air
_WHOLE = 1 - 1e-9  # filled to rounding
_BRINGS = 1e-9  # of all grains that have come in: less in a step is rounding


def front_of(state: State, depth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Depths, m, of all menisci in tubes that are open (not yet full).

    depth : (n,) of each junction by its number in the state, m.
    """
    found = np.empty(2 * sum(len(half) for half in state.slots_by_half))
    count = 0
    for half in state.slots_by_half:
        count = _menisci(half, state.junctions, depth, found, count)
    return found[:count]


@kernel
def _menisci(tubes, junctions, depth, found, n):
    for e in range(len(tubes)):
        tube = tubes[e]
        if not tube.live or tube.body:
            continue
        for end in range(2):
            near, far = (tube.a, tube.b) if end == 0 else (tube.b, tube.a)
            if junctions[near].feeds:
                share = (tube.x0 if end == 0 else tube.x1) / tube.length
                found[n] = depth[near] * (1.0 - share) + depth[far] * share
                n += 1
    return n


def _stops(asked: Asked) -> list[float]:
    """When a step has to end: snapshots, lifts, further drops, and the end."""
    times = np.union1d(asked.snapshots, np.union1d(asked.lifts, asked.drops))
    return [*times[times <= asked.until_s].tolist(), asked.until_s]


class Course:
    """What has happened so far. The march extends it; observers only read it."""

    def __init__(
        self, solid: Network, liquid: Liquid, state: State, asked: Asked, control: Any
    ) -> None:
        self.solid = solid
        self.supply = Supply(asked.cup, liquid, state)
        self.asked = asked
        self.ending: Ending | None = None
        self.time = 0.0
        self.held = state.begun
        self._moved = True  # in the last step
        self.bends = False  # steps grow anew after every event
        self.exact = False  # pressures matter by their integral over time alone
        # a first step knows of no cake: where one will matter, it is shorter
        self.slow_start = min(1.0, asked.accuracy / max(state.roofs.haste, asked.accuracy))
        if state.traps:  # it comes to rest long before its tubes would be full
            self.slow_start *= _GAS_START * asked.accuracy
        self.last_event = 0.0
        self.last_step = 0.0
        self._swing = 0.0  # largest change of a pressure in the last step, Pa
        self._state = state
        self._depth = asked.depth[state.order]
        self._pressure = state.junctions["pressure"].copy()
        self._control = control
        self._curve: list[tuple[float, float]] = [(0.0, state.begun)]
        self._front: list[NDArray[np.float64]] = []
        self._snapshots: list[NDArray[np.float32]] = []
        self._snapshot_times: list[float] = []
        self._balance = 0.0
        self._events = 0
        self._grains: list[NDArray[np.float64]] = [self._books()]
        self._ahead: list[float] = [self._front_fraction()]
        self.shear = Shear(state)
        self._stops = _stops(asked)
        self._kept = set(asked.snapshots.tolist())
        self.air: Air | None = None  # once it has been lifted out
        turns = asked.lifts if asked.drop_m3 is None else asked.drops
        self._turns = iter([*turns[turns < asked.until_s].tolist(), math.inf])
        self.next_turn = next(self._turns)  # when it is lifted out or put back, or a drop comes
        self.in_liquid = True
        self.sitting: Sitting | None = None  # a drop that is all the liquid there is
        self.clinging: Clinging | None = None  # a film on the solid, out of the liquid
        self._film = [0.0]
        self.swollen: Swollen | None = None  # walls that swell
        self._spent: list[bool] = [False]  # whether the drop was, by rows
        self._laid: list[tuple[int, Drop]] = []  # further ones, and from which row on
        self._left_outside = [math.inf]
        self.stirred = False  # air has just come in somewhere: pressures are not what they were
        self._passed = 0
        self._trapped: list[NDArray[np.float64]] = []
        self._watch()

    @property
    def saturation(self) -> float:
        """Liquid over the tubes' volume."""
        return self.held / self._state.volume

    @property
    def settled(self) -> bool:
        """The last step moved nothing, brought no grains, and changed no pressure worth the name.

        One that an event has ended at once says nothing.
        """
        still = not self._moved and self._swing <= _SETTLED * self._state.floor_drop
        still = still and not self._brings()
        return still and self.last_step > _BRIEF * self.time

    def _books(self) -> NDArray[np.float64]:
        """(5, classes) grains carried in, afloat, caught, gone out again, and caked, m3."""
        state, (carried, left) = self._state, self._state.cargo.books
        if len(carried) == 0:
            return np.zeros((5, 0))
        afloat, caught, caked = weigh(state.graph, state.cargo, state.roofs)
        return np.array([carried, afloat, caught, left, caked])

    def _front_fraction(self) -> float:
        """Grains over all that is in open tubes, by volume; NaN where they are not followed."""
        cargo, slots = self._state.cargo, self._state.slots
        open_ = slots["number"][(slots["live"] == 1) & (slots["body"] == 0)]
        liquid = cargo.held[open_].sum() if len(cargo.held) else 0.0
        return float(cargo.suspended[open_].sum() / liquid) if liquid > 0 else math.nan

    def _cake(self, caked: NDArray[np.float64]) -> NDArray[np.float64]:
        """(k,) mean thickness, m, of a cake of (k, classes) m3 of grains."""
        area = self._state.roofs.area
        return self.supply.cake(caked.sum(axis=1)) / (area.sum() if len(area) else 1.0)

    def _brings(self) -> bool:
        """Whether the last step brought grains: full tubes may go on flowing between inlets."""
        if len(self._grains) < 2:
            return False
        before, now = self._grains[-2][0].sum(), self._grains[-1][0].sum()
        return bool(now - before > _BRINGS * now)

    def share_done(self) -> float:
        """A rough share of the work done, 0 to 1."""
        if self.ending is not None:
            return 1.0
        by_uptake = self.saturation / self.asked.until_saturation
        by_time = self.time / self.asked.until_s if math.isfinite(self.asked.until_s) else 0.0
        return min(1.0, max(by_uptake, by_time))

    def next_stop(self) -> float:
        """The next time that a step must end on: a snapshot or the end."""
        return float(self._stops[self._passed])

    def ends(self, time: float, held: float) -> bool:
        """Whether the soak is looked at then, or ends."""
        full = self.asked.until_saturation * _WHOLE * self._state.volume
        return time >= self.next_stop() or held >= full or self._empties(held)

    def _empties(self, held: float) -> bool:
        """Whether the cup is empty but for what the accuracy does not see."""
        if self.sitting is not None:
            return self.sitting.gone(self.left())
        whole = self.supply.volume * (1.0 - _LAST_DROP * self.asked.accuracy)
        return self.supply.drawn(held) >= whole

    def rate(self) -> float:
        """At which liquid was taken up in the last step, m3/s."""
        if len(self._curve) < 2:
            return 0.0
        (before, less), (now, more) = self._curve[-2:]
        return (more - less) / (now - before)

    def left(self) -> float:
        """What is left of the liquid outside, m3."""
        return self.supply.volume - self.supply.drawn(self._curve[-1][1])

    def until_empty(self) -> float:
        """In what time the cup would be empty if liquid went on as in the last step, s."""
        spent = self.sitting is not None and self.sitting.spent
        if spent or not math.isfinite(self.supply.volume):
            return math.inf
        rate = self.rate()
        return self.left() / rate if rate > 0.0 else math.inf

    def longest(self) -> float:
        """How long a step may be for a drop, and where walls swell, s."""
        most = math.inf
        if self.swollen is not None:
            most = self.swollen.longest(self.time, self.first_full())
        if self.clinging is not None:
            most = min(most, self.clinging.longest(self.rate()))
        if self.sitting is None or self.sitting.spent:
            return most
        return min(most, self.sitting.longest(self.left(), self.rate()))

    def first_full(self) -> NDArray[np.float64]:
        """(m,) when each tube got full first, s; NaN: it has not."""
        filled_at = self._state.log.filled_at
        return filled_at if self.air is None else np.fmin(self.air.filled, filled_at)

    @property
    def under_drop(self) -> bool:
        """Whether the liquid is a drop that is not spent."""
        return self.sitting is not None and not self.sitting.spent

    def turns(self) -> bool:
        """Whether it is to be lifted out or put back, or a drop comes, or it or a film has gone."""
        gone = self.clinging is not None and self.clinging.gone
        return self.time >= self.next_turn or self.spends or gone

    @property
    def spends(self) -> bool:
        """Whether a drop has just gone."""
        return self.under_drop and self._empties(self.held)

    def most(self) -> float:
        """As much as tubes may hold, m3: a drop or a film is all there is."""
        if self.clinging is not None:
            return self.held + self.clinging.left
        return self.held + self.left() if self.under_drop else math.inf

    def watch_air(self) -> None:
        """Enter what air is trapped: its volume, its moles, and those that have left."""
        pockets = self._state.graph.pockets
        rows = pockets.rows[: pockets.many[0]]
        share = rows["volume"].sum() / self._state.volume
        self._trapped.append(np.array([share, rows["moles"].sum(), pockets.books[BUBBLED]]))

    def record(self, time: float, held: float) -> None:
        """A step has ended."""
        self._moved = abs(held - self.held) > 1e-14 * held
        if int(self._control["events"]) > self._events:
            self._events, self.last_event = int(self._control["events"]), time
        self.last_step = time - self.time
        self.shear.step(self.time, time)
        pressure = self._state.junctions["pressure"]
        self._swing = float(np.abs(pressure - self._pressure).max())
        self._pressure = pressure.copy()
        self.time, self.held = time, held
        inner = self._state.junctions["inlet"] == 0
        owed = float(self._state.junctions["owed"][inner].sum())
        if self.air is not None:
            owed += float(self.air.lost[0])
        # out of the liquid what junctions owe is still in the solid
        self._curve.append((time, held if self.in_liquid else held + owed))
        self._left_outside.append(self.left())
        self._film.append(0.0 if self.clinging is None else self.clinging.left)
        self._spent.append(self.sitting is not None and self.sitting.spent)
        if held > 0:
            self._balance = max(self._balance, abs(owed) / held)
        self._grains.append(self._books())
        self._ahead.append(self._front_fraction())
        self.watch_air()
        self._watch()
        self._judge()

    def rest(self) -> None:
        """Nothing moves any more: the rest of the time is as it is now."""
        if self.ending is not None:
            return
        while math.isfinite(self.next_stop()) and self.time < self.next_turn:
            if self.clinging is not None:
                self.clinging.take(0.0, self.next_stop() - self.time)
            self.time = self.next_stop()
            self._film.append(0.0 if self.clinging is None else self.clinging.left)
            self._curve.append((self.time, self._curve[-1][1]))
            self._left_outside.append(self.left())
            self._spent.append(self._spent[-1])
            self._grains.append(self._grains[-1])
            self._ahead.append(self._ahead[-1])
            self._trapped.append(self._trapped[-1])
            self._watch()
            if self._passed >= len(self._stops):
                break
        if self.time < self.next_turn:
            self.ending = self._why_at_rest()

    def turned(self, in_liquid: bool, planned: bool = True) -> None:
        """It has been lifted out or put back, or a drop has come or gone: what rested may move."""
        if planned:
            self.next_turn = next(self._turns)
        self.last_event, self.last_step = self.time, 0.0
        self.in_liquid = in_liquid
        self.stirred = True

    def film_gone(self) -> None:
        """The film that hung on the solid is gone."""
        self.last_event, self.stirred = self.time, True

    def dispense(self, volume: float, drop: Drop) -> None:
        """One more drop is set down: so much more liquid, in a drop as that one from now on."""
        time, held = self._curve[-1]
        self._curve[-1] = (float(np.nextafter(time, 0.0)), held)
        self._curve.append((time, held))
        self.supply.volume += volume - self._dripped()
        self._left_outside.append(self.left())
        self._film.append(0.0)
        self._spent.append(False)
        self._laid.append((len(self._curve) - 1, drop))
        self._grains.append(self._grains[-1])
        self._ahead.append(self._ahead[-1])
        self._trapped.append(self._trapped[-1])
        self._front.append(self._front[-1])

    def _why_at_rest(self) -> Ending:
        slots = self._state.slots
        if len(slots) == 0:
            return Ending.NO_PATH
        return Ending.FULL if not slots["live"].any() else Ending.STOPPED

    def _judge(self) -> None:
        if self._balance > BALANCE * self.asked.accuracy:
            self.ending = Ending.NOT_CONVERGED  # shorter steps have been tried
            return
        goal = self.asked.until_saturation
        if goal < 1 and self.saturation >= goal * _WHOLE:
            self.ending = Ending.SATURATION
        elif self.sitting is None and self.clinging is None and self._empties(self.held):
            self.ending = Ending.EMPTY
        elif self.time >= self.asked.until_s:
            self.ending = Ending.TIME

    def _watch(self) -> None:
        front = front_of(self._state, self._depth)
        if len(front):
            quantiles = np.quantile(front, QUANTILES)
            self._front.append(np.array([*quantiles, front.mean(), front.std()]))
        else:
            last = self._front[-1] if self._front else np.zeros(len(QUANTILES) + 2)
            self._front.append(last)
        while self._passed < len(self._stops) and self.time >= self._stops[self._passed]:
            if self._stops[self._passed] in self._kept and self._passed < len(self._stops) - 1:
                self._snapshots.append(self._fill())
                self._snapshot_times.append(self.time)
            self._passed += 1

    def _fill(self) -> NDArray[np.float32]:
        log, slots = self._state.log, self._state.slots
        fill = np.zeros((self.solid.tubes, 2), np.float32)
        full = np.flatnonzero(self._state.graph.slot[: self.solid.tubes] == PASSING)
        fill[full, 0], fill[full, 1] = log.met[full], 1 - log.met[full]
        some = slots[(slots["live"] == 1) & (slots["body"] == 0)]
        fill[some["number"], 0] = some["x0"] / some["length"]
        fill[some["number"], 1] = some["x1"] / some["length"]
        return fill

    def _air_pressure(self) -> NDArray[np.float64]:
        """(m,) of the air in each tube, Pa; NaN in full ones; (0,) where air is free."""
        state = self._state
        if not state.traps:
            return np.zeros(0)
        junctions, slots = state.junctions, state.slots
        slots = slots[(slots["live"] == 1) & (slots["body"] == 0)]
        found = np.zeros(len(state.shapes.ends))
        pocket = junctions["pocket"][state.shapes.rank[state.shapes.ends[:, 0]]]
        dry = np.flatnonzero((state.graph.slot == DRY) & (pocket != FREE))
        found[dry] = state.graph.pockets.rows["pressure"][pocket[dry]]
        found[slots["number"]] = slots["gas"]
        found[state.graph.slot == PASSING] = np.nan
        return found[: self.solid.tubes]

    def _dripped(self) -> float:
        """What came from the drops before this one and has left the solid again, m3."""
        assert self.sitting is not None
        return max(self.left(), 0.0) if self.sitting.spent and self._back(self.left()) else 0.0

    def _back(self, left: Any) -> Any:
        """Whether so much over a spent drop, m3, is more than how closely books close."""
        return left > BALANCE * self.asked.accuracy * self.supply.volume

    def _drops(self) -> dict[str, NDArray[np.float64]]:
        """What is told of drops; of no length where there are none."""
        if self.sitting is None:
            return {name: np.zeros(0) for name in _OF_DROPS}
        left = np.array(self._left_outside)
        first, each = self.sitting.first, self.sitting.first.volume
        left[0] = each
        given, shapes = np.full(len(left), each), []
        begins = [0, *(row for row, _ in self._laid)]
        for row in begins[1:]:
            given[row:] += each
        left = np.clip(left, 0.0, given)
        left[np.array(self._spent) & self._back(left)] = 0.0  # it has dripped off
        drops = [first, *(drop for _, drop in self._laid)]
        for drop, begin, end in zip(drops, begins, [*begins[1:], len(left)], strict=True):
            own = np.minimum(left[begin:end], drop.volume)
            shapes.append([drop.angle_deg(own), drop.base_radius(own), drop.height(own)])
        columns = [left, *np.concatenate(shapes, axis=1), given if self._laid else np.zeros(0)]
        return dict(zip(_OF_DROPS, columns, strict=True))

    def result(self) -> Soak:
        """The finished soak."""
        assert self.ending is not None
        junctions, order, log = self._state.junctions, self._state.order, self._state.log
        wetted, pressure = np.empty(len(order)), np.empty(len(order))
        wetted[order] = junctions["wetted"]
        filled_at = self.first_full()
        if self.air is not None:
            wetted[order] = np.fmin(self.air.wetted, junctions["wetted"])
        pressure[order] = np.where(junctions["wet"] == 1, junctions["pressure"], np.nan)
        time, uptake = np.array(self._curve).T
        front = np.array(self._front)
        work, grains = self.shear.close(), np.array(self._grains)
        trapped = np.array(self._trapped) if self._state.traps else np.zeros((0, 3))
        return Soak(
            time_s=time,
            uptake_m3=uptake,
            saturation=uptake / self._state.volume,
            front_m=front[:, : len(QUANTILES)],
            front_mean_m=front[:, -2],
            front_width_m=front[:, -1],
            filled_at_s=filled_at[: self.solid.tubes],
            wetted_at_s=wetted[: self.solid.junctions],
            blocked_at_s=(
                log.blocked_at[: self.solid.tubes]
                if len(log.blocked_at)
                else np.full(self.solid.tubes, np.nan)
            ),
            pressure_pa=pressure[: self.solid.junctions],
            snapshot_time_s=np.array(self._snapshot_times),
            snapshot_fill=(
                np.array(self._snapshots)
                if self._snapshots
                else np.zeros((0, self.solid.tubes, 2), np.float32)
            ),
            shear_edges_1_s=edges(),
            shear_share=shares(work),
            dissipated_j=float(work.sum()),
            class_diameter_m=self._state.cargo.diameter,
            carried_in_m3=grains[:, 0],
            suspended_m3=grains[:, 1],
            captured_m3=grains[:, 2],
            left_m3=grains[:, 3],
            cake_m3=grains[:, 4],
            cake_thickness_m=self._cake(grains[:, 4]),
            front_fraction=np.array(self._ahead),
            offered_share=self.supply.offered_share(time),
            cup_m3=self.supply.afloat_m3(time, grains[:, 0] - grains[:, 3]),
            film_m3=np.array(self._film) if self.asked.film is not None else np.zeros(0),
            **self._drops(),
            trapped_share=trapped[:, 0],
            trapped_pv_j=trapped[:, 1],
            bubbled_pv_j=trapped[:, 2],
            air_pa=self._air_pressure(),
            captured_in_tube_m3=self._state.cargo.captured[: self.solid.tubes],
            ending=self.ending,
            steps=len(self._curve) - 1,
            solves=int(self._control["solves"]),
            volume_balance=self._balance,
            accuracy=self.asked.accuracy,
        )
