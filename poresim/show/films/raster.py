"""Tubes as pixels, compiled: which tube each fine pixel belongs to, and how far along it lies.

That is found once; a frame then only asks of every fine pixel whether the liquid has come so far,
and of a pixel that lies within one tube but once.
A pixel where tubes meet belongs to the one whose axis is nearest, in units of its own width there;
beyond their ends tubes are round, as far as another one at the junction is wide, so that bends have
no notches.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.tube.jit import inner, kernel

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

#: Fine pixels a pixel, each way: in panels of at most so many pixels, where tubes are thin, and in
#: larger ones.
_SMALL = 200_000
_FINE, _FINER = 2, 4
#: Of a tube's length: what may be missing in a full one.
FULL = 1e-6
_MIXED = -2
#: Rows of a panel's colours.
GROUND, DRY, WET, HALO, BAR = range(5)


class TubeMap(NamedTuple):
    """Of a panel. owner : (height * fine, width * fine) row of the tube, -1 none. along : the same,
    share of its length from its start.

    Of a pixel, (height, width): whole, its owner, or _MIXED where there are several; least and most
    that it lies along it.
    """

    owner: NDArray[np.int32]
    along: NDArray[np.float32]
    whole: NDArray[np.int32]
    least: NDArray[np.float32]
    most: NDArray[np.float32]


class BarMap(NamedTuple):
    """Bars across tubes. owner : (height * fine, width * fine) row of the bar, -1 none. ink : the
    same, whether it is the bar itself; else its halo. touched : (height, width) whether there is
    any."""

    owner: NDArray[np.int32]
    ink: NDArray[np.bool_]
    touched: NDArray[np.bool_]


def tube_map(
    start: Floats, end: Floats, half: Floats, waist: Floats, height: int, width: int
) -> TubeMap:
    """start, end : (t, 2) in pixels from the panel's upper left, across and down. half : (t,) half
    width at the ends, pixels; waist : (t,) share of it in the middle."""
    fine = fine_of(height, width)
    shape = height * fine, width * fine
    owner, along = np.full(shape, -1, np.int32), np.zeros(shape, np.float32)
    nearest = np.full(shape, np.inf, np.float32)
    tubes = [np.ascontiguousarray(fine * one) for one in (start, end, half)]
    box = boxes(tubes[0], tubes[1], tubes[2] + 1.0, shape)
    _own(*tubes, waist, fine * _caps(start, end, half), box, owner, along, nearest)
    places, shares = (one.reshape(height, fine, width, fine) for one in (owner, along))
    first, last = places.min(axis=(1, 3)), places.max(axis=(1, 3))
    whole = np.where(first == last, first, np.int32(_MIXED))
    return TubeMap(owner, along, whole, shares.min(axis=(1, 3)), shares.max(axis=(1, 3)))


def boxes(start: Floats, end: Floats, reach: Floats, shape: tuple[int, int]) -> NDArray[np.int64]:
    """(t, 4) first row, one past the last, and the same of columns, of what lies within ``reach``
    (t,) of lines between places whose first two numbers say how far across and down they are."""
    low = np.minimum(start, end)[:, :2] - reach[:, None]
    high = np.maximum(start, end)[:, :2] + reach[:, None]
    first = np.maximum(low, 0).astype(np.int64)
    last = np.minimum(np.maximum(high, -1).astype(np.int64) + 1, shape[::-1])
    return np.ascontiguousarray(np.stack([first, last], axis=2)[:, ::-1].reshape(-1, 4))


def fine_of(height: int, width: int) -> int:
    """How many fine pixels there are in a pixel, each way."""
    return _FINER if height * width <= _SMALL else _FINE


def _caps(start: Floats, end: Floats, half: Floats) -> Floats:
    """(t, 2) half width, at most a tube's own, of the widest other tube at either end."""
    places = np.rint(1e3 * np.concatenate([start, end])).astype(np.int64)
    _, junction = np.unique(places, axis=0, return_inverse=True)
    junction, wide = junction.ravel(), np.concatenate([half, half])
    order = np.lexsort((-wide, junction))
    second = np.zeros(junction.max() + 1 if len(junction) else 0)
    _, first = np.unique(junction[order], return_index=True)
    after = np.minimum(first + 1, len(order) - 1)
    several = junction[order[after]] == junction[order[first]]
    several &= after > first
    second[several] = wide[order[after[several]]]
    return np.ascontiguousarray(np.minimum(wide, second[junction]).reshape(2, -1).T)


def bar_map(bars: Floats, thick: float, halo: float, height: int, width: int) -> BarMap:
    """bars : (t, 2, 2) their ends, pixels. thick, halo : how thick they are, pixels."""
    fine = fine_of(height, width)
    shape = height * fine, width * fine
    owner, ink = np.full(shape, -1, np.int32), np.zeros(shape, np.bool_)
    bars = np.ascontiguousarray(fine * bars)
    box = boxes(bars[:, 0], bars[:, 1], np.full(len(bars), fine * halo / 2 + 1.0), shape)
    _bars(bars, fine * thick, fine * halo, box, owner, ink)
    touched = owner.reshape(height, fine, width, fine).max(axis=(1, 3)) >= 0
    return BarMap(owner, ink, touched)


def paint(
    seen: TubeMap,
    fill: NDArray[np.float32],
    bars: BarMap,
    closed: NDArray[np.bool_],
    colours: Bytes,
    picture: Bytes,
) -> None:
    """Into ``picture`` (height, width, 4). fill : (t, 2) wet shares from either end; closed (t,).
    colours : (5, 4) of ground, dry, wet, halo and bar, RGBA."""
    _paint(seen, fill, bars, closed, colours.astype(np.int64), picture)


@kernel
def _own(
    start: Floats, end: Floats, half: Floats, waist: Floats, cap: Floats, box: NDArray[np.int64],
    owner: NDArray[np.int32], along: NDArray[np.float32], nearest: NDArray[np.float32],
) -> None:  # fmt: skip  # pragma: no cover
    for t in range(len(start)):
        ax, ay = start[t, 0], start[t, 1]
        dx, dy = end[t, 0] - ax, end[t, 1] - ay
        square = max(dx * dx + dy * dy, 1e-12)
        for i in range(box[t, 0], box[t, 1]):
            for j in range(box[t, 2], box[t, 3]):
                px, py = j + 0.5 - ax, i + 0.5 - ay
                place = (px * dx + py * dy) / square
                share = min(max(place, 0.0), 1.0)
                off = math.hypot(px - share * dx, py - share * dy)
                wide = half[t] * (waist[t] + (1.0 - waist[t]) * abs(2.0 * share - 1.0))
                apart = off / max(wide, 0.5)
                if place != share:  # beyond an end: tubes proper come first
                    wide = min(wide, cap[t, 0 if place < 0.0 else 1])
                    apart += 1.0
                if off <= max(wide, 0.5) and apart < nearest[i, j]:
                    nearest[i, j] = apart
                    owner[i, j] = t
                    along[i, j] = share


@kernel
def _bars(
    bars: Floats, thick: float, halo: float, box: NDArray[np.int64], owner: NDArray[np.int32],
    ink: NDArray[np.bool_],
) -> None:  # fmt: skip  # pragma: no cover
    for t in range(len(bars)):
        ax, ay = bars[t, 0, 0], bars[t, 0, 1]
        dx, dy = bars[t, 1, 0] - ax, bars[t, 1, 1] - ay
        square = max(dx * dx + dy * dy, 1e-12)
        for i in range(box[t, 0], box[t, 1]):
            for j in range(box[t, 2], box[t, 3]):
                px, py = j + 0.5 - ax, i + 0.5 - ay
                share = (px * dx + py * dy) / square
                if share < 0.0 or share > 1.0:
                    continue
                off = math.hypot(px - share * dx, py - share * dy)
                if off <= halo / 2 and not (owner[i, j] >= 0 and ink[i, j]):
                    owner[i, j] = t
                    ink[i, j] = off <= thick / 2


@inner
def _kind(
    fill: NDArray[np.float32], tube: int, least: float, most: float
) -> int:  # pragma: no cover
    """What a tube shows from one place along it to another; _MIXED: not the same all over."""
    if tube < 0:
        return GROUND
    first, rest = fill[tube, 0], 1.0 - fill[tube, 1]
    if most < first or least > rest or first >= rest - FULL:
        return WET
    return DRY if least >= first and most <= rest else _MIXED


@kernel
def _paint(
    seen: TubeMap, fill: NDArray[np.float32], bars: BarMap, closed: NDArray[np.bool_],
    colours: NDArray[np.int64], picture: Bytes,
) -> None:  # fmt: skip  # pragma: no cover
    owner, along, whole, least, most = seen
    bar, ink, touched = bars
    height, width, _ = picture.shape
    fine = owner.shape[0] // height
    each = fine * fine
    for i in range(height):
        for j in range(width):
            kind = _MIXED
            if not touched[i, j] and whole[i, j] != _MIXED:
                kind = _kind(fill, whole[i, j], least[i, j], most[i, j])
            if kind != _MIXED:
                for k in range(4):
                    picture[i, j, k] = colours[kind, k]
                continue
            red = green = blue = alpha = 0
            for p in range(i * fine, (i + 1) * fine):
                for q in range(j * fine, (j + 1) * fine):
                    b = bar[p, q]
                    if b >= 0 and closed[b]:
                        kind = BAR if ink[p, q] else HALO
                    else:
                        kind = _kind(fill, owner[p, q], along[p, q], along[p, q])
                    opaque = colours[kind, 3]
                    red += colours[kind, 0] * opaque
                    green += colours[kind, 1] * opaque
                    blue += colours[kind, 2] * opaque
                    alpha += opaque
            if alpha > 0:
                picture[i, j, 0] = (red + alpha // 2) // alpha
                picture[i, j, 1] = (green + alpha // 2) // alpha
                picture[i, j, 2] = (blue + alpha // 2) // alpha
            else:
                picture[i, j, 0] = picture[i, j, 1] = picture[i, j, 2] = 0
            picture[i, j, 3] = (alpha + each // 2) // each
