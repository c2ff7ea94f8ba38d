"""Threads that work on the halves of one network, and where they wait for one another.

Every thread runs the same kernels and takes the same turns; what is summed over the network is
summed half by half, and the halves in their order. So the result is the same, bit for bit, whether
one thread does both halves or two do one each.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from poresim.tube.jit import inner

HALVES = 2
# What is summed over the halves. A place is used again only after another meeting. (Typed, for
# numba compiles a kernel anew for every literal.)
OWED, INTAKE, TAKERS, CHANGE, WEIGHT, PUSHED = (np.int64(place) for place in range(6))
LEFT, SLOPE, SIGNED, MOVED, HELD, TOTAL = (np.int64(place) for place in range(6, 12))
_SPINS = 2000  # looks at the gate before the processor is offered to others

_sched_yield = types.ExternalFunction("sched_yield", types.int32())


class Team(NamedTuple):
    """What one thread knows: it works on the halves from ``first`` up to ``last``."""

    first: int
    last: int
    size: int  # threads
    gate: NDArray[np.int64]  # how often any has come to wait; 1: nobody is to wait any more
    sums: NDArray[np.float64]  # (2, 16) by halves: of a sum, the part of each


def make_teams(size: int) -> list[Team]:
    """What each of one or two threads is to know."""
    gate, sums = np.zeros(2, np.int64), np.zeros((HALVES, 16))
    if size == 1:
        return [Team(0, HALVES, 1, gate, sums)]
    return [Team(p, p + 1, size, gate, sums) for p in range(HALVES)]


def let_go(team: Team) -> None:
    """Let the other thread run on alone to its end: this one was interrupted."""
    team.gate[1] = 1


@inner
def wait(team):
    """Go on when all threads have come here; what they wrote before is seen after."""
    if team.size == 1:
        return
    come = _add(team.gate, 1) + 1
    goal = (come + team.size - 1) // team.size * team.size
    spins = 0
    while _look(team.gate) < goal and team.gate[1] == 0:
        spins += 1
        if spins > _SPINS:
            _sched_yield()


@inner
def note(team, p, place, value):
    """Note what half p adds to a sum."""
    team.sums[p, place] = value


@inner
def in_all(team, place):
    """The sum of what the halves noted at that place."""
    return team.sums[0, place] + team.sums[1, place]


def _pointer(context: Any, builder: Any, kind: Any, array: Any) -> Any:
    return context.make_array(kind)(context, builder, array).data


@intrinsic
def _add(typing_context, array, value):
    """Add to a shared counter; what it was."""

    def code(context, builder, signature, arguments):
        data = _pointer(context, builder, signature.args[0], arguments[0])
        more = context.cast(builder, arguments[1], signature.args[1], types.int64)
        return builder.atomic_rmw("add", data, more, "seq_cst")

    return types.int64(array, value), code


@intrinsic
def _look(typing_context, array):
    """What a shared counter is."""

    def code(context, builder, signature, arguments):
        data = _pointer(context, builder, signature.args[0], arguments[0])
        return builder.load_atomic(data, "acquire", 8)

    return types.int64(array), code
