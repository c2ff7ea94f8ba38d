"""Made-up verdicts, for tests of what is said and drawn of them; nothing here is measured."""

from __future__ import annotations

import dataclasses

import numpy as np

from poresim.inference.temper import Posterior
from poresim.why.judge import Judged
from poresim.why.weighing.curves import Curve
from poresim.why.weighing.rivals import NOTHING, Rival
from poresim.why.weighing.verdict import Fit, Known, Leaning, Verdict

LIQUIDS = ("clear broth", "gum broth", "spiced broth", "gum and spiced broth")
SURE = {"thickening+plugging": 0.92, "wetting+thickening+plugging": 0.075, "thickening": 0.004,
        "plugging": 0.001, NOTHING: 0.0}  # fmt: skip
EQUAL = {
    name: 0.125
    for name in ("wetting", "thickening", "plugging", "wetting+thickening", "wetting+plugging",
                 "thickening+plugging", "wetting+thickening+plugging", NOTHING)
}  # fmt: skip
UNKNOWNS = (
    Known("solid.tubes.median_radius_um", (46.6, 59.2, 71.8), (58.3, 59.6, 60.6), 0.09),
    Known("liquids.gum broth.viscosity.zero_mPa_s", (305.0, 500.0, 819.0), (387.0, 459.0, 532.0),
          0.32),
    Known("liquids.gum broth.contact_angle_deg", (35.6, 52.0, 68.2), (36.1, 52.3, 68.9), 0.95),
    Known("how far pieces differ", (0.0037, 0.0245, 0.162), (0.0036, 0.0123, 0.0706), 0.73),
)  # fmt: skip


def rival(name: str) -> Rival:
    return Rival(frozenset() if name == NOTHING else frozenset(name.split("+")))


def curve(liquid: str, slow: float = 1.0, off: float = 0.0, repeats: int = 3) -> Curve:
    """Uptake that goes as the root of time up to 0.45; ``off`` moves what was weighed."""
    when = np.linspace(0, np.sqrt(60), 40) ** 2
    middle = np.minimum(0.12 * np.sqrt(when) / slow, 0.45)
    read = np.array([2.0, 4, 8, 15, 30, 60])
    rng = np.random.default_rng(len(liquid))
    weighed = np.interp(read, when, middle) * (1 + off + 0.02 * rng.normal(size=(repeats, 6)))
    return Curve(
        liquid, when, 0.94 * middle, middle, 1.06 * middle, read, weighed, np.full(6, 0.006)
    )


def verdict(probabilities=SURE, liquids=LIQUIDS, misfit=(), **changed) -> Verdict:
    p = np.array(list(probabilities.values()))
    none = np.zeros(0)
    empty = Posterior(np.zeros((0, 1)), none, none, 0.0, 0.0, none, 0.0, none,
                      np.zeros(0, np.int64), none, 0)  # fmt: skip
    fits = [Fit(f"log of {name}", 1e-5 if name in misfit else 0.4) for name in liquids]
    curves = [curve(name, 1 + k, 0.3 if name in misfit else 0.0) for k, name in enumerate(liquids)]
    found = Verdict(
        [rival(name) for name in probabilities], p, np.where(p > 0.02, 0.01, 0.0),
        [empty] * len(p), 1.0, np.zeros((0, 1)), np.zeros(0, np.int64), 500.0, list(UNKNOWNS),
        fits, 1e-5 if misfit else 0.9,
        [Leaning("liquids.gum broth.contact_angle_deg", float(p[0]) - 0.01, float(p[0]) + 0.01)],
        [], curves,
    )  # fmt: skip
    return dataclasses.replace(found, **changed)


def judged(of: Verdict | None = None, **changed) -> Judged:
    of = verdict() if of is None else of
    liquids = tuple(dict.fromkeys(one.liquid for one in of.curves))
    found = Judged(
        "Which property keeps the rusk firm?", 3, liquids[0], liquids, of, 256, 1280, 0.015, 0.02,
        False, [], 0.1, False, (),
    )  # fmt: skip
    return dataclasses.replace(found, **changed)
