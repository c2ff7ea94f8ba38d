"""The answer of a run in a sentence, and what else its summaries say in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from poresim.outcome import words
from poresim.outcome.standing import standing_of, standing_words
from poresim.outcome.summary import Summary
from poresim.record.model import Record
from poresim.show.series import Series

_IN_ONE = 4  # liquids that one sentence can tell of


@dataclass(frozen=True)
class Answer:
    """``sentence`` says it; ``details`` are headings with sentences, a liquid each."""

    sentence: str
    details: list[tuple[str, list[str]]]


def answer(records: Sequence[Record], series: Sequence[Series]) -> Answer:
    """Of all that are shown together."""
    found = [one.summary for one in series]
    if not found:
        return Answer(words.headline(found), [])
    told = [
        ("Pores filled, and when", words.headline(found).removesuffix(".").split("; ")),
        ("Against the root of time", words.absorption_told(found)),
        ("Drops", words.drop_told(found)),
        ("Lifted out", words.lifted_told(found)),
        ("Trapped air", words.air_told(found)),
        ("Snap force", words.firmness_told(found)),
        ("Shear rates that mattered", words.shear_told(found)),
    ]
    if standing := _standing(records):
        told.insert(0, ("Standing in the cup", standing[1:]))
    details = [(head, [f"{words.capital(one)}." for one in rows]) for head, rows in told if rows]
    return Answer(_sentence(found, standing), details)


def _sentence(found: Sequence[Summary], standing: Sequence[str]) -> str:
    if standing:
        return f"{standing[0]}."
    if any(s.drop_left_share.reached for s in found):
        return f"{words.drop_title(found)}."
    if len(found) > _IN_ONE:
        return f"{words.title(found)}."
    return words.headline(found)


def _standing(records: Sequence[Record]) -> list[str]:
    """What standing did, if several times of it were tried: the answer, then figures."""
    if len(records) != 1:
        return []
    kinds = standing_of(records[0])
    if not any(len(kind.stood_s) > 1 for kind in kinds):
        return []
    told = standing_words(kinds)
    return [told.title, *told.text.removesuffix(".").split(". ")]
