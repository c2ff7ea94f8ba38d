"""Where liquid in a lifted solid may come to rest: by least energy, and by what rest asks for.

Wetting a wall gains gamma cos(theta) an area (Young 1805), so in straight tubes the energy is
linear in the wet lengths: -2 pi r gamma cos(theta) each. In a star, tubes that meet in one
junction, any lengths can be reached, and the state of least energy is a linear programme; weight
adds rho g . (place of the liquid), which is convex where tubes do not lead down.

In any graph rest asks for one pressure P - head in each cluster (junctions joined by full tubes):

    a meniscus inside a tube, its column weighing w     -p_recede <= P + w <= -p_advance
    an empty tube                                       P <= -p_advance
    a full tube at whose end air stands                 P >= -p_recede

with p = 2 gamma cos(theta) / r, in cones of half-opening b with theta - b before a waist, theta + b
past it. Nothing here is from the march: only how its states are written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog, minimize
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

AT_MOUTH = 3e-7  # of a tube's length: what counts as empty
AT_WAIST = 1e-7


def least_energy(radius, length, volume, fluid, fall=None, stuck=None):
    """Wet lengths (m,) from the centre of a star of straight tubes, of least energy.

    volume: of all liquid, m3; fall (m,): rho g . (way from the centre to the far end), Pa, at most
    0 (level or upward); stuck: tubes that are full and closed at their far end.
    """
    radius, length = np.asarray(radius, float), np.asarray(length, float)
    area = np.pi * radius**2
    stuck = np.zeros(len(radius), bool) if stuck is None else stuck
    gain = 2 * np.pi * radius * fluid.gamma * np.cos(np.radians(fluid.angle)) * length
    whole = area * length
    least = stuck.astype(float)
    bounds = np.stack([least, np.ones(len(radius))], 1)
    share = volume / whole.sum()  # of lengths: unknowns are x / length
    if fall is None or not np.any(fall):
        keys = {"A_eq": whole[None] / whole.sum(), "b_eq": [share], "method": "highs"}
        found = linprog(-gain / gain.max(), bounds=bounds, **keys)
        assert found.success, found.message
        return found.x * length
    fall = np.asarray(fall, float)
    assert np.all(fall <= 0), "convex only where tubes do not lead down"
    weight = -fall * whole / 2  # J: half-way up, when full

    def energy(s):
        return (weight @ s**2 - gain @ s) / gain.max()

    def slope(s):
        return (2 * weight * s - gain) / gain.max()

    holds = {
        "type": "eq",
        "fun": lambda s: (whole @ s - volume) / whole.sum(),
        "jac": lambda s: whole / whole.sum(),
    }
    start = np.clip(np.full(len(radius), share), least, 1)
    keys = {"constraints": [holds], "method": "SLSQP", "options": {"ftol": 1e-15, "maxiter": 2000}}
    found = minimize(energy, start, jac=slope, bounds=bounds, **keys)
    assert abs(holds["fun"](found.x)) < 1e-9, found.message
    return found.x * length


def energy(points, ends, radius, length, fluid, state, gravity=(0, 0, 0)):
    """Of the liquid in straight tubes, J: its wet walls and its weight."""
    points, ends = np.asarray(points, float), np.asarray(ends)
    radius, length = (np.broadcast_to(v, (len(ends),)) for v in (radius, length))
    x = np.reshape(state.x, (-1, 2))
    wet = np.where(state.full, length, x.sum(1))
    total = -fluid.gamma * np.cos(np.radians(fluid.angle)) * 2 * np.pi * radius @ wet
    head = fluid.density * points @ np.asarray(gravity, float)  # -energy a volume
    rise = head[ends[:, 1]] - head[ends[:, 0]]
    for end, sign in ((0, 1), (1, -1)):
        run = np.where(state.full, length if end == 0 else 0.0, x[:, end])
        mean = head[ends[:, end]] + sign * rise * run / length / 2
        total -= np.pi * radius**2 * run @ mean
    return total


@dataclass
class Rest:
    """How far a state is from rest. worst: the largest violated condition, over 2 gamma / r of its
    tube, at the best pressure of its cluster; spread: how far the pressures given are from one a
    cluster, and given: what they violate, over 2 gamma / the least radius."""

    worst: float
    spread: float
    given: float
    clusters: int


def violations(
    points, ends, radius, length, fluid, state, exposed=(), gravity=(0, 0, 0), waist=1.0
):
    """Rest of a State without reservoirs: x (2 m,), full (m,), pressure (n,) or NaN, dry (n,)."""
    points, ends = np.asarray(points, float), np.asarray(ends)
    m, n = len(ends), len(points)
    radius, length, waist = (np.broadcast_to(v, (m,)) for v in (radius, length, waist))
    x, full = np.reshape(state.x, (m, 2)), np.asarray(state.full)
    head = fluid.density * points @ np.asarray(gravity, float)
    advancing = fluid.angle
    receding = advancing if fluid.receding is None else min(fluid.receding, advancing)
    cone = np.arctan(radius * (1 - waist) / (length / 2))

    def suction(t, place, angle, side):
        r = radius[t] * (1 - (1 - waist[t]) * min(place, length[t] - place) / (length[t] / 2))
        return 2 * fluid.gamma * np.cos(np.radians(angle) + side * cone[t]) / r

    reached = np.zeros(n, bool)
    reached[ends[full].ravel()] = True
    for end in (0, 1):
        reached[ends[~full & (x[:, end] > AT_MOUTH * length), end]] = True
    assert np.array_equal(reached, ~np.asarray(state.dry)), "wet is what liquid reaches"
    air = np.zeros(n, bool)
    air[np.asarray(exposed, int)] = True
    for end in (0, 1):
        air[ends[~full & (x[:, end] <= AT_MOUTH * length), end]] = True
    air &= reached
    graph = coo_matrix((np.ones(full.sum()), tuple(ends[full].T)), (n, n))
    label = connected_components(graph, directed=False)[1]
    lowest, highest = [], []  # (junction, level that P - head must not be below / above, tube)
    for t in range(m):
        for end in (0, 1):
            i, far = ends[t, end], ends[t, 1 - end]
            if not reached[i]:
                continue
            if full[t]:
                if air[i]:
                    held = suction(t, length[t], receding, 1)
                    if waist[t] < 1:  # where liquid would follow it stays
                        held = max(held, suction(t, 0.0, advancing, -1))
                    lowest.append((i, -held - head[i], t))
                continue
            place = x[t, end]
            column = (head[far] - head[i]) * place / length[t]
            before, past = (
                (-1, 1)
                if abs(place - length[t] / 2) < AT_WAIST * length[t]
                else ((-1, -1) if place < length[t] / 2 else (1, 1))
            )
            up = -suction(t, place, advancing, past) - column - head[i]
            highest.append((i, up, t))
            if place > AT_MOUTH * length[t]:
                down = -suction(t, place, receding, before) - column - head[i]
                lowest.append((i, down, t))
    worst = 0.0
    clusters = np.unique(label[reached])
    for c in clusters:
        low = [(v, t) for i, v, t in lowest if label[i] == c]
        high = [(v, t) for i, v, t in highest if label[i] == c]
        if low and high:
            (a, s), (b, t) = max(low), min(high)
            least = min(radius[s], radius[t])
            worst = max(worst, (a - b) / 2 / (2 * fluid.gamma / least))
    level = np.asarray(state.pressure) - head
    scale, spread, given = 2 * fluid.gamma / radius.min(), 0.0, 0.0
    for c in clusters:
        own = level[reached & (label == c)]
        if not np.isnan(own).all():
            spread = max(spread, np.ptp(own) / scale)
    for sign, rows in ((-1, lowest), (1, highest)):
        for i, v, _ in rows:
            if not np.isnan(level[i]):
                given = max(given, sign * (level[i] - v) / scale)
    return Rest(worst, spread, given, len(clusters))


__all__ = ["Rest", "energy", "least_energy", "violations"]
