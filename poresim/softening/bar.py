"""A block as a bar that softens while it soaks: what is left of its snap force, and until when.

The bar lies along x, its section is y wide and z high, and water reaches its walls through the
tubes. A wall takes up moisture from when its tube is full (:mod:`poresim.softening.moisture`), and
weakens by it (:mod:`poresim.softening.strength`). The section is cut into even layers across z; a
layer is as strong as its walls in the mean, all along the bar and across it, and the layers carry
what :mod:`poresim.softening.bending` says. Local weak spots along the bar are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.liquid.properties import Floats, between, within
from poresim.softening.bending import moment_capacity, snap_force
from poresim.softening.moisture import wall_moisture
from poresim.softening.overhang import failure_time, overhang_moment
from poresim.softening.strength import fermi
from poresim.solid.network import Network

_MOST_LAYERS = 64
_EDGE = 1e-9  # of a layer: what lies between two belongs to the upper one, roundings or not
_AT_ONCE = 1 << 22  # walls times times: 32 MB an array


@dataclass(frozen=True)
class Walls:
    """How walls take up water and weaken. Single numbers.

    exchange_s : time of exchange, above 0 (``moisture.slab_time`` of their thickness).
    dry_strength : Pa, of the dry solid in bending. midpoint, width : of the Fermi law, kg water a
    kg dry solid. saturated : where a wall comes to beside a full tube, kg/kg.
    """

    exchange_s: float
    dry_strength: float
    midpoint: float
    width: float
    saturated: float

    def __post_init__(self) -> None:
        for name in ("exchange_s", "dry_strength", "width"):
            between(name, getattr(self, name), 0)
        for name in ("midpoint", "saturated"):
            within(name, getattr(self, name), 0, 1e6)

    def left(self, moisture: ArrayLike) -> Floats:
        """(...) Share of the dry strength that is left at that moisture: 1 at none."""
        return np.asarray(
            fermi(moisture, self.midpoint, self.width) / fermi(0.0, self.midpoint, self.width)
        )


@dataclass(frozen=True)
class Bar:
    """size : (x, y, z), m. span : m, between two supports, the force midway.

    overhang : m, how far it is to jut out and carry itself, of a dry_mass, kg; None: it is not
    asked to.
    """

    size: tuple[float, float, float]
    span: float
    dry_mass: float | None = None
    overhang: float | None = None

    def __post_init__(self) -> None:
        if len(self.size) != 3:
            raise ValueError(f"size must be three lengths in m, got {len(self.size)}")
        for name in ("size", "span", "dry_mass", "overhang"):
            if getattr(self, name) is not None:
                between(name, getattr(self, name), 0)
        if self.overhang is not None and self.dry_mass is None:
            raise ValueError("dry_mass must be given with an overhang: it is to carry itself")


@dataclass(frozen=True, eq=False)
class Softened:
    """A bar against time: k times, n layers from z = 0 upward.

    time_s (k,); snap_force_N (k,); capacity_Nm (k,) moment that the section carries; weight_Nm (k,)
    moment of its own weight over the overhang (NaN where none is asked for); fails_at_s: when it no
    longer carries that, NaN = never or not asked for; strength_Pa (k, n).
    """

    time_s: Floats
    snap_force_N: Floats
    capacity_Nm: Floats
    weight_Nm: Floats
    fails_at_s: float
    strength_Pa: Floats


def soften(
    solid: Network,
    filled_at: ArrayLike,
    times: ArrayLike,
    liquid_mass: ArrayLike,
    walls: Walls,
    bar: Bar,
    layers: int | None = None,
) -> Softened:
    """A bar whose tubes fill as a soak says.

    filled_at : (m,) s, when each tube got full; NaN = never. times : (k,) s, not falling.
    liquid_mass : (k,) kg in it at those times. layers : across z; by default as many as tubes are
    long on the mean, up to 64. Lengths in m, points from the corner of ``bar.size``.

    ValueError says which argument is wrong, what was found, and what is expected.
    """
    wet = np.asarray(filled_at, dtype=np.float64)
    if wet.shape != (solid.tubes,):
        raise ValueError(f"filled_at must hold one time a tube, ({solid.tubes},), got {wet.shape}")
    t = np.asarray(times, dtype=np.float64)
    drunk = within("liquid_mass", liquid_mass, 0, 1e12)
    if t.ndim != 1 or drunk.shape != t.shape:
        raise ValueError(
            f"times and liquid_mass must be rows of one length, got {t.shape} and {drunk.shape}"
        )
    length, width, height = bar.size
    n = _layers(solid, height) if layers is None else layers
    strength = walls.dry_strength * _left(wet, _layer(solid, height, n), t, walls, n)
    capacity = np.asarray(moment_capacity(strength, height, width))
    weight, fails = np.full(len(t), np.nan), math.nan
    if bar.overhang is not None and bar.dry_mass is not None:
        weight = np.asarray(overhang_moment((bar.dry_mass + drunk) / length, bar.overhang))
        fails = float(failure_time(t, capacity, weight))
    force = np.asarray(snap_force(strength, height, width, bar.span))
    return Softened(t, force, capacity, weight, fails, strength)


def _layers(solid: Network, height: float) -> int:
    return int(min(max(round(height / float(solid.length.mean())), 1), _MOST_LAYERS))


def _layer(solid: Network, height: float, n: int) -> NDArray[np.int64]:
    """(m,) of each tube's middle."""
    middle = solid.points[solid.ends, 2].mean(axis=1)
    place = middle * (n / height) + _EDGE
    return np.clip(place.astype(np.int64), 0, n - 1)


def _left(wet: Floats, layer: NDArray[np.int64], times: Floats, walls: Walls, n: int) -> Floats:
    """(k, n) share of the dry strength of each layer; one without tubes is as the nearest with."""
    held = np.bincount(layer, minlength=n)
    some = np.flatnonzero(held)
    nearest = some[np.abs(np.arange(n)[:, None] - some).argmin(axis=1)]
    found = np.empty((len(times), n))
    few = max(_AT_ONCE // max(len(wet), 1), 1)
    for first in range(0, len(times), few):
        part = times[first : first + few]
        left = walls.left(wall_moisture(wet, part, walls.saturated, walls.exchange_s))
        for k, row in enumerate(left):
            found[first + k] = np.bincount(layer, row, n)
    mean: Floats = (found / np.maximum(held, 1))[:, nearest]
    return mean
