"""Networks on disk (HDF5).

Datasets: points_m (n, 3), ends (m, 2), radius_m (m,), length_m (m,); optional waist (m,),
body_volume_m3 (n,), span_m (m, 3), a group ``faces`` with one dataset of junction indices a
face, and an attribute ``size_m`` (3,). This is also how a record keeps its solids.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from poresim.solid.memory import available_bytes, in_words, needed_bytes
from poresim.solid.network import Network
from poresim.solid.packing import write_packed

if TYPE_CHECKING:
    import h5py

_NEEDED = {"points_m": 3, "ends": 2, "radius_m": 0, "length_m": 0}  # 0: one value a tube
_OPTIONAL = {"waist": 0, "span_m": 3, "body_volume_m3": 0}
_PER_JUNCTION = ("points_m", "body_volume_m3")
_FACES = ("left", "right", "front", "back", "bottom", "top")
_LONG_NAMES = {
    "points_m": ("m", "position of each junction"),
    "ends": ("1", "the two junctions of each tube"),
    "radius_m": ("m", "radius of each tube at its ends"),
    "length_m": ("m", "length of each tube"),
    "waist": ("1", "narrowest radius of each tube over its radius"),
    "body_volume_m3": ("m3", "volume of the body at each junction"),
    "span_m": ("m", "displacement from end 0 to end 1 of each tube"),
}


def save_network(network: Network, path: str | os.PathLike[str]) -> None:
    """Write a network to a new HDF5 file; an existing file of that name is replaced.

    Raises OSError when the file cannot be written.
    """
    import h5py

    target = Path(path)
    partial = target.with_name(target.name + ".partial")
    with h5py.File(partial, "w") as file:
        write_network(file, network)
    os.replace(partial, target)


def write_network(group: h5py.Group, network: Network) -> None:
    """Write the datasets of a network into an open HDF5 group."""
    values: dict[str, Any] = {
        "points_m": network.points,
        "ends": network.ends,
        "radius_m": network.radius,
        "length_m": network.length,
        "waist": network.waist,
    }
    if network.has_bodies:
        values["body_volume_m3"] = network.body_volume
    if network.wraps:  # else they follow from the points
        values["span_m"] = network.span
    for name, array in values.items():
        dataset = write_packed(group, name, array)
        dataset.attrs["units"], dataset.attrs["long_name"] = _LONG_NAMES[name]
    faces = group.create_group("faces")
    for name, indices in network.faces.items():
        dataset = write_packed(faces, name, indices)
        dataset.attrs["units"] = "1"
        dataset.attrs["long_name"] = f"junctions on the {name} face"
    if network.size is not None:
        group.attrs["size_m"] = network.size


def load_network(path: str | os.PathLike[str], group: str = "/") -> Network:
    """Read a network from an HDF5 file.

    Types and sizes are checked before any array is read, and links that lead out of the file
    are not followed. Without ``faces``, the faces are the junctions that lie at the ends of the
    network's extent in x, y and z; without ``size_m``, the size is that extent.

    Raises
    ------
    ValueError
        One line that says what is wrong with the file and what is expected.
    OSError
        The file cannot be opened.
    """
    import h5py

    path = Path(path)
    if not path.exists():
        raise FileNotFoundError(f"{path}: no such file")
    if not path.is_file():
        raise IsADirectoryError(f"{path}: not a file")
    if not h5py.is_hdf5(path):
        raise ValueError(f"{path}: is not an HDF5 file; a network holds {', '.join(_NEEDED)}")
    try:
        with h5py.File(path, "r") as file:
            place = file if group == "/" else _child(file, group, h5py.Group)
            return _read(place)
    except ValueError as fault:
        raise ValueError(f"{path}: {fault}") from None
    except (OSError, KeyError, RuntimeError, TypeError) as fault:
        reason = str(fault).splitlines()[0] if str(fault) else type(fault).__name__
        raise ValueError(f"{path}: not a readable HDF5 network ({reason})") from None


@dataclass(frozen=True)
class Extent:
    """What a network file holds, in short."""

    junctions: int
    tubes: int
    porosity: float | None
    size: tuple[float, float, float] | None


def network_extent(path: str | os.PathLike[str]) -> Extent:
    """Junctions, tubes, porosity and size (m) of a network file. Raises as load_network does."""
    network = load_network(path)
    if network.size is None:
        return Extent(network.junctions, network.tubes, None, None)
    x, y, z = (float(edge) for edge in network.size)
    return Extent(network.junctions, network.tubes, network.porosity, (x, y, z))


def _read(place: h5py.Group) -> Network:
    if "solids" in place and "points_m" not in place:
        raise ValueError(
            "is the record of a run, not a network; take a solid out of it with "
            "ps.save_network(record.solid(0), FILE)"
        )
    lacking = [name for name in _NEEDED if name not in place]
    if lacking:
        are = "is" if len(lacking) == 1 else "are"
        raise ValueError(
            f"{', '.join(lacking)} {are} missing; a network holds {', '.join(_NEEDED)}"
        )
    found = {name: _dataset(place, name) for name in _NEEDED}
    found |= {name: _dataset(place, name) for name in _OPTIONAL if name in place}
    junctions = _sizes(found)
    arrays = {name: dataset[...] for name, dataset in found.items()}
    if not np.all(np.isfinite(arrays["points_m"])):
        raise ValueError("points_m must be finite")
    faces = _read_faces(place, junctions)
    return Network(
        arrays["points_m"],
        arrays["ends"],
        arrays["radius_m"],
        length=arrays["length_m"],
        waist=arrays.get("waist", 1.0),
        body_volume=arrays.get("body_volume_m3", 0.0),
        span=arrays.get("span_m"),
        faces=faces or _outer_faces(arrays["points_m"]),
        size=_size(place, arrays["points_m"]),
    )


def _child(place: h5py.Group, name: str, kind: type) -> Any:
    """A member of the file itself; links that lead elsewhere are refused, not followed."""
    import h5py

    for part in name.strip("/").split("/"):
        if not isinstance(place, h5py.Group) or part not in place.keys():  # noqa: SIM118
            raise ValueError(f"{name} is missing; a network holds {', '.join(_NEEDED)}")
        if not isinstance(place.get(part, getlink=True), h5py.HardLink):
            raise ValueError(f"{name} is a link; links are not followed, copy the data itself")
        place = place[part]
    if not isinstance(place, kind):
        raise ValueError(f"{name} must be a {kind.__name__.lower()}")
    return place


def _dataset(place: h5py.Group, name: str) -> h5py.Dataset:
    """A dataset whose type and shape are right for its name; nothing is read yet."""
    import h5py

    dataset = _child(place, name, h5py.Dataset)
    if dataset.is_virtual or dataset.external:
        raise ValueError(f"{name} keeps its data in another file, which is not followed")
    whole = name == "ends" or name.startswith("faces/")
    if dataset.dtype.kind not in ("iu" if whole else "fiu"):
        raise ValueError(
            f"{name} must hold {'whole numbers' if whole else 'numbers'}, got {dataset.dtype}"
        )
    width = (_NEEDED | _OPTIONAL).get(name, 0)
    shape = dataset.shape
    right = shape is not None and len(shape) == (2 if width else 1)
    if not right or (width and shape[1] != width):
        raise ValueError(
            f"{name} must have shape {f'(number, {width})' if width else '(number,)'}, got {shape}"
        )
    return dataset


def _sizes(found: dict[str, h5py.Dataset]) -> int:
    """Number of junctions, once every dataset has the same number of them."""
    junctions, tubes = len(found["points_m"]), len(found["ends"])
    if not junctions or not tubes:
        raise ValueError("holds no junctions or no tubes; a network has at least one tube")
    for name, dataset in found.items():
        if name in _PER_JUNCTION:
            if len(dataset) != junctions:
                raise ValueError(
                    f"{name} has {len(dataset)} rows, but points_m has {junctions} junctions"
                )
        elif len(dataset) != tubes:
            raise ValueError(f"{name} has {len(dataset)} rows, but ends has {tubes} tubes")
    needed, free = needed_bytes(junctions, tubes), available_bytes()
    if needed > free:
        raise ValueError(
            f"{junctions:,} junctions and {tubes:,} tubes need about {in_words(needed)} of "
            f"memory, and {in_words(free)} is free"
        )
    return junctions


def _read_faces(place: h5py.Group, junctions: int) -> dict[str, np.ndarray]:
    import h5py

    if "faces" not in place:
        return {}
    group = _child(place, "faces", h5py.Group)
    faces = {}
    for name in group.keys():  # noqa: SIM118
        if name not in _FACES:
            raise ValueError(f"faces/{name} is unknown; faces are {', '.join(_FACES)}")
        dataset = _dataset(place, f"faces/{name}")
        if len(dataset) > junctions:
            raise ValueError(f"faces/{name} lists more junctions than there are ({junctions})")
        indices = dataset[...].astype(np.int64)
        if np.any((indices < 0) | (indices >= junctions)):
            raise ValueError(
                f"faces/{name} names a junction that does not exist (0 to {junctions - 1})"
            )
        faces[name] = np.unique(indices)
    return faces


def _outer_faces(points: np.ndarray) -> dict[str, np.ndarray]:
    """Junctions at the two ends of the extent of each axis along which there is one."""
    faces = {}
    for axis in range(3):
        along = points[:, axis]
        low, high = float(along.min()), float(along.max())
        near = 1e-6 * (high - low)
        if high > low and math.isfinite(near):
            faces[_FACES[2 * axis]] = np.flatnonzero(along <= low + near)
            faces[_FACES[2 * axis + 1]] = np.flatnonzero(along >= high - near)
    return faces


def _size(place: h5py.Group, points: np.ndarray) -> np.ndarray | None:
    given = place.attrs.get("size_m")
    size = np.asarray(np.ptp(points, axis=0) if given is None else given)
    if size.shape != (3,) or size.dtype.kind not in "fiu" or not np.all(np.isfinite(size)):
        raise ValueError("the attribute size_m must be three finite lengths")
    if given is not None and np.any(size <= 0):
        raise ValueError("the attribute size_m must be three lengths above 0")
    return size if np.all(size > 0) else None
