"""Which checks a run passed or failed, how every soak ended, and what must be said loudly."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from poresim.ensemble.request import files_named
from poresim.outcome.words import EXTRAPOLATED, percent
from poresim.record.layout import FORMAT
from poresim.record.model import LiquidRecord, Record, Repeat
from poresim.show.report.assumed import Assumed, quantity

PASSED, FAILED, CAUTION, OPEN = "passed", "FAILED", "caution", "not known"


@dataclass(frozen=True)
class Check:
    """What was checked, what would be right, what was found, and the verdict."""

    name: str
    asked: str
    found: str
    verdict: str


@dataclass(frozen=True)
class Ended:
    """Soaks of one liquid that ended alike."""

    liquid: str
    ending: str
    solids: str
    count: int
    times: str
    steps: str
    solves: str
    balance: str
    failed: bool


def checks(record: Record, found: Assumed) -> list[Check]:
    """Of one record."""
    return [
        _finished(record, found), _solved(record), *_balance(record), *_measured(record),
        _belongs(record, found),
    ]  # fmt: skip


def alarms(record: Record, found: Assumed) -> list[str]:
    """What nobody may overlook."""
    told = []
    asked = _asked(record, found)
    if not record.complete:
        of = f" of {asked}" if asked else ""
        told.append(
            f"This run is not finished: {record.soaks}{of} soaks are in the record. Medians and "
            "ranges stand on those alone. poresim run --resume goes on."
        )
    elif asked and record.soaks < asked:
        told.append(f"Only {record.soaks} of the {asked} soaks asked for are in the record.")
    for liquid, number in record.failed:
        told.append(
            f"{liquid}, solid {number}: the pressures could not be solved to the accuracy asked "
            "for. What was computed until then stands in the figures."
        )
    for check in _balance(record):
        if check.verdict == FAILED:
            told.append(
                f"The volumes do not balance: {check.found}, where {check.asked} is allowed. "
                "Do not trust this run."
            )
    if _belongs(record, found).verdict == FAILED:
        told.append(
            "The scenario in this record is not the one that its numbers are from: it was changed "
            "afterwards."
        )
    return told


def endings(record: Record) -> Iterator[Ended]:
    """Every soak of a record once, those of a liquid that ended alike together."""
    for liquid in record.liquids:
        kinds: dict[str, list[tuple[int, Repeat]]] = {}
        for number, repeat in liquid.repeats.items():
            kinds.setdefault(repeat.ending.value, []).append((number, repeat))
        for ending, alike in kinds.items():
            yield _ended(liquid, ending, [n for n, _ in alike], [r for _, r in alike])


def _ended(
    liquid: LiquidRecord, ending: str, numbers: Sequence[int], alike: Sequence[Repeat]
) -> Ended:
    return Ended(
        liquid.name,
        ending,
        runs_of(numbers),
        len(alike),
        _range([float(r.time_s[-1]) for r in alike]),
        _range([r.steps for r in alike]),
        _range([r.solves for r in alike]),
        _share(max(r.volume_balance for r in alike)),
        alike[0].ending.failed,
    )


def runs_of(numbers: Sequence[int]) -> str:
    """Whole numbers, neighbours drawn together: ``0 to 3, 5``."""
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ", ".join(
        f"{a}" if a == b else f"{a}, {b}" if b == a + 1 else f"{a} to {b}" for a, b in spans
    )


def _range(values: Sequence[float]) -> str:
    low, high = f"{min(values):.4g}", f"{max(values):.4g}"
    return low if low == high else f"{low} to {high}"


def _share(value: float) -> str:
    """A small share in per cent, to two figures."""
    return f"{float(f'{100 * value:.2g}'):.10g} %" if math.isfinite(value) else "no number"


def _asked(record: Record, found: Assumed) -> int:
    """How many soaks the scenario asks for; 0 where that is not known."""
    run = found.tables.get("run")
    repeats = quantity(run.get("repeats", 1)) if isinstance(run, dict) else None
    return int(repeats) * len(record.liquids) if repeats else 0


def _finished(record: Record, found: Assumed) -> Check:
    asked = _asked(record, found)
    whole = record.complete and record.soaks >= asked
    return Check(
        "Every soak is finished",
        f"{asked} soaks" if asked else "all",
        f"{record.soaks} soaks{'' if record.complete else ', the run was cut short'}",
        PASSED if whole else FAILED,
    )


def _solved(record: Record) -> Check:
    bad = len(record.failed)
    return Check(
        "The pressures were solved in every soak",
        "all",
        f"{bad} of {record.soaks} were not" if bad else f"all {record.soaks}",
        FAILED if bad or not record.soaks else PASSED,
    )


def _balance(record: Record) -> Iterator[Check]:
    """Of the worst soak at each accuracy: a run has one."""
    worst: dict[float, float] = {}
    for liquid in record.liquids:
        for repeat in liquid.repeats.values():
            balance = repeat.volume_balance
            balance = balance if math.isfinite(balance) else math.inf
            worst[repeat.accuracy] = max(worst.get(repeat.accuracy, 0.0), balance)
    for accuracy, balance in worst.items():
        yield Check(
            "Volumes balance to a hundredth of the accuracy that was asked for "
            f"({100 * accuracy:g} % of the uptake curve)",
            f"at most {_share(accuracy / 100)} of the liquid",
            f"{_share(balance)} in the worst soak",
            PASSED if balance <= accuracy / 100 else FAILED,
        )


def _measured(record: Record) -> Iterator[Check]:
    """Of liquids with a measured flow curve: how much of the work lay outside it."""
    for liquid in record.liquids:
        shares = [float(r.extrapolated_share.sum()) for r in liquid.repeats.values()]
        known = [share for share in shares if math.isfinite(share)]
        if known:
            outside = max(known)
            yield Check(
                f"Work within the measured flow curve of {liquid.name}",
                f"at most {percent(EXTRAPOLATED)} outside",
                f"{percent(outside)} outside, in the worst solid",
                PASSED if outside <= EXTRAPOLATED else CAUTION,
            )


def _belongs(record: Record, found: Assumed) -> Check:
    """Whether the scenario's text is the one that the record's key was made of."""
    name, asked = (
        "The scenario below is the one that was run",
        "its hash, with the version's, is the key of the record",
    )
    if files := list(files_named(found.tables)):
        return Check(name, asked, f"it names files that are not in the record: {len(files)}", OPEN)
    made = (
        hashlib.sha256(f"{number} {record.version}\n".encode() + _bytes(record.scenario))
        for number in range(1, FORMAT + 1)
    )
    same = any(one.hexdigest() == record.key for one in made)
    return Check(
        name,
        asked,
        "yes" if same else "no: it was changed",
        PASSED if same else FAILED,
    )


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")
