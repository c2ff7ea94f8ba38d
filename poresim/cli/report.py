"""``poresim report``: one page that says what was asked, what came out, and how sure that is."""

from __future__ import annotations

import argparse
from pathlib import Path

from poresim.cli.terminal import DONE, bar, remark, result_json, say

NAME = "report"
ABOUT = "make one self-contained page (HTML) of a record, or of several side by side"
MORE = """\
example (after `poresim run my_rusk.toml`):
  poresim report results/my_rusk/my_rusk.h5

The page holds question, answer, pictures, numbers, what was assumed, checks, cautions and how to
repeat it. It fetches nothing and runs nothing: send it to whom you like.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("records", metavar="RECORD", nargs="+", type=Path, help="record (.h5)")
    parser.add_argument(
        "--out", metavar="DIR", type=Path, help="where to write (default: beside the first record)"
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier page there")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.record.files import make_folder, write_text
    from poresim.record.layout import RecordError
    from poresim.record.reading import load_record

    records = [load_record(path) for path in asked.records]
    out = asked.out if asked.out is not None else asked.records[0].parent
    path = out / f"{records[0].name}.html"
    if path.exists() and not asked.force:
        raise RecordError(f"{path}: exists; --force replaces it, --out DIR writes elsewhere")
    make_folder(out)
    from poresim.show.report.page import page

    with bar("drawing") as move:
        made = page(records, move)
    write_text(path, made.text)
    for text in (*made.remarks, *made.told["alarms"]):
        remark(text)
    size = path.stat().st_size
    if asked.json:
        named = {"page": str(path), "bytes": size, "records": [str(r.path) for r in records]}
        result_json(named | made.told)
    else:
        say(f"{made.told['headline']}\n")
        say(f"page:  {path} ({size / 1e6:.2g} MB)")
    return DONE
