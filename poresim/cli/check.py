"""``poresim check``: say what a scenario would build, and every fault in it."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

from poresim.cli.forecast import forecast, forecast_dict
from poresim.cli.terminal import DONE, WRONG_REQUEST, remark, result_json, say

NAME = "check"
ABOUT = "read a scenario: say what will be built and every fault in it; run nothing"
MORE = """\
example:
  poresim new my_rusk
  poresim check my_rusk.toml
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", metavar="FILE", type=Path, help="scenario (.toml)")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.scenario.faults import ScenarioError
    from poresim.scenario.plan import plan
    from poresim.scenario.reading import load_scenario

    try:
        scenario = load_scenario(asked.file)
    except ScenarioError as error:
        if not asked.json:
            raise
        for fault in error.faults:
            remark(str(fault))
        result_json({"faults": [asdict(fault) for fault in error.faults]})
        return WRONG_REQUEST
    found = plan(scenario)
    if asked.json:
        result_json(forecast_dict(scenario, found))
    else:
        say(scenario.title)
        for line in forecast(scenario, found):
            say(line)
        say(f"no faults; next: poresim run {asked.file}")
    return DONE
