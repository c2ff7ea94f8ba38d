"""Absorption coefficients as test methods define them, and their units. All from memory.

Check with the standards' own texts before a figure is reported as theirs. ``gain`` is the mass
taken up since the dry start.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from poresim.absorption.line import LEAST_R, MOST_STRAY, Line, course, line_of

DAY = 86400.0
#: 1 kg m-2 h-1/2 in kg m-2 s-1/2.
KG_M2_H05 = 1.0 / 60.0
#: 1 mm min-1/2 in m s-1/2.
MM_MIN05 = 1e-3 / math.sqrt(60.0)
#: Times of ASTM C1585, s: the initial rate from 1 min to 6 h, the secondary one from 1 to 7 days.
INITIAL_S = (60.0, 6 * 3600.0)
SECONDARY_S = (DAY, 7 * DAY)


class WaterAbsorption(NamedTuple):
    """coefficient : kg m-2 s-1/2. kind : "A", straight, or "B". line : of kg/m2 on sqrt(s)."""

    coefficient: float
    kind: str
    line: Line


class Rate(NamedTuple):
    """sorptivity : m s-1/2; NaN where the fit is rejected. line : the fit, of m on sqrt(s)."""

    sorptivity: float
    line: Line


def iso_15148(
    time: ArrayLike,
    gain_kg: ArrayLike,
    area_m2: float,
    begin_s: float = 0.0,
    end_s: float = DAY,
    most_stray: float = MOST_STRAY,
) -> WaterAbsorption:
    """Water absorption coefficient by partial immersion, A_w (ISO 15148).

    Type A, straight: A_w = (dm_tf - dm_0) / sqrt(tf), both on the line, dm_0 at t = 0: its slope.
    Type B, not straight: A_w,24 = dm_24h / sqrt(86400), dm there read straight in sqrt(time).
    The line goes through all points after 0 s, from ``begin_s`` to ``end_s``: until liquid shows on
    the upper face, or a day. The standard has its straightness judged by eye; here, ours, no point
    may stray by more than ``most_stray`` of the line's rise, and R is at least 0.98.

    time : (k,) s, rising. gain_kg : (k,) mass taken up by then. area_m2 : of the wetted face.

    Raises ValueError for a bad course or area, and for one that is not straight and ends before a
    day.
    """
    t, gain = course(time, gain_kg)
    per_area = gain / _positive("area_m2", area_m2)
    begin = max(begin_s, float(t[t > 0][0]))
    line = line_of(t, per_area, begin, end_s)
    if line.is_straight(most_stray):
        return WaterAbsorption(line.slope, "A", line)
    if t[-1] < DAY:
        raise ValueError(
            f"not straight (R {line.r:.4f}, {100 * line.stray:.2g} % off), and type B needs the "
            f"mass after a day: the last point is at {t[-1]:g} s"
        )
    after_a_day = float(np.interp(math.sqrt(DAY), np.sqrt(t), per_area))
    return WaterAbsorption(after_a_day / math.sqrt(DAY), "B", line)


def astm_c1585(
    time: ArrayLike,
    gain_kg: ArrayLike,
    area_m2: float,
    density: float = 1000.0,
    window_s: tuple[float, float] = INITIAL_S,
    least_r: float = LEAST_R,
) -> Rate:
    """Sorptivity: slope of I = gain / (area density) on sqrt(time) within a window (ASTM C1585).

    The initial rate by default; the secondary one with ``window_s=SECONDARY_S``. It is rejected
    where the correlation is below ``least_r``.

    time : (k,) s, rising. gain_kg : (k,) mass taken up by then. area_m2 : of the wetted face.
    density : of the liquid, kg/m3. window_s : its first and last time.

    Raises ValueError for a bad course, area or density, and for fewer than three points there.
    """
    t, gain = course(time, gain_kg)
    depth = gain / (_positive("area_m2", area_m2) * _positive("density", density))
    line = line_of(t, depth, *window_s)
    return Rate(line.slope if line.r >= least_r else math.nan, line)


def en_1015_18(after_10_min_g: float, after_90_min_g: float) -> float:
    """Capillary absorption coefficient of a mortar half prism, kg m-2 min-1/2 (EN 1015-18:2002).

    C = 0.1 (M2 - M1) for masses in g, ``after_10_min_g`` and ``after_90_min_g``, on a face of
    40 by 40 mm. By area and times the factor would be 0.0988211769: the standard rounds.
    """
    if not (math.isfinite(after_10_min_g) and math.isfinite(after_90_min_g)):
        raise ValueError(f"masses must be finite, got {after_10_min_g:g} and {after_90_min_g:g} g")
    return 0.1 * (after_90_min_g - after_10_min_g)


def coefficient_of(sorptivity: float, density: float) -> float:
    """A, kg m-2 s-1/2, of a sorptivity in m s-1/2: A = density S."""
    return _positive("density", density) * sorptivity


def sorptivity_of(coefficient: float, density: float) -> float:
    """S, m s-1/2, of an absorption coefficient in kg m-2 s-1/2: S = A / density."""
    return coefficient / _positive("density", density)


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be above 0, got {value:g}")
    return value
