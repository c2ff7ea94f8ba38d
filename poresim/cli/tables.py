"""The table and the sentences that a run and a comparison print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from poresim.cli.terminal import plain

if TYPE_CHECKING:
    from poresim.outcome.summary import Summary


def table(summaries: Sequence[Summary]) -> str:
    """A line a liquid: time to half full, state and uptake at the end, closed throats."""
    from poresim.outcome.words import aligned, half_time, mass, percent, ranged, short

    rows = [("liquid", "half full in", "full in the end", "uptake", "throats closed")]
    for s in summaries:
        rows.append(
            (
                short(plain(s.name), 40),
                half_time(s),
                ranged(s.end_saturation, percent),
                ranged(s.end_uptake_kg, mass),
                ranged(s.blocked_of_reached, percent),
            )
        )
    return "\n".join(aligned(rows))


def notes(summaries: Sequence[Summary], accuracy: float | None = None) -> str:
    """What the table's figures mean, and how well the volumes balance."""
    counts = sorted({s.repeats for s in summaries})
    many = f"median (lowest to highest) of {' or '.join(map(str, counts))} solids; "
    worst = max((s.volume_balance for s in summaries), default=math.nan)
    text = (
        f"{many if counts != [1] else 'one solid a liquid; '}throats closed: of those the liquid "
        f"came to, in the end\nvolume balance: {worst:.1g}"
    )
    if accuracy is not None:
        allowed = accuracy / 100
        text += (
            f" (allowed: {allowed:.1g})"
            if worst <= allowed
            else (f", more than the {allowed:.1g} allowed: do not trust this run")
        )
    return text


def sheared(summaries: Sequence[Summary]) -> str:
    """A line a liquid: the shear rates that mattered; nothing where none is known."""
    from poresim.outcome.words import capital, shear_told

    return "".join(f"{capital(text)}.\n" for text in shear_told(summaries))


def absorbed(summaries: Sequence[Summary]) -> str:
    """A line a liquid: its absorption coefficient; nothing where no whole face takes it up."""
    from poresim.outcome.words import absorption_told, capital

    return "".join(f"{capital(text)}.\n" for text in absorption_told(summaries))


def firmness(summaries: Sequence[Summary]) -> str:
    """A line a liquid: what is left of the snap force; nothing where walls do not soften."""
    from poresim.outcome.words import capital, firmness_told

    return "".join(f"{capital(text)}.\n" for text in firmness_told(summaries))


def offered(summaries: Sequence[Summary]) -> str:
    """A line a liquid: what became of a drop, after a lift, what air prevented; else nothing."""
    from poresim.outcome.words import air_told, capital, drop_told, lifted_told

    told = [*drop_told(summaries), *lifted_told(summaries), *air_told(summaries)]
    return "".join(f"{capital(text)}.\n" for text in told)
