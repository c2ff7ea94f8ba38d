"""Shapley values: what each of several causes is worth that act together.

A cause's value is the mean, over all orders in which the causes could have come, of what it adds
when it comes (Shapley 1953, in Contributions to the Theory of Games II).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from itertools import combinations
from typing import Any, TypeVar

Subset = frozenset[str]
Value = TypeVar("Value", bound=Any)  # a float, or an array of them

MOST_NAMES = 12  # 4096 subsets


def subsets(names: Sequence[str]) -> list[Subset]:
    """All subsets, smallest first, in the order of the names."""
    return [frozenset(c) for size in range(len(names) + 1) for c in combinations(names, size)]


def shapley(value_of_subset: Callable[[Subset], Any], names: Iterable[str]) -> dict[str, Any]:
    """Name -> Shapley value. They add up to the value of all less that of none.

    value_of_subset : takes a frozenset of names; a float, or an array (say one value a solid): the
    values are of the same shape. It is called once a subset. ValueError: a name comes twice, or
    there are more than 12.
    """
    players = _checked(names)
    n = len(players)
    value = {subset: value_of_subset(subset) for subset in subsets(players)}
    weight = [math.factorial(k) * math.factorial(n - k - 1) / math.factorial(n) for k in range(n)]
    return {
        name: sum(
            weight[len(subset)] * (value[subset | {name}] - value[subset])
            for subset in value
            if name not in subset
        )
        for name in players
    }


def interactions(
    value_of_subset: Callable[[Subset], Any], names: Iterable[str]
) -> dict[tuple[str, str], Any]:
    """Pair -> Shapley interaction index: what two add together beyond what each adds alone.

    The mean over all sets of the others of v(S+i+j) - v(S+i) - v(S+j) + v(S), weighted as they
    would come (Grabisch & Roubens 1999, Int J Game Theory 28:547). 0: they add up. Above 0: each
    helps the other; below 0: one does in part what the other does.
    """
    players = _checked(names)
    n = len(players)
    value = {subset: value_of_subset(subset) for subset in subsets(players)}
    weight = [
        math.factorial(k) * math.factorial(n - k - 2) / math.factorial(n - 1) for k in range(n - 1)
    ]
    return {
        (a, b): sum(
            weight[len(s)] * (value[s | {a, b}] - value[s | {a}] - value[s | {b}] + value[s])
            for s in value
            if a not in s and b not in s
        )
        for a, b in combinations(players, 2)
    }


def _checked(names: Iterable[str]) -> list[str]:
    players = list(names)
    if len(set(players)) != len(players):
        raise ValueError("a name comes twice")
    if len(players) > MOST_NAMES:
        raise ValueError(f"{len(players)} names have too many subsets; {MOST_NAMES} at most")
    return players
