"""``poresim new``: write a commented starter scenario."""

from __future__ import annotations

import argparse
from pathlib import Path

from poresim.cli.cautions import CAUTIONS
from poresim.cli.terminal import DONE, result_json, say

NAME = "new"
ABOUT = "write a commented starter scenario"
MORE = f"""\
example:
  poresim new my_rusk
  poresim run my_rusk.toml

{CAUTIONS}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("name", metavar="NAME", help="of the scenario; the file is NAME.toml")
    parser.add_argument("--out", metavar="DIR", type=Path, help="where to write it (default: here)")
    parser.add_argument("--force", action="store_true", help="replace a file of this name")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.record.files import make_folder, safe_name, write_text
    from poresim.record.layout import RecordError
    from poresim.scenario.starter import starter

    given = Path(asked.name)
    stem = given.name[:-5] if given.name.lower().endswith(".toml") else given.name
    name = safe_name(stem)
    folder = (asked.out or Path()) / given.parent
    path = folder / f"{name}.toml"
    if not stem or stem in (".", ".."):
        raise RecordError(f"NAME must be the name of a file, got {asked.name!r}")
    if not folder.is_dir():
        if asked.out is None or given.parent != Path():
            raise RecordError(f"{folder}: no such folder; make it first, or give another NAME")
        make_folder(folder)
    if path.exists() and not asked.force:
        raise RecordError(f"{path}: exists; --force replaces it, another NAME keeps both")
    text = starter(name)
    write_text(path, text)
    if asked.json:
        result_json({"scenario": str(path)})
    else:
        say(f"wrote {path}; next: poresim check {path}, then poresim run {path}")
    return DONE
