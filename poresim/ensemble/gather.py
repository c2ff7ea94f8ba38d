"""Many jobs on an executor: each is kept as it comes, what was lost with a worker is done again."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from typing import Any, TypeVar

from poresim.ensemble.workers import Workers

_POLL_S = 0.2
#: How often a job is done again whose worker was lost: a job that ends every worker that takes it
#: up would otherwise go on for ever.
MOST_RETRIES = 3

Work = TypeVar("Work")
Keep = Callable[[int, Any], None]
Tell = Callable[[float], None]


class Lost(RuntimeError):
    """A job whose workers were lost again and again."""


def gather(
    work: Callable[[int, Work], Any],
    jobs: Sequence[Work],
    keep: Keep,
    *,
    count: int,
    executor: Executor | None = None,
    progress: Tell | None = None,
) -> None:
    """Do ``work(i, job)`` for all jobs; ``keep(i, result)`` as each ends, or its error.

    count : worker processes of its own; executor : any ``concurrent.futures`` executor instead.
    progress : called every 0.2 s with the share of the work that is done.

    What an executor loses (a worker killed, a machine gone) is handed out again, on new processes
    where they are its own, :data:`MOST_RETRIES` times at most; then ``keep`` gets a Lost.
    """
    tell = progress or (lambda _: None)
    compile_first()
    left: Sequence[int] = range(len(jobs))
    for _ in range(MOST_RETRIES + 1):
        done = 1.0 - len(left) / len(jobs)
        tell(done)
        left = _once(work, jobs, left, keep, count, executor, _beyond(done, tell))
        if not left:
            break
        time.sleep(_POLL_S)  # an interrupt that also ended the workers arrives meanwhile
    for i in left:
        keep(i, Lost("a worker process was ended from outside, perhaps for lack of memory"))
    tell(1.0)


def _beyond(done: float, tell: Tell) -> Tell:
    """Tells shares of what is left as shares of all."""
    return lambda fraction: tell(done + (1.0 - done) * fraction)


def compile_first() -> None:
    """Compile the kernels once, before many processes would each do it; says so on stderr."""
    from poresim.ensemble.warming import warm

    warm(lambda text: print(text, file=sys.stderr, flush=True))


def _once(
    work: Callable[[int, Work], Any],
    jobs: Sequence[Work],
    wanted: Sequence[int],
    keep: Keep,
    count: int,
    executor: Executor | None,
    tell: Tell,
) -> list[int]:
    """Do these jobs once; those that were lost with their worker."""
    lost: list[int] = []
    workers = Workers(min(count, len(wanted)), len(wanted), executor)
    at_once = True
    try:
        workers.submit(work, [(jobs[i],) for i in wanted])
        while workers.busy:
            tell(workers.fraction())
            for number, future in workers.take(_POLL_S):
                found = _result(future)
                if isinstance(found, Lost):
                    lost.append(wanted[number])
                else:
                    keep(wanted[number], found)
        at_once = bool(lost)
    finally:
        workers.close(at_once=at_once)
    return lost


def _result(future: Future[Any]) -> Any:
    """What came of a job, or its error; a Lost where it went with its worker."""
    try:
        return future.result()
    except (BrokenExecutor, CancelledError):
        return Lost()
    except Exception as error:
        return Lost() if _of_a_cluster(error) else error


def _of_a_cluster(error: Exception) -> bool:
    """Whether the error is that of a scheduler which lost a worker, not of the job."""
    return type(error).__module__.partition(".")[0] == "distributed"
