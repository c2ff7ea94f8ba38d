"""A sheet: a compact copy of a set of junctions, of the full tubes and of the menisci beside them.

A solve visits its set many times; on a sheet a visit to a full tube or to a level Newtonian
meniscus costs one cache line instead of a whole record. :func:`gather` fills a sheet,
:func:`scatter` books what was found.

Places 0 to n - 1 are the set's junctions; the junctions beyond its full tubes (inlets, and what
lies outside a region) follow as its *rim*, whose pressures are held.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel
from poresim.tube.wetting import drives
from poresim.uptake.ledger import outflow

#: A junction of the set, or of its rim.
PLACE = np.dtype(
    [
        ("pressure", np.float64),
        ("base", np.float64),  # what it owes before anything flows, m3
        ("owed", np.float64),  # what it owes, m3
        ("low", np.float64),  # bounds on its pressure, Pa
        ("high", np.float64),
        ("junction", np.int32),
        ("link", np.int32),  # its full tubes are listed from here on,
        ("meniscus", np.int32),  # its menisci stand from here on, up to those of the next place
    ],
    align=True,
)

#: A full tube that adjoins the set.
LINK = np.dtype(
    [
        ("a", np.int32),  # the places of its ends
        ("b", np.int32),
        ("tube", np.int32),
        ("lift", np.float64),  # head gained from a to b, Pa
        ("slope", np.float64),  # d volume / d drop, m3/Pa
        ("volume", np.float64),  # from a to b, unless the liquid is Newtonian
    ],
    align=True,
)

#: A meniscus that comes from a junction of the set.
MENISCUS = np.dtype(
    [
        ("taken", np.float64),  # what it takes, m3
        ("give", np.float64),  # d taken / d pressure
        ("x", np.float64),  # straight, level, Newtonian: where it stands,
        ("gain", np.float64),  # d x^2 / d drive,
        ("pull", np.float64),  # the drive without pressure, advancing
        ("back", np.float64),  # and receding,
        ("area", np.float64),  # and the section
        ("tube", np.int32),
        ("end", np.int32),  # the tube's end that it came from
    ],
    align=True,
)


class Sheet(NamedTuple):
    """Work space for networks of n junctions and m tubes; a set uses the beginning of each."""

    places: NDArray[Any]  # (n + 1,) PLACE
    links: NDArray[Any]  # (m,) LINK
    listed: NDArray[np.int32]  # (2 m,) links of each place in turn
    menisci: NDArray[Any]  # (2 m,) MENISCUS
    number: NDArray[np.int32]  # (m,) link of each tube, or -1


def make_sheet(junctions: int, tubes: int) -> Sheet:
    """Work space for a network of that size."""
    return Sheet(
        np.zeros(junctions + 1, PLACE),
        np.zeros(tubes, LINK),
        np.zeros(2 * tubes, np.int32),
        np.zeros(2 * tubes, MENISCUS),
        np.full(tubes, -1, np.int32),
    )


@kernel
def gather(law, wetting, tubes, junctions, first, ring, sheet, chosen, n, now, until):
    """Copy the set ``chosen[:n]`` with all that adjoins it; (links, rim's end).

    Every adjoining tube is booked from ``now``, or since it started; until it is scattered, the
    set's books stand open.
    """
    places, links = sheet.places, sheet.links
    for p in range(n):
        place, node = places[p], junctions[chosen[p]]
        node.place = p
        place.junction = chosen[p]
        place.pressure, place.base = node.pressure, node.owed
        place.low, place.high = node.low, node.high
    rim, count, listed, menisci = n, 0, 0, 0
    for p in range(n):
        place, i = places[p], chosen[p]
        place.link, place.meniscus = listed, menisci
        for k in range(first[i], first[i + 1]):
            e = ring[k]
            tube = tubes[e]
            end = 0 if tube.a == i else 1
            place.base += tube.v0 if end == 0 else tube.v1
            if not tube.full:
                _add_meniscus(law, wetting, tube, sheet.menisci[menisci], e, end, until)
                menisci += 1
                continue
            f = sheet.number[e]
            if f < 0:
                f = count
                count += 1
                sheet.number[e] = f
                other = tube.b if end == 0 else tube.a
                if junctions[other].place < 0:
                    junctions[other].place = rim
                    places[rim].junction = other
                    places[rim].pressure = junctions[other].pressure
                    rim += 1
                links[f].tube = e
                links[f].a, links[f].b = junctions[tube.a].place, junctions[tube.b].place
                links[f].lift = tube.tilt * tube.length
                links[f].slope = tube.conduct * (until - now)
            sheet.listed[listed] = f
            listed += 1
    places[n].link, places[n].meniscus = listed, menisci
    if wetting.linear:
        for f in range(count):
            a, b = places[links[f].a], places[links[f].b]
            volume = links[f].slope * (a.pressure - b.pressure + links[f].lift)
            a.base += volume
            b.base -= volume
    return count, rim


@kernel
def _add_meniscus(law, wetting, tube, meniscus, e, end, until):
    meniscus.tube, meniscus.end = e, end
    if not wetting.plain:
        return
    time = max(until - tube.start, 0.0) * tube.leak
    meniscus.x = tube.x0 if end == 0 else tube.x1
    meniscus.gain = tube.radius * tube.radius * time / (4.0 * law.consistency)
    meniscus.pull, meniscus.back = drives(wetting, tube, 0.0, 0.0, 0.0)
    meniscus.area = math.pi * tube.radius * tube.radius


@kernel
def take(law, wetting, tubes, meniscus, pressure, until, floor):
    """Look up what a meniscus takes with that pressure at its mouth; with its slope, it keeps it.

    Returns both.
    """
    if wetting.plain:
        volume, slope = _take_plain(meniscus, pressure)
    else:
        tube = tubes[meniscus.tube]
        time = until - tube.start
        volume, slope = outflow(law, wetting, tube, meniscus.end, pressure, 0.0, time, floor)
    meniscus.taken, meniscus.give = volume, slope
    return volume, slope


@kernel
def _take_plain(meniscus, pressure):
    x, gain = meniscus.x, meniscus.gain
    drive = pressure + meniscus.pull
    if drive <= 0.0:
        drive = pressure + meniscus.back
        if x <= 0.0 or drive >= 0.0:
            return 0.0, 0.0
        if x * x + gain * drive <= 0.0:
            return -meniscus.area * x, 0.0
    if gain <= 0.0:
        return 0.0, 0.0
    new = math.sqrt(x * x + gain * drive)
    volume = meniscus.area * gain
    return volume * drive / (new + x), 0.5 * volume / new


@kernel
def passed(law, wetting, tubes, link, from_, to, until, floor):
    """Volume that a link passes from its end a to b at those pressures; it keeps the slope."""
    if law.kind == 0:
        return link.slope * (from_ - to + link.lift)
    tube = tubes[link.tube]
    volume, slope = outflow(law, wetting, tube, 0, from_, to, until - tube.start, floor)
    link.volume, link.slope = volume, slope
    return volume


@kernel
def evaluate(law, wetting, tubes, sheet, n, count, until, floor):
    """What every junction of the set owes under the pressures as they stand."""
    places = sheet.places
    for p in range(n):
        place = places[p]
        owed = place.base
        for k in range(place.meniscus, places[p + 1].meniscus):
            volume, _ = take(law, wetting, tubes, sheet.menisci[k], place.pressure, until, floor)
            owed -= volume
        place.owed = owed
    for f in range(count):
        link = sheet.links[f]
        a, b = places[link.a], places[link.b]
        volume = passed(law, wetting, tubes, link, a.pressure, b.pressure, until, floor)
        a.owed -= volume
        b.owed += volume


@kernel
def scatter(law, wetting, tubes, junctions, sheet, n, count, rim, until, floor):
    """Book what the sheet says, and give its junctions free."""
    places = sheet.places
    for f in range(count):
        link = sheet.links[f]
        tube = tubes[link.tube]
        sheet.number[link.tube] = -1
        from_, to = places[link.a].pressure, places[link.b].pressure
        volume = passed(law, wetting, tubes, link, from_, to, until, floor)
        before = tube.v0
        if wetting.linear:  # the junctions still have the pressures that were booked
            drop = junctions[tube.a].pressure - junctions[tube.b].pressure
            before = link.slope * (drop + link.lift)
        else:
            tube.v0, tube.v1 = volume, -volume
            tube.s0 = tube.s1 = link.slope
        if link.a >= n:
            junctions[tube.a].owed += before - volume
        if link.b >= n:
            junctions[tube.b].owed -= before - volume
    for k in range(places[n].meniscus):
        meniscus = sheet.menisci[k]
        tube = tubes[meniscus.tube]
        if meniscus.end == 0:
            tube.v0, tube.s0 = meniscus.taken, meniscus.give
        else:
            tube.v1, tube.s1 = meniscus.taken, meniscus.give
    for p in range(rim):
        node = junctions[places[p].junction]
        node.place = -1
        if p < n:
            node.pressure, node.owed = places[p].pressure, places[p].owed
