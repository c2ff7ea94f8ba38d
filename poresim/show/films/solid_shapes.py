"""Tubes as shaded rods in three dimensions, compiled: parallel projection, nearest in front.

Every rod is narrow at its waist. The shade says which way its surface looks, and how far behind it
lies: far ones fade into the ground.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.raster import FULL, boxes
from poresim.tube.jit import kernel

Floats = NDArray[np.float64]

FINE = 2
_FADED = 0.72  # of its colour that the farthest rod loses to the ground


def turned(points: Floats, turn_deg: float, lift_deg: float) -> Floats:
    """(n, 3) across, up and towards the viewer, of points (n, 3) turned about z and tipped."""
    a, b = math.radians(turn_deg), math.radians(lift_deg)
    x, y = (
        math.cos(a) * points[:, 0] - math.sin(a) * points[:, 1],
        math.sin(a) * points[:, 0] + math.cos(a) * points[:, 1],
    )
    z = points[:, 2]
    return np.stack(
        [x, math.cos(b) * z + math.sin(b) * y, math.sin(b) * z - math.cos(b) * y], axis=1
    )


def draw_rods(
    ends: tuple[Floats, Floats], half: Floats, waist: Floats, fill: NDArray[np.float32],
    colours: Floats, thin: float, picture: NDArray[np.uint8],
) -> None:  # fmt: skip
    """Over ``picture`` (height, width, 4).

    ends : two (t, 3), pixels across and down, and depth towards the viewer. half : (t,) half width
    at the ends, pixels. fill : (t, 2) wet shares from either end. colours : (3, 3) of what is dry,
    of what is wet and of the ground into which far ones fade, 0 to 255. thin : share of its width
    that a dry part is drawn with.
    """
    height, width, _ = picture.shape
    depth = np.full((height * FINE, width * FINE), -np.inf, np.float32)
    fine = np.zeros((*depth.shape, 3), np.float32)
    nearest_first = np.argsort(-(ends[0][:, 2] + ends[1][:, 2]), kind="stable")
    start, end = (np.ascontiguousarray(FINE * one[nearest_first]) for one in ends)
    half, waist, fill = half[nearest_first], waist[nearest_first], fill[nearest_first]
    depths = np.concatenate([start[:, 2], end[:, 2]])
    fog = np.array([depths.max(), max(float(np.ptp(depths)), 1e-9), _FADED])
    half, colours = FINE * half, colours.astype(np.float64)
    dry = (fill <= 0).all(axis=1)
    box = boxes(start, end, half * np.where(dry, thin, 1.0) + 1.0, depth.shape)
    _rods(start, end, half, waist, fill, colours, thin, fog, box, depth, fine)
    _over(depth, fine, picture)


@kernel
def _rods(
    start: Floats, end: Floats, half: Floats, waist: Floats, fill: NDArray[np.float32],
    colours: Floats, thin: float, fog: Floats, box: NDArray[np.int64],
    depth: NDArray[np.float32], fine: NDArray[np.float32],
) -> None:  # fmt: skip  # pragma: no cover
    for t in range(len(start)):
        ax, ay, az = start[t, 0], start[t, 1], start[t, 2]
        dx, dy, dz = end[t, 0] - ax, end[t, 1] - ay, end[t, 2] - az
        square = dx * dx + dy * dy
        full = fill[t, 0] + fill[t, 1] >= 1.0 - FULL
        for i in range(box[t, 0], box[t, 1]):
            for j in range(box[t, 2], box[t, 3]):
                px, py = j + 0.5 - ax, i + 0.5 - ay
                share = 0.5
                if square > 1e-9:
                    share = min(max((px * dx + py * dy) / square, 0.0), 1.0)
                wet = full or share < fill[t, 0] or share > 1.0 - fill[t, 1]
                wide = half[t] * (waist[t] + (1.0 - waist[t]) * abs(2.0 * share - 1.0))
                wide = max(wide if wet else thin * wide, 0.6)
                if az + share * dz + wide <= depth[i, j]:  # hidden
                    continue
                ox, oy = px - share * dx, py - share * dy
                apart = (ox * ox + oy * oy) / (wide * wide)
                if apart > 1.0:
                    continue
                bulge = math.sqrt(1.0 - apart)
                here = az + share * dz + wide * bulge
                if here <= depth[i, j]:
                    continue
                depth[i, j] = here
                # lit from the upper left and from before
                lit = max(0.74 * bulge - (0.44 * ox + 0.51 * oy) / wide, 0.0)
                shade, gloss = 0.5 + 0.5 * lit, 60.0 * max(lit - 0.8, 0.0)
                away = fog[2] * min(max((fog[0] - here) / fog[1], 0.0), 1.0)
                for k in range(3):
                    own = min(colours[1 if wet else 0, k] * shade + gloss, 255.0)
                    fine[i, j, k] = own * (1.0 - away) + colours[2, k] * away


@kernel
def _over(
    depth: NDArray[np.float32], fine: NDArray[np.float32], picture: NDArray[np.uint8]
) -> None:  # pragma: no cover
    height, width, _ = picture.shape
    for i in range(height):
        for j in range(width):
            red = green = blue = 0.0
            hits = 0
            for p in range(i * FINE, (i + 1) * FINE):
                for q in range(j * FINE, (j + 1) * FINE):
                    if depth[p, q] > -np.inf:
                        hits += 1
                        red += fine[p, q, 0]
                        green += fine[p, q, 1]
                        blue += fine[p, q, 2]
            if hits == 0:
                continue
            upper = hits / (FINE * FINE)
            lower = picture[i, j, 3] / 255.0 * (1.0 - upper)
            alpha = upper + lower
            picture[i, j, 0] = int((red / hits * upper + picture[i, j, 0] * lower) / alpha + 0.5)
            picture[i, j, 1] = int((green / hits * upper + picture[i, j, 1] * lower) / alpha + 0.5)
            picture[i, j, 2] = int((blue / hits * upper + picture[i, j, 2] * lower) / alpha + 0.5)
            picture[i, j, 3] = int(255.0 * alpha + 0.5)
