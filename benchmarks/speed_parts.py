"""What the parts of the speed benchmark measure and print. Ratios are of wall times in one run."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from speed_cases import CASES, GRAINS, SPACING
from speed_lab import LEVELS, Lab, Measured, curve_error, ratio
from speed_one import takes_cores
from speed_requests import (
    ACCURACY,
    EVENT_BY_EVENT,
    FINE,
    RIVALS,
    TIGHT,
    Asked,
    ours,
    plain,
)  # fmt: skip
from speed_table import HEADS, row, show
from speed_tuning import tuning

AGREE = 0.01  # what our march and the event-by-event script may differ by
SUSPECT = 0.1  # a difference between our march and its reference that means an error in one
EVENT_CHECK = 12  # side
MOST_HARD = 46  # side of the hard cases and of the cost by part, at most


def rivals(lab: Lab, asked: Asked) -> None:
    """Our march and the same kind of march with the three linear solves."""
    rows, marches, rights = [], {}, {}
    for side in asked.sides:
        wanted = [ours(side), *(plain(rival, side) for rival in RIVALS.values())]
        mine, *others = lab.measure(*wanted)
        right = lab.once(ours(side, FINE))
        rows.append(row(side, "ours", mine, mine, right))
        for name, one in zip(RIVALS, others, strict=True):
            rows.append(row(side, name, one, mine, right))
        marches[side], rights[side] = mine, right
    show(HEADS, rows)
    _products(lab, marches)
    _grows(marches)
    for side in asked.sides:
        _suspect(f"{side}^3", curve_error(marches[side], rights[side]))
    _sorptivity(marches)


def _products(lab: Lab, marches: dict[int, Measured]) -> None:
    for side, mine in marches.items():
        one = lab.once({"task": "product", "case": "plain", "side": side, "seed": 1})
        if "product_s" not in one.found:
            print(f"{side}^3: time of a CSR product not measured: {one.ending}")
            continue
        took = one.found["product_s"]
        print(
            f"{side}^3: one CSR product with the Laplacian {1e3 * took:.3g} ms; our soak takes "
            f"{mine.wall / took:.0f} of them, {mine.wall / took / mine.last('steps'):.0f} a step"
        )


def _grows(marches: dict[int, Measured]) -> None:
    """Growth of our time: the slope of its logarithm over that of the number of tubes."""
    whole = [one for one in marches.values() if one.trace and not one.broken_off]
    if len(whole) < 2:
        print("growth of our time: not measured, it takes two sides")
        return
    tubes, wall = np.log([(one.found["tubes"], one.wall) for one in whole]).T
    slope = np.polyfit(tubes, wall, 1)[0]
    print(f"our time grows as tubes^{slope:.2f} from {min(marches)}^3 to {max(marches)}^3")


def _suspect(where: str, error: float) -> None:
    if error > SUSPECT:
        print(
            f"WARNING, {where}: our march at {ACCURACY:g} and at {FINE:g} differ by "
            f"{100 * error:.0f} %. One of them is wrong, and errors against the latter with it."
        )


def _sorptivity(marches: dict[int, Measured]) -> None:
    """Uptake over face area and root of time; nearly the same for every side."""
    for side, mine in marches.items():
        t = mine.time_at() if mine.trace else np.full(4, np.nan)
        if np.isnan(t[[1, 3]]).any() or "volume_m3" not in mine.found:
            print(f"{side}^3: sorptivity not measured: {mine.ending}")
            continue
        area = (side * SPACING) ** 2  # every inlet junction feeds a column of one spacing
        depth = (LEVELS[3] - LEVELS[1]) * mine.found["volume_m3"] / area
        print(f"{side}^3: sorptivity {1e3 * depth / (t[3] ** 0.5 - t[1] ** 0.5):.3f} mm/s^0.5")


def events(lab: Lab, asked: Asked) -> None:
    """The event-by-event script: what it costs, and whether our march agrees with it."""
    known = lab.once(plain(EVENT_BY_EVENT, 8, "stored"))
    if "exact_s" in known.found:
        off = np.abs(known.time_at() / np.array(known.found["exact_s"]) - 1).max()
        print(f"event by event against the exact answer stored with the tests, 8^3: {off:.2%} off")
    else:
        print(f"event by event against the exact answer: not measured: {known.ending}")
    pairs = {s: lab.measure(ours(s), plain(EVENT_BY_EVENT, s)) for s in asked.event_sides}
    rows = []
    for side, (mine, script) in pairs.items():
        rows.append(row(side, "ours", mine, mine, script))
        rows.append(row(side, "event by event", script, mine, script))
        if side == EVENT_CHECK:
            fine = lab.once(ours(side, FINE))
            rows.append(row(side, f"ours at {FINE:g}", fine, mine, script))
    print("errors here are against the event-by-event script")
    show(HEADS, rows)
    for side, (mine, script) in pairs.items():
        error = curve_error(mine, script)
        verdict = "agree" if error <= AGREE else "DO NOT AGREE"
        print(f"{side}^3: our march and the script {verdict} within {AGREE:.0%}: {error:.2%}")
    _extrapolated(lab, pairs, asked.sides)


def _extrapolated(lab: Lab, pairs: dict[int, list[Measured]], sides: list[int]) -> None:
    whole = [script for _, script in pairs.values() if script.trace and not script.broken_off]
    if len(whole) < 2:
        print("growth of the event-by-event script: not measured, it takes two sides")
        return
    tubes, wall = np.log([(one.found["tubes"], one.wall) for one in whole]).T
    slope, start = np.polyfit(tubes, wall, 1)
    print(f"event by event: time grows as tubes^{slope:.2f}")
    for side in sides:
        if side in pairs:
            continue
        (mine,) = lab.measure(ours(side))
        if not mine.trace or mine.broken_off:
            continue
        far = math.exp(start + slope * math.log(mine.found["tubes"]))
        print(f"{side}^3: EXTRAPOLATED, not measured: {far:.2g} s, {far / mine.wall:.2g} x ours")


def cores(lab: Lab, asked: Asked) -> None:
    """One core against two."""
    if not takes_cores():
        print("not measured: ps.soak cannot be told how many cores to use")
        return
    for side in asked.sides:
        one, two = lab.measure(ours(side), ours(side) | {"cores": 2})
        print(
            f"{side}^3: {one.wall:.3g} s on one core, {two.wall:.3g} s on two "
            f"({one.wall / two.wall:.2f} times as fast; they differ by "
            f"{100 * curve_error(two, one):.3g} %)"
        )


def hard(lab: Lab, asked: Asked) -> None:
    """Other networks of one size, over the plain one; and the cg rival on them."""
    side = chosen_side(asked.sides)
    for case in CASES:
        print(f"{case}: {CASES[case]}")
    rows: list[list[Any]] = []
    base: tuple[Measured, float] | None = None
    for case in CASES:
        others = [RIVALS["cg"], TIGHT]
        wanted = [ours(side, case=case), *(plain(rival, side, case) for rival in others)]
        mine, quick, tight = lab.measure(*wanted)
        right = lab.once(ours(side, FINE, case))
        error = curve_error(mine, right)
        base = base or (mine, error)
        tubes, plain_tubes = (m.found.get("tubes", math.nan) for m in (mine, base[0]))
        over = ratio(mine, base[0])
        rows.append(
            [
                case, tubes, mine.wall, over, over * plain_tubes / tubes, mine.steps,
                mine.steps / base[0].steps, 100 * error, error / base[1],
                ratio(quick, mine), 100 * curve_error(quick, right),
                ratio(tight, mine), 100 * curve_error(tight, right),
                mine.ending,
            ]
        )  # fmt: skip
        _suspect(case, error)
    heads = (
        "case", "tubes", "wall s", "over plain", "a tube", "steps", "over plain", "error %",
        "over plain", "cg over ours", "error %", "tight cg over ours", "error %", "",
    )  # fmt: skip
    show(heads, rows)


def chosen_side(sides: list[int]) -> int:
    """The largest that is not above MOST_HARD; else the smallest."""
    return max([side for side in sides if side <= MOST_HARD], default=min(sides))


def seeds(lab: Lab, asked: Asked) -> None:
    """The error of our march and of the cg rival on networks drawn anew."""
    for side in asked.sides:
        if side > MOST_HARD:
            continue
        found = []
        for seed in range(1, asked.seeds + 1):
            mine = lab.once(ours(side, seed=seed))
            other = lab.once(plain(RIVALS["cg"], side, seed=seed))
            right = lab.once(ours(side, FINE, seed=seed))
            found.append((curve_error(mine, right), curve_error(other, right)))
            _suspect(f"{side}^3, seed {seed}", found[-1][0])
        for who, errors in zip(("ours", "cg"), zip(*found, strict=True), strict=True):
            print(f"{side}^3, {who}: error %", *(f"{100 * e:.2f}" for e in errors))


def grains(lab: Lab, asked: Asked) -> None:
    """Grains of eight classes against the liquid alone, which soaks until half is full."""
    side = chosen_side(asked.sides)
    half = {"until_saturation": 0.5}
    rows: list[list[Any]] = []
    clear, *laden = lab.measure(
        ours(side) | {"end": half}, *(ours(side) | {"end": half, "grains": g} for g in GRAINS)
    )
    end = {"until_s": clear.last("time_s")}
    timed = lab.measure(*(ours(side) | {"end": end, "grains": g} for g in GRAINS))
    rows.append(_grains_row("no grains", clear, clear))
    for name, full, one in zip(GRAINS, laden, timed, strict=True):
        rows.append(_grains_row(f"{name}, as long", one, clear))
        rows.append(_grains_row(f"{name}, until half is full", full, clear))
    heads = ("grains", "wall s", "over none", "steps", "time over none's", "full", "closed %", "")
    show(heads, rows)


def _grains_row(name: str, one: Measured, clear: Measured) -> list[Any]:
    closed = 100 * one.found.get("closed", math.nan) / one.found.get("tubes", math.nan)
    took = one.last("time_s") / clear.last("time_s")
    full = one.last("saturation")
    return [name, one.wall, one.wall / clear.wall, one.steps, took, full, closed, one.ending]


def ensemble(lab: Lab, asked: Asked) -> None:
    """Many soaks of 20^3 junctions through ps.run, on all cores."""
    one = lab.once({"task": "ensemble", "soaks": asked.ensemble})
    if "wall_s" not in one.found:
        print(f"not measured: {one.ending}")
        return
    f = one.found
    print(
        f"{asked.ensemble} soaks of 20^3 on {f['cores']} cores: {f['wall_s']:.3g} s, "
        f"{asked.ensemble / f['wall_s']:.3g} a second; one alone takes {f['alone_s']:.3g} s, so "
        f"that {asked.ensemble * f['alone_s'] / f['wall_s']:.2f} cores' worth is got"
    )


def inside(lab: Lab, asked: Asked) -> None:
    """What a step costs, by part."""
    side = chosen_side(asked.sides)
    one = lab.once(ours(side) | {"task": "inside"})
    if "seconds" not in one.found:
        print(f"not measured: {one.found.get('not_measured', one.ending)}")
        return
    f = one.found
    print(
        f"{side}^3: {f['steps']} steps, {f['solves']} solves, {f['wall_s']:.3g} s, timers included"
    )
    show(
        ("part", "share %", "ms a step", "calls"),
        [
            [name, 100 * s / f["wall_s"], 1e3 * s / f["steps"], f["calls"].get(name, "-")]
            for name, s in f["seconds"].items()
        ],
    )


PARTS: dict[str, Callable[[Lab, Asked], None]] = {
    "rivals": rivals,
    "events": events,
    "cores": cores,
    "hard": hard,
    "seeds": seeds,
    "inside": inside,
    "grains": grains,
    "ensemble": ensemble,
    "tuning": tuning,
}
DEFAULT_PARTS = [name for name in PARTS if name != "tuning"]
