"""What a run took for granted: every value of its scenario in words, with what is said of it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic.fields import FieldInfo

from poresim.outcome.words import capital
from poresim.scenario.comments import comments
from poresim.scenario.faults import ScenarioError
from poresim.scenario.lines import Path
from poresim.scenario.reading import tables_of
from poresim.scenario.wording import model_at

MOST_ROWS = 200  # of one table
_LONGEST = 600  # letters of one value
_UNITS = {
    "um": "µm", "mm": "mm", "mPa s": "mPa s", "Pa s^n": "Pa sⁿ", "Pa": "Pa", "kPa": "kPa",
    "kg/m3": "kg/m³", "mN/m": "mN/m", "degrees": "°", "mm/s": "mm/s", "mL": "mL", "uL": "µL",
    "1/m": "1/m", "kg/kg dry": "kg/kg dry", "mass %": "% by mass", "s": "s", "g": "g", "C": "°C",
}  # fmt: skip
_UNIT = re.compile(
    r",? in (" + "|".join(re.escape(u) for u in sorted(_UNITS, key=len, reverse=True)) + r")(?!\w)"
)
_RANGE = re.compile(r", (?:from|above|below|up to|such as|without unit|a whole number)\b.*$")
#: Keys whose description says what to give, not what it is.
_CALLED = {
    "air": "air", "gravity": "gravity", "kind": "how it is offered", "face": "face it sits on",
    "faces": "faces in the liquid", "particles": "grains", "sides": "sides", "parts": "parts",
    "size_mm": "size (x, y and the depth z)", "waist": "waist (narrowest radius over radius)",
    "file": "file", "network": "network file", "layers": "layers, from the bottom up",
    "tubes": "tubes", "dynamic_angle": "angle that depends on the speed", "stirred": "stirred",
    "vents": "faces by which air gets out", "layer_axis": "layers follow each other along",
    "based_on": "based on", "made_of": "made of", "volume_fraction": "share of the volume",
    "infinite_mPa_s": "viscosity at high rates", "zero_mPa_s": "viscosity at rest",
    "accuracy": "relative error of the uptake curve that is asked for",
}  # fmt: skip
_OFFERED = {
    "face": "whole faces touch the liquid", "dip": "dipped and lifted out",
    "drop": "as drops set down on the top",
}  # fmt: skip
#: What the program supplies without being asked, and what hardly anyone would miss here.
_UNTOLD = {"name", "title", "layer_axis", "snapshots", "double_precision", "scale", "body_ratio"}
_ONLY_WITH = {"stood_s": "cup_mm"}
_NAMES = {
    "newtonian": "Newtonian", "bingham": "Bingham", "herschel_bulkley": "Herschel-Bulkley",
    "cross": "Cross", "carreau": "Carreau", "weibull": "Weibull",
}  # fmt: skip
_OF_A_RUN = ("solid", "liquids", "exposure", "run", "softening")


@dataclass(frozen=True)
class Row:
    """One statement: what it is called, its value, further values that were supplied with it, and
    what the scenario's writer says of it. taken : from another liquid."""

    name: str
    value: str
    usual: str = ""
    said: str = ""
    taken: bool = False


@dataclass(frozen=True)
class Subject:
    """What some values describe. said : of the whole. usual : values supplied for it.
    based : name of the liquid that it is based on."""

    name: str
    rows: list[Row]
    said: str = ""
    usual: str = ""
    based: str = ""


@dataclass(frozen=True)
class Assumed:
    """Of one scenario. ``readable``: whether its text could be read; else all else is empty.

    said : what stands before the first statement. invented : what is said with that word.
    unsaid, stated : values without a remark, and all. others : tables that a run does not use.
    files : names of files that belong to it. tables : as they were read.
    """

    readable: bool = False
    said: str = ""
    invented: list[str] = field(default_factory=list)
    subjects: list[Subject] = field(default_factory=list)
    stated: int = 0
    unsaid: int = 0
    others: list[str] = field(default_factory=list)
    tables: Mapping[str, Any] = field(default_factory=dict)


def assumed(text: str) -> Assumed:
    """Of a scenario's text. Never fails: what cannot be read is not in it."""
    try:
        tables = tables_of(text, "scenario")
        said = comments(text)
        subjects = list(_subjects(tables, said))
    except (ScenarioError, RecursionError):
        return Assumed()
    rows = [row for subject in subjects for row in subject.rows if not row.taken]
    told = [(), *said]
    return Assumed(
        readable=True,
        said=said.get((), ""),
        invented=[said[p] for p in dict.fromkeys(told) if "invented" in said.get(p, "").lower()],
        subjects=subjects,
        stated=len(rows),
        unsaid=sum(not row.said for row in rows),
        others=[
            key for key, table in tables.items()
            if isinstance(table, dict | list) and key not in _OF_A_RUN
        ],
        tables=tables,
    )  # fmt: skip


def liquid_tables(tables: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The tables of the liquids, those at fault left out."""
    listed = tables.get("liquids")
    return [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []


def quantity(value: Any) -> float | None:
    """A number of a scenario, whether it was given with a standard deviation or not."""
    if isinstance(value, dict):
        value = value.get("value")
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else None


def _subjects(tables: Mapping[str, Any], said: dict[Path, str]) -> Iterator[Subject]:
    solid = tables.get("solid")
    if isinstance(solid, dict):
        name = str(solid.get("name", "solid"))
        yield _subject(f"The solid: {name}", solid, ("solid",), said)
    listed = liquid_tables(tables)
    for place, own in enumerate(listed):
        yield _liquid(place, own, listed, tables, said)
    for key, name in (
        ("exposure", "How the liquid is offered"),
        ("softening", "How walls soften"),
        ("run", "How long, how exact, how often"),
    ):
        if isinstance(tables.get(key), dict):
            yield _subject(name, tables[key], (key,), said)


def _subject(name: str, table: dict[str, Any], path: Path, said: dict[Path, str]) -> Subject:
    rows = [_row(path, table, key, said) for key in table if key != "name"][:MOST_ROWS]
    return Subject(name, rows, said.get(path, ""), _usual(path, table))


def _row(path: Path, table: dict[str, Any], key: str, said: dict[Path, str]) -> Row:
    where = (*path, key)
    value, name = table[key], named(path, table, key)[0]
    usual = _usual(where, value) if isinstance(value, dict) else ""
    return Row(capital(name), in_words(path, table, key)[:_LONGEST], usual, said.get(where, ""))


def _liquid(
    place: int,
    own: dict[str, Any],
    listed: list[dict[str, Any]],
    tables: Mapping[str, Any],
    said: dict[Path, str],
) -> Subject:
    """A liquid with what it takes over, and from whom."""
    rows: list[Row] = []
    whole: dict[str, Any] = {}
    for number in _family(place, listed):
        table, path = listed[number], ("liquids", number)
        new = [key for key in table if key not in ("name", "based_on") and key not in whole]
        whole |= {key: table[key] for key in new}
        found = [_row(path, table, key, said) for key in new]
        if number == place:
            rows += found
        elif found:
            told = "; ".join(f"{row.name[:1].lower()}{row.name[1:]}: {row.value}" for row in found)
            rows.append(Row(f"As {table.get('name', number + 1)}", told[:_LONGEST], taken=True))
    usual = _usual(("liquids", place), whole)
    if "receding_angle_deg" not in whole:
        usual = "; ".join(filter(None, ["receding contact angle: as the advancing one", usual]))
    exposure = tables.get("exposure")
    if not (isinstance(exposure, dict) and "cup_mm" in exposure):
        usual = "; ".join(part for part in usual.split("; ") if "stood in the cup" not in part)
    name = str(own.get("name", f"liquid {place + 1}"))
    here: Path = ("liquids", place)
    beside = " ".join(filter(None, [said.get(here, ""), said.get((*here, "name"), "")]))
    return Subject(name, rows[:MOST_ROWS], beside, usual, str(own.get("based_on", "")))


def _family(place: int, listed: list[dict[str, Any]]) -> list[int]:
    """A liquid, what it is based on, and so on."""
    by_name = {str(one.get("name")): n for n, one in reversed(list(enumerate(listed)))}
    chain = [place]
    while True:
        base = by_name.get(str(listed[chain[-1]].get("based_on")))
        if base is None or base in chain:
            return chain
        chain.append(base)


def named(path: Path, table: Any, key: str) -> tuple[str, str]:
    """What a key of the table at a path is called, and its unit ("" for a plain number)."""
    model = model_at(path, table)
    info = model.model_fields.get(key) if model else None
    said = (info.description if info else None) or ""
    unit = _UNIT.search(said)
    if key in _CALLED:
        name = _CALLED[key]
    elif not said or said.startswith(("a ", "the name", "true")):
        name = key.replace("_", " ")
    else:
        name = _UNIT.sub("", _RANGE.sub("", said), count=1).removeprefix("the ")
    return name, _UNITS[unit.group(1)] if unit else ""


def in_words(path: Path, table: Any, key: str) -> str:
    """The value of a key with its unit; tables as a list of what they hold."""
    value, unit = table[key], named(path, table, key)[1]
    if (*path, key) == ("exposure", "kind"):
        return _OFFERED.get(str(value), str(value))
    if isinstance(value, dict) and "sd" in value and set(value) <= {"value", "sd"}:
        sd = f"{_plain(value.get('value'))} (standard deviation {_plain(value['sd'])}) {unit}"
        return sd.strip()
    if isinstance(value, dict):
        return _table(value, (*path, key))
    if isinstance(value, list):
        return _list(value, (*path, key), unit)
    return f"{_plain(value)}{'' if unit == '°' else ' '}{unit}".strip()


def _table(value: dict[str, Any], path: Path) -> str:
    first = [_plain(value["kind"])] if "kind" in value else []
    if "law" in value:
        law = _plain(value["law"])
        first.append(f"{_NAMES.get(law, law.replace('_', ' '))} law")
    rest = [key for key in value if key not in ("law", "kind")]
    parts = [f"{named(path, value, key)[0]} {in_words(path, value, key)}" for key in rest]
    return ", ".join(first + parts)


def _list(value: list[Any], path: Path, unit: str) -> str:
    if any(isinstance(one, dict) for one in value):
        parts = [
            f"({n + 1}) {_table(one, (*path, n)) if isinstance(one, dict) else _plain(one)}"
            for n, one in enumerate(value)
        ]
        return "; ".join(parts)
    between = " × " if unit else ", "
    return f"{between.join(map(_plain, value))} {unit}".strip() or "none"


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _usual(path: Path, table: Any) -> str:
    """Values that the program supplied where the table says nothing."""
    model = model_at(path, table)
    if model is None or not isinstance(table, dict):
        return ""
    missing = {
        key: info.default
        for key, info in model.model_fields.items()
        if key not in table and key not in _UNTOLD and _is_told(info)
    }
    supplied = {**table, **missing}
    return "; ".join(
        f"{named(path, supplied, key)[0]}: {in_words(path, supplied, key)}" for key in missing
    )


def _is_told(info: FieldInfo) -> bool:
    return not info.is_required() and info.default is not None
