"""What may be asked of a scenario beyond a run: its tables ``[sweep]`` and ``[explain]``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from pydantic import model_validator

from poresim.outcome.asked import FIGURES, READINGS, Asked
from poresim.scenario.schema import Keys, number, words

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Reader

#: Mechanisms that two liquids can differ by, in the order in which they are told.
MECHANISMS = ("wetting", "thickening", "plugging", "settling", "gravity")
_RESULT = (
    '"sorptivity" or another figure of a run, or a table such as { uptake_at_s = 5 } or '
    "{ time_to_saturation = 0.5 }"
)


class Reading(Keys):
    """A result that is read at a time or at a level."""

    uptake_at_s: float | None = number("time in s", 5, None, gt=0, le=1e9)
    saturation_at_s: float | None = number("time in s", 5, None, gt=0, le=1e9)
    snap_force_at_s: float | None = number("time in s", 5, None, ge=0, le=1e9)
    drop_left_at_s: float | None = number("time in s", 5, None, gt=0, le=1e9)
    time_to_saturation: float | None = number("saturation", 0.5, None, gt=0, le=1)
    time_to_uptake_mg: float | None = number("uptake of the block in mg", 1, None, gt=0, le=1e9)

    @model_validator(mode="after")
    def _one(self) -> Reading:
        if sum(getattr(self, name) is not None for name in READINGS) != 1:
            raise ValueError("one of its keys")
        return self


class Span(Keys):
    """From one value to another."""

    least: float = number("least value, in the unit of the key", 5)
    greatest: float = number("greatest value, in the unit of the key", 30)
    steps: int | None = number("number of values, a whole number", 5, None, ge=2, le=1000)
    spacing: Literal["even", "log"] = words("'even' or 'log' (each a factor from the next)", "even")


class Sweep(Keys):
    """Which quantities are varied, and what is read from every run."""

    vary: dict[str, list[Any] | Span] = words(
        'a table such as { "solid.tubes.median_radius_um" = [10, 15, 20] }: to each key its '
        'values, or { least = 8, greatest = 30, steps = 5, spacing = "log" }',
        min_length=1, max_length=20,
    )  # fmt: skip
    sample: int | None = number(
        "number of quasi-random points, a power of two, instead of all combinations",
        64, None, ge=8, le=65536,
    )  # fmt: skip
    results: list[str | Reading] = words(
        f"a list of results, each {_RESULT}", [], max_length=20
    )  # fmt: skip


class Explain(Keys):
    """Which two liquids, and which result."""

    between: list[str] | None = words(
        "the names of two liquids (the first two when left out)", None, min_length=2, max_length=2
    )
    of: str | Reading | None = words(
        f"a result: {_RESULT} (the uptake in the end when left out)", None
    )
    scale: Literal["log", "linear"] = words(
        "'log' (shares of the ratio) or 'linear' (shares of the difference)", "log"
    )
    width: float = number(
        "width of the 95 % intervals at which no more solids are drawn", 0.1, 0.1, gt=0, le=2
    )
    most_repeats: int = number("the most solids that are drawn", 64, 64, ge=4, le=1000)


@dataclass(frozen=True)
class Questions:
    """What is asked, by command; None: nothing is said of it."""

    sweep: Sweep | None = None
    explain: Explain | None = None


def questions(reader: Reader, liquids: Sequence[str]) -> Questions:
    """The tables of the questions; faults are noted with the reader."""
    sweep = reader.section("sweep", Sweep, required=False)
    explain = reader.section("explain", Explain, required=False)
    if sweep is not None:
        for place, result in enumerate(sweep.results):
            _known(reader, result, ("sweep", "results", place))
    if explain is not None:
        if explain.of is not None:
            _known(reader, explain.of, ("explain", "of"))
        _liquids(reader, explain, liquids)
    return Questions(sweep, explain)


def asked(of: str | Reading) -> Asked:
    """What is asked of a run, from the key's value."""
    if isinstance(of, str):
        return Asked(of)
    name = next(name for name in READINGS if getattr(of, name) is not None)
    return Asked(name, getattr(of, name))


def _known(reader: Reader, of: str | Reading, where: KeyPath) -> None:
    if isinstance(of, str) and of not in FIGURES:
        from poresim.scenario import wording

        near = wording.nearest(of, FIGURES)
        hint = f"did you mean {near}? " if near else ""
        listed = f"{hint}one of {', '.join(FIGURES)}, or a table such as {{ uptake_at_s = 5 }}"
        reader.fault(where, f"got {wording.shown(of)}", listed)


def _liquids(reader: Reader, explain: Explain, liquids: Sequence[str]) -> None:
    names = explain.between
    if names is None:
        return
    for place, name in enumerate(names):
        if name not in liquids:
            there = ", ".join(liquids)[:200]
            where: KeyPath = ("explain", "between", place)
            reader.fault(where, f"names {name[:80]!r}", f"there are {there}")
    if names[0] == names[1]:
        reader.fault(("explain", "between"), "names one liquid twice", "name two liquids")
