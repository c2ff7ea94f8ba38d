"""Rival explanations: in which of their properties liquids differ; in the others they are alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from poresim.inference.shapley import subsets
from poresim.record.layout import RecordError
from poresim.scenario.questions import MECHANISMS
from poresim.why.mechanisms import Pair, Taken

if TYPE_CHECKING:
    from poresim.scenario.questions import Judge
    from poresim.scenario.reading import Scenario

#: Mechanisms that are weighed when nothing is said; the others are as the scenario has them.
USUAL = ("wetting", "thickening", "plugging")
#: The explanation in which nothing differs.
NOTHING = "none"
_MOST = 32


@dataclass(frozen=True)
class Rival:
    """An explanation. acting : mechanisms by which liquids differ from the reference. always :
    those that are not weighed: they differ as the scenario says."""

    acting: Taken
    always: Taken = frozenset()

    @property
    def name(self) -> str:
        """As in ``wetting+plugging``; ``none``: nothing differs."""
        return "+".join(m for m in MECHANISMS if m in self.acting) or NOTHING

    def owner(self, mechanism: str, liquid: str, reference: str) -> str:
        """From which liquid another has what belongs to a mechanism."""
        return liquid if mechanism in self.acting | self.always else reference


@dataclass(frozen=True)
class Makeup:
    """From which liquid a soaked liquid has each mechanism, in the order of MECHANISMS."""

    owners: tuple[str, ...]

    def owner(self, mechanism: str) -> str:
        """Of that mechanism."""
        return self.owners[MECHANISMS.index(mechanism)]


def makeup(rival: Rival, liquid: str, reference: str) -> Makeup:
    """Of a liquid, as an explanation has it."""
    return Makeup(tuple(rival.owner(m, liquid, reference) for m in MECHANISMS))


def reference_of(scenario: Scenario, question: Judge, liquids: Sequence[str]) -> str:
    """The liquid that the others are compared with. RecordError: there is none of that name, or
    nothing was measured of it."""
    name = question.reference or next((s.name for s in scenario.liquids if s.name in liquids), "")
    if name not in liquids:
        there = ", ".join(liquids)
        raise RecordError(
            f"{scenario.path}: [judge] reference: nothing was weighed of {name!r}; "
            f"there are logs of {there[:200]}"
        )
    return name


def rivals_of(
    scenario: Scenario, question: Judge, liquids: Sequence[str], reference: str
) -> tuple[Rival, ...]:
    """The explanations that are weighed: those declared, or all subsets of what liquids differ in.

    RecordError: they name no mechanism, there are too many, or there is nothing to tell apart.
    """
    differing = _differing(scenario, liquids, reference)
    if question.explanations is not None:
        acting = [_declared(scenario, text) for text in question.explanations]
    else:
        given: Sequence[str] | None = question.mechanisms
        some = given or [m for m in USUAL if m in differing]
        acting = list(subsets([m for m in MECHANISMS if m in some]))
    weighed: frozenset[str] = frozenset().union(*acting)
    absent = sorted(weighed - set(differing))
    if absent:
        raise RecordError(
            f"{scenario.path}: [judge]: the measured liquids do not differ from {reference!r} in "
            f"{' and '.join(absent)}; they differ in {', '.join(differing) or 'nothing'}"
        )
    always = frozenset(MECHANISMS) - weighed
    rivals = tuple(dict.fromkeys(Rival(one, always) for one in acting))
    if not 2 <= len(rivals) <= _MOST:
        raise RecordError(
            f"{scenario.path}: [judge]: {len(rivals)} explanations; 2 to {_MOST} can be weighed "
            "(by mechanisms, or by explanations)"
        )
    return rivals


def _differing(scenario: Scenario, liquids: Sequence[str], reference: str) -> list[str]:
    by_name = {spec.name: spec for spec in scenario.liquids}
    found: set[str] = set()
    for name in liquids:
        found |= set(Pair(scenario, by_name[reference], by_name[name]).differing())
    return [m for m in MECHANISMS if m in found]


def _declared(scenario: Scenario, text: str) -> Taken:
    said = [part.strip() for part in text.split("+")]
    if said == [NOTHING]:
        return frozenset()
    wrong = [part for part in said if part not in MECHANISMS]
    if wrong:
        raise RecordError(
            f"{scenario.path}: [judge] explanations: {text[:80]!r} names no mechanism "
            f"({wrong[0][:40]!r}); write {NOTHING!r}, or some of {', '.join(MECHANISMS)} with +"
        )
    return frozenset(said)
