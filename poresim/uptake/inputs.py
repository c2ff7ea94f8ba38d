"""What was asked of a soak, checked."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from poresim import machine
from poresim.drop.film import Film
from poresim.liquid.cup import Cup, Stirred
from poresim.solid.memory import TRAPPED_UP_TO
from poresim.solid.network import Network
from poresim.solid.swelling import Swelling

LEAST_ACCURACY, MOST_ACCURACY = 1e-8, 0.2


@dataclass(frozen=True, eq=False)
class Asked:
    """Arguments of a soak in their final form (SI units)."""

    inlet: NDArray[np.int64]
    inlet_pressure: NDArray[np.float64]
    until_s: float
    until_saturation: float
    accuracy: float
    gravity: NDArray[np.float64]
    seed: int
    snapshots: NDArray[np.float64]
    depth: NDArray[np.float64]
    cores: int  # 1 or 2
    face_m2: float | None
    cup: Cup | Stirred
    lifts: NDArray[np.float64]  # when it is lifted out and put back, in turn, s
    outside: NDArray[np.int64]
    drop_m3: float | None
    drops: NDArray[np.float64]  # when further drops are set down, s
    vents: NDArray[np.int64] | None  # where air is not free at once: where it gets out while dry
    swelling: Swelling | None
    film: Film | None  # that hangs on it when it is lifted out


def checked_inputs(
    solid: Network,
    inlet: ArrayLike,
    until_s: float | None,
    until_saturation: float | None,
    accuracy: float,
    gravity: ArrayLike,
    air: str,
    seed: int,
    snapshots: Iterable[float],
    depth_m: ArrayLike | None,
    cores: int | None = None,
    face_m2: float | None = None,
    cup: Cup | Stirred | None = None,
    inlet_pressure: ArrayLike = 0.0,
    lift_s: ArrayLike = (),
    outside: ArrayLike | None = None,
    drop_m3: float | None = None,
    vents: ArrayLike | None = None,
    swelling: Swelling | None = None,
    film: Film | None = None,
    drops_s: ArrayLike = (),
) -> Asked:
    """All arguments, or a ValueError that says which is wrong."""
    named = _junctions("inlet", inlet, solid)
    if named.size == 0:
        raise ValueError("inlet must list at least one junction")
    where = np.unique(named)
    pressed = _inlet_pressure(inlet_pressure, named, where)
    if until_s is None and until_saturation is None:
        raise ValueError("give until_s (s), until_saturation (0 to 1), or both: when to stop")
    if until_s is not None and not (math.isfinite(until_s) and until_s > 0):
        raise ValueError(f"until_s must be finite and above 0 s, got {until_s}")
    if until_saturation is not None and not 0 < until_saturation <= 1:
        raise ValueError(f"until_saturation must lie above 0 and up to 1, got {until_saturation}")
    if not LEAST_ACCURACY <= accuracy <= MOST_ACCURACY:
        raise ValueError(
            f"accuracy must lie in {LEAST_ACCURACY:g} to {MOST_ACCURACY:g}, got {accuracy}"
        )
    pull = np.array(gravity, dtype=np.float64)
    if pull.shape != (3,) or not np.all(np.isfinite(pull)):
        raise ValueError(f"gravity must be three finite numbers in m/s2, got {gravity!r}")
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise ValueError(f"seed must be a whole number from 0 up, got {seed!r}")
    if cores is not None and (
        isinstance(cores, bool) or not isinstance(cores, (int, np.integer)) or cores < 1
    ):
        raise ValueError(f"cores must be a whole number from 1 up, or None, got {cores!r}")
    if face_m2 is not None and not (math.isfinite(face_m2) and face_m2 > 0):
        raise ValueError(f"face_m2 must be finite and above 0 m2, got {face_m2!r}")
    if cup is not None and not isinstance(cup, Cup | Stirred):
        raise ValueError(f"cup must be a Cup or Stirred, got {cup!r}")
    if swelling is not None and not isinstance(swelling, Swelling):
        raise ValueError(f"swelling must be a Swelling, got {swelling!r}")
    if film is not None and not isinstance(film, Film):
        raise ValueError(f"film must be a Film, got {film!r}")
    if film is not None and np.size(lift_s) == 0:
        raise ValueError("film is for a solid that is lifted out: give lift_s")
    times = np.array(sorted(snapshots), dtype=np.float64)
    if not np.all(np.isfinite(times)) or np.any(times < 0):
        raise ValueError("snapshots must be finite times from 0 s up")
    return Asked(
        inlet=where,
        inlet_pressure=pressed,
        until_s=math.inf if until_s is None else float(until_s),
        until_saturation=1.0 if until_saturation is None else float(until_saturation),
        accuracy=float(accuracy),
        gravity=pull,
        seed=int(seed),
        snapshots=np.unique(times),
        depth=_depth(solid, where, depth_m),
        cores=min(int(cores or machine.cores()), 2),
        face_m2=None if face_m2 is None else float(face_m2),
        cup=Stirred() if cup is None else cup,
        lifts=_turns("lift_s", lift_s),
        drop_m3=_drop(drop_m3, cup, inlet_pressure, lift_s),
        drops=_further(drops_s, drop_m3, solid),
        vents=_vents(air, vents, solid, where),
        swelling=swelling,
        film=film,
        outside=where if outside is None else np.unique(_junctions("outside", outside, solid)),
    )


def _drop(
    volume: float | None, cup: Cup | Stirred | None, pressure: ArrayLike, lifts: ArrayLike
) -> float | None:
    if volume is None:
        return None
    if not (math.isfinite(volume) and volume > 0):
        raise ValueError(f"drop_m3 must be finite and above 0 m3, got {volume!r}")
    for name, given in (("cup", cup is not None), ("lift_s", np.size(lifts) > 0)):
        if given:
            raise ValueError(f"drop_m3 and {name} exclude one another: a drop is all there is")
    if np.any(np.asarray(pressure) != 0):
        raise ValueError("drop_m3 and inlet_pressure exclude one another: the drop presses itself")
    return float(volume)


def _further(drops_s: ArrayLike, volume: float | None, solid: Network) -> NDArray[np.float64]:
    times = _turns("drops_s", drops_s)
    if len(times) and volume is None:
        raise ValueError("drops_s says when further drops come: give drop_m3, m3 of each")
    if len(times) and np.any(solid.body_volume > 0):
        raise ValueError("drops_s is for solids whose junctions have no bodies")
    return times


def _vents(
    air: str, vents: ArrayLike | None, solid: Network, inlet: NDArray[np.int64]
) -> NDArray[np.int64] | None:
    if air not in ("free", "trapped"):
        raise ValueError(f'air must be "free" or "trapped", got {air!r}')
    if air == "free":
        if vents is not None:
            raise ValueError('vents are for air = "trapped": free air leaves everywhere')
        return None
    if np.any(solid.body_radius > 0):
        raise ValueError('air = "trapped" is for solids whose junctions have no bodies')
    if solid.junctions > TRAPPED_UP_TO:
        raise ValueError(
            f'air = "trapped" is for networks of up to {TRAPPED_UP_TO} junctions in this version, '
            f"and this one has {solid.junctions}"
        )
    if vents is None:
        return np.setdiff1d(np.arange(solid.junctions), inlet)
    return np.unique(_junctions("vents", vents, solid))


def _turns(name: str, given: ArrayLike) -> NDArray[np.float64]:
    raw = np.atleast_1d(np.asarray(given))
    if raw.ndim != 1 or raw.dtype.kind not in "iuf":
        raise ValueError(f"{name} must be a row of times in s, got {given!r}")
    times = raw.astype(np.float64)
    if not np.all(np.isfinite(times)) or np.any(times <= 0) or np.any(np.diff(times) <= 0):
        raise ValueError(
            f"{name} must hold finite times above 0 s, each later than the last, got {given!r}"
        )
    return times


def _junctions(name: str, given: ArrayLike, solid: Network) -> NDArray[np.int64]:
    raw = np.atleast_1d(np.asarray(given))
    if raw.size == 0:
        return np.zeros(0, np.int64)
    if raw.ndim != 1:
        raise ValueError(f"{name} must be a row of junction indices, got {raw.shape}")
    if raw.dtype.kind not in "iu":
        raise ValueError(f"{name} must hold whole numbers (junction indices), got {raw.dtype}")
    bad = (raw < 0) | (raw >= solid.junctions)
    if bad.any():
        raise ValueError(
            f"{name} names junction {int(raw[bad][0])}, but there are {solid.junctions} "
            f"(0 to {solid.junctions - 1})"
        )
    return raw.astype(np.int64)


def _inlet_pressure(
    pressure: ArrayLike, named: NDArray[np.int64], where: NDArray[np.int64]
) -> NDArray[np.float64]:
    """(k,) of the inlets ``where``, in their order; ``named`` is the order they were given in."""
    raw = np.asarray(pressure)
    if raw.dtype.kind not in "iuf":
        raise ValueError(f"inlet_pressure must hold numbers in Pa, got {raw.dtype}")
    if raw.ndim > 1 or (raw.ndim == 1 and raw.shape != named.shape):
        raise ValueError(
            f"inlet_pressure must be one number, or one an inlet {named.shape}, got {raw.shape}"
        )
    each = np.broadcast_to(raw.astype(np.float64), named.shape)
    if not np.all(np.isfinite(each)):
        raise ValueError("inlet_pressure must be finite, in Pa")
    found = np.empty(len(where))
    place = np.searchsorted(where, named)
    found[place] = each
    twice = found[place] != each
    if twice.any():
        raise ValueError(f"inlet {int(named[twice][0])} has two pressures in inlet_pressure")
    return found


def _depth(
    solid: Network, inlet: NDArray[np.int64], depth_m: ArrayLike | None
) -> NDArray[np.float64]:
    if depth_m is None:
        distance, _ = cKDTree(solid.points[inlet]).query(solid.points)
        return np.asarray(distance, dtype=np.float64)
    depth = np.array(depth_m, dtype=np.float64)
    if depth.shape != (solid.junctions,) or not np.all(np.isfinite(depth)):
        raise ValueError(
            f"depth_m must hold one finite depth a junction: ({solid.junctions},), "
            f"got {depth.shape}"
        )
    return depth
