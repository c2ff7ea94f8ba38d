"""Relaxation of a sheet: rows are balanced one after the other, their neighbours held."""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner
from poresim.tube.straight import plain_volume
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.passing import lay_tangent, new_tangent, room_of, serves
from poresim.uptake.pockets import HIGHEST, OUTSIDE, volume_at
from poresim.uptake.sheet import take
from poresim.uptake.team import wait
from poresim.uptake.touch import by_touch

FORWARD = np.bool_(False)


@inner
def sweep(
    law, wetting, tubes, junctions, graph, sheet, team, span, until, floor, tol, backward
):  # fmt: skip
    """Choose the pressure of each row that owes more than ``tol`` so that it owes next to nothing.

    Its neighbours are held; those in the other half until that is swept, too.
    """
    for p in range(team.first, team.last):
        _look_at_edge(graph, sheet, p)
        _sweep_half(
            law, wetting, tubes, junctions, graph, sheet, p, span, until, floor, tol, backward
        )
    wait(team)
    for p in range(team.first, team.last):
        _pass_over_edge(graph, sheet, p, span)
    wait(team)


@inner
def _look_at_edge(graph, sheet, p):
    """Keep the pressures of rows that tubes join to the other half."""
    for i in graph.rims:
        if sheet.rows[p, 0] <= i < sheet.rows[p, 1]:
            sheet.edge[i] = sheet.pressure[i]


@inner
def _pass_over_edge(graph, sheet, p, span):
    """What rows owe for the other half's changes of pressure."""
    low, top = sheet.rows[p, 0], sheet.rows[p, 1]
    other, others = sheet.rows[1 - p, 0], sheet.rows[1 - p, 1]
    for i in graph.rims:
        if not (low <= i < top and sheet.used[i]):
            continue
        for k in range(graph.first[i], graph.first[i + 1]):
            j = graph.far[k]
            if other <= j < others and sheet.used[j]:
                sheet.owed[i] += graph.flow[k] * span * (sheet.pressure[j] - sheet.edge[j])


@inner
def _sweep_half(
    law, wetting, tubes, junctions, graph, sheet, p, span, until, floor, tol, backward
):  # fmt: skip
    """(One function: to hand the arrays over row by row would take longer than the work.)"""
    pressure, owed, used, start = sheet.pressure, sheet.owed, sheet.used, sheet.start[p:]
    taken, give, slot, end = sheet.taken, sheet.give, sheet.slot, sheet.end
    touch, past = sheet.touch, sheet.past[p]
    x, gain, pull, back, area = sheet.x, sheet.gain, sheet.pull, sheet.back, sheet.area
    first, far, flow = graph.first, graph.far, graph.flow
    lift, tangent, bore = graph.lift, graph.tangent, graph.bore
    plain, kink = wetting.plain, wetting.kink
    against, trapped = sheet.against, len(sheet.against) > 0
    bent = law.kind != 0
    low_row, top = sheet.rows[p, 0], sheet.rows[p, 1]
    size = np.uint32(top - low_row)
    begin = np.uint32(low_row)
    # tangents of tubes to the other half, which its thread reads, stay as they are
    half, whole = np.uint32(graph.half[p]), np.uint32(graph.half[p + 1] - graph.half[p])
    for turn in range(top - low_row):
        i = top - 1 - turn if backward else low_row + turn
        if not used[i] or abs(owed[i]) <= tol:
            continue
        low, high = junctions[i].low, junctions[i].high
        old = pressure[i]
        weight, had = 0.0, owed[i]
        own, room, near = 0.0, math.inf, True  # of tubes that go by tangents
        for k in range(first[i], first[i + 1]):
            if not bent or np.uint32(far[k] - half) >= whole:
                weight += flow[k]
            elif flow[k] != 0.0:
                rate = flow[k] * (pressure[i] - pressure[far[k]] + lift[k])
                past[k - first[i]] = rate
                own += flow[k]
                room = min(room, room_of(law, tangent[k], flow[k], rate))
        weight *= span
        own *= span
        for m in range(start[i], start[i + 1]):
            had += taken[m]
        at, over, last = old, 0.0, high - low
        for step in range(STEPS):
            over, slope = weight * (at - old) - had, weight
            if bent and step == 0:  # what menisci take is known
                slope += own
                for m in range(start[i], start[i + 1]):
                    slope += give[m]
                at, low, high, last = narrow(at, -owed[i], slope, low, high, last)
                continue
            near = near and abs(at - old) <= room
            if bent and near:
                over += own * (at - old)
                slope += own
            elif bent:
                for k in range(first[i], first[i + 1]):
                    if flow[k] == 0.0 or np.uint32(far[k] - half) >= whole:
                        continue
                    drop = at - pressure[far[k]]
                    rate = flow[k] * (drop + lift[k])
                    if not serves(law, tangent[k], flow[k], rate):
                        rate, s, wider = new_tangent(
                            law, tangent[k], bore[k], flow[k], lift[k], drop, floor
                        )
                        lay_tangent(flow, lift, tangent, k, drop, rate, s, wider, True)
                    over += span * (rate - past[k - first[i]])
                    slope += span * flow[k]
            for m in range(start[i], start[i + 1]):
                if plain:
                    v, s = plain_volume(x[m], gain[m], pull[m], back[m], area[m], at)
                else:
                    mouth = at - against[m] if trapped else at
                    v, s = by_touch(law, wetting, tubes[slot[m]], end[m], touch[m], mouth, until)
                taken[m], give[m] = v, s
                over += v
                slope += s
            if abs(over) <= 0.1 * tol:
                break
            trial, low, high, last = narrow(at, over, slope, low, high, last)
            if step == STEPS - 1 or found(trial, at, low, high, kink):
                break
            at = trial
        owed[i] = -over
        pressure[i] = at
        change = span * (at - old)
        for k in range(first[i], first[i + 1]):
            j = far[k]
            more = flow[k] * change
            if not near and flow[k] != 0.0 and np.uint32(j - half) < whole:
                more = span * (flow[k] * (at - pressure[j] + lift[k]) - past[k - first[i]])
            if np.uint32(j - begin) < size and used[j]:
                owed[j] += more


@inner
def sweep_gas(law, wetting, tubes, graph, sheet, until, tol):
    """Choose the pressure of each pocket that owes more than ``tol``, its junctions held."""
    rows, hung, row = graph.pockets.rows, sheet.hung, sheet.row
    pressure, owed, used, taken = sheet.pressure, sheet.owed, sheet.used, sheet.taken
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        if gas.vents:
            if gas.door >= 0:
                _let_out(law, wetting, tubes, sheet, gas, until)
            continue
        volume, slope = volume_at(gas, gas.pressure)
        over = gas.room - volume
        for h in range(gas.begin, gas.end):
            over -= taken[hung[h]]
            slope += sheet.give[hung[h]]
        if abs(over) <= tol:
            continue
        for h in range(gas.begin, gas.end):
            m = hung[h]
            if used[row[m]]:
                owed[row[m]] += taken[m]
        low, high = -OUTSIDE, max(HIGHEST * OUTSIDE, 2.0 * gas.pressure)
        at, last = gas.pressure, high - low
        for _ in range(STEPS):
            trial, low, high, last = narrow(at, over, slope, low, high, last)
            if found(trial, at, low, high, wetting.kink):
                break
            at = trial
            volume, slope = volume_at(gas, at)
            over = gas.room - volume
            for h in range(gas.begin, gas.end):
                m = hung[h]
                sheet.against[m] = at - gas.laid
                mouth = pressure[row[m]] - sheet.against[m]
                v, s = take(law, wetting, tubes, sheet, m, mouth, until)
                over -= v
                slope += s
            if abs(over) <= 0.1 * tol:
                break
        gas.pressure = at
        for h in range(gas.begin, gas.end):
            m = hung[h]
            if used[row[m]]:
                owed[row[m]] -= taken[m]


@inner
def _let_out(law, wetting, tubes, sheet, gas, until):
    """Gas that finds its way out has the pressure at which that lets it go."""
    at = max(sheet.pressure[gas.door] + gas.hold, gas.beyond)
    if at == gas.pressure:
        return
    gas.pressure = at
    for h in range(gas.begin, gas.end):
        m = sheet.hung[h]
        i, old = sheet.row[m], sheet.taken[m]
        sheet.against[m] = at - gas.laid
        mouth = sheet.pressure[i] - sheet.against[m]
        v, _ = take(law, wetting, tubes, sheet, m, mouth, until)
        if sheet.used[i]:
            sheet.owed[i] += old - v
