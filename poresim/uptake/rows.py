"""How the rows of a solve are shared out: in parts of fixed size, whatever the number of cores.

Each part writes only what is its own, and sums are made part by part and added in order, so that
a result is the same, bit for bit, on any number of cores. A function that runs over all rows has
three forms: the part itself, ``..._team`` with a core to every n-th part, and the one that
chooses: small networks are not worth the start of a team, some microseconds.
"""

from __future__ import annotations

import numpy as np

from poresim.tube.jit import kernel

ROWS = 1024  # in a part
SLOTS = 256
TEAM_FROM = 16  # parts
ONE = np.uint64(1)  # indices that cannot be negative need no look whether they are


@kernel
def parts_of(count, size):
    """How many parts ``count`` rows make."""
    return (count + size - 1) // size


@kernel
def added(sums, parts, column):
    """The sum of a column of the parts' sums, in order."""
    total = 0.0
    for c in range(parts):
        total += sums[c, column]
    return total
