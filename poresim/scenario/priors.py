"""What is believed of quantities before anything is compared: the table ``[priors]``.

A key is named as for a sweep; its law is in the unit of the key. A quantity that was given with a
standard deviation has a normal law without being named here; where it is named, this law counts.
Without the table laws are as in :mod:`poresim.scenario.usual`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from poresim.inference.laws import Law, Lognormal, LogUniform, Normal, Uniform
from poresim.scenario.schema import Keys, number, words

if TYPE_CHECKING:
    from poresim.scenario.reading import Reader

_MOST = 60


def _figure(what: str, example: float, *, positive: bool = False) -> Any:
    limits = {"gt": 0.0} if positive else {"ge": -1e9}
    return number(f"{what}, in the unit of the key", example, None, **limits, le=1e9)


class Prior(Keys):
    """A law of one quantity."""

    law: Literal["uniform", "loguniform", "normal", "lognormal"] = words(
        "'uniform' or 'loguniform' with least and greatest, 'normal' with mean and sd, "
        "'lognormal' with median and log_sd"
    )
    least: float | None = _figure("least value", 5)
    greatest: float | None = _figure("greatest value", 50)
    mean: float | None = _figure("mean", 48)
    sd: float | None = _figure("standard deviation", 3, positive=True)
    median: float | None = _figure("median", 15, positive=True)
    log_sd: float | None = number("standard deviation of the logarithm", 0.3, None, gt=0, le=5)


_NEEDED = {
    "uniform": ("least", "greatest"),
    "loguniform": ("least", "greatest"),
    "normal": ("mean", "sd"),
    "lognormal": ("median", "log_sd"),
}
_BOUNDS = ("least", "greatest")
_LAWS: dict[str, Any] = {
    "uniform": Uniform,
    "loguniform": LogUniform,
    "normal": Normal,
    "lognormal": Lognormal,
}


def priors(reader: Reader) -> dict[str, Law] | None:
    """The laws of ``[priors]`` by key, None without such a table; faults are noted.

    Whether the scenario can be varied so, :mod:`poresim.scenario.believable` looks.
    """
    given = reader.data.get("priors")
    if given is None:
        return None
    if not isinstance(given, dict) or not 1 <= len(given) <= _MOST:
        held = f"holds {len(given)} laws" if isinstance(given, dict) else "is no table of laws"
        right = f'[priors] holds 1 to {_MOST} lines such as "solid.tubes.waist" = {{ law = ... }}'
        reader.fault(("priors",), held, right)
        return None
    found = {}
    for key, table in given.items():
        law = _law(reader, key, table)
        if law is not None:
            found[key] = law
    return found


def _law(reader: Reader, key: str, table: Any) -> Law | None:
    where = ("priors", key)
    slip = _slip(key, table)
    if slip is not None:
        reader.fault(where, *slip)
        return None
    keys = reader.validated(Prior, table, where)
    if keys is None:
        return None
    given = [
        name for name in Prior.model_fields if name != "law" and getattr(keys, name) is not None
    ]
    needed = _NEEDED[keys.law]
    missing = [name for name in needed if name not in given]
    other = [name for name in given if name not in (*needed, *_BOUNDS)]
    if missing or other:
        lacks = f"has no {' and no '.join(missing)}" if missing else ""
        has = f"has {' and '.join(other)}" if other else ""
        wrong = " but ".join(part for part in (lacks, has) if part)
        reader.fault(where, wrong, f"a {keys.law} law has {' and '.join(needed)}")
        return None
    try:
        return _LAWS[keys.law](**{name: getattr(keys, name) for name in given})
    except ValueError as error:
        reader.fault(where, str(error))
        return None


def _slip(key: str, table: Any) -> tuple[str, str] | None:
    """(wrong, right) of what is no table of a law, but close to one."""
    if not isinstance(table, dict):
        such = 'give a law such as { law = "normal", mean = 48, sd = 3 }'
        return f"got {_shown(table)}", such
    if "law" in table:
        return None
    if {"value", "sd"} == set(table):
        return "gives value and sd", 'write { law = "normal", mean = ..., sd = ... }'
    if any(isinstance(below, dict) for below in table.values()):
        inner = next(name for name, below in table.items() if isinstance(below, dict))
        such = f'such as "{key}.{inner}..." = {{ law = ... }}'[:120]
        return "is a table of tables", f"write whole keys in quotes, {such}"
    return None


def _shown(value: Any) -> str:
    """A value from a file in words (wording needs this module first)."""
    from poresim.scenario.wording import shown

    return shown(value)
