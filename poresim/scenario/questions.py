"""What may be asked of a scenario beyond a run: ``[sweep]``, ``[explain]``, ``[judge]``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from poresim.inference.laws import Law
from poresim.outcome.asked import FIGURES, READINGS, Asked
from poresim.scenario.candidates import Candidate, candidates
from poresim.scenario.priors import priors
from poresim.scenario.schema import Keys, Run, number, words

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


class Span(Keys):
    """From one value to another."""

    least: float = number("least value, in the unit of the key", 5)
    greatest: float = number("greatest value, in the unit of the key", 30)
    steps: int | None = number("number of values, a whole number", 5, None, ge=2, le=1000)
    spacing: Literal["even", "log"] = words("'even' or 'log' (each a factor from the next)", "even")


class Sweep(Keys):
    """Which quantities are varied, and what is read from every run."""

    vary: dict[str, Any] = words(
        'a table such as { "solid.tubes.median_radius_um" = [10, 15, 20] }: to each key its '
        'values, or { least = 8, greatest = 30, steps = 5, spacing = "log" }',
        min_length=1, max_length=20,
    )  # fmt: skip
    sample: int | None = number(
        "rows of a quasi-random sample, a power of two, instead of all combinations",
        64, None, ge=16, le=65536,
    )  # fmt: skip
    results: list[Any] = words(
        f"a list of results, each {_RESULT}", [], max_length=20
    )  # fmt: skip


class Explain(Keys):
    """Which two liquids, and which result."""

    between: list[str] | None = words(
        "the names of two liquids (the first two when left out)", None, min_length=2, max_length=2
    )
    of: Any = words(f"a result: {_RESULT} (the uptake in the end when left out)", None)
    scale: Literal["log", "linear"] = words(
        "'log' (shares of the ratio) or 'linear' (shares of the difference)", "log"
    )
    width: float = number(
        "width of the 95 % intervals at which no more solids are drawn", 0.1, 0.1, gt=0, le=2
    )
    most_repeats: int = number("the most solids that are drawn", 64, 64, ge=2, le=1000)


class Judge(Keys):
    """Which explanations are weighed, and how well it must be known."""

    reference: str | None = words(
        "the name of the liquid that the others are compared with (the first when left out)", None
    )
    mechanisms: list[Literal["wetting", "thickening", "plugging", "settling", "gravity"]] | None = (
        words("the mechanisms that may act (all by which a liquid differs when left out)", None)
    )
    explanations: list[str] | None = words(
        "a list such as ['thickening', 'wetting+plugging', 'none'] (all subsets when left out)",
        None, min_length=2, max_length=32,
    )  # fmt: skip
    balance_g: float = number("step of the balance in g", 0.1, 0.1, gt=0, le=1000)
    error: float = number("how well probabilities must be known", 0.05, 0.05, gt=0, le=0.5)
    effective_samples: int = number(
        "independent draws that must stand behind an answer", 100, 100, ge=20, le=100000
    )
    least_rows: int = number("rows of the bank to begin with", 128, 128, ge=64, le=65536)
    most_rows: int = number("the most rows of the bank", 1024, 1024, ge=64, le=65536)


def least_near(least_rows: int) -> int:
    """Rows by which a bank of so many grows at least, where the truth may lie."""
    return least_rows // 4


@dataclass(frozen=True)
class SweepQuestion:
    """What ``sweep`` is asked: by key the values to take, or the span; points of a sample, or None;
    results."""

    vary: dict[str, list[Any] | Span]
    sample: int | None
    results: tuple[Asked, ...]


@dataclass(frozen=True)
class ExplainQuestion:
    """What ``explain`` is asked. between : names, or None; of : the result, or None; the rest as in
    Explain."""

    between: tuple[str, str] | None = None
    of: Asked | None = None
    log: bool = True
    width: float = 0.1
    most_repeats: int = 64


@dataclass(frozen=True)
class Questions:
    """What is asked, by command; None: nothing is said of it."""

    sweep: SweepQuestion | None = None
    explain: ExplainQuestion | None = None
    judge: Judge | None = None
    priors: dict[str, Law] | None = None
    plan: tuple[Candidate, ...] | None = None


def questions(reader: Reader, liquids: Sequence[str]) -> Questions:
    """The tables of the questions; faults are noted with the reader."""
    sweep = reader.section("sweep", Sweep, required=False)
    explain = reader.section("explain", Explain, required=False)
    return Questions(
        None if sweep is None else _sweep(reader, sweep),
        None if explain is None else _explain(reader, explain, liquids),
        _judge(reader),
        priors(reader),
        candidates(reader, liquids),
    )


def usual(run: Run) -> Asked:
    """What is read of a run when nothing is asked for: how far it came, or how fast."""
    if run.until_s is not None:
        return Asked("uptake_at_s", run.until_s)
    assert run.until_saturation is not None
    return Asked("time_to_saturation", run.until_saturation)


def _sweep(reader: Reader, keys: Sweep) -> SweepQuestion:
    vary: dict[str, list[Any] | Span] = {}
    for key, given in keys.vary.items():
        if isinstance(given, list):
            vary[key] = given
            continue
        span = reader.validated(Span, given, ("sweep", "vary", key))
        if span is not None:
            vary[key] = span
    if keys.sample is not None and keys.sample & (keys.sample - 1):
        right = f"give a power of two, such as {2 ** round(math.log2(keys.sample))}"
        reader.fault(("sweep", "sample"), f"is {keys.sample}", right)
    results = [
        _result(reader, one, ("sweep", "results", place)) for place, one in enumerate(keys.results)
    ]
    return SweepQuestion(vary, keys.sample, tuple(one for one in results if one is not None))


def _judge(reader: Reader) -> Judge | None:
    found = reader.section("judge", Judge, required=False)
    if found is not None:
        least = found.least_rows + least_near(found.least_rows)
        if found.most_rows < least:
            right = f"give {least} or more: to least_rows come rows where the truth may lie"
            reader.fault(("judge", "most_rows"), f"is {found.most_rows}", right)
    return found


def _explain(reader: Reader, keys: Explain, liquids: Sequence[str]) -> ExplainQuestion:
    between = None if keys.between is None else (keys.between[0], keys.between[1])
    for place, name in enumerate(between or ()):
        if name not in liquids:
            where = ("explain", "between", place)
            there = ", ".join(liquids)[:200]
            reader.fault(where, f"names {name[:80]!r}", f"there are {there}")
    if between is not None and between[0] == between[1]:
        reader.fault(("explain", "between"), "names one liquid twice", "name two liquids")
    of = None if keys.of is None else _result(reader, keys.of, ("explain", "of"))
    return ExplainQuestion(between, of, keys.scale == "log", keys.width, keys.most_repeats)


def _result(reader: Reader, given: Any, where: KeyPath) -> Asked | None:
    """What is asked of a run, or None with its faults noted."""
    if isinstance(given, str):
        if given in FIGURES:
            return Asked(given)
        from poresim.scenario import wording

        near = wording.nearest(given, FIGURES)
        hint = f"did you mean {near}? " if near else ""
        listed = f"{hint}one of {', '.join(FIGURES)}, or a table such as {{ uptake_at_s = 5 }}"
        reader.fault(where, f"got {wording.shown(given)}", listed)
        return None
    keys = reader.validated(Reading, given, where)
    if keys is None:
        return None
    said = [name for name in READINGS if getattr(keys, name) is not None]
    if len(said) != 1:
        wrong = f"gives {' and '.join(said)}" if said else "says nothing"
        reader.fault(where, wrong, f"give one of {', '.join(READINGS)}")
        return None
    return Asked(said[0], getattr(keys, said[0]))
