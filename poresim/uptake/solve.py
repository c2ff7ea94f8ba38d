"""Balance all wet junctions at once: relaxation and damped Newton on the step's convex energy.

What a tube takes bends most where a meniscus sets out, comes to rest or turns. Such kinks are
met one junction at a time (:mod:`poresim.uptake.sweep`): a junction's pressure such that it owes
nothing, its neighbours held. Two sweeps of that leave errors that are smooth over many junctions,
and those a Newton step removes (:mod:`poresim.uptake.newton`). What that overshoots at kinks, the
next sweep mends.
"""

from __future__ import annotations

import numpy as np

from poresim.tube.jit import inner, kernel
from poresim.uptake.newton import newton
from poresim.uptake.pockets import book_gas
from poresim.uptake.sheet import evaluate, hand_back, lay_out, sums
from poresim.uptake.state import TOP
from poresim.uptake.sweep import sweep, sweep_gas
from poresim.uptake.tree import fit_tree

_ROUNDS = 25
_NARROWER = 0.3  # chords that do not help are drawn shorter
_STALE = 6  # rounds without halving what is owed: a kink limits the arithmetic, or they cycle
_EVEN = 1.0  # junctions that owe less than this times the mean are no kinks


@inner
def _outside_intake(tubes, junctions, graph, inlets):
    """What the menisci that start from inlets are booked to take."""
    total = 0.0
    for i in range(inlets):
        if not junctions[i].inlet:
            continue
        for k in range(graph.first[i], graph.first[i + 1]):
            s = graph.slot[graph.ring[k]]
            if s >= 0:
                total += abs(tubes[s].v0 if tubes[s].a == i else tubes[s].v1)
    return total


@kernel
def solve_all(
    law, wetting, tubes, junctions, graph, log, sheet, system, trees, control, team, inlets, now,
    until, booked, floor, least,
):  # fmt: skip
    """Balance all wet junctions from ``now`` on until little is owed.

    In all, ``control.solve_share`` of what menisci take, plus ``least``. What menisci take is
    looked up in every round: under the pressures of the last step a long step may seem to take
    many times as much. ``inlets`` is the number of inlets, ``booked`` as in
    :func:`poresim.uptake.sheet.lay_out`; afterwards all is booked from ``now`` to ``until``.

    Returns (total owed, what menisci take, their number).
    """
    span = until - now
    lay_out(law, wetting, tubes, junctions, graph, log, sheet, team, now, until, booked)
    outside = _outside_intake(tubes, junctions, graph, inlets)
    total, intake, takers = evaluate(law, wetting, tubes, graph, sheet, team, span, until, floor)
    rows = 0
    for p in range(len(sheet.rows)):
        rows += np.count_nonzero(sheet.used[sheet.rows[p, 0] : sheet.rows[p, 1]])
    rows += graph.pockets.many[0]
    best, stale, reach = total, 0, 0.0
    free = bool(wetting.plain) and not wetting.pinned
    for attempt in range(_ROUNDS):
        goal = control.solve_share * (intake + outside) + least
        if total <= goal or stale >= _STALE:
            break
        tol = max(goal, _EVEN * total) / rows
        for turn in range(1 if free and attempt > 0 else control.sweeps):
            sweep(
                law, wetting, tubes, junctions, graph, sheet, team, span, until, floor, tol,
                (turn + attempt) % 2 == 1,
            )  # fmt: skip
        if graph.pockets.many[0] > 0:
            sweep_gas(law, wetting, tubes, graph, sheet, until, tol)
        total, intake, takers = sums(graph, sheet, team)
        goal = control.solve_share * (intake + outside) + least
        if total <= goal:
            break
        before = total
        if attempt == 0:
            for p in range(team.first, team.last):
                fit_tree(trees[p], graph, sheet.used, sheet.rows[p, 1], control.events)
        if free:
            stale = 0 if total < 0.5 * best else stale + 1
            best = min(best, total)
            if stale >= _STALE:
                free, stale = False, 0
        total, intake, takers, moved = newton(
            law, wetting, tubes, junctions, graph, log, sheet, system, trees, control, team, span,
            until, floor, 0.1 * goal, total, tol, reach, free,
        )  # fmt: skip
        if free:
            continue
        if total <= 0.5 * before:
            reach = 0.0
        else:
            reach = moved if reach == 0.0 else min(moved, _NARROWER * reach)
        stale = 0 if total < 0.5 * best else stale + 1
        best = min(best, total)
    for p in range(team.first, team.last):
        hand_back(tubes, junctions, sheet, p)
    if graph.pockets.many[0] > 0:
        book_gas(tubes, graph, log.counts[0, TOP], span)
    return total, intake + outside, takers
