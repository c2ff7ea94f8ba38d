"""Worker processes: one thread each, quiet on Ctrl-C, gone when the run is gone."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager, nullcontext, suppress
from queue import Empty, SimpleQueue
from types import ModuleType
from typing import Any

_THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMBA_NUM_THREADS",
)
_LOOK_S = 0.2  # how often a worker looks whether it is still wanted
_fractions: Any = None  # in a worker: shared memory, how far each job is


class Workers:
    """Runs jobs on an executor and knows how far they are.

    Its own executor is a pool of spawned processes; any other ``concurrent.futures`` executor
    may be given, whose jobs then report only when they are finished.
    """

    def __init__(self, count: int, jobs: int, executor: Executor | None) -> None:
        self._given = executor
        self._jobs = jobs
        self._waiting: dict[int, Future] = {}  # results are let go as soon as they are taken
        self._finished: SimpleQueue[int] = SimpleQueue()
        if executor is not None:
            self._pool = executor
            return
        context = multiprocessing.get_context("spawn")
        # the last place says that the processes must leave. Plain memory, not an Event: setting an
        # Event waits for every waiter to wake, for ever if one of them has been killed meanwhile
        self._shares = context.Array("d", jobs + 1, lock=False)
        self._pool = ProcessPoolExecutor(
            max_workers=count,
            mp_context=context,
            initializer=_begin,
            initargs=(self._shares,),
        )

    def submit(self, work: Callable[..., Any], calls: Sequence[tuple[Any, ...]]) -> None:
        """Hand over all jobs; the i-th is ``work(i, *calls[i])``."""
        with nullcontext() if self._given is not None else _clean_start():
            for i, call in enumerate(calls):
                self._waiting[i] = future = self._pool.submit(work, i, *call)
                future.add_done_callback(lambda _, i=i: self._finished.put(i))  # type: ignore[misc]

    @property
    def busy(self) -> bool:
        """Whether some jobs have not been taken yet."""
        return bool(self._waiting)

    def take(self, timeout: float) -> list[tuple[int, Future]]:
        """Jobs that have come to an end, in order; waits for one for that many seconds."""
        came = []
        with suppress(Empty):
            came.append(self._finished.get(timeout=timeout))
            while True:
                came.append(self._finished.get_nowait())
        return [(i, self._waiting.pop(i)) for i in sorted(came)]

    def fraction(self) -> float:
        """Work done so far, as a share of all jobs."""
        done = float(self._jobs - len(self._waiting))
        if self._given is None:
            done += sum(min(self._shares[i], 1.0) for i in self._waiting)
        return done / max(self._jobs, 1)

    def close(self, *, at_once: bool) -> None:
        """Let the processes go; ``at_once``: whatever they are doing.

        A given executor stays open; only what it has not begun is taken back.
        """
        for future in list(self._waiting.values()) if at_once else ():
            future.cancel()
        if self._given is not None:
            return
        if at_once:
            self._shares[-1] = 1.0
        self._pool.shutdown(wait=True, cancel_futures=True)


def report(job: int, fraction: float) -> None:
    """Called inside a worker: job number ``job`` is this far, 0 to 1."""
    if _fractions is not None:
        _fractions[job] = fraction


def _begin(fractions: Any) -> None:
    global _fractions
    _fractions = fractions
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process when the run says so, or is no longer there (killed)."""
    parent = multiprocessing.parent_process()
    while (parent is None or parent.is_alive()) and not _fractions[-1]:
        time.sleep(_LOOK_S)
    os._exit(1)


@contextmanager
def _clean_start() -> Iterator[None]:
    """While processes are spawned: one thread each, no Ctrl-C, the caller's script not re-run.

    Spawned processes would import the script that is running as ``__main__``. The jobs need
    nothing from it, and a script without an ``if __name__ == "__main__"`` guard would start over.
    """
    main = sys.modules["__main__"]
    before = {name: os.environ.get(name) for name in _THREAD_LIMITS}
    blocked: Any = None
    if hasattr(signal, "pthread_sigmask"):
        blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    os.environ.update(dict.fromkeys(_THREAD_LIMITS, "1"))
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        if blocked is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
