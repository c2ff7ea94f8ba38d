"""Which explanation is likely, given what was weighed: a bank of runs, surfaces, a verdict.

The bank grows, by rows where the truth may lie, until that changes probabilities by no more than
the error asked for, and until enough independent draws stand behind them.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from poresim.brief import Brief, Rows
from poresim.ensemble.journal import Journal
from poresim.ensemble.request import fit_in_memory
from poresim.ensemble.run import Progress, RunFailed
from poresim.liquid.laws import Newtonian
from poresim.outcome.spread import finite
from poresim.record.files import safe_name, write_text
from poresim.record.layout import RecordError
from poresim.scenario.believable import checked_priors
from poresim.scenario.questions import MECHANISMS, Judge, least_near
from poresim.scenario.usual import usual_priors
from poresim.solid.fitting import fit
from poresim.why.keys import key_of
from poresim.why.runs import Runs, at_work
from poresim.why.weighing.bank import Bank, Setting
from poresim.why.weighing.bench import Bench, bench_of
from poresim.why.weighing.case import Case, TooFew, decide
from poresim.why.weighing.growing import Growing
from poresim.why.weighing.rivals import reference_of, rivals_of
from poresim.why.weighing.unknowns import Unknowns
from poresim.why.weighing.verdict import Verdict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from poresim.inference.laws import Law
    from poresim.scenario.reading import Scenario


@dataclass(frozen=True, repr=False)
class Judged(Brief):
    """The verdict and what it rests on.

    reference : the liquid that the others are compared with. rows, soaks : of the bank. change :
    the most that a probability differed before the last rows were added. wanted : the error
    asked for. usual : whether the laws of the unknowns are the usual ones. unused : what was
    measured and is not weighed. invented : whether the scenario says that its data are. newtonian :
    liquids whose weight logs see tension, angle and viscosity only together. title, seed,
    accuracy : of the scenario. verdict : probabilities and what is known of each unknown.
    """

    title: str
    seed: int
    reference: str
    liquids: tuple[str, ...]
    verdict: Verdict
    rows: int
    soaks: int
    change: float
    wanted: float
    usual: bool
    unused: list[str]
    accuracy: float
    invented: bool
    newtonian: tuple[str, ...]

    def plot(self) -> Figure:
        """The answer as a matplotlib figure, with the numbers that it draws as ``tables``."""
        from poresim.show.judge import judged_figure

        figure: Figure = judged_figure(self)
        return figure

    def _told(self) -> tuple[str, Rows]:
        from poresim.why.judged import likely, others_in_words, spoken, told_apart, verdict_title

        told, rivals = told_apart(self), self.verdict.rivals
        rows = [(spoken(rivals[k].name), likely(self.verdict.probabilities[k])) for k in told]
        rows.append(("rest", others_in_words(self, len(told)) or "none"))
        return f"{verdict_title(self)} ({self.soaks:,} soaks)", rows

    @property
    def settled(self) -> bool:
        """Whether the bank and the draws tell the probabilities as well as was asked for."""
        return self.change <= self.wanted and float(self.verdict.sd.max()) <= self.wanted


def judge(
    scenario: Scenario,
    out: str | Path = "results",
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    resume: bool = False,
    force: bool = False,
) -> Judged:
    """Weigh rival explanations against what ``[[measured]]`` names.

    Writes ``<name>.judge.json`` and ``.judge.csv`` into ``out``, and keeps the bank of runs there,
    ``<name>.bank.runs``: further measurements are weighed by the same runs.

    executor, workers, progress, resume, force : as of :func:`poresim.run`; ``force`` throws a bank
    away only if it is another's.

    Raises RecordError where something needed is missing, what a run raises, RunInterrupted, and
    RunFailed where too few independent draws stand behind an answer.
    """
    setting, bench = setting_of(scenario)
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
        found, _ = weighed(setting, bench, runs)
        write_text(target.with_suffix(".csv"), _csv(found))
        write_text(target, json.dumps(as_dict(found), indent=2, allow_nan=False))
    return found


def result_path(out: Path, scenario: Scenario) -> Path:
    """The file of the result."""
    return out / f"{safe_name(scenario.name)}.judge.json"


def bank_path(out: Path, scenario: Scenario) -> Path:
    """Where the bank of runs is kept."""
    return out / f"{safe_name(scenario.name)}.bank.runs"


def bank_key(setting: Setting) -> str:
    """What decides a bank's runs."""
    return key_of(
        setting.scenario,
        "bank",
        [(one.key, str(one.law)) for one in setting.unknowns.all],
        [rival.name for rival in setting.rivals],
        setting.reference,
        setting.until_s,
        *(["forces"] if setting.forces else []),
    )


def question_of(scenario: Scenario) -> Judge:
    """What ``[judge]`` says."""
    return scenario.questions.judge or Judge()


def setting_of(scenario: Scenario) -> tuple[Setting, Bench]:
    """What is weighed, and by which bank. RecordError: something needed is missing."""
    question = question_of(scenario)
    _refuse_unfit(scenario)
    bench = bench_of(scenario, question.balance_g)
    reference = reference_of(scenario, question, bench.liquids)
    rivals = rivals_of(scenario, question, bench.liquids, reference)
    unknowns = Unknowns(scenario, laws_of(scenario))
    if not len(unknowns):
        raise RecordError(
            f"{scenario.path}: nothing is unknown: give [priors], or values with a standard "
            "deviation such as { value = 48, sd = 3 }"
        )
    horizon = max(bench.horizon_s, scenario.run.until_s or 0.0)
    liquids = tuple(spec.name for spec in scenario.liquids)
    forces = bool(bench.forces)
    return Setting(scenario, unknowns, rivals, reference, liquids, horizon, forces), bench


def laws_of(scenario: Scenario) -> dict[str, Law]:
    """Of the unknowns: those of [priors], or the usual ones where there is no such table."""
    if scenario.questions.priors is None:
        return usual_priors(scenario)
    return checked_priors(scenario)


def first_round(scenario: Scenario) -> tuple[Scenario, int, int]:
    """What a soak of the bank is like, for a forecast; soaks to begin with, and at most."""
    question = question_of(scenario)
    bank = Bank(setting_of(scenario)[0])
    run = scenario.run.model_copy(update={"until_s": bank.setting.until_s})
    like = replace(scenario, run=run)
    first = question.least_rows + least_near(question.least_rows)
    return like, bank.soaks(first), bank.soaks(question.most_rows)


def _refuse_unfit(scenario: Scenario) -> None:
    if scenario.exposure.kind == "drop":
        raise RecordError(
            f"{scenario.path}: judge weighs uptake from a face or a dip; a drop on a face gives "
            "angles for it"
        )
    block_kg(scenario)


def weighed(setting: Setting, bench: Bench, runs: Runs) -> tuple[Judged, Case]:
    """The verdict, and the case that it decides; the bank grows as far as is needed."""
    scenario = setting.scenario
    question = question_of(scenario)
    growing = Growing(Bank(setting), question, bench, block_kg(scenario), scenario.seed)
    while growing.settled is None:
        runs.do(growing.jobs())
        runs.refuse_failures()
        case = growing.case(runs.outcomes)
        growing.take(runs.compute(decide, [case])[0])
    settled = growing.settled
    if isinstance(settled, TooFew):
        raise RecordError(f"{runs.path}: {settled.why}; give more [judge] least_rows")
    verdict, rows, _, change, few = settled
    if few:
        said = (
            f"{verdict.effective:.0f} independent draws stand behind the answer, of "
            f"{question.effective_samples} that [judge] effective_samples asks for: no answer"
        )
        raise RunFailed(runs.path, [said], len(runs.outcomes))
    plain = [
        spec.name
        for spec in scenario.liquids
        if spec.grains is None and isinstance(spec.viscosity, Newtonian)
    ]
    found = Judged(
        scenario.title, scenario.seed, setting.reference, tuple(bench.liquids), verdict,
        rows, len(growing.soaks), change, question.error, scenario.questions.priors is None,
        bench.unused, scenario.run.accuracy, "invented" in scenario.text.lower(), tuple(plain),
    )  # fmt: skip
    return found, case


def block_kg(scenario: Scenario) -> float:
    """Dry mass of the block that is soaked. RecordError: its density is not known."""
    if scenario.solid.network is not None or scenario.solid.dry_density is None:
        raise RecordError(
            f"{scenario.path}: [solid] dry_density_kg_m3 is needed: logs are compared by dry mass"
        )
    return float(scenario.solid.dry_density * np.prod(fit(scenario.solid).size))


def as_dict(found: Judged) -> dict[str, Any]:
    """Plain numbers and text, for JSON."""
    from poresim import __version__
    from poresim.why.judged import judged_in_words

    verdict = found.verdict
    names = [rival.name for rival in verdict.rivals]
    pairs = list(zip(names, verdict.probabilities, strict=True))
    mechanisms = sorted({m for r in verdict.rivals for m in r.acting}, key=MECHANISMS.index)
    return {
        "title": found.title,
        "reference": found.reference,
        "liquids": list(found.liquids),
        "answer": judged_in_words(found),
        "probabilities": {name: float(p) for name, p in pairs},
        "probabilities_sd": dict(zip(names, map(float, verdict.sd), strict=True)),
        "mechanisms": {m: verdict.acting(m) for m in mechanisms},
        "leads_surely": verdict.leads_surely,
        "not_told_apart": verdict.open if len(verdict.open) > 1 else [],
        "posterior": {
            one.key: {
                "median": one.after[1],
                "interval": [one.after[0], one.after[2]],
                "prior": list(one.before),
                "sd_left": one.left,
            }
            for one in verdict.unknowns
        },
        "only_together": [list(pair) for pair in verdict.pairs],
        "effective_samples": verdict.effective,
        "fits_data": verdict.fits_data,
        "chance_of_misfit": verdict.explained,
        "fits": {one.what: finite(one.chance) for one in verdict.fits},
        "priors_shifted": {one.key: {"down": one.down, "up": one.up} for one in verdict.leanings},
        "bank": {"rows": found.rows, "soaks": found.soaks, "change_by_last_rows": found.change},
        "settled": found.settled,
        "not_weighed": found.unused,
        "usual_priors": found.usual,
        "accuracy": found.accuracy,
        "seed": found.seed,
        "poresim_version": __version__,
    }


def _csv(found: Judged) -> str:
    """A line an explanation; error : of its probability, as the figure draws it."""
    from poresim.why.judged import error_of

    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["explanation", "probability", "monte_carlo_sd", "log_evidence", "error"])
    verdict = found.verdict
    parts = zip(verdict.rivals, verdict.probabilities, verdict.sd, verdict.posteriors, strict=True)
    for place, (rival, p, sd, one) in enumerate(parts):
        error = error_of(found, place)
        rows.writerow([rival.name, float(p), float(sd), one.log_evidence, error])
    return text.getvalue()
