"""The state of a soak, as compiled kernels see it: one record a tube, one a junction.

A record holds what is read together, so that a visit to a tube costs two or three cache lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.tube.filled import STRAIGHT
from poresim.tube.law import flow_law
from poresim.tube.waisted import with_waist
from poresim.tube.wetting import WETTING

NOTHING, FILLS, BLOCKS_0, BLOCKS_1 = 0, 1, 2, 3  # what happens to a tube next

_KINK = 1e-13  # of a pressure: how closely it is looked for
_COARSE = 5e-3  # accuracies from here on up do with fewer points

TUBE = np.dtype(
    [
        ("a", np.int32),  # junction at end 0
        ("b", np.int32),  # junction at end 1
        ("radius", np.float64),
        ("length", np.float64),
        ("waist", np.float64),
        ("tilt", np.float64),  # head gained per length from end 0 to end 1, Pa/m
        ("leak", np.float64),  # share of its flow that grains leave it
        ("conduct", np.float64),  # full and Newtonian: flow over drop, leak included
        ("x0", np.float64),  # meniscus from end 0 and from end 1, m
        ("x1", np.float64),
        ("place0", np.float64),  # where a waisted tube's drives are taken, m
        ("place1", np.float64),
        ("speed0", np.float64),  # of the menisci, lately, m/s
        ("speed1", np.float64),
        ("tangent_drop", np.float64),  # full, not Newtonian: where its flow was last worked out, Pa
        ("tangent_rate", np.float64),
        ("tangent_slope", np.float64),
        ("start", np.float64),  # time of x0, x1
        ("v0", np.float64),  # volume that leaves junction a, b into it until the step's end
        ("v1", np.float64),
        ("s0", np.float64),  # their slopes, d volume / d pressure
        ("s1", np.float64),
        ("next", np.float64),  # when something happens to it
        ("grain0", np.float64),  # volume still to pass the throat until a grain closes it
        ("grain1", np.float64),
        ("event", np.int8),
        ("full", np.int8),
        ("blocked", np.int8),
        ("tangent", np.int8),  # whether it was
    ],
    align=True,
)

JUNCTION = np.dtype(
    [
        ("pressure", np.float64),
        ("owed", np.float64),  # volume in less volume out until the step's end: the residual
        ("low", np.float64),  # bounds on the pressure (maximum principle)
        ("high", np.float64),
        ("wetted", np.float64),  # when liquid came
        ("wet", np.int8),
        ("inlet", np.int8),
        ("queued", np.int8),
        ("place", np.int32),  # in the set being solved, or -1
    ],
    align=True,
)


@dataclass(frozen=True, eq=False)
class State:
    """Everything a step works on. ``ring`` lists each junction's tubes from ``first`` on."""

    law: Any
    wetting: Any
    tubes: NDArray[Any]
    junctions: NDArray[Any]
    first: NDArray[np.int32]
    ring: NDArray[np.int32]
    filled_at: NDArray[np.float64]
    blocked_at: NDArray[np.float64]
    floor_drop: float
    volume: float
    exact: bool  # straight, level, Newtonian, no hysteresis: only pressures' integrals matter


def build_state(
    solid: Network,
    liquid: Liquid,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
    accuracy: float,
    seed: int,
) -> State:
    """A dry network whose inlet has just been touched by the liquid."""
    law = flow_law(liquid.viscosity)
    with_waist(law, solid.waist)
    law.coarse = int(law.kind > 0 and accuracy >= _COARSE)
    wetting = _wetting(liquid, accuracy)
    tubes = _tubes(solid, liquid, law, gravity, seed)
    junctions = np.zeros(solid.junctions, JUNCTION)
    junctions["wetted"] = np.nan
    junctions["place"] = -1
    junctions["inlet"][inlet] = 1
    junctions["wet"][inlet] = 1
    junctions["wetted"][inlet] = 0.0
    _bound(junctions, solid, liquid, inlet, gravity)
    ends = solid.ends.ravel()
    order = np.argsort(ends, kind="stable")
    first = np.zeros(solid.junctions + 1, np.int32)
    np.cumsum(np.bincount(ends, minlength=solid.junctions), out=first[1:])
    plain = law.kind == 0 and bool(np.all(tubes["waist"] == 1) and not np.any(tubes["tilt"]))
    wetting["plain"] = int(plain)
    wetting["linear"] = int(law.kind == 0 and liquid.particles is None)
    strongest = 2 * liquid.surface_tension / float(solid.throat_radius.max())
    return State(
        law=law,
        wetting=wetting,
        tubes=tubes,
        junctions=junctions,
        first=first,
        ring=(order // 2).astype(np.int32),
        filled_at=np.full(solid.tubes, np.nan),
        blocked_at=np.full(solid.tubes, np.nan),
        floor_drop=1e-4 * strongest,
        volume=float(solid.tube_volume.sum()),
        exact=plain and not wetting["pinned"],
    )


def _wetting(liquid: Liquid, accuracy: float) -> Any:
    wetting = np.zeros(1, WETTING)[0]
    pull = 2 * liquid.surface_tension
    ahead, behind = np.radians([liquid.contact_angle_deg, liquid.receding_deg])
    wetting["advance_cos"], wetting["advance_sin"] = pull * np.cos(ahead), pull * np.sin(ahead)
    wetting["recede_cos"], wetting["recede_sin"] = pull * np.cos(behind), pull * np.sin(behind)
    wetting["pinned"] = int(ahead != behind)
    wetting["head_share"] = 1e-3 * accuracy
    wetting["kink"] = _KINK
    return wetting


def _tubes(
    solid: Network, liquid: Liquid, law: Any, gravity: NDArray[np.float64], seed: int
) -> NDArray[Any]:
    tubes = np.zeros(solid.tubes, TUBE)
    tubes["a"], tubes["b"] = solid.ends.T
    tubes["radius"], tubes["length"] = solid.radius, solid.length
    tubes["waist"] = np.where(solid.waist > STRAIGHT, 1.0, solid.waist)
    tubes["tilt"] = liquid.density * (solid.span @ gravity) / solid.length
    tubes["leak"] = 1.0
    tubes["next"] = np.inf
    if law.kind == 0:
        w = tubes["waist"]
        narrowing = (1 + w + w * w) / (3 * w**3)
        tubes["conduct"] = (
            np.pi * solid.radius**4 / (8 * law.consistency * solid.length * narrowing)
        )
    tubes["grain0"] = tubes["grain1"] = np.inf
    if liquid.particles is not None:
        density = liquid.particles.number_density(2 * solid.throat_radius)
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,)))
        draws = rng.exponential(size=(solid.tubes, 2))
        with np.errstate(divide="ignore"):
            volumes = draws / density[:, None]
        tubes["grain0"], tubes["grain1"] = volumes.T
    return tubes


def _bound(
    junctions: NDArray[Any],
    solid: Network,
    liquid: Liquid,
    inlet: NDArray[np.int64],
    gravity: NDArray[np.float64],
) -> None:
    """Lowest and highest pressure that reservoirs and menisci allow at each junction.

    Pressure less head obeys a maximum principle: it lies between the lowest -p_c and the
    highest reservoir (or -p_c, where the liquid does not wet).
    """
    head = liquid.density * (solid.points @ gravity)
    beta = np.arctan(solid.radius * (1 - solid.waist) / (0.5 * solid.length))
    angles = np.radians([liquid.contact_angle_deg, liquid.receding_deg])
    pull = 2 * liquid.surface_tension / solid.throat_radius
    most = (pull * np.cos(np.maximum(angles.min() - beta, 0.0))).max()
    least = (pull * np.cos(np.minimum(angles.max() + beta, np.pi))).min()
    low = -max(most, 0.0) - head.max()
    high = max(float((-head[inlet]).max()), -min(least, 0.0) - head.min() if least < 0 else -np.inf)
    junctions["low"] = low + head
    junctions["high"] = high + head
