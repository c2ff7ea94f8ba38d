"""The wetted faces of a block: which junctions lie on them, how deep the others are, their area."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from poresim.solid.network import Network

#: Face -> the axis it stands across.
AXES = {"left": 0, "right": 0, "front": 1, "back": 1, "bottom": 2, "top": 2}


def inlet_of(network: Network, faces: Sequence[str]) -> NDArray[np.int64]:
    """Junctions on the faces that touch the liquid. Raises ValueError when there are none."""
    missing = [face for face in faces if not len(network.faces.get(face, ()))]
    if missing or not faces:
        known = ", ".join(sorted(name for name, on in network.faces.items() if len(on))) or "none"
        raise ValueError(
            f"exposure.faces: no junction lies on {', '.join(missing) or 'any face named'}; "
            f"faces with junctions: {known}"
        )
    return np.unique(np.concatenate([network.faces[face] for face in faces]))


def depth_below(network: Network, faces: Sequence[str]) -> NDArray[np.float64] | None:
    """(n,) distance of each junction from the nearest wetted face, m; None without a block."""
    if network.size is None or not faces or any(face not in AXES for face in faces):
        return None
    depths = []
    for face in faces:
        along = network.points[:, AXES[face]]
        depths.append(np.abs(along - np.median(along[network.faces[face]])))
    depth: NDArray[np.float64] = np.min(depths, axis=0)
    return depth


def wetted_area(network: Network, faces: Sequence[str]) -> float:
    """Area of the wetted faces of a block, m2; NaN when the network has no block size."""
    if network.size is None or any(face not in AXES for face in faces):
        return float("nan")
    return float(sum(np.prod(np.delete(network.size, AXES[face])) for face in faces))
