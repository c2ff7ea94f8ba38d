"""poresim/REFERENCE.md: all public names, made of their signatures and docstrings.

    python benchmarks/reference.py

A few seconds. `tests/test_reference.py` says when the file is no longer what this writes.
"""

from __future__ import annotations

import importlib
import inspect
import re
import textwrap
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Any

import poresim as ps

FILE = Path(ps.__file__).parent / "REFERENCE.md"

HEAD = f"""\
# Reference of the Python library

Made of the docstrings of poresim {ps.__version__} by `python benchmarks/reference.py`. After
`import poresim as ps` every name below with `ps.` before it is there; other names are those of what
comes back. Quantities are in SI units, angles in degrees, unless a name or a text says otherwise.
`array` in a signature is anything that numpy makes an array of: a number, a list, an array; where a
function works on each number by itself, arrays are broadcast and the result has their shape.
"""

#: Groups by purpose. A name with a module is none of `ps`, but what a name before it gives back.
GROUPS: dict[str, tuple[str, ...]] = {
    "Solids": (
        "SolidSpec", "build_solid", "Network", "Lognormal", "Swelling", "save_network",
        "load_network",
    ),
    "Liquids": (
        "Liquid", "Newtonian", "PowerLaw", "Bingham", "HerschelBulkley", "Cross", "Carreau",
        "MeasuredFlow", "Particles", "Cup", "Stirred", "poresim.liquid.cup.Settling",
        "water", "sucrose_solution", "ethanol_solution", "Properties",
    ),
    "Soaking and flow": ("soak", "Soak", "flow", "poresim.uptake.flow.Flow"),
    "A dry solid, as a bench sees it": (
        "permeability", "formation_factor", "makeup", "poresim.curves.makeup.Makeup",
        "invasion_curve", "intrusion_curve", "poresim.curves.capillary.InvasionCurve",
        "solid_curves", "poresim.curves.summary.SolidCurves",
    ),
    "Scenarios, runs and records": (
        "load_scenario", "poresim.scenario.reading.Scenario", "build_liquid",
        "poresim.scenario.build.LiquidSpec", "build_cup", "run", "load_record",
        "poresim.record.model.Record", "poresim.record.model.LiquidRecord",
        "poresim.record.model.Repeat",
    ),
    "Questions": (
        "explain", "poresim.why.explain.Explained", "sweep", "poresim.why.sweep.Plan",
        "poresim.why.sweep.Swept", "judge", "poresim.why.judge.Judged",
        "plan", "poresim.why.plan.Planned",
    ),
    "Pictures": ("plot", "poresim.show.picture.Picture"),
    "From photographs: angles and drops": (
        "measure_angle", "poresim.photo.angle.Angle", "drop_profile",
        "poresim.drop.profile.Profile",
    ),
    "Wetting by formula": ("wenzel", "cassie_baxter", "cox_voinov", "jiang"),
    "Grains by formula": (
        "krieger_dougherty", "maron_pierce", "carman_kozeny", "cake_resistance", "sauter_diameter",
        "stokes_velocity", "hindered", "holding_stress", "settling_velocity", "bridging_chance",
    ),
    "Absorption: test methods and formulas": (
        "iso_15148", "poresim.absorption.norms.WaterAbsorption", "astm_c1585",
        "poresim.absorption.norms.Rate", "en_1015_18", "straight_part",
        "poresim.absorption.line.Line", "sharp_front", "tube_bundle",
    ),
    "Errors": (
        "ScenarioError", "poresim.solid.error.SolidError", "poresim.uptake.flow.NotConverged",
        "poresim.liquid.curves.PointsFault", "poresim.liquid.curves.PlateauFault",
        "poresim.bench.error.BenchError", "poresim.record.layout.RecordError",
        "poresim.ensemble.jobs.RequestError", "poresim.ensemble.run.RunInterrupted",
        "poresim.ensemble.run.RunFailed",
    ),
}  # fmt: skip

_SHORT = (
    (r"Callable\[\[.*?\], \w+\]", "function"),
    (r"os\.PathLike\[str\]|\bPath\b", "path"),
    (r"\b(ArrayLike|Floats|Ints|Fills)\b|NDArray\[[\w.]+\]", "array"),
    (r"\b(np\.random|laws|schema|questions)\.", ""),
    (r"dict\[str, Any\]", "dict"),
)
_NAME = r"\w+(?: \([^()]*\))?"  # with its unit, say
_NAMED = re.compile(rf"({_NAME}(?:, {_NAME})*) : (.*)")
_BROKEN = re.compile(rf"(?:^|(?<=[.)] ))({_NAME}(?:, {_NAME})*),$")  # names go on in the next line
_WORD, _CODE = re.compile(r"([\w.]+)(?![^(]*\))"), r"`\1`"  # outside brackets
_NOTED = re.compile(r"``(.+?)``|:\w+:`~?(?:poresim\.)?(.+?)`|(`.+?`)")
_WIDE = 96


def found(name: str) -> Any:
    """What a name of GROUPS stands for."""
    if "." not in name:
        return getattr(ps, name)
    module, _, own = name.rpartition(".")
    return getattr(importlib.import_module(module), own)


def doc(thing: Any, owner: type | None = None) -> str:
    """Its docstring; where that says "See Other.", the one of that name in Other."""
    text = inspect.getdoc(thing) or ""
    other = re.fullmatch(r"(?:See|As) (\w+)\.", text)
    if not other or owner is None:
        return text
    modules = (inspect.getmodule(one) for one in owner.__mro__)
    named = next(m for m in modules if hasattr(m, other[1]))
    return inspect.getdoc(getattr(getattr(named, other[1]), thing.__name__)) or ""


def signature(thing: Any, name: str) -> str:
    """As it is called, types shortened, on as many lines as it needs."""
    whole = inspect.signature(thing)
    parts = []
    marked = False
    for one in whole.parameters.values():
        if one.name == "self":
            continue
        if one.kind is one.KEYWORD_ONLY and not marked:
            parts.append("*")
            marked = True
        kind = _type(one.annotation)
        has = one.default is not one.empty
        default = f"{' = ' if kind else '='}{one.default!r}" if has else ""
        parts.append(f"{one.name}{': ' if kind else ''}{kind}{default}")
    back = _type(whole.return_annotation, back=True)
    ending = f") -> {back}" if back and not inspect.isclass(thing) else ")"
    line = f"{name}({', '.join(parts)}{ending}"
    if len(line) <= _WIDE:
        return line
    return "\n".join([f"{name}(", *(f"    {part}," for part in parts), ending])


def _type(annotation: Any, *, back: bool = False) -> str:
    if annotation is inspect.Parameter.empty:
        return ""
    text = getattr(annotation, "__forward_arg__", annotation)
    text = text if isinstance(text, str) else inspect.formatannotation(text)
    if text == "Any":
        return "float | array" if back else ""
    for pattern, short in _SHORT:
        text = re.sub(pattern, short, text)
    return " | ".join(dict.fromkeys(text.split(" | ")))


def names_in(thing: Any) -> set[str]:
    """Arguments of a callable, fields of a class."""
    try:
        own = set(inspect.signature(thing).parameters)
    except (TypeError, ValueError):
        own = set()
    return own | set(getattr(thing, "__annotations__", {}))


def entries(text: str, names: set[str]) -> Iterator[tuple[str, str]]:
    """A docstring in parts: ("", paragraph), ("#", heading) or (names, what is said of them)."""
    lines = text.splitlines()
    part: list[str] = []
    who = ""
    for number, line in enumerate(lines):
        below = lines[number + 1] if number + 1 < len(lines) else ""
        named = _NAMED.match(line)
        broken = _BROKEN.search(" ".join(part)) if named else None
        before = f"{broken[1]}, " if broken and named and bare(broken[1]) <= names else ""
        if before:
            rest = " ".join(part)[: 1 - len(before)].rstrip()
            part = [rest] if rest else []
        raised = re.fullmatch(r"[\w.]+", line) and below.startswith("    ")
        heads = re.fullmatch(r"-{4,}", below)
        if part and (not line.strip() or named or raised or heads):
            yield from _split(who, " ".join(part), names)
            part, who = [], ""
        if heads:
            yield "#", line
        elif named:
            who, part = before + named[1], [named[2]]
        elif raised:
            who, part = line, []
        elif line.strip() and not re.fullmatch(r"-{4,}", line):
            part.append(line.strip())
    if part:
        yield from _split(who, " ".join(part), names)


def _split(who: str, text: str, names: set[str]) -> Iterator[tuple[str, str]]:
    """One paragraph may go on, after a full stop, with what is said of other names."""
    parts = re.split(rf"(?<=[.)]) ({_NAME}(?:, {_NAME})*) : ", text)
    kept = [parts[0]]
    for key, said in zip(parts[1::2], parts[2::2], strict=True):
        if bare(key) <= names:
            yield who, " ".join(kept)
            who, kept = key, [said]
        else:
            kept.append(f"{key} : {said}")
    yield who, " ".join(kept)


def bare(names: str) -> set[str]:
    """Names without what stands in brackets behind them."""
    return set(re.sub(r" \([^()]*\)", "", names).split(", "))


def markdown(text: str, names: set[str]) -> str:
    """A docstring as Markdown."""
    rows: list[str] = []
    listed = False
    for who, said in entries(text, names):
        item = who not in ("", "#")
        if rows and not (item and listed):
            rows.append("")
        if who == "#":
            rows.append(f"**{_escaped(said)}**")
        elif item:
            rows.append(f"- {_WORD.sub(_CODE, who)}: {_escaped(said)}")
        else:
            rows.append(_escaped(said))
        listed = item
    return "\n".join(rows)


def _escaped(text: str) -> str:
    """Code as code, all else as plain words."""
    parts = []
    end = 0
    for one in _NOTED.finditer(text):
        parts += [_plain(text[end : one.start()]), one[3] or f"`{one[1] or one[2]}`"]
        end = one.end()
    return "".join([*parts, _plain(text[end:])])


def _plain(text: str) -> str:
    return re.sub(r"([*<\[])", r"\\\1", text)


def members(thing: type) -> Iterator[tuple[str, str]]:
    """How it is used and its docstring: of every public property and method of its own."""
    for name, one in vars(thing).items():
        if name.startswith("_"):
            continue
        if isinstance(one, property | cached_property):
            function: Any = one.fget if isinstance(one, property) else one.func
            kind = _type(inspect.signature(function).return_annotation)
            yield f".{name}: {kind}", doc(function, thing)
        elif inspect.isfunction(one) and one.__module__ == thing.__module__:
            yield " ".join(signature(one, f".{name}").split()), doc(one, thing)


def _entry(name: str) -> Iterator[str]:
    thing = found(name)
    own = name.rpartition(".")[2]
    called = own if "." in name else f"ps.{own}"
    yield f"### `{called}`"
    given_back = "." in name or own in ("Soak", "Properties")
    if inspect.isclass(thing) and issubclass(thing, BaseException):
        bases = ", ".join(base.__name__ for base in thing.__bases__)
        yield f"```python\nclass {called}({bases})\n```"
    elif not (inspect.isclass(thing) and given_back):
        yield f"```python\n{signature(thing, called)}\n```"
    if "." in name:
        yield f"In `{name.rpartition('.')[0]}`."
    yield markdown(doc(thing), names_in(thing))
    if inspect.isclass(thing) and not issubclass(thing, BaseException):
        rows = [
            f"- `{use}` {textwrap.indent(markdown(text, set()), '  ').lstrip()}"
            for use, text in members(thing)
        ]
        if rows:
            yield "**Has also**"
            yield "\n".join(rows)


def reference() -> str:
    """The whole file."""
    contents = []
    parts = []
    for title, names in GROUPS.items():
        listed = ", ".join(f"`{name.rpartition('.')[2]}`" for name in names)
        contents.append(f"- [{title}](#{_anchor(title)}): {listed}")
        parts.append(f"## {title}")
        for name in names:
            parts += _entry(name)
    return "\n\n".join([HEAD.rstrip(), "\n".join(contents), *parts]) + "\n"


def _anchor(title: str) -> str:
    """As common viewers of Markdown make it of a heading."""
    return re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-")


if __name__ == "__main__":
    FILE.write_text(reference(), encoding="utf-8")
    print(FILE)
