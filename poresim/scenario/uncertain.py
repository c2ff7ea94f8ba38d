"""Quantities that are given with their standard deviation: ``{ value = 48, sd = 1.5 }``.

Any number of a scenario may be, but in [priors], whose laws have figures of their own. Everything
reads the value; the standard deviations are kept by the path of their key, for what asks how much
they matter.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from poresim.scenario.lines import Path as KeyPath

if TYPE_CHECKING:
    from poresim.scenario.reading import Reader

_KEYS = {"value", "sd"}
_RIGHT = "give { value = 48, sd = 1.5 }: two numbers, sd above 0"


def take_values(reader: Reader) -> dict[KeyPath, float]:
    """Put values in place of such tables, in the reader's data; the standard deviations by path.

    Faults are noted with the reader.
    """
    found: dict[KeyPath, float] = {}
    waiting: list[tuple[Any, KeyPath]] = [(reader.data, ())]
    while waiting:
        table, path = waiting.pop()
        members = list(table.items() if isinstance(table, dict) else enumerate(table))
        for key, member in members:
            where = (*path, key)
            if where == ("priors",):
                continue
            if isinstance(member, dict) and "sd" in member and set(member) <= _KEYS:
                table[key] = _value(reader, member, where, found)
            elif isinstance(member, dict | list):
                waiting.append((member, where))
    return found


def _value(
    reader: Reader, given: dict[str, Any], where: KeyPath, found: dict[KeyPath, float]
) -> Any:
    value, sd = given.get("value"), given["sd"]
    if not _is_number(value) or not _is_number(sd) or not sd > 0:
        reader.fault(where, f"got value {value!r} with sd {sd!r}"[:80], _RIGHT)
        return 1.0 if not _is_number(value) else value
    found[where] = float(sd)
    return value


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
