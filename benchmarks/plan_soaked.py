"""Whether the first test of `poresim plan` leaves less doubt than the median one, by soaks.

    python benchmarks/plan_soaked.py [SCENARIO] --study FILE [--truths 40] [--out FOLDER]

FILE : soaks of a study of `judge`, study.runs, as benchmarks/judge.py leaves them, of so many
truths or more. Each truth is judged by its weight logs alone, and further tests are ranked.
The first and the median one are then done: fresh soaks of the truth, weighed on the
scenario's balance, or its angle with the error of the test. With the new reading among the
measurements everything is judged anew. Printed, in bits with standard errors: the doubt before,
what each test leaves of it, what was promised, and how much less the true explanation surprises
(- log2 of its probability). Finished soaks are kept; begun again, it goes on.
"""

from __future__ import annotations

import argparse
import math
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from judge import OWN, Truth, all_of, benches_of, truths

from poresim.ensemble.jobs import Job
from poresim.ensemble.journal import Journal
from poresim.ensemble.request import fit_in_memory, job_of
from poresim.record.files import make_folder
from poresim.scenario.candidates import Candidate
from poresim.scenario.reading import load_scenario
from poresim.why.judge import bank_key, block_kg, question_of, setting_of
from poresim.why.plan import asked_of, candidates_of, ranked
from poresim.why.runs import Runs
from poresim.why.weighing.bank import Bank, mixed_job
from poresim.why.weighing.bench import Angle, Bench, Log
from poresim.why.weighing.case import Case, case_of, decide
from poresim.why.weighing.evidence import APART
from poresim.why.weighing.informing import inform
from poresim.why.weighing.settling import PARTICLES
from poresim.why.weighing.verdict import Verdict

SEED = 40_000  # of what is read anew
FRESH = 10 * OWN  # numbers of the new pieces' solids begin here
ROWS = 128


class Chosen(NamedTuple):
    """A test that is done for a truth. promised : bits left, as foretold. soaks : their names."""

    candidate: Candidate
    promised: float
    soaks: list[str]


def entropy(p: np.ndarray) -> float:
    """Bits."""
    return float(-(p * np.log2(np.where(p > 0, p, 1.0))).sum())


def surprise(verdict: Verdict, truth: Truth) -> float:
    """Bits; never more than those of a chance of 1 in 10 000, which draws cannot tell from less."""
    p = float(verdict.probabilities[verdict.rivals.index(truth.rival)])
    return -math.log2(max(p, 1e-4))


def chosen_of(
    bank: Bank, truth: Truth, number: int, order: Sequence[Any]
) -> tuple[list[Chosen], dict[str, Job]]:
    """The first and the median test of a truth, and their soaks."""
    scenario = bank.setting.unknowns.drawn(truth.u[:-1])
    found, jobs = [], {}
    for which, one in enumerate((order[0], order[len(order) // 2])):
        test = one.candidate
        names = []
        if test.when:
            template = replace(
                job_of(scenario),
                until_s=1.001 * test.when[-1],
                until_saturation=None,
                softening=None,
            )
            made = bank.setting.makeup(truth.rival, test.liquid)
            job = mixed_job(scenario, made, template)
            for piece in range(test.repeats):
                names.append(f"truth {number}, {test.name}, piece {piece}")
                jobs[names[-1]] = replace(job, repeat=FRESH + 100 * number + 10 * which + piece)
        left = one.told.explanation_most - one.told.explanation
        found.append(Chosen(test, left, names))
    return found, jobs


def with_reading(
    case: Case, bank: Bank, truth: Truth, number: int, one: Chosen, outcomes: Any
) -> Case:
    """The case with what the test reads among the measurements."""
    rng = np.random.default_rng([SEED, number])
    test, bench = one.candidate, case.bench
    if not test.when:
        told = bank.tables.at(truth.u[None, :-1])
        wets = bank.setting.makeup(truth.rival, test.liquid).owner("wetting")
        true = float(told[wets, "wetting", "angle"][0])
        read = true + test.angle_sd_deg * rng.standard_normal()
        angle = Angle(test.liquid, read, test.angle_sd_deg)
        return replace(case, bench=replace(bench, angles=[*bench.angles, angle]))
    scenario = bank.setting.scenario
    asked, dry = asked_of(scenario, test), (scenario.dry_mass_g or 0.0) * 1e-3
    step = question_of(scenario).balance_g * 1e-3
    assert asked.when is not None and asked.sd is not None
    apart = float(APART.quantile(truth.u[-1:])[0])
    rows = []
    for name in one.soaks:
        mass = np.array([outcomes[name].value("uptake_kg", t) for t in asked.when]) / case.dry_kg
        mass = mass * math.exp(apart * rng.standard_normal()) * dry
        shown = mass + 0.5 * step * rng.standard_normal(len(mass))
        rows.append(np.round(shown / step) * step / dry)
    log = Log(asked.when, np.array(rows), asked.sd)
    return replace(case, bench=replace(bench, logs=[*bench.logs, (test.liquid, log)]))


def said(name: str, values: Sequence[float]) -> str:
    """Mean and standard error."""
    error = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return f"{name}: {float(np.mean(values)):.4f} +- {error:.4f} bits"


def main() -> None:
    """As said above."""
    here = Path(__file__).resolve().parent.parent / "scenarios" / "four_broths.toml"
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("scenario", nargs="?", type=Path, default=here)
    asked.add_argument("--study", type=Path, required=True)
    asked.add_argument("--truths", type=int, default=40)
    asked.add_argument("--out", type=Path, default=Path("results/plan_study"))
    given = asked.parse_args()
    scenario = load_scenario(given.scenario)
    setting, measured = setting_of(scenario)
    bank = Bank(setting)
    some = truths(bank, measured, given.truths)[0]
    make_folder(given.out)
    path = given.out / "plan_study.runs"
    if not path.exists():
        shutil.copy(given.study, path)
    journal = Journal(path, bank_key(setting))
    journal.open(resume=True, force=False)
    runs = Runs(journal, fitting=fit_in_memory(scenario))
    told = bank.told(bank.jobs(bank.rows(ROWS))[1], runs.outcomes)
    alone = Bench(measured.logs, [], [])
    cases = [
        case_of(bank, told, one, block_kg(scenario), scenario.seed + 1000 * k, PARTICLES)
        for k, one in enumerate(benches_of(bank, alone, some, runs.outcomes))
    ]
    candidates = candidates_of(setting, alone)
    tests = [asked_of(scenario, one) for one in candidates]
    print("judged by the logs alone", flush=True)
    before = all_of(decide, cases)
    print("tests ranked", flush=True)
    informed = all_of(inform, [(case, v, tests) for case, v in zip(cases, before, strict=True)])
    chosen: list[list[Chosen]] = []
    jobs: dict[str, Job] = {}
    for k, (truth, told_of) in enumerate(zip(some, informed, strict=True)):
        both, theirs = chosen_of(bank, truth, k, ranked(candidates, told_of))
        chosen.append(both)
        jobs |= theirs
    print(f"{len(jobs)} soaks of the tests", flush=True)
    runs.do(jobs)
    runs.refuse_failures()
    anew = [
        with_reading(cases[k], bank, some[k], k, one, runs.outcomes)
        for k in range(len(some))
        for one in chosen[k]
    ]
    print("judged anew", flush=True)
    after = all_of(decide, anew)
    report(some, before, chosen, after)


def report(
    some: list[Truth], before: list[Verdict], chosen: list[list[Chosen]], after: list[Verdict]
) -> None:
    """Print it."""
    print(said("doubt by the logs alone", [entropy(v.probabilities) for v in before]))
    surprised = [surprise(v, truth) for v, truth in zip(before, some, strict=True)]
    print(said("surprise by the logs alone", surprised))
    left, off = [], []
    for which, name in enumerate(("first", "median")):
        verdicts = after[which::2]
        left.append([entropy(v.probabilities) for v in verdicts])
        off.append([surprise(v, truth) for v, truth in zip(verdicts, some, strict=True)])
        print(said(f"{name}, promised to leave", [both[which].promised for both in chosen]))
        print(said(f"{name}, leaves", left[-1]))
        print(said(f"{name}, surprise left", off[-1]))
        kinds: dict[str, int] = {}
        for both in chosen:
            kinds[both[which].candidate.name] = kinds.get(both[which].candidate.name, 0) + 1
        print("   " + "; ".join(f"{n} x {kind}" for kind, n in sorted(kinds.items())))
    print(said("median less first, doubt left, paired", np.subtract(left[1], left[0])))
    print(said("median less first, surprise left, paired", np.subtract(off[1], off[0])))


if __name__ == "__main__":
    main()
