"""poresim/REFERENCE.md is what the docstrings say, and these say enough."""

from __future__ import annotations

import builtins
import importlib.util
import inspect
import re
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

import poresim as ps

ROOT = Path(__file__).parent.parent
_spec = importlib.util.spec_from_file_location("reference", ROOT / "benchmarks/reference.py")
reference = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(reference)

PUBLIC = [name for name in ps.__all__ if name != "__version__"]
LISTED = [name for group in reference.GROUPS.values() for name in group]
RESULTS = [name for name in LISTED if "." in name or name == "Soak"]

#: Types that say what an argument is.
SPEAKING = {"Network", "SolidSpec", "Liquid", "LiquidSpec", "Scenario", "str", "Path"}
#: Told in other words: "the inlet junctions", "mercury's tension and angle".
OTHERWISE = {
    ("formation_factor", "axis"),
    ("intrusion_curve", "surface_tension"),
    ("intrusion_curve", "contact_angle_deg"),
    ("invasion_curve", "inlet"),
    ("water", "temperature_C"),
    ("SolidCurves", "makeup"),
    ("SolidCurves", "block_m3"),
}
_SHAPE = re.compile(r"\((?:\w+(?: \+ \d)?, ?)+(?:\w+(?: or \d)?)?\)")
_UNIT = re.compile(r"\b(m2?|m3|kg|s|Pa|N|J|1/m|1/s|degrees|px)\b")
_BARE = re.compile(
    r"\b(over|shares?|ratio|width|0 to 1|ln|(?<!the )junctions?|slope|where they jam|angle)\b"
)
_IN_NAME = re.compile(r"_(deg|s|m|m2|m3|kg|g|Pa|1_s)$")


def test_the_committed_file_is_what_the_docstrings_say():
    """python benchmarks/reference.py writes it anew."""
    assert reference.FILE.read_text(encoding="utf-8") == reference.reference()


def test_every_public_name_is_listed_once():
    assert sorted(name for name in LISTED if "." not in name) == sorted(PUBLIC)
    assert len(set(LISTED)) == len(LISTED)


def test_what_functions_give_back_is_listed():
    known = {name.rpartition(".")[2] for name in LISTED}
    plain = {"float", "None", "Any", "Floats"}
    for name in PUBLIC:
        if not inspect.isclass(getattr(ps, name)):
            back = inspect.signature(getattr(ps, name)).return_annotation
            assert set(back.split(" | ")) <= known | plain, name


def test_errors_that_docstrings_name_are_listed():
    known = {name.rpartition(".")[2] for name in reference.GROUPS["Errors"]}
    for name in LISTED:
        text = reference.doc(reference.found(name))
        for error in re.findall(
            r"\b[A-Z]\w+(?:Error|Fault|Failed|Interrupted|NotConverged)\b", text
        ):
            assert error in known or hasattr(builtins, error), f"{name}: {error}"


@pytest.mark.parametrize("name", PUBLIC)
def test_every_argument_is_told(name):
    thing = getattr(ps, name)
    text = reference.doc(thing)
    assert text and "(self" not in text
    if name not in RESULTS and not issubclass(type(thing), type(Exception)):
        for one in inspect.signature(thing).parameters.values():
            by_type = {str(one.annotation).split(" | ")[0].strip("'")} & SPEAKING
            assert one.name in text or by_type or (name, one.name) in OTHERWISE, one


@pytest.mark.parametrize("name", PUBLIC)
def test_arrays_have_shapes_or_units(name):
    thing = getattr(ps, name)
    told = _told(thing)
    for one in inspect.signature(thing).parameters.values():
        kind = str(one.annotation)
        if "ArrayLike" in kind or "Floats" in kind:
            said = told.get(one.name, "")
            has = any(sign.search(said) for sign in (_SHAPE, _UNIT, _BARE))
            assert has or _IN_NAME.search(one.name) or (name, one.name) in OTHERWISE, (
                f"{one.name}: {said or 'not told'}"
            )


@pytest.mark.parametrize("name", RESULTS)
def test_every_field_of_a_result_is_told(name):
    thing = reference.found(name)
    text = reference.doc(thing)
    own = getattr(thing, "_fields", ())
    if is_dataclass(thing):
        own = [field.name for field in fields(thing) if not field.name.startswith("_")]
    own = [one for one in own if (thing.__name__, one) not in OTHERWISE]
    assert not [one for one in own if not re.search(rf"\b{one}\b", text)]


def _told(thing) -> dict[str, str]:
    """What the docstring says of each name."""
    found = {}
    for who, said in reference.entries(reference.doc(thing), reference.names_in(thing)):
        for one in reference.bare(who):
            found[one] = f"{found.get(one, '')} {who}: {said}"
    return found
