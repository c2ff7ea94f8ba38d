"""A sheet: what a solve looks at, row by row: the wet junctions and the menisci that they feed.

A solve visits its rows many times; here level Newtonian menisci are looked up several at once, and
no slot is touched. :func:`lay_out` fills a sheet, :func:`evaluate` says what every junction
owes under given pressures, :func:`hand_back` books what was found.

Functions with an argument p do it for one half of the rows, those with a team for its thread's.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner
from poresim.tube.straight import plain_volume
from poresim.uptake.bodies import feeds
from poresim.uptake.ledger import bring, curved
from poresim.uptake.passing import pass_by_law
from poresim.uptake.pockets import lay_gas, list_menisci, owe_gas
from poresim.uptake.state import END_0, END_1, ONE, TOP
from poresim.uptake.team import HALVES, INTAKE, OWED, TAKERS, in_all, note, wait
from poresim.uptake.touch import TOUCH, by_touch, lay_none, lay_touch


class Sheet(NamedTuple):
    """Work space; rows are junctions by their numbers, those of inlets and dry ones are idle."""

    pressure: NDArray[np.float64]  # (n,)
    base: NDArray[np.float64]  # (n,) what it owes before anything flows, m3
    owed: NDArray[np.float64]  # (n,) what it owes, m3
    before: NDArray[np.float64]  # (n,) pressures kept aside
    used: NDArray[np.int8]  # (n,) 0: idle
    edge: NDArray[np.float64]  # (n,) of rows at the other half: pressures before a sweep
    start: NDArray[np.int32]  # (n + 2,) menisci of row i in half p stand from start[i + p] on
    rows: NDArray[np.int64]  # (2, 2) of either half: its first row, one more than its last
    # menisci that come from wet junctions, row after row
    slot: NDArray[np.int32]  # (2 m,)
    end: NDArray[np.int8]  # (2 m,) the tube's end that it came from
    touch: NDArray[Any]  # (2 m,) of TOUCH: what is not plain
    past: NDArray[np.float64]  # (2, most tubes of a row) what they passed before, m3/s
    mouth: NDArray[np.float64]  # (2 m,) pressure there, Pa
    taken: NDArray[np.float64]  # (2 m,) what it takes, m3
    give: NDArray[np.float64]  # (2 m,) d taken / d pressure
    x: NDArray[np.float64]  # (2 m,) straight, level, Newtonian: where it stands,
    gain: NDArray[np.float64]  # (2 m,) d x^2 / d drive,
    pull: NDArray[np.float64]  # (2 m,) the drive without pressure, advancing
    back: NDArray[np.float64]  # (2 m,) and receding,
    area: NDArray[np.float64]  # (2 m,) and the section
    anchor: NDArray[np.float64]  # (2 m,) where it might stand: solves are linear about it; 0: open
    # where air is trapped, else of no entry
    row: NDArray[np.int32]  # (2 m,) that it hangs on
    hung: NDArray[np.int64]  # (2 m,) menisci, pocket after pocket
    against: NDArray[np.float64]  # (2 m,) by how much their pressures have risen in the solve, Pa


def make_sheet(junctions: int, tubes: int, most: int, trapped: bool) -> Sheet:
    """Work space for a network of that size; ``most`` tubes meet at a junction.

    trapped : whether pockets of air are followed.
    """
    some = 2 * tubes if trapped else 0
    places: list[NDArray[Any]] = [np.zeros(2 * tubes) for _ in range(9)]  # taken as first used
    gas: list[NDArray[Any]] = [np.zeros(some, kind) for kind in (np.int32, np.int64, float)]
    return Sheet(
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions, np.int8),
        np.zeros(junctions),
        np.zeros(junctions + 2, np.int32),
        np.zeros((HALVES, 2), np.int64),
        np.zeros(2 * tubes, np.int32),
        np.zeros(2 * tubes, np.int8),
        np.zeros(2 * tubes, TOUCH),
        np.zeros((HALVES, most)),
        *places,
        *gas,
    )


@inner
def find_rows(junctions, graph, sheet, p):
    """Up to the last wet junction of a half."""
    low, top = graph.half[p], graph.half[p + 1]
    while top > low and not junctions[top - 1].wet:
        top -= 1
    sheet.rows[p, 0], sheet.rows[p, 1] = low, top


@inner
def lay_out(law, wetting, tubes, junctions, graph, log, sheet, team, time, until, booked):
    """Bring every slot up to ``time`` and lay the rows out with nothing booked from then on.

    ``booked``: for how long, s, what full tubes without books pass is booked from then on.
    """
    known = booked > 0.0 and booked == until - time
    for p in range(team.first, team.last):
        find_rows(junctions, graph, sheet, p)
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            if tubes[s].live:
                bring(law, wetting, tubes, junctions, s, time, until)
    wait(team)
    trapped = graph.pockets.many[0] > 0
    if trapped:
        lay_gas(tubes, graph, log.counts[0, TOP], until - time)
    for p in range(team.first, team.last):
        _lay_rows(law, wetting, tubes, junctions, graph, sheet, p, until, known)
    if trapped:
        list_menisci(tubes, graph, sheet)
    wait(team)
    if booked > 0.0:
        for p in range(team.first, team.last):
            _pass(graph, sheet, sheet.base, p, booked)


@inner
def _lay_rows(law, wetting, tubes, junctions, graph, sheet, p, until, known):
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    trapped = graph.pockets.many[0] > 0
    place = np.int64(graph.first[low])  # there is room for the other half's
    first, ring, slots = graph.first, graph.ring, graph.slot
    start, used, base, owed = sheet.start[p:], sheet.used, sheet.base, sheet.owed
    slot, end, x, gain = sheet.slot, sheet.end, sheet.x, sheet.gain
    pull, back, area, pressure = sheet.pull, sheet.back, sheet.area, sheet.pressure
    anchor, touch = sheet.anchor, sheet.touch
    for i in range(low, top):
        node = junctions[i]
        start[i] = place
        pressure[i] = node.pressure
        used[i] = node.wet and not node.inlet
        base[i] = owed[i] = node.owed if used[i] else 0.0
        if not (used[i] or (trapped and node.inlet)) or node.open == 0:
            continue
        for k in range(first[i], first[i + 1]):
            s = slots[ring[k]]
            if s < 0:
                continue
            tube = tubes[s]
            side = END_0 if tube.a == i else END_1
            if used[i]:
                base[i] += tube.v0 if side == 0 else tube.v1
            elif tube.pocket < 0:  # what leaves an inlet towards free air is known
                continue
            if not feeds(node, tube):
                continue
            slot[place], end[place] = s, side
            if wetting.plain:
                square = tube.radius * tube.radius
                wait = max(until - tube.start, 0.0) * tube.leak
                x[place] = tube.x0 if side == 0 else tube.x1
                gain[place] = square * wait / (4.0 * law.consistency)
                pull[place] = wetting.advance_cos / tube.radius
                back[place] = wetting.recede_cos / tube.radius
                area[place] = math.pi * square
                anchor[place] = 0.0
            else:
                slope = tube.s0 if side == 0 else tube.s1
                if known and slope > 0.0 and law.grasp > 0.0 and curved(law, tube):
                    volume = tube.v0 if side == 0 else tube.v1
                    lay_touch(law, wetting, tube, side, touch[place], node.pressure, volume, slope)
                else:
                    lay_none(law, wetting, tube, side, touch[place], node.pressure)
            place += 1
    start[top] = place


@inner
def _pass(graph, sheet, owed, p, time):
    """Add to ``owed`` what leaves each row in ``time`` through full tubes without books."""
    first, far, flow, lift = graph.first, graph.far, graph.flow, graph.lift
    pressure, used, level = sheet.pressure, sheet.used, len(graph.lift) == 0
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    k = np.uint64(first[low])
    for i in range(low, top):
        end = np.uint64(first[i + 1])
        out, at = 0.0, pressure[i]
        if not used[i]:
            k = end
        elif level:
            while k < end:
                out += flow[k] * (at - pressure[far[k]])
                k += ONE
        else:
            while k < end:
                out += flow[k] * (at - pressure[far[k]] + lift[k])
                k += ONE
        owed[i] += time * out


@inner
def take(law, wetting, tubes, sheet, m, pressure, until):
    """Look up what meniscus m takes with that pressure at its mouth; with its slope, it keeps it.

    Returns both.
    """
    if wetting.plain:
        volume, slope = plain_volume(
            sheet.x[m], sheet.gain[m], sheet.pull[m], sheet.back[m], sheet.area[m], pressure
        )
    else:
        volume, slope = by_touch(
            law, wetting, tubes[sheet.slot[m]], sheet.end[m], sheet.touch[m], pressure, until
        )
    sheet.taken[m], sheet.give[m] = volume, slope
    return volume, slope


@inner
def _take_all(law, wetting, tubes, sheet, p, until):
    """As :func:`take`, for all menisci under the pressures as they stand."""
    start, pressure, mouth = sheet.start[p:], sheet.pressure, sheet.mouth
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    for i in range(low, top):
        for m in range(start[i], start[i + 1]):
            mouth[m] = pressure[i]
    begin, end = start[low], start[top]
    if len(sheet.against) > 0:
        for m in range(begin, end):
            mouth[m] -= sheet.against[m]
    at, taken, give = mouth[begin:end], sheet.taken[begin:end], sheet.give[begin:end]
    if not wetting.plain:
        slot, side = sheet.slot[begin:end], sheet.end[begin:end]
        touch = sheet.touch[begin:end]
        for m in range(len(at)):
            taken[m], give[m] = by_touch(
                law, wetting, tubes[slot[m]], side[m], touch[m], at[m], until
            )
        return
    x, gain, area = sheet.x[begin:end], sheet.gain[begin:end], sheet.area[begin:end]
    pull, back = sheet.pull[begin:end], sheet.back[begin:end]
    for m in range(len(at)):
        taken[m], give[m] = plain_volume(x[m], gain[m], pull[m], back[m], area[m], at[m])


@inner
def evaluate(law, wetting, tubes, graph, sheet, team, span, until, floor):
    """What every junction owes under the pressures as they stand; the :func:`sums` of that."""
    wait(team)
    for p in range(team.first, team.last):
        _evaluate(law, wetting, tubes, graph, sheet, p, span, until, floor)
    return sums(graph, sheet, team)


@inner
def _evaluate(law, wetting, tubes, graph, sheet, p, span, until, floor):
    _take_all(law, wetting, tubes, sheet, p, until)
    base, owed, start, taken = sheet.base, sheet.owed, sheet.start[p:], sheet.taken
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    for i in range(low, top):
        owed[i] = base[i]
    if law.kind == 0:
        _pass(graph, sheet, owed, p, -span)
    else:
        pass_by_law(law, graph, sheet, owed, p, span, floor)
    used = sheet.used
    for i in range(low, top):
        if used[i]:
            for m in range(start[i], start[i + 1]):
                owed[i] -= taken[m]


@inner
def sums(graph, sheet, team):
    """(what all rows owe, what the menisci take or give, how many do)."""
    for p in range(team.first, team.last):
        total, intake, takers = 0.0, 0.0, 0
        owed, taken, start = sheet.owed, sheet.taken, sheet.start[p:]
        low, top = sheet.rows[p, 0], sheet.rows[p, 1]
        for i in range(low, top):
            total += abs(owed[i])
        for m in range(start[low], start[top]):
            intake += abs(taken[m])
            takers += taken[m] != 0.0
        if p == 0:
            total += owe_gas(graph, sheet)
        note(team, p, OWED, total)
        note(team, p, INTAKE, intake)
        note(team, p, TAKERS, float(takers))
    wait(team)
    return in_all(team, OWED), in_all(team, INTAKE), np.int64(in_all(team, TAKERS))


@inner
def hand_back(tubes, junctions, sheet, p):
    """Book what the sheet says."""
    used, start, pressure, owed = sheet.used, sheet.start[p:], sheet.pressure, sheet.owed
    slot, end, taken, give = sheet.slot, sheet.end, sheet.taken, sheet.give
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    for i in range(low, top):
        if used[i]:
            junctions[i].pressure, junctions[i].owed = pressure[i], owed[i]
        for m in range(start[i], start[i + 1]):
            tube = tubes[slot[m]]
            if end[m] == 0:
                tube.v0, tube.s0 = taken[m], give[m]
            else:
                tube.v1, tube.s1 = taken[m], give[m]
