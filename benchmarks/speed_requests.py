"""What is asked of the measurements: our march, and the rivals with their settings."""

from __future__ import annotations

from typing import NamedTuple

from speed_lab import Request
from speed_one import takes_cores

ACCURACY, FINE = 0.01, 0.001

#: The rivals' march with each of the linear solves, tuned for the curve at 24^3: see
#: PERFORMANCE.md. "cg, tubes" is tuned for the filling time of single tubes, as good as ours.
RIVALS: dict[str, Request] = {
    "direct": {"solver": "direct", "pace": [0.7, 3, 0.3]},
    "pyamg": {"solver": "pyamg", "tolerance": 3e-3, "pace": [0.7, 3, 0.3]},
    "cg": {"solver": "cg", "tolerance": 3e-3, "pace": [0.7, 4, 0.3]},
    "cg, tubes": {"solver": "cg", "tolerance": 1e-3, "pace": [0.07, 5, 0.3]},
}
#: On the hard cases: as tuned for the plain one, and so that it holds about a percent on each.
TIGHT: Request = {"solver": "cg", "tolerance": 1e-5, "pace": [0.3, 4, 0.3]}
EVENT_BY_EVENT: Request = {"solver": "direct", "pace": [0.0, 4, 0.3]}


class Asked(NamedTuple):
    """Options of the command that the parts heed."""

    sides: list[int]
    event_sides: list[int]
    seeds: int
    ensemble: int


def ours(side: int, accuracy: float = ACCURACY, case: str = "plain", seed: int = 1) -> Request:
    """A soak by our march, on one core where it can be told to."""
    common = {"task": "ours", "case": case, "side": side, "seed": seed}
    return common | {"accuracy": accuracy, "cores": 1 if takes_cores() else None}


def plain(rival: Request, side: int, case: str = "plain", seed: int = 1) -> Request:
    """A soak by the rivals' march."""
    return {"task": "plain", "case": case, "side": side, "seed": seed} | rival
