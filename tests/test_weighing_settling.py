"""How far a bank grows and how many draws are taken, on verdicts made up."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from poresim.scenario.questions import Judge
from poresim.why.weighing import settling as module
from poresim.why.weighing.case import TooFew
from poresim.why.weighing.settling import PARTICLES, Settled, Wanted, settling

QUESTION = Judge(least_rows=64, most_rows=512, error=0.05, effective_samples=100)


def settled(
    rule: Callable[[int, int], Any], question: Judge = QUESTION
) -> tuple[Settled | TooFew, list[Wanted]]:
    """By a rule for the verdict at so many rows and draws; and all that was wanted."""
    going = settling(question)
    asked, given = [next(going)], []
    while True:
        given.append(rule(asked[-1].rows, asked[-1].particles))
        try:
            asked.append(going.send(given[-1]))
        except StopIteration as end:
            assert all(
                one.after is before for one, before in zip(asked[1:], given[:-1], strict=True)
            )
            return end.value, asked


def verdict(p: float, sd: float = 0.01, effective: float = 500.0, fits: bool = True) -> Any:
    return SimpleNamespace(
        rivals=["one", "other"],
        probabilities=np.array([p, 1 - p]),
        sd=np.array([sd, sd]),
        effective=effective,
        fits_data=fits,
    )


def test_a_bank_grows_until_further_rows_change_nothing():
    said = {64: 0.2, 80: 0.4, 96: 0.6, 128: 0.62}
    found, asked = settled(lambda rows, _: verdict(said[rows]))
    assert isinstance(found, Settled)
    assert (found.rows, found.particles) == (128, PARTICLES)
    assert found.change == pytest.approx(0.02)
    assert [one.near for one in asked] == [0, 16, 16, 32]


def test_it_grows_once_whatever_it_says():
    found, asked = settled(lambda *_: verdict(0.99))
    assert isinstance(found, Settled)
    assert found.rows == 80 and len(asked) == 2


def test_a_bank_grows_no_further_than_it_may():
    some = QUESTION.model_copy(update={"most_rows": 90})
    found, asked = settled(
        lambda rows, _: verdict(0.3 if rows == 64 else 0.5 + rows / 1000 * (rows > 80)), some
    )
    assert isinstance(found, Settled)
    assert found.rows == 90
    assert found.change > 0.05


@pytest.mark.parametrize("lack", ["sd", "effective"])
def test_draws_are_doubled_while_they_are_too_few_or_scatter(lack: str):
    def rule(_: int, particles: int) -> Any:
        enough = particles >= 4 * PARTICLES
        if lack == "sd":
            return verdict(0.7, sd=0.01 if enough else 0.2)
        return verdict(0.7, effective=200 if enough else 50)

    found, asked = settled(rule)
    assert isinstance(found, Settled)
    assert found.particles == 4 * PARTICLES and not found.few
    assert [one.particles // PARTICLES for one in asked] == [1, 2, 4, 4]
    assert [one.near for one in asked] == [0, 0, 0, 16]


def test_draws_that_stay_too_few_are_said(monkeypatch):
    monkeypatch.setattr(module, "MOST_PARTICLES", PARTICLES)
    found, _ = settled(lambda *_: verdict(0.7, effective=10))
    assert isinstance(found, Settled) and found.few


def test_what_nothing_explains_is_looked_at_once_more():
    """A coarse surface may be why it does not fit; else it need not be known any better."""
    found, _ = settled(lambda rows, _: verdict(rows / 1000, sd=0.3, effective=2, fits=False))
    assert isinstance(found, Settled)
    assert (found.rows, found.particles) == (80, PARTICLES) and not found.few
    found, _ = settled(lambda rows, _: verdict(0.7, fits=rows > 64))
    assert isinstance(found, Settled)
    assert found.verdict.fits_data


def test_too_few_runs_for_a_surface():
    assert settled(lambda *_: TooFew("48 runs or more"))[0] == TooFew("48 runs or more")
