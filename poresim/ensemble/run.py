"""Run a scenario: every liquid in every solid, on all cores, kept as it is finished."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from poresim.ensemble.gather import Lost, gather
from poresim.ensemble.jobs import Done, Job, RequestError, soak_one
from poresim.ensemble.request import fit_in_memory, header_of, jobs_of
from poresim.machine import cores
from poresim.record.files import clear_temporary, locked, make_folder, safe_name
from poresim.record.layout import RecordError
from poresim.record.model import Record
from poresim.record.reading import load_record
from poresim.record.writing import Parts

if TYPE_CHECKING:
    from poresim.scenario.reading import Scenario

_MERGE_SHARE = 0.02  # of the time, at most, goes into bringing the record up to date


class Progress(NamedTuple):
    """How far work is: share of it that is done, finished soaks, soaks in all."""

    fraction: float
    finished: int
    soaks: int


class RunInterrupted(KeyboardInterrupt):
    """A run was interrupted; what was finished is in ``record_path`` (None: nothing was)."""

    def __init__(self, record_path: Path | None, finished: int, soaks: int) -> None:
        super().__init__(f"interrupted with {finished} of {soaks} soaks finished")
        self.record_path = record_path
        self.finished = finished
        self.soaks = soaks


class RunFailed(RuntimeError):
    """Some soaks could not be computed; the others are in ``record_path``."""

    def __init__(self, record_path: Path | None, failures: list[str], finished: int) -> None:
        super().__init__("; ".join(failures))
        self.record_path = record_path
        self.failures = failures
        self.finished = finished


def run(
    scenario: Scenario,
    out: str | Path = "results",
    executor: Executor | None = None,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    force: bool = False,
    workers: int | None = None,
) -> Record:
    """Soak every solid by every liquid and keep the record ``<out>/<scenario name>.h5``.

    executor : any ``concurrent.futures`` executor; else spawned processes on all cores, or as
    many as ``workers``. The numbers do not depend on it. progress is called every 0.2 s.
    resume : go on with what an interrupted run of the same scenario finished.
    force : replace a record of the same name.

    A soak that stops for physical reasons is a result; one whose numerics failed is kept with
    its ending (``record.failed``). Raises RecordError (something is in the way, or cannot be
    written), RequestError (cannot be built), RunInterrupted, RunFailed.
    """
    folder = Path(out)
    name = safe_name(scenario.name)
    target = folder / f"{name}.h5"
    try:
        make_folder(folder)
        with locked(folder / f".{name}.lock"):
            parts = Parts(folder / f"{name}.parts", header_of(scenario))
            finished = _start(target, parts, resume=resume, force=force)
            jobs = jobs_of(scenario, parts.header.key, finished)
            if jobs:
                allowed = workers or cores()
                count = min(allowed, len(jobs), fit_in_memory(scenario))
                if executor is None:
                    jobs = [replace(job, cores=allowed // count) for job in jobs]
                work = _Run(target, parts, finished, jobs, progress)
                work.compute(count, executor)
            elif not (target.exists() and load_record(target).complete):
                parts.merge(target, finished)  # broken off between the last soak and the end
            parts.remove()
    except RequestError as error:  # found out only while building: its line is not known
        raise RequestError(f"{scenario.path}: {error}" if scenario.path else str(error)) from None
    except (RecordError, RunFailed):
        raise
    except OSError as error:
        raise RecordError(f"{error.filename or folder}: {error.strerror or error}") from None
    return load_record(target)


def _start(target: Path, parts: Parts, *, resume: bool, force: bool) -> set[tuple[int, int]]:
    """Check that nothing is overwritten unasked; the soaks that need not be done again."""
    kept, foreign = parts.look()
    record = None
    if target.exists() and not force:
        if not resume:
            raise RecordError(
                f"{target}: exists; --force replaces it, --out DIR writes elsewhere"
                + (", --resume goes on with it" if kept else "")
            )
        record = load_record(target)
        if record.key != parts.header.key:
            raise RecordError(
                f"{target}: is the record of another scenario text or version and cannot be "
                "resumed; --force replaces it, --out DIR writes elsewhere"
            )
    if kept and not (resume or force):
        raise RecordError(
            f"{parts.folder}: holds {kept} finished soak{'s' * (kept != 1)} of a run that was "
            "broken off; --resume goes on with them, --force starts afresh"
        )
    if foreign and not force:
        raise RecordError(
            f"{parts.folder}: holds work on another scenario text or version that was broken off; "
            "--force throws it away, --out DIR writes elsewhere"
        )
    clear_temporary(target.parent, target.name)
    finished = parts.open(resume=resume and not force)
    if record is not None:
        finished |= parts.adopt(record)
    return finished


class _Run:
    """The loop that waits for soaks and keeps each one as it comes."""

    def __init__(
        self,
        target: Path,
        parts: Parts,
        finished: set[tuple[int, int]],
        jobs: list[Job],
        progress: Callable[[Progress], None] | None,
    ) -> None:
        self.target = target
        self.parts = parts
        self.finished = finished
        self.jobs = jobs
        self.progress = progress
        self.before = len(finished)
        self.failures: list[str] = []
        self._merge_due = 0.0

    @property
    def soaks(self) -> int:
        return self.before + len(self.jobs)

    def compute(self, count: int, executor: Executor | None) -> None:
        try:
            gather(
                soak_one, self.jobs, self._take, count=count, executor=executor, progress=self._tell
            )
        except KeyboardInterrupt:
            self.finished |= self.parts.finished()  # one may just have been written
            self._merge()
            raise RunInterrupted(self._kept(), len(self.finished), self.soaks) from None
        except OSError as error:  # such as a full disk
            self.failures.append(f"cannot write: {error.strerror or error}")
            raise RunFailed(self._kept(), self.failures, len(self.finished)) from None
        finally:
            self.parts.remove_empty()
        self._merge()
        if self.failures:
            raise RunFailed(self._kept(), self.failures, len(self.finished))

    def _take(self, number: int, came: Done | Exception) -> None:
        job = self.jobs[number]
        if isinstance(came, RequestError):
            raise came
        if isinstance(came, Exception):  # whatever one soak did, keep the others
            where = "" if isinstance(came, Lost) else f"{type(came).__name__}: "
            self.failures.append(f"{job.name}, solid {job.repeat}: {where}{came or 'no message'}")
            return
        self.parts.keep(job.place, job.repeat, came.soak, came.solid)
        self.finished.add((job.place, job.repeat))
        if len(self.finished) < self.soaks and time.monotonic() >= self._merge_due:
            self._merge()

    def _merge(self) -> None:
        """Bring the record up to date, so that even a killed run leaves one to look at."""
        if not self.finished:
            return
        began = time.monotonic()
        self.parts.merge(self.target, self.finished)
        now = time.monotonic()
        self._merge_due = now + (now - began) / _MERGE_SHARE

    def _kept(self) -> Path | None:
        if not self.finished:
            return None
        return self.target if self.target.exists() else self.parts.folder

    def _tell(self, fraction: float) -> None:
        if self.progress is not None:
            done = self.before + fraction * len(self.jobs)
            self.progress(Progress(done / self.soaks, len(self.finished), self.soaks))
