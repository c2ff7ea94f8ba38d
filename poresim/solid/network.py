"""The network: junctions joined by tubes. Any graph will do; nothing here knows of lattices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.brief import Brief, Rows, length, volume

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
Ints = NDArray[np.signedinteger[Any]]


@dataclass(frozen=True, init=False, eq=False, repr=False)
class Network(Brief):
    """Junctions joined by tubes.

    Parameters (SI units; ``n`` junctions, ``m`` tubes)
    ----------
    points : (n, 3) junction positions, m.
    ends : (m, 2) the two junctions of each tube; kept as int32, so make them int64 before
        multiplying them.
    radius : (m,) or scalar, tube radius at its ends, m.
    length : (m,) or scalar, m; the distance between the junctions when None.
    waist : (m,) or scalar in (0, 1]; the radius falls linearly from both ends to
        ``waist * radius`` at the middle (two cones). 1 is a straight tube.
    body_volume : (n,) or scalar, m3, what the hollow at each junction holds beside the tubes.
    span : (m, 3) displacement from end 0 to end 1, m; the difference of the points when
        None. It differs only for tubes that wrap through periodic sides.
    faces : name -> junction indices lying on that face of a block.
    size : (3,) edge lengths of the block the network fills, m, or None.

    The network is lean: a radius, length or waist that all tubes share is kept as one number, and
    spans that follow from the points are not kept. As attributes all of them are whole arrays,
    made when asked for, and read-only.

    Raises
    ------
    ValueError
        Says which array is wrong, what was found, and what is expected.
    """

    points: Floats
    ends: Ints
    faces: dict[str, Ints]
    size: Floats | None
    _radius: Floats  # (m,), or () where all tubes have the same
    _length: Floats
    _waist: Floats
    _body_volume: Floats  # (n,), or () where all junctions have the same
    _span: Floats | None

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
        put = object.__setattr__
        put(self, "points", _points(points))
        put(self, "ends", _ends(ends, len(self.points)))
        m = len(self.ends)
        put(self, "_span", None if span is None else _read_only(_finite("span", span, (m, 3))))
        if length is None:
            length = np.linalg.norm(self.span, axis=1)
        put(self, "_radius", _shared("radius", radius, m))
        put(self, "_length", _shared("length", length, m))
        put(self, "_waist", _shared("waist", waist, m))
        _require_positive("radius", self._radius)
        _require_positive("length", self._length)
        no_waist = (self._waist <= 0) | (self._waist > 1)
        if np.any(no_waist):
            raise ValueError(
                "waist must lie in (0, 1] (1 = straight tube), got "
                f"{_first_bad(self._waist, no_waist)}"
            )
        put(self, "_body_volume", _shared("body_volume", body_volume, len(self.points)))
        below = self._body_volume < 0
        if np.any(below):
            raise ValueError(
                f"body_volume must be at least 0, got {_first_bad(self._body_volume, below)}"
            )
        on_faces = {name: _face(name, on, self.junctions) for name, on in (faces or {}).items()}
        put(self, "faces", on_faces)
        put(self, "size", None if size is None else _finite("size", size, (3,)))
        if self.size is not None:
            _require_positive("size", self.size)

    def __setstate__(self, state: dict[str, Any]) -> None:
        for name, value in state.items():
            if name.startswith("_") and value is not None:
                value = _read_only(np.asarray(value))  # unpickled arrays may be written to
            object.__setattr__(self, name, value)

    @property
    def radius(self) -> Floats:
        """(m,) radius of each tube at its ends, m."""
        return self._whole(self._radius)

    @property
    def length(self) -> Floats:
        """(m,) length of each tube, m."""
        return self._whole(self._length)

    @property
    def waist(self) -> Floats:
        """(m,) narrowest radius of each tube over its radius."""
        return self._whole(self._waist)

    @property
    def span(self) -> Floats:
        """(m, 3) displacement from end 0 to end 1 of each tube, m."""
        if self._span is not None:
            return self._span
        return _read_only(self.points[self.ends[:, 1]] - self.points[self.ends[:, 0]])

    @property
    def wraps(self) -> bool:
        """Whether spans were given: some tubes may lead through periodic sides."""
        return self._span is not None

    @property
    def body_volume(self) -> Floats:
        """(n,) volume of the body at each junction, m3."""
        return self._whole(self._body_volume, self.junctions)

    @property
    def body_radius(self) -> Floats:
        """(n,) radius of the body at each junction, m: of a sphere of its volume."""
        return np.cbrt(self.body_volume * 3 / (4 * np.pi))

    @property
    def has_bodies(self) -> bool:
        """Whether any junction holds a volume."""
        return bool(np.any(self._body_volume > 0))

    def _whole(self, value: Floats, number: int | None = None) -> Floats:
        """Kernels see one type, whether an array was given or one number."""
        return value if value.ndim else _read_only(np.full(number or self.tubes, value))

    def plot(self) -> Figure:
        """A slab through the middle, dry, tubes to scale: a matplotlib figure, with ``tables``."""
        from poresim.show.plot import network_figure

        return network_figure(self)

    def _told(self) -> tuple[str, Rows]:
        low, middle, high = np.quantile(self.radius, (0.1, 0.5, 0.9))
        rows = [
            ("radius", f"{length(middle)} (10 to 90 %: {length(low)} to {length(high)})"),
            ("throats", f"{length(float(np.median(self.throat_radius)))} in the middle"),
            ("holds", volume(self.volume)),
        ]
        if self.size is not None:
            rows.append(("block", f"{' x '.join(f'{1e3 * edge:.3g}' for edge in self.size)} mm"))
            rows.append(("porosity", f"{100 * self.porosity:.3g} %"))
        if self.faces:
            rows.append(("faces", ", ".join(self.faces)))
        return f"Network of {self.junctions:,} junctions and {self.tubes:,} tubes", rows

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
        return self.radius * self._waist

    @property
    def tube_volume(self) -> Floats:
        """(m,) volume of each tube, m3 (two frusta; a cylinder when straight)."""
        w = self._waist
        return np.pi * self.radius**2 * self._length * (1 + w + w * w) / 3

    @property
    def volume(self) -> float:
        """What all tubes and bodies hold, m3."""
        tubes = float(self.tube_volume.sum())
        return tubes + float(self.body_volume.sum()) if self.has_bodies else tubes

    @property
    def porosity(self) -> float:
        """Tube and body volume over the block's; NaN when the network has no block size."""
        if self.size is None:
            return float("nan")
        return float(self.volume / np.prod(self.size))

    @property
    def neighbours(self) -> Ints:
        """(n,) number of tubes that meet at each junction."""
        return np.bincount(self.ends.ravel(), minlength=self.junctions)


def _finite(name: str, value: ArrayLike, shape: tuple[int, ...]) -> Floats:
    """A copy of ``value``."""
    array = np.array(value, dtype=np.float64)
    if array.shape != shape:
        raise ValueError(f"{name} must have shape {shape}, got {array.shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite, got {_first_bad(array, ~np.isfinite(array))}")
    return array


def _points(value: ArrayLike) -> Floats:
    array = np.asarray(value, dtype=np.float64)
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
    bad = (raw < 0) | (raw >= n)
    if bad.any():
        tube = int(np.argmax(bad.any(axis=1)))
        raise ValueError(
            f"tube {tube} joins junctions {raw[tube].tolist()}, but there are only {n} "
            f"junctions (0 to {n - 1})"
        )
    loops = raw[:, 0] == raw[:, 1]
    if loops.any():
        tube = int(np.argmax(loops))
        raise ValueError(f"tube {tube} joins junction {int(raw[tube, 0])} to itself")
    return raw.astype(np.int32 if n <= np.iinfo(np.int32).max else np.int64)


def _face(name: str, value: ArrayLike, n: int) -> Ints:
    on = np.atleast_1d(np.array(value, dtype=np.int64))
    bad = (on < 0) | (on >= n)
    if bad.any():
        raise ValueError(
            f"face {name} names junction {on[bad][0]}, but there are only {n} junctions "
            f"(0 to {n - 1})"
        )
    return on


def _shared(name: str, value: ArrayLike, m: int) -> Floats:
    """(m,) one value a tube (or junction), or () when all have the same; a copy."""
    array = np.asarray(value, dtype=np.float64)
    array = _finite(name, array, () if array.ndim == 0 else (m,))
    if array.ndim and np.all(array == array[0]):
        array = array[0].copy()
    return _read_only(np.asarray(array))


def _read_only(array: Floats) -> Floats:
    array.setflags(write=False)
    return array


def _require_positive(name: str, array: Floats) -> None:
    if np.any(array <= 0):
        raise ValueError(f"{name} must be above 0, got {_first_bad(array, array <= 0)}")


def _first_bad(array: Floats, bad: NDArray[np.bool_]) -> str:
    if array.ndim == 0:
        return f"{array:g}"
    where = np.argwhere(bad)[0]
    return f"{array[tuple(where)]:g} at index {where.tolist() if len(where) > 1 else int(where[0])}"
