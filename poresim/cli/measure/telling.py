"""How a measurement is told: a plain table, remarks, a block to paste, JSON and a figure."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poresim.cli.terminal import DONE, remark, result_json, say, say_figures

COURSE = "{course}"  # stands in a block for the name of the course's file
#: Of a kind's figure, whose numbers have files of their own.
PARTS: dict[str, tuple[str, ...]] = {
    "angle": (), "flow": ("laws",), "sizes": ("density", "laws", "percentiles"),
    "uptake": ("lines",),
}  # fmt: skip
_DIGITS = 2  # of an uncertainty


@dataclass
class Told:
    """What one measurement came to.

    rows : (quantity, value in words). block : TOML, ready to paste; "" for none. values : for JSON.
    remarks : what a reader must know, a sentence each. figure : draws it; None for none. course :
    the text of a CSV file that a scenario may name, and the figure's numbers; None for none.
    """

    rows: list[tuple[str, str]]
    block: str
    values: dict[str, Any]
    remarks: list[str] = field(default_factory=list)
    figure: Callable[[], Any] | None = None
    course: str | None = None


def with_sd(value: float, sd: float, unit: str = "") -> str:
    """As "48.2 ± 0.6 degrees": to two digits of the uncertainty."""
    unit = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return "not known"
    if not (math.isfinite(sd) and sd > 0):
        return f"{value:.4g}{unit}"
    places = _DIGITS - 1 - math.floor(math.log10(sd))
    if places < 0 or abs(value) >= 1e6:
        return f"{round(value, places):.0f} ± {round(sd, places):.0f}{unit}"
    if places > 6:
        return f"{value:.4g} ± {sd:.2g}{unit}"
    return f"{value:.{places}f} ± {sd:.{places}f}{unit}"


def output(parser: argparse.ArgumentParser) -> None:
    """Declare where results go."""
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=Path("results/measure"),
        help="where the figure goes (default: results/measure)",
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier figure there")
    parser.add_argument(
        "--json",
        action="store_true",
        default=argparse.SUPPRESS,
        help="print the result as JSON; remarks go to stderr",
    )


def output_path(asked: argparse.Namespace, kind: str, first: Path) -> Path:
    """Where the figure's PNG goes. RecordError when a file is there that may not be replaced."""
    from poresim.record.files import refuse_existing, safe_name
    from poresim.show.figures import paths_of

    path: Path = asked.out / f"{safe_name(first.stem)}-{kind}.png"
    if not asked.force:
        refuse_existing(paths_of(path, ("", *PARTS[kind])))
    return path


def tell(asked: argparse.Namespace, kind: str, first: Path, measure: Callable[[], Told]) -> int:
    """Measure, write the figure, print the rest; the exit code. ``first``: names the figure."""
    from poresim.record.files import make_folder, write_text
    from poresim.show.figures import write_figure

    place = output_path(asked, kind, first)
    course = place.with_suffix(".csv")
    told = measure()
    written: list[Path] = []
    if told.figure is not None:
        make_folder(asked.out)
        figure = told.figure()
        if told.course is not None:
            del figure.tables[""]  # they are the course
        written = write_figure(figure, place, PARTS[kind])
    if told.course is not None:
        make_folder(asked.out)
        write_text(course, told.course)
    block = told.block.replace(COURSE, course.name)
    for text in told.remarks:
        remark(text)
    if asked.json:
        files: dict[str, Any] = {"figures": [str(path) for path in written]}
        if told.course is not None:
            files["course"] = str(course)
        result_json(told.values | {"block": block} | files)
        return DONE
    widest = max((len(name) for name, _ in told.rows), default=0)
    for name, value in told.rows:
        say(f"{name:{widest}}  {value}")
    if block:
        say("\nfor a scenario:\n")
        say(block.rstrip())
        say()
    say_figures(written)
    if told.course is not None:
        say(f"course:  {course}")
    return DONE
