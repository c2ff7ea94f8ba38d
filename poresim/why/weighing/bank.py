"""A bank of runs over what is not known: drawn once, stored, used for any measurements.

Its first rows are points of a scrambled Sobol' sequence: the first coordinate picks how a liquid is
made up, the others the unknowns. Further rows lie where the truth may (:mod:`.near`). In each row
one liquid of each class (:mod:`.entries`) is soaked, in a solid of its own; in every fourth row in
two, so that what solids scatter can be told from what the surfaces miss. Explanations share the
runs of a class, whichever of them it belongs to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.ensemble.request import job_of
from poresim.inference.design import sobol_points
from poresim.outcome.asked import Outcome
from poresim.scenario.faults import ScenarioError
from poresim.scenario.questions import MECHANISMS
from poresim.why.mechanisms import Pair
from poresim.why.weighing.entries import class_of
from poresim.why.weighing.features import features_of, filled_at, filled_at_once, times_until
from poresim.why.weighing.forces import lost as lost_of
from poresim.why.weighing.learnt import Learnt, Runs, learn
from poresim.why.weighing.rivals import Makeup, Rival, makeup
from poresim.why.weighing.tables import OPENING, THROAT, Place, Tables, tables_of
from poresim.why.weighing.unknowns import Unknowns

if TYPE_CHECKING:
    from poresim.ensemble.jobs import Job
    from poresim.scenario.reading import Scenario

Floats = NDArray[np.float64]
Class = tuple[str, bool]

_BANK = 4  # purpose of a random stream; see ensemble.jobs
_TWICE = 4  # every so many rows are soaked in two solids
_SECOND = 1_000_000  # added to a row's number: its second solid
_LONGER = 3.0  # times the time of the last reading: soaks are followed on
_FULL = 0.98
_LEAST_COSINE = 0.01


@dataclass(frozen=True)
class Setting:
    """What a bank is about.

    reference : the liquid that the others are compared with. liquids : those that were measured,
    the reference among them. horizon_s : time of the last reading. forces : whether snap forces
    are among what was measured: soaks are then followed while their walls soften.
    """

    scenario: Scenario
    unknowns: Unknowns
    rivals: tuple[Rival, ...]
    reference: str
    liquids: tuple[str, ...]
    horizon_s: float
    forces: bool = False

    @property
    def until_s(self) -> float:
        """For how long soaks are followed."""
        return _LONGER * self.horizon_s

    def makeup(self, rival: Rival, liquid: str) -> Makeup:
        """Of a liquid, as an explanation has it."""
        return makeup(rival, liquid, self.reference)


class Row(NamedTuple):
    """number : of the row, and of its solid. place : how its soaks are called. u : (unknowns,) of
    the unit cube. makeups : of what is soaked."""

    number: int
    place: str
    u: Floats
    makeups: tuple[Makeup, ...]


class Soaking(NamedTuple):
    """One run of the bank: its row, the class and makeup of what is soaked, its name."""

    row: Row
    kind: Class
    makeup: Makeup
    name: str


class Bank:
    """Rows of a setting, their runs, and what they teach."""

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        by_name = {spec.name: spec for spec in setting.scenario.liquids}
        self.classes: dict[Class, list[Makeup]] = {}
        for one in dict.fromkeys(
            setting.makeup(rival, liquid) for rival in setting.rivals for liquid in setting.liquids
        ):
            kind = class_of(by_name[one.owner("thickening")], by_name[one.owner("plugging")])
            self.classes.setdefault(kind, []).append(one)
        self._begun: dict[int, tuple[dict[str, Job], list[Soaking]]] = {}

    @cached_property
    def tables(self) -> Tables:
        """Every liquid's numbers at many draws."""
        return tables_of(self.setting.unknowns)

    def kind(self, one: Makeup) -> Class:
        """The class of a liquid."""
        return next(kind for kind, some in self.classes.items() if one in some)

    def soaks(self, rows: int) -> int:
        """How many soaks so many rows are."""
        return len(self.classes) * (rows + -(-rows // _TWICE))

    def rows(self, count: int) -> list[Row]:
        """The first ones."""
        seed = np.random.SeedSequence(self.setting.scenario.seed, spawn_key=(_BANK,))
        points = sobol_points(count, 1 + len(self.setting.unknowns), seed)
        return [
            Row(
                i,
                f"row {i}",
                point[1:],
                tuple(
                    some[min(int(point[0] * len(some)), len(some) - 1)]
                    for some in self.classes.values()
                ),
            )
            for i, point in enumerate(points)
        ]

    def beginning(self, count: int) -> tuple[dict[str, Job], list[Soaking]]:
        """``jobs`` of the first rows, made once: reading a drawn scenario takes a tenth of a second
        where a flow law needs tables."""
        if count not in self._begun:
            self._begun[count] = self.jobs(self.rows(count))
        return self._begun[count]

    def jobs(self, rows: Sequence[Row]) -> tuple[dict[str, Job], list[Soaking]]:
        """Soaks of the rows by name, and what they are. Rows that cannot be are left out."""
        jobs: dict[str, Job] = {}
        found: list[Soaking] = []
        for row in rows:
            try:
                scenario = self.setting.unknowns.drawn(row.u)
            except ScenarioError:
                continue
            template = replace(job_of(scenario), until_s=self.setting.until_s)
            if self.setting.forces:
                template = replace(template, until_saturation=None)
            else:
                template = replace(template, until_saturation=_FULL, softening=None)
            i = row.number
            for one in row.makeups:
                kind = self.kind(one)
                job = mixed_job(scenario, one, template)
                for repeat in (i, i + _SECOND) if i % _TWICE == 0 else (i,):
                    name = f"{row.place}, {'+'.join(map(str, kind))}, solid {repeat}"
                    jobs[name] = replace(job, repeat=repeat)
                    found.append(Soaking(row, kind, one, name))
        return jobs, found

    def told(self, soaks: Sequence[Soaking], outcomes: Mapping[str, Outcome]) -> Told:
        """What the runs that are there say, by class."""
        there = [soak for soak in soaks if soak.name in outcomes]
        points = np.array([soak.row.u for soak in there])
        told, solid = self.tables.at(points), self.tables.solid(points)
        inputs = {
            one: inputs_of(one, told, solid) for some in self.classes.values() for one in some
        }
        until = self.setting.until_s
        start = filled_at_once([outcomes[soak.name] for soak in there], until)

        def runs(at_once: float, lost: bool) -> dict[Class, Runs]:
            kinds = dict.fromkeys(soak.kind for soak in there)
            return {kind: runs_of(kind, at_once, lost) for kind in kinds}

        def runs_of(kind: Class, at_once: float, lost: bool) -> Runs:
            some = [(i, soak) for i, soak in enumerate(there) if soak.kind == kind]
            came = [outcomes[soak.name] for _, soak in some]
            came = [lost_of(one) for one in came] if lost else came
            heavy = [told[soak.makeup.owner("gravity"), "gravity", "ln_density"][i]
                     for i, soak in some]  # fmt: skip
            return Runs(
                np.array([inputs[soak.makeup][i] for i, soak in some]),
                np.array([features_of(one, until, at_once) for one in came]),
                np.array([soak.row.number for _, soak in some]),
                np.array([filled_at(one, times_until(until)) for one in came]),
                np.ones(len(some)) if lost else np.exp(heavy),
                until,
            )

        return Told(runs(start, False), runs(0.0, True) if self.setting.forces else {}, start)


@dataclass(frozen=True)
class Told:
    """What runs say. by_class : of what pores take up. lost : of what snap forces lose, where that
    is asked. at_once : share of the pores that fills at once."""

    by_class: dict[Class, Runs]
    lost: dict[Class, Runs]
    at_once: float

    def learn(self) -> dict[Class, Learnt]:
        """A surface of uptake for each class. ValueError: too few runs."""
        return _learn(self.by_class, self.at_once)

    def learn_lost(self) -> dict[Class, Learnt]:
        """The same of what snap forces lose."""
        return _learn(self.lost, 0.0)


def _learn(by_class: Mapping[Class, Runs], at_once: float) -> dict[Class, Learnt]:
    """Liquids with grains lean on those without."""
    found: dict[Class, Learnt] = {}
    for law, grains in sorted(by_class, key=lambda kind: kind[1]):
        plain = found.get((law, False)) if grains else None
        found[law, grains] = learn(by_class[law, grains], at_once, plain)
    return found


def mixed_job(scenario: Scenario, one: Makeup, template: Job) -> Job:
    """The soak of a liquid that has its mechanisms from two liquids at most."""
    by_name = {spec.name: spec for spec in scenario.liquids}
    names = list(dict.fromkeys(one.owners))
    first, second = by_name[names[0]], by_name[names[-1]]
    taken = [m for m in MECHANISMS if one.owner(m) == names[-1]]
    return Pair(scenario, first, second).mixed(taken).job(template, "+".join(names), 0)


def inputs_of(one: Makeup, told: Mapping[Place, Floats], solid: Floats) -> Floats:
    """(n, d) what the surface of a liquid's class takes: the solid's own, then the liquid's, its
    grains last. Widening tubes pull by the cosine of angle and half-opening, straight ones of the
    angle (Young 1805): in some near 70 degrees they pull no more. What grains do hangs on how large
    they are beside the throats."""
    columns = [solid]
    for mechanism in ("wetting", "thickening", "gravity", "plugging"):
        owner = one.owner(mechanism)
        if mechanism == "wetting":
            steepest = told[owner, "wetting", "angle"] + told[OPENING]
            cosine = np.maximum(np.cos(np.radians(steepest)), _LEAST_COSINE)
            columns.append(np.log(cosine)[:, None])
        columns += [
            (row - told[THROAT] if number == "ln_diameter" else row)[:, None]
            for (name, m, number), row in told.items()
            if (name, m) == (owner, mechanism)
        ]
    return np.hstack(columns)
