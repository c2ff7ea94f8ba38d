"""``poresim compare``: the liquids of several records side by side."""

from __future__ import annotations

import argparse
from pathlib import Path

from poresim.cli.tables import absorbed, firmness, notes, offered, sheared, table
from poresim.cli.terminal import DONE, remark, result_json, say, say_figures

NAME = "compare"
ABOUT = "put the liquids of one or several records side by side: table and figures"
MORE = """\
example (after `poresim run fine.toml` and `poresim run coarse.toml`):
  poresim compare results/fine/fine.h5 results/coarse/coarse.h5 --out results/compare
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("records", metavar="RECORD", nargs="+", type=Path, help="record (.h5)")
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=Path("results/compare"),
        help="where to write the figures (default: results/compare)",
    )
    parser.add_argument("--force", action="store_true", help="replace earlier figures there")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.outcome.words import headline
    from poresim.record.files import make_folder, refuse_existing
    from poresim.record.layout import RecordError
    from poresim.record.reading import load_record
    from poresim.show.figures import figure_paths, write_figures
    from poresim.show.series import series_of

    records = [load_record(path) for path in asked.records]
    found = [series.summary for series in series_of(records)]
    if not found:
        raise RecordError("nothing to compare: no soak in these records is finished")
    name = "compare"
    if not asked.force:
        refuse_existing(figure_paths(asked.out, name))
    make_folder(asked.out)
    figures, remarks = write_figures(records, asked.out, name)
    for text in remarks:
        remark(text)
    for record in records:
        if not record.complete:
            remark(f"{record.path}: unfinished run, some repeats are missing")
    if asked.json:
        result_json(
            {
                "records": [str(record.path) for record in records],
                "figures": [str(path) for path in figures],
                "headline": headline(found),
                "liquids": [summary.as_dict() for summary in found],
            }
        )
    else:
        say(table(found))
        say(notes(found))
        say(f"\n{headline(found)}\n")
        if lines := offered(found):
            say(lines)
        if lines := absorbed(found):
            say(lines)
        if lines := sheared(found):
            say(lines)
        if lines := firmness(found):
            say(lines)
        say_figures(figures)
    return DONE
