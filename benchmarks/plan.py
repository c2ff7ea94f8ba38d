"""Whether the test that `poresim plan` names first leaves less doubt than the median one.

    python benchmarks/plan.py [SCENARIO] --bank FILE [--logs-only] [--truths 1000] [--again 10]

FILE : a kept bank of the scenario, <name>.bank.runs, as `poresim judge` leaves it. Truths are drawn
from what the measurements leave open (by a verdict of another seed, whose draws are its own); the
surfaces make the new readings of the first and of the median candidate. Bayes' rule over the draws
of the plan says what doubt each leaves; for the first few truths (--again) everything is judged
anew with the reading among the measurements. Printed: mean doubt left, its standard error, what
was promised. --logs-only : angles count as not measured, so that more is open.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from poresim.ensemble.journal import Journal
from poresim.inference.temper import systematic
from poresim.scenario.reading import load_scenario
from poresim.why.judge import bank_key, block_kg, setting_of
from poresim.why.plan import asked_of, candidates_of, ranked
from poresim.why.weighing.bank import Bank
from poresim.why.weighing.bench import Angle, Bench, Log
from poresim.why.weighing.case import Case, case_of, decide
from poresim.why.weighing.evidence import View
from poresim.why.weighing.informing import Asked, Drawn, drawn, informations
from poresim.why.weighing.verdict import Verdict

SEED = 30_000  # of the truths
ROWS, PARTICLES = 128, 512


def entropies(p: np.ndarray) -> np.ndarray:
    """Bits, over the last axis."""
    return -(p * np.log2(np.where(p > 0, p, 1.0))).sum(axis=-1)


def truths(verdict: Verdict, count: int) -> tuple[np.ndarray, np.ndarray]:
    """(count,) numbers of explanations and (count, d) draws, by the posterior over all."""
    rng = np.random.default_rng(SEED)
    of = rng.permutation(systematic(verdict.probabilities, count, rng))
    u = [rng.choice(verdict.posteriors[k].draws, p=verdict.posteriors[k].weights) for k in of]
    return of, np.array(u)


def pieces(
    case: Case, verdict: Verdict, of: np.ndarray, u: np.ndarray, test: Asked
) -> list[np.ndarray]:
    """Of each truth the new readings, (repeats, m): what the surfaces miss is shared by pieces."""
    evidence, rng = case.evidence(), np.random.default_rng(SEED + 1)
    found = []
    for k, row in zip(of, u, strict=True):
        rival = verdict.rivals[k]
        view = View(evidence, rival, row[None, :])
        if test.when is None or test.sd is None:
            found.append(view.angle(test.liquid)[:, None] + test.angle_sd_deg * rng.normal())
            continue
        told = view.at(evidence.makeups[rival, test.liquid], test.when, test.sd)
        missed = rng.multivariate_normal(0 * told.level[0], told.missed[0])
        own = rng.multivariate_normal(0 * missed, told.own[0], test.repeats)
        found.append(told.level[0] + told.tails.factor(rng) * (missed + own))
    return found


def left_by_draws(case: Case, some: Drawn, test: Asked, read: list[np.ndarray]) -> np.ndarray:
    """(truths,) bits left after each reading."""
    mean, spread = some.reading(case.evidence(), test)
    factor = np.linalg.cholesky(spread)
    level = np.log(some.weights) - np.log(np.einsum("nii->ni", factor)).sum(axis=1)
    after = []
    for rows in read:
        white = np.linalg.solve(factor, (rows.mean(axis=0) - mean)[:, :, None])[:, :, 0]
        density = level - 0.5 * (white**2).sum(axis=1)
        p = np.bincount(some.of, np.exp(density - density.max()))
        after.append(p / p.sum())
    return entropies(np.array(after))


def left_judged_anew(case: Case, test: Asked, read: list[np.ndarray]) -> np.ndarray:
    """(truths,) bits left, with the reading among the measurements."""
    found = []
    for k, rows in enumerate(read):
        bench = case.bench
        if test.when is None or test.sd is None:
            angle = Angle(test.liquid, float(rows[0, 0]), test.angle_sd_deg)
            bench = replace(bench, angles=[*bench.angles, angle])
        else:
            log = Log(test.when, rows, test.sd)
            bench = replace(bench, logs=[*bench.logs, (test.liquid, log)])
        verdict = decide(0, replace(case, bench=bench, seed=case.seed + 1000 * k))
        found.append(float(entropies(verdict.probabilities)))
    return np.array(found)


def case_from(scenario_file: Path, bank_file: Path, logs_only: bool) -> tuple[Case, list, list]:
    """The case of a kept bank, candidates, and what is asked of each."""
    scenario = load_scenario(scenario_file)
    setting, bench = setting_of(scenario)
    candidates = candidates_of(setting, bench)
    bank = Bank(setting)
    journal = Journal(bank_file, bank_key(setting))
    journal.open(resume=True, force=False)
    told = bank.told(bank.jobs(bank.rows(ROWS))[1], journal.finished)
    journal.close()
    if logs_only:
        bench = Bench(bench.logs, [], [])
    dry = block_kg(scenario)
    case = case_of(bank, told, bench, dry, scenario.seed, PARTICLES)
    return case, candidates, [asked_of(scenario, one) for one in candidates]


def said(name: str, left: np.ndarray) -> str:
    return f"{name}: {left.mean():.4f} +- {left.std(ddof=1) / math.sqrt(len(left)):.4f} bits left"


def main() -> None:
    """As said above."""
    here = Path(__file__).resolve().parent.parent / "scenarios" / "four_broths.toml"
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("scenario", nargs="?", type=Path, default=here)
    asked.add_argument("--bank", type=Path, required=True)
    asked.add_argument("--truths", type=int, default=1000)
    asked.add_argument("--again", type=int, default=10)
    asked.add_argument("--logs-only", action="store_true")
    given = asked.parse_args()
    case, candidates, tests = case_from(given.scenario, given.bank, given.logs_only)
    verdict = decide(0, case)
    evidence = case.evidence()
    order = ranked(candidates, informations(evidence, verdict, tests, case.seed))
    other = decide(0, replace(case, seed=case.seed + 500))
    of, u = truths(other, given.truths)
    some = drawn(evidence, verdict, case.seed + 1)
    print(f"doubt now: {entropies(verdict.probabilities):.4f} bits", flush=True)
    found, anew = [], []
    for one in (order[0], order[len(order) // 2]):
        test = tests[candidates.index(one.candidate)]
        read = pieces(case, other, of, u, test)
        found.append(left_by_draws(case, some, test, read))
        told = one.told
        print(
            f"{one.candidate.name}: promised {told.explanation_most - told.explanation:.4f} bits "
            f"left (tells {told.explanation:.4f} +- {told.explanation_sd:.4f})"
        )
        print(said("  by the draws", found[-1]), flush=True)
        if given.again > 1:
            anew.append(left_judged_anew(case, test, read[: given.again]))
            print(said("  judged anew", anew[-1]))
            print(said("  the same by the draws", found[-1][: given.again]), flush=True)
    print(said("median less first, paired, by the draws", found[1] - found[0]))
    if anew:
        print(said("median less first, paired, judged anew", anew[1] - anew[0]))


if __name__ == "__main__":
    main()
