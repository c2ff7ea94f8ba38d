"""What a scenario's writer says of its values: the comments that stand beside them."""

from __future__ import annotations

import contextlib

from poresim.scenario.lines import SPACE, Path, Walk


def comments(text: str) -> dict[Path, str]:
    """Comment of every statement and table of a valid TOML text that has one, as one line.

    It stands behind the statement, goes on below it if it is indented there, or stands in whole
    lines right above it. ``()`` has all that stands before the first statement. Never fails: what
    cannot be placed is left out.
    """
    walk = _Listening(text.replace("\r\n", "\n"))
    with contextlib.suppress(RecursionError, IndexError, AttributeError, ValueError):
        walk.document()
    return walk.said


class _Listening(Walk):
    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.said: dict[Path, str] = {}

    def document(self) -> None:
        here: Path = ()
        between = self._take(SPACE).split("\n")
        self._note((), between)
        above: list[str] = []
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                place = here = self._header()
            else:
                place = self._pair(here)
            behind, *rows = self._take(SPACE).split("\n")
            more = 0
            while behind.strip() and more < len(rows) and _goes_on(rows[more]):
                more += 1
            self._note(place, [*above, behind, *rows[:more]])
            above = _last_block(rows[more:])

    def _note(self, place: Path, rows: list[str]) -> None:
        words = " ".join(row.strip().lstrip("#").strip() for row in rows)
        if words.strip():
            self.said.setdefault(place, words.strip())


def _goes_on(row: str) -> bool:
    return row[:1] in (" ", "\t") and row.lstrip().startswith("#")


def _last_block(rows: list[str]) -> list[str]:
    """Comments in whole lines that nothing parts from what follows."""
    block: list[str] = []
    for row in reversed(rows[:-1]):  # the last is the statement's own line
        if not row.strip():
            break
        block.insert(0, row)
    return block
