"""Made-up plans, for tests of what is said and drawn of them; nothing here is measured."""

from __future__ import annotations

import numpy as np

from poresim.inference.information import Information, Outcome
from poresim.scenario.candidates import Candidate, angle, weighing
from poresim.why.judge import Judged
from poresim.why.plan import Planned, ranked
from tests.judged_made_up import judged, verdict

OPEN = {"thickening+plugging": 0.6, "wetting+thickening+plugging": 0.4}
CANDIDATES = [
    weighing("gum broth", [30, 60, 180]),
    angle("gum broth", 2),
    angle("clear broth", 2),
]
BITS = ((0.3, 0.01), (0.41, 0.012), (0.01, 0.004))


def told(value: float, sd: float, count: int, cases: int = 2) -> Information:
    """So many bits; ``count`` readings; the first explanation leads after low ones."""
    low = Outcome(0, 0.62, np.array([0.91, 0.09]), np.linspace(0.2, 0.3, count),
                  np.full(count, 0.004))  # fmt: skip
    high = Outcome(1, 0.38, np.array([0.17, 0.83]), np.linspace(0.2, 0.36, count),
                   np.full(count, 0.02))  # fmt: skip
    if count == 1:
        low = low._replace(reading=np.array([48.0]), reading_sd=np.array([2.2]))
        high = high._replace(reading=np.array([55.3]), reading_sd=np.array([3.1]))
    return Information(value, sd, 0.97, 1.2 * value, sd, value, 1.4 * value, 0.0,
                       [low, high][:cases])  # fmt: skip


def planned(
    of: Judged | None = None,
    candidates: list[Candidate] = CANDIDATES,
    bits: tuple[tuple[float, float], ...] = BITS,
    cases: int = 2,
    given: bool = False,
) -> Planned:
    of = judged(verdict(OPEN)) if of is None else of
    some = [
        told(*pair, max(len(one.when), 1), cases)
        for one, pair in zip(candidates, bits, strict=True)
    ]
    return Planned(of, ranked(candidates, some), given)
