"""Where runs are placed when several quantities vary at once: points of the unit cube."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Sequences of a design, scrambled apart: how far they disagree says how sure a share is.
SEQUENCES = 8
_BITS = 30  # of each number that scipy's sequence draws


class PickFreeze(NamedTuple):
    """Results of a design, sorted: row j of each belongs to the same two points of the cube."""

    at_a: Floats  #: (n, s) at A
    at_b: Floats  #: (n, s) at B
    mixed: Floats  #: (d, n, s): at A with its i-th quantity taken from B


def sobol_points(n: int, d: int, seed: int | np.random.SeedSequence) -> Floats:
    """(n, d) scrambled Sobol' points, each coordinate above 0 and below 1.

    The first n of 2n points are the n points. They fill the cube evenly when n is a power of 2;
    scrambled by a random matrix and a shift (Matousek 1998, J Complexity 14:527), each of them is
    uniform, so that means over them are unbiased. Errors: ValueError unless n and d are positive.
    """
    from scipy.stats import qmc

    _need_positive(n, d)
    sequence = qmc.Sobol(d, scramble=True, bits=_BITS, seed=np.random.default_rng(seed))
    drawn = sequence.random_base2((n - 1).bit_length())[:n]
    return np.asarray(drawn + 0.5 / 2**_BITS, dtype=np.float64)  # middles of cells: never 0


def pick_freeze(n: int, d: int, seed: int) -> Floats:
    """(n (d + 2), d) points of the unit cube for the shares of d quantities in a variance.

    Row by row A_j, then A_j with its first, ..., d-th coordinate taken from B_j, then B_j
    (Saltelli 2002, Comput Phys Commun 145:280). The design of 2n rows begins with that of n, so a
    sweep can be grown. Rows come in turn from ``SEQUENCES`` sequences scrambled apart, so that
    results say how sure the shares are (:func:`poresim.inference.sensitivity.shares`): one sequence
    cannot, as its points are no independent draws. Best with n = ``SEQUENCES`` x a power of 2.
    """
    _need_positive(n, d)
    each = -(-n // SEQUENCES)
    seeds = np.random.SeedSequence(seed).spawn(SEQUENCES)
    pairs = np.stack([sobol_points(each, 2 * d, one) for one in seeds], axis=1)
    pairs = pairs.reshape(-1, 2 * d)[:n]
    a, b = pairs[:, :d], pairs[:, d:]
    rows = np.repeat(a[:, None, :], d + 2, axis=1)
    for i in range(d):
        rows[:, 1 + i, i] = b[:, i]
    rows[:, d + 1] = b
    return rows.reshape(-1, d)


def sorted_back(results: ArrayLike, d: int) -> PickFreeze:
    """Results in the order of :func:`pick_freeze`, (n (d + 2),) or (n (d + 2), s), by their part.

    Errors: ValueError where they are no whole number of rows of d + 2.
    """
    given = np.asarray(results, dtype=np.float64)
    given = given[:, None] if given.ndim == 1 else given
    if given.ndim != 2 or d < 1 or not len(given) or len(given) % (d + 2):
        raise ValueError(
            f"results of shape {np.shape(results)} are no design of {d} quantities: it has "
            f"{d + 2} runs a row, so their number must be a multiple of {d + 2}"
        )
    rows = given.reshape(-1, d + 2, given.shape[1])
    return PickFreeze(rows[:, 0], rows[:, d + 1], np.moveaxis(rows[:, 1:-1], 1, 0))


def _need_positive(n: int, d: int) -> None:
    if n < 1 or d < 1:
        raise ValueError(f"a design needs points and quantities, got {n} and {d}")


__all__ = ["SEQUENCES", "PickFreeze", "pick_freeze", "sobol_points", "sorted_back"]
