"""What a saturated block lets through between two opposite faces: liquid, and electric current."""

from __future__ import annotations

import math

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from poresim.liquid.laws import Newtonian
from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.uptake.flow import flow

Floats = NDArray[np.float64]

#: Axis -> the faces across it.
FACES = {"x": ("left", "right"), "y": ("front", "back"), "z": ("bottom", "top")}
_UNIT = Liquid(Newtonian(1.0), surface_tension=1.0, contact_angle_deg=0.0, density=1.0)


def permeability(solid: Network, axis: str = "z") -> float:
    """Permeability of the saturated block along an axis, m2; 0 where no tubes lead across.

    viscosity x rate x edge / (area x drop), with the pressure given on the two faces across the
    axis and the sides let nothing through (Darcy 1856). Tubes as in ``ps.flow``.

    Raises
    ------
    ValueError
        The network has no size, or no junctions on those faces.
    poresim.uptake.flow.NotConverged
        The flow could not be balanced.
    """
    return _through(solid, axis)


def formation_factor(solid: Network, axis: str = "z") -> float:
    """Resistivity of the block full of a conductor over that of the conductor; inf = none passes.

    The same network with currents: a cone resists by the integral of dx / (pi r^2), so a tube
    conducts as pi r^2 waist / length. Archie 1942. Raises as :func:`permeability` does.
    """
    conductance = math.pi * solid.radius**2 * solid.waist / solid.length
    # the same currents flow as a liquid of 1 Pa s does through straight tubes that conduct so
    alike = (8 * conductance * solid.length / math.pi) ** 0.25
    through = _through(
        Network(
            solid.points,
            solid.ends,
            alike,
            solid.length,
            span=solid.span if solid.wraps else None,
            faces=solid.faces,
            size=solid.size,
        ),
        axis,
    )
    return 1 / through if through > 0 else math.inf


def why_not(solid: Network, axis: str) -> str:
    """Why nothing can be said about flow along an axis; empty when it can."""
    if axis not in FACES:
        return f"axis must be one of {', '.join(FACES)}, got {axis!r}"
    if solid.size is None:
        return "the network has no size: permeability and formation factor cannot be computed"
    low, high = FACES[axis]
    for face in (low, high):
        if not len(solid.faces.get(face, ())):
            return f"along {axis}: no junctions on the {face} face"
    if np.intersect1d(solid.faces[low], solid.faces[high]).size:
        return f"along {axis}: the faces {low} and {high} share junctions"
    return ""


def _through(solid: Network, axis: str) -> float:
    """Rate x edge / (area x drop) for a liquid of 1 Pa s."""
    fault = why_not(solid, axis)
    if fault:
        raise ValueError(fault)
    assert solid.size is not None
    low, high = (np.asarray(solid.faces[face]) for face in FACES[axis])
    across = list(FACES).index(axis)
    edge, area = solid.size[across], float(np.prod(np.delete(solid.size, across)))
    if not _joined(solid, low, high):
        return 0.0
    pressure = {int(i): 1.0 for i in low} | {int(i): 0.0 for i in high}
    rate = flow(solid, _UNIT, pressure).into[low].sum()
    return float(rate * edge / area)


def _joined(solid: Network, low: NDArray[np.int64], high: NDArray[np.int64]) -> bool:
    n = solid.junctions
    links = sp.coo_matrix((np.ones(solid.tubes, np.int8), solid.ends.T), shape=(n, n))
    _, part = connected_components(links, directed=False)
    return bool(np.intersect1d(part[low], part[high]).size)
