"""The uncertainty of what is computed from several uncertain numbers, to first order."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

_STEP = 0.1  # of an sd


def propagated(
    function: Callable[[Mapping[str, float]], float],
    values: Mapping[str, float],
    sds: Mapping[str, float],
) -> tuple[float, dict[str, float]]:
    """sd of function(values), and each input's part of it, for errors that are independent.

    By differences of both sides, a tenth of an sd wide.
    """
    parts = {}
    for name, sd in sds.items():
        if sd > 0:
            ends = [function({**values, name: values[name] + s * _STEP * sd}) for s in (1, -1)]
            parts[name] = abs(ends[0] - ends[1]) / (2 * _STEP)
        else:
            parts[name] = 0.0
    return math.sqrt(sum(part**2 for part in parts.values())), parts
