"""Flow through a saturated network between junctions at given pressures.

The pressures of the other junctions balance their flows. Every flow law is a rate that never
falls as the pressure drop grows, so the balances are the gradient of a convex energy
(the content of a nonlinear resistor network; Millar 1951). A Newtonian liquid takes one linear
solve; the others take Newton steps with a line search on that energy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from numbers import Integral, Real
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray
from scipy.sparse.csgraph import connected_components

from poresim.brief import Brief, Rows, span
from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.tube.law import NEWTONIAN, flow_law
from poresim.uptake.balance import Balance
from poresim.uptake.pressures import solve_linear, solve_newton

Floats = NDArray[np.float64]

TOLERANCE = 1e-10  # imbalance of any junction over the flow through its part of the network


@dataclass(frozen=True, eq=False, repr=False)
class Flow(Brief):
    """Steady flow in a saturated network of ``n`` junctions and ``m`` tubes, as numpy arrays.

    pressure : (n,) Pa; NaN where no tubes lead to a junction of given pressure.
    rate : (m,) m3/s from ``ends[:, 0]`` to ``ends[:, 1]``; 0 in tubes that no pressure reaches.
    into : (n,) m3/s fed in from outside at each junction: the sum of the rates that leave it
        through its tubes. Only rounding is left at junctions whose pressure is not given.
    iterations : Newton steps taken (1 for a Newtonian liquid).
    residual : largest imbalance at a junction whose pressure is not given, over the flow through
        the network; 0 when nothing flows.

    With a yield stress, pressures in parts that stand still are one choice of many.
    """

    pressure: Floats
    rate: Floats
    into: Floats
    iterations: int
    residual: float

    def _told(self) -> tuple[str, Rows]:
        known = self.pressure[np.isfinite(self.pressure)]
        through = float(self.into[self.into > 0].sum())
        return f"Flow through {len(self.rate):,} tubes", [
            ("pressure", f"{span(known)} Pa" if len(known) else "not known"),
            ("through", f"{through:.4g} m³/s"),
            ("balance", f"off by {self.residual:.1g} of the flow at most"),
        ]


class NotConverged(RuntimeError):
    """The flows could not be balanced; ``best`` (a :class:`Flow`) is the best answer found."""

    def __init__(self, best: Flow) -> None:
        super().__init__(
            f"the flow was not found: after {best.iterations} iterations the balance of a junction "
            f"is off by {best.residual:.2g} of the flow, above {TOLERANCE:g}; pressures given more "
            "evenly, or less contrast between the tubes, would help"
        )
        self.best = best


def flow(
    solid: Network,
    liquid: Liquid,
    pressure: Mapping[int, float],
    gravity: ArrayLike = (0.0, 0.0, 0.0),
) -> Flow:
    """Flow through a network full of liquid, with the pressure given at some junctions.

    Parameters
    ----------
    solid : the network; ``n`` junctions, ``m`` tubes.
    liquid : its flow law and density count; grains and capillarity play no part.
    pressure : junction index -> gauge pressure, Pa; at least one.
    gravity : (3,) m/s2, for example ``(0, 0, -9.80665)``.

    Raises
    ------
    ValueError
        A junction that does not exist, no pressure, or a value that is not finite.
    NotConverged
        The balance could not be brought below ``TOLERANCE``; carries the best answer.
    """
    held, value = _given(pressure, solid.junctions)
    pull = liquid.density * _vector("gravity", gravity)
    reached = _reached(solid, held)

    # in the pressure less the hydrostatic one, measured from the middle of the given values
    static = solid.points @ pull
    at_held = value - static[held]
    middle = 0.5 * (at_held.min() + at_held.max())
    start = np.zeros(solid.junctions)
    start[held] = at_held - middle
    lifted = solid.span - (solid.points[solid.ends[:, 1]] - solid.points[solid.ends[:, 0]])
    balance = Balance(
        solid, flow_law(liquid.viscosity), held, reached, head=lifted @ pull, tolerance=TOLERANCE
    )
    solve = solve_linear if balance.law.kind == NEWTONIAN else solve_newton
    found, iterations = solve(balance, start)

    state = balance.state(found)
    settled = balance.settled(state)
    if settled and balance.residual(state) > 0.1 * TOLERANCE:
        state = balance.closed(state)
    result = Flow(
        pressure=np.where(reached, found + middle + static, np.nan),
        rate=state.rate,
        into=state.into,
        iterations=iterations,
        residual=balance.residual(state),
    )
    result.pressure[held] = value
    if not settled:
        raise NotConverged(result)
    return result


def _given(pressure: Mapping[int, float], n: int) -> tuple[NDArray[np.int64], Floats]:
    if not isinstance(pressure, Mapping) or len(pressure) == 0:
        raise ValueError(
            "pressure must map at least one junction index to a pressure in Pa, "
            f"such as {{0: 100.0, 7: 0.0}}, got {pressure!r}"
        )
    for junction, value in pressure.items():
        fault = _fault(junction, value, n)
        if fault:
            raise ValueError(f"pressure: {fault}")
    return (
        np.array(list(pressure.keys()), dtype=np.int64),
        np.array(list(pressure.values()), dtype=np.float64),
    )


def _fault(junction: Any, value: Any, n: int) -> str:
    """What is wrong with one given pressure; empty when nothing is."""
    if isinstance(junction, (bool, np.bool_)) or not isinstance(junction, Integral):
        return f"a junction is a whole number, got {junction!r}"
    if not 0 <= int(junction) < n:
        return f"there is no junction {junction}, only 0 to {n - 1}"
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, Real):
        return f"the value at junction {junction} must be a number (Pa), got {value!r}"
    if not np.isfinite(float(value)):
        return f"the value at junction {junction} must be finite (Pa), got {value}"
    return ""


def _vector(name: str, value: ArrayLike) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    if array.shape != (3,) or not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be three finite numbers, m/s2, got {value!r}")
    return array


def _reached(solid: Network, held: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(n,) whether tubes lead from a junction to one of given pressure."""
    n = solid.junctions
    links = sp.coo_matrix((np.ones(solid.tubes), solid.ends.T), shape=(n, n))
    _, part = connected_components(links, directed=False)
    touched = np.zeros(n, dtype=bool)
    touched[part[held]] = True
    return touched[part]
