"""Soaks with trapped air against the event-by-event oracle, at accuracies 1e-2 and 1e-3.

The oracle's results are stored in tests/data/gas.npz; test_oracle_stored.py recomputes them.
Asked of every soak, to the accuracy: the uptake at every stored time, over that at the end; the
saturation at the end; how much gas has left as bubbles and how much is trapped, over all of it; and
when tubes fill, in the median and each (over its own time and a tenth of the whole).
"""

from __future__ import annotations

import numpy as np
import pytest
from oracle_data import DATA, GAS, SETS
from oracle_graphs import soak_arguments
from test_soak_oracle import tube_error

import poresim as ps

CASES = SETS["gas"]()
STORED = np.load(DATA / "gas.npz")
#: Less than 2 s at both accuracies.
QUICK = ("gas_closed", "gas_between", "gas_block", "gas_random", "gas_hysteresis")

#: What the march does not hold, and why.
SPIKE = (
    "a pressure that dips for 1e-7 s, as menisci set out, lets a pocket's gas go: no step sees it"
)
NEARLY = (
    "a tube fills against gas that is nearly as strong as its pull: 5 % of that is left, so its "
    "time is off by 20 times what pressures are (8.8e-4 at 3e-4, 3.5e-4 at 1e-4)"
)
#: (case, accuracy): (what may be as far off as what, why). Found: see beside each.
WEAK: dict[tuple[str, float], tuple[dict[str, float], str]] = {
    ("gas_random", 1e-3): ({"tubes": 4e-3}, NEARLY),  # 2.8e-3
    ("gas_hysteresis", 1e-3): ({"curve": 2.5e-3}, SPIKE),  # 1.7e-3
}


def measured(name: str, accuracy: float) -> dict[str, float]:
    """How far off a soak is: see above."""
    case = CASES[name]
    known = {key: STORED[f"{name}/{key}"] for key in GAS}
    solid, liquid, inlet, more = soak_arguments(case)
    soak = ps.soak(solid, liquid, inlet, until_s=case.until, accuracy=accuracy, **more)
    assert not soak.ending.failed and soak.volume_balance <= 1e-2 * accuracy
    # a row's time is that of a step's end: between two, uptake is straight in sqrt(t), as at first
    at = np.interp(np.sqrt(known["time"]), np.sqrt(soak.time_s), soak.uptake_m3)
    gas = known["gas_pv"][-1] + known["lost_pv"][-1]
    filled = np.isfinite(known["filled_at"])
    assert np.array_equal(filled, np.isfinite(soak.filled_at_s))
    early = soak.filled_at_s[filled] / known["filled_at"][filled] - 1
    return {
        "curve": np.abs(at - known["uptake"]).max() / known["uptake"][-1],
        "saturation": abs(soak.saturation[-1] - known["uptake"][-1] / solid.tube_volume.sum()),
        "bubbled": abs(soak.bubbled_pv_j[-1] - known["lost_pv"][-1]) / gas,
        "trapped": abs(soak.trapped_pv_j[-1] - known["gas_pv"][-1]) / gas,
        "median": float(np.median(np.abs(early))) if filled.any() else 0.0,
        "tubes": tube_error(
            soak.filled_at_s, known["filled_at"], np.nanmax(known["filled_at"], initial=0.0)
        ),
    }


@pytest.mark.parametrize(
    ("name", "accuracy"),
    [
        pytest.param(name, accuracy, marks=[pytest.mark.slow] * (name not in QUICK))
        for name in CASES
        for accuracy in (1e-2, 1e-3)
    ],
)
def test_trapped_air_follows_the_oracle(name: str, accuracy: float) -> None:
    off = measured(name, accuracy)
    words = ", ".join(f"{key} {value:.1e}" for key, value in off.items())
    words = f"{name}, accuracy {accuracy:g}: {words}"
    print(words)
    more, why = WEAK.get((name, accuracy), ({}, ""))
    for key, value in off.items():
        assert value <= more.get(key, accuracy), words  # not reached, and must not get much worse
    if max(off.values()) > accuracy:
        pytest.xfail(f"not reached: {words}. {why}")
