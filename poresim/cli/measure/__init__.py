"""``poresim measure``: photographs, weights, flow curves and sizes become numbers."""

from __future__ import annotations

import argparse
from types import ModuleType

from poresim.cli.cautions import CAUTIONS
from poresim.cli.measure import angle, flow, sizes, uptake
from poresim.cli.measure.telling import output

NAME = "measure"
ABOUT = "turn bench data into numbers with their uncertainty, and a block for a scenario"
MORE = f"""\
each kind has its own help, with an example that runs:
  poresim measure uptake -h

{CAUTIONS}"""
KINDS: tuple[ModuleType, ...] = (angle, uptake, flow, sizes)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments: a command a kind."""
    kinds = parser.add_subparsers(
        title="kinds", metavar="KIND", dest="kind", required=True, parser_class=type(parser)
    )
    for kind in KINDS:
        one = kinds.add_parser(
            kind.NAME,
            help=kind.ABOUT,
            description=kind.ABOUT[:1].upper() + kind.ABOUT[1:] + ".",
            epilog=kind.MORE,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        kind.arguments(one)
        output(one)
        one.set_defaults(measure=kind.execute)


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    return int(asked.measure(asked))
