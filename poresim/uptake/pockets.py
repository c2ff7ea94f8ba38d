"""Pockets of trapped air: gas that liquid has cut off from the outside.

A pocket hangs together through dry junctions; a tube with liquid at both ends holds one of its own.
Its gas has no viscosity and keeps its moles (isothermal, Boyle): ``(P0 + pressure) volume`` stays.
In a solve a pocket is a row of its own. Its unknown is the pressure against which its menisci go;
what these take must be what the pocket loses. Volume falls with pressure, so the step's energy
stays convex.

Menisci go against the pressure's mean over a step; the books are those of its end. Where a pocket
comes to rest within the step, the two are one; where it takes long, the mean is half-way. With z,
the step over the time in which the distance to rest falls by a factor e, the end counts by
``1/(1 - exp(-z)) - 1/z`` in the mean: the answer of a linear relaxation (elementary).

Only in networks of one half.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner
from poresim.tube.shape import volume_to

OUTSIDE = 101325.0  # Pa, absolute: the standard atmosphere (ISO 2533)
HIGHEST = 1e5  # times the outside's: no gas is pressed more
FREE = -1  # instead of a pocket: the gas goes where it likes
_LEAST = 1e-3  # times the outside's: a gas may not be said to have less pressure
_NONE = 1e-9  # of a tube's length: menisci this close have no air between them
_PRESSED = 1e-3  # trapped air keeps menisci apart by this share of their distance in a step
_SLOW = 1e-3  # z below which a series serves

#: A pocket; a row of the solve.
GAS = np.dtype(
    [
        ("pressure", np.float64),  # mean over the step, against which its menisci go, Pa gauge
        ("laid", np.float64),  # what its tubes know of that
        ("moles", np.float64),  # times R T: pressure (absolute) times volume, J
        ("dry", np.float64),  # volume of its tubes without any liquid, m3
        ("room", np.float64),  # volume as the solve begins, m3
        ("start", np.float64),  # pressure then
        ("share", np.float64),  # by which the pressure at the end counts in the mean
        ("lets_go", np.float64),  # the pressure at which a bubble finds its way out
        ("hold", np.float64),  # that pressure is by so much above the one at
        ("door", np.int64),  # that junction, -1 for none,
        ("tube", np.int64),  # where the slot of that number is back at
        ("mouth", np.int8),  # the mouth of its end 0 or 1,
        ("beyond", np.float64),  # and this at least: the rest of the way out
        ("vents", np.int8),  # 1: so it does; the pressure is that
        ("begin", np.int64),  # its menisci in the sheet's list
        ("end", np.int64),
        ("owed", np.float64),  # what its menisci take over what it loses, m3
        ("diagonal", np.float64),  # of the linear solve, and the work space for that
        ("move", np.float64),
        ("residual", np.float64),
        ("way", np.float64),
        ("image", np.float64),
        ("before", np.float64),
        ("volume", np.float64),  # now, m3
        ("parts", np.int64),  # tubes that hold it
    ],
    align=True,
)

#: Places in Pockets.books.
CUT_OFF, BUBBLED, LATELY = 0, 1, 2


class Pockets(NamedTuple):
    """All pockets. Arrays of no entry where air is free."""

    rows: NDArray[Any]  # (m + n,) of GAS
    many: NDArray[np.int64]  # (1,) how many there are
    books: NDArray[np.float64]  # (3,) moles cut off and gone as bubbles, J; and over what time the
    # slopes of menisci are, s


def make_pockets(most: int) -> Pockets:
    """Room for that many pockets."""
    return Pockets(np.zeros(most, GAS), np.zeros(1, np.int64), np.zeros(3))


def kept_pockets(pockets: Pockets) -> tuple[NDArray[Any], ...]:
    """Copies of what a step changes."""
    return pockets.rows[: pockets.many[0]].copy(), pockets.many.copy(), pockets.books.copy()


def put_pockets(pockets: Pockets, kept: tuple[NDArray[Any], ...]) -> None:
    """Put back what :func:`kept_pockets` copied."""
    pockets.rows[: len(kept[0])] = kept[0]
    pockets.many[:], pockets.books[:] = kept[1:]


@inner
def gas_in(tube):
    """Volume between a tube's menisci, m3."""
    return volume_to(tube, tube.length) - volume_to(tube, tube.x0) - volume_to(tube, tube.x1)


@inner
def closed(tube):
    """Whether so little gas is between its menisci that it is none."""
    return tube.length - tube.x0 - tube.x1 <= _NONE * tube.length


@inner
def keep_apart(tube):
    """Its gas finds no way out."""
    tube.apart = _PRESSED * (tube.length - tube.x0 - tube.x1)


@inner
def begin_pocket(gas):
    """No gas yet."""
    gas.moles = gas.volume = gas.dry = 0.0
    gas.parts = gas.vents = 0
    gas.door = -1
    gas.share = 1.0
    gas.begin = gas.end = 0


@inner
def lay_gas(tubes, graph, top, span):
    """As a solve over ``span`` begins: how much room each pocket has, and how soon it rests.

    Of the slots up to ``top``, which stand where it begins.
    """
    rows, count = graph.pockets.rows, graph.pockets.many[0]
    lately = graph.pockets.books[LATELY]
    for g in range(count):
        rows[g].room, rows[g].diagonal = rows[g].dry, 0.0
    for s in range(top):
        tube = tubes[s]
        if tube.live and tube.pocket >= 0:
            gas = rows[tube.pocket]
            gas.room += gas_in(tube)
            gas.diagonal += tube.s0 + tube.s1
    for g in range(count):
        gas = rows[g]
        gas.laid = gas.pressure
        if gas.moles <= 0.0 or gas.room <= 0.0:  # no tubes, or all of it cut off in the step
            gas.vents, gas.door = 1, -1
            continue
        gas.start = gas.moles / gas.room - OUTSIDE
        gas.share = 1.0
        if lately > 0.0 and span > 0.0:
            yields = gas.moles / (OUTSIDE + gas.start) ** 2
            gas.share = _share_of_end(gas.diagonal * span / lately / yields)


@inner
def _share_of_end(z):
    if z < _SLOW:
        return 0.5 + z / 12.0
    return 1.0 / (1.0 - math.exp(-z)) - 1.0 / z


@inner
def list_menisci(tubes, graph, sheet):
    """List the menisci of the sheet by pockets, and say on which row each hangs."""
    rows, count = graph.pockets.rows, graph.pockets.many[0]
    for g in range(count):
        rows[g].begin = rows[g].end = 0
    top = sheet.rows[0, 1]
    begin, last = sheet.start[0], sheet.start[top]
    for m in range(begin, last):
        sheet.against[m] = 0.0
        pocket = tubes[sheet.slot[m]].pocket
        if pocket >= 0:
            rows[pocket].end += 1
    place = np.int64(0)
    for g in range(count):
        many = rows[g].end
        rows[g].begin = rows[g].end = place
        place += many
    for i in range(sheet.rows[0, 0], top):
        for m in range(sheet.start[i], sheet.start[i + 1]):
            pocket = tubes[sheet.slot[m]].pocket
            if pocket >= 0:
                gas = rows[pocket]
                sheet.hung[gas.end] = m
                sheet.row[m] = i
                gas.end += 1


@inner
def put_against(graph, sheet):
    """Let the menisci know how far the pressures of their pockets have moved."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        more = rows[g].pressure - rows[g].laid
        for h in range(rows[g].begin, rows[g].end):
            sheet.against[sheet.hung[h]] = more


@inner
def volume_at(gas, mean):
    """(volume that the gas has at the step's end, and minus its slope) for a mean pressure."""
    last = OUTSIDE + (mean - (1.0 - gas.share) * gas.start) / gas.share
    last = max(last, _LEAST * OUTSIDE)
    volume = gas.moles / last
    return volume, volume / (last * gas.share)


@inner
def owe_gas(graph, sheet):
    """What every pocket owes under the menisci as they are looked up; the sum without signs."""
    rows, total = graph.pockets.rows, 0.0
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        gas.owed = 0.0
        if gas.vents:
            continue
        for h in range(gas.begin, gas.end):
            gas.owed += sheet.taken[sheet.hung[h]]
        volume, _ = volume_at(gas, gas.pressure)
        gas.owed -= gas.room - volume
        total += abs(gas.owed)
    return total


@inner
def begin_gas(graph, sheet):
    """Matrix and right side of the linear solve; the sum of that."""
    rows, left = graph.pockets.rows, 0.0
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        gas.move = gas.way = gas.image = gas.residual = gas.diagonal = 0.0
        if gas.vents:
            continue
        _, yields = volume_at(gas, gas.pressure)
        gas.diagonal = yields
        for h in range(gas.begin, gas.end):
            gas.diagonal += sheet.give[sheet.hung[h]]
        gas.residual = gas.owed
        left += abs(gas.owed)
    return left


@inner
def solve_gas(graph):
    """Precondition by the diagonal; residual times image."""
    rows, total = graph.pockets.rows, 0.0
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        if gas.diagonal > 0.0:
            gas.image = gas.residual / gas.diagonal
            total += gas.residual * gas.image
    return total


@inner
def turn_gas(graph, turn):
    """The next way."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        rows[g].way = rows[g].image + turn * rows[g].way


@inner
def push_gas(system, graph, sheet):
    """Image of the way, and what it adds to the junctions'; way times image, of both additions."""
    rows, total = graph.pockets.rows, 0.0
    way, image, diagonal = system.way, system.image, system.diagonal
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        if gas.diagonal == 0.0:
            continue
        pushed = 0.0
        for h in range(gas.begin, gas.end):
            m = sheet.hung[h]
            i = sheet.row[m]
            if diagonal[i] > 0.0:
                pushed += sheet.give[m] * way[i]
                image[i] -= sheet.give[m] * gas.way
                total -= sheet.give[m] * gas.way * way[i]
        gas.image = gas.diagonal * gas.way - pushed
        total += gas.way * gas.image
    return total


@inner
def go_gas(graph, step):
    """Move on by ``step``; the sum of what is left."""
    rows, left = graph.pockets.rows, 0.0
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        gas.move += step * gas.way
        gas.residual -= step * gas.image
        left += abs(gas.residual)
    return left


@inner
def hold_gas(graph):
    """Set the pressures aside; no gas may come to have next to no pressure."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        gas.before = gas.pressure
        gas.move = max(gas.move, -0.5 * (OUTSIDE + gas.pressure))


@inner
def try_gas(graph, sheet, size):
    """Pressures after that share of the move."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        rows[g].pressure = rows[g].before + size * rows[g].move
    put_against(graph, sheet)


@inner
def slope_gas(graph):
    """Of the energy along the move."""
    rows, total = graph.pockets.rows, 0.0
    for g in range(graph.pockets.many[0]):
        total += rows[g].move * rows[g].owed
    return total


@inner
def slacken(graph, sheet):
    """Slopes of menisci that push all of a pocket's gas together, instead of none of it."""
    rows = graph.pockets.rows
    for g in range(graph.pockets.many[0]):
        gas = rows[g]
        if gas.vents:
            continue
        yields = gas.moles / (OUTSIDE + gas.pressure) ** 2
        total = yields
        for h in range(gas.begin, gas.end):
            total += sheet.give[sheet.hung[h]]
        for h in range(gas.begin, gas.end):
            sheet.give[sheet.hung[h]] *= yields / total


@inner
def book_gas(tubes, graph, top, span):
    """Tell the tubes against what pressure they go."""
    rows = graph.pockets.rows
    for s in range(top):
        if tubes[s].live and tubes[s].pocket >= 0:
            tubes[s].gas = rows[tubes[s].pocket].pressure
    for g in range(graph.pockets.many[0]):
        rows[g].laid = rows[g].pressure
    graph.pockets.books[LATELY] = span
