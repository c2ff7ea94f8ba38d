"""Whether `poresim judge` promises what it holds: cases whose truth is known.

    python benchmarks/judge.py [SCENARIO] [--truths 100] [--out results/judge_study]

Truths are drawn from the priors, an explanation first. Each is soaked in fresh solids, one for
every piece that the scenario's own weight logs weighed, and read when these were read: by a balance
of that step, angles with the error given there. Then judged, by one bank for all. Printed: how
often what was probable was true, expected calibration error and what chance gives, how often the
true explanation came first and how often that was promised, ranks of the true unknowns in their
posteriors (Talts et al. 2018), time a verdict. All begin with the same bank, and each grows it by
rows of its own, as `judge` would, up to --rows. Finished soaks and verdicts are kept; begun again,
also with more truths, it goes on.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from poresim.ensemble.gather import gather
from poresim.ensemble.jobs import Job
from poresim.ensemble.journal import Journal
from poresim.ensemble.request import fit_in_memory, job_of
from poresim.ensemble.run import Progress
from poresim.inference.calibration import calibration, ranks, uniformity
from poresim.machine import cores
from poresim.outcome.asked import Outcome
from poresim.record.files import make_folder, write_text
from poresim.scenario.faults import ScenarioError
from poresim.scenario.reading import Scenario, load_scenario
from poresim.why.judge import bank_key, block_kg, question_of, setting_of
from poresim.why.runs import Runs
from poresim.why.weighing.bank import Bank, Setting, mixed_job
from poresim.why.weighing.bench import Bench, Log
from poresim.why.weighing.case import decide
from poresim.why.weighing.evidence import APART, APART_KEY
from poresim.why.weighing.growing import Growing
from poresim.why.weighing.rivals import Rival
from poresim.why.weighing.settling import Settled
from poresim.why.weighing.verdict import Verdict

SEED = 20_000  # of the truths
OWN = 2_000_000  # numbers of the truths' solids begin here: none of the bank's
RANKS = 63  # draws among which a truth is ranked
BINS = 8  # of the ranks
ENOUGH = 5 * BINS  # truths, for the law of the ranks


class Truth(NamedTuple):
    """u : (unknowns + 1,) of the cube. soaks : for each log and piece the name of its soak."""

    rival: Rival
    u: np.ndarray
    soaks: list[list[str]]


def truths(bank: Bank, bench: Bench, count: int) -> tuple[list[Truth], dict[str, Job]]:
    """Drawn from the priors, and their soaks."""
    rng = np.random.default_rng(SEED)
    setting = bank.setting
    found: list[Truth] = []
    jobs: dict[str, Job] = {}
    number = OWN
    while len(found) < count:
        rival = setting.rivals[int(rng.integers(len(setting.rivals)))]
        u = rng.random(len(setting.unknowns) + 1)
        try:
            scenario = setting.unknowns.drawn(u[:-1])
        except ScenarioError:
            continue
        template = replace(
            job_of(scenario),
            until_s=1.001 * bench.horizon_s,
            until_saturation=None,
            softening=None,
        )
        soaks = []
        for liquid, log in bench.logs:
            job = mixed_job(scenario, setting.makeup(rival, liquid), template)
            names = []
            for piece in range(len(log.uptake)):
                names.append(f"truth {len(found)}, {liquid}, piece {piece}")
                jobs[names[-1]] = replace(job, repeat=number)
                number += 1
            soaks.append(names)
        found.append(Truth(rival, u, soaks))
    return found, jobs


def weighed(
    bank: Bank, bench: Bench, truth: Truth, outcomes: Any, block: float, dry_kg: float, step: float,
    seed: int,
) -> Bench:  # fmt: skip
    """The bench that a truth would give."""
    rng = np.random.default_rng([SEED, seed])
    apart = float(APART.quantile(truth.u[-1:])[0])
    told = bank.tables.at(truth.u[None, :-1])
    logs = []
    for (liquid, log), names in zip(bench.logs, truth.soaks, strict=True):
        rows = []
        for name in names:
            mass = np.array([outcomes[name].value("uptake_kg", t) for t in log.when]) / block
            mass = mass * math.exp(apart * rng.standard_normal()) * dry_kg
            shown = mass + 0.5 * step * rng.standard_normal(len(mass))
            rows.append(np.round(shown / step) * step / dry_kg)
        logs.append((liquid, Log(log.when, np.array(rows), log.sd)))
    angles = []
    for one in bench.angles:
        wets = bank.setting.makeup(truth.rival, one.liquid).owner("wetting")
        true = float(told[wets, "wetting", "angle"][0])
        angles.append(replace(one, angle_deg=true + one.sd_deg * rng.standard_normal()))
    return Bench(logs, angles, [])


def benches_of(
    bank: Bank, bench: Bench, some: list[Truth], outcomes: Mapping[str, Outcome]
) -> list[Bench]:
    """One a truth, measured as the bench was."""
    scenario = bank.setting.scenario
    block, dry = block_kg(scenario), (scenario.dry_mass_g or 0.0) * 1e-3
    step = question_of(scenario).balance_g * 1e-3
    return [weighed(bank, bench, one, outcomes, block, dry, step, k) for k, one in enumerate(some)]


class Judged(NamedTuple):
    """One truth, judged. p : of all rivals in their order. ranks : (unknowns + 1,) of the truth."""

    number: int
    true: int
    p: list[float]
    effective: float
    explained: bool
    ranks: list[int]

    @classmethod
    def by(cls, number: int, truth: Truth, verdict: Verdict, order: Sequence[Rival]) -> Judged:
        even = np.full(len(verdict.draws), 1 / len(verdict.draws))
        return cls(
            number,
            order.index(truth.rival),
            [float(verdict.probabilities[verdict.rivals.index(rival)]) for rival in order],
            float(verdict.effective),
            bool(verdict.explained),
            [int(one) for one in ranks(truth.u, verdict.draws, even, RANKS, number)],
        )


class Kept:
    """What was judged, a line each, of one bank and one greatest number of rows."""

    def __init__(self, path: Path, key: str) -> None:
        self.path, self.key = path, key
        self.judged: dict[int, Judged] = {}
        if not path.exists():
            return
        first, *lines = path.read_text().splitlines()
        if json.loads(first) != key:
            raise SystemExit(f"{path}: verdicts of another study")
        self.judged = {one.number: one for one in (Judged(*json.loads(line)) for line in lines)}

    def add(self, one: Judged) -> None:
        """On disk, whole whenever it is broken off, and in mind."""
        self.judged[one.number] = one
        lines = [json.dumps(row) for row in (self.key, *self.judged.values())]
        write_text(self.path, "\n".join(lines) + "\n")


def report(setting: Setting, some: Sequence[Judged]) -> None:
    """Print it."""
    p = np.array([one.p for one in some])
    found = calibration(p, np.array([one.true for one in some]), bins=10)
    print(f"\n{len(some)} truths")
    print(f"{'said':>12}  {'came true':>10}  {'95 % by chance':>15}  cases")
    b = found.bins
    for k in range(len(b.counts)):
        if b.counts[k]:
            print(
                f"{b.forecast[k]:12.3f}  {b.observed[k]:10.3f}  "
                f"{b.low[k]:7.3f} {b.high[k]:7.3f}  {b.counts[k]:5d}"
            )
    print(
        f"calibration error, top   {found.top_label:.3f} (chance {found.top_label_by_chance:.3f})"
    )
    print(
        f"calibration error, class {found.per_class:.3f} (chance {found.per_class_by_chance:.3f})"
    )
    print(f"true first {found.first:.3f}, promised {found.confidence:.3f} +- {found.first_sd:.3f}")
    if len(some) < ENOUGH:
        return
    placed = np.array([one.ranks for one in some])
    for j, key in enumerate([*(one.key for one in setting.unknowns.all), APART_KEY]):
        print(f"ranks of {key}: p {uniformity(placed[:, j], RANKS, bins=BINS):.3f}")


def main() -> None:
    """As said above."""
    here = Path(__file__).resolve().parent.parent / "scenarios" / "four_broths.toml"
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("scenario", nargs="?", type=Path, default=here)
    asked.add_argument("--truths", type=int, default=100)
    asked.add_argument("--rows", type=int, default=256)
    asked.add_argument("--out", type=Path, default=Path("results/judge_study"))
    given = asked.parse_args()
    study(load_scenario(given.scenario), given.truths, given.rows, given.out)


def study(scenario: Scenario, count: int, rows: int, out: Path) -> None:
    """The whole of it."""
    question = question_of(scenario).model_copy(update={"most_rows": rows})
    setting, bench = setting_of(scenario)
    bank = Bank(setting)
    some, theirs = truths(bank, bench, count)
    make_folder(out)
    kept = Kept(out / "verdicts.jsonl", bank_key(setting) + f" {rows}")
    journal = Journal(out / "study.runs", bank_key(setting))
    journal.open(resume=True, force=False)
    runs = Runs(journal, fitting=fit_in_memory(scenario), progress=Showing())
    soaked(runs, theirs, "the truths")
    benches = benches_of(bank, bench, some, runs.outcomes)
    judging = {
        k: Growing(bank, question, one, block_kg(scenario), scenario.seed + 1000 * k)
        for k, one in enumerate(benches)
        if k not in kept.judged
    }
    while left := [k for k, one in judging.items() if one.settled is None]:
        further: dict[str, Job] = {}
        for k in left:
            further |= judging[k].jobs()
        soaked(runs, further, f"{len(left)} cases")
        start = time.perf_counter()
        came = all_of(decide, [judging[k].case(runs.outcomes) for k in left])
        each = (time.perf_counter() - start) / len(left) * cores()
        print(f"a verdict: {each:.1f} s of one core on the mean", flush=True)
        for k, verdict in zip(left, came, strict=True):
            judging[k].take(verdict)
            show(k, some[k], verdict, judging[k])
            if judging[k].settled is not None:
                last = settled_of(judging[k]).verdict
                kept.add(Judged.by(k, some[k], last, list(setting.rivals)))
    report(setting, [one for k, one in sorted(kept.judged.items()) if k < count])


def settled_of(one: Growing) -> Settled:
    """What came of it."""
    assert isinstance(one.settled, Settled), one.settled
    return one.settled


def show(number: int, truth: Truth, verdict: Verdict, judging: Growing) -> None:
    """One line on a verdict."""
    p = verdict.probabilities[verdict.rivals.index(truth.rival)]
    said = "goes on"
    if judging.settled is not None:
        done = settled_of(judging)
        said = f"settled by {done.rows} rows, {done.change:.3f}"
    print(
        f"{number}: {truth.rival.name} {p:.3f}, first {verdict.rivals[0].name} "
        f"{verdict.probabilities[0]:.3f}, {said}",
        flush=True,
    )


class Showing:
    """Of progress a line now and then."""

    def __init__(self) -> None:
        self.last = time.perf_counter()

    def __call__(self, progress: Progress) -> None:
        if time.perf_counter() - self.last > 20:
            self.last = time.perf_counter()
            print(f"{progress.finished} of {progress.soaks} soaks", flush=True)


def soaked(runs: Runs, jobs: dict[str, Job], of: str) -> None:
    """Do them, and tell how long it took."""
    start = time.perf_counter()
    runs.do(jobs)
    runs.refuse_failures()
    print(f"{len(jobs)} soaks of {of}: {time.perf_counter() - start:.0f} s", flush=True)


def all_of(work: Callable[[int, Any], Any], tasks: Sequence[Any]) -> list[Any]:
    """Of all tasks, on all cores."""
    came: dict[int, Any] = {}

    def keep(number: int, found: Any) -> None:
        if isinstance(found, Exception):
            raise found
        came[number] = found
        if len(came) % 10 == 0:
            print(f"  {len(came)} of {len(tasks)}", flush=True)

    gather(work, tasks, keep, count=cores())
    return [came[k] for k in range(len(tasks))]


if __name__ == "__main__":
    main()
