"""Balance a set of junctions at once: relaxation and damped Newton on the step's convex energy.

What a tube takes bends most where a meniscus sets out, comes to rest or turns. Such kinks are
met one junction at a time, by :func:`relax`: a junction's pressure such that it owes nothing, its
neighbours held. Two sweeps of that leave errors that are smooth over many junctions, and those a
Newton step removes.
"""

from __future__ import annotations

from poresim.tube.jit import kernel
from poresim.uptake.bracket import STEPS, found, narrow
from poresim.uptake.ledger import outflow
from poresim.uptake.linear import assemble, conjugate_gradients
from poresim.uptake.sheet import evaluate, gather, scatter, take

_HALVINGS = 4
_LINEAR_STEPS = 400
_NARROWER = 0.3  # chords that do not help are drawn shorter
_STALE = 6  # rounds without halving what is owed: a kink limits the arithmetic
_EVEN = 1.0  # junctions that owe less than this times the mean are no kinks


@kernel
def relax(law, wetting, tubes, places, links, listed, menisci, p, until, floor, tol):
    """Choose the pressure at place p so that it owes nothing, its neighbours held."""
    place, after = places[p], places[p + 1]
    old = place.pressure
    low, high = place.low, place.high
    weight, level = 0.0, place.base
    if law.kind == 0:
        for k in range(place.link, after.link):
            link = links[listed[k]]
            weight += link.slope
            if link.a == p:
                level += link.slope * (places[link.b].pressure - link.lift)
            else:
                level += link.slope * (places[link.a].pressure + link.lift)
    at = old
    over = 0.0
    last = high - low
    for step in range(STEPS):
        over, slope = weight * at - level, weight
        for k in range(place.meniscus, after.meniscus):
            v, s = take(law, wetting, tubes, menisci[k], at, until, floor)
            over += v
            slope += s
        if law.kind > 0:
            for k in range(place.link, after.link):
                v, s = _leaving(law, wetting, tubes, places, links[listed[k]], p, at, until, floor)
                over += v
                slope += s
        if abs(over) <= tol:
            break
        trial, low, high, last = narrow(at, over, slope, low, high, last)
        if step == STEPS - 1 or found(trial, at, low, high, wetting.kink):
            break
        at = trial
    place.owed = -over
    place.pressure = at
    for k in range(place.link, after.link):
        link = links[listed[k]]
        if law.kind == 0:
            change = link.slope * (at - old)
        else:
            v, link.slope = _leaving(law, wetting, tubes, places, link, p, at, until, floor)
            signed = v if link.a == p else -v
            change = v - link.volume if link.a == p else v + link.volume
            link.volume = signed
        places[link.b if link.a == p else link.a].owed += change


@kernel
def _leaving(law, wetting, tubes, places, link, p, pressure, until, floor):
    """(volume that leaves place p through a link at that pressure, its slope)."""
    tube = tubes[link.tube]
    end, q = (0, link.b) if link.a == p else (1, link.a)
    time = until - tube.start
    return outflow(law, wetting, tube, end, pressure, places[q].pressure, time, floor)


@kernel
def _sweep(law, wetting, tubes, sheet, n, until, floor, tol, backward):
    places, links, listed, menisci = sheet.places, sheet.links, sheet.listed, sheet.menisci
    for k in range(n):
        p = n - 1 - k if backward else k
        if abs(places[p].owed) > tol:
            relax(law, wetting, tubes, places, links, listed, menisci, p, until, floor, 0.1 * tol)


@kernel
def _total(places, n):
    total = 0.0
    for p in range(n):
        total += abs(places[p].owed)
    return total


@kernel
def _chords(law, wetting, tubes, places, menisci, n, reach, until, floor):
    """Replace the menisci's slopes by those of their chords over pressures ``reach`` off.

    A meniscus that has just set out takes more as the root of its drive: the tangent at its start
    has all but no end, and a solve with it would leave that junction's pressure where it is.
    """
    for p in range(n):
        for k in range(places[p].meniscus, places[p + 1].meniscus):
            volume, at = menisci[k].taken, places[p].pressure
            more, _ = take(law, wetting, tubes, menisci[k], at + reach, until, floor)
            less, _ = take(law, wetting, tubes, menisci[k], at - reach, until, floor)
            menisci[k].taken, menisci[k].give = volume, 0.5 * (more - less) / reach


@kernel
def _newton(
    law, wetting, tubes, sheet, system, n, count, until, floor, share, least, enough, tol, reach
):  # fmt: skip
    """One step, damped unless less than ``enough`` is owed after it.

    With chords over ``reach``, Pa, for tangents if that is above 0. Returns (iterations of the
    linear solve, largest change of a pressure that it asked for).
    """
    places, before = sheet.places, system.before
    if reach > 0.0:
        _chords(law, wetting, tubes, places, sheet.menisci, n, reach, until, floor)
    for p in range(n):
        before[p] = places[p].pressure
    pairs = assemble(places, sheet.links, sheet.menisci, system, n, count)
    iterations = conjugate_gradients(system, n, pairs, share, least, _LINEAR_STEPS)
    move = system.move
    first, most = 0.0, 0.0
    for p in range(n):  # within the bounds; the energy's slope along the move
        move[p] = min(max(before[p] + move[p], places[p].low), places[p].high) - before[p]
        first += move[p] * places[p].owed
        most = max(most, abs(move[p]))
    size = 1.0
    for _ in range(_HALVINGS):
        for p in range(n):
            places[p].pressure = before[p] + size * move[p]
        evaluate(law, wetting, tubes, sheet, n, count, until, floor)
        last = 0.0
        for p in range(n):
            last += move[p] * places[p].owed
        if last >= -0.5 * first:
            break
        if size == 1.0:  # too far at kinks, perhaps, that relaxing mends
            _sweep(law, wetting, tubes, sheet, n, until, floor, tol, False)
            if _total(places, n) < enough:
                break
        size *= max(0.1, first / (first - last))
    return iterations, most


@kernel
def _taken(places, menisci, n):
    """(volume that the set's menisci take or give, how many do)."""
    intake = 0.0
    found = 0
    for k in range(places[n].meniscus):
        intake += abs(menisci[k].taken)
        found += menisci[k].taken != 0.0
    return intake, found


@kernel
def solve_set(
    law, wetting, tubes, junctions, first, ring, sheet, system, chosen, n, now, until, floor,
    outside, goal_share, goal_least, sweeps, share, most,
):  # fmt: skip
    """Balance the junctions ``chosen[:n]`` until little is owed.

    In all, ``goal_share`` of what menisci take, plus ``goal_least``; ``outside`` is what those
    take that do not belong to the set. What menisci take is looked up in every round: under the
    pressures of the last step a long step may seem to take many times as much. ``share``: linear
    solves reduce what is owed to this share. All adjoining tubes are booked, before and after, from
    ``now`` or since they started.

    Returns (total owed, CG iterations, linear solves, what menisci take, their number).
    """
    count, rim = gather(law, wetting, tubes, junctions, first, ring, sheet, chosen, n, now, until)
    evaluate(law, wetting, tubes, sheet, n, count, until, floor)
    iterations, solves = 0, 0
    total = _total(sheet.places, n)
    best, stale, reach = total, 0, 0.0
    for _ in range(most):
        intake, menisci = _taken(sheet.places, sheet.menisci, n)
        goal = goal_share * (intake + outside) + goal_least
        if total <= goal or stale >= _STALE:
            break
        tol = max(goal, _EVEN * total) / n
        for sweep in range(sweeps):
            _sweep(law, wetting, tubes, sheet, n, until, floor, tol, sweep % 2 == 1)
        total = _total(sheet.places, n)
        if total <= goal:
            break
        its, moved = _newton(
            law, wetting, tubes, sheet, system, n, count, until, floor, share, 0.1 * goal,
            total, tol, reach,
        )  # fmt: skip
        iterations += its
        solves += 1
        before, total = total, _total(sheet.places, n)
        if total <= 0.5 * before:
            reach = 0.0
        else:
            reach = moved if reach == 0.0 else min(moved, _NARROWER * reach)
        stale = 0 if total < 0.5 * best else stale + 1
        best = min(best, total)
    scatter(law, wetting, tubes, junctions, sheet, n, count, rim, until, floor)
    intake, menisci = _taken(sheet.places, sheet.menisci, n)
    return total, iterations, solves, intake, menisci
