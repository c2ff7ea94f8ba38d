"""Whether priors are about quantities of a scenario, and stay where these can be.

Each key is varied alone, as a sweep would: the median of its law and the values that one draw in a
thousand lies beyond must make a scenario without fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from poresim.inference.laws import Law
from poresim.scenario.faults import Fault, ScenarioError
from poresim.scenario.lines import key_lines
from poresim.scenario.varied import KeyFault, Variations
from poresim.scenario.wording import key_text

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Scenario

#: Share of a law below its lowest looked-at value, and above its highest.
TAIL = 0.001


def checked_priors(scenario: Scenario, laws: Mapping[str, Law] | None = None) -> dict[str, Law]:
    """Laws by key, each such that the scenario can be varied so.

    laws : those of the scenario's ``[priors]`` when left out. Raises ScenarioError with every
    fault: a key that names nothing, one named twice, values that cannot be.
    """
    if laws is None:
        laws = scenario.questions.priors or {}
    variations = Variations(scenario)
    lines = key_lines(scenario.text)
    faults = []
    known: dict[KeyPath, str] = {}
    for key, law in laws.items():
        where = ("priors", key)
        line = lines.get(where, lines.get(where[:1]))
        for wrong, right in _faults(variations, key, law, known):
            faults.append(
                Fault(str(scenario.path or "scenario"), line, key_text(where), wrong, right)
            )
    if faults:
        raise ScenarioError(faults)
    return dict(laws)


def _faults(
    variations: Variations, key: str, law: Law, known: dict[KeyPath, str]
) -> list[tuple[str, str]]:
    """(wrong, right) of all that is wrong with one law; ``known`` gains the places of its key."""
    try:
        places = variations.places(key)
    except KeyFault as fault:
        return [(fault.wrong, fault.right)]
    for place in places:
        other = known.setdefault(place, key)
        if other != key:
            wrong = f"names {key_text(place)}, as {other[:80]!r} does"
            return [(wrong, "give each quantity one law")]
    low, middle, high = (float(x) for x in law.quantile([TAIL, 0.5, 1 - TAIL]))
    amiss = variations.faults({key: middle})
    if amiss:
        wrong, right = _said(amiss[0], key)
        if amiss[0].wrong == "is not a known key":
            return [(wrong, right)]
        return [(f"its median, {middle:.4g}, cannot be: {wrong}", right)]
    found = []
    for name, beyond, value in (("least", "below", low), ("greatest", "above", high)):
        amiss = variations.faults({key: value})
        if amiss:
            wrong, right = _said(amiss[0], key)
            reached = f"one draw in a thousand lies {beyond} {value:.4g}, which cannot be: {wrong}"
            limits = f": {right[5:]}" if right.startswith("give ") else f", or {right}"
            found.append((reached, f"give {name}{limits}" if right else f"give {name}"))
    return found


def _said(fault: Fault, key: str) -> tuple[str, str]:
    """A fault in words, with its own key where that is another one."""
    own = fault.key.rpartition(".")[2] == key.rpartition(".")[2]
    return (fault.wrong if own else f"{fault.key}: {fault.wrong}"), fault.right
