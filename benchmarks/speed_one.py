"""One measurement of the speed benchmark, in a process of its own, so that its peak memory is its.

    python benchmarks/speed_one.py REQUEST RESULT

Both are JSON files; see :func:`measure`. Every step adds a line to the trace beside RESULT, so
that a measurement that has to be broken off still tells how far it came.
"""

from __future__ import annotations

import gc
import inspect
import json
import resource
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import scipy.sparse as sp
from plain_march import Pace, PlainMarch
from plain_solves import Aggregation, Direct, Jacobi, NotSolved, Solver
from speed_cases import Given, given, with_grains

import poresim as ps
from poresim.ensemble.warming import warm

UNTIL = 0.8  # saturation
WARM_SIDE = 16  # large enough for the march of large networks
MEMORY_SHARE = 0.9  # of the machine's memory, that one measurement may take
PRODUCTS_S = 0.5
WRITE_EVERY_S = 0.5


class Trace:
    """How far a soak is after every step; wall and processor time since it began.

    Lines are written at most twice a second, so that short steps are not measured with them.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("w")
        self._rows: list[dict[str, float]] = []
        self._steps = 0
        self._base = _reset_peak()
        self._wall, self._cpu = time.perf_counter(), time.process_time()
        self._written = self._wall

    def add(self, now: float, saturation: float, solves: int = 0, iterations: int = 0) -> None:
        """A step has ended."""
        self._steps += 1
        wall = time.perf_counter()
        self._rows.append(
            {
                "wall_s": wall - self._wall,
                "cpu_s": time.process_time() - self._cpu,
                "time_s": now,
                "saturation": saturation,
                "steps": self._steps,
                "solves": solves,
                "iterations": iterations,
            }
        )
        if wall - self._written > WRITE_EVERY_S:
            self.write()

    def write(self) -> None:
        """Write what has been added, with the largest memory so far."""
        peak = _peak()
        memory = {"peak_bytes": peak, "extra_bytes": peak - self._base}
        self._file.writelines(json.dumps(row | memory) + "\n" for row in self._rows)
        self._file.flush()
        self._rows.clear()
        self._written = time.perf_counter()


def measure(asked: dict[str, Any], trace: Path) -> dict[str, Any]:
    """What is asked for: ``task`` is "ours", "plain", "product" or "inside".

    Common keys: ``case``, ``side``, ``seed``; ``filled``: where the tubes' filling times go.
    ours, inside: ``accuracy``, ``cores`` (None: not told), and where asked ``grains`` and the
    ``end``, as :func:`poresim.soak` is told it. plain: ``solver`` and its
    ``tolerance``, ``pace``. Or ``task`` "ensemble", with the number of ``soaks``.
    """
    if asked["task"] in ("ours", "inside"):
        early = {"end": {"until_saturation": 0.1}, "accuracy": 1e-2}
        _soak(given("plain", WARM_SIDE, 0), asked | early)
    if asked["task"] == "ensemble":
        from speed_ensemble import soak_many

        return soak_many(asked["soaks"])
    net = given(asked["case"], asked["side"], asked["seed"])
    gc.collect()
    size: dict[str, Any] = {"junctions": net.solid.junctions, "tubes": net.solid.tubes}
    size["volume_m3"] = float(net.solid.tube_volume.sum())
    if asked["task"] == "product":
        return size | {"product_s": _product_seconds(net.solid)}
    if asked["task"] == "inside":
        from speed_inside import timed

        return size | timed(lambda: _soak(net, asked))
    if asked["task"] == "ours":
        return size | _ours(net, asked, trace)
    return size | _plain(net, asked, trace)


def _ours(net: Given, asked: dict[str, Any], path: Path) -> dict[str, Any]:
    trace = Trace(path)
    soak = _soak(
        net,
        asked,
        progress=lambda _, now, saturation: trace.add(now, saturation),
    )
    trace.write()
    np.save(asked["filled"], soak.filled_at_s)
    return {
        "steps": soak.steps,
        "solves": soak.solves,
        "ending": soak.ending.value,
        "volume_balance": soak.volume_balance,
        "closed": int(np.count_nonzero(np.isfinite(soak.blocked_at_s))),
    }


def _soak(net: Given, asked: dict[str, Any], **more: Any) -> ps.Soak:
    cores = asked.get("cores")
    known = {"cores": cores} if cores is not None and takes_cores() else {}
    end = asked.get("end", {"until_saturation": UNTIL})
    liquid = with_grains(asked.get("grains"))
    accuracy = asked["accuracy"]
    return ps.soak(net.solid, liquid, net.inlet, accuracy=accuracy, **known, **end, **more)


def takes_cores() -> bool:
    """Whether the march can be told how many cores to use."""
    return "cores" in inspect.signature(ps.soak).parameters


def _plain(net: Given, asked: dict[str, Any], path: Path) -> dict[str, Any]:
    solver = _solver(asked)
    trace = Trace(path)
    march = PlainMarch(
        net.solid.ends,
        net.solid.radius,
        net.solid.length,
        net.inlet,
        net.tension_cos,
        net.viscosity,
        solver,
        Pace(*asked["pace"]),
    )
    ending = f"reached {UNTIL:.0%}"
    try:
        while march.saturation < UNTIL:
            if not march.step():
                ending = "nothing moves any more"
                break
            trace.add(march.time, march.saturation, march.solves, solver.iterations)
    except MemoryError:
        ending = "out of memory"
    except NotSolved as error:
        ending = str(error)
    trace.write()
    np.save(asked["filled"], march.filled_at)
    exact = None if net.exact is None else net.exact.tolist()
    return {"ending": ending, "seconds": march.seconds, "exact_s": exact}


def _solver(asked: dict[str, Any]) -> Solver:
    kind = asked["solver"]
    if kind == "direct":
        return Direct()
    tolerance = float(asked["tolerance"])
    return Jacobi(tolerance) if kind == "cg" else Aggregation(tolerance, asked.get("smooth"))


def _product_seconds(solid: ps.Network) -> float:
    """Time of one product with the Laplacian of all junctions and tubes, scipy's CSR; median."""
    a, b = solid.ends.T
    g = solid.radius**4 / solid.length
    n = solid.junctions
    graph = sp.csr_matrix(
        (np.concatenate([g, g]), (np.concatenate([a, b]), np.concatenate([b, a]))), shape=(n, n)
    )
    own = np.asarray(graph.sum(axis=1)).ravel()
    matrix = sp.csr_matrix(sp.diags_array(own) - graph)
    x = np.random.default_rng(0).random(n)
    spans: list[float] = []
    end = time.perf_counter() + PRODUCTS_S
    while len(spans) < 10 or time.perf_counter() < end:
        began = time.perf_counter()
        matrix @ x
        spans.append(time.perf_counter() - began)
    return float(np.median(spans))


def _reset_peak() -> int:
    """Memory in use now, bytes, from where peaks are measured on (where the system allows it)."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
        return _status("VmRSS")
    except OSError:
        return _peak()


def _peak() -> int:
    """Largest memory in use so far, bytes."""
    try:
        return _status("VmHWM")
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _status(key: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(key + ":"):
            return int(line.split()[1]) * 1024
    raise OSError(f"no {key}")


def _limit_memory() -> None:
    """A measurement that asks for more is told so, instead of taking the machine down."""
    import os

    total = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    resource.setrlimit(resource.RLIMIT_AS, (int(MEMORY_SHARE * total), resource.RLIM_INFINITY))


def main() -> None:
    """Read the request, measure, write the result."""
    request, result = map(Path, sys.argv[1:])
    _limit_memory()
    asked = json.loads(request.read_text())
    if asked["task"] in ("ours", "inside"):
        warm(print)
    found = measure(asked, result.with_suffix(".trace"))
    result.write_text(json.dumps(found))


if __name__ == "__main__":
    main()
