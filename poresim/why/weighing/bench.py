"""What was measured, made ready to be weighed: logs at common times over dry mass, angles."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from poresim.bench.error import BenchError
from poresim.bench.weighing import Weighing, gain_of
from poresim.record.layout import RecordError
from poresim.scenario.measured import ReadAngle
from poresim.tables.courses import FilmedDrop, SnapForces
from poresim.tables.weights import WeightLog
from poresim.why.weighing.forces import Forces, forces_of

if TYPE_CHECKING:
    from poresim.scenario.reading import Scenario

Floats = NDArray[np.float64]

#: Most times at which a log is compared; longer logs are read at so many, even in the root of time.
MOST_TIMES = 12
#: A balance repeats a reading to about half its step (common practice), and rounds to the step.
_REPEATS_TO = 0.5
_ANGLE_SD = 2.0  # degrees, of an angle in a file without sd_deg (common practice)
_SAME_S = 1e-9


@dataclass(frozen=True, eq=False)
class Log:
    """Weighed uptake of one liquid: when (m,) s; uptake (repeats, m) kg/kg dry; sd (m,) of the
    balance, kg/kg."""

    when: Floats
    uptake: Floats
    sd: Floats

    @property
    def turned(self) -> tuple[Floats, Floats]:
        """The mean (m,), and the contrasts between repeats (repeats - 1, m), each of one sd."""
        mean = self.uptake.mean(axis=0)
        contrasts = _helmert(len(self.uptake)) @ self.uptake
        return mean, contrasts


@dataclass(frozen=True)
class Angle:
    """A contact angle that was read of a liquid, degrees."""

    liquid: str
    angle_deg: float
    sd_deg: float


@dataclass(frozen=True)
class Bench:
    """All that is weighed. logs : by liquid, several where repeats were read at other times.

    unused : what was measured and is not weighed, in words. forces : by liquid, of pieces broken.
    """

    logs: list[tuple[str, Log]]
    angles: list[Angle]
    unused: list[str]
    forces: list[tuple[str, Forces]] = field(default_factory=list)

    @property
    def liquids(self) -> list[str]:
        """Those of which there are logs or forces."""
        names = [name for name, _ in self.logs] + [name for name, _ in self.forces]
        return list(dict.fromkeys(names))

    @property
    def horizon_s(self) -> float:
        """Time of the last reading."""
        ends = [log.when[-1] for _, log in self.logs]
        return float(max(ends + [forces.when[-1] for _, forces in self.forces]))


def bench_of(scenario: Scenario, balance_g: float) -> Bench:
    """What a scenario's [[measured]] says. balance_g : the balance's step. RecordError: no logs."""
    dry = scenario.dry_mass_g
    logs: list[tuple[str, Log]] = []
    angles: list[Angle] = []
    unused: list[str] = []
    forces: list[tuple[str, Forces]] = []
    for one in scenario.measured:
        if isinstance(one.of, tuple):
            assert dry is not None
            some = logs_of(one.of, dry * 1e-3, balance_g * 1e-3)
            logs += [(one.liquid, log) for log in some]
        elif isinstance(one.of, ReadAngle):
            angles.append(Angle(one.liquid, one.of.angle_deg, one.of.sd_deg))
        elif isinstance(one.of, FilmedDrop):
            sd_deg = _ANGLE_SD if one.of.sd_deg is None else float(one.of.sd_deg[0])
            angles.append(Angle(one.liquid, float(one.of.angle_deg[0]), sd_deg))
            if len(one.of.angle_deg) > 1:
                unused.append(f"later angles of the drop of {one.liquid}")
        elif isinstance(one.of, SnapForces):
            forces.append((one.liquid, _forces(scenario, one.liquid, one.of)))
    if not logs:
        raise RecordError(
            f"{scenario.path}: no weight log in [[measured]]; judge needs one at least, such as "
            '[[measured]] liquid = "clear broth", uptake = "log.csv"'
        )
    return Bench(logs, angles, unused, forces)


def logs_of(repeats: tuple[WeightLog, ...], dry_kg: float, step_kg: float) -> list[Log]:
    """Weight logs of one liquid, at times that repeats share.

    dry_kg : of the piece. step_kg : of the balance. Repeats that share no span of time are logs of
    their own.
    """
    taken = [_uptake(one, dry_kg, step_kg) for one in repeats]
    sd = balance_sd(step_kg) / dry_kg
    if len({len(time) for time, _ in taken}) == 1 and len(taken[0][0]) <= MOST_TIMES:
        times = np.array([time for time, _ in taken])
        if np.ptp(times, axis=0).max() <= _SAME_S:
            return [
                Log(times[0], np.array([mass for _, mass in taken]), np.full(len(times[0]), sd))
            ]
    first, last = max(time[0] for time, _ in taken), min(time[-1] for time, _ in taken)
    if not first < last:
        return [_alone(*one, sd) for one in taken]
    count = min(MOST_TIMES, min(len(time) for time, _ in taken))
    when = np.linspace(math.sqrt(first), math.sqrt(last), count) ** 2
    uptake = np.array([np.interp(np.sqrt(when), np.sqrt(time), mass) for time, mass in taken])
    return [Log(when, uptake, np.full(count, sd))]


def _forces(scenario: Scenario, liquid: str, read: SnapForces) -> Forces:
    if scenario.softening is None:
        raise RecordError(
            f"{scenario.path}: snap forces of {liquid!r} are measured, and nothing says how walls "
            "soften; give [softening]"
        )
    try:
        return forces_of(read)
    except ValueError as error:
        raise RecordError(f"{scenario.path}: snap forces of {liquid!r}: {error}") from None


def balance_sd(step: float) -> float:
    """Standard deviation of a reading by a balance, in the unit of its step."""
    return math.hypot(_REPEATS_TO, 1 / math.sqrt(12)) * step


def _alone(time: Floats, mass: Floats, sd: float) -> Log:
    rows = np.unique(np.linspace(0, len(time) - 1, MOST_TIMES).astype(int))
    return Log(time[rows], mass[None, rows], np.full(len(rows), sd))


def _uptake(log: WeightLog, dry_kg: float, step_kg: float) -> tuple[Floats, Floats]:
    """Times above 0 (s) and uptake over dry mass then. RecordError: nothing is taken up."""
    try:
        gain = gain_of(log.time_s, log.mass_kg, Weighing(step_kg=step_kg))
    except BenchError as error:
        raise RecordError(f"{log.label}: {error.plain}") from None
    return gain.time_s, gain.gain_kg / dry_kg


def _helmert(count: int) -> Floats:
    """(count - 1, count) orthonormal contrasts (Helmert; textbook)."""
    rows = np.zeros((count - 1, count))
    for k in range(1, count):
        rows[k - 1, :k] = 1.0
        rows[k - 1, k] = -k
        rows[k - 1] /= math.sqrt(k * (k + 1))
    return rows
