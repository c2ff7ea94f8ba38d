"""The question that a run answers, in words, from what its scenario asks."""

from __future__ import annotations

from collections.abc import Sequence

from poresim.outcome.words import seconds
from poresim.record.model import Record
from poresim.show.report.assumed import Assumed, quantity

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")

_NAMED = 6  # liquids that one sentence can name


def question(record: Record, found: Assumed) -> str:
    """One or two sentences that end with a question mark."""
    tables = found.tables
    solid, exposure = tables.get("solid"), tables.get("exposure")
    solid = solid if isinstance(solid, dict) else {}
    exposure = exposure if isinstance(exposure, dict) else {}
    name = str(solid.get("name", "the solid"))
    of, within = _liquids(record), _within(record, found)
    kind = exposure.get("kind")
    if kind == "drop":
        text = f"What becomes of {_drops(exposure)} of {of}, set down on top of “{name}”,{within}?"
    elif kind == "dip":
        held = quantity(exposure.get("dip_s", 30.0))
        time = f" for {seconds(held)}" if held is not None else ""
        text = (
            f"How far and how fast does {of} soak into “{name}” that is dipped{time} and lifted "
            f"out,{within}?"
        )
    else:
        text = (
            f"How far and how fast does {of} soak into “{name}”{_by(record.faces)},{within}?"
        )  # fmt: skip
    text = text.replace(",?", "?")
    if any(len(r.snap_force_N) for q in record.liquids for r in q.repeats.values()):
        text += " And how firm does it stay?"
    return text


def counted(number: int, one: str) -> str:
    """A small number in words, with what there is so much of."""
    told = _NUMBERS[number] if number < len(_NUMBERS) else str(number)
    return f"{told} {one}{'' if number == 1 else 's'}"


def _liquids(record: Record) -> str:
    """Their names; those that differ only in how long they stood count once."""
    names = list(dict.fromkeys(one.grains.kind or one.name for one in record.liquids))
    if len(record.liquids) == 1:
        return names[0]
    text = f"each of {counted(len(names), 'liquid')}"
    if len(names) <= _NAMED:
        text += f" ({', '.join(names)})"
    return f"{text}, fresh and after it has stood," if len(names) < len(record.liquids) else text


def _within(record: Record, found: Assumed) -> str:
    run = found.tables.get("run")
    until = quantity(run.get("until_s")) if isinstance(run, dict) else None
    if until is None:
        ends = [float(r.time_s[-1]) for q in record.liquids for r in q.repeats.values()]
        until = max(ends, default=None)
    return f" within {seconds(until)}" if until is not None else ""


def _drops(exposure: dict[str, object]) -> str:
    volume, number = quantity(exposure.get("volume_uL")), quantity(exposure.get("drops", 1))
    size = f" of {volume:g} µL" if volume is not None else ""
    many = int(number or 1)
    return f"a drop{size}" if many == 1 else f"{counted(many, 'drop')}{size}"


def _by(faces: Sequence[str]) -> str:
    if not faces:
        return ""
    names = ", ".join(faces[:-1]) + " and " * (len(faces) > 1) + faces[-1]
    return f" by its {names} face{'s' * (len(faces) > 1)}"
