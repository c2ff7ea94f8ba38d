"""How the settings of the rivals were found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from speed_lab import Lab, Request, curve_error, tube_error
from speed_requests import FINE, Asked, ours, plain
from speed_table import show


def tuning(lab: Lab, asked: Asked) -> None:
    """How the rivals' settings were chosen: time and error over a grid of them, several seeds."""
    for side in asked.sides:
        rights = [lab.once(ours(side, FINE, seed=s)) for s in range(1, asked.seeds + 1)]
        rows = []
        for rival in _grid():
            ones = [lab.measure(plain(rival, side, seed=s + 1))[0] for s in range(len(rights))]
            pairs = list(zip(ones, rights, strict=True))
            tolerance, (share, passes, _) = rival.get("tolerance", "-"), rival["pace"]
            rows.append(
                [
                    side, rival["solver"], tolerance, rival.get("smooth", "-"), passes, share,
                    float(np.mean([one.wall for one in ones])), ones[0].steps,
                    100 * max(curve_error(*pair) for pair in pairs),
                    100 * max(tube_error(*pair) for pair in pairs),
                ]
            )  # fmt: skip
        heads = (
            "side", "solver", "tolerance", "smooth", "passes", "arrivals", "wall s", "steps",
            "worst error %", "worst tubes p99 %",
        )  # fmt: skip
        show(heads, rows)


def _grid() -> list[Request]:
    """Settings tried, solver by solver: (tolerance, smoothing), passes, shares that arrive."""
    grids: dict[str, tuple[Sequence[Request], Sequence[int], Sequence[float]]] = {
        "direct": ([{}], (2, 3), (0.5, 0.7)),
        "cg": (
            [{"tolerance": t} for t in (1e-2, 3e-3, 1e-3, 1e-4)],
            (1, 2, 3, 4, 5),
            (0.07, 0.3, 0.5, 0.7),
        ),
        "pyamg": (
            [{"tolerance": t, "smooth": how} for t in (1e-2, 3e-3) for how in (None, "jacobi")],
            (2, 3, 4),
            (0.5, 0.7),
        ),
    }
    return [
        {"solver": solver, "pace": [share, passes, 0.3]} | setting
        for solver, (settings, all_passes, shares) in grids.items()
        for setting in settings
        for passes in all_passes
        for share in shares
    ]
