"""From a validation error to words: what is wrong, what would be right, nearest known key."""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterable, Sequence
from typing import Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from poresim.scenario import candidates, priors, questions, schema
from poresim.scenario.lines import Path

Model = type[schema.Keys]

_KINDS: dict[str, Model] = dict(schema.EXPOSURES)
#: Models of the tables below the root; None stands for "any member of an array".
_TABLES: dict[tuple[str | None, ...], Model | tuple[str, dict[str, Model]]] = {
    (): schema.Head,
    ("solid",): schema.Solid,
    ("solid", "lattice"): schema.Lattice,
    ("solid", "tubes"): ("law", schema.TUBES),
    ("solid", "tubes", "parts", None): ("law", schema.RADIUS_PARTS),
    ("solid", "tubes", "waist"): ("law", schema.WAISTS),
    ("solid", "layers", None): schema.Layer,
    ("solid", "layers", None, "tubes"): ("law", schema.TUBES),
    ("solid", "layers", None, "tubes", "parts", None): ("law", schema.RADIUS_PARTS),
    ("solid", "layers", None, "tubes", "waist"): ("law", schema.WAISTS),
    ("liquids", None): schema.Liquid,
    ("liquids", None, "viscosity"): ("law", schema.VISCOSITIES),
    ("liquids", None, "dynamic_angle"): schema.DynamicAngle,
    ("liquids", None, "particles"): ("law", schema.PARTICLES),
    ("liquids", None, "particles", "parts", None): ("law", schema.DIAMETER_PARTS),
    ("exposure",): ("kind", _KINDS),
    ("run",): schema.Run,
    ("softening",): schema.Softening,
    ("measured", None): schema.MeasuredData,
    ("sweep",): questions.Sweep,
    ("sweep", "vary", ""): questions.Span,
    ("sweep", "results", None): questions.Reading,
    ("explain",): questions.Explain,
    ("explain", "of"): questions.Reading,
    ("judge",): questions.Judge,
    ("plan",): candidates.Plan,
    ("plan", "tests", None): candidates.PlannedTest,
    ("priors", ""): priors.Prior,
}
#: Where a table may say what a liquid is made of.
_MADE = {("liquids", None, key) for key in ("made_of", *schema.FIGURES)}
_TOP_TABLES = (
    "solid", "liquids", "exposure", "run", "softening", "measured", "sweep", "explain", "judge",
    "plan", "priors",
)  # fmt: skip
_NEARLY_THE_SAME = 0.7


def model_at(path: Path, table: Any) -> Model | None:
    """The model of the table at a path; ``table`` is what stands there, and may name its law."""
    found = _TABLES.get(_pattern(path))
    if isinstance(table, dict) and "law" not in table and _pattern(path) in _MADE:
        return next((m for key, m in schema.COMPOSITIONS.items() if key in table), None)
    if isinstance(found, tuple):
        tag, models = found
        named = table.get(tag) if isinstance(table, dict) else None
        usual = schema.OnFaces if models is _KINDS else None
        return models.get(named, usual) if isinstance(named, str) else usual
    return found


def known_keys(path: Path, table: Any) -> list[str]:
    """The keys that the table at a path may hold."""
    model = model_at(path, table)
    keys = list(model.model_fields) if model else []
    return [*keys, *_TOP_TABLES] if path == () else keys


def unknown_key(path: Path, table: Any) -> tuple[str, str]:
    """What is wrong and right about a key that nobody knows."""
    key, where = str(path[-1]), path[:-1]
    known = known_keys(where, table)
    listed = f"known keys here: {', '.join(known)}"
    laws = _laws_with(key, where)
    if laws:
        tag = _tag(where)
        named = quoted(str(table.get(tag))) if isinstance(table, dict) else "this"
        return f"is not a key of the {tag} {named}", f"it is one of {', '.join(laws)}; {listed}"
    home = _home(key, where)
    if home and not nearest(key, known, _NEARLY_THE_SAME):
        return f"does not belong in {_table_name(where)}", f"put it in {home}"
    near = nearest(key, known) or _by_meaning(key, model_at(where, table))
    if near:
        return "is not a known key", f"did you mean {near}? ({listed})"
    return "is not a known key", listed


def misspelt(path: Path, table: Any) -> Path | None:
    """Where the known key stands that an unknown one at a path is spelt like, if any is."""
    near = nearest(str(path[-1]), known_keys(path[:-1], table))
    return None if near is None else (*path[:-1], near)


def nearest(word: str, known: Iterable[str], alike: float = 0.6) -> str | None:
    """The known word most like a given one, if any is that much alike (1: the same)."""
    lower = {k.lower(): k for k in known}
    found = difflib.get_close_matches(word[:60].lower(), lower, n=1, cutoff=alike)
    return lower[found[0]] if found else None


def _by_meaning(key: str, model: Model | None) -> str | None:
    """The known key whose meaning speaks of the same thing: viscosity_Pa for mPa_s."""
    said = [word for word in key[:60].lower().split("_") if len(word) > 4]
    for name, field in (model.model_fields if model else {}).items():
        if any(word in (field.description or "").lower() for word in said):
            return name
    return None


def describe(error: dict[str, Any], path: Path, parent: Any) -> tuple[str, str]:
    """(wrong, right) of one validation error at ``path``, whose table or array is ``parent``."""
    kind, given = error["type"], error["input"]
    if kind == "extra_forbidden":
        return unknown_key(path, parent)
    field = _field(path, parent)
    right = f"give {field.description}" if field and field.description else str(error["msg"])
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return _law(given, path)
    if kind == "missing":
        made = _pattern(path) in _MADE
        return "is missing", right + ", or made_of = { water_C = 20 }" * made
    choices = _choices(field.annotation) if field else ()
    if choices and isinstance(given, str) and kind != "list_type":
        return _choice(given, choices)
    if kind in ("too_short", "too_long") and isinstance(given, list):
        return f"has {len(given)} members", right
    return f"got {shown(given)}", right


def shown(value: Any) -> str:
    """A value from a file, short and in the words of TOML."""
    if isinstance(value, bool):
        return f"{str(value).lower()}, a true/false value"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return f"an array of {len(value)}"
    if isinstance(value, str):
        return f"{quoted(value)}, a text"
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a number far too large"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e6:
        return f"{value:.1f}"  # 4.0 where a whole number is asked for
    return f"{value:g}" if isinstance(value, float) else str(value)[:40]


def quoted(text: str) -> str:
    """A text in quotes, short."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


def key_text(path: Sequence[str | int]) -> str:
    """A path in the way people write it: liquids[2].viscosity.index (counted from 1)."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            name = part if len(part) <= 60 else part[:57] + "..."
            text += f".{name}" if text else name
    return text


def _pattern(path: Path) -> tuple[str | None, ...]:
    if path[:2] == ("sweep", "vary") and len(path) > 2:  # whatever key is varied
        path = ("sweep", "vary", "", *path[3:])
    if path[:1] == ("priors",) and len(path) > 1:
        path = ("priors", "", *path[2:])
    return tuple(None if isinstance(part, int) else part for part in path)


def _table_name(where: Path) -> str:
    return f"[{key_text(where)}]" if where else "the top of the file"


def _home(key: str, where: Path) -> str | None:
    """The table to which a misplaced key belongs, when there is one like this and not here."""
    for place, model in _TABLES.items():
        models = model[1].values() if isinstance(model, tuple) else (model,)
        own = {name for m in models for name in m.model_fields}
        general = place == () or None not in place
        same_liquid = None in place and where[:1] == ("liquids",)
        if key in own and len(key) >= 5 and (general or same_liquid):
            name = ".".join(p for p in place if p is not None)
            return f"[{name}]" if name else "the top of the file, above the first table"
    return None


def _laws_with(key: str, where: Path) -> list[str]:
    """The laws of the table at a path that have this key."""
    found = _TABLES.get(_pattern(where))
    models = found[1] if isinstance(found, tuple) else {}
    return [law for law, model in models.items() if key in model.model_fields]


def _tag(where: Path) -> str:
    """The key that tells what kind of table stands at a path."""
    found = _TABLES.get(_pattern(where))
    return found[0] if isinstance(found, tuple) else "law"


def _field(path: Path, parent: Any) -> FieldInfo | None:
    """The field at a path; members of an array have that of the array."""
    where = path
    while where and isinstance(where[-1], int):
        where = where[:-1]
    model = model_at(where[:-1], parent)
    return model.model_fields.get(str(where[-1])) if model and where else None


def _law(given: Any, path: Path) -> tuple[str, str]:
    """The fault of a table that names no law, or one that does not exist."""
    found = _TABLES.get(_pattern(path))
    laws = list(found[1]) if isinstance(found, tuple) else []
    named = given.get("law") if isinstance(given, dict) else None
    if named is None:
        return "names no law", f"add law = one of {', '.join(laws)}"
    if not isinstance(named, str):
        return f"law is {shown(named)}", f"one of {', '.join(laws)}"
    wrong, right = _choice(named, laws)
    return f"law: {wrong}", right


def _choice(given: str, choices: Sequence[str]) -> tuple[str, str]:
    listed = f"one of {', '.join(choices)}" if len(choices) > 1 else f"use {choices[0]!r}"
    near = nearest(given, choices)
    hint = f"did you mean {near}? ({listed})" if near and len(choices) > 1 else listed
    return f"got {shown(given)}", hint


def _choices(annotation: Any) -> tuple[str, ...]:
    """The texts that a field allows, if it allows only certain texts."""
    if get_origin(annotation) is Literal:
        return tuple(str(a) for a in get_args(annotation))
    if get_origin(annotation) in (Union, types.UnionType, list):
        return tuple(c for a in get_args(annotation) for c in _choices(a))
    return ()
