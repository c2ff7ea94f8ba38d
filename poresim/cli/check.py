"""``poresim check``: say what a scenario would build, and every fault in it; curves if asked."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

from poresim.cli import curves
from poresim.cli.forecast import forecast, forecast_dict
from poresim.cli.terminal import DONE, WRONG_REQUEST, remark, result_json, say, say_figures

NAME = "check"
ABOUT = "read a scenario: say what will be built and every fault in it; soak nothing"
MORE = """\
example:
  poresim new my_rusk
  poresim check my_rusk.toml
  poresim check --curves my_rusk.toml

--curves builds the first solid and computes what a bench can measure before any soak: porosity,
wall area, permeability, formation factor, uptake against suction and mercury intrusion.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", metavar="FILE", type=Path, help="scenario (.toml)")
    parser.add_argument(
        "--curves",
        action="store_true",
        help=f"also compute the first solid's curves, and draw them ({curves.FIGURE})",
    )
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        help="where to write the figure of --curves (default: results/<scenario>)",
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier figure there")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.record.layout import RecordError
    from poresim.scenario.believable import checked_priors
    from poresim.scenario.faults import ScenarioError
    from poresim.scenario.plan import plan
    from poresim.scenario.reading import load_scenario

    if not asked.curves and (asked.out is not None or asked.force):
        raise RecordError("--out and --force say where --curves draws: give that too")
    try:
        scenario = load_scenario(asked.file)
        checked_priors(scenario)
    except ScenarioError as error:
        if not asked.json:
            raise
        for fault in error.faults:
            remark(str(fault))
        result_json({"faults": [asdict(fault) for fault in error.faults]})
        return WRONG_REQUEST
    found = plan(scenario)
    told = forecast_dict(scenario, found)
    if not asked.json:
        say(scenario.title)
        for line in forecast(scenario, found):
            say(line)
    if asked.curves:
        path = curves.figure_path(scenario, asked.out, asked.force)
        curves.expect(found)
        computed = curves.compute(scenario)
        figures = curves.draw(computed, scenario, path)
        told |= {"curves": computed.as_dict(), "figures": [str(one) for one in figures]}
        if not asked.json:
            for line in curves.lines(computed):
                say(line)
            say_figures(figures)
    if asked.json:
        result_json(told)
    else:
        say(f"no faults; next: poresim run {asked.file}")
    return DONE
