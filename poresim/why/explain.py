"""Why two liquids differ: every mechanism swapped, alone and together, on the same solids."""

from __future__ import annotations

import csv
import io
import json
import math
import pickle
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from poresim.brief import Brief, Rows
from poresim.ensemble.journal import Journal
from poresim.ensemble.request import fit_in_memory, job_of
from poresim.ensemble.run import Progress
from poresim.inference.shapley import Subset, subsets
from poresim.inference.shares import Shares, shares
from poresim.outcome.asked import Asked
from poresim.outcome.spread import finite
from poresim.outcome.words import between, capital, signed_percent
from poresim.record.files import safe_name, write_text
from poresim.record.layout import RecordError
from poresim.scenario.faults import ScenarioError
from poresim.scenario.questions import ExplainQuestion, usual
from poresim.scenario.varied import VARIABLE, Variations
from poresim.scenario.wording import key_text
from poresim.why.keys import journal_path, key_of
from poresim.why.mechanisms import Pair
from poresim.why.runs import Runs, at_work

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from poresim.ensemble.jobs import Job
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Scenario

Floats = NDArray[np.float64]

_FIRST = 4  # solids drawn before intervals are looked at
_DRAWS = 32  # of inputs that are known with a standard deviation
_INPUTS = 2  # purpose of a random stream; see ensemble.jobs
_MOST_REDRAWS = 100


@dataclass(frozen=True, repr=False)
class Explained(Brief):
    """What was found.

    between : names of the two liquids. of : the result, read from every soak. log : whether the
    logarithm of the ratio is shared, or the difference itself. mechanisms : by which the liquids
    differ. values : subset of them that the first liquid has from the second -> the result in
    every solid, (repeats,). shares : None where the liquids differ in nothing. wanted : width that
    was asked for. uncertain : keys that were drawn within their standard deviations. title, seed,
    accuracy : of the scenario. invented : whether it says that its data are.
    """

    title: str
    seed: int
    between: tuple[str, str]
    of: Asked
    log: bool
    mechanisms: list[str]
    values: dict[Subset, Floats]
    shares: Shares | None
    wanted: float
    uncertain: list[str]
    accuracy: float
    invented: bool

    def plot(self) -> Figure:
        """The answer as a matplotlib figure, with the numbers that it draws as ``tables``."""
        from poresim.show.explain import explained_figure

        figure: Figure = explained_figure(self)
        return figure

    def _told(self) -> tuple[str, Rows]:
        from poresim.why.told import verdict

        rows = [
            (f"with {name}", self.of.told(value))
            for name, value in zip(self.between, self.ends, strict=True)
        ]
        if self.shares is not None and self.shares.distinct:
            for name in self.shares.ranked():
                one = self.shares.of[name]
                rows.append((name, f"{signed_percent(one.value)} ({between(one.low, one.high)})"))
        return f"{capital(self.of.words)}: {verdict(self)}", rows

    @property
    def repeats(self) -> int:
        """How many solids were drawn."""
        return len(next(iter(self.values.values())))

    def middle(self, subset: Subset) -> float:
        """The result with these mechanisms of the second liquid: mean over the solids."""
        row = self.values[subset]
        return float(np.exp(np.log(row).mean())) if self.log else float(row.mean())

    @property
    def ends(self) -> tuple[float, float]:
        """The result of the first liquid and of the second."""
        return self.middle(frozenset()), self.middle(frozenset(self.mechanisms))


def explain(
    scenario: Scenario,
    out: str | Path = "results",
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    force: bool = False,
) -> Explained:
    """Share the difference between two liquids among their mechanisms.

    Asks what the scenario's ``[explain]`` says; writes ``<out>/<scenario name>.explain.json`` and
    ``.explain.csv``. More solids are drawn until every share is known to the width asked for, or
    there are as many as allowed.

    executor, workers, progress, resume, force : as of :func:`poresim.run`.

    Raises RecordError where the result is not reached, what a run raises, RunInterrupted.
    """
    question = scenario.questions.explain or ExplainQuestion()
    target = result_path(Path(out), scenario)
    key = key_of(scenario, "explain", question.between)
    journal = Journal(journal_path(Path(out), safe_name(scenario.name), "explain"), key)
    with at_work(target, journal, resume=resume, force=force):
        fitting = fit_in_memory(scenario)
        runs = Runs(journal, fitting=fitting, workers=workers, executor=executor, progress=progress)
        found = _explain(scenario, question, runs)
        write_text(target.with_suffix(".csv"), _csv(found))
        write_text(target, json.dumps(as_dict(found), indent=2, allow_nan=False))
    return found


def result_path(out: Path, scenario: Scenario) -> Path:
    """The file of the result."""
    return out / f"{safe_name(scenario.name)}.explain.json"


def first_round(scenario: Scenario) -> tuple[int, int, int]:
    """How many mixtures of the two liquids there are, in how many solids they are soaked at first,
    and in how many at most."""
    question = scenario.questions.explain or ExplainQuestion()
    swaps = _Swaps(scenario, *_liquids(scenario, question))
    first = swaps.first(question.most_repeats)
    return 2 ** len(swaps.mechanisms), first, first if swaps.uncertain else question.most_repeats


def _explain(scenario: Scenario, question: ExplainQuestion, runs: Runs) -> Explained:
    of = question.of or usual(scenario.run)
    one, other = _liquids(scenario, question)
    swaps = _Swaps(scenario, one, other)
    names = swaps.mechanisms
    log = question.log
    repeats = swaps.first(question.most_repeats)
    while True:
        jobs, alias = swaps.jobs(repeats)
        runs.do(jobs)
        runs.refuse_failures()
        values = {
            subset: np.array([of.of(runs.outcomes[alias[subset, n]]) for n in range(repeats)])
            for subset in subsets(names)
        }
        _refuse_missing(values, of, log, one, other)
        found = _shared(values, names, log, bool(swaps.uncertain)) if names else None
        if found is None or swaps.uncertain or repeats >= question.most_repeats:
            break
        if found.widest <= question.width or not names[1:]:
            break
        repeats = min(_more(repeats, found.widest / question.width), question.most_repeats)
    return Explained(
        scenario.title, scenario.seed, (one, other), of, log, names, values, found,
        question.width, [key_text(key) for key in swaps.uncertain], scenario.run.accuracy,
        "invented" in scenario.text.lower(),
    )  # fmt: skip


def _shared(values: Mapping[Subset, Floats], names: list[str], log: bool, of_one: bool) -> Shares:
    scaled = {subset: np.log(row) if log else row for subset, row in values.items()}
    return shares(scaled, names, of_one=of_one)


def _more(repeats: int, too_wide: float) -> int:
    """How many solids next: as many as should do, at most twice as many as there are."""
    should = repeats * min(too_wide, 2.0) ** 2 if math.isfinite(too_wide) else 2 * repeats
    return min(2 * repeats, max(repeats + 2, math.ceil(should)))


class _Swaps:
    """All the soaks: every subset of mechanisms in every solid.

    Where quantities are known with a standard deviation, each solid comes with its own draw of
    them, the same for every subset.
    """

    def __init__(self, scenario: Scenario, one: str, other: str) -> None:
        self._scenario = scenario
        self._names = one, other
        self.uncertain: dict[KeyPath, float] = {
            path: sd for path, sd in scenario.sds.items() if path[0] in VARIABLE
        }
        self._variations = Variations(scenario) if self.uncertain else None
        self.mechanisms = self._pair(scenario).differing()

    def first(self, most: int) -> int:
        """How many solids are drawn before intervals are looked at."""
        return min(_DRAWS if self.uncertain else _FIRST, most) if self.mechanisms else 1

    def jobs(self, repeats: int) -> tuple[dict[str, Job], dict[tuple[Subset, int], str]]:
        """Jobs by name; and by subset and solid the name of its job: the same soak is done once."""
        jobs: dict[str, Job] = {}
        alias: dict[tuple[Subset, int], str] = {}
        for n in range(repeats):
            scenario = self._drawn(n)
            pair, template = self._pair(scenario), job_of(scenario)
            seen: dict[bytes, str] = {}
            for subset in subsets(self.mechanisms):
                mixed = pair.mixed(subset)
                said = "+".join(m for m in self.mechanisms if m in subset) or "none"
                name = seen.setdefault(pickle.dumps(mixed), f"{said}, solid {n}")
                alias[subset, n] = name
                jobs[name] = mixed.job(template, name, n)
        return jobs, alias

    def _pair(self, scenario: Scenario) -> Pair:
        by_name = {liquid.name: liquid for liquid in scenario.liquids}
        one, other = self._names
        return Pair(scenario, by_name[one], by_name[other])

    def _drawn(self, number: int) -> Scenario:
        """The scenario with one draw of its uncertain quantities (the first: their values)."""
        if self._variations is None:
            return self._scenario
        seed = np.random.SeedSequence(self._scenario.seed, spawn_key=(_INPUTS, number))
        rng = np.random.default_rng(seed)
        given = {path: self._variations.value(path) for path in self.uncertain}
        for _ in range(_MOST_REDRAWS):
            draw = {path: rng.normal(given[path], sd) for path, sd in self.uncertain.items()}
            try:
                return self._variations.scenario(draw)
            except ScenarioError:  # outside what it can be
                continue
        raise RecordError(
            f"{self._scenario.path}: hardly any draw within the standard deviations can be: "
            "give smaller ones"
        )


def _liquids(scenario: Scenario, question: ExplainQuestion) -> tuple[str, str]:
    """The names of the two."""
    if question.between is not None:
        return question.between
    if len(scenario.liquids) < 2:
        raise RecordError(f"{scenario.path}: has one liquid; explain needs two")
    return scenario.liquids[0].name, scenario.liquids[1].name


def _refuse_missing(
    values: Mapping[Subset, Floats], of: Asked, log: bool, one: str, other: str
) -> None:
    """RecordError where a result was not reached, or has no logarithm."""
    for subset, row in values.items():
        mixed = f"{one} with the {' and '.join(sorted(subset))} of {other}" if subset else one
        missing = int(np.sum(~np.isfinite(row)))
        if missing:
            raise RecordError(
                f"{of.words} is not known in {missing} of {len(row)} soaks ({mixed}): "
                "choose another result in [explain], such as of = { uptake_at_s = 5 }"
            )
        if log and (row <= 0).any():
            raise RecordError(
                f"{of.words} is 0 in {int(np.sum(row <= 0))} of {len(row)} soaks ({mixed}), and "
                'shares of a ratio need more than 0: give scale = "linear" in [explain]'
            )


def as_dict(found: Explained) -> dict[str, Any]:
    """Plain numbers and text, for JSON."""
    from poresim import __version__
    from poresim.why.told import explained_in_words

    shared = found.shares
    one, other = found.ends
    names = found.mechanisms

    def ends(interval: Any) -> list[float | None]:
        return [finite(interval.low), finite(interval.high)]

    return {
        "title": found.title,
        "between": list(found.between),
        "answer": explained_in_words(found),
        "of": {
            "result": found.of.words,
            "unit": found.of.unit,
            "scale": "log of the ratio" if found.log else "difference",
            "values": [finite(one), finite(other)],
        },
        "shares": {name: shared.of[name].value for name in names} if shared else {},
        "intervals": {name: ends(shared.of[name]) for name in names} if shared else {},
        "alone": {name: shared.alone[name].value for name in names} if shared else {},
        "last": {name: shared.last[name].value for name in names} if shared else {},
        "interactions": {"+".join(p): v.value for p, v in shared.together.items()}
        if shared
        else {},
        "whole": {"value": shared.whole.value, "interval": ends(shared.whole)} if shared else None,
        "distinct": bool(shared and shared.distinct),
        "width_asked_for": found.wanted,
        "widest_interval": finite(shared.widest) if shared else None,
        "repeats": found.repeats,
        "uncertain": found.uncertain,
        "accuracy": found.accuracy,
        "seed": found.seed,
        "poresim_version": __version__,
        "values": {
            "+".join(m for m in names if m in subset) or "none": [float(v) for v in row]
            for subset, row in found.values.items()
        },
    }


def _csv(found: Explained) -> str:
    """A line a subset: which mechanisms come from the second liquid, and every solid's result."""
    unit = f" ({found.of.unit})" if found.of.unit else ""
    solids = [f"{found.of.column}{unit}, solid {n}" for n in range(found.repeats)]
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow([*found.mechanisms, *solids])
    for subset, row in found.values.items():
        rows.writerow([*(int(name in subset) for name in found.mechanisms), *row.tolist()])
    return text.getvalue()
