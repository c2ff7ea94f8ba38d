"""The end of a step: every tube is brought to it, and what is still owed is spread.

One linear solve over the whole cluster says how a small shift of the pressures would have changed
the volumes; they are moved so, through the full tubes and into the menisci: the books close.
"""

from __future__ import annotations

import math

from poresim.tube.filled import STRAIGHT
from poresim.tube.jit import kernel
from poresim.tube.shape import radius_at, volume_to
from poresim.uptake.events import list_wet
from poresim.uptake.ledger import settle
from poresim.uptake.linear import assemble, conjugate_gradients
from poresim.uptake.sheet import gather

_CLOSINGS = 6
_LINEAR_STEPS = 2000


@kernel
def close_books(
    law, wetting, tubes, junctions, first, ring, sheet, system, chosen, beside, control,
    filled_at, now, until, floor, liquid,
):  # fmt: skip
    """Bring every tube to the step's end and spread what is owed: (liquid then, moved, left).

    ``moved`` is the volume that menisci had to be shifted by, ``left`` what is still owed.
    """
    n, adjoining = list_wet(wetting, tubes, junctions, filled_at, chosen, beside)
    for k in range(adjoining):
        _end(law, wetting, tubes, junctions, beside[k], filled_at, now, until, floor)
    count, rim = gather(law, wetting, tubes, junctions, first, ring, sheet, chosen, n, until, until)
    places, links, menisci = sheet.places, sheet.links, sheet.menisci
    for f in range(count):
        tube = tubes[links[f].tube]
        if wetting.linear:
            links[f].slope = tube.conduct * (until - max(now, filled_at[links[f].tube]))
        else:
            links[f].slope = tube.s0
    for k in range(places[n].meniscus):
        tube = tubes[menisci[k].tube]
        menisci[k].give = tube.s0 if menisci[k].end == 0 else tube.s1
    left = 0.0
    for p in range(n):
        places[p].owed = places[p].base
        left += abs(places[p].owed)
    goal = control.close_share * liquid
    moved = 0.0
    for _ in range(_CLOSINGS):
        if left <= goal:
            break
        pairs = assemble(places, links, menisci, system, n, count)
        control.iterations += conjugate_gradients(system, n, pairs, 0.0, 0.5 * goal, _LINEAR_STEPS)
        control.solves += 1
        moved += _shift(tubes, places, links, menisci, system.move, n, count)
        left = 0.0
        for p in range(n):
            left += abs(places[p].owed)
    for f in range(count):
        sheet.number[links[f].tube] = -1
    for p in range(rim):
        node = junctions[places[p].junction]
        node.place = -1
        if p < n:
            node.owed = places[p].owed
    return control.filled + _standing(tubes, beside, adjoining), moved, left


@kernel
def _end(law, wetting, tubes, junctions, e, filled_at, now, until, floor):
    """Bring tube e to the step's end; its slopes become those over the time it had in the step."""
    tube = tubes[e]
    a, b = junctions[tube.a], junctions[tube.b]
    part = until - tube.start
    settle(law, wetting, tubes, junctions, e, until, until, floor)
    tube.start = until
    if tube.full:
        had = until - max(now, filled_at[e])
        tube.s0 = tube.s1 = tube.s0 * had / part if part > 0.0 else 0.0
    else:
        had = until - max(now, a.wetted) if a.wet else 0.0
        tube.s0 = tube.s0 * had / part if part > 0.0 else 0.0
        had = until - max(now, b.wetted) if b.wet else 0.0
        tube.s1 = tube.s1 * had / part if part > 0.0 else 0.0


@kernel
def _standing(tubes, beside, count):
    """Liquid in those of the listed tubes that are not full."""
    held = 0.0
    for k in range(count):
        tube = tubes[beside[k]]
        if not tube.full:
            held += volume_to(tube, tube.x0) + volume_to(tube, tube.x1)
    return held


@kernel
def _shift(tubes, places, links, menisci, move, n, count):
    """Move liquid as the solve says; what menisci were moved by.

    A meniscus at its limit takes no further part.
    """
    for f in range(count):
        a, b = links[f].a, links[f].b
        up = move[a] if a < n else 0.0
        down = move[b] if b < n else 0.0
        volume = links[f].slope * (up - down)
        places[a].owed -= volume
        places[b].owed += volume
    moved = 0.0
    for p in range(n):
        for k in range(places[p].meniscus, places[p + 1].meniscus):
            meniscus = menisci[k]
            asked = meniscus.give * move[p]
            if asked == 0.0:
                continue
            tube = tubes[meniscus.tube]
            old, other = (tube.x0, tube.x1) if meniscus.end == 0 else (tube.x1, tube.x0)
            new, free = _moved(tube, old, other, asked)
            if meniscus.end == 0:
                tube.x0 = new
            else:
                tube.x1 = new
            volume = volume_to(tube, new) - volume_to(tube, old)
            places[p].owed -= volume
            moved += abs(volume)
            if not free:
                meniscus.give = 0.0
    return moved


@kernel
def _moved(tube, x, other, volume):
    """Where a meniscus at x stands after a small volume more, and whether it was free to go."""
    r = radius_at(tube, x)
    new = x + volume / (math.pi * r * r)
    half = 0.5 * tube.length
    if tube.waist <= STRAIGHT:
        if (x - half) * (new - half) < 0.0:
            return half, False
        # one correction for the changing width
        rn = radius_at(tube, new)
        mean = (r * r + r * rn + rn * rn) / 3.0
        new = x + volume / (math.pi * mean)
    room = tube.length - other
    if new > x:
        most = x + 0.999 * (room - x)
        return min(new, most), new <= most
    return max(new, 0.001 * x), new >= 0.001 * x
