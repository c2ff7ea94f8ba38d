"""Many runs on an executor: each is kept as it comes, what was lost with a worker is done again."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from typing import Any

from poresim.ensemble.jobs import Job, RequestError, outcome_one
from poresim.ensemble.workers import Workers
from poresim.outcome.asked import Outcome

_POLL_S = 0.2
#: How often a run is done again whose worker was lost: a run that ends every worker that takes it
#: up would otherwise go on for ever.
MOST_RETRIES = 3


class Lost(RuntimeError):
    """A run whose workers were lost again and again."""


def gather(
    jobs: Sequence[Job],
    keep: Callable[[int, Outcome | Exception], None],
    *,
    count: int,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Do all jobs; ``keep(i, outcome)`` as each ends, or ``keep(i, error)`` when it cannot be done.

    count : worker processes of its own; executor : any ``concurrent.futures`` executor instead.
    progress : called every 0.2 s with the share of the work that is done.

    What an executor loses (a worker killed, a machine gone) is handed out again, on new processes
    where they are its own, :data:`MOST_RETRIES` times at most.
    """
    from poresim.ensemble.run import compile_first

    compile_first()
    left = list(range(len(jobs)))
    done = 0.0
    for attempt in range(MOST_RETRIES + 1):
        lost = _once(jobs, left, keep, count, executor, progress, done)
        if not lost:
            break
        done = 1.0 - len(lost) / len(jobs)
        left = lost
        if attempt == MOST_RETRIES:
            for i in lost:
                keep(i, Lost("a worker was ended from outside, perhaps for lack of memory"))
    if progress is not None:
        progress(1.0)


def _once(
    jobs: Sequence[Job],
    wanted: Sequence[int],
    keep: Callable[[int, Outcome | Exception], None],
    count: int,
    executor: Executor | None,
    progress: Callable[[float], None] | None,
    done: float,
) -> list[int]:
    """Do these jobs once; those that were lost with their worker."""
    lost: list[int] = []
    workers = Workers(min(count, len(wanted)), len(wanted), executor)
    at_once = True
    try:
        workers.submit(outcome_one, [(jobs[i],) for i in wanted])
        while workers.busy:
            if progress is not None:
                progress(done + (1.0 - done) * workers.fraction())
            for number, future in workers.take(_POLL_S):
                i = wanted[number]
                outcome = _result(future)
                if isinstance(outcome, Outcome | Exception):
                    keep(i, outcome)
                else:
                    lost.append(i)
        at_once = bool(lost)
    finally:
        workers.close(at_once=at_once)
    if lost:
        time.sleep(_POLL_S)  # an interrupt that also ended the workers arrives meanwhile
    return lost


def _result(future: Future[Any]) -> Outcome | Exception | None:
    """What came of a job; None: it was lost with its worker."""
    try:
        found: Outcome = future.result()
    except (BrokenExecutor, CancelledError):
        return None
    except RequestError as error:
        return error
    except Exception as error:
        return None if _of_a_cluster(error) else error
    return found


def _of_a_cluster(error: Exception) -> bool:
    """Whether the error is that of a scheduler which lost a worker, not of the run."""
    return type(error).__module__.partition(".")[0] == "distributed"
