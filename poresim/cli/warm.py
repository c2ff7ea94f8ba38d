"""``poresim warm``: compile the numerical kernels now, so that no later run waits for it."""

from __future__ import annotations

import argparse

from poresim.cli.terminal import DONE, remark, result_json, say

NAME = "warm"
ABOUT = "compile the numerical kernels now, so that no later run waits for it"
MORE = """\
example:
  poresim warm

Once after installing, it takes a minute or two; after that it finds all there and says
nothing.
Compiled kernels are kept in ~/.cache/poresim; set PORESIM_CACHE to keep them elsewhere.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments: there are none."""


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.ensemble.warming import warm
    from poresim.tube.jit import CACHE_FOLDER

    compiled = warm(remark)
    if asked.json:
        result_json({"compiled": compiled, "cache": str(CACHE_FOLDER)})
    elif compiled:
        say(f"all kernels are compiled and kept in {CACHE_FOLDER}")
    return DONE
