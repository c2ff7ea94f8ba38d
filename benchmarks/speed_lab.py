"""Runs measurements one at a time, each in a process of its own, and says what came of them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Request = dict[str, Any]

LEVELS = np.array([0.2, 0.4, 0.6, 0.8])  # saturations whose times are compared
REPEAT_BELOW_S = 20.0  # longer measurements are made once
GRACE_S = 120.0  # beyond the budget, for starting and building the solid
BROKEN = ("out of memory", "not solved")  # how the rivals' march can end early
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, eq=False)
class Measured:
    """One measurement.

    trace : name -> (k,) after every step, see speed_one.Trace; empty where no soak is traced.
    found : what the process found when it came to its end.
    ending : how it ended. ``broken_off`` : before 80 % saturation, by the budget or for memory.
    filled_at : (m,) s, or None when it was broken off.
    """

    request: Request
    trace: dict[str, Floats]
    found: dict[str, Any]
    ending: str
    broken_off: bool
    filled_at: Floats | None = field(repr=False)

    def last(self, name: str) -> float:
        """Value of the trace after the last step; NaN without one."""
        return float(self.trace[name][-1]) if name in self.trace else float("nan")

    @property
    def wall(self) -> float:
        """Seconds that the soak took, as far as it came."""
        return self.last("wall_s")

    @property
    def steps(self) -> float:
        """Steps that the soak took; NaN without a trace."""
        return float(self.found.get("steps", self.last("steps")))

    @property
    def busy(self) -> float:
        """Processor time over wall time: well below 1 when others used the machine."""
        return self.last("cpu_s") / self.wall

    def time_at(self) -> Floats:
        """(4,) times at LEVELS, s; NaN where not reached. Between steps, in the root of time."""
        s, t = self.trace["saturation"], self.trace["time_s"]
        s, t = np.append(0.0, s), np.append(0.0, t)
        at = np.interp(LEVELS, s, np.sqrt(t)) ** 2
        return np.where(s[-1] * (1 + 1e-9) >= LEVELS, at, np.nan)

    def wall_to(self, saturation: float) -> float:
        """Seconds until this saturation was reached."""
        s = np.append(0.0, self.trace["saturation"])
        return float(np.interp(saturation, s, np.append(0.0, self.trace["wall_s"])))

    def summary(self) -> dict[str, Any]:
        """For the JSON file."""
        out = {"request": self.request, "ending": self.ending, "broken_off": self.broken_off}
        if self.trace:
            out |= {name: self.last(name) for name in self.trace}
            out["time_at_s"] = [None if np.isnan(t) else float(t) for t in self.time_at()]
        return out | self.found


class Lab:
    """Measures what is asked for, and remembers it."""

    def __init__(self, folder: Path, budget_s: float, repeats: int) -> None:
        self.folder, self.budget_s, self.repeats = folder, budget_s, repeats
        self.done: dict[str, list[Measured]] = {}

    def measure(self, *requests: Request) -> list[Measured]:
        """The runs of median wall time. Short ones are repeated, by turns."""
        for turn in range(self.repeats):
            for request in requests:
                runs = self.done.setdefault(_key(request), [])
                if len(runs) == turn and (not runs or runs[0].wall < REPEAT_BELOW_S):
                    runs.append(self._run(request))
        return [self._median(request) for request in requests]

    def once(self, request: Request) -> Measured:
        """One run, whose time is of no account."""
        runs = self.done.setdefault(_key(request), [])
        if not runs:
            runs.append(self._run(request))
        return runs[0]

    def _median(self, request: Request) -> Measured:
        runs = sorted(self.done[_key(request)], key=lambda one: one.wall)
        return runs[(len(runs) - 1) // 2]

    def all_runs(self) -> list[dict[str, Any]]:
        """Every measurement, for the JSON file."""
        return [one.summary() for runs in self.done.values() for one in runs]

    def _run(self, request: Request) -> Measured:
        number = sum(map(len, self.done.values()))
        asked, result = (self.folder / f"{number}.{kind}.json" for kind in ("asked", "result"))
        trace_file, filled = result.with_suffix(".trace"), self.folder / f"{number}.filled.npy"
        asked.write_text(json.dumps(request | {"filled": str(filled)}))
        print("measuring", _key(request), file=sys.stderr, flush=True)
        script = Path(__file__).with_name("speed_one.py")
        began = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, str(script), str(asked), str(result)],
            env=os.environ | dict.fromkeys(ONE_THREAD, "1"),
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            _, errors = process.communicate(timeout=self.budget_s + GRACE_S)
            stopped = ""
        except subprocess.TimeoutExpired:
            process.kill()
            _, errors = process.communicate()
            stopped = f"stopped after {time.perf_counter() - began:.0f} s"
        except BaseException:
            process.kill()
            process.wait()
            raise
        found: dict[str, Any] = json.loads(result.read_text()) if result.exists() else {}
        if not found and not stopped:
            last = (errors.strip().splitlines() or ["no message"])[-1]
            stopped = f"ended with code {process.returncode}: {last}"
        ending = stopped or found.get("ending", "")
        trace = _read(trace_file)
        broken_off = bool(stopped) or ending.startswith(BROKEN)
        times = np.load(filled) if filled.exists() and not broken_off else None
        return Measured(request, trace, found, ending, broken_off, times)


def _key(request: Request) -> str:
    return " ".join(f"{k}={v}" for k, v in request.items() if v is not None)


def _read(path: Path) -> dict[str, Floats]:
    """Columns of the trace; a last line that is not whole is left out."""
    rows = []
    for line in path.read_text().splitlines() if path.exists() else []:
        try:
            rows.append(json.loads(line))
        except json.JSONDecodeError:
            break
    return {name: np.array([row[name] for row in rows], float) for name in rows[0]} if rows else {}


def curve_error(one: Measured, right: Measured) -> float:
    """Largest relative difference of the times at LEVELS that both reached; NaN without any."""
    if not (one.trace and right.trace):
        return float("nan")
    gap = np.abs(one.time_at() / right.time_at() - 1)
    return float(np.nanmax(gap)) if np.isfinite(gap).any() else float("nan")


def tube_error(one: Measured, right: Measured, share: float = 0.99) -> float:
    """Quantile of the error of the tubes' filling times, over the time plus a tenth of the soak."""
    if one.filled_at is None or right.filled_at is None:
        return float("nan")
    a, b = one.filled_at, right.filled_at
    both = ~(np.isnan(a) | np.isnan(b))
    error = np.abs(a[both] - b[both]) / (b[both] + 0.1 * np.nanmax(b))
    return float(np.quantile(error, share))


def ratio(other: Measured, ours: Measured) -> float:
    """Wall time of another over ours, to the saturation that the other reached."""
    if not (other.trace and ours.trace):
        return float("nan")
    reached = min(other.last("saturation"), ours.last("saturation"))
    end = not other.broken_off and not ours.broken_off
    return other.wall / ours.wall if end else other.wall_to(reached) / ours.wall_to(reached)
