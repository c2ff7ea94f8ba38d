"""Runs of a question: by name, kept in a journal, done on all cores or on a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from poresim.ensemble.gather import gather
from poresim.ensemble.jobs import Job, RequestError, outcome_one
from poresim.ensemble.journal import Journal
from poresim.ensemble.run import Progress, RunFailed, RunInterrupted
from poresim.machine import cores
from poresim.outcome.asked import Outcome
from poresim.record.files import locked, make_folder
from poresim.record.layout import RecordError

if TYPE_CHECKING:
    from poresim.scenario.reading import Scenario

_LOOKED_AT = 16  # scenarios of many


class Runs:
    """Does runs that are not in the journal yet, and has the outcomes of all.

    fitting : how many there is memory for at once. workers : processes of its own at most;
    executor : any ``concurrent.futures`` executor instead.
    """

    def __init__(
        self,
        journal: Journal,
        *,
        fitting: int,
        workers: int | None = None,
        executor: Executor | None = None,
        progress: Callable[[Progress], None] | None = None,
    ) -> None:
        self._journal = journal
        self._workers = min(workers or cores(), fitting)
        self._executor = executor
        self._progress = progress
        self.failed: dict[str, str] = {}

    @property
    def outcomes(self) -> Mapping[str, Outcome]:
        """Of the runs that are finished, by name."""
        return self._journal.finished

    def do(self, jobs: Mapping[str, Job], *, expected: int | None = None) -> None:
        """Do those of the jobs, by name, that are not finished; ``expected`` : runs in all.

        Runs that failed are in ``failed``, with the reason. Raises RunInterrupted; RequestError
        when one cannot be built; RunFailed when nothing more can be written.
        """
        names = [name for name in jobs if name not in self.outcomes]
        if not names:
            return
        total = expected or len(self.outcomes) + len(names)
        before = len(self.outcomes)

        def keep(number: int, came: Outcome | Exception) -> None:
            if isinstance(came, RequestError):
                raise came
            if isinstance(came, Exception):
                self.failed[names[number]] = f"{type(came).__name__}: {came or 'no message'}"
            elif came.ending.failed:
                self.failed[names[number]] = "the pressures could not be solved"
            else:
                self._journal.add(names[number], came)

        def show(fraction: float) -> None:
            if self._progress is not None:
                done = (before + fraction * len(names)) / total
                self._progress(Progress(done, len(self.outcomes), total))

        try:
            gather(
                outcome_one,
                [jobs[name] for name in names],
                keep,
                count=self._workers,
                executor=self._executor,
                progress=show,
            )
        except KeyboardInterrupt:
            raise RunInterrupted(self.path, len(self.outcomes), total) from None
        except OSError as error:  # such as a full disk
            said = [f"cannot write: {error.strerror or error}"]
            raise RunFailed(self.path, said, len(self.outcomes)) from None

    def compute(self, work: Callable[[int, Any], Any], tasks: Sequence[Any]) -> list[Any]:
        """What other ``work(i, task)`` on finished runs comes to, done where runs are done.

        In order. Raises what the work raises, RunInterrupted.
        """
        came: dict[int, Any] = {}
        try:
            gather(work, tasks, came.__setitem__, count=self._workers, executor=self._executor)
        except KeyboardInterrupt:
            raise RunInterrupted(self.path, len(self.outcomes), len(self.outcomes)) from None
        for one in came.values():
            if isinstance(one, Exception):
                raise one
        return [came[k] for k in range(len(tasks))]

    def refuse_failures(self) -> None:
        """RunFailed where a run failed: the question cannot be answered without it."""
        if self.failed:
            said = [f"{name}: {why}" for name, why in list(self.failed.items())[:10]]
            raise RunFailed(self.path, said, len(self.outcomes))

    @property
    def path(self) -> Path | None:
        """Of the file that holds what is finished; None: nothing is."""
        return self._journal.path if self.outcomes else None


def a_few(scenarios: Sequence[Scenario]) -> list[Scenario]:
    """The first, the last and some between: what all of them take is judged by these."""
    places = np.linspace(0, len(scenarios) - 1, min(len(scenarios), _LOOKED_AT))
    return [scenarios[int(place)] for place in places]


@contextmanager
def at_work(
    target: Path, journal: Journal, *, resume: bool, force: bool, kept: bool = False
) -> Iterator[Journal]:
    """The journal, open, while nobody else works there; it goes when the work is done.

    target : of the result, which must not be there yet unless ``force``. kept : the journal stays
    for further questions; one that fits is always gone on with. RecordError: something is in the
    way, or cannot be written.
    """
    if target.exists() and not (force or (resume and journal.path.exists())):
        raise RecordError(f"{target}: exists; --force replaces it, --out DIR writes elsewhere")
    try:
        make_folder(target.parent)
        with locked(target.parent / f".{journal.path.name}.lock"):
            _open(journal, resume=resume, force=force, kept=kept)
            try:
                yield journal
            except BaseException:
                journal.close()
                if not journal.finished:
                    journal.remove()
                raise
            if kept:
                journal.close()
            else:
                journal.remove()
    except OSError as error:
        where = error.filename or target.parent
        raise RecordError(f"{where}: {error.strerror or error}") from None


def _open(journal: Journal, *, resume: bool, force: bool, kept: bool) -> None:
    if not kept:
        journal.open(resume=resume, force=force)
        return
    try:
        journal.open(resume=True, force=False)
    except RecordError:  # of another scenario
        if not force:
            raise
        journal.open(resume=False, force=True)
