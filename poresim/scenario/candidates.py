"""Further tests that ``plan`` is asked to compare: ``[plan]``, with ``[[plan.tests]]``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from poresim.scenario.schema import Keys, number, words

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Reader

#: Pieces that are weighed when nothing is said (common practice).
REPEATS = 3
#: Minutes of a piece beside its soak, and of a drop (common practice).
MINUTES_A_PIECE, MINUTES_A_DROP = 5.0, 3.0
_LISTED = 4  # times that a name lists
_KINDS = ("uptake_at_s", "angle_sd_deg")


class PlannedTest(Keys):
    """One of them: pieces weighed at some times, or the angle of a drop."""

    name: str | None = words("a name, up to 80 letters", None, min_length=1, max_length=80)
    liquid: str = words("the name of a liquid of this file", min_length=1, max_length=80)
    uptake_at_s: list[float] | None = words(
        "the times in s, above 0, at which a piece is weighed, such as [30, 60, 120]",
        None, min_length=1, max_length=12,
    )  # fmt: skip
    repeats: int | None = number("pieces weighed, a whole number", REPEATS, None, ge=1, le=100)
    balance_g: float | None = number(
        "step of the balance in g (that of [judge] when left out)", 0.1, None, gt=0, le=1000
    )
    angle_sd_deg: float | None = number(
        "standard deviation in degrees to which an angle is read", 2, None, gt=0, le=90
    )
    minutes: float | None = number("minutes that the test takes", 15, None, gt=0, le=1e6)


class Plan(Keys):
    """Which further tests are compared."""

    tests: list[PlannedTest] = words(
        "a list of tests, [[plan.tests]], each with a liquid and uptake_at_s or angle_sd_deg",
        min_length=1, max_length=50,
    )  # fmt: skip


@dataclass(frozen=True)
class Candidate:
    """A test that could be done.

    when : times (s) in order at which ``repeats`` pieces are weighed, by a balance of that step in
    g (None: as the others were); empty for an angle, which is read to ``angle_sd_deg``.
    """

    name: str
    liquid: str
    when: tuple[float, ...]
    repeats: int
    balance_g: float | None
    angle_sd_deg: float
    minutes: float


def candidates(reader: Reader, liquids: Sequence[str]) -> tuple[Candidate, ...] | None:
    """Those of ``[plan]``, or None without such a table; faults are noted."""
    keys = reader.section("plan", Plan, required=False)
    if keys is None:
        return None
    found: list[Candidate] = []
    for place, one in enumerate(keys.tests):
        where: KeyPath = ("plan", "tests", place)
        if _sound(reader, one, where, liquids):
            made = _candidate(one)
            if made.name in [other.name for other in found]:
                reader.fault(where, f"is called {made.name!r}, as another", "give it another name")
            found.append(made)
    return tuple(found)


def weighing(
    liquid: str, when: Sequence[float], repeats: int = REPEATS, balance_g: float | None = None
) -> Candidate:
    """Pieces that are weighed, one after another."""
    times = tuple(sorted(when))
    *some, last = [f"{t:g}" for t in times]
    said = f"{', '.join(some)} and {last}" if some else last
    if len(times) > _LISTED:
        said = f"{len(times)} times from {times[0]:g} to {last}"
    pieces = f"{repeats} pieces" if repeats > 1 else "one piece"
    minutes = repeats * (times[-1] / 60 + MINUTES_A_PIECE)
    name = f"weigh {pieces} in {liquid} at {said} s"
    return Candidate(name, liquid, times, repeats, balance_g, 0.0, minutes)


def angle(liquid: str, sd_deg: float) -> Candidate:
    """A drop whose angle is read."""
    name = f"read the angle of {liquid} to {sd_deg:g}°"
    return Candidate(name, liquid, (), 1, None, sd_deg, MINUTES_A_DROP)


def _candidate(one: PlannedTest) -> Candidate:
    if one.uptake_at_s is not None:
        made = weighing(one.liquid, one.uptake_at_s, one.repeats or REPEATS, one.balance_g)
    else:
        made = angle(one.liquid, one.angle_sd_deg or 0.0)
    minutes = made.minutes if one.minutes is None else one.minutes
    return Candidate(
        one.name or made.name, made.liquid, made.when, made.repeats, made.balance_g,
        made.angle_sd_deg, minutes,
    )  # fmt: skip


def _sound(reader: Reader, one: PlannedTest, where: KeyPath, liquids: Sequence[str]) -> bool:
    """Whether it can be done; faults are noted."""
    before = len(reader.faults)
    if one.name is not None and not one.name.isprintable():
        reader.fault((*where, "name"), "holds characters that cannot be shown", "use plain text")
    if one.liquid not in liquids:
        there = ", ".join(liquids)[:200]
        reader.fault((*where, "liquid"), f"names {one.liquid[:80]!r}", f"there are {there}")
    given = [kind for kind in _KINDS if getattr(one, kind) is not None]
    if len(given) != 1:
        wrong = f"gives {' and '.join(given)}" if given else "says not what is read"
        reader.fault(where, wrong, f"give one of {' or '.join(_KINDS)}")
    elif given == ["angle_sd_deg"]:
        for key in ("repeats", "balance_g"):
            if getattr(one, key) is not None:
                right = "leave it out: a drop is read to angle_sd_deg"
                reader.fault((*where, key), "belongs beside uptake_at_s", right)
    times = one.uptake_at_s or []
    if any(not 0 < t <= 1e9 for t in times) or len(set(times)) < len(times):
        right = "give each time once, in s, above 0 and up to 1e9"
        reader.fault((*where, "uptake_at_s"), f"got {times}"[:100], right)
    return len(reader.faults) == before
