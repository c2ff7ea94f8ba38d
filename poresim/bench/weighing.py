"""From what a balance showed to what was taken up: the dry mass, a film, buoyancy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poresim.bench.balance import step_of
from poresim.bench.error import BenchError

Floats = NDArray[np.float64]

FEWEST = 3
_GROSS = 0.5  # masses that never come below this share of the last, without a dry mass: gross
_LOST = 0.5  # of the gain at first: where less is left, nothing is taken up
_FALLEN = 0.05  # of the gain: a fall from the highest that is told


@dataclass(frozen=True)
class Weighing:
    """How a log was weighed; what is not stated is not corrected.

    dry_kg : mass before the liquid; None: the reading at 0 s, or masses are gains already. film_kg
    : liquid outside the piece that is weighed with it, from the first reading after 0 s on.
    free_offset : a film of unknown mass, to be found by the fit. buoyancy_kg : liquid displaced by
    the dipped part; a balance from which the piece hangs shows so much less after 0 s. cup : the
    cup stands on the balance, and what it loses is taken up. step_kg : of the balance; None: as the
    readings show it.
    """

    dry_kg: float | None = None
    film_kg: float = 0.0
    free_offset: bool = False
    buoyancy_kg: float = 0.0
    cup: bool = False
    step_kg: float | None = None


@dataclass(frozen=True, eq=False)
class Gain:
    """time_s (n,) above 0, gain_kg (n,). dry_kg : what was taken off; None for nothing. step_kg :
    the balance's. remarks : what a reader must know."""

    time_s: Floats
    gain_kg: Floats
    dry_kg: float | None
    step_kg: float
    remarks: tuple[str, ...]


def gain_of(time: Floats, mass: Floats, how: Weighing) -> Gain:
    """The mass taken up.

    time : (k,) s, rising from 0 or later. mass : (k,) kg, as shown. Raises BenchError for too few
    readings, for gross masses without a dry one, and where nothing is taken up.
    """
    step = 1e-3 * step_of(1e3 * mass) if how.step_kg is None else how.step_kg
    dry, remarks = how.dry_kg, []
    if dry is None and time[0] == 0:
        dry = float(mass[0])
    after = time > 0
    t, m = time[after], mass[after]
    if len(t) < FEWEST:
        raise BenchError(f"has {len(t)} readings after 0 s; {FEWEST} or more are needed")
    if dry is None:
        _refuse_gross(m, how)
        remarks.append("no reading at 0 s and no --dry-g: the masses are taken as gains")
    gain = (m - (dry or 0.0)) * (-1.0 if how.cup else 1.0) + how.buoyancy_kg - how.film_kg
    _refuse_falling(gain, m, how, step)
    remarks += _odd(t, gain, how, step)
    return Gain(t, gain, dry, step, tuple(remarks))


def _refuse_gross(m: Floats, how: Weighing) -> None:
    if how.cup:
        raise BenchError("a cup on the balance needs its mass at 0 s: a row", "--dry-g")
    if m.min() > _GROSS * m.max() > 0:
        raise BenchError(
            f"the masses begin at {1e3 * m[0]:.4g} g and end at {1e3 * m[-1]:.4g} g, so they look "
            "gross: give the dry mass as a row at time 0",
            "--dry-g",
        )


def _refuse_falling(gain: Floats, m: Floats, how: Weighing, step: float) -> None:
    third = max(len(gain) // 3, 1)
    first, last = float(np.median(gain[:FEWEST])), float(np.median(gain[-third:]))
    change = f"from {1e3 * m[0]:.4g} to {1e3 * m[-1]:.4g} g"
    if gain.max() <= 0 or last < _LOST * first:
        why = "a cup that gives the liquid away is read by --cup"
        if how.cup:
            why = "a cup that gives liquid away becomes lighter: leave --cup out"
        elif gain.max() <= 0 and last >= first:
            why = "is the dry mass right, or is it buoyed up (--buoyancy)?"
        raise BenchError(f"nothing is taken up: the mass goes {change}; {why}")
    if gain.max() - min(gain.min(), 0.0) <= step and np.ptp(m) <= step:
        raise BenchError(f"nothing is taken up that the balance shows: the mass goes {change}")


def _odd(t: Floats, gain: Floats, how: Weighing, step: float) -> list[str]:
    """What of a gain should make its reader wonder."""
    told = []
    if gain.min() < -1.5 * step and gain[0] < 0:
        told.append(
            f"the first readings lie below the dry mass, by {-1e3 * gain.min():.2g} g at most: a "
            "dipped piece that hangs from a balance is buoyed up (--buoyancy)"
        )
    width = max(len(gain) // 20, 1)
    smooth = np.convolve(gain, np.ones(width) / width, "valid")
    highest = int(smooth.argmax())
    fall = float(smooth[highest] - smooth[-1])
    if fall > max(_FALLEN * float(smooth.max()), 1.5 * step):
        told.append(
            f"the mass falls by {1e3 * fall:.2g} g after {t[highest]:.3g} s: crumbs, drips or "
            "drying; the plateau is not to be trusted"
        )
    return told
