"""What sections draw, as tables: every tube of the slab in every panel, and the panels' numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.show.slab import Slab
from poresim.show.states import State
from poresim.show.tables import Table

Floats = NDArray[np.float64]

_DIGITS = 6  # a picture has some thousand pixels across; files stay small
_TUBE = (
    "tube", "across_1_mm", "up_1_mm", "across_2_mm", "up_2_mm", "radius_um", "waist",
    "wet_from_1", "wet_from_2", "closed",
)  # fmt: skip


class Drawn(NamedTuple):
    """A panel.

    liquid, when : its column, and the time of its row, s. strength (m,) : share of its dry strength
    that the wall of each of the network's tubes has left. force : share of the dry snap force.
    """

    liquid: str
    when: float
    slab: Slab
    state: State | None
    strength: Floats | None = None
    force: float | None = None


def slab_tables(panels: Sequence[Drawn]) -> dict[str, Table]:
    """The tubes, a row each; and what stands below the panels.

    Ends as the picture has them, over the block's corner of coordinates 0; ``wet_from_1`` is the
    share of the length that is wet from the first end on, a full tube has 1 and 0.
    """
    softens = any(one.strength is not None for one in panels)
    head = ("liquid", "time_s", *_TUBE, *(("strength_percent",) if softens else ()))
    names = ("snapshot_s", "full_percent", "closed_percent")
    below = ("liquid", "time_s", *names, *(("snap_force_percent",) if softens else ()))
    return {
        "": Table(head, [_tubes(one) for one in panels], _DIGITS),
        "panels": Table(below, [_panel(one) for one in panels], _DIGITS),
    }


def _tubes(one: Drawn) -> tuple[object, ...]:
    slab, state = one.slab, one.state
    rows = len(slab.tubes)
    wet = np.zeros((rows, 2)) if state is None else slab.wet_shares(state.fill)
    closed = np.zeros(rows, np.bool_) if state is None else state.closed[slab.tubes]
    strength = () if one.strength is None else (100 * one.strength[slab.tubes],)
    return (
        one.liquid, one.when, slab.tubes, *slab.start.T, *slab.end.T, 1e3 * slab.radius,
        slab.waist, *wet.T, closed, *strength,
    )  # fmt: skip


def _panel(one: Drawn) -> tuple[object, ...]:
    state, force = one.state, () if one.force is None else (100 * one.force,)
    if state is None:
        return one.liquid, one.when, None, 0.0, 0.0, *force
    shares = 100 * state.saturation, 100 * state.closed_share
    return one.liquid, one.when, state.time_s, *shares, *force
