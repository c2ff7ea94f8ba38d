"""How much water the walls have taken up from the wet pores beside them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import Floats, as_numbers, between, plain, within

_LARGE = 1e6


def wall_moisture(
    wetted_at: ArrayLike,
    times: ArrayLike,
    saturated: ArrayLike,
    tau: ArrayLike,
    start: ArrayLike = 0.0,
) -> Floats:
    """(..., k) kg water a kg dry solid, of k walls at the times (...).

    wetted_at : (k,) s, when the pore beside a wall got wet; NaN = never. It stays wet. times : any
    shape, s. saturated, tau, start : scalar or (k,); moisture that a wall comes to and that it has
    before it gets wet, kg/kg; time of exchange, s.

    dm/dt = (saturated - m) / tau while the pore is wet, so m = start + (saturated - start)
    (1 - exp(-(t - wetted_at) / tau)): a wall as one lump (linear driving force). With the tau of
    slab_time it lags behind the mean of a slab in which water diffuses: by most, 14 % of what a
    wall takes up, at 0.19 tau; later the lag dies away.
    """
    wet = (
        as_numbers("wetted_at", wetted_at) if np.size(wetted_at) else np.zeros(np.shape(wetted_at))
    )
    if wet.ndim != 1:
        raise ValueError(f"wetted_at must hold one time a wall, (k,), got shape {wet.shape}")
    if np.isinf(wet).any():
        raise ValueError(f"wetted_at must be finite, or NaN for never, got {wet[np.isinf(wet)][0]}")
    t = as_numbers("times", times)
    if not np.isfinite(t).all():
        raise ValueError(f"times must be finite, got {t[~np.isfinite(t)][0]:g}")
    most = _by_wall("saturated", within("saturated", saturated, 0, _LARGE), wet)
    first = _by_wall("start", within("start", start, 0, _LARGE), wet)
    pace = _by_wall("tau", between("tau", tau, 0), wet)
    since = np.fmax(t[..., None] - wet, 0.0)  # 0 where never
    with np.errstate(over="ignore"):
        share = -np.expm1(-since / pace)
    return np.asarray(first + (most - first) * share)


def _by_wall(name: str, value: Floats, wet: Floats) -> Floats:
    if value.shape not in ((), wet.shape):
        raise ValueError(
            f"{name} must be a single number or one a wall, {wet.shape}, got shape {value.shape}"
        )
    return value


def slab_time(thickness: ArrayLike, diffusivity: ArrayLike, faces: int = 2) -> Any:
    """Time of exchange of a wall, s: that of the slowest mode of diffusion in a slab.

    L^2 / (pi^2 D) when both faces are wet, 4 L^2 / (pi^2 D) when one is and the other is tight.
    thickness : L, m. diffusivity : D of water in the wall, m2/s, constant. faces : 1 or 2. Crank,
    The Mathematics of Diffusion, 1975, section 4.3 (from memory). Arguments broadcast.
    """
    if faces not in (1, 2):
        raise ValueError(f"faces must be 1 or 2, got {faces!r}")
    way = between("thickness", thickness, 0) * (2 / faces)
    return plain(np.asarray((way / math.pi) ** 2 / between("diffusivity", diffusivity, 0)))
