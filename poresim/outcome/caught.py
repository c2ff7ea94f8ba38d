"""Where and when grains were caught: by depth below the wetted face, and by time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Profile(NamedTuple):
    """By depth, in even layers.

    edges : (b + 1,) m. caught : (b,) m3 of grains in the tubes of each. closed : (b,) share of the
    throats there that the liquid has come to which grains have closed; NaN where it came to none.
    """

    edges: Floats
    caught: Floats
    closed: Floats


def caught_by_depth(
    tube_depth: ArrayLike,
    captured_m3: ArrayLike,
    blocked_at: ArrayLike,
    reached: ArrayLike,
    layers: int,
) -> Profile:
    """Profile over so many layers from the face to the deepest tube.

    tube_depth (m,) m, of each tube's middle; captured_m3 (m, c); blocked_at (m,) s, NaN = never;
    reached (m,) bool: the liquid has come to one of its ends.
    """
    depth = np.asarray(tube_depth, dtype=np.float64)
    edges = np.linspace(0.0, max(float(depth.max(initial=0.0)), 1e-12) * (1 + 1e-9), layers + 1)
    volume = np.asarray(captured_m3, dtype=np.float64).sum(axis=1)
    caught, _ = np.histogram(depth, edges, weights=volume)
    came = np.asarray(reached, dtype=bool)
    all_there, _ = np.histogram(depth[came], edges)
    shut, _ = np.histogram(depth[came & np.isfinite(blocked_at)], edges)
    with np.errstate(invalid="ignore"):
        return Profile(edges, caught, np.where(all_there > 0, shut / all_there, np.nan))


def closed_by_time(
    blocked_at: ArrayLike, wetted_at: ArrayLike, ends: ArrayLike, when: ArrayLike
) -> Floats:
    """(k,) share of the throats that the liquid has come to by then which grains have closed.

    blocked_at (m,) and wetted_at (n,) s, NaN = never; ends (m, 2). 0 where it has come to none.
    """
    wetted = np.asarray(wetted_at, dtype=np.float64)[np.asarray(ends)]
    first = np.sort(np.fmin(wetted[:, 0], wetted[:, 1]))
    shut = np.sort(np.asarray(blocked_at, dtype=np.float64))
    times = np.asarray(when, dtype=np.float64)
    came = np.searchsorted(first[np.isfinite(first)], times, side="right")
    closed = np.searchsorted(shut[np.isfinite(shut)], times, side="right")
    return np.asarray(closed / np.maximum(came, 1), dtype=np.float64)
