"""``poresim explain``: what the difference between two liquids is made of."""

from __future__ import annotations

import argparse
from typing import Any

from poresim.cli import asking
from poresim.cli.cautions import CAUTIONS
from poresim.cli.terminal import DONE, remark

NAME = "explain"
ABOUT = "share the difference between two liquids among their properties"
MORE = f"""\
example (two of the liquids of a scenario from `poresim new`):
  poresim new my_rusk
  poresim explain my_rusk.toml

Every property in which the liquids differ is swapped, alone and together with the others, in the
same solids. A table [explain] says which liquids and which result, such as
  [explain]
  between = ["clear broth", "gum broth"]
  of = {{ uptake_at_s = 5 }}

{CAUTIONS}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    asking.arguments(parser)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.show.explain import PARTS, write_figure
    from poresim.why.explain import as_dict, explain, first_round, result_path

    scenario, out = asking.read(asked)
    path = result_path(out, scenario)
    picture = path.with_suffix(".png")
    asking.keep(asked, [picture], PARTS)
    mixtures, solids, most = first_round(scenario)
    more = f" to begin with, {most} solids at most" if most > solids else ""
    remark(f"soaks:   {mixtures} mixtures of the two liquids x {solids} solids{more}")
    asking.expect([scenario], mixtures * solids, asked.workers)
    with asking.work(asked, "explaining") as how:
        found = explain(scenario, out, **how)
    figures = [] if asked.no_figures else write_figure(found, picture)
    told = as_dict(found)
    asking.tell(asked, told, _table(told) if told["distinct"] else [], path, figures)
    return DONE


def _table(told: dict[str, Any]) -> list[str]:
    """A line a mechanism, and their sums."""
    from poresim.outcome.words import aligned, between, signed_percent
    from poresim.why.told import whole_percents

    parts = whole_percents(told["shares"])
    rows = [("property", "share", "95 % interval", "alone", "last")]
    for name in sorted(told["shares"], key=lambda one: -told["shares"][one]):
        low, high = told["intervals"][name]
        ends = "-" if low is None else between(low, high)
        alone, last = (signed_percent(told[key][name]) for key in ("alone", "last"))
        rows.append((name, parts[name], ends, alone, last))
    sums = [signed_percent(sum(told[key].values())) for key in ("shares", "alone", "last")]
    rows.append(("sum", sums[0], "", sums[1], sums[2]))
    lines = aligned(rows)
    return [*lines[:-1], lines[1], lines[-1]]
