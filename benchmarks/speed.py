"""Speed of the march against what a competent user would write, with error and peak memory.

    python benchmarks/speed.py                                 # everything: hours
    python benchmarks/speed.py --sides 16 24 --parts rivals    # two minutes

PERFORMANCE.md says what is measured and how to read it. Besides the printed tables, every
measurement goes to ``speed.json`` (``--out``), with the machine, after every part.
"""

from __future__ import annotations

import argparse
import json
import platform
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from speed_lab import Lab
from speed_parts import DEFAULT_PARTS, PARTS
from speed_requests import Asked

from poresim.machine import cores

HERE = Path(__file__).resolve().parent
BUSY = 0.9  # processor over wall time below which a measurement had to share the machine


def machine() -> dict[str, Any]:
    """What the figures were measured on and with."""
    return {
        "cpu": _first("/proc/cpuinfo", "model name") or platform.processor(),
        "cores": cores(),
        "memory": _first("/proc/meminfo", "MemTotal"),
        "system": platform.platform(),
        "python": platform.python_version(),
        **{name: _version(name) for name in ("numpy", "scipy", "numba", "pyamg", "poresim")},
        "date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "commit": _commit(),
    }


def _first(path: str, key: str) -> str:
    try:
        lines = Path(path).read_text().splitlines()
    except OSError:
        return ""
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith(key)), "")


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _commit() -> str:
    try:
        told = subprocess.run(
            ["git", "describe", "--always", "--dirty", "--abbrev=12"],
            cwd=HERE, capture_output=True, text=True, check=True,
        )  # fmt: skip
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return told.stdout.strip()


def _from(least: int) -> Callable[[str], int]:
    """A whole number from ``least`` up, for argparse."""

    def number(text: str) -> int:
        if (value := int(text)) < least:
            raise argparse.ArgumentTypeError(f"got {value}; it must be {least} or more")
        return value

    return number


def options() -> argparse.Namespace:
    """What was asked for on the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add = parser.add_argument
    add(
        "--sides",
        type=_from(3),
        nargs="+",
        default=[24, 46, 64, 100],
        help="junctions along an edge",
    )
    add("--parts", nargs="+", choices=PARTS, default=DEFAULT_PARTS)
    add("--event-sides", type=_from(3), nargs="+", default=[6, 8, 10, 12], help="event by event")
    add("--repeats", type=_from(1), default=3, help="of measurements below 20 s; the median counts")
    add("--seeds", type=_from(1), default=5, help="networks of the parts seeds and tuning")
    add("--ensemble", type=_from(1), default=300, help="soaks of the part ensemble")
    add("--budget", type=_from(1), default=1800, help="s, after which a measurement is broken off")
    add("--out", type=Path, default=HERE / "speed.json")
    return parser.parse_args()


def main() -> None:
    """Measure, print, keep."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    asked = options()
    about = machine()
    print("\n".join(f"{name}: {value}" for name, value in about.items()))
    print("every march on one core, numpy and scipy on one thread, unless it says otherwise")
    parts = Asked(asked.sides, asked.event_sides, asked.seeds, asked.ensemble)
    with tempfile.TemporaryDirectory() as folder:
        lab = Lab(Path(folder), asked.budget, asked.repeats)
        for name in asked.parts:
            print(f"\n== {name}: {PARTS[name].__doc__}", flush=True)
            PARTS[name](lab, parts)
            runs = lab.all_runs()
            asked.out.write_text(
                json.dumps(
                    {"machine": about, "options": vars(asked), "runs": runs}, default=str, indent=1
                )
            )
        crowded = [one for runs in lab.done.values() for one in runs if one.busy < BUSY]
    if crowded:
        print(
            f"\nWARNING: {len(crowded)} measurements had less than {BUSY:.0%} of a core: others "
            "use this machine, and the times above are theirs, too"
        )


if __name__ == "__main__":
    main()
