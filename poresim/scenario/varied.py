"""A scenario with other values for some of its keys.

A key is named as one would say it: ``solid.tubes.median_radius_um``, ``liquids.gum
broth.viscosity.index`` (a member of a list by its name, or by its number, counted from 1),
``liquids.*.contact_angle_deg`` (of every liquid).
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from poresim.scenario.faults import Fault, ScenarioError
from poresim.scenario.wording import key_text, nearest

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Scenario

#: Tables that ask something of a scenario; they do not change what a run does.
QUESTIONS = ("sweep", "explain", "judge", "plan", "priors", "measured")
#: Tables whose keys can be varied.
VARIABLE = ("solid", "liquids", "exposure", "run", "softening")


class KeyFault(ValueError):
    """A key that cannot be varied. wrong, right : as of a Fault."""

    def __init__(self, wrong: str, right: str) -> None:
        super().__init__(f"{wrong}; {right}")
        self.wrong, self.right = wrong, right


class Variations:
    """Scenarios that differ from one in some keys."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        whole = tomllib.loads(scenario.text)
        self._data = {key: value for key, value in whole.items() if key not in QUESTIONS}

    def places(self, key: str) -> list[KeyPath]:
        """Where a key stands, or would stand. KeyFault: nowhere."""
        return places(self._data, key)

    def given(self, key: str) -> Any:
        """What stands there now (at the first place), as :meth:`value`."""
        return self.value(self.places(key)[0])

    def value(self, path: KeyPath) -> Any:
        """What stands at a path, without its standard deviation; None: nothing."""
        here: Any = self._data
        for part in path:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return None
        if isinstance(here, dict) and set(here) <= {"value", "sd"}:
            return here.get("value")
        return here

    def scenario(self, values: Mapping[Any, Any]) -> Scenario:
        """The scenario with these values, by key or by path of a key.

        ScenarioError: what the values make is at fault.
        """
        try:
            return self._read(values)
        except ScenarioError as error:
            said = ", ".join(f"{_named(key)} = {_short(value)}" for key, value in values.items())
            raise ScenarioError([_with(fault, said) for fault in error.faults]) from None

    def faults(self, values: Mapping[Any, Any]) -> list[Fault]:
        """What is wrong with the scenario with these values, in the order of the file."""
        try:
            self._read(values)
        except ScenarioError as error:
            return error.faults
        return []

    def _read(self, values: Mapping[Any, Any]) -> Scenario:
        from poresim.scenario.reading import read_tables

        data = copy.deepcopy(self._data)
        for key, value in values.items():
            for place in places(data, key) if isinstance(key, str) else [key]:
                _put(data, place, copy.deepcopy(value))
        return read_tables(data, self._scenario.text, self._scenario.path)


def places(data: dict[str, Any], key: str) -> list[KeyPath]:
    """The paths that a key names in a scenario's tables. KeyFault: it names none."""
    section, dot, rest = key.partition(".")
    if section not in VARIABLE or not dot or not rest:
        such = "such as solid.tubes.median_radius_um"
        raise KeyFault(
            f"{key[:80]!r} is no key", f"begin with one of {', '.join(VARIABLE)}, {such}"
        )
    if section not in data:
        raise KeyFault(f"there is no [{section}]", "vary what the scenario has")
    return _walk(data[section], rest, (section,), key)


def _walk(here: Any, rest: str, path: KeyPath, key: str) -> list[KeyPath]:
    if isinstance(here, list):
        found: list[KeyPath] = []
        fault: KeyFault | None = None
        for number, after in _members(here, rest, key):
            place = (*path, number)
            try:
                found += _walk(here[number], after, place, key) if after else [place]
            except KeyFault as none:  # a liquid that has that table from another
                fault = none
        if not found and fault is not None:
            raise fault
        return found
    name, dot, after = rest.partition(".")
    if not dot:
        return [(*path, name)]
    below = here.get(name) if isinstance(here, dict) else None
    if not isinstance(below, dict | list):
        tables = [k for k, v in here.items() if isinstance(v, dict | list)]
        near = nearest(name, tables)
        right = f"did you mean {near}?" if near else f"tables here: {', '.join(tables) or 'none'}"
        raise KeyFault(f"{key[:80]!r}: there is no table {name[:40]!r}", right)
    return _walk(below, after, (*path, name), key)


def _members(listed: list[Any], rest: str, key: str) -> list[tuple[int, str]]:
    """(place, what follows) of the members that the beginning of ``rest`` names."""
    first, _, after = rest.partition(".")
    if first == "*":
        return [(number, after) for number in range(len(listed))]
    names = [member.get("name") if isinstance(member, dict) else None for member in listed]
    fitting = [
        (number, rest[len(name) + 1 :])
        for number, name in enumerate(names)
        if isinstance(name, str) and name and (rest == name or rest.startswith(name + "."))
    ]
    if fitting:
        return [min(fitting, key=lambda one: len(one[1]))]
    if first.isdecimal() and 1 <= int(first) <= len(listed):
        return [(int(first) - 1, after)]
    there = ", ".join(str(name) for name in names if name) or f"1 to {len(listed)}"
    raise KeyFault(f"{key[:80]!r} names no member of the list", f"there are {there[:200]}, or *")


def _put(data: dict[str, Any], place: KeyPath, value: Any) -> None:
    here: Any = data
    for part in place[:-1]:
        here = here[part]
    here[place[-1]] = value


def _named(key: str | KeyPath) -> str:
    return key if isinstance(key, str) else key_text(key)


def _short(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)[:40]


def _with(fault: Fault, said: str) -> Fault:
    wrong = f"with {said[:160]}: {fault.wrong}"
    return Fault(fault.file, fault.line, fault.key, wrong, fault.right)
