"""Grains carried on over a step: one implicit upwind sweep over the junctions, as pressure falls.

A step is over; what each meniscus has taken is known. The flows of the full tubes that go with that
are found by one more linear solve, from the pressures at the step's end. Pressure falls along every
flow, so that flows make no circles, and each junction can have all that comes to it before it hands
it on, in the shares of the flows: nothing is negative, nothing is lost, and no step is too long.

Each full tube is mixed: it passes on what stands in it (backward Euler). An open tube keeps what
comes. What a throat catches (:mod:`poresim.uptake.capture`) it catches as grains come.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import inner, kernel
from poresim.tube.shape import volume_to
from poresim.uptake.cake import drawn, thicken_cakes
from poresim.uptake.capture import bed_over_tube, chance, lined, relative_viscosity
from poresim.uptake.cargo import CARRIED, LEFT
from poresim.uptake.gates import passing_rate
from poresim.uptake.ledger import past_throat
from poresim.uptake.linear import APART, conjugate_gradients
from poresim.uptake.state import DRY, PASSING, RECENT
from poresim.uptake.team import wait
from poresim.uptake.tree import fit_tree

_LINEAR_STEPS = np.int64(2000)
_GROWS = 2.0  # times the last one: a step is not thought to be longer
_LEAST = 1e-6  # of what a tube conducts: what joins junctions in a solve must conduct something
_MOST_OF_IT = 0.5  # of what leaves a junction must have been brought, and
_SOME = 1e-9  # of a tube's volume: else flows there are what the solve left, and say nothing


@kernel
def carry(
    tubes, junctions, graph, shapes, log, cargo, roofs, sheet, system, trees, control, team, now,
    until, goal,
):  # fmt: skip
    """Carry grains over the step that has ended; flows may miss their balance by ``goal``, m3."""
    span = until - now
    if span <= 0.0:
        return
    _count_intake(tubes, graph, shapes, log, cargo, now)
    at_end = _take_means(graph, log, now, until)
    _find_flows(junctions, graph, cargo, sheet, system, trees, control, team, span, goal, log)
    rows = _in_order(junctions, graph, cargo, sheet)
    _take_back(graph, log, cargo)
    _hand_on(tubes, junctions, graph, shapes, log, cargo, roofs, sheet, rows, span)
    _put_back(graph, log, at_end)
    # on to the middle of the next step, if steps grow with the time gone by
    ahead = 0.5 * min(until / now, _GROWS) if now > 0.0 else 0.5
    _slow(tubes, graph, shapes, log, cargo, ahead)
    thicken_cakes(graph, log, cargo, roofs, ahead)


@kernel
def weigh(graph, cargo, roofs):
    """(3, classes) grains afloat, caught in tubes, and caked, m3."""
    classes = len(cargo.diameter)
    afloat, caught, caked = np.zeros(classes), np.zeros(classes), np.zeros(classes)
    suspended, captured, come = cargo.suspended, cargo.captured, cargo.come
    for e in range(len(suspended)):
        if graph.slot[e] == DRY:
            continue
        for c in range(classes):
            afloat[c] += suspended[e, c]
        if cargo.caught[e] == 0.0 and cargo.lining[e] == 0.0:
            continue
        roof = roofs.tubes[0] <= e < roofs.tubes[1]
        for c in range(classes):
            caked[c] += captured[e, c] if roof else 0.0
            caught[c] += 0.0 if roof else captured[e, c]
    for i in range(len(come)):
        for c in range(classes):
            afloat[c] += come[i, c]
    return np.vstack((afloat, caught, caked))


@inner
def _take_means(graph, log, now, until):
    """What has filled or been closed in the step conducts as in the mean over it.

    Nothing before it was full, and as it did before it was closed until then. Returns what they
    conduct at its end, in the order of what happened.
    """
    flow, begin = graph.flow, log.begin[0, RECENT]
    at_end = np.zeros(log.counts[0, RECENT] - begin)
    for n in range(len(at_end)):
        e = np.int64(log.recent[begin + n])
        if e < 0:
            e = -1 - e
            if log.filled_at[e] >= now:  # as well: that is one entry for both
                continue
        if graph.slot[e] != PASSING:
            continue
        gate = log.gates[e]
        k, m = np.int64(gate.at_a), np.int64(gate.at_b)
        at_end[n] = flow[k]
        start, shut = max(log.filled_at[e], now), log.blocked_at[e]
        mean = flow[k] * (until - start)
        if shut > start and gate.before > 0.0:
            mean += (gate.before - flow[k]) * (shut - start)
        flow[k] = flow[m] = max(mean / (until - now), _LEAST * flow[k])
    return at_end


@inner
def _put_back(graph, log, at_end):
    """What :func:`_take_means` took."""
    for n in range(len(at_end)):
        if at_end[n] > 0.0:
            e = np.int64(log.recent[log.begin[0, RECENT] + n])
            gate = log.gates[e if e >= 0 else -1 - e]
            graph.flow[np.int64(gate.at_a)] = graph.flow[np.int64(gate.at_b)] = at_end[n]


@inner
def _count_intake(tubes, graph, shapes, log, cargo, now):
    """What each end of open tubes, and of those that have just filled, has taken in the step."""
    for e in range(len(log.gates)):
        s = graph.slot[e]
        cargo.taken[e, 0] = cargo.taken[e, 1] = 0.0
        if s == DRY or (s == PASSING and not log.filled_at[e] >= now):
            continue
        if s == PASSING:
            first = log.gates[e].first
            second = _room(shapes, e) - first
        else:
            first, second = volume_to(tubes[s], tubes[s].x0), volume_to(tubes[s], tubes[s].x1)
        cargo.taken[e, 0] = first - cargo.held[e, 0]
        cargo.taken[e, 1] = second - cargo.held[e, 1]
        cargo.held[e, 0], cargo.held[e, 1] = first, second


@inner
def _room(shapes, e):
    """Volume of a tube, m3."""
    r, length, w = _measures(shapes, e)
    return math.pi * r * r * length * (1.0 + w + w * w) / 3.0


@inner
def _measures(shapes, e):
    """(radius, length, waist)."""
    return (
        shapes.radius[e if len(shapes.radius) > 1 else 0],
        shapes.length[e if len(shapes.length) > 1 else 0],
        shapes.waist[e if len(shapes.waist) > 1 else 0],
    )


@inner
def _find_flows(
    junctions, graph, cargo, sheet, system, trees, control, team, span, goal, log
):  # fmt: skip
    """Pressures, in the sheet, under which full tubes bring what the step has taken."""
    low, top = sheet.rows[0, 0], sheet.rows[0, 1]
    pressure, owed = sheet.pressure, sheet.owed
    for i in range(low, top):
        pressure[i] = junctions[i].pressure
    for i in range(low, top):
        owed[i] = 0.0
        for m in range(sheet.start[i], sheet.start[i + 1]):
            sheet.give[m] = 0.0
        if not sheet.used[i]:
            continue
        out = 0.0
        for k in range(graph.first[i], graph.first[i + 1]):
            e = graph.ring[k]
            if cargo.taken[e, 0] != 0.0 or cargo.taken[e, 1] != 0.0:
                out += cargo.taken[e, 0 if log.gates[e].at_a == k else 1]
            if graph.flow[k] != 0.0:
                out += span * passing_rate(graph, k, pressure[i] - pressure[graph.far[k]])
        owed[i] = -out
    for p in range(team.first, team.last):
        fit_tree(trees[p], graph, sheet.used, sheet.rows[p, 1], control.events)
    conjugate_gradients(
        system, trees, graph, sheet, control, team, span, 0.0, goal, _LINEAR_STEPS, APART
    )
    for i in range(low, top):
        if sheet.used[i]:
            pressure[i] += system.move[i]
    wait(team)


@inner
def _in_order(junctions, graph, cargo, sheet):
    """Wet junctions, each after all from which liquid comes to it; how many there are.

    Way by way down from the inlets, so that what follows stands close in memory. Rounding may make
    circles of what all but rests: they are broken where the first number is.
    """
    low, top = sheet.rows[0, 0], sheet.rows[0, 1]
    pressure, order, turn = sheet.pressure, cargo.order, cargo.turn
    count = 0
    waits, stack = np.zeros(top, np.int32), np.empty(top, np.int32)
    for i in range(low, top):
        turn[i] = -1
        if not junctions[i].wet or junctions[i].inlet:
            continue
        for k in range(graph.first[i], graph.first[i + 1]):
            if graph.slot[graph.ring[k]] != DRY:
                waits[i] += passing_rate(graph, k, pressure[i] - pressure[graph.far[k]]) < 0.0
    for broken in range(2):
        for start in range(low, top):
            if turn[start] >= 0 or not junctions[start].wet or (waits[start] > 0 and not broken):
                continue
            waits[start] = 0
            stack[0], height = start, 1
            while height > 0:
                height -= 1
                i = stack[height]
                order[count], turn[i] = i, count
                count += 1
                for k in range(graph.first[i], graph.first[i + 1]):
                    j = graph.far[k]
                    if j >= top or waits[j] == 0 or graph.slot[graph.ring[k]] == DRY:
                        continue
                    if passing_rate(graph, k, pressure[i] - pressure[j]) > 0.0:
                        waits[j] -= 1
                        if waits[j] == 0:
                            stack[height] = j
                            height += 1
    return count


@inner
def _take_back(graph, log, cargo):
    """Menisci that have gone back bring what stood there to their junctions."""
    for e in range(len(log.gates)):
        less = min(cargo.taken[e, 0], 0.0) + min(cargo.taken[e, 1], 0.0)
        if less == 0.0:
            continue
        left = cargo.held[e, 0] + cargo.held[e, 1] - max(cargo.taken[e, 0], 0.0)
        left -= max(cargo.taken[e, 1], 0.0)
        for end in range(2):
            back = -cargo.taken[e, end]
            if not back > 0.0:
                continue
            i = graph.far[log.gates[e].at_b if end == 0 else log.gates[e].at_a]
            share = min(back / (left - less), 1.0)
            for c in range(len(cargo.diameter)):
                more = share * cargo.suspended[e, c]
                cargo.suspended[e, c] -= more
                cargo.come[i, c] += more


@inner
def _hand_on(tubes, junctions, graph, shapes, log, cargo, roofs, sheet, rows, span):
    """What has come to each junction goes on, in the shares of the flows.

    (One function: to hand the arrays over tube by tube would take longer than the work.)
    """
    pressure, order, turn, rule, chances = (
        sheet.pressure, cargo.order, cargo.turn, cargo.rule[0], cargo.chances
    )  # fmt: skip
    diameter, grain, offered, most = cargo.diameter, cargo.grain, cargo.offered, cargo.most
    books = cargo.books
    at, come, suspended, captured = cargo.at, cargo.come, cargo.suspended, cargo.captured
    in_bed, surface, lining, taken = cargo.caught, cargo.surface, cargo.lining, cargo.taken
    held = cargo.held
    gates, soon = log.gates, log.soon
    first, ring, far, flow, lift, slot = (
        graph.first, graph.ring, graph.far, graph.flow, graph.lift, graph.slot
    )  # fmt: skip
    level = len(lift) == 0
    classes, covered = len(diameter), len(roofs.under) > 0
    brought = np.zeros(len(at))  # liquid that has come to each junction before its turn, m3
    kept, here, moved = np.zeros(classes), np.zeros(classes), np.zeros(classes)
    # into each tube around a junction, m3, and of that through full ones
    goes = np.zeros(_widest_ring(first))
    flows = np.zeros_like(goes)
    bodies, own = np.int64(shapes.bodies[0]), np.int64(shapes.own[0])
    for n in range(rows):
        i = order[n]
        k0, k1 = np.int64(first[i]), np.int64(first[i + 1])
        if k0 == k1:
            continue
        out, into, some = 0.0, 0.0, _SOME * _room(shapes, ring[k0])
        for k in range(k0, k1):
            e, volume = ring[k], 0.0
            goes[k - k0] = flows[k - k0] = 0.0
            if slot[e] == DRY:
                continue
            if taken[e, 0] != 0.0 or taken[e, 1] != 0.0:
                volume = taken[e, 0 if gates[e].at_a == k else 1]
                brought[i] -= min(volume, 0.0)
            if flow[k] != 0.0:
                drop = pressure[i] - pressure[far[k]] + (0.0 if level else lift[k])
                flows[k - k0] = span * flow[k] * drop
                volume += flows[k - k0]
            goes[k - k0] = volume
            out += max(volume, 0.0)
            into -= min(volume, 0.0)
        fraction, inlet, roof = 0.0, junctions[i].inlet, np.int64(-1)
        # of grains as wide as that, none fits an entrance where there is a roof
        passes, stays_out, too_wide = 1.0, 1.0, np.inf
        if covered and inlet:
            too_wide = roofs.widest[far[k0]]
            passes, stays_out = drawn(diameter, offered, too_wide, rule.bed_porosity)
        elif covered:
            roof = roofs.over[i]
            if roof >= 0:
                too_wide = roofs.widest[i]
        for c in range(classes):
            if inlet:
                at[i, c] = offered[c] * (passes if diameter[c] < too_wide else stays_out)
                books[LEFT, c] += come[i, c]
                come[i, c] = at[i, c] * out
                books[CARRIED, c] += come[i, c]
            elif out > 0.0 and brought[i] >= max(_MOST_OF_IT * out, some):
                # where all but nothing flows, in and out need not be alike
                at[i, c] = min(come[i, c] / max(out, into), most[c])
            fraction += at[i, c]
        if not out > 0.0:  # nothing goes on: it waits
            continue
        log_fraction = math.log(fraction) if fraction > 0.0 else -math.inf
        for k in range(k0, k1):
            volume, passing = goes[k - k0], flows[k - k0]
            if not volume > 0.0:
                continue
            e, j = ring[k], np.int64(far[k])
            if e >= bodies:
                for c in range(classes):
                    suspended[e, c] += volume / out * come[i, c]
                continue
            if e >= own:  # a roof
                ahead = junctions[j].inlet or turn[j] > n
                for c in range(classes):
                    on = suspended[e, c] + volume / out * come[i, c]
                    suspended[e, c] = 0.0 if ahead else on
                    if junctions[j].inlet:
                        books[LEFT, c] += on
                    elif ahead:
                        come[j, c] += on
                if ahead:
                    brought[j] += volume
                continue
            s, gate = slot[e], gates[e]
            end = 0 if gate.at_a == k else 1
            r, length, w = _measures(shapes, e)
            through, way, log_here = volume, length, log_fraction
            for c in range(classes):
                here[c] = at[i, c]
            if s >= 0:
                way = 0.5 * volume / (math.pi * r * r)
            if s >= 0 and w <= STRAIGHT:  # what comes to the waist stands in the tube, mixed
                through = _past_waist(tubes[s], gate, end)
                liquid, whole = held[e, 0] + held[e, 1], 0.0
                for c in range(classes):
                    here[c] = (suspended[e, c] + volume / out * come[i, c]) / liquid
                    whole += here[c]
                log_here = math.log(whole) if whole > 0.0 else -math.inf
            stays = 1.0 - math.exp(-rule.deposition * way) if rule.deposition > 0.0 else 0.0
            throat, risk = 2.0 * r * w, 0.0
            # classes that pass it freely, and no wall catches, come first
            wide = rule.passing_ratio if gate.closed else rule.bridging_ratio
            small = 0
            while small < classes and stays == 0.0 and throat >= wide * diameter[small]:
                small += 1
            # for a throat that was closed before it makes no difference
            for c in range(small, 0 if gate.closed and gate.count == 0.0 else classes):
                ratio = throat / diameter[c]
                if ratio <= 1.0:
                    kept[c] = 1.0
                    risk += here[c] / grain[c]
                elif ratio < rule.bridging_ratio:
                    kept[c] = chance(rule, chances, ratio, log_here)
                    risk += kept[c] * here[c] / (grain[c] * ratio * ratio)
                else:
                    kept[c] = 0.0
            if end == 0:
                gate.risk0 = risk
            else:
                gate.risk1 = risk
            free = _while_open(gate, risk * through)
            if s == PASSING:
                expected = risk * passing
                soon[e] = np.inf
                if not gate.closed and expected > 0.0:
                    soon[e] = gate.count / expected * span
            # a tube passes on what stands in it, unless that has had its turn: that waits
            share = 0.0
            if s == PASSING and passing > 0.0 and (junctions[j].inlet or turn[j] > n):
                share = passing / (_room(shapes, e) + passing)
                brought[j] += passing
            part = volume / out
            for c in range(small):
                moved[c] = share * (suspended[e, c] + part * come[i, c])
                suspended[e, c] += part * come[i, c] - moved[c]
            for c in range(small, classes):
                arrives = part * come[i, c]
                # where it fits no entrance, what finds this one closed lies on the face
                out_there = diameter[c] >= too_wide and free < 1.0
                if out_there and (s == PASSING or w > STRAIGHT):
                    more = (1.0 - free) * arrives
                    captured[roof, c] += more
                    in_bed[roof] += more
                    surface[roof] += more / diameter[c]
                    arrives -= more
                    captured[e, c] += arrives
                    in_bed[e] += arrives
                    surface[e] += arrives / diameter[c]
                    arrives = 0.0
                catches = free * kept[c] if free > 0.0 else 0.0
                if free < 1.0 and throat < rule.passing_ratio * diameter[c]:
                    catches += 1.0 - free
                if catches > 0.0:
                    caught = catches * arrives
                    if s >= 0 and w <= STRAIGHT:
                        caught = catches * through * here[c]
                    captured[e, c] += caught
                    in_bed[e] += caught
                    surface[e] += caught / diameter[c]
                    arrives -= caught
                if stays > 0.0 and arrives > 0.0:
                    captured[e, c] += stays * arrives
                    lining[e] += stays * arrives
                    arrives -= stays * arrives
                moved[c] = share * (suspended[e, c] + arrives)
                suspended[e, c] += arrives - moved[c]
            if share > 0.0 and junctions[j].inlet:
                for c in range(classes):
                    books[LEFT, c] += moved[c]
            elif share > 0.0:
                for c in range(classes):
                    come[j, c] += moved[c]
        for c in range(classes):
            come[i, c] = 0.0


@inner
def _widest_ring(first):
    """The most tubes that a junction has."""
    most = 0
    for i in range(len(first) - 1):
        most = max(most, np.int64(first[i + 1]) - np.int64(first[i]))
    return most


@inner
def _past_waist(tube, gate, end):
    """Volume that has passed the waist of an open tube in the step, from that end."""
    if end == 0:
        now = past_throat(tube, tube.x0)
        through = max(now - gate.past0, 0.0)
        gate.past0 = now
    else:
        now = past_throat(tube, tube.x1)
        through = max(now - gate.past1, 0.0)
        gate.past1 = now
    return through


@inner
def _while_open(gate, expected):
    """Share of what has come in the step while the throat was open; its count goes down.

    expected : closings by all that has come.
    """
    if gate.closed:
        share = 0.0
        if gate.count > 0.0:  # it was closed in this step
            share = min(gate.count / expected, 1.0) if expected > 0.0 else 1.0
            gate.count = 0.0
        return share
    gate.count = max(gate.count - expected, 0.0)
    return 1.0


@inner
def _slow(tubes, graph, shapes, log, cargo, ahead):
    """Tubes pass less as they hold more grains, and as these line walls or build beds.

    On by ``ahead`` of what has come in this step.
    """
    rule, gates, held, suspended = cargo.rule[0], log.gates, cargo.held, cargo.suspended
    slot, flow, tangent, bore = graph.slot, graph.flow, graph.tangent, graph.bore
    for e in range(min(len(gates), np.int64(shapes.own[0]))):
        s = slot[e]
        if s == DRY:
            continue
        gate = gates[e]
        liquid, afloat = held[e, 0] + held[e, 1], 0.0
        for c in range(suspended.shape[1]):
            afloat += suspended[e, c]
        slower = 1.0
        if gate.closed:
            r, length, w = _measures(shapes, e)
            slower = 1.0 / rule.leak
            slower += bed_over_tube(rule, cargo.caught[e], cargo.surface[e], r, length, w)
        if liquid > 0.0:
            slower *= relative_viscosity(rule, afloat / liquid)
        if cargo.lining[e] > 0.0:
            slower /= lined(rule, cargo.lining[e], _room(shapes, e))
        more = ahead * (slower - gate.slower) if gate.slower > 0.0 else 0.0
        gate.slower = slower
        share = 1.0 / max(slower + more, 0.5 * slower)
        if s >= 0:
            tubes[s].leak = share
            tubes[s].count, tubes[s].risk0, tubes[s].risk1 = gate.count, gate.risk0, gate.risk1
        elif share != gate.share:
            change = share / gate.share
            for k in (np.int64(gate.at_a), np.int64(gate.at_b)):
                flow[k] *= change
                if len(tangent) > 0:
                    tangent[k].rate *= change
                    bore[k].share = share
        gate.share = share
