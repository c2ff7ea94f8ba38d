"""Error of a soak against its steps, on small networks where the exact answer is known.

The reference is the event-by-event integrator of the tests; its results are in tests/data. For
each accuracy asked for, the root mean square over ten random graphs of the error of the uptake
curve (time at 20, 40, 60, 80 %) and of the worst tube's filling time, against the steps taken.
Draws ``convergence.png``.

    python benchmarks/convergence.py
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from test_soak_oracle import curve_error, random_soak, tube_error

ACCURACIES = np.array([1e-1, 3e-2, 1e-2, 3e-3, 1e-3, 3e-4, 1e-4])
GRAPHS = 10


def measured(accuracy: float) -> tuple[float, float, float]:
    """(mean steps, error of the curve, error of the worst tube)."""
    steps, errors = [], []
    for seed in range(GRAPHS):
        soak, final, time_at, filled_at = random_soak(seed, accuracy)
        total = np.nanmax(filled_at)
        steps.append(soak.steps)
        errors.append(
            (curve_error(soak, final, time_at), tube_error(soak.filled_at_s, filled_at, total))
        )
    return (np.mean(steps), *np.sqrt(np.mean(np.square(errors), axis=0)))


def main() -> None:
    """Measure, print, draw."""
    steps, curve, tubes = np.array([measured(a) for a in ACCURACIES]).T
    figure, axes = plt.subplots(figsize=(6, 4.5), layout="constrained")
    for error, name, colour, mark in (
        (curve, "uptake curve", "#0072b2", "o"),
        (tubes, "worst tube", "#d55e00", "s"),
    ):
        order = -np.polyfit(np.log(steps), np.log(error), 1)[0]
        axes.loglog(steps, error, mark + "-", color=colour, label=f"{name}: order {order:.1f}")
        print(f"{name}: observed order {order:.2f}")
    axes.loglog(steps, ACCURACIES, "k:", label="accuracy asked for")
    for row in zip(ACCURACIES, steps, curve, tubes, strict=True):
        print("asked {:.0e}: {:.0f} steps, curve {:.1e}, worst tube {:.1e}".format(*row))
    axes.set(xlabel="steps of a soak, mean", ylabel="error, root mean square over ten graphs")
    axes.legend(frameon=False)
    figure.savefig(Path(__file__).with_suffix(".png"), dpi=130)


if __name__ == "__main__":
    main()
