"""What the commands that soak many solids share: options, forecast, where and how to work."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.cli.terminal import bar, heeding, remark, result_json, say, say_figures
from poresim.record.layout import RecordError

if TYPE_CHECKING:
    from poresim.ensemble.run import Progress
    from poresim.scenario.reading import Scenario

ANSWER_S = 10  # in which a scheduler is to answer


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("file", metavar="FILE", type=Path, help="scenario (.toml)")
    parser.add_argument(
        "--out", metavar="DIR", type=Path, help="where to write (default: results/<scenario>)"
    )
    parser.add_argument("--force", action="store_true", help="replace earlier results there")
    parser.add_argument("--resume", action="store_true", help="go on with work broken off")
    parser.add_argument(
        "--workers", metavar="N", type=int, help="processes to use (default: one a core)"
    )
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="a running dask scheduler to work on, such as tcp://10.0.0.5:8786",
    )
    parser.add_argument("--no-figures", action="store_true", help="no pictures, numbers only")


def read(asked: argparse.Namespace) -> tuple[Scenario, Path]:
    """The scenario, and the folder for the results; RecordError: options that contradict."""
    from poresim.record.files import safe_name
    from poresim.scenario.reading import load_scenario

    if asked.workers is not None and asked.workers < 1:
        raise RecordError(f"--workers must be at least 1, got {asked.workers}")
    if asked.force and asked.resume:
        raise RecordError("--force starts afresh and --resume goes on: give one of them")
    if asked.cluster is not None and asked.workers is not None:
        raise RecordError("--cluster has workers of its own: leave --workers out")
    scenario = load_scenario(asked.file)
    out = asked.out if asked.out is not None else Path("results") / safe_name(scenario.name)
    return scenario, out


def keep(asked: argparse.Namespace, figures: Sequence[Path], parts: Sequence[str]) -> None:
    """Refuse to draw over earlier figures, or the tables of these parts beside them."""
    from poresim.record.files import refuse_existing
    from poresim.show.figures import paths_of

    if not (asked.force or asked.resume or asked.no_figures):
        for path in figures:
            refuse_existing(paths_of(path, parts))


def expect(scenarios: Sequence[Scenario], soaks: int, workers: int | None) -> None:
    """Say how long so many soaks of these scenarios will take, and what memory, before they do."""
    from poresim.machine import cores
    from poresim.outcome.words import seconds
    from poresim.scenario.cost import STARTING_SECONDS
    from poresim.scenario.plan import plan
    from poresim.solid.memory import in_words
    from poresim.why.runs import a_few

    some = [plan(one, 1) for one in a_few(scenarios)]
    count = min(workers or cores(), soaks)
    each = sum(one.soak_seconds for one in some) / len(some)
    time = seconds(STARTING_SECONDS + each * -(-soaks // count))
    memory = in_words(max(one.solid.memory_bytes for one in some))
    remark(f"expect:  about {time} on {count} core{'s' * (count > 1)}, {memory} of memory a soak")


def tell(
    asked: argparse.Namespace,
    told: dict[str, Any],
    table: Sequence[str],
    path: Path,
    figures: Sequence[Path],
    kept: Path | None = None,
) -> None:
    """What a question came to: as JSON, or its table, its answer and where its files are.

    told : title and answer among it. path : of the numbers, with a table beside it. kept : a bank.
    """
    if asked.json:
        result_json(told | {"file": str(path), "figures": [str(one) for one in figures]})
        return
    say(f"{told['title']}\n")
    for line in table:
        say(line)
    if table:
        say()
    say(told["answer"] + "\n")
    say(f"numbers: {path}")
    say(f"table:   {path.with_suffix('.csv')}")
    if kept is not None:
        say(f"bank:    {kept}")
    say_figures(figures)


@contextmanager
def work(asked: argparse.Namespace, what: str) -> Iterator[dict[str, Any]]:
    """Where and how to work, as arguments of a run or a question, with a progress bar."""
    with executor(asked.cluster) as found, bar(what) as move, heeding() as look:

        def show(progress: Progress) -> None:
            look()
            move(progress.fraction, f"{progress.finished} of {progress.soaks} soaks")

        yield {
            "executor": found,
            "workers": asked.workers,
            "progress": show,
            "resume": asked.resume,
            "force": asked.force,
        }


@contextmanager
def executor(address: str | None) -> Iterator[Executor | None]:
    """The executor of a dask scheduler; None without an address. RecordError: it is not there."""
    if address is None:
        yield None
        return
    try:
        from dask.distributed import Client
    except ImportError:
        raise RecordError("--cluster needs dask: pip install 'poresim[cluster]'") from None
    try:
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise RecordError(f"--cluster {address}: no scheduler answers ({why})") from None
    try:
        yield client.get_executor()
    finally:
        client.close()
