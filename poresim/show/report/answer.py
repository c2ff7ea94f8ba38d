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
    standing = _standing(records)
    sentence = _sentence(found, standing)
    filled = words.headline(found)
    details = [
        ("Standing in the cup", standing[1:]),
        ("Drops", words.drop_told(found)),
        ("Pores filled, and when", [] if filled in sentence else _parts(filled, "; ")),
        ("Lifted out", words.lifted_told(found)),
        ("Trapped air", words.air_told(found)),
    ]
    told = [(head, [f"{words.capital(one)}." for one in rows]) for head, rows in details if rows]
    return Answer(sentence, told)


def _sentence(found: Sequence[Summary], standing: Sequence[str]) -> str:
    drops = [s for s in found if s.drop_left_share.reached]
    others = [s for s in found if not s.drop_left_share.reached]
    told = []
    if standing:
        told.append(standing[0])
    elif others:
        fates = _parts(words.headline(others), "; ")  # the fastest first
        told.append("; ".join(fates if len(fates) <= _IN_ONE else [fates[0], fates[-1]]))
    if drops:
        told.append(words.drop_title(drops))
    if firm := words.firmness_told(found):
        told.append("; ".join(firm))
    return " ".join(f"{words.capital(text)}." for text in told)


def _parts(text: str, between: str) -> list[str]:
    return text.removesuffix(".").split(between)


def _standing(records: Sequence[Record]) -> list[str]:
    """What standing did, if several times of it were tried: the answer, then figures."""
    if len(records) != 1:
        return []
    kinds = standing_of(records[0])
    if not any(len(kind.stood_s) > 1 for kind in kinds):
        return []
    told = standing_words(kinds)
    return [told.title, *_parts(told.text, ". ")]
