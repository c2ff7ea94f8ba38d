"""Answers in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from poresim.outcome.words import between, capital, percent, signed_percent
from poresim.why.mechanisms import WORDS

if TYPE_CHECKING:
    from poresim.inference.shares import Interval, Shares
    from poresim.why.explain import Explained

#: Changes made one at a time are said not to add up from here on.
_ADDS_UP = 0.05
#: A share whose magnitude is below this is not worth a sentence.
_LEAST = 0.02


def explained_in_words(found: Explained) -> str:
    """The answer in a few sentences."""
    one, other = found.between
    if found.shares is None:
        return f"{one} and {other} do not differ in anything that is computed here."
    said = [_difference(found)]
    if not found.shares.distinct:
        said.append(
            "Nothing is shared out: within what these solids differ by, there is no difference "
            "to explain. These data cannot separate the liquids, let alone the causes."
        )
        return " ".join(said)
    return " ".join([*said, *_causes(found), *_together(found.shares), *_surety(found)])


def verdict(found: Explained) -> str:
    """The answer as a title: a few words."""
    if found.shares is None or not found.shares.distinct:
        return "No difference to explain"
    first, *others = _told(found.shares)
    name = capital(_short(first))
    share = found.shares.of[first]
    if others and not _ranked(found.shares, first, others[0]):
        return f"{name} and {_short(others[0])}: which matters more is open"
    if share.value > 0.995:
        return f"{name} explains the difference"
    told = whole_percents({one: of.value for one, of in found.shares.of.items()})
    return f"{name} explains {told[first]} of the difference"


def _difference(found: Explained) -> str:
    one, other = found.between
    a, b = found.ends
    of = found.of
    said = f"{capital(of.words)}: {of.told(a)} with {one}, {of.told(b)} with {other}"
    if found.log and a > 0 and b > 0 and not math.isclose(a, b, rel_tol=5e-3):
        ratio = max(a, b) / min(a, b)
        said += f", {'less' if b < a else 'more'} by a factor of {ratio:.3g}"
    return said + "."


def _causes(explained: Explained) -> list[str]:
    found = explained.shares
    assert found is not None
    told = whole_percents({name: of.value for name, of in found.of.items()})
    parts = [f"{WORDS[name]} {told[name]}{_ends(found.of[name])}" for name in _told(found)]
    left = [name for name in found.of if abs(found.of[name].value) < _LEAST]
    of = "Of the logarithm of this ratio" if explained.log else "Of this difference"
    said = [f"{of}, {_listed(parts)}."]
    against = [name for name in found.of if found.of[name].high < 0]
    if against:
        said.append(
            f"{capital(_listed([_short(n) for n in against]))} "
            f"{'acts' if len(against) == 1 else 'act'} against it."
        )
    if left:
        said.append(f"{capital(_listed([_short(n) for n in left]))}: hardly any.")
    first, *others = _told(found)
    if others and not _ranked(found, first, others[0]):
        said.append(
            f"These solids cannot tell which of {_short(first)} and {_short(others[0])} matters "
            "more: their intervals overlap."
        )
    return said


def _together(found: Shares) -> list[str]:
    if len(found.of) < 2 or abs(found.sum_alone - 1) < _ADDS_UP > abs(found.sum_last - 1):
        return []
    pair, most = max(found.together.items(), key=lambda one: abs(one[1].value))
    how = "helps the other on" if most.value > 0 else "does in part what the other does"
    said = (
        f"Changed one at a time they would explain {percent(found.sum_alone)} (each alone) or "
        f"{percent(found.sum_last)} (each last), not 100 %"
    )
    if abs(most.value) >= _LEAST:
        said += f": of {_short(pair[0])} and {_short(pair[1])} each {how}"
    return [said + "."]


def _surety(found: Explained) -> list[str]:
    assert found.shares is not None
    if found.uncertain:
        return [
            f"Intervals (95 %) hold what the stated standard deviations and one solid to the next "
            f"do, over {found.repeats} draws."
        ]
    said = f"Intervals (95 %) are those of the mean over {found.repeats} solids"
    if found.shares.widest > found.wanted:
        said += (
            f"; the widest, {percent(found.shares.widest)}, is wider than the "
            f"{percent(found.wanted)} asked for: allow most_repeats more"
        )
    return [said + "."]


def _told(found: Shares) -> list[str]:
    """Mechanisms worth telling, the largest first."""
    ranked = sorted(found.of, key=lambda name: -abs(found.of[name].value))
    return [name for name in ranked if abs(found.of[name].value) >= _LEAST] or ranked[:1]


def _ranked(found: Shares, first: str, second: str) -> bool:
    return found.of[first].low > found.of[second].high


def _ends(of: Interval) -> str:
    """The ends of an interval in brackets, where they are worth it."""
    same = signed_percent(of.low) == signed_percent(of.high)
    return "" if same else f" ({between(of.low, of.high)})"


def whole_percents(shares: Mapping[str, float]) -> dict[str, str]:
    """Shares of one whole in whole per cent that add up to 100: the largest remainders go up."""
    exact = {name: 100 * share for name, share in shares.items()}
    down = {name: math.floor(value) for name, value in exact.items()}
    short = round(sum(exact.values())) - sum(down.values())
    for name in sorted(exact, key=lambda one: down[one] - exact[one])[: max(short, 0)]:
        down[name] += 1
    return {name: f"{value} %" for name, value in down.items()}


def _short(name: str) -> str:
    return {"gravity": "density"}.get(name, name)


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
