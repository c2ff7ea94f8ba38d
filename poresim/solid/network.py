"""The network: junctions joined by tubes. Any graph will do; nothing here knows of lattices."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, init=False, eq=False)
class Network:
    """Junctions joined by tubes.

    Parameters (SI units; ``n`` junctions, ``m`` tubes)
    ----------
    points : (n, 3) junction positions, m.
    ends : (m, 2) the two junctions of each tube.
    radius : (m,) or scalar, tube radius at its ends, m.
    length : (m,) or scalar, m; the distance between the junctions when None.
    waist : (m,) or scalar in (0, 1]; the radius falls linearly from both ends to
        ``waist * radius`` at the middle (two cones). 1 is a straight tube.
    body_volume : (n,) or scalar, m3. Only 0 for now: junctions hold no liquid.
    span : (m, 3) displacement from end 0 to end 1, m; the difference of the points when
        None. It differs only for tubes that wrap through periodic sides.
    faces : name -> junction indices lying on that face of a block.
    size : (3,) edge lengths of the block the network fills, m, or None.

    Raises
    ------
    ValueError
        Says which array is wrong, what was found, and what is expected.
    """

    points: Floats
    ends: Ints
    radius: Floats
    length: Floats
    waist: Floats
    span: Floats
    faces: dict[str, Ints] = field(repr=False)
    size: Floats | None = field(repr=False)

    def __init__(
        self,
        points: ArrayLike,
        ends: ArrayLike,
        radius: ArrayLike,
        length: ArrayLike | None = None,
        waist: ArrayLike = 1.0,
        body_volume: ArrayLike = 0.0,
        *,
        span: ArrayLike | None = None,
        faces: dict[str, Any] | None = None,
        size: ArrayLike | None = None,
    ) -> None:
        points_ = _points(points)
        ends_ = _ends(ends, len(points_))
        m = len(ends_)
        span_ = (
            points_[ends_[:, 1]] - points_[ends_[:, 0]]
            if span is None
            else _finite("span", span, (m, 3))
        )
        length_ = (
            np.linalg.norm(span_, axis=1) if length is None else _per_tube("length", length, m)
        )
        radius_ = _per_tube("radius", radius, m)
        waist_ = _per_tube("waist", waist, m)
        _require_positive("radius", radius_)
        _require_positive("length", length_)
        no_waist = (waist_ <= 0) | (waist_ > 1)
        if np.any(no_waist):
            raise ValueError(
                f"waist must lie in (0, 1] (1 = straight tube), got {_first_bad(waist_, no_waist)}"
            )
        if np.any(np.asarray(body_volume, dtype=float) != 0.0):
            raise ValueError("body_volume must be 0: junctions hold no liquid in this version")
        put = object.__setattr__
        put(self, "points", points_)
        put(self, "ends", ends_)
        put(self, "radius", radius_)
        put(self, "length", length_)
        put(self, "waist", waist_)
        put(self, "span", span_)
        put(
            self,
            "faces",
            {name: _face(name, on, len(points_)) for name, on in (faces or {}).items()},
        )
        size_ = None if size is None else _finite("size", size, (3,))
        if size_ is not None:
            _require_positive("size", size_)
        put(self, "size", size_)

    @property
    def junctions(self) -> int:
        """Number of junctions."""
        return len(self.points)

    @property
    def tubes(self) -> int:
        """Number of tubes."""
        return len(self.ends)

    @property
    def throat_radius(self) -> Floats:
        """(m,) narrowest radius of each tube, m: its waist."""
        return self.radius * self.waist

    @property
    def tube_volume(self) -> Floats:
        """(m,) volume of each tube, m3 (two frusta; a cylinder when straight)."""
        w = self.waist
        return np.pi * self.radius**2 * self.length * (1 + w + w * w) / 3

    @property
    def porosity(self) -> float:
        """Tube volume over the block's volume; NaN when the network has no block size."""
        if self.size is None:
            return float("nan")
        return float(self.tube_volume.sum() / np.prod(self.size))

    @property
    def neighbours(self) -> Ints:
        """(n,) number of tubes that meet at each junction."""
        return np.bincount(self.ends.ravel(), minlength=self.junctions)


def _finite(name: str, value: ArrayLike, shape: tuple[int, ...]) -> Floats:
    array = np.array(value, dtype=np.float64)
    if array.shape != shape:
        raise ValueError(f"{name} must have shape {shape}, got {array.shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite, got {_first_bad(array, ~np.isfinite(array))}")
    return array


def _points(value: ArrayLike) -> Floats:
    array = np.array(value, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise ValueError(f"points must have shape (n, 3), got {array.shape}")
    return _finite("points", array, array.shape)


def _ends(value: ArrayLike, n: int) -> Ints:
    raw = np.asarray(value)
    if raw.ndim != 2 or raw.shape[1] != 2:
        raise ValueError(f"ends must have shape (m, 2), got {raw.shape}")
    if raw.dtype.kind not in "iu":
        raise ValueError(f"ends must be whole numbers (junction indices), got {raw.dtype}")
    if len(raw) == 0:
        raise ValueError("ends is empty: a network needs at least one tube")
    ends = raw.astype(np.int64)
    bad = (ends < 0) | (ends >= n)
    if bad.any():
        tube = int(np.argmax(bad.any(axis=1)))
        raise ValueError(
            f"tube {tube} joins junctions {ends[tube].tolist()}, but there are only {n} "
            f"junctions (0 to {n - 1})"
        )
    loops = ends[:, 0] == ends[:, 1]
    if loops.any():
        tube = int(np.argmax(loops))
        raise ValueError(f"tube {tube} joins junction {int(ends[tube, 0])} to itself")
    return ends


def _face(name: str, value: ArrayLike, n: int) -> Ints:
    on = np.atleast_1d(np.array(value, dtype=np.int64))
    bad = (on < 0) | (on >= n)
    if bad.any():
        raise ValueError(
            f"face {name} names junction {on[bad][0]}, but there are only {n} junctions "
            f"(0 to {n - 1})"
        )
    return on


def _per_tube(name: str, value: ArrayLike, m: int) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim == 0:
        array = np.full(m, float(array))
    return _finite(name, array, (m,))


def _require_positive(name: str, array: Floats) -> None:
    if np.any(array <= 0):
        raise ValueError(f"{name} must be above 0, got {_first_bad(array, array <= 0)}")


def _first_bad(array: Floats, bad: NDArray[np.bool_]) -> str:
    where = np.argwhere(bad)[0]
    return f"{array[tuple(where)]:g} at index {where.tolist() if len(where) > 1 else int(where[0])}"
