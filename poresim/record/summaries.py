"""The figures of every liquid of a record."""

from __future__ import annotations

import numpy as np

from poresim.outcome.faces import wetted_area
from poresim.outcome.summary import Summary, summarise
from poresim.record.model import LiquidRecord, Record
from poresim.solid.network import Network


def summaries(record: Record) -> list[Summary]:
    """One summary a liquid that has at least one finished soak, in the record's order."""
    return [summary_of(record, liquid) for liquid in record.liquids if liquid.repeats]


def _area(record: Record, solid: Network) -> float:
    return record.area_m2 if np.isfinite(record.area_m2) else wetted_area(solid, record.faces)


def summary_of(record: Record, liquid: LiquidRecord, name: str | None = None) -> Summary:
    """Of one liquid; ``name`` to call it by instead of its own."""
    numbers = list(liquid.repeats)
    solids = [record.solid(n) for n in numbers]
    whole_faces = not np.isfinite(record.area_m2)
    return summarise(
        name or liquid.name,
        [liquid.repeats[n] for n in numbers],
        [solid.ends for solid in solids],
        [_area(record, solid) for solid in solids],
        record.lift_s,
        liquid.density if whole_faces else np.nan,
    )
