"""Finished runs of a sweep or a bank, kept line by line while the work goes on.

One line a run: its key, and what was computed, as JSON (arrays as base64 of their bytes: nothing
is lost, nothing is executed). A line that was torn when the process was killed is dropped on the
next opening, with what cannot be read. The first line says which work the rest belongs to.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from poresim.outcome.asked import Outcome
from poresim.record.layout import RecordError
from poresim.uptake.result import Ending

_FORMAT = 1
_MOST_BYTES = 4 << 30
_LONGEST_LINE = 1 << 20
_MOST_VALUES = 100_000


class Journal:
    """The finished runs of one piece of work.

    path : of the file. key : a hash of all that decides the numbers.
    """

    def __init__(self, path: Path, key: str) -> None:
        self.path = path
        self.key = key
        self.finished: dict[str, Outcome] = {}
        self._file: Any = None

    def open(self, *, resume: bool, force: bool) -> None:
        """Read what is there, and be ready for more. RecordError: it must not be touched."""
        whole = 0
        if self.path.exists() and not force:
            if not resume:
                raise RecordError(
                    f"{self.path}: holds work that was broken off; --resume goes on with it, "
                    "--force starts afresh"
                )
            whole = self._read()
        self._file = open(self.path, "ab" if whole else "wb")  # noqa: SIM115
        if whole:
            self._file.truncate(whole)
        else:
            self._write({"poresim_journal": _FORMAT, "key": self.key})

    def add(self, name: str, outcome: Outcome) -> None:
        """Keep a finished run; on disk when this returns."""
        self._write({"run": name, **_packed(outcome)})
        self.finished[name] = outcome

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def remove(self) -> None:
        """Throw the file away: what it holds is kept elsewhere."""
        self.close()
        self.path.unlink(missing_ok=True)

    def _write(self, line: dict[str, Any]) -> None:
        self._file.write(json.dumps(line).encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def _read(self) -> int:
        """Take in every whole line; how many bytes they are."""
        whole = 0
        for number, (line, end) in enumerate(_lines(self.path)):
            try:
                found = json.loads(line)
                if number == 0:
                    self._refuse_other(found)
                else:
                    self.finished[str(found["run"])] = _unpacked(found)
            except RecordError:
                raise
            except (ValueError, KeyError, TypeError, RecursionError):
                break
            whole = end
        return whole

    def _refuse_other(self, head: Any) -> None:
        if not isinstance(head, dict) or head.get("poresim_journal") != _FORMAT:
            raise RecordError(f"{self.path}: is no journal of this version; --force replaces it")
        if head.get("key") != self.key:
            raise RecordError(
                f"{self.path}: holds work on another scenario text or version; --force throws it "
                "away, --out DIR writes elsewhere"
            )


def _lines(path: Path) -> Iterator[tuple[bytes, int]]:
    """Whole lines and where they end; none after one that is too long."""
    if path.stat().st_size > _MOST_BYTES:
        raise RecordError(f"{path}: is larger than any journal ({_MOST_BYTES >> 30} GB)")
    end = 0
    with path.open("rb") as file:
        while line := file.readline(_LONGEST_LINE):
            if not line.endswith(b"\n"):
                return
            end += len(line)
            yield line, end


def _packed(outcome: Outcome) -> dict[str, Any]:
    return {
        "ending": outcome.ending.name,
        "figures": outcome.figures,
        "curves": {name: _text(row) for name, row in outcome.curves.items()},
    }


def _unpacked(found: dict[str, Any]) -> Outcome:
    curves = {str(name): _row(text) for name, text in found["curves"].items()}
    if len({len(row) for row in curves.values()}) != 1 or "time_s" not in curves:
        raise ValueError("curves")
    figures = {str(name): float(value) for name, value in found["figures"].items()}
    return Outcome(Ending[found["ending"]], curves, figures)


def _text(row: np.ndarray) -> str:
    return base64.b64encode(np.asarray(row, "<f8").tobytes()).decode()


def _row(text: str) -> np.ndarray:
    row = np.frombuffer(base64.b64decode(text, validate=True), "<f8")
    if not 0 < len(row) <= _MOST_VALUES:
        raise ValueError("length")
    return row.astype(np.float64)
