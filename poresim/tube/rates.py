"""Flow rate of a straight, full tube for arrays of tubes and drops."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.liquid.laws import ViscosityLaw
from poresim.tube.filled import wetted_flow
from poresim.tube.jit import kernel
from poresim.tube.law import flow_law


def tube_flow_rate(
    viscosity: ViscosityLaw, pressure_drop: ArrayLike, radius: ArrayLike, length: ArrayLike
) -> NDArray[np.float64] | Any:
    """Flow rate in a straight tube, m3/s, odd in the pressure drop.

    pressure_drop (Pa), radius and length (m, above 0) broadcast; scalars give a scalar. Flow is
    laminar, with no slip at the wall and no entrance effects (Weissenberg-Rabinowitsch-Mooney).

    Raises ValueError where a drop is not finite, or a radius or length is not above 0.
    """
    drops, radii, lengths = (
        np.asarray(v, dtype=np.float64) for v in (pressure_drop, radius, length)
    )
    if not np.all(np.isfinite(drops)):
        raise ValueError("pressure_drop (Pa) must be finite")
    for name, values in (("radius", radii), ("length", lengths)):
        if not np.all(np.isfinite(values) & (values > 0)):
            raise ValueError(f"{name} (m) must be finite and above 0")
    drops, radii, lengths = np.broadcast_arrays(drops, radii, lengths)
    rate = np.empty(drops.shape)
    _rates(flow_law(viscosity), drops.ravel(), radii.ravel(), lengths.ravel(), rate.ravel())
    return rate[()]


@kernel
def _rates(law, drop, radius, length, rate):
    for i in range(len(drop)):
        rate[i], _ = wetted_flow(law, drop[i], length[i], radius[i], length[i], 1.0)
