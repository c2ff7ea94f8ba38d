"""Which work a journal or a record of the questions belongs to."""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim import __version__
from poresim.ensemble.request import files_named
from poresim.scenario.varied import QUESTIONS

if TYPE_CHECKING:
    from poresim.scenario.reading import Scenario

_FORMAT = 1


def key_of(scenario: Scenario, *more: Any) -> str:
    """A hash of all that decides the numbers: of the scenario, apart from its questions, and of
    ``more``."""
    whole = tomllib.loads(scenario.text)
    tables = {name: value for name, value in whole.items() if name not in QUESTIONS}
    said = json.dumps([_FORMAT, __version__, tables, more], sort_keys=True, default=str)
    digest = hashlib.sha256(said.encode())
    folder = scenario.path.parent if scenario.path else Path()
    for name in files_named(tables):
        digest.update(b"\0" + (folder / name).read_bytes())
    return digest.hexdigest()


def journal_path(out: Path, name: str, question: str) -> Path:
    """Where finished runs of a question are kept while it is worked on."""
    return out / f"{name}.{question}.runs"
