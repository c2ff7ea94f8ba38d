"""``poresim run``: soak every solid by every liquid; record, table, figures."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from poresim.cli import asking
from poresim.cli.cautions import CAUTIONS
from poresim.cli.forecast import forecast
from poresim.cli.tables import absorbed, firmness, notes, offered, sheared, table
from poresim.cli.terminal import DONE, NOT_FINISHED, remark, result_json, say, say_figures

if TYPE_CHECKING:
    from poresim.record.model import Record
    from poresim.scenario.reading import Scenario

NAME = "run"
ABOUT = "soak every solid by every liquid of a scenario: record, table, figures"
MORE = f"""\
example:
  poresim new my_rusk
  poresim run my_rusk.toml --out results/my_rusk

Each finished soak is kept at once. After Ctrl-C or a crash, --resume goes on.

{CAUTIONS}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    asking.arguments(parser)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.record.files import make_folder, refuse_existing, safe_name
    from poresim.show.figures import figure_paths

    scenario, out = asking.read(asked)
    name = safe_name(scenario.name)
    if not (asked.force or asked.resume):
        refuse_existing(figure_paths(out, name))
    make_folder(out)
    _expect(scenario, asked.workers)
    with _no_old_figures(out, name):
        record = _compute(scenario, out, asked)
    figures: list[Path] = []
    if not asked.no_figures:
        figures = _draw(record, out, name)
    _tell(record, figures, asked.json)
    for liquid, number in record.failed:
        remark(
            f"not finished: {liquid}, solid {number}: the pressures could not be solved; "
            "what was computed until then is in the record"
        )
    return NOT_FINISHED if record.failed else DONE


@contextmanager
def _no_old_figures(out: Path, name: str) -> Iterator[None]:
    """However the work ends: when the record is a new one, the figures of the old one go."""
    from poresim.show.figures import figure_paths

    def written() -> int | None:
        path = out / f"{name}.h5"
        return path.stat().st_mtime_ns if path.exists() else None

    before = written()
    try:
        yield
    finally:
        if written() != before:
            for path in figure_paths(out, name):
                path.unlink(missing_ok=True)


def _expect(scenario: Scenario, workers: int | None) -> None:
    """Say what is coming, before it starts; refuses what does not fit into the memory."""
    from poresim.machine import cores
    from poresim.scenario.plan import plan

    for line in forecast(scenario, plan(scenario, workers or cores())):
        remark(line)


def _compute(scenario: Scenario, out: Path, asked: argparse.Namespace) -> Record:
    from poresim.ensemble.run import run

    with asking.work(asked, "soaking") as how:
        return run(scenario, out, **how)


def _draw(record: Record, out: Path, name: str) -> list[Path]:
    from poresim.show.figures import write_figures

    figures, remarks = write_figures([record], out, name)
    for text in remarks:
        remark(text)
    return figures


def _tell(record: Record, figures: list[Path], as_json: bool) -> None:
    from poresim.outcome.words import headline
    from poresim.record.summaries import summaries

    found = summaries(record)
    if as_json:
        result_json(
            {
                "title": record.title,
                "record": str(record.path),
                "figures": [str(path) for path in figures],
                "complete": record.complete,
                "seed": record.seed,
                "poresim_version": record.version,
                "headline": headline(found),
                "liquids": [summary.as_dict() for summary in found],
                "failed": [{"liquid": name, "repeat": n} for name, n in record.failed],
            }
        )
        return
    accuracy = next((r.accuracy for q in record.liquids for r in q.repeats.values()), None)
    say(f"{record.title}\n")
    say(table(found))
    say(notes(found, accuracy))
    say(f"\n{headline(found)}\n")
    if lines := offered(found):
        say(lines)
    if lines := absorbed(found):
        say(lines)
    if lines := sheared(found):
        say(lines)
    if lines := firmness(found):
        say(lines)
    say(f"record:  {record.path}")
    say_figures(figures)
