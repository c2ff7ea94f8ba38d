"""A bank whose soaks are closed forms: straight tubes by Washburn (1921), with a known scatter.

full(t) = sqrt(t / tau), tau = 2 viscosity depth^2 / (tension cosine radius), times a factor from
solid to solid; so every step of the inference can be compared with plain sums over prior draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from poresim.ensemble.jobs import Job
from poresim.outcome.asked import Outcome
from poresim.scenario.questions import Judge
from poresim.scenario.reading import Scenario, parse_scenario
from poresim.tables.courses import SnapForces
from poresim.uptake.result import Ending
from poresim.why.judge import block_kg, laws_of
from poresim.why.weighing.bank import Bank, Row, Setting
from poresim.why.weighing.bench import Angle, Bench, Log
from poresim.why.weighing.case import Case, case_of
from poresim.why.weighing.evidence import APART
from poresim.why.weighing.forces import forces_of
from poresim.why.weighing.rivals import Rival, rivals_of
from poresim.why.weighing.unknowns import Unknowns

SCENARIO = """
title = "Closed forms, invented"
seed = 4
[solid]
size_mm = [0.8, 0.8, 1.2]
dry_density_kg_m3 = 420
dry_mass_g = 9
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "fixed", radius_um = 15 }
[[liquids]]
name = "clear broth"
density_kg_m3 = 1000
surface_tension_mN_m = 50
contact_angle_deg = 45
viscosity = { law = "newtonian", mPa_s = 2 }
[[liquids]]
name = "gum broth"
based_on = "clear broth"
contact_angle_deg = 65
viscosity = { law = "newtonian", mPa_s = 4 }
[exposure]
kind = "face"
faces = ["bottom"]
gravity = false
[run]
until_s = 2
[priors]
"liquids.clear broth.contact_angle_deg" = { law = "normal", mean = 45, sd = 4 }
"liquids.gum broth.contact_angle_deg" = { law = "normal", mean = 62, sd = 6, greatest = 85 }
"liquids.gum broth.viscosity.mPa_s" = { law = "lognormal", median = 4, log_sd = 0.3 }
"""
WHEN = np.array([0.1, 0.2, 0.4, 0.8, 1.6])
STEP_G, DRY_KG = 0.1, 9e-3
PORES_M3 = 3e-10
FULL_S = 1.5  # of clear broth in the middle of its priors
SOLIDS = 0.08  # sd of ln(tau) from solid to solid
COSTS = 0.8  # share of the snap force that is lost when all pores are full
BROKEN = np.array([0.0, 0.0, 0.0, 0.15, 0.15, 0.15, 0.6, 0.6, 0.6])  # s
STRENGTH = 0.1  # sd of ln(strength) from piece to piece


def tau(job: Job) -> float:
    """When a soak is full without scatter, s."""
    liquid = job.liquid
    viscosity = liquid.viscosity.viscosity  # type: ignore[attr-defined]
    pull = liquid.surface_tension * math.cos(math.radians(liquid.contact_angle_deg))
    return FULL_S * (viscosity / 2e-3) * (0.05 * math.cos(math.radians(45)) / pull)


def outcome(full_s: float) -> Outcome:
    """A soak that is full at that time."""
    time = full_s * np.linspace(0, 1, 80) ** 2
    full = np.sqrt(time / full_s)
    force = 20 * (1 - COSTS * full)
    curves = {
        "time_s": time,
        "saturation": full,
        "uptake_kg": full * PORES_M3 * 1000.0,
        "snap_force_N": force,
    }
    return Outcome(Ending.FULL, curves, {"pore_m3": PORES_M3})


@dataclass
class World:
    """The scenario, its bank of closed forms, and what truths would be weighed at."""

    scenario: Scenario
    bank: Bank
    rows: list[Row]

    def case(self, bench: Bench, seed: int = 0, particles: int = 256) -> Case:
        """To be decided."""
        return case_of(self.bank, self.told, bench, block_kg(self.scenario), seed, particles)

    def __post_init__(self) -> None:
        jobs, soaks = self.bank.jobs(self.rows)
        rng = np.random.default_rng(1)
        came = {
            name: outcome(tau(job) * math.exp(SOLIDS * rng.standard_normal()))
            for name, job in jobs.items()
        }
        self.told = self.bank.told(soaks, came)

    def grown(self, rows: list[Row]) -> World:
        """With further rows."""
        return World(self.scenario, self.bank, [*self.rows, *rows])

    def bench(self, rival: Rival, u: np.ndarray, rng: np.random.Generator, angles: bool) -> Bench:
        """What would be weighed if an explanation were true, at u (unknowns + 1,)."""
        apart = float(APART.quantile(u[-1:])[0])
        per = PORES_M3 * 1000.0 / block_kg(self.scenario)
        told = self.bank.tables.at(u[None, :-1])
        logs, read = [], []
        for liquid in self.bank.setting.liquids:
            full_s = float(self.full_s(rival, liquid, u[None, :])[0])
            rows = []
            for _ in range(3):
                own = full_s * math.exp(SOLIDS * rng.standard_normal())
                mass = per * np.minimum(np.sqrt(WHEN / own), 1.0)
                mass = mass * math.exp(apart * rng.standard_normal()) * DRY_KG
                shown = mass + sd_kg() * rng.standard_normal(len(WHEN))
                rows.append(shown / DRY_KG)
            logs.append((liquid, Log(WHEN, np.array(rows), np.full(len(WHEN), sd_kg() / DRY_KG))))
            wets = self.bank.setting.makeup(rival, liquid).owner("wetting")
            true = float(told[wets, "wetting", "angle"][0])
            read.append(Angle(liquid, true + 2 * rng.standard_normal(), 2.0))
        return Bench(logs, read if angles else [], [])

    def broken(self, rival: Rival, u: np.ndarray, rng: np.random.Generator) -> Bench:
        """Pieces of each liquid that would be broken, and a log that tells next to nothing."""
        forces, logs = [], []
        for liquid in self.bank.setting.liquids:
            full_s = float(self.full_s(rival, liquid, u[None, :])[0])
            own = full_s * np.exp(SOLIDS * rng.standard_normal(len(BROKEN)))
            left = 1 - COSTS * np.minimum(np.sqrt(BROKEN / own), 1.0)
            strength = np.exp(STRENGTH * rng.standard_normal(len(BROKEN)))
            read = 0.2 * left * strength + 0.002 * rng.standard_normal(len(BROKEN))
            forces.append((liquid, forces_of(SnapForces(BROKEN, read))))
            logs.append((liquid, Log(WHEN, np.full((1, len(WHEN)), 0.3), np.full(len(WHEN), 10.0))))
        return Bench(logs, [], [], forces)

    def full_s(self, rival: Rival, liquid: str, u: np.ndarray) -> np.ndarray:
        """(n,) when a liquid has filled a solid, by the closed form, s."""
        told = self.bank.tables.at(u[:, :-1])
        one = self.bank.setting.makeup(rival, liquid)
        angle = told[one.owner("wetting"), "wetting", "angle"]
        tension = np.exp(told[one.owner("wetting"), "wetting", "ln_tension"])
        viscosity = np.exp(told[one.owner("thickening"), "thickening", "viscosity"])
        pull = tension * np.cos(np.radians(angle))
        return FULL_S * (viscosity / 2e-3) * (0.05 * math.cos(math.radians(45)) / pull)


def sd_kg() -> float:
    """Of a reading: half a step, and its rounding."""
    return math.hypot(0.5, 1 / math.sqrt(12)) * STEP_G * 1e-3


def world(rows: int = 128, text: str = SCENARIO, forces: bool = False) -> World:
    """Explanations are all subsets of what the liquids differ by. forces : pieces are broken."""
    scenario = parse_scenario(text)
    liquids = tuple(spec.name for spec in scenario.liquids)
    rivals = rivals_of(scenario, Judge(), liquids, liquids[0])
    unknowns = unknowns_of(scenario)
    setting = Setting(scenario, unknowns, rivals, liquids[0], liquids, float(WHEN[-1]), forces)
    bank = Bank(setting)
    return World(scenario, bank, bank.rows(rows))


def unknowns_of(scenario: Scenario) -> Unknowns:
    """Of [priors] and of values with an sd."""
    return Unknowns(scenario, laws_of(scenario))
