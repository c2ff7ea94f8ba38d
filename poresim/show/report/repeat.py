"""How to get the same numbers again: what to save, what to type, and hashes to compare with."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poresim.ensemble.request import files_named
from poresim.record.files import safe_name
from poresim.record.model import Record
from poresim.show.report.assumed import Assumed

_PIECE = 1 << 20  # bytes read at once


@dataclass(frozen=True)
class Recipe:
    """Of one record. file : what to save the scenario as. needs : files to lay beside it.

    text_hash, record_hash : SHA-256 of the scenario's text and of the record file.
    """

    file: str
    commands: list[str]
    needs: list[str]
    text_hash: str
    record_hash: str


def recipe(record: Record, found: Assumed) -> Recipe:
    """Raises OSError where the record can no longer be read."""
    name = safe_name(record.name)
    needs = [*files_named(found.tables), *_measurements(found.tables.get("measured"))]
    return Recipe(
        file=f"{name}.toml",
        commands=[f"poresim {what} {shlex.quote(f'{name}.toml')}" for what in ("check", "run")],
        needs=list(dict.fromkeys(needs)),
        text_hash=hashlib.sha256(record.scenario.encode("utf-8", "surrogateescape")).hexdigest(),
        record_hash=_hash(record.path),
    )  # fmt: skip


def _measurements(listed: Any) -> list[str]:
    """Files of what was measured: a run does not use them, but its scenario is read with them."""
    tables = [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
    found = [one.get(key) for one in tables for key in ("uptake", "angle", "snap_force")]
    return [name for name in found if isinstance(name, str)]


def page_command(records: Sequence[Record]) -> str:
    """The command that makes the page anew, after the runs."""
    names = [safe_name(record.name) for record in records]
    return "poresim report " + " ".join(shlex.quote(f"results/{n}/{n}.h5") for n in names)


def _hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
    return digest.hexdigest()
