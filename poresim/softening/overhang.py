"""Whether a soaked bar that juts out carries its own weight, and when it no longer does."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import Floats, as_numbers, between, plain, within
from poresim.liquid.suspension import GRAVITY

_LARGE = 1e12


def overhang_moment(mass_per_length: ArrayLike, overhang: ArrayLike) -> Any:
    """Moment of its own weight where a bar is held, N m: m g L / 2 with m = mass_per_length * L.

    mass_per_length : kg/m, at least 0, of the solid and all liquid in it, even along the overhang.
    overhang : L, m, how far the level bar juts out. A cantilever under an even load: any text on
    beams. Arguments broadcast; single numbers give a float.
    """
    line = within("mass_per_length", mass_per_length, 0, _LARGE)
    length = between("overhang", overhang, 0)
    return plain(line * GRAVITY * length**2 / 2)


def holds(capacity: ArrayLike, moment: ArrayLike) -> Any:
    """True where the capacity is at least the moment, both N m (``bending.moment_capacity``).

    Arguments broadcast; single numbers give a bool.
    """
    found = within("capacity", capacity, 0, _LARGE) >= within("moment", moment, 0, _LARGE)
    return bool(found) if np.ndim(found) == 0 else found


def failure_time(time: ArrayLike, capacity: ArrayLike, moment: ArrayLike) -> Any:
    """(...) First time at which the capacity falls below the moment, s; NaN when it never does.

    time : (k,) s, not falling. capacity, moment : N m, (..., k), or scalars that stay. Between two
    times both are read as straight in time. The first time when it fails from the start.
    """
    t = _times(time)
    able, load = _along("capacity", capacity, t), _along("moment", moment, t)
    margin = np.asarray(able - load + np.zeros_like(t))
    fails = margin < 0
    after = np.argmax(fails, axis=-1)[..., None]
    before = np.maximum(after - 1, 0)
    high = np.take_along_axis(margin, before, axis=-1)
    low = np.take_along_axis(margin, after, axis=-1)
    share = np.divide(high, high - low, out=np.zeros_like(high), where=(after > 0) & (high > low))
    when = t[before] + share * (t[after] - t[before])
    return plain(np.asarray(np.where(fails.any(axis=-1), when[..., 0], np.nan)))


def _times(time: ArrayLike) -> Floats:
    t = np.asarray(time, dtype=np.float64)
    if t.ndim != 1 or not len(t):
        raise ValueError(f"time must be a row of at least one time, (k,), got shape {t.shape}")
    if not np.isfinite(t).all():
        raise ValueError(f"time must be finite, got {t[~np.isfinite(t)][0]:g}")
    falls = np.flatnonzero(np.diff(t) < 0)
    if len(falls):
        i = falls[0]
        raise ValueError(f"time must not fall, got {t[i + 1]:g} after {t[i]:g}")
    return t


def _along(name: str, value: ArrayLike, time: Floats) -> Floats:
    numbers = as_numbers(name, value)
    if numbers.ndim and numbers.shape[-1] != len(time):
        raise ValueError(
            f"{name} must hold one value a time, (..., {len(time)}), got shape {numbers.shape}"
        )
    return within(name, numbers, 0, _LARGE)
