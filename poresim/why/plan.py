"""Which further test would tell most about which explanation holds, per minute at the bench.

The verdict is that of ``judge``, by the same bank of runs; what each candidate would tell comes
from the draws that it rests on (:mod:`.weighing.informing`).
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from poresim.brief import Brief, Rows
from poresim.ensemble.journal import Journal
from poresim.ensemble.request import fit_in_memory
from poresim.ensemble.run import Progress
from poresim.inference.information import Information
from poresim.record.files import safe_name, write_text
from poresim.record.layout import RecordError
from poresim.scenario.candidates import Candidate, angle, weighing
from poresim.tables.writing import as_text
from poresim.why import judge
from poresim.why.judge import Judged, bank_key, bank_path, question_of, setting_of, weighed
from poresim.why.runs import Runs, at_work
from poresim.why.weighing.bank import Setting
from poresim.why.weighing.bench import Bench, balance_sd
from poresim.why.weighing.informing import Asked, inform

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from poresim.scenario.reading import Scenario

_TIMES = (0.5, 1.0, 3.0)  # of the last reading so far, at which pieces are weighed by default
_ANGLE_SD = 2.0  # degrees, of the angles that are tried by default (common practice)
_SURELY = 2.0  # standard errors by which candidates differ that are not tied
NOTHING_LEFT = 0.05  # bits of doubt below which there is nothing left to tell
TELLS = 0.02  # bits, beyond the error, from which a test is said to tell explanations apart


@dataclass(frozen=True)
class Ranked:
    """A candidate, what it would tell, and whether it is as good as the first within the error."""

    candidate: Candidate
    told: Information
    tied: bool

    @property
    def bits_per_hour(self) -> float:
        """About which explanation holds, per hour at the bench."""
        return 60 * self.told.explanation / self.candidate.minutes

    @property
    def sd_per_hour(self) -> float:
        """Its Monte Carlo standard error."""
        return 60 * self.told.explanation_sd / self.candidate.minutes


@dataclass(frozen=True, repr=False)
class Planned(Brief):
    """judged : the verdict so far. tests : best per minute first. given : whether the scenario
    says which ones are compared."""

    judged: Judged
    tests: list[Ranked]
    given: bool

    def plot(self) -> Figure:
        """The answer as a matplotlib figure, with the numbers that it draws as ``tables``."""
        from poresim.show.plan import planned_figure

        figure: Figure = planned_figure(self)
        return figure

    def _told(self) -> tuple[str, Rows]:
        from poresim.why.planned import minutes, plan_title

        rows = []
        for one in self.tests:
            told = f"{one.told.explanation:.2f} bits in {minutes(one.candidate.minutes)}"
            rows.append((one.candidate.name, told))
        return plan_title(self), rows

    @property
    def entropy_bits(self) -> float:
        """Doubt about which explanation holds: 0 none, 1 as much as between two equal ones."""
        p = self.judged.verdict.probabilities
        return float(-(p * np.log2(np.where(p > 0, p, 1.0))).sum())

    @property
    def nothing_left(self) -> bool:
        """Whether there is hardly any doubt left."""
        return self.entropy_bits < NOTHING_LEFT

    @property
    def tells(self) -> bool:
        """Whether any candidate tells explanations apart."""
        return any(
            one.told.explanation >= TELLS + _SURELY * one.told.explanation_sd for one in self.tests
        )


def plan(
    scenario: Scenario,
    out: str | Path = "results",
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    force: bool = False,
) -> Planned:
    """Rank the further tests of ``[plan]``, or the usual ones, by what they would tell per minute.

    Writes ``<name>.plan.json`` and ``.plan.csv`` into ``out``, and keeps the bank of runs there, as
    :func:`poresim.why.judge.judge` does.

    executor, workers, progress, resume, force : as of :func:`poresim.run`.

    Raises what that raises; RecordError also where a reading lies beyond the bank's soaks.
    """
    setting, bench = setting_of(scenario)
    candidates = candidates_of(setting, bench)
    tests = [asked_of(scenario, one) for one in candidates]
    target = result_path(Path(out), scenario)
    journal = Journal(bank_path(Path(out), scenario), bank_key(setting))
    with at_work(target, journal, resume=resume, force=force, kept=True):
        runs = Runs(
            journal,
            fitting=fit_in_memory(scenario),
            workers=workers,
            executor=executor,
            progress=progress,
        )
        judged, case = weighed(setting, bench, runs)
        (told,) = runs.compute(inform, [(case, judged.verdict, tests)])
        found = Planned(judged, ranked(candidates, told), scenario.questions.plan is not None)
        write_text(target.with_suffix(".csv"), _csv(found))
        write_text(target, json.dumps(as_dict(found), indent=2, allow_nan=False))
    return found


def first_round(scenario: Scenario) -> tuple[Scenario, int, int]:
    """As that of ``judge``. RecordError: as of :func:`plan`, before any soak."""
    candidates_of(*setting_of(scenario))
    return judge.first_round(scenario)


def result_path(out: Path, scenario: Scenario) -> Path:
    """The file of the result."""
    return out / f"{safe_name(scenario.name)}.plan.json"


def candidates_of(setting: Setting, bench: Bench) -> list[Candidate]:
    """Tests that are compared. RecordError: one is read after the bank's soaks end."""
    scenario = setting.scenario
    given = scenario.questions.plan
    if given is None:
        when = [min(part * bench.horizon_s, setting.until_s) for part in _TIMES]
        weighings = [weighing(name, when) for name in setting.liquids]
        return weighings + [angle(name, _ANGLE_SD) for name in setting.liquids]
    longer = setting.until_s / setting.horizon_s
    for one in given:
        if one.when and one.when[-1] > setting.until_s:
            raise RecordError(
                f"{scenario.path}: [[plan.tests]] {one.name!r}: reads at {one.when[-1]:g} s, and "
                f"the bank's soaks end at {setting.until_s:g} s; read earlier, or give [run] "
                f"until_s = {1.01 * one.when[-1] / longer:.3g} (the bank is then soaked anew)"
            )
    return list(given)


def ranked(candidates: Sequence[Candidate], told: Sequence[Information]) -> list[Ranked]:
    """Most bits about the explanation per minute first; those as good within the error are tied.

    All are tried on the same draws, so that the error of a difference is rather smaller than it is
    taken to be here, where errors are added as if they were independent.
    """
    some = [Ranked(one, what, False) for one, what in zip(candidates, told, strict=True)]
    some.sort(key=lambda one: -one.bits_per_hour)
    first = some[0]
    found = []
    for one in some:
        error = math.hypot(first.sd_per_hour, one.sd_per_hour)
        tied = first.bits_per_hour - one.bits_per_hour <= _SURELY * error
        found.append(Ranked(one.candidate, one.told, tied))
    return found


def asked_of(scenario: Scenario, one: Candidate) -> Asked:
    """A candidate as plain numbers, in SI units."""
    if not one.when:
        return Asked(one.liquid, None, None, 1, one.angle_sd_deg)
    assert scenario.dry_mass_g is not None  # else no log could have been read
    step_g = question_of(scenario).balance_g if one.balance_g is None else one.balance_g
    when = np.array(one.when)
    sd = np.full(len(when), balance_sd(step_g) / scenario.dry_mass_g)
    return Asked(one.liquid, when, sd, one.repeats, 0.0)


def as_dict(found: Planned) -> dict[str, Any]:
    """Plain numbers and text, for JSON."""
    from poresim import __version__
    from poresim.why.planned import planned_in_words

    judged = found.judged
    names = [rival.name for rival in judged.verdict.rivals]
    pairs = zip(names, judged.verdict.probabilities, strict=True)
    return {
        "title": judged.title,
        "answer": planned_in_words(found),
        "tests": [_test(one, names) for one in found.tests],
        "doubt_bits": found.entropy_bits,
        "nothing_left_to_tell": found.nothing_left,
        "tells_them_apart": found.tells,
        "probabilities": {name: float(p) for name, p in pairs},
        "fits_data": judged.verdict.fits_data,
        "settled": judged.settled,
        "tests_given": found.given,
        "bank": {"rows": judged.rows, "soaks": judged.soaks},
        "accuracy": judged.accuracy,
        "seed": judged.seed,
        "poresim_version": __version__,
    }


def _test(one: Ranked, names: list[str]) -> dict[str, Any]:
    what, told = one.candidate, one.told
    return {
        "name": what.name,
        "information_bits": told.explanation,
        "sd_bits": told.explanation_sd,
        "minutes": what.minutes,
        "bits_per_hour": one.bits_per_hour,
        "tied_with_first": one.tied,
        "unknowns_bits": told.unknowns,
        "unknowns_sd_bits": told.unknowns_sd,
        "unknowns_between_bits": [told.unknowns_low, told.unknowns_high],
        "at_least": told.widened > 0,
        "liquid": what.liquid,
        "uptake_at_s": list(what.when) or None,
        "repeats": what.repeats if what.when else None,
        "angle_sd_deg": None if what.when else what.angle_sd_deg,
        "outcomes": [
            {
                "leads": names[case.leader],
                "chance": case.chance,
                "expected_probability": float(case.probabilities[case.leader]),
                "reading": [float(v) for v in case.reading],
                "reading_sd": [float(v) for v in case.reading_sd],
            }
            for case in told.outcomes
        ],
    }


def _csv(found: Planned) -> str:
    """A line a test."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(
        [
            "test", "information_bits", "sd_bits", "minutes", "bits_per_hour", "unknowns_bits",
            "sd_bits_per_hour",
        ]
    )  # fmt: skip
    for one in found.tests:
        told = one.told
        rows.writerow(
            [
                as_text(one.candidate.name), told.explanation, told.explanation_sd,
                one.candidate.minutes, one.bits_per_hour, told.unknowns, one.sd_per_hour,
            ]
        )  # fmt: skip
    return text.getvalue()
