"""From where on soaks are marched otherwise. Loads no kernels: a forecast asks, too."""

from __future__ import annotations

#: Junctions up to which steps end on their first event: where no more is asked for than COARSE;
#: once liquid stands apart from what it came from; and where a finer accuracy is asked for, or
#: steps that hold many events miss.
COARSE_JUNCTIONS, APART_JUNCTIONS, SMALL_JUNCTIONS = 100, 300, 3000
#: Accuracies below are fine: small networks event by event, no short cuts in waisted tubes.
COARSE = 5e-3
#: Standard deviation of the logarithm of radii beyond which steps that hold many events miss.
WIDE_SPREAD = 0.75
#: A liquid with grains that comes in by fewer junctions: the same.
FEW_INLETS = 10
#: Junctions from which halves of a network pay for meeting one another.
HALVES_FROM = 20000
