"""A sheet: what a solve looks at, laid out row by row: the wet junctions and their sheet.

A solve visits its rows many times; here level Newtonian menisci are looked up several at once, and
no slot is touched. :func:`lay_out` fills a sheet, :func:`evaluate` says what every junction
owes under given pressures, :func:`hand_back` books what was found.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import prange
from numpy.typing import NDArray

from poresim.tube.jit import kernel, team_kernel
from poresim.uptake.ledger import bring, outflow
from poresim.uptake.rows import ONE, ROWS, SLOTS, parts_of
from poresim.uptake.state import TOP


class Sheet(NamedTuple):
    """Work space; rows are junctions by their numbers, those of inlets and dry ones are idle.

    Flow law and wetting are here as arrays of one entry too: a team cannot be handed records.
    """

    law: NDArray[Any]
    wetting: NDArray[Any]

    pressure: NDArray[np.float64]  # (n,)
    base: NDArray[np.float64]  # (n,) what it owes before anything flows, m3
    owed: NDArray[np.float64]  # (n,) what it owes, m3
    before: NDArray[np.float64]  # (n,) pressures kept aside
    used: NDArray[np.int8]  # (n,) 0: idle
    start: NDArray[np.int32]  # (n + 1,) its menisci stand from here on
    sums: NDArray[np.float64]  # (parts, 3)
    counts: NDArray[np.int64]  # (parts + 1,)
    # menisci that come from wet junctions, row after row
    slot: NDArray[np.int32]  # (2 m,)
    end: NDArray[np.int8]  # (2 m,) the tube's end that it came from
    mouth: NDArray[np.float64]  # (2 m,) pressure there, Pa
    taken: NDArray[np.float64]  # (2 m,) what it takes, m3
    give: NDArray[np.float64]  # (2 m,) d taken / d pressure
    x: NDArray[np.float64]  # (2 m,) straight, level, Newtonian: where it stands,
    gain: NDArray[np.float64]  # (2 m,) d x^2 / d drive,
    pull: NDArray[np.float64]  # (2 m,) the drive without pressure, advancing
    back: NDArray[np.float64]  # (2 m,) and receding,
    area: NDArray[np.float64]  # (2 m,) and the section


def make_sheet(junctions: int, tubes: int, law: Any, wetting: Any) -> Sheet:
    """Work space for a network of that size."""
    parts = parts_of(max(junctions, 1), ROWS)
    return Sheet(
        law.base.view(law.dtype),
        wetting.base,
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions),
        np.zeros(junctions, np.int8),
        np.zeros(junctions + 1, np.int32),
        np.zeros((parts, 3)),
        np.zeros(parts + 1, np.int64),
        np.zeros(2 * tubes, np.int32),
        np.zeros(2 * tubes, np.int8),
        *(np.zeros(2 * tubes) for _ in range(8)),  # memory is taken as it is first used
    )


@kernel
def rows_in_use(junctions):
    """One more than the last wet junction's number."""
    top = len(junctions)
    while top > 0 and not junctions[top - 1].wet:
        top -= 1
    return top


@kernel
def lay_out(
    law, wetting, tubes, junctions, graph, log, sheet, control, top, time, until, booked, floor
):  # fmt: skip
    """Bring every slot up to ``time`` and lay the rows out with nothing booked from then on.

    ``booked``: for how long, s, what full tubes without books pass is booked from then on.
    """
    slots = log.counts[TOP]
    own = wetting.linear == 0
    if control.team == 1:
        for c in range(parts_of(slots, SLOTS)):
            _bring_part(law, wetting, tubes, junctions, slots, c, time, until, floor)
        for c in range(parts_of(top, ROWS)):
            _count_part(junctions, sheet, top, c)
    else:
        _bring_team(tubes, junctions, sheet, slots, top, control.team, time, until, floor)
    place = 0
    parts = parts_of(top, ROWS)
    for c in range(parts):
        here = sheet.counts[c]
        sheet.counts[c] = place
        place += here
    sheet.start[top] = place
    if control.team == 1:
        for c in range(parts):
            _lay_part(law, wetting, tubes, junctions, graph, sheet, top, c, booked, until, own)
    else:
        _lay_team(tubes, junctions, graph, sheet, top, control.team, booked, until, own)


@team_kernel
def _bring_team(tubes, junctions, sheet, slots, top, team, time, until, floor):
    for t in prange(team):
        law, wetting = sheet.law[0], sheet.wetting[0]
        for c in range(t, parts_of(slots, SLOTS), team):
            _bring_part(law, wetting, tubes, junctions, slots, c, time, until, floor)
        for c in range(t, parts_of(top, ROWS), team):
            _count_part(junctions, sheet, top, c)


@kernel
def _bring_part(law, wetting, tubes, junctions, slots, c, time, until, floor):
    for s in range(c * SLOTS, min(slots, (c + 1) * SLOTS)):
        if tubes[s].live:
            bring(law, wetting, tubes, junctions, s, time, until, floor)


@kernel
def _count_part(junctions, sheet, top, c):
    """Copy the pressures, and count the sheet."""
    count = 0
    for i in range(c * ROWS, min(top, (c + 1) * ROWS)):
        sheet.pressure[i] = junctions[i].pressure
        if junctions[i].wet and not junctions[i].inlet:
            count += junctions[i].open
    sheet.counts[c] = count


@team_kernel
def _lay_team(tubes, junctions, graph, sheet, top, team, booked, until, own):
    for t in prange(team):
        law, wetting = sheet.law[0], sheet.wetting[0]
        for c in range(t, parts_of(top, ROWS), team):
            _lay_part(law, wetting, tubes, junctions, graph, sheet, top, c, booked, until, own)


@kernel
def _lay_part(law, wetting, tubes, junctions, graph, sheet, top, c, booked, until, own):
    """``own``: full tubes have books of their own."""
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    place = sheet.counts[c]
    first, ring, slots = graph.first, graph.ring, graph.slot
    start, used, base, owed = sheet.start, sheet.used, sheet.base, sheet.owed
    slot, end, x, gain = sheet.slot, sheet.end, sheet.x, sheet.gain
    pull, back, area = sheet.pull, sheet.back, sheet.area
    for i in range(lo, hi):
        node = junctions[i]
        start[i] = place
        used[i] = node.wet and not node.inlet
        base[i] = owed[i] = node.owed if used[i] else 0.0
        if not used[i] or (node.open == 0 and not own):
            continue
        for k in range(first[i], first[i + 1]):
            s = slots[ring[k]]
            if s < 0:
                continue
            tube = tubes[s]
            side = 0 if tube.a == i else 1
            base[i] += tube.v0 if side == 0 else tube.v1
            if tube.full:
                continue
            slot[place], end[place] = s, side
            if wetting.plain:
                square = tube.radius * tube.radius
                time = max(until - tube.start, 0.0) * tube.leak
                x[place] = tube.x0 if side == 0 else tube.x1
                gain[place] = square * time / (4.0 * law.consistency)
                pull[place] = wetting.advance_cos / tube.radius
                back[place] = wetting.recede_cos / tube.radius
                area[place] = math.pi * square
            place += 1
    if booked > 0.0 and not own:
        _unbook_part(graph, sheet, lo, hi, booked)


@kernel
def _unbook_part(graph, sheet, lo, hi, booked):
    """Take back what is booked for the full tubes without books of their own."""
    first, far, flow, lift = graph.first, graph.far, graph.flow, graph.lift
    pressure, used, base = sheet.pressure, sheet.used, sheet.base
    level = len(lift) == 0
    k = np.uint64(first[lo])
    for i in range(lo, hi):
        end = np.uint64(first[i + 1])
        out, at = 0.0, pressure[i]
        if not used[i]:
            k = end
        while k < end:
            out += flow[k] * (at - pressure[far[k]] + (0.0 if level else lift[k]))
            k += ONE
        base[i] += booked * out


@kernel
def take(law, wetting, tubes, sheet, m, pressure, until, floor):
    """Look up what meniscus m takes with that pressure at its mouth; with its slope, it keeps it.

    Returns both.
    """
    if wetting.plain:
        volume, slope = take_plain(
            sheet.x[m], sheet.gain[m], sheet.pull[m], sheet.back[m], sheet.area[m], pressure
        )
    else:
        tube = tubes[sheet.slot[m]]
        time = until - tube.start
        volume, slope = outflow(law, wetting, tube, sheet.end[m], pressure, 0.0, time, floor)
    sheet.taken[m], sheet.give[m] = volume, slope
    return volume, slope


@kernel
def take_plain(x, gain, pull, back, area, pressure):
    """Without branches, so that many are looked up at once."""
    ahead, behind = pressure + pull, pressure + back
    drive = ahead if ahead > 0.0 else (min(behind, 0.0) if x > 0.0 else 0.0)
    square = x * x + gain * drive
    new = math.sqrt(max(square, 0.0))
    volume = area * gain
    moves = drive != 0.0 and gain > 0.0
    free = moves and square > 0.0
    taken = volume * drive / (new + x) if free else (-area * x if moves else 0.0)
    slope = 0.5 * volume / new if free else 0.0
    return taken, slope


@kernel
def _take_range(law, wetting, tubes, sheet, begin, end, until, floor):
    """As :func:`take`, for a range of menisci whose pressures are set."""
    at, taken, give = sheet.mouth[begin:end], sheet.taken[begin:end], sheet.give[begin:end]
    if not wetting.plain:
        slot, side = sheet.slot[begin:end], sheet.end[begin:end]
        for m in range(len(at)):
            tube = tubes[slot[m]]
            time = until - tube.start
            taken[m], give[m] = outflow(law, wetting, tube, side[m], at[m], 0.0, time, floor)
        return
    x, gain, area = sheet.x[begin:end], sheet.gain[begin:end], sheet.area[begin:end]
    pull, back = sheet.pull[begin:end], sheet.back[begin:end]
    for m in range(len(at)):
        taken[m], give[m] = take_plain(x[m], gain[m], pull[m], back[m], area[m], at[m])


@kernel
def evaluate(law, wetting, tubes, graph, log, sheet, control, top, span, until, floor):
    """What every junction owes under the pressures as they stand; (sum of that, intake, takers).

    ``intake`` is what the menisci take or give, ``takers`` how many do.
    """
    parts = parts_of(top, ROWS)
    slots = 0 if wetting.linear else log.counts[TOP]
    if control.team == 1:
        for c in range(parts_of(slots, SLOTS)):
            _pass_part(law, wetting, tubes, graph, sheet, slots, c, until, floor)
        for c in range(parts):
            _owe_part(law, wetting, tubes, graph, sheet, top, c, span, until, floor)
    else:
        if slots > 0:
            _pass_team(tubes, graph, sheet, slots, control.team, until, floor)
        _owe_team(tubes, graph, sheet, top, control.team, span, until, floor)
    total, intake, takers = 0.0, 0.0, 0.0
    for c in range(parts):
        total += sheet.sums[c, 0]
        intake += sheet.sums[c, 1]
        takers += sheet.sums[c, 2]
    return total, intake, takers


@team_kernel
def _pass_team(tubes, graph, sheet, slots, team, until, floor):
    for t in prange(team):
        law, wetting = sheet.law[0], sheet.wetting[0]
        for c in range(t, parts_of(slots, SLOTS), team):
            _pass_part(law, wetting, tubes, graph, sheet, slots, c, until, floor)


@kernel
def _pass_part(law, wetting, tubes, graph, sheet, slots, c, until, floor):
    """Book what full tubes pass under the sheet's pressures."""
    for s in range(c * SLOTS, min(slots, (c + 1) * SLOTS)):
        tube = tubes[s]
        if tube.live and tube.full:
            from_, to = sheet.pressure[tube.a], sheet.pressure[tube.b]
            v, slope = outflow(law, wetting, tube, 0, from_, to, until - tube.start, floor)
            tube.v0, tube.v1, tube.s0, tube.s1 = v, -v, slope, slope
            graph.flow[tube.at_a] = graph.flow[tube.at_b] = slope


@team_kernel
def _owe_team(tubes, graph, sheet, top, team, span, until, floor):
    for t in prange(team):
        law, wetting = sheet.law[0], sheet.wetting[0]
        for c in range(t, parts_of(top, ROWS), team):
            _owe_part(law, wetting, tubes, graph, sheet, top, c, span, until, floor)


@kernel
def _owe_part(law, wetting, tubes, graph, sheet, top, c, span, until, floor):
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    first, start = graph.first[lo : hi + 1], sheet.start[lo : hi + 1]
    used, base, here, owed = (
        sheet.used[lo:hi], sheet.base[lo:hi], sheet.pressure[lo:hi], sheet.owed[lo:hi]
    )  # fmt: skip
    pressure, ring, slot = sheet.pressure, graph.ring, graph.slot
    far, flow, lift = graph.far, graph.flow, graph.lift
    mouth, taken = sheet.mouth, sheet.taken
    for r in range(hi - lo):
        for m in range(start[r], start[r + 1]):
            mouth[m] = here[r]
    _take_range(law, wetting, tubes, sheet, start[0], start[hi - lo], until, floor)
    linear, level = wetting.linear, len(lift) == 0
    total, intake, takers = 0.0, 0.0, 0.0
    k = np.uint64(first[0])
    for r in range(hi - lo):
        end = np.uint64(first[r + 1])
        if not used[r]:
            k = end
            continue
        left = base[r]
        for m in range(start[r], start[r + 1]):
            left -= taken[m]
            intake += abs(taken[m])
            takers += taken[m] != 0.0
        out, at = 0.0, here[r]
        if linear and level:
            while k < end:
                out += flow[k] * (at - pressure[far[k]])
                k += ONE
            left -= span * out
        elif linear:
            while k < end:
                out += flow[k] * (at - pressure[far[k]] + lift[k])
                k += ONE
            left -= span * out
        else:
            k = end
            for q in range(first[r], first[r + 1]):
                s = slot[ring[q]]
                if s >= 0 and tubes[s].full:
                    left -= tubes[s].v0 if tubes[s].a == lo + r else tubes[s].v1
        owed[r] = left
        total += abs(left)
    sheet.sums[c, 0], sheet.sums[c, 1], sheet.sums[c, 2] = total, intake, takers


@kernel
def hand_back(tubes, junctions, sheet, control, top):
    """Book what the sheet says."""
    if control.team == 1:
        for c in range(parts_of(top, ROWS)):
            _hand_part(tubes, junctions, sheet, top, c)
    else:
        _hand_team(tubes, junctions, sheet, top, control.team)


@team_kernel
def _hand_team(tubes, junctions, sheet, top, team):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _hand_part(tubes, junctions, sheet, top, c)


@kernel
def _hand_part(tubes, junctions, sheet, top, c):
    used, start, pressure, owed = sheet.used, sheet.start, sheet.pressure, sheet.owed
    slot, end, taken, give = (
        sheet.slot, sheet.end, sheet.taken, sheet.give
    )  # fmt: skip
    for i in range(c * ROWS, min(top, (c + 1) * ROWS)):
        if not used[i]:
            continue
        junctions[i].pressure, junctions[i].owed = pressure[i], owed[i]
        for m in range(start[i], start[i + 1]):
            tube = tubes[slot[m]]
            if end[m] == 0:
                tube.v0, tube.s0 = taken[m], give[m]
            else:
                tube.v1, tube.s1 = taken[m], give[m]
