"""The root of a rising function between two bounds: Newton's method, safeguarded by halving.

What a junction owes has kinks (a meniscus sets out, with a slope without bound) and, before a
waist, all but jumps. Beyond one, Newton's steps may go from end to end of the bracket for ever:
a trial counts only strictly inside, and only if it moves at most half as far as the one before.
"""

from __future__ import annotations

from poresim.tube.jit import inner

STEPS = 60  # more than halving a bracket down to rounding takes


@inner
def narrow(at, over, slope, low, high, last):
    """(where to look next, low, high, how far that is) when the function is ``over`` at ``at``."""
    if over > 0.0:
        high = at
    else:
        low = at
    trial = at - over / slope if slope > 0.0 else low
    if not (low < trial < high) or abs(trial - at) > 0.5 * last:
        trial = 0.5 * (low + high)
    return trial, low, high, abs(trial - at)


@inner
def found(trial, at, low, high, share):
    """Whether the root is known to ``share`` of its bounds, or to rounding."""
    return trial == at or high - low <= share * (abs(low) + abs(high))
