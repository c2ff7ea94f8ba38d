"""Balance all wet junctions at once: relaxation and damped Newton on the step's convex energy.

What a tube takes bends most where a meniscus sets out, comes to rest or turns. Such kinks are
met one junction at a time, by :func:`_sweep`: a junction's pressure such that it owes nothing, its
neighbours held. Two sweeps of that leave errors that are smooth over many junctions, and those a
Newton step removes.
"""

from __future__ import annotations

import numpy as np

from poresim.tube.jit import kernel
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.ledger import outflow
from poresim.uptake.linear import conjugate_gradients, product
from poresim.uptake.sheet import (
    evaluate,
    hand_back,
    lay_out,
    rows_in_use,
    sums,
    take,
    take_plain,
)

_ROUNDS = 25
_HALVINGS = 4
_LINEAR_STEPS = 400
_NARROWER = 0.3  # chords that do not help are drawn shorter
_STALE = 6  # rounds without halving what is owed: a kink limits the arithmetic
_EVEN = 1.0  # junctions that owe less than this times the mean are no kinks


@kernel
def _sweep(
    law, wetting, tubes, junctions, graph, sheet, top, span, until, floor, tol, backward
):  # fmt: skip
    """Choose the pressure of each row that owes more than ``tol`` so that it owes next to nothing.

    Its neighbours are held. (One function: to hand the arrays over row by row would take longer
    than the work.)
    """
    pressure, owed, used, base, start = (
        sheet.pressure, sheet.owed, sheet.used, sheet.base, sheet.start
    )  # fmt: skip
    taken, give, slot, end = sheet.taken, sheet.give, sheet.slot, sheet.end
    x, gain, pull, back, area = sheet.x, sheet.gain, sheet.pull, sheet.back, sheet.area
    first, far, flow = graph.first, graph.far, graph.flow
    plain, linear, kink = wetting.plain, wetting.linear, wetting.kink
    for turn in range(top):
        i = top - 1 - turn if backward else turn
        if not used[i] or abs(owed[i]) <= tol:
            continue
        low, high = junctions[i].low, junctions[i].high
        old = pressure[i]
        weight, had = 0.0, base[i]
        if linear:
            for k in range(first[i], first[i + 1]):
                weight += flow[k]
            weight *= span
            had = owed[i]
            for m in range(start[i], start[i + 1]):
                had += taken[m]
        at, over, last = old, 0.0, high - low
        for step in range(STEPS):
            over, slope = weight * (at - old) - had, weight
            for m in range(start[i], start[i + 1]):
                if plain:
                    v, s = take_plain(x[m], gain[m], pull[m], back[m], area[m], at)
                else:
                    tube = tubes[slot[m]]
                    time = until - tube.start
                    v, s = outflow(law, wetting, tube, end[m], at, 0.0, time, floor)
                taken[m], give[m] = v, s
                over += v
                slope += s
            if not linear:
                v, s = _leaving(law, wetting, tubes, graph, pressure, i, at, until, floor)
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
        if not linear:
            _book(law, wetting, tubes, graph, sheet, i, at, until, floor)
            continue
        change = span * (at - old)
        for k in range(first[i], first[i + 1]):
            if used[far[k]]:
                owed[far[k]] += flow[k] * change


@kernel
def _leaving(law, wetting, tubes, graph, pressure, i, at, until, floor):
    """(volume that leaves row i at pressure ``at`` through full tubes with books, its slope)."""
    volume, slope = 0.0, 0.0
    for k in range(graph.first[i], graph.first[i + 1]):
        n = graph.slot[graph.ring[k]]
        if n >= 0 and tubes[n].full:
            side = 0 if tubes[n].a == i else 1
            time = until - tubes[n].start
            other = pressure[graph.far[k]]
            v, s = outflow(law, wetting, tubes[n], side, at, other, time, floor)
            volume += v
            slope += s
    return volume, slope


@kernel
def _book(law, wetting, tubes, graph, sheet, i, at, until, floor):
    """Book what leaves row i through full tubes with books."""
    for k in range(graph.first[i], graph.first[i + 1]):
        n = graph.slot[graph.ring[k]]
        j = graph.far[k]
        if n < 0 or not tubes[n].full:
            continue
        tube = tubes[n]
        side = 0 if tube.a == i else 1
        time = until - tube.start
        v, s = outflow(law, wetting, tube, side, at, sheet.pressure[j], time, floor)
        if sheet.used[j]:
            sheet.owed[j] += v - (tube.v0 if side == 0 else tube.v1)
        tube.v0, tube.v1 = (v, -v) if side == 0 else (-v, v)
        tube.s0 = tube.s1 = s
        graph.flow[tube.at_a] = graph.flow[tube.at_b] = s


@kernel
def _chords(law, wetting, tubes, sheet, top, reach, until, floor):
    """Replace the menisci's slopes by those of their chords over pressures ``reach`` off.

    A meniscus that has just set out takes more as the root of its drive: the tangent at its start
    has all but no end, and a solve with it would leave that junction's pressure where it is.
    """
    for i in range(top):
        for m in range(sheet.start[i], sheet.start[i + 1]):
            volume, at = sheet.taken[m], sheet.pressure[i]
            more, _ = take(law, wetting, tubes, sheet, m, at + reach, until, floor)
            less, _ = take(law, wetting, tubes, sheet, m, at - reach, until, floor)
            sheet.taken[m], sheet.give[m] = volume, 0.5 * (more - less) / reach


@kernel
def _hold(junctions, sheet, system, top):
    """Set the pressures aside and hold the move within their bounds; its largest change of one."""
    most = 0.0
    pressure, before, used, move = sheet.pressure, sheet.before, sheet.used, system.move
    for i in range(top):
        if used[i]:
            at = before[i] = pressure[i]
            move[i] = min(max(at + move[i], junctions[i].low), junctions[i].high) - at
            most = max(most, abs(move[i]))
    return most


@kernel
def _newton(
    law, wetting, tubes, junctions, graph, log, sheet, system, tree, control, top, span, until,
    floor, least, enough, tol, reach,
):  # fmt: skip
    """One step, damped unless less than ``enough`` is owed after it.

    With chords over ``reach``, Pa, for tangents if that is above 0. Returns (what is owed, intake,
    takers, largest change of a pressure that the linear solve asked for).
    """
    if reach > 0.0:
        _chords(law, wetting, tubes, sheet, top, reach, until, floor)
    conjugate_gradients(
        system, tree, graph, sheet, control, top, span if wetting.linear else 1.0,
        control.linear_share, least, _LINEAR_STEPS,
    )  # fmt: skip
    most = _hold(junctions, sheet, system, top)
    first = _slope(sheet, system, top)
    size = 1.0
    total, intake, takers = 0.0, 0.0, 0
    for _ in range(_HALVINGS):
        for i in range(top):
            if sheet.used[i]:
                sheet.pressure[i] = sheet.before[i] + size * system.move[i]
        total, intake, takers = evaluate(
            law, wetting, tubes, graph, log, sheet, top, span, until, floor
        )
        last = _slope(sheet, system, top)
        if last >= -0.5 * first:
            break
        if size == 1.0:  # too far at kinks, perhaps, that relaxing mends
            _sweep(
                law, wetting, tubes, junctions, graph, sheet, top, span, until, floor, tol, False
            )
            total, intake, takers = sums(sheet, top)
            if total < enough:
                break
        size *= max(0.1, first / (first - last))
    return total, intake, takers, most


@kernel
def _slope(sheet, system, top):
    """Of the energy along the move."""
    return product(system.move[:top], sheet.owed[:top])


@kernel
def _outside_intake(tubes, graph, inlets):
    """What the menisci that start from inlets are booked to take."""
    total = 0.0
    for i in range(inlets):
        for k in range(graph.first[i], graph.first[i + 1]):
            s = graph.slot[graph.ring[k]]
            if s >= 0 and not tubes[s].full:
                total += abs(tubes[s].v0 if tubes[s].a == i else tubes[s].v1)
    return total


@kernel
def solve_all(
    law, wetting, tubes, junctions, graph, log, sheet, system, tree, control, inlets, now, until,
    booked, floor, least,
):  # fmt: skip
    """Balance all wet junctions from ``now`` on until little is owed.

    In all, ``control.solve_share`` of what menisci take, plus ``least``. What menisci take is
    looked up in every round: under the pressures of the last step a long step may seem to take
    many times as much. ``inlets`` is the number of inlets, ``booked`` as in
    :func:`poresim.uptake.sheet.lay_out`; afterwards all is booked from ``now`` to ``until``.

    Returns (total owed, what menisci take, their number).
    """
    top = rows_in_use(junctions)
    span = until - now
    lay_out(law, wetting, tubes, junctions, graph, log, sheet, top, now, until, booked, floor)
    outside = _outside_intake(tubes, graph, inlets)
    total, intake, takers = evaluate(
        law, wetting, tubes, graph, log, sheet, top, span, until, floor
    )
    rows = np.count_nonzero(sheet.used[:top])
    best, stale, reach = total, 0, 0.0
    for _ in range(_ROUNDS):
        goal = control.solve_share * (intake + outside) + least
        if total <= goal or stale >= _STALE:
            break
        tol = max(goal, _EVEN * total) / rows
        for sweep in range(control.sweeps):
            _sweep(
                law, wetting, tubes, junctions, graph, sheet, top, span, until, floor, tol,
                sweep % 2 == 1,
            )  # fmt: skip
        total, intake, takers = sums(sheet, top)
        if total <= goal:
            break
        before = total
        total, intake, takers, moved = _newton(
            law, wetting, tubes, junctions, graph, log, sheet, system, tree, control, top, span,
            until, floor, 0.1 * goal, total, tol, reach,
        )  # fmt: skip
        if total <= 0.5 * before:
            reach = 0.0
        else:
            reach = moved if reach == 0.0 else min(moved, _NARROWER * reach)
        stale = 0 if total < 0.5 * best else stale + 1
        best = min(best, total)
    hand_back(tubes, junctions, sheet, top)
    return total, intake + outside, takers
