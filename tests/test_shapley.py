"""Shares of a game: classic answers, and intervals that hold what they say."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poresim.inference.shapley import interactions, shapley, subsets
from poresim.inference.shares import shares

ABC = ("a", "b", "c")


def test_glove_game():
    """Two left gloves and a right one; a pair is worth 1 (Shapley 1953; textbook, from memory)."""

    def value(s):
        return float("c" in s and bool(s & {"a", "b"}))

    assert shapley(value, ABC) == pytest.approx({"a": 1 / 6, "b": 1 / 6, "c": 2 / 3}, abs=1e-15)


def test_airport_game():
    """A runway for planes that need 1, 2 and 3 (Littlechild & Owen 1973, from memory)."""
    need = {"a": 1, "b": 2, "c": 3}

    def value(s):
        return max((need[name] for name in s), default=0)

    assert shapley(value, ABC) == pytest.approx({"a": 1 / 3, "b": 5 / 6, "c": 11 / 6}, abs=1e-15)


@pytest.mark.parametrize("value", [lambda s: float(len(s) == 3), lambda s: float(len(s) > 0)])
def test_all_needed_and_any_one_suffices(value):
    """By symmetry a third each."""
    assert shapley(value, ABC) == pytest.approx(dict.fromkeys(ABC, 1 / 3), abs=1e-15)


def test_ishigami_effects():
    """Shapley effects share interactions equally (Owen 2014): from the function's known variances,
    a = 7, b = 0.1 (Ishigami & Homma 1990)."""
    whole, parts = 13.844587940719, {"a": 0.313905191148, "b": 0.442411144790}
    together = {frozenset("ac"): 0.243683664062}

    def value(s):
        return sum(parts.get(n, 0.0) for n in s) + sum(v for p, v in together.items() if p <= s)

    expected = {"a": 0.435747023179, "b": 0.442411144790, "c": 0.121841832031}
    assert shapley(value, ABC) == pytest.approx(expected, abs=1e-11)
    assert whole > 0


@given(st.lists(st.floats(-10, 10), min_size=16, max_size=16))
def test_values_are_the_mean_over_all_orders_and_add_up(numbers):
    """The definition, written out: every order, what each adds when it comes."""
    names = ("a", "b", "c", "d")
    table = dict(zip(subsets(names), numbers, strict=True))
    found = shapley(table.__getitem__, names)
    mean = dict.fromkeys(names, 0.0)
    for order in itertools.permutations(names):
        for i, name in enumerate(order):
            before = frozenset(order[:i])
            mean[name] += (table[before | {name}] - table[before]) / math.factorial(4)
    assert found == pytest.approx(mean, abs=1e-9)
    assert sum(found.values()) == pytest.approx(numbers[-1] - numbers[0], abs=1e-9)


def test_interactions_of_a_product_and_of_a_sum():
    """v = x y: together 1 more than alone, whatever a third does; a sum has none.

    For two players the index is v(ab) - v(a) - v(b) + v(0) (Grabisch & Roubens 1999).
    """
    product = interactions(lambda s: float({"a", "b"} <= s), ABC)
    assert product == pytest.approx({("a", "b"): 1.0, ("a", "c"): 0.0, ("b", "c"): 0.0})
    assert set(interactions(lambda s: float(len(s)), ABC).values()) == {0.0}


def test_a_name_twice_and_too_many_names_are_refused():
    with pytest.raises(ValueError, match="twice"):
        shapley(len, ["a", "a"])
    with pytest.raises(ValueError, match="12 at most"):
        shapley(len, [str(i) for i in range(13)])


def test_shares_add_up_and_say_what_comes_alone(rng):
    base, a, b = (rng.normal(size=6) for _ in range(3))
    both = 0.5
    rows = {
        frozenset(): base,
        frozenset("a"): base + 2 + 0.1 * a,
        frozenset("b"): base + 1 + 0.1 * b,
        frozenset("ab"): base + 3 + both + 0.1 * (a + b),
    }
    found = shares(rows, ("a", "b"))
    assert sum(one.value for one in found.of.values()) == pytest.approx(1.0, abs=1e-12)
    whole = found.whole.value
    assert found.of["a"].value == pytest.approx((2 + 0.1 * a.mean() + both / 2) / whole)
    assert found.sum_alone == pytest.approx(1 - both / whole)
    assert found.sum_last == pytest.approx(1 + both / whole)
    assert found.together["a", "b"].value == pytest.approx(both / whole)
    assert found.distinct
    assert found.ranked() == ["a", "b"]


def test_what_does_not_differ_is_not_distinct(rng):
    noise = rng.normal(size=(2, 12))
    found = shares({frozenset(): noise[0], frozenset("a"): noise[1]}, ("a",))
    assert not found.distinct


@pytest.mark.parametrize("of_one", [False, True])
def test_intervals_hold_the_true_share(of_one, rng):
    """1000 times 8 solids whose share is 0.7 in the mean: 95 % (binomial: 3.5 sigma = 2.4 %)."""
    n, times, held = 8, 1000, 0
    for _ in range(times):
        whole = 2 + 0.2 * rng.normal(size=n + 1)
        part = 0.7 * whole + 0.1 * rng.normal(size=n + 1)
        rows = {frozenset(): np.zeros(n), frozenset("a"): part[:n]}
        rows |= {frozenset("b"): (whole - part)[:n], frozenset("ab"): whole[:n]}
        one = shares(rows, ("a", "b"), of_one=of_one).of["a"]
        truth = 0.7 + ((part[n] - 0.7 * whole[n]) / 2 if of_one else 0.0)
        held += one.low <= truth <= one.high
    assert held / times == pytest.approx(0.95, abs=0.024)
