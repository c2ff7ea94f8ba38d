"""``poresim sweep``: the result of a scenario at many values of some of its quantities."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from poresim.cli import asking
from poresim.cli.cautions import CAUTIONS
from poresim.cli.terminal import DONE, NOT_FINISHED, remark, result_json, say, say_figures

if TYPE_CHECKING:
    from poresim.why.sweep import Swept

NAME = "sweep"
ABOUT = "vary quantities of a scenario: curves, maps, shares of what makes a result vary"
MORE = f"""\
example (after `poresim new my_rusk`, with this at the end of my_rusk.toml):
  [sweep]
  results = [{{ time_to_saturation = 0.5 }}]
  [sweep.vary]
  "solid.tubes.median_radius_um" = {{ least = 8, greatest = 30, steps = 5, spacing = "log" }}
then:
  poresim sweep my_rusk.toml

Any number of a scenario may be varied, by a list, by steps, or (sample = 64 in [sweep]) by a
quasi-random sample that also says which quantity matters most. Each finished soak is kept at once;
--resume goes on.

{CAUTIONS}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    asking.arguments(parser)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.show.sweep import PARTS
    from poresim.show.swept import figure_path
    from poresim.why.naming import named
    from poresim.why.sweep import Plan, result_path, sweep

    scenario, out = asking.read(asked)
    plan = Plan(scenario)
    varied = ", ".join(named(one.key)[0] for one in plan.quantities)
    remark(
        f"sweep:   {varied}; {len(plan.points):,} points x {len(plan.liquids)} liquids x "
        f"{plan.repeats} solid{'s' * (plan.repeats > 1)} = {plan.soaks:,} soaks"
    )
    path = result_path(out, scenario)
    asking.keep(asked, [figure_path(path, one) for one in plan.results], PARTS)
    asking.expect(plan.scenarios, plan.soaks, asked.workers)
    with asking.work(asked, "sweeping") as how:
        found = sweep(plan, out, **how)
    figures, remarks = ([], []) if asked.no_figures else _draw(found, path)
    for text in remarks:
        remark(text)
    _tell(found, path, figures, asked.json)
    for name, why in list(found.failed.items())[:20]:
        remark(f"not finished: {name}: {why}")
    return NOT_FINISHED if found.failed else DONE


def _draw(found: Swept, path: Path) -> tuple[list[Path], list[str]]:
    from poresim.show.swept import sweeps_of, write_figures

    return write_figures(sweeps_of(found), found, path)


def _tell(found: Swept, path: Path, figures: list[Path], as_json: bool) -> None:
    from poresim.why.swept_words import as_dict, lines

    if as_json:
        files = {"record": str(path), "table": str(path.with_suffix(".csv"))}
        result_json(as_dict(found) | files | {"figures": [str(one) for one in figures]})
        return
    say(f"{found.scenario.title}\n")
    for line in lines(found):
        say(line)
    say(f"record:  {path}")
    say(f"table:   {path.with_suffix('.csv')}")
    say_figures(figures)
