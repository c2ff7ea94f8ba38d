"""Runs at many values of some quantities: a grid, or a quasi-random sample with its sensitivities.

A grid varies every quantity over its values, in every combination; a sample draws the rows of a
pick-freeze design (:mod:`poresim.inference.design`). Every point sees the same solids: else what
one solid differs from the next would count as if every quantity made it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from poresim.brief import Brief, Rows
from poresim.ensemble.journal import Journal
from poresim.ensemble.request import fit_in_memory, job_of
from poresim.ensemble.run import Progress
from poresim.inference.design import pick_freeze
from poresim.outcome.asked import Asked, Outcome
from poresim.record.files import safe_name
from poresim.scenario.build import build_cup, build_liquid
from poresim.scenario.faults import Fault, ScenarioError
from poresim.scenario.questions import Span, usual
from poresim.scenario.varied import KeyFault, Variations
from poresim.why.keys import journal_path, key_of
from poresim.why.runs import Runs, a_few, at_work

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from poresim.ensemble.jobs import Job
    from poresim.scenario.reading import Scenario

Floats = NDArray[np.float64]

_MOST_SOAKS = 200_000
_BATCH = 2000  # soaks that are handed out at once
_SAMPLE = 3  # purpose of a random stream; see ensemble.jobs


@dataclass(frozen=True)
class Varied:
    """A quantity that is varied. key : as in the scenario's ``[sweep.vary]``; log : by factors.

    values : a grid's; None in a sample, between ``least`` and ``greatest``. own : the scenario's.
    """

    key: str
    values: tuple[Any, ...] | None
    least: float
    greatest: float
    log: bool
    own: Any

    def at(self, share: float) -> float:
        """The value at a share of the way from the least to the greatest."""
        if self.log:
            return float(self.least * (self.greatest / self.least) ** share)
        return float(self.least + (self.greatest - self.least) * share)


@dataclass(frozen=True, eq=False, repr=False)
class Swept(Brief):
    """What came of a sweep.

    points : of each, the value of every quantity. liquids : their names. outcomes : (liquid,
    point, repeat) -> what is kept of the soak; those that failed are missing. sample : rows of the
    pick-freeze design; None of a grid. failed : name of a soak -> why. scenario, quantities,
    repeats, results : what was varied, in how many solids, and which results are told.
    """

    scenario: Scenario
    quantities: tuple[Varied, ...]
    points: tuple[tuple[Any, ...], ...]
    liquids: tuple[str, ...]
    repeats: int
    sample: int | None
    results: tuple[Asked, ...]
    outcomes: Mapping[tuple[int, int, int], Outcome]
    failed: Mapping[str, str]

    def plot(self, which: int = 0) -> Figure:
        """One of its results as a matplotlib figure, with the numbers that it draws as ``tables``.

        which : its place among ``results``. Raises ValueError where nothing could be drawn.
        """
        from poresim.show.plot import swept_figure

        return swept_figure(self, which)

    def _told(self) -> tuple[str, Rows]:
        lost = f", {len(self.failed):,} of them failed" if self.failed else ""
        return f"Sweep: {self.scenario.title}", [
            *(("varied", one.key) for one in self.quantities),
            ("liquids", ", ".join(self.liquids)),
            ("soaks", f"{len(self.points):,} points, {self.soaks:,} soaks{lost}"),
            ("results", ", ".join(one.words for one in self.results)),
        ]

    def values(self, of: Asked, liquid: int) -> Floats:
        """(points, repeats) of a result; NaN where it was not reached, or the soak failed."""
        found = np.full((len(self.points), self.repeats), math.nan)
        for p in range(len(self.points)):
            for n in range(self.repeats):
                outcome = self.outcomes.get((liquid, p, n))
                if outcome is not None:
                    found[p, n] = of.of(outcome)
        return found

    @property
    def soaks(self) -> int:
        """How many there are in all."""
        return len(self.points) * len(self.liquids) * self.repeats


class Plan:
    """What a scenario's ``[sweep]`` asks for, checked before anything is computed.

    Raises ScenarioError with every fault: a key that is none, values that cannot be.
    """

    def __init__(self, scenario: Scenario) -> None:
        question = scenario.questions.sweep
        if question is None:
            right = 'add vary = { "solid.tubes.median_radius_um" = [10, 15, 20] } below [sweep]'
            raise ScenarioError([self._fault(scenario, "sweep", "is missing", right)])
        self.scenario = scenario
        self.question = question
        self._variations = Variations(scenario)
        self.quantities = self._quantities()
        self.points = tuple(self._points())
        self.results = question.results or (usual(scenario.run),)
        self.liquids = tuple(liquid.name for liquid in scenario.liquids)
        self.repeats = scenario.run.repeats
        self.scenarios  # noqa: B018  # every point is read now: faults come before the work

    @property
    def soaks(self) -> int:
        """How many there are in all."""
        return len(self.points) * len(self.liquids) * self.repeats

    @cached_property
    def scenarios(self) -> list[Scenario]:
        """Of every point."""
        keys = [one.key for one in self.quantities]
        found, faults, wrong = [], dict[str, Fault](), 0
        for point in self.points:
            try:
                found.append(self._variations.scenario(dict(zip(keys, point, strict=True))))
            except ScenarioError as error:
                wrong += 1
                for fault in error.faults:
                    faults.setdefault(fault.key, fault)
        if faults:
            text = (
                f"{wrong} of {len(self.points)} points cannot be; the first fault of each key above"
            )
            more = [self._fault(self.scenario, "sweep", text, "")] if wrong > 1 else []
            raise ScenarioError([*faults.values(), *more])
        return found

    def jobs(self) -> Iterator[tuple[tuple[int, int, int], str, Job]]:
        """(liquid, point, repeat), the name and the soak of each."""
        for p, scenario in enumerate(self.scenarios):
            template = job_of(scenario)
            for k, spec in enumerate(scenario.liquids):
                liquid, cup = build_liquid(spec), build_cup(scenario.exposure, spec.stood)
                for n in range(self.repeats):
                    name = f"point {p}, {spec.name}, solid {n}"
                    job = replace(template, liquid=liquid, cup=cup, name=spec.name, repeat=n)
                    yield (k, p, n), name, job

    def _quantities(self) -> tuple[Varied, ...]:
        found, faults = [], []
        for key, given in self.question.vary.items():
            try:
                found.append(self._quantity(key, given))
            except KeyFault as fault:
                where = f"sweep.vary.{key}"
                faults.append(self._fault(self.scenario, where, fault.wrong, fault.right))
        if faults:
            raise ScenarioError(faults)
        return tuple(found)

    def _quantity(self, key: str, given: list[Any] | Span) -> Varied:
        own = self._variations.given(key)
        if self.question.sample:
            if isinstance(given, list):
                raise KeyFault("gives a list", "a sample needs { least = 8, greatest = 30 }")
            _refuse_span(given)
            return Varied(key, None, given.least, given.greatest, given.spacing == "log", own)
        if isinstance(given, Span):
            _refuse_span(given)
            if given.steps is None:
                raise KeyFault(
                    "does not say how many values", "add steps = 5, or sample to [sweep]"
                )
            values: tuple[Any, ...] = tuple(_spaced(given))
            return Varied(key, values, given.least, given.greatest, given.spacing == "log", own)
        if not 1 <= len(given) <= 1000:
            raise KeyFault(f"gives {len(given)} values", "give 1 to 1000")
        numbers = [v for v in given if _is_number(v)]
        if len(numbers) < len(given):
            return Varied(key, tuple(given), math.nan, math.nan, False, own)
        log = len(numbers) > 2 and _by_factors(numbers)
        return Varied(key, tuple(given), min(numbers), max(numbers), log, own)

    def _points(self) -> list[tuple[Any, ...]]:
        if self.question.sample is None:
            lists = [one.values for one in self.quantities if one.values is not None]
            count = math.prod(len(values) for values in lists)
            self._refuse_count(count)
            return list(itertools.product(*lists))
        n, d = self.question.sample, len(self.quantities)
        self._refuse_count(n * (d + 2))
        seed = np.random.SeedSequence(self.scenario.seed, spawn_key=(_SAMPLE,))
        cube = pick_freeze(n, d, int(seed.generate_state(1, np.uint64)[0] >> np.uint64(1)))
        return [
            tuple(one.at(float(u)) for one, u in zip(self.quantities, row, strict=True))
            for row in cube
        ]

    def _refuse_count(self, points: int) -> None:
        soaks = points * len(self.scenario.liquids) * self.scenario.run.repeats
        if soaks > _MOST_SOAKS:
            wrong = f"asks for {soaks:,} soaks"
            right = f"at most {_MOST_SOAKS:,}: fewer values, liquids or repeats"
            raise ScenarioError([self._fault(self.scenario, "sweep", wrong, right)])

    @staticmethod
    def _fault(scenario: Scenario, key: str, wrong: str, right: str) -> Fault:
        return Fault(str(scenario.path or "scenario"), None, key, wrong, right)


def sweep(
    plan: Plan | Scenario,
    out: str | Path = "results",
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    force: bool = False,
) -> Swept:
    """Do what a scenario's ``[sweep]`` asks.

    Writes ``<out>/<scenario name>.sweep.h5`` and ``.sweep.csv``.

    plan : a scenario, or a ``Plan`` made of one. executor, workers, progress, resume, force : as of
    :func:`poresim.run`; nor do the numbers depend on them.
    """
    from poresim.why.swept import write_csv, write_record

    if not isinstance(plan, Plan):
        plan = Plan(plan)
    scenario = plan.scenario
    target = result_path(Path(out), scenario)
    said = [
        plan.question.sample,
        *((one.key, one.values or (one.least, one.greatest, one.log)) for one in plan.quantities),
    ]
    journal = Journal(
        journal_path(Path(out), safe_name(scenario.name), "sweep"), key_of(scenario, said)
    )
    with at_work(target, journal, resume=resume, force=force):
        fitting = min(fit_in_memory(one) for one in a_few(plan.scenarios))
        runs = Runs(journal, fitting=fitting, workers=workers, executor=executor, progress=progress)
        names = {}
        jobs: dict[str, Job] = {}
        for place, name, job in plan.jobs():
            names[place] = name
            jobs[name] = job
            if len(jobs) >= _BATCH:
                runs.do(jobs, expected=plan.soaks)
                jobs = {}
        runs.do(jobs, expected=plan.soaks)
        found = Swept(
            scenario, plan.quantities, plan.points, plan.liquids, plan.repeats,
            plan.question.sample, plan.results,
            {place: runs.outcomes[name] for place, name in names.items() if name in runs.outcomes},
            runs.failed,
        )  # fmt: skip
        write_csv(found, target.with_suffix(".csv"))
        write_record(found, target)
    return found


def result_path(out: Path, scenario: Scenario) -> Path:
    """The record of a sweep."""
    return out / f"{safe_name(scenario.name)}.sweep.h5"


def _refuse_span(given: Span) -> None:
    if not given.least < given.greatest:
        raise KeyFault(
            f"goes from {given.least:g} to {given.greatest:g}", "least must be below greatest"
        )
    if given.spacing == "log" and given.least <= 0:
        raise KeyFault(f"begins at {given.least:g}", 'with spacing = "log" least must be above 0')


def _spaced(given: Span) -> list[float]:
    assert given.steps is not None
    spaced = np.geomspace if given.spacing == "log" else np.linspace
    return [float(v) for v in spaced(given.least, given.greatest, given.steps)]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _by_factors(values: Sequence[float]) -> bool:
    """Whether numbers rise by about the same factor from one to the next, not the same step."""
    if min(values) <= 0 or sorted(values) != list(values):
        return False
    ratios = np.diff(np.log(values))
    steps = np.diff(values)
    return bool(np.ptp(ratios) / ratios.mean() < np.ptp(steps) / steps.mean())
