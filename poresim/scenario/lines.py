"""Where each key of a TOML text stands.

The standard reader keeps no line numbers, so the text is walked once more, after it was read
without fault: the walk may therefore be lenient. Paths hold names for tables and whole
numbers for members of arrays: ("liquids", 0, "viscosity", "law").
"""

from __future__ import annotations

import contextlib
import re
import tomllib

Path = tuple[str | int, ...]

SPACE = re.compile(r"[ \t\r\n]*(?:#[^\n]*[ \t\r\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRINGS = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', re.DOTALL
)
_DEEPEST = 50  # names in one dotted key; a scenario needs four
_SCALAR = re.compile(r"[^,\]}#\n]*")


def key_lines(text: str) -> dict[Path, int]:
    """Line (from 1) of every key and array member of a valid TOML text.

    Never fails: what cannot be placed is left out.
    """
    walk = Walk(text.replace("\r\n", "\n"))
    with contextlib.suppress(RecursionError, IndexError, AttributeError, ValueError):
        walk.document()
    return walk.lines


class Walk:
    """One pass over the text; ``lines`` has what was found."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[Path, int] = {}
        self.tables: dict[Path, int] = {}  # arrays of tables: how many so far

    def document(self) -> None:
        here: Path = ()
        self._take(SPACE)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                here = self._header()
            else:
                self._pair(here)
            self._take(SPACE)

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            raise ValueError("not TOML")
        self._skip(found.end() - self.at)
        return found.group()

    def _skip(self, length: int) -> None:
        self.line += self.text.count("\n", self.at, self.at + length)
        self.at += length

    def _header(self) -> Path:
        many = self.text.startswith("[[", self.at)
        line = self.line
        self._skip(2 if many else 1)
        names = self._key()
        self._skip(2 if many else 1)
        path: Path = ()
        for depth, name in enumerate(names):
            path = (*path, name)
            last = depth == len(names) - 1
            if last and many:
                self.lines.setdefault(path, line)
                self.tables[path] = self.tables.get(path, -1) + 1
            if path in self.tables:
                path = (*path, self.tables[path])
        self.lines.setdefault(path, line)
        return path

    def _key(self) -> list[str]:
        """A dotted key, up to what follows it."""
        names = []
        while True:
            self._take(_BLANK)
            if self.text[self.at] in "\"'":
                names.append(next(iter(tomllib.loads(self._take(_STRINGS) + "=0"))))
            else:
                names.append(self._take(_BARE_KEY))
            self._take(_BLANK)
            if self.text[self.at] != ".":
                return names
            if len(names) > _DEEPEST:
                raise ValueError("nested too deeply")
            self._skip(1)

    def _pair(self, here: Path) -> Path:
        line = self.line
        path = here
        for name in self._key():
            path = (*path, name)
            self.lines.setdefault(path, line)
        self._skip(1)  # the equals sign
        self._take(_BLANK)
        self._value(path)
        return path

    def _value(self, path: Path) -> None:
        start = self.text[self.at]
        if start in "\"'":
            self._take(_STRINGS)
        elif start in "[{":
            self._skip(1)
            self._members(path, is_table=start == "{")
        else:
            self._take(_SCALAR)

    def _members(self, path: Path, *, is_table: bool) -> None:
        number = 0
        while True:
            self._take(SPACE)
            if self.text[self.at] in "]}":
                self._skip(1)
                return
            if self.text[self.at] == ",":
                self._skip(1)
            elif is_table:
                self._pair(path)
            else:
                member: Path = (*path, number)
                self.lines.setdefault(member, self.line)
                self._value(member)
                number += 1
