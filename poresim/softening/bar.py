"""A block as a bar that softens while it soaks: what is left of its snap force, and until when.

The bar lies along x, its section is y wide and z high, and water reaches its walls through the
tubes. A wall takes up moisture from when its tube is full (:mod:`poresim.softening.moisture`), and
weakens by it (:mod:`poresim.softening.strength`). The section is cut into even layers across z; a
layer is as strong as its walls in the mean, all along the bar and across it, and the layers carry
what :mod:`poresim.softening.bending` says. Local weak spots along the bar are left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from poresim.liquid.properties import Floats, within
from poresim.softening.asked import Bar, Walls
from poresim.softening.bending import moment_capacity, snap_force
from poresim.softening.moisture import wall_moisture
from poresim.softening.overhang import overhang_moment
from poresim.softening.strength import fermi
from poresim.solid.network import Network

_MOST_LAYERS = 64
_EDGE = 1e-9  # of a layer: what lies between two belongs to the upper one, roundings or not
_AT_ONCE = 1 << 22  # walls times times: 32 MB an array


@dataclass(frozen=True, eq=False)
class Softened:
    """A bar against time: k times, n layers from z = 0 upward.

    time_s (k,); snap_force_N (k,); capacity_Nm (k,) moment that the section carries; weight_Nm (k,)
    moment of its own weight over the overhang (NaN where none is asked for); fails_at_s: when it no
    longer carries that (between two times by root finding, the liquid read as straight in time),
    NaN = never or not asked for; strength_Pa (k, n).
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
    n = _layers(solid, bar.size[2]) if layers is None else layers
    layer = _layer(solid, bar.size[2], n)

    def strength_at(when: Floats) -> Floats:
        return walls.dry_strength * _left(wet, layer, when, walls, n)

    strength = strength_at(t)
    _, width, height = bar.size
    capacity = np.asarray(moment_capacity(strength, height, width))
    weight, fails = np.full(len(t), np.nan), math.nan
    if bar.overhang is not None:
        weight = _weight(bar, drunk)

        def spare(when: float) -> float:
            held = moment_capacity(strength_at(np.array([when]))[0], height, width)
            return float(held - _weight(bar, np.interp(when, t, drunk)))

        fails = _first_below(spare, t, capacity - weight)
    force = np.asarray(snap_force(strength, height, width, bar.span))
    return Softened(t, force, capacity, weight, fails, strength)


def times_of_waiting(wet_s: float, until_s: float, walls: Walls) -> Floats:
    """(k,) s, between the two: a wall that got wet at the first rises by even hundredths.

    For a soak that is at rest and has no times of its own, while walls go on taking up water.
    """
    since = -walls.exchange_s * np.log1p(-np.arange(1, 100) / 100)
    times = wet_s + since
    return np.asarray(times[(times > wet_s) & (times < until_s)])


def _first_below(spare: Callable[[float], float], times: Floats, at_times: Floats) -> float:
    """When ``spare``, known at the times, first falls below 0; NaN = never."""
    late = np.flatnonzero(at_times < 0)
    if not len(late):
        return math.nan
    if late[0] == 0:
        return float(times[0])
    return float(brentq(spare, times[late[0] - 1], times[late[0]], xtol=1e-12, rtol=1e-10))


def share_left(moisture: ArrayLike, walls: Walls) -> Floats:
    """(...) Share of the dry strength that is left at that moisture: 1 at none."""
    left = fermi(moisture, walls.midpoint, walls.width)
    return np.asarray(left / fermi(0.0, walls.midpoint, walls.width))


def _weight(bar: Bar, liquid_mass: ArrayLike) -> Floats:
    """(...) Moment of its own weight where it is held, N m, with so much liquid in it, kg."""
    assert bar.overhang is not None and bar.dry_mass is not None
    line = (bar.dry_mass + np.asarray(liquid_mass)) / bar.size[0]
    return np.asarray(overhang_moment(line, bar.overhang))


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
        left = share_left(wall_moisture(wet, part, walls.saturated, walls.exchange_s), walls)
        for k, row in enumerate(left):
            found[first + k] = np.bincount(layer, row, n)
    mean: Floats = (found / np.maximum(held, 1))[:, nearest]
    return mean
