"""Pressures that balance the flows of a saturated network.

Newtonian: one linear solve. Any other law: damped Newton on the convex energy whose gradient is
the balance of flows; the share of a step is where the energy's slope along it has halved.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra

from poresim.uptake.balance import Balance, State, lowest_links

Floats = NDArray[np.float64]

_MOST_STEPS = 400
_MOST_TRIALS = 40
_FLAT = 1e-6  # share of a reference conductance added where the energy is flat
_MARGIN = 1e-9  # a network this close to its yield pressure is taken as flowing


def solve_linear(balance: Balance, pressure: Floats) -> tuple[Floats, int]:
    """Pressures that balance a liquid whose rates are proportional to the drop."""
    state = balance.state(pressure)
    if len(balance.free) == 0:
        return pressure, 1
    solve = balance.laplacian.solver(state.slope[balance.inner])
    for tolerance in (1e-11, 1e-4, 1e-4):  # the first solve, and what it left
        move = solve(-state.into[balance.free], tolerance)
        state = balance.state(balance.with_free(state.pressure, move, 1.0))
        if balance.settled(state, 0.01 * balance.tolerance):
            break
    return state.pressure, 1


def solve_newton(balance: Balance, pressure: Floats) -> tuple[Floats, int]:
    """Pressures that balance any liquid: damped Newton from a linear solve.

    Flat parts of the energy (no drop, below the yield) are given a small share of a reference
    conductance in the Newton matrix alone; the share falls with the imbalance.
    """
    if balance.settled(balance.state(pressure)):
        return pressure, 0
    resting = at_rest(balance, pressure)
    if resting is not None:
        return resting, 0
    inner, free = balance.inner, balance.free
    state, reference = _linear_start(balance, pressure)
    for step in range(_MOST_STEPS):
        if balance.settled(state, 0.1 * balance.tolerance):
            return state.pressure, step
        off = min(1.0, balance.residual(state))
        slope = _stiffness(balance, state) + max(_FLAT * off, 1e-12) * reference
        solve = balance.laplacian.solver(slope[inner])
        reached = _searched(balance, state, solve(-state.into[free], _forcing(off)))
        if reached is state:
            break
        state = reached
    return state.pressure, step + 1


def _forcing(off: float) -> float:
    """Relative tolerance of a Newton step's linear solve at this imbalance."""
    return min(1e-2, max(0.1 * off, 1e-4))


def _stiffness(balance: Balance, state: State) -> Floats:
    """(m,) slope of each tube's rate for the Newton matrix.

    A shear-thickening liquid has no bound on it as the drop vanishes, and a Newton step there
    overshoots without end; rate over drop takes such a tube to its rest in one step.
    """
    if balance.law.index <= 1.0:
        return state.slope
    size = np.abs(state.drop)
    common = size[balance.live].mean()
    least = max(common * 1e-14, 1e-300)
    secant = balance.rates(np.maximum(size, least))[0] / np.maximum(size, least)
    return np.where(size < 0.1 * common, np.maximum(secant, state.slope), state.slope)


def _linear_start(balance: Balance, pressure: Floats) -> tuple[State, Floats]:
    """State of a network of linear tubes, and the conductance (m,) of each at a common drop.

    The common drop is first the whole drop, then the mean over the tubes that this gives.
    """
    common = max(float(np.ptp(pressure[balance.held])), float(np.abs(balance.head).max()))
    for _ in range(2):
        drop = balance.yield_drop + max(common, 1e-200)
        reference = balance.rates(drop)[0] / drop
        solve = balance.laplacian.solver(reference[balance.inner])
        held = balance.state(pressure)
        out = balance.gathered(reference * held.drop)
        state = balance.state(balance.with_free(pressure, solve(-out[balance.free], 1e-3), 1.0))
        common = float(np.abs(state.drop[balance.live]).mean())
    return state, reference


def _searched(balance: Balance, state: State, move: Floats) -> State:
    """The state along ``move`` where the slope of the energy has fallen by half or more."""
    free = balance.free
    first = float(state.into[free] @ move)
    if not first < 0.0:
        return state
    low, low_slope, high, high_slope = 0.0, first, np.inf, np.inf
    share, best = 1.0, state
    for _ in range(_MOST_TRIALS):
        trial = balance.state(balance.with_free(state.pressure, move, share))
        slope = float(trial.into[free] @ move)
        if abs(slope) <= 0.5 * abs(first):
            return trial
        if slope < 0.0:
            low, low_slope, best = share, slope, trial
        else:
            high, high_slope = share, slope
        if np.isinf(high):
            share *= 3.0
        else:
            secant = low - low_slope * (high - low) / (high_slope - low_slope)
            width = high - low
            share = min(max(secant, low + 0.1 * width), high - 0.1 * width)
    return best


def at_rest(balance: Balance, pressure: Floats) -> Floats | None:
    """Pressures at which no tube passes its yield drop; None when there are none.

    The drops may not exceed the yield drop of any path, so the lowest path from each held
    junction bounds every pressure from above, and these bounds themselves are pressures at
    rest unless one of them lies below a held pressure (Roux & Herrmann 1987: the threshold of
    a network is that of its weakest path).
    """
    if balance.law.yield_stress == 0.0 or np.any(balance.head != 0.0):
        return None
    ends, n = balance.solid.ends, balance.solid.junctions
    base = pressure[balance.held].min()
    rise = pressure[balance.held] - base
    a, b, weight = lowest_links(ends, balance.yield_drop)
    rows, columns = np.append(a, np.full(len(rise), n)), np.append(b, balance.held)
    weight = np.append(weight * (1 - _MARGIN), rise)
    links = sp.csr_matrix((weight, (rows, columns)), shape=(n + 1, n + 1))
    bound = dijkstra(links, directed=False, indices=n)[:n]  # n: a source behind all that are held
    if np.any(bound[balance.held] < rise * (1 - 1e-12)):
        return None
    resting = pressure.copy()
    resting[balance.free] = base + bound[balance.free]
    return resting
