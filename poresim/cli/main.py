"""The command line: finds the command, runs it, and turns what went wrong into one line."""

from __future__ import annotations

import argparse
import atexit
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from poresim import __version__
from poresim.cli import (
    animate,
    check,
    compare,
    explain,
    judge,
    measure,
    new,
    plan,
    report,
    run,
    sweep,
    terminal,
    warm,
)
from poresim.cli.terminal import INTERRUPTED, NOT_FINISHED, WRONG_REQUEST, remark

_COMMANDS = (
    new, check, run, compare, sweep, explain, judge, plan, measure, animate, report, warm,
)  # fmt: skip

_ABOUT = "Why one liquid soaks a porous solid and another does not."
_EXAMPLE = """\
start here:
  poresim new my_rusk            writes my_rusk.toml, a commented scenario
  poresim check my_rusk.toml     says what will be built, and every fault
  poresim run my_rusk.toml       computes it: record, table, figures

exit codes: 0 done; 2 the request is wrong; 3 not finished; 130 interrupted
"""


class Parser(argparse.ArgumentParser):
    """An argument parser whose errors are one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(WRONG_REQUEST, f"{self.prog}: {terminal.plain(message)} (see {self.prog} -h)\n")


def parser() -> Parser:
    """The whole command line."""
    top = Parser(
        prog="poresim",
        description=_ABOUT,
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"poresim {__version__}")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", parser_class=Parser)
    for command in _COMMANDS:
        one = commands.add_parser(
            command.NAME,
            help=command.ABOUT,
            description=command.ABOUT[:1].upper() + command.ABOUT[1:] + ".",
            epilog=command.MORE,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        command.arguments(one)
        one.add_argument(
            "--json", action="store_true", help="print the result as JSON; remarks go to stderr"
        )
        one.set_defaults(execute=command.execute)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code."""
    code = _main(argv)
    if code == INTERRUPTED and argv is None:
        _leave_interrupted()
    return code


def _leave_interrupted() -> NoReturn:
    """End the process with the code for interrupted.

    An interrupt that hits code which is made from a string, as many imports do, marks a `python -m`
    to die by the signal, whatever is returned afterwards.
    """
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(INTERRUPTED)


def _main(argv: Sequence[str] | None) -> int:
    terminal.prepare()
    top = parser()
    try:
        asked = top.parse_args(argv)
    except SystemExit as ended:  # --help, --version or a wrong request: already told
        return int(ended.code or 0)
    if not hasattr(asked, "execute"):
        top.print_help(sys.stderr)
        return WRONG_REQUEST
    try:
        with terminal.interruptible():
            return int(asked.execute(asked))
    except KeyboardInterrupt as interrupt:
        return _interrupted(interrupt)
    except BrokenPipeError:  # the reader of our output has gone, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:  # the last net: every fault is one line
        if os.environ.get("PORESIM_DEBUG"):
            raise
        return _fault(error)


def _interrupted(interrupt: KeyboardInterrupt) -> int:
    path = getattr(interrupt, "record_path", None)
    if getattr(interrupt, "finished", None) == 0:
        remark("interrupted before the first soak was finished; nothing is kept")
    elif hasattr(interrupt, "finished"):
        kept = f"{interrupt.finished} of {interrupt.soaks} soaks are kept"  # type: ignore[attr-defined]
        where = f" in {path}" if path else ""
        remark(f"interrupted: {kept}{where}; --resume goes on")
    elif hasattr(interrupt, "kept"):
        remark(f"interrupted: {interrupt.kept}")
    else:
        remark("interrupted")
    return INTERRUPTED


def _fault(error: Exception) -> int:
    """Say what went wrong, a line a fault; whether the request or the computation is at fault."""
    faults = getattr(error, "faults", None)
    if faults:
        for fault in faults:
            remark(str(fault))
        return WRONG_REQUEST
    failures = getattr(error, "failures", None)
    if failures is not None:
        for failure in failures:
            remark(f"not finished: {failure}")
        remark(_kept(error))
        return NOT_FINISHED
    if getattr(error, "not_finished", False):
        remark(f"not finished: {error}")
        return NOT_FINISHED
    if getattr(error, "wrong_request", False):
        remark(str(error))
        return WRONG_REQUEST
    if isinstance(error, OSError):
        name = f"{error.filename}: " if error.filename else ""
        remark(f"{name}{error.strerror or error}")
        return WRONG_REQUEST
    if isinstance(error, MemoryError):
        remark("not finished: out of memory; ask for a smaller block, a wider spacing or 1 worker")
        return NOT_FINISHED
    remark(
        f"not finished: {type(error).__name__}: {error or 'no message'} "
        "(a fault of poresim; PORESIM_DEBUG=1 shows where)"
    )
    return NOT_FINISHED


def _kept(error: Exception) -> str:
    path = getattr(error, "record_path", None)
    if path is None:
        return "nothing was finished"
    return f"finished soaks are kept in {path}: {getattr(error, 'finished', 0)}; --resume goes on"
