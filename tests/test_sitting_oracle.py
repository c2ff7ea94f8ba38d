"""Drops that are all the liquid there is: the soak against the event-by-event oracle.

The oracle's results are stored in tests/data/drops.npz; test_oracle_stored.py recomputes them.
Asked of every soak, to the accuracy: at every stored time what is left of the drop, over the drop,
and what is in every tube, in sum, over all the liquid; and when tubes fill, in the median.
"""

from __future__ import annotations

import numpy as np
import pytest
from oracle_data import DATA, SETS
from oracle_graphs import soak_arguments
from test_lifts import wet_volume

import poresim as ps

CASES = SETS["drops"]()
STORED = np.load(DATA / "drops.npz")


def course(name: str, accuracy: float):
    case = CASES[name]
    solid, liquid, inlet, more = soak_arguments(case)
    return solid, ps.soak(
        solid, liquid, inlet, until_s=case.until, accuracy=accuracy, snapshots=case.at[:-1], **more
    )


#: Looked at 1e-3 each time; the others at 1e-2.
FINE = ("sit_one", "sit_full", "sit_slides")


@pytest.mark.parametrize(
    ("name", "accuracy"),
    [
        pytest.param(name, a, marks=[pytest.mark.slow] * (a < 1e-2 and name not in FINE))
        for name in CASES
        for a in (1e-2, 1e-3)
    ],
)
def test_drops_follow_the_oracle(name: str, accuracy: float) -> None:
    follow(name, accuracy)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_drops_follow_the_oracle_closely(name: str) -> None:
    follow(name, 1e-4)


#: What tubes hold may be off by so much more than the accuracy. In the first, gravity all but holds
#: the last tubes: they are as far off under a reservoir without end. In the second, a tube of the
#: drained solid opens as soon as it has filled: the drop has gone by then.
FARTHER = {"sit_rests": 5.0, "sit_slides_at_once": 8.0}


def follow(name: str, accuracy: float) -> None:
    case = CASES[name]
    known = {key: STORED[f"{name}/{key}"] for key in ("time", "volume", "left", "filled_at")}
    solid, soak = course(name, accuracy)
    limit = FARTHER.get(name, 1.0) * accuracy
    for k, (when, fill) in enumerate(zip(soak.snapshot_time_s, soak.snapshot_fill, strict=True)):
        assert when == pytest.approx(known["time"][k], rel=1e-12)
        volume = known["volume"][k]
        off = np.abs(wet_volume(solid, fill.astype(float)) - volume).sum() / volume.sum()
        assert off < limit, (when, off)
    left = np.interp(known["time"], soak.time_s, soak.drop_m3)
    assert np.abs(left - known["left"]).max() < limit * case.drop
    given = soak.dispensed_m3 if case.drops else case.drop
    np.testing.assert_allclose(soak.drop_m3 + soak.uptake_m3, given, rtol=1e-9)
    filled = np.isfinite(known["filled_at"])
    assert np.array_equal(filled, np.isfinite(soak.filled_at_s))
    early = soak.filled_at_s[filled] / known["filled_at"][filled] - 1
    assert np.median(np.abs(early)) < accuracy
    assert soak.volume_balance <= 1e-2 * accuracy
