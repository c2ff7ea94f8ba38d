"""Measured sizes of grains from CSV files: sieve stacks, shares by volume, counted particles.

Which of them a file holds is told by its columns. Every fault is a TableError of one line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from pathlib import Path

import numpy as np

from poresim.tables.porosimetry import PRESSURES, VOLUME, read_intrusion, refuse_unsorted
from poresim.tables.rows import Floats, Rows, TableError, read_rows

MOST_CLASSES = 1000
BOUNDS = 1e-9, 1.0  # m: of any grain
_MOST_PARTICLES = 20_000
_FEWEST_PARTICLES = 5
_OFF = 0.02  # of the total, by which shares may miss it
_GROUPED = 3.0  # particles a row from which rows are classes
OPENINGS = {"opening_um": 1e-6, "opening_mm": 1e-3}
RETAINED = {"retained_g": 1e-3, "retained_mg": 1e-6, "retained_kg": 1.0}
DIAMETERS = {"diameter_um": 1e-6, "diameter_mm": 1e-3, "diameter_nm": 1e-9}
_SHARES = ("volume_share", "volume_percent")
_UPTO = ("cumulative_volume_share", "cumulative_volume_percent")
_EXPECTED = (
    "opening_um and retained_g (sieves), diameter_um with volume_share or count, diameter_um alone "
    f"(a list), or {VOLUME} (porosimetry)"
)
#: What a class's diameter can stand for.
STANDS_FOR = ("middle", "upper", "lower")


@dataclass(frozen=True, eq=False)
class SizeTable:
    """Sizes as they were measured, SI units, rising.

    kind : "sieves", "shares", "counts" (in classes), "list" or "intrusion". lower, upper : (k,)
    diameters in m; equal for a list; 0 and inf at open ends. amount : (k,) kg, shares, counts,
    or m3/kg. digit : the last one written of an amount. direct : a scenario can read the file as a
    table. said : what was decided, a sentence each.
    """

    path: Path
    kind: str
    lower: Floats
    upper: Floats
    amount: Floats
    digit: float
    direct: bool = False
    said: list[str] = field(default_factory=list)


def read_size_table(
    path: Path,
    stands_for: str = "middle",
    angle_deg: float | None = None,
    tension: float | None = None,
) -> SizeTable:
    """The sizes that a file holds.

    stands_for : of a class with one diameter. angle_deg, tension (N/m): of mercury, for pressures.
    Raises TableError.
    """
    rows = read_rows(path, _EXPECTED)
    intrusion = VOLUME in rows.header or any(name in rows.header for name in PRESSURES)
    if (angle_deg is not None or tension is not None) and not intrusion:
        raise TableError(
            f"{path}: holds no porosimetry; an angle or a tension is for {' or '.join(PRESSURES)}"
        )
    sieved = rows.name_of(OPENINGS) or rows.name_of(RETAINED)
    kinds = [("retained", sieved), (VOLUME, intrusion), ("diameter", rows.name_of(DIAMETERS))]
    if sieved and (intrusion or rows.name_of(DIAMETERS)):
        both = " and ".join(name for name, there in kinds if there)
        raise TableError(f"{path}: has {both} columns; one kind of table a file is expected")
    if intrusion:
        curve = read_intrusion(rows, angle_deg, tension)
        rows.refuse_count(2, MOST_CLASSES)
        lower, upper = 2 * curve.radius[:-1], 2 * curve.radius[1:]
        amount = -np.diff(curve.volume)
        digit = _digit(rows, VOLUME) * 1e-3
        return SizeTable(
            path, "intrusion", lower, upper, amount, digit, curve.direct, list(curve.said)
        )
    if sieved:
        return _sieves(rows)
    if not rows.name_of(DIAMETERS):
        rows.refuse_count(1, _MOST_PARTICLES)
        raise TableError(f"{path}: has no columns {_EXPECTED}{rows.only()}")
    if "weight" in rows.header:
        raise TableError(f"{path}: has a column weight; name it volume_share or count")
    named = [name for name in (*_SHARES, *_UPTO, "count") if name in rows.header]
    if len(named) > 1:
        raise TableError(f"{path}: has {' and '.join(named)}; keep one of them")
    if not named or named[0] == "count":
        return _counted(rows, bool(named), stands_for)
    return _shares(rows, named[0], stands_for)


def _sieves(rows: Rows) -> SizeTable:
    """A stack from the coarsest sieve down to the pan, or the other way round."""
    opening, retained = rows.name_of(OPENINGS), rows.name_of(RETAINED)
    if not opening:
        rows.needed(OPENINGS)
    rows.needed(RETAINED, least_open=False)
    rows.refuse_count(2, MOST_CLASSES)
    place = rows.header.index(opening)
    body = []
    for line, cells in rows.body:
        is_pan = place < len(cells) and cells[place].strip().lower() in ("", "pan")
        body.append((line, [*cells[:place], "0", *cells[place + 1 :]] if is_pan else cells))
    rows = replace(rows, body=body)
    # the amounts first: a row of units is then told as such
    mass = rows.needed(RETAINED, least_open=False)
    size = rows.needed(OPENINGS, least_open=False, within=BOUNDS)
    rising = _in_order(rows, opening, size)
    order = slice(None) if rising else slice(None, None, -1)
    lower, amount = size[order], mass[order]
    _some(rows, retained, amount)
    upper = np.append(lower[1:], math.inf)
    said = []
    if lower[0] > 0:
        said.append(
            f"{rows.path}: has no pan (opening 0); what passed the finest sieve is taken as nothing"
        )
    if amount[-1] == 0:  # the coarsest sieve held nothing: all is finer
        lower, upper, amount = lower[:-1], upper[:-1], amount[:-1]
    digit = _digit(rows, retained) * RETAINED[retained]
    return SizeTable(rows.path, "sieves", lower, upper, amount, digit, False, said)


def _shares(rows: Rows, name: str, stands_for: str) -> SizeTable:
    """Shares by volume of classes, or cumulative."""
    rows.refuse_count(3, MOST_CLASSES)
    value = rows.numbers(name, least_open=False)
    size = rows.needed(DIAMETERS, within=BOUNDS)
    column = rows.name_of(DIAMETERS)
    rising = _in_order(rows, column, size)
    order = slice(None) if rising else slice(None, None, -1)
    size, value = size[order], value[order]
    _some(rows, name, value)
    total = _whole(value) if name in _UPTO or _is_cumulative(value) else 0.0
    digit, direct = _digit(rows, name), False
    if total:
        value, words = _upward(rows, name, value, total)
        lower, upper, share = _between(size, value / total)
        said = [f"{rows.path}: {name} is taken as {words}, of {total:g}"]
    elif name in _UPTO:
        raise TableError(
            f"{rows.path}: {name} ends at {max(value[0], value[-1]):.4g}; "
            "1 or 100 (%) is expected at one end"
        )
    else:
        total = _total(rows, name, value)
        lower, upper = _class_edges(size, stands_for)
        share = value / value.sum()
        said = [f"{rows.path}: a diameter is taken as the {_STANDS[stands_for]}"]
        direct = column == "diameter_um" and name == "volume_share" and stands_for == "middle"
    return SizeTable(rows.path, "shares", lower, upper, share, digit / total, direct, said)


_STANDS = {
    "middle": "middle of its class; classes meet half-way in ln(size)",
    "upper": "upper end of its class",
    "lower": "lower end of its class",
}


def _counted(rows: Rows, counts: bool, stands_for: str) -> SizeTable:
    """Particles one by one, or how many there are of each diameter."""
    rows.refuse_count(1, _MOST_PARTICLES)
    number = rows.numbers("count", least_open=False) if counts else np.ones(len(rows.body))
    size = rows.needed(DIAMETERS, within=BOUNDS)
    broken = np.flatnonzero(number != np.round(number))
    if len(broken):
        raise TableError(
            f"{rows.path}, line {rows.body[broken[0]][0]}: count is {number[broken[0]]:g}; "
            "a whole number of particles is expected (a share by volume is volume_share)"
        )
    if number.sum() < _FEWEST_PARTICLES:
        raise TableError(
            f"{rows.path}: has {number.sum():.0f} particle{'s' * bool(number.sum() != 1)}; "
            f"at least {_FEWEST_PARTICLES} are expected"
        )
    grouped = counts and len(size) >= 3 and number.sum() >= _GROUPED * len(size)
    if not grouped:
        order = np.argsort(size, kind="stable")
        held = order[number[order] > 0]
        return SizeTable(rows.path, "list", size[held], size[held], number[held], 1.0)
    if len(size) > MOST_CLASSES:
        raise TableError(f"{rows.path}: has too many classes; up to {MOST_CLASSES} are expected")
    rising = _in_order(rows, rows.name_of(DIAMETERS), size)
    order_ = slice(None) if rising else slice(None, None, -1)
    lower, upper = _class_edges(size[order_], stands_for)
    said = [
        f"{rows.path}: with {number.sum() / len(size):.3g} particles a row its rows are taken as "
        f"classes, a diameter as the {_STANDS[stands_for]}"
    ]
    return SizeTable(rows.path, "counts", lower, upper, number[order_], 1.0, False, said)


def _in_order(rows: Rows, name: str, size: Floats) -> bool:
    """Whether sizes rise; TableError where they neither rise nor fall, or one stands twice."""
    _, first = np.unique(size, return_index=True)
    twice = sorted(set(range(len(size))) - set(first.tolist()))
    if twice:
        k = twice[0]
        before = int(np.flatnonzero(size == size[k])[0])
        raise TableError(
            f"{rows.path}, line {rows.body[k][0]}: {name} is that of line {rows.body[before][0]}; "
            "each is expected once"
        )
    return refuse_unsorted(rows, name, size)


def _some(rows: Rows, name: str, amount: Floats) -> None:
    if not amount.sum() > 0:
        raise TableError(f"{rows.path}: every {name} is 0; at least one must be above 0")


def _class_edges(size: Floats, stands_for: str) -> tuple[Floats, Floats]:
    """Lower and upper ends of classes with one diameter each; the outermost mirror their inner."""
    if stands_for == "middle":
        inner = np.sqrt(size[1:] * size[:-1])
        edges = np.concatenate([[size[0] ** 2 / inner[0]], inner, [size[-1] ** 2 / inner[-1]]])
    elif stands_for == "upper":
        edges = np.append(size[0] ** 2 / size[1], size)
    else:
        edges = np.append(size, size[-1] ** 2 / size[-2])
    return edges[:-1], edges[1:]


def _whole(value: Floats) -> float:
    """1 or 100 where that is the largest value; else 0."""
    most = float(value.max())
    for whole in (1.0, 100.0):
        if abs(most - whole) <= 0.005 * whole:
            return whole
    return 0.0


def _is_cumulative(value: Floats) -> bool:
    """Rises, or falls, all the way, with its largest at 1 or 100 and more than that in sum."""
    steps = np.diff(value)
    whole = _whole(value)
    one_way = bool(np.all(steps >= 0) or np.all(steps <= 0))
    return one_way and whole > 0 and float(value.sum()) > (1 + _OFF) * whole


def _upward(rows: Rows, name: str, value: Floats, total: float) -> tuple[Floats, str]:
    """Cumulative from the finest up, whichever way it was given."""
    if value[-1] >= value[0]:
        wrong, words = np.flatnonzero(np.diff(value) < 0), "cumulative, the share below a diameter"
    else:
        wrong, words = np.flatnonzero(np.diff(value) > 0), "cumulative, the share above a diameter"
    if len(wrong):
        raise TableError(
            f"{rows.path}: {name} goes up and down; a cumulative share goes one way as the "
            "diameter rises"
        )
    return (value if value[-1] >= value[0] else total - value), words


def _between(size: Floats, upto: Floats) -> tuple[Floats, Floats, Floats]:
    """Classes between the points of a cumulative curve, open ends where something lies beyond."""
    upto = np.clip(upto, 0.0, 1.0)
    lower, upper, share = size[:-1], size[1:], np.diff(upto)
    if upto[0] > 0:
        lower, upper = np.append(0.0, lower), np.append(size[0], upper)
        share = np.append(upto[0], share)
    if upto[-1] < 1:
        lower, upper = np.append(lower, size[-1]), np.append(upper, math.inf)
        share = np.append(share, 1 - upto[-1])
    return lower, upper, share


def _total(rows: Rows, name: str, value: Floats) -> float:
    """1 or 100, whichever the shares add up to."""
    total = float(value.sum())
    for whole in (1.0, 100.0):
        if abs(total - whole) <= _OFF * whole:
            return whole
    raise TableError(
        f"{rows.path}: {name} adds up to {total:.4g}; 1 or 100 (%) is expected, or a cumulative "
        "column that rises to it"
    )


def _digit(rows: Rows, name: str) -> float:
    """The last digit written in a column, as a number; of the cell with the most decimals."""
    place, finest = rows.header.index(name), 0
    for _, cells in rows.body:
        try:
            exponent = Decimal(cells[place].strip().replace(",", ".")).as_tuple().exponent
        except (InvalidOperation, IndexError):
            continue
        if isinstance(exponent, int):
            finest = min(finest, exponent)
    return float(10.0 ** max(finest, -15))
