"""Balance all wet junctions at once: relaxation and damped Newton on the step's convex energy.

What a tube takes bends most where a meniscus sets out, comes to rest or turns. Such kinks are
met one junction at a time, by :func:`_sweep`: a junction's pressure such that it owes nothing, its
neighbours held. Two sweeps of that leave errors that are smooth over many junctions, and those a
Newton step removes.
"""

from __future__ import annotations

import numpy as np
from numba import prange

from poresim.tube.jit import kernel, team_kernel
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.ledger import outflow
from poresim.uptake.linear import conjugate_gradients
from poresim.uptake.rows import ROWS, added, parts_of
from poresim.uptake.sheet import evaluate, hand_back, lay_out, rows_in_use, take, take_plain

_ROUNDS = 25
_HALVINGS = 4
_LINEAR_STEPS = 400
_NARROWER = 0.3  # chords that do not help are drawn shorter
_STALE = 6  # rounds without halving what is owed: a kink limits the arithmetic
_EVEN = 1.0  # junctions that owe less than this times the mean are no kinks


@kernel
def _sweep(
    law, wetting, tubes, junctions, graph, log, sheet, control, top, span, until, floor, tol,
    backward,
):  # fmt: skip
    """Relax every row that owes more than ``tol``; what all owe then, their intake, the takers.

    Parts go on side by side, each as if its neighbours stood still.
    """
    parts = parts_of(top, ROWS)
    if control.team == 1:
        for c in range(parts):
            _aside_part(sheet, top, c)
        for c in range(parts):
            _sweep_part(
                law, wetting, tubes, junctions, graph, sheet, top, c, span, until, floor, tol,
                backward,
            )  # fmt: skip
    else:
        _sweep_team(
            tubes, junctions, graph, sheet, top, control.team, span, until, floor,
            tol, backward,
        )  # fmt: skip
    if parts > 1:
        return evaluate(law, wetting, tubes, graph, log, sheet, control, top, span, until, floor)
    total, intake, takers = 0.0, 0.0, 0.0
    for i in range(top):
        if sheet.used[i]:
            total += abs(sheet.owed[i])
    for m in range(sheet.start[top]):
        intake += abs(sheet.taken[m])
        takers += sheet.taken[m] != 0.0
    return total, intake, takers


@team_kernel
def _sweep_team(
    tubes, junctions, graph, sheet, top, team, span, until, floor, tol, backward
):  # fmt: skip
    for t in prange(team):
        law, wetting = sheet.law[0], sheet.wetting[0]
        for c in range(t, parts_of(top, ROWS), team):
            _aside_part(sheet, top, c)
    for t in prange(team):
        law, wetting = sheet.law[0], sheet.wetting[0]
        for c in range(t, parts_of(top, ROWS), team):
            _sweep_part(
                law, wetting, tubes, junctions, graph, sheet, top, c, span, until, floor, tol,
                backward,
            )  # fmt: skip


@kernel
def _aside_part(sheet, top, c):
    for i in range(c * ROWS, min(top, (c + 1) * ROWS)):
        sheet.before[i] = sheet.pressure[i]


@kernel
def _sweep_part(
    law, wetting, tubes, junctions, graph, sheet, top, c, span, until, floor, tol, backward
):  # fmt: skip
    """Choose the pressure of each row that owes more than ``tol`` so that it owes next to nothing.

    Its neighbours are held, and only rows of this part are written to. (One function: to hand the
    arrays over row by row would take longer than the work.)
    """
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    pressure, owed, used, base, start = (
        sheet.pressure, sheet.owed, sheet.used, sheet.base, sheet.start
    )  # fmt: skip
    taken, give, slot, end = sheet.taken, sheet.give, sheet.slot, sheet.end
    x, gain, pull, back, area = sheet.x, sheet.gain, sheet.pull, sheet.back, sheet.area
    first, far, flow = graph.first, graph.far, graph.flow
    plain, linear, kink = wetting.plain, wetting.linear, wetting.kink
    for turn in range(hi - lo):
        i = hi - 1 - turn if backward else lo + turn
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
                v, s = _leaving(
                    law, wetting, tubes, graph, pressure, sheet.before, i, lo, hi, at, until, floor
                )
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
            _book(law, wetting, tubes, graph, pressure, owed, i, lo, hi, at, until, floor)
            continue
        change = span * (at - old)
        for k in range(first[i], first[i + 1]):
            j = np.int64(far[k])
            if lo <= j < hi:
                owed[j] += flow[k] * change


@kernel
def _leaving(
    law, wetting, tubes, graph, pressure, before, i, lo, hi, at, until, floor
):  # fmt: skip
    """(volume that leaves row i at pressure ``at`` through full tubes with books, its slope)."""
    volume, slope = 0.0, 0.0
    for k in range(graph.first[i], graph.first[i + 1]):
        n = graph.slot[graph.ring[k]]
        if n >= 0 and tubes[n].full:
            j = np.int64(graph.far[k])
            other = pressure[j] if lo <= j < hi else before[j]
            side = 0 if tubes[n].a == i else 1
            time = until - tubes[n].start
            v, s = outflow(law, wetting, tubes[n], side, at, other, time, floor)
            volume += v
            slope += s
    return volume, slope


@kernel
def _book(law, wetting, tubes, graph, pressure, owed, i, lo, hi, at, until, floor):
    """Book what leaves row i through full tubes with books, to rows of the same part."""
    for k in range(graph.first[i], graph.first[i + 1]):
        n = graph.slot[graph.ring[k]]
        j = np.int64(graph.far[k])
        if n < 0 or not tubes[n].full or j < lo or j >= hi:
            continue
        tube = tubes[n]
        side = 0 if tube.a == i else 1
        v, s = outflow(law, wetting, tube, side, at, pressure[j], until - tube.start, floor)
        owed[j] += v - (tube.v0 if side == 0 else tube.v1)
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
def _try(junctions, sheet, system, control, top, size, fresh):
    """Go ``size`` of the move from the pressures set aside; (energy's slope there, largest move).

    ``fresh``: the move is new; hold it within the bounds first.
    """
    parts = parts_of(top, ROWS)
    if control.team == 1:
        for c in range(parts):
            _try_part(junctions, sheet, system, top, c, size, fresh)
    else:
        _try_team(junctions, sheet, system, top, control.team, size, fresh)
    most = 0.0
    for c in range(parts):
        most = max(most, system.sums[c, 1])
    return added(system.sums, parts, 0), most


@team_kernel
def _try_team(junctions, sheet, system, top, team, size, fresh):
    for t in prange(team):
        for c in range(t, parts_of(top, ROWS), team):
            _try_part(junctions, sheet, system, top, c, size, fresh)


@kernel
def _try_part(junctions, sheet, system, top, c, size, fresh):
    slope, most = 0.0, 0.0
    lo, hi = c * ROWS, min(top, (c + 1) * ROWS)
    used, pressure, before = sheet.used[lo:hi], sheet.pressure[lo:hi], sheet.before[lo:hi]
    owed, move = sheet.owed[lo:hi], system.move[lo:hi]
    for r in range(hi - lo):
        if not used[r]:
            continue
        if fresh:
            at = before[r] = pressure[r]
            node = junctions[lo + r]
            move[r] = min(max(at + move[r], node.low), node.high) - at
        slope += move[r] * owed[r]
        most = max(most, abs(move[r]))
        pressure[r] = before[r] + size * move[r]
    system.sums[c, 0], system.sums[c, 1] = slope, most


@kernel
def _newton(
    law, wetting, tubes, junctions, graph, log, sheet, system, tree, control, top, span, until,
    floor,
    least, enough, tol, reach,
):  # fmt: skip
    """One step, damped unless less than ``enough`` is owed after it.

    With chords over ``reach``, Pa, for tangents if that is above 0. Returns (what is owed, intake,
    takers, largest change of a pressure that the linear solve asked for).
    """
    if reach > 0.0:
        _chords(law, wetting, tubes, sheet, top, reach, until, floor)
    weight = span if wetting.linear else 1.0
    control.iterations += conjugate_gradients(
        system,
        tree,
        graph,
        sheet,
        control.team,
        control.events,
        top,
        weight,
        control.linear_share,
        least,
        _LINEAR_STEPS,
    )
    control.solves += 1
    size = 1.0
    first, most = _try(junctions, sheet, system, control, top, size, True)
    total, intake, takers = 0.0, 0.0, 0.0
    for halving in range(_HALVINGS):
        if halving > 0:
            _try(junctions, sheet, system, control, top, size, False)
        total, intake, takers = evaluate(
            law, wetting, tubes, graph, log, sheet, control, top, span, until, floor
        )
        last = _slope(sheet, system, top)
        if last >= -0.5 * first:
            break
        if size == 1.0:  # too far at kinks, perhaps, that relaxing mends
            kept = sheet.before.copy()
            total, intake, takers = _sweep(
                law, wetting, tubes, junctions, graph, log, sheet, control, top, span, until,
                floor, tol, False,
            )  # fmt: skip
            sheet.before[:] = kept
            if total < enough:
                break
        size *= max(0.1, first / (first - last))
    return total, intake, takers, most


@kernel
def _slope(sheet, system, top):
    s0 = s1 = 0.0
    even = top // 2 * 2
    for i in range(0, even, 2):
        s0 += system.move[i] * sheet.owed[i]
        s1 += system.move[i + 1] * sheet.owed[i + 1]
    if even < top:
        s0 += system.move[even] * sheet.owed[even]
    return s0 + s1


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
    booked,
    floor, least,
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
    lay_out(
        law, wetting, tubes, junctions, graph, log, sheet, control, top, now, until, booked, floor
    )
    outside = _outside_intake(tubes, graph, inlets)
    total, intake, takers = evaluate(
        law, wetting, tubes, graph, log, sheet, control, top, span, until, floor
    )
    rows = np.count_nonzero(sheet.used[:top])
    best, stale, reach = total, 0, 0.0
    for _ in range(_ROUNDS):
        goal = control.solve_share * (intake + outside) + least
        if total <= goal or stale >= _STALE:
            break
        tol = max(goal, _EVEN * total) / rows
        for sweep in range(control.sweeps):
            total, intake, takers = _sweep(
                law, wetting, tubes, junctions, graph, log, sheet, control, top, span, until,
                floor, tol, sweep % 2 == 1,
            )  # fmt: skip
        if total <= goal:
            break
        before = total
        total, intake, takers, moved = _newton(
            law, wetting, tubes, junctions, graph, log, sheet, system, tree, control, top, span,
            until,
            floor, 0.1 * goal, total, tol, reach,
        )  # fmt: skip
        if total <= 0.5 * before:
            reach = 0.0
        else:
            reach = moved if reach == 0.0 else min(moved, _NARROWER * reach)
        stale = 0 if total < 0.5 * best else stale + 1
        best = min(best, total)
    hand_back(tubes, junctions, sheet, control, top)
    return total, intake + outside, int(takers)
