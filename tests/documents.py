"""What the documents hold: fenced blocks, commands, code within lines, links."""

from __future__ import annotations

import re
import shlex
from itertools import dropwhile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parent.parent
DOCUMENTS = [
    *(ROOT / name for name in ("README.md", "DEVELOPERS.md")),
    *sorted((ROOT / "benchmarks").glob("*.md")),
]

_FENCE = re.compile(r"^```(\S*)\n(.*?)^```$", re.M | re.S)
_CODE = re.compile(r"`([^`]+)`")
_SET = re.compile(r"[A-Z_]+=")  # a variable of the environment, before a command
_LINK = re.compile(r"\]\(([^)\s]+)\)")


class Block(NamedTuple):
    """A fenced block. where : document and line, to be told."""

    where: str
    language: str
    text: str


def name(document: Path) -> str:
    """As it is told and linked."""
    return str(document.relative_to(ROOT))


def blocks(document: Path) -> list[Block]:
    """Every fenced block; a fence that is not closed is an error."""
    text = document.read_text()
    found = list(_FENCE.finditer(text))
    assert text.count("\n```") == 2 * len(found), f"{name(document)}: a fence that is not closed"
    return [
        Block(f"{name(document)}:{text.count(chr(10), 0, one.start()) + 1}", one[1], one[2])
        for one in found
    ]


def all_blocks(language: str) -> list[Block]:
    """Those of one language, of all documents."""
    return [one for path in DOCUMENTS for one in blocks(path) if one.language == language]


def commands(block: Block) -> list[list[str]]:
    """The words of each command of a `sh` block, without comments."""
    lines = (shlex.split(line, comments=True) for line in block.text.splitlines())
    return [words for line in lines for words in _parted(line)]


def _parted(line: list[str]) -> list[list[str]]:
    parts: list[list[str]] = [[]]
    for word in line:
        if word == "&&":
            parts.append([])
        else:
            parts[-1].append(word)
    return [list(dropwhile(_SET.match, part)) for part in parts if part]


def inline_code(document: Path) -> list[str]:
    """Code within lines, each on one line."""
    prose = _FENCE.sub("", document.read_text())
    return [" ".join(one.split()) for one in _CODE.findall(prose)]


def links(document: Path) -> list[str]:
    """Where links and images point."""
    return _LINK.findall(_FENCE.sub("", document.read_text()))
