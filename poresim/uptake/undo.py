"""A step that is to be taken shorter is undone: what it changes is copied before.

Undoing is numpy: rarely needed, so it should not be one more kernel to compile.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import kernel
from poresim.uptake.state import DRY, FREE, PASSING, RECENT, TOP, Graph, Log, Places, State, spans


@kernel
def keep(tubes, junctions, log, kept_tubes, kept_junctions, kept_free, kept_counts):
    """Copy what a step changes, and begin its list of recent happenings."""
    for p in range(len(log.counts)):
        log.counts[p, RECENT] = log.begin[p, RECENT]
        for s in range(log.begin[p, TOP], log.counts[p, TOP]):
            kept_tubes[s] = tubes[s]
        for k in range(log.begin[p, FREE], log.counts[p, FREE]):
            kept_free[k] = log.free[k]
    for i in range(len(junctions)):
        kept_junctions[i] = junctions[i]
    kept_counts[:] = log.counts


def undo(
    state: State,
    kept_tubes: NDArray[Any],
    kept_junctions: NDArray[Any],
    kept_free: Places,
    kept_counts: NDArray[np.int64],
) -> None:
    """Put back what :func:`keep` copied."""
    graph, log = state.graph, state.log
    recent = np.concatenate([log.recent[span] for span in spans(log, log.counts, RECENT)])
    filled, blocked = recent[recent >= 0], -1 - recent[recent < 0]
    log.filled_at[filled] = np.nan
    log.blocked_at[blocked] = np.nan
    _open_gates(graph, log, blocked[graph.slot[blocked] == PASSING])
    if len(blocked):
        log.gates["closed"][blocked] = 0
    graph.flow[np.isin(graph.ring, filled)] = 0.0
    graph.slot[filled] = DRY
    graph.slot[state.slots["number"][state.slots["live"] == 1]] = DRY
    for span in spans(log, kept_counts, TOP):
        state.tubes[span] = kept_tubes[span]
        live = span.start + np.flatnonzero(kept_tubes["live"][span])
        graph.slot[kept_tubes["number"][live]] = live
    for span in spans(log, kept_counts, FREE):
        log.free[span] = kept_free[span]
    state.junctions[:] = kept_junctions
    log.counts[:] = kept_counts


def _open_gates(graph: Graph, log: Log, tubes: Places) -> None:
    """Full tubes that grains had closed in the step pass what they passed before."""
    gates = log.gates
    for e in tubes[gates["before"][tubes] > 0]:
        gates["share"][e] *= gates["before"][e] / graph.flow[gates["at_a"][e]]
        for k in (gates["at_a"][e], gates["at_b"][e]):
            if len(graph.tangent) > 0:
                more = gates["before"][e] / graph.flow[k]
                graph.tangent["rate"][k] *= more
                graph.bore["share"][k] *= more
            graph.flow[k] = gates["before"][e]
        gates["before"][e] = 0.0
