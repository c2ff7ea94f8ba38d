"""``poresim plan``: which further test would tell most."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from poresim.cli import asking
from poresim.cli.cautions import CAUTIONS
from poresim.cli.terminal import DONE, remark

if TYPE_CHECKING:
    from poresim.why.plan import Planned

NAME = "plan"
ABOUT = "rank further tests by what they would tell about which explanation holds"
MORE = f"""\
example (a scenario with [[measured]] tables that name weight logs, as for judge):
  poresim plan scenarios/four_broths.toml

The verdict is that of judge, by the same bank of soaks, which is kept in --out. Each test gets the
information (in bits) that it is expected to give about which explanation holds; the most per
minute at the bench comes first. Without a table [plan] every liquid is tried: weighed to three
times the last reading so far, and its angle read to 2 degrees. [plan] names others, such as
  [[plan.tests]]
  liquid = "gum broth"
  uptake_at_s = [30, 60, 180]      # or: angle_sd_deg = 2
  repeats = 3
  minutes = 20                     # else 5 a piece and its soak; 3 for an angle (common practice)
Liquids that do not exist yet, such as the thickener alone or the grains filtered out, are tried by
adding them to the scenario with based_on; the bank is then soaked anew.

{CAUTIONS}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    asking.arguments(parser)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.show.plan import write_figure
    from poresim.why.judge import bank_path
    from poresim.why.plan import as_dict, first_round, plan, result_path

    scenario, out = asking.read(asked)
    path = result_path(out, scenario)
    picture = path.with_suffix(".png")
    asking.keep(asked, [picture], ())
    like, first, most = first_round(scenario)
    remark(f"soaks:   {first:,} for a bank to begin with, {most:,} at most; a kept bank is used")
    asking.expect([like], first, asked.workers)
    with asking.work(asked, "planning") as how:
        found = plan(scenario, out, **how)
    figures = [] if asked.no_figures else write_figure(found, picture)
    kept = bank_path(out, scenario)
    asking.tell(asked, as_dict(found), _table(found), path, figures, kept)
    return DONE


def _table(found: Planned) -> list[str]:
    """A line a test."""
    from poresim.outcome.words import aligned
    from poresim.why.planned import minutes

    rows = [("test", "bits", "error", "minutes", "bits per hour")]
    for one in found.tests:
        told = one.told
        rows.append(
            (
                one.candidate.name,
                f"{told.explanation:.3f}",
                f"{told.explanation_sd:.3f}",
                minutes(one.candidate.minutes),
                f"{one.bits_per_hour:.2f}",
            )
        )
    return aligned(rows)
