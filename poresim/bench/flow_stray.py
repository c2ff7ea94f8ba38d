"""Whether points stray from a flow law by more than chance does, and whether they come back lower.

By the F test of lack of fit where rates are repeated, by von Neumann's ratio (1941) of neighbouring
residuals, and by Student's test between the way up and the way down. All from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_SAME_RATE = 2e-3  # rates that differ by less are repeats of one
_ODD = 0.01  # probability below which chance is no longer believed
_FEWEST = 3  # points on the way up, and on the way down


def distinct(rate: Floats) -> int:
    """How many different rates."""
    return int(_groups(np.sort(rate))[-1]) + 1


def stray(rate: Floats, residuals: Floats, parameters: int, *, repeats: bool) -> str:
    """In which way points stray from a law by more than chance does; "" if they do not.

    rate, residuals : (n,). repeats : whether points of one rate stray independently.
    """
    from scipy.stats import f, norm

    order = np.argsort(rate, kind="stable")
    group, r = _groups(rate[order]), residuals[order]
    count = np.bincount(group)
    mean = np.bincount(group, r) / count
    pure, n, m = float(((r - mean[group]) ** 2).sum()), len(r), len(count)
    if repeats and n - m >= 3 and m - parameters >= 2 and pure > 0:
        lack = (float(r @ r) - pure) / (m - parameters)
        if f.sf(lack * (n - m) / pure, m - parameters, n - m) < _ODD:
            return "by more than repeats at the same rate differ"
    apart = float(((mean - mean.mean()) ** 2).sum())
    if m - parameters >= 4 and apart > 0:
        # of normal noise the ratio is 2 with an sd of 2 / sqrt(m)
        ratio = float((np.diff(mean) ** 2).sum()) / apart
        if norm.cdf((ratio - 2.0) * math.sqrt(m) / 2.0) < _ODD:
            return "to the same side over long stretches"
    return ""


def fall_back(runs: list[tuple[Floats, Floats]]) -> float:
    """Share by which stresses lie lower once the rate comes back; nan if that may be chance.

    runs : of each file, in its order, rates and ln(stress / law).
    """
    from scipy.stats import ttest_ind

    gone: list[Floats] = []
    back: list[Floats] = []
    for rate, strays in runs:
        turn = int(np.argmax(rate)) if rate[0] < rate.max() else int(np.argmin(rate))
        if min(turn + 1, len(rate) - turn - 1) >= _FEWEST:
            both = rate >= rate[turn + 1 :].min(), rate <= rate[turn + 1 :].max()
            shared = both[0] & both[1]
            here = np.arange(len(rate)) <= turn
            up = bool(rate[0] < rate[turn])
            gone.append(strays[shared & (here == up)])
            back.append(strays[shared & (here != up)])
    if not gone or min(sum(map(len, gone)), sum(map(len, back))) < _FEWEST:
        return math.nan
    first, second = np.concatenate(gone), np.concatenate(back)
    if np.ptp(np.concatenate([first, second])) == 0 or ttest_ind(first, second).pvalue >= _ODD:
        return math.nan
    return float(-math.expm1(second.mean() - first.mean()))


def _groups(rising: Floats) -> NDArray[np.int64]:
    """To which rate each point belongs; rising : (n,) rates."""
    steps = np.diff(np.log(rising)) > _SAME_RATE
    return np.concatenate([[0], np.cumsum(steps)]).astype(np.int64)
