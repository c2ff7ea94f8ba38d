"""``poresim judge``: which explanation the measurements speak for."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from poresim.cli import asking
from poresim.cli.cautions import CAUTIONS
from poresim.cli.terminal import DONE, remark

if TYPE_CHECKING:
    from poresim.why.judge import Judged

NAME = "judge"
ABOUT = "weigh rival explanations against what was measured"
MORE = f"""\
example (a scenario with [[measured]] tables that name weight logs):
  poresim judge scenarios/four_broths.toml

An explanation says in which properties the liquids differ: wetting, thickening, plugging, several,
or none. A bank of soaks is drawn over all that is not known ([priors], or usual ranges about the
values of the file); the measurements then give each explanation a probability. The bank is kept:
more measurements are weighed by the same soaks. A table [judge] says more, such as
  [judge]
  balance_g = 0.1
  explanations = ["thickening", "plugging", "thickening+plugging"]

{CAUTIONS}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    asking.arguments(parser)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.show.judge import PARTS, write_figure
    from poresim.why.judge import as_dict, bank_path, first_round, judge, result_path

    scenario, out = asking.read(asked)
    path = result_path(out, scenario)
    picture = path.with_suffix(".png")
    asking.keep(asked, [picture], PARTS)
    like, first, most = first_round(scenario)
    remark(f"soaks:   {first:,} for a bank to begin with, {most:,} at most")
    asking.expect([like], first, asked.workers)
    with asking.work(asked, "judging") as how:
        found = judge(scenario, out, **how)
    figures = [] if asked.no_figures else write_figure(found, picture)
    kept = bank_path(out, scenario)
    asking.tell(asked, as_dict(found), _table(found), path, figures, kept)
    return DONE


def _table(found: Judged) -> list[str]:
    """A line an explanation; those that hardly count together."""
    from poresim.outcome.words import aligned, percent
    from poresim.why.judged import error_of, likely, others_in_words, spoken, told_apart

    verdict = found.verdict
    rows = [("explanation", "probability", "error")]
    told = told_apart(found)
    for k in told:
        p, error = float(verdict.probabilities[k]), max(error_of(found, k), 1e-3)
        rows.append((spoken(verdict.rivals[k].name), likely(p), percent(error)))
    return [*aligned(rows), *filter(None, [others_in_words(found, len(told))])]
