"""Newton steps over all rows of a sheet.

A meniscus' volume has kinks: where it sets out it takes more as the root of its drive, where it
comes to rest nothing. Beside a wide tube that is all but a wall: there a tangent leads far beyond.
So where it can be had in closed form, the pressure is taken as a function of the volume, which has
no such walls; elsewhere steps are damped.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.jit import inner
from poresim.uptake.linear import COUPLED, conjugate_gradients, product
from poresim.uptake.pockets import hold_gas, slope_gas, try_gas
from poresim.uptake.sheet import evaluate, sums, take
from poresim.uptake.sweep import FORWARD, sweep
from poresim.uptake.team import CHANGE, SLOPE, in_all, note, wait

_HALVINGS = 4
_LINEAR_STEPS = np.int64(400)


@inner
def newton(
    law, wetting, tubes, junctions, graph, log, sheet, system, trees, control, team, span, until,
    floor, least, enough, tol, reach, free,
):  # fmt: skip
    """One step: with ``free`` menisci linear about their anchors, else about the pressures.

    ``free``: a level Newtonian meniscus at x that is to stand at w needs the pressure
    (w^2 - x^2) / gain - pull at its mouth: smooth, and convex. The solve says what it takes, and so
    the next w; one that would stand behind its mouth rests there until relaxation lets it set out,
    and is then anchored where that put it. So none jumps back and forth over its kink.

    Otherwise with chords over ``reach``, Pa, for tangents if that is above 0, and damped unless
    less than ``enough`` is owed after it. Returns (what is owed, intake, takers, largest change of
    a pressure that the linear solve asked for).
    """
    share, goal = control.linear_share, least
    if free:
        for p in range(team.first, team.last):
            _lean(sheet, p)
        share, goal = 0.0, control.linear_share * enough + least
    elif reach > 0.0:
        for p in range(team.first, team.last):
            _chords(law, wetting, tubes, sheet, p, reach, until)
    conjugate_gradients(
        system, trees, graph, sheet, control, team, span, share, goal,
        _LINEAR_STEPS, COUPLED,
    )  # fmt: skip
    for p in range(team.first, team.last):
        note(team, p, CHANGE, _hold(junctions, sheet, system, p))
        if free:
            _stand(sheet, system, p)
    hold_gas(graph)
    wait(team)
    most = max(team.sums[0, CHANGE], team.sums[1, CHANGE])
    first = _slope(graph, sheet, system, team)
    size = 1.0
    total, intake, takers = 0.0, 0.0, 0
    for _ in range(_HALVINGS):
        for p in range(team.first, team.last):
            _try(sheet, system, sheet.rows[p], size)
        try_gas(graph, sheet, size)
        total, intake, takers = evaluate(
            law, wetting, tubes, graph, sheet, team, span, until, floor
        )
        if free:
            break
        last = _slope(graph, sheet, system, team)
        if last >= -0.5 * first:
            break
        if size == 1.0:  # too far at kinks, perhaps, that relaxing mends
            sweep(
                law, wetting, tubes, junctions, graph, sheet, team, span, until, floor, tol, FORWARD
            )
            total, intake, takers = sums(graph, sheet, team)
            if total < enough:
                break
        size *= max(0.1, first / (first - last))
    return total, intake, takers, most


@inner
def _try(sheet, system, rows, size):
    """Pressures after that share of the move."""
    used, pressure, before, move = sheet.used, sheet.pressure, sheet.before, system.move
    for i in range(rows[0], rows[1]):
        if used[i]:
            pressure[i] = before[i] + size * move[i]


@inner
def _lean(sheet, p):
    """What menisci take by their anchors, under the pressures as they stand, and what is owed then.

    Those without an anchor have it where the pressure takes them.
    """
    start, pressure, owed, taken, give = (
        sheet.start[p:], sheet.pressure, sheet.owed, sheet.taken, sheet.give
    )  # fmt: skip
    x, gain, pull, area, anchor = sheet.x, sheet.gain, sheet.pull, sheet.area, sheet.anchor
    for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
        for m in range(start[i], start[i + 1]):
            w = anchor[m]
            if w <= 0.0:
                square = x[m] * x[m] + gain[m] * (pressure[i] + pull[m])
                w = anchor[m] = math.sqrt(max(square, 0.0))
            volume, slope = area[m] * (w - x[m]), 0.0
            if w > 0.0 and gain[m] > 0.0:
                slope = 0.5 * area[m] * gain[m] / w
                volume += slope * (pressure[i] + pull[m] - (w * w - x[m] * x[m]) / gain[m])
            owed[i] += taken[m] - volume
            taken[m], give[m] = volume, slope


@inner
def _stand(sheet, system, p):
    """Anchor menisci where they stand after the move (behind their mouths: not at all)."""
    start, taken, give, move = sheet.start[p:], sheet.taken, sheet.give, system.move
    x, area, anchor = sheet.x, sheet.area, sheet.anchor
    for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
        for m in range(start[i], start[i + 1]):
            if anchor[m] > 0.0:
                anchor[m] = x[m] + (taken[m] + give[m] * move[i]) / area[m]


@inner
def _chords(law, wetting, tubes, sheet, p, reach, until):
    """Replace the menisci's slopes by those of their chords over pressures ``reach`` off.

    A meniscus that has just set out takes more as the root of its drive: the tangent at its start
    has all but no end, and a solve with it would leave that junction's pressure where it is.
    """
    for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
        for m in range(sheet.start[i + p], sheet.start[i + p + 1]):
            volume, at = sheet.taken[m], sheet.pressure[i]
            if len(sheet.against) > 0:
                at -= sheet.against[m]
            more, _ = take(law, wetting, tubes, sheet, m, at + reach, until)
            less, _ = take(law, wetting, tubes, sheet, m, at - reach, until)
            sheet.taken[m], sheet.give[m] = volume, 0.5 * (more - less) / reach


@inner
def _hold(junctions, sheet, system, p):
    """Set the pressures aside and hold the move within their bounds; its largest change of one."""
    most = 0.0
    pressure, before, used, move = sheet.pressure, sheet.before, sheet.used, system.move
    for i in range(sheet.rows[p, 0], sheet.rows[p, 1]):
        if used[i]:
            at = before[i] = pressure[i]
            move[i] = min(max(at + move[i], junctions[i].low), junctions[i].high) - at
            most = max(most, abs(move[i]))
    return most


@inner
def _slope(graph, sheet, system, team):
    """Of the energy along the move."""
    for p in range(team.first, team.last):
        more = slope_gas(graph) if p == 0 else 0.0
        note(team, p, SLOPE, product(system.move, sheet.owed, sheet.rows[p]) + more)
    wait(team)
    return in_all(team, SLOPE)
