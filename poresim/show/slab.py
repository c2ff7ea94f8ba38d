"""A thin slab of the solid, seen from the side: which tubes, where, and the shapes of their parts.

Everything is to scale: a tube is drawn as wide as it is, narrow at its waist. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.solid.network import Network

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Slab:
    """Tubes of a slab, projected along the axis across it.

    tubes (t,) : their numbers in the network. start, end (t, 2) : their ends in the picture
    (across, up), mm. radius, waist (t,) : mm, and share. low, high (2,) : corners of the
    block's outline, mm. thickness_mm : of the slab. across : name of the horizontal axis.
    wet_sides : sides of the picture that touch the liquid.
    """

    tubes: NDArray[np.int64]
    start: Floats
    end: Floats
    radius: Floats
    waist: Floats
    low: Floats
    high: Floats
    thickness_mm: float
    across: str
    wet_sides: tuple[str, ...]

    @property
    def area(self) -> Floats:
        """(t,) area of each tube as drawn, mm2."""
        along = np.linalg.norm(self.end - self.start, axis=1)
        return np.asarray(self.radius * (1 + self.waist) * along)

    def shapes(self, begin: Floats, finish: Floats, rows: NDArray[np.bool_] | None = None):  # type: ignore[no-untyped-def]
        """Outlines (t, 6, 2) of the parts of the tubes from ``begin`` to ``finish``.

        Both (t,), shares of the length from the start; ``rows`` picks tubes.
        """
        pick = slice(None) if rows is None else rows
        a, b = begin[pick], finish[pick]
        start, along = self.start[pick], self.end[pick] - self.start[pick]
        length = np.linalg.norm(along, axis=1)
        unit = along / np.where(length > 0, length, 1.0)[:, None]
        normal = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
        stations = np.stack([a, np.clip(0.5, a, b), b], axis=1)
        w = self.waist[pick][:, None]
        half = self.radius[pick][:, None] * (w + (1 - w) * np.abs(2 * stations - 1))
        centre = start[:, None, :] + stations[:, :, None] * along[:, None, :]
        offset = half[:, :, None] * normal[:, None, :]
        return np.concatenate([centre + offset, (centre - offset)[:, ::-1]], axis=1)

    def all_shapes(self) -> Floats:
        """Outlines of the whole tubes."""
        zero = np.zeros(len(self.tubes))
        return np.asarray(self.shapes(zero, zero + 1))

    def wet_shares(self, fill: NDArray[np.float32]) -> Floats:
        """(t, 2) share of each tube drawn wet from its start, and from its end: full ones 1 and 0.

        ``fill`` (m, 2) of all the network's tubes.
        """
        shares = np.clip(np.asarray(fill, dtype=np.float64)[self.tubes], 0, 1)
        full = shares.sum(axis=1) >= 1 - 1e-6
        return np.where(full[:, None], [1.0, 0.0], shares)

    def wet_shapes(self, fill: NDArray[np.float32]) -> Floats:
        """Outlines of the wet parts; ``fill`` as in :meth:`wet_shares`."""
        first, last = self.wet_shares(fill).T
        zero, one = np.zeros(len(first)), np.ones(len(first))
        from_start = self.shapes(zero, first, first > 0)
        from_end = self.shapes(1 - last, one, last > 0)
        return np.concatenate([from_start, from_end])

    def bars(self, closed: NDArray[np.bool_]) -> Floats:
        """(c, 2, 2) bars across the throats of closed tubes; ``closed`` (m,) of all tubes.

        Somewhat wider than the throat, and long enough to be seen.
        """
        rows = closed[self.tubes]
        along = self.end[rows] - self.start[rows]
        length = np.linalg.norm(along, axis=1, keepdims=True)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.where(length > 0, length, 1)
        middle = (self.start[rows] + self.end[rows]) / 2
        throat = self.radius[rows] * self.waist[rows]
        half = np.maximum(1.4 * throat, 0.3 * length[:, 0])[:, None] * normal
        return np.stack([middle - half, middle + half], axis=1)


def slab_of(network: Network, faces: Sequence[str]) -> Slab:
    """A slab through the middle of the block, about one tube thick.

    It is cut across y, and seen with z up; across x when only the front or the back is wet.
    """
    across, through = (1, 0) if faces and set(faces) <= {"front", "back"} else (0, 1)
    points = network.points * 1e3
    low, high = _outline(network)
    place = points[network.ends].mean(axis=1)[:, through]
    straight = points[network.ends[:, 1]] - points[network.ends[:, 0]]
    inside = np.abs(straight - network.span * 1e3).max(axis=1) < 1e-6 * (1 + np.ptp(points))
    typical = float(np.median(network.length)) * 1e3
    levels = points[:, through]
    middle = levels[np.argmin(np.abs(levels - (low[through] + high[through]) / 2))]
    thickness = typical
    chosen = inside & (np.abs(place - middle) < 0.49 * thickness)
    rows = np.flatnonzero(chosen)
    ends = points[network.ends[rows]][:, :, [across, 2]]
    sides = {0: ("left", "right"), 1: ("front", "back"), 2: ("bottom", "top")}
    shown = (*sides[across], *sides[2])
    return Slab(
        tubes=rows,
        start=ends[:, 0],
        end=ends[:, 1],
        radius=network.radius[rows] * 1e3,
        waist=network.waist[rows],
        low=low[[across, 2]],
        high=high[[across, 2]],
        thickness_mm=0.98 * thickness,
        across="xyz"[across],
        wet_sides=tuple(face for face in faces if face in shown),
    )


def side_of(face: str) -> str:
    """Side of the picture that a face is seen at."""
    return {"front": "left", "back": "right"}.get(face, face)


def scale_bar(width_mm: float) -> float:
    """A round length, mm, up to half as long as the picture is wide."""
    target = 0.5 * width_mm
    power = 10.0 ** np.floor(np.log10(target))
    return float(max(step * power for step in (1, 2, 5) if step * power <= target * 1.0001))


def _outline(network: Network) -> tuple[Floats, Floats]:
    low = network.points.min(axis=0)
    high = network.points.max(axis=0)
    if network.size is not None:  # the block's own outline, when it holds the points
        for origin in (np.zeros(3), (low + high - network.size) / 2):
            if np.all(low >= origin - 1e-9) and np.all(high <= origin + network.size + 1e-9):
                low, high = origin, origin + network.size
                break
    return low * 1e3, high * 1e3


__all__ = ["Slab", "scale_bar", "side_of", "slab_of"]
