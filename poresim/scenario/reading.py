"""A scenario file becomes a Scenario, or the list of everything that is wrong with it."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from poresim.brief import Brief, Rows
from poresim.scenario import checks, offering, questions, schema, wording
from poresim.scenario.build import LiquidSpec
from poresim.scenario.faults import Fault, ScenarioError
from poresim.scenario.lines import Path as KeyPath
from poresim.scenario.lines import key_lines
from poresim.scenario.measured import Measurement, measured
from poresim.scenario.uncertain import take_values
from poresim.solid.spec import SolidSpec

Table = TypeVar("Table", bound=schema.Keys)

LARGEST_FILE = 200_000  # bytes
_MOST_FAULTS = 100
_MOST_DOTS = 200  # in one line
_MOST_MEMBERS = 1000  # of a table or an array
_AT_LINE = re.compile(r" \(at line (\d+), column \d+\)$")
_DECIMAL_COMMA = re.compile(r"=\s*([+-]?\d{1,20}),(\d{1,20})\s*$")


@dataclass(frozen=True, repr=False)
class Scenario(Brief):
    """What the user asks for.

    title, seed : as the file has them; softening : the keys of its table, if it has one. The solid
    and liquids are specs in SI units (see build_solid and build_liquid); exposure and run hold the
    keys of their tables; text is the file's text. sds : standard deviations of the quantities that
    were given with one, by the path of their key, in the unit of that. measured : what was measured
    at the bench. questions : what ``sweep``, ``explain``, ``judge`` and ``plan`` are asked.
    dry_mass_g : of the piece that was weighed.
    """

    title: str
    seed: int
    solid: SolidSpec
    liquids: tuple[LiquidSpec, ...]
    exposure: schema.Exposure
    run: schema.Run
    text: str
    path: Path | None = None
    softening: schema.Softening | None = None
    sds: dict[KeyPath, float] = field(default_factory=dict)
    measured: tuple[Measurement, ...] = ()
    questions: questions.Questions = questions.Questions()
    dry_mass_g: float | None = None

    def _told(self) -> tuple[str, Rows]:
        run = self.run
        until = [] if run.until_s is None else [f"{run.until_s:g} s"]
        if run.until_saturation is not None:
            until.append(f"{100 * run.until_saturation:g} % full")
        rows = [
            ("solid", self.solid.name),
            *(("liquid", liquid.name) for liquid in self.liquids),
            ("exposure", self.exposure.kind),
            ("until", " or ".join(until)),
            ("accuracy", f"{100 * run.accuracy:g} %"),
            ("repeats", f"{run.repeats}"),
        ]
        return f"Scenario: {self.title}", rows

    @property
    def name(self) -> str:
        """The file's name without its ending: what results are called."""
        return self.path.stem if self.path else "scenario"


def load_scenario(path: str | os.PathLike[str]) -> Scenario:
    """Read a scenario file. Raises ScenarioError with every fault found."""
    path = Path(path)
    return parse_scenario(_text_of(path), path)


def parse_scenario(text: str, path: Path | None = None) -> Scenario:
    """Read the text of a scenario; files it names are looked up beside ``path``.

    Raises ScenarioError with every fault found.
    """
    name = str(path) if path else "scenario"
    return read_tables(tables_of(text, name), text, path)


def read_tables(data: dict[str, Any], text: str, path: Path | None) -> Scenario:
    """The scenario of these tables, which are changed; ``text`` is the file that they stand in.

    Raises ScenarioError with every fault found.
    """
    reader = Reader(data, text, str(path) if path else "scenario")
    for key in _too_long(data):
        reader.fault(key, f"has more than {_MOST_MEMBERS} members", "a scenario needs a few dozen")
    reader.raise_faults()
    folder = path.parent if path else Path()
    sds = take_values(reader)
    head = reader.head()
    solid_keys = reader.section("solid", schema.Solid, required=True)
    solid = checks.solid(reader, solid_keys, folder) if solid_keys else None
    liquids = checks.liquids(reader, folder)
    exposure = _exposure(reader, data.get("exposure"))
    run = reader.section("run", schema.Run, required=True)
    if exposure:
        offering.exposure(reader, exposure, solid, run, liquids)
    softening = reader.section("softening", schema.Softening, required=False)
    if softening and solid:
        checks.softening(reader, softening, solid)
    if solid_keys and solid_keys.swelling and solid:
        swells = checks.swelling(reader, solid_keys.swelling, softening)
        solid = replace(solid, swelling=swells)
    if run and solid:
        checks.snapshots(reader, run, solid, liquids)
    names = checks.liquid_names(data)
    asked = questions.questions(reader, names)
    logs = measured(reader, folder, names)
    if run and run.until_s is None and run.until_saturation is None:
        reader.fault(
            ("run",), "says no end", "give until_s (in s), until_saturation (0 to 1), or both"
        )
    reader.raise_faults()
    assert head and solid and exposure and run
    title = head.title or (path.stem if path else "scenario")
    return Scenario(
        title, head.seed, solid, tuple(liquids), exposure, run, text, path, softening, sds, logs,
        asked, solid_keys.dry_mass_g if solid_keys else None,
    )  # fmt: skip


def _exposure(reader: Reader, table: Any) -> schema.Exposure | None:
    """The keys of the exposure's kind; where that is not known, no key of any kind is at fault."""
    kind = table.get("kind") if isinstance(table, dict) else None
    model = schema.EXPOSURES.get(kind) if isinstance(kind, str) else None
    if model is not None or not isinstance(table, dict):
        return reader.section("exposure", model or schema.OnFaces, required=True)
    known = {name for model in schema.EXPOSURES.values() for name in model.model_fields}

    def wanted(path: KeyPath, error: str) -> bool:
        return error != "extra_forbidden" or path[0] not in known

    return reader.validated(schema.Exposure, table, ("exposure",), wanted)


def _text_of(path: Path) -> str:
    def fault(wrong: str, right: str = "", line: int | None = None) -> ScenarioError:
        return ScenarioError([Fault(str(path), line, "", wrong, right)])

    try:
        if path.is_dir():
            raise fault("is a folder", "name a scenario file (.toml)")
        if not path.is_file():
            raise fault("no such file", "check the name; poresim new NAME writes a first one")
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise fault(f"is {size:,} bytes", f"a scenario is at most {LARGEST_FILE:,} bytes")
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, ScenarioError):
            raise
        raise fault(f"cannot be read ({getattr(error, 'strerror', None) or error})") from None
    try:
        return data.decode("utf-8-sig")  # some editors put a byte order mark before the text
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise fault("is not UTF-8 text", "save it as UTF-8", line) from None


def tables_of(text: str, name: str) -> dict[str, Any]:
    """The tables of a scenario's text. Raises ScenarioError where it is not TOML."""
    for number, row in enumerate(text.splitlines(), start=1):
        # The standard reader takes time that grows as the square of a dotted key's parts.
        if row.count(".") > _MOST_DOTS and row.split("#")[0].count(".") > _MOST_DOTS:
            wrong, right = "holds too many dots", "a scenario needs four levels"
            raise ScenarioError([Fault(name, number, "", wrong, right)])
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error).splitlines()[0]
        place = _AT_LINE.search(message)
        line = int(place.group(1)) if place else None
        wrong = "is not TOML: " + _AT_LINE.sub("", message)
        right = _remedy(text, message, line)
        raise ScenarioError([Fault(name, line, "", wrong, right)]) from None
    except RecursionError:
        wrong, right = "is nested too deeply", "a scenario needs four levels"
        raise ScenarioError([Fault(name, None, "", wrong, right)]) from None
    except ValueError:  # a whole number of thousands of digits
        wrong, right = "holds a number that is far too long", "write it with fewer digits"
        raise ScenarioError([Fault(name, None, "", wrong, right)]) from None


def _remedy(text: str, message: str, line: int | None) -> str:
    """What would be right where the text is not TOML."""
    rows = text.splitlines()
    row = rows[line - 1] if line is not None and line <= len(rows) else ""
    if "overwrite" in message or "twice" in message:
        return "a key or a [table] may stand once; for several liquids write [[liquids]] each time"
    comma = _DECIMAL_COMMA.search(row.split("#")[0])
    if comma:
        return f"write decimals with a point: {comma.group(1)}.{comma.group(2)}"
    return "check quotes, brackets and equals signs here"


def _too_long(data: dict[str, Any]) -> list[KeyPath]:
    """Tables and arrays that hold more than any scenario needs; the walk ends at the first."""
    waiting: list[tuple[KeyPath, Any]] = [((), data)]
    while waiting:
        path, here = waiting.pop()
        if len(here) > _MOST_MEMBERS:
            return [path]
        members = here.items() if isinstance(here, dict) else enumerate(here)
        waiting += [((*path, k), v) for k, v in members if isinstance(v, dict | list)]
        if len(waiting) > _MOST_MEMBERS:
            return [()]
    return []


class Reader:
    """A scenario's tables and the faults found in them so far."""

    def __init__(self, data: dict[str, Any], text: str, file: str) -> None:
        self.data = data
        self.file = file
        self.faults: list[Fault] = []
        self._text = text

    @cached_property
    def _lines(self) -> Mapping[KeyPath, int]:
        return key_lines(self._text)  # half of the time of reading a scenario without fault

    def fault(self, path: KeyPath, wrong: str, right: str = "") -> None:
        """Note a fault; its line is that of the key or of the nearest table that is there."""
        where = path
        while where and where not in self._lines:
            where = where[:-1]
        line = self._lines.get(where)
        self.faults.append(Fault(self.file, line, wording.key_text(path), wrong, right))

    def raise_faults(self) -> None:
        """Raise what was found, in the order of the file."""
        if not self.faults:
            return
        found = sorted(dict.fromkeys(self.faults), key=lambda f: (f.line or 0, f.key))
        if len(found) > _MOST_FAULTS:
            more = Fault(self.file, None, "", f"and {len(found) - _MOST_FAULTS} faults more")
            found = [*found[:_MOST_FAULTS], more]
        raise ScenarioError(found)

    def head(self) -> schema.Head | None:
        """The keys above the first table; unknown keys and tables are faults."""
        own = {k: v for k, v in self.data.items() if k in schema.Head.model_fields}
        known = wording.known_keys((), self.data)
        for key in self.data:
            if key not in known:
                self.fault((key,), *wording.unknown_key((key,), self.data))
        head = self.validated(schema.Head, own, ())
        if head and not _printable(head.title):
            self.fault(("title",), "holds characters that cannot be shown", "use plain text")
        return head

    def section(self, name: str, model: type[Table], *, required: bool) -> Table | None:
        """The table of that name, or None when it is at fault or missing."""
        if name not in self.data:
            if required:
                known = ", ".join(wording.known_keys((name,), {}))
                self.fault((name,), "is missing", f"add a table [{name}] with {known}")
            return None
        found = self.validated(model, self.data[name], (name,))
        if found and not _printable(getattr(found, "name", "")):
            self.fault((name, "name"), "holds characters that cannot be shown", "use plain text")
        return found

    def validated(
        self,
        model: type[Table],
        table: Any,
        path: KeyPath,
        keep: Callable[[KeyPath, str], bool] = lambda path, kind: True,
    ) -> Table | None:
        """The model of a table, or None with its faults noted (those that ``keep`` wants)."""
        if not isinstance(table, dict):
            name = wording.key_text(path)
            self.fault(path, f"got {wording.shown(table)}", f"a table [{name}] is expected")
            return None
        try:
            return model.model_validate(table)
        except ValidationError as error:
            found: list[tuple[dict[str, Any], KeyPath, Any]] = [
                (dict(one), *_place(table, one["loc"]))
                for one in error.errors(include_url=False)[: 2 * _MOST_FAULTS]
            ]
            meant = {
                wording.misspelt((*path, *where), parent)
                for one, where, parent in found
                if one["type"] == "extra_forbidden"
            }
            for one, where, parent in found:
                full = (*path, *where)
                if one["type"] == "missing" and full in meant:
                    continue  # it is there, misspelt: one fault, one line
                if keep(where, one["type"]):
                    self.fault(full, *wording.describe(one, full, parent))
            return None


def _place(table: Any, loc: tuple[str | int, ...]) -> tuple[KeyPath, Any]:
    """The path of an error without the names of laws, and the table its last key stands in."""
    path: KeyPath = ()
    here, parent = table, table
    for number, part in enumerate(loc):
        is_law = isinstance(here, dict) and here.get("law") == part and part not in here
        is_law |= part == schema.NUMBER and not (isinstance(here, dict) and part in here)
        if is_law and number < len(loc):
            continue
        if isinstance(here, dict):
            parent = here
        path = (*path, part)
        if isinstance(here, dict) and part in here:
            here = here[str(part)]
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        else:
            here = None
    return path, parent


def _printable(text: str) -> bool:
    return text.isprintable()
