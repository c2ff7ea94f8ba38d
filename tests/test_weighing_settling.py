"""How far a bank grows and how many draws are taken, on verdicts made up."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from poresim.scenario.questions import Judge
from poresim.why.weighing import settling
from poresim.why.weighing.case import TooFew
from poresim.why.weighing.settling import PARTICLES, Settled, settle

QUESTION = Judge(least_rows=64, most_rows=512, error=0.05, effective_samples=100)


class Asked:
    """Verdicts by a rule, and the efforts that were asked for."""

    def __init__(self, rule: Any) -> None:
        self.rule, self.efforts = rule, []  # type: ignore[var-annotated]

    def __call__(self, efforts: Any) -> list[Any]:
        assert len(efforts)
        self.efforts += efforts
        return [self.rule(rows, particles) for rows, particles in efforts]


def verdict(p: float, sd: float = 0.01, effective: float = 500.0, fits: bool = True) -> Any:
    return SimpleNamespace(
        rivals=["one", "other"],
        probabilities=np.array([p, 1 - p]),
        sd=np.array([sd, sd]),
        effective=effective,
        fits_data=fits,
    )


@pytest.mark.parametrize("at_once", [True, False])
def test_a_bank_is_doubled_until_half_of_it_says_the_same(at_once: bool):
    said = {32: 0.2, 64: 0.4, 128: 0.6, 256: 0.62}
    asked = Asked(lambda rows, _: verdict(said[rows]))
    found = settle(QUESTION, asked, at_once=at_once)
    assert isinstance(found, Settled)
    assert found.effort == (256, PARTICLES)
    assert found.change == pytest.approx(0.02)
    assert len(asked.efforts) == len(set(asked.efforts)) == 4


def test_a_bank_grows_no_further_than_it_may():
    asked = Asked(lambda rows, _: verdict(0.5 + 0.1 * (rows % 127 > 64)))
    found = settle(QUESTION.model_copy(update={"most_rows": 64}), asked)
    assert isinstance(found, Settled)
    assert found.effort[0] == 64


@pytest.mark.parametrize("at_once", [True, False])
@pytest.mark.parametrize("lack", ["sd", "effective"])
def test_draws_are_doubled_while_they_are_too_few_or_scatter(lack: str, at_once: bool):
    def rule(_: int, particles: int) -> Any:
        enough = particles >= 4 * PARTICLES
        if lack == "sd":
            return verdict(0.7, sd=0.01 if enough else 0.2)
        return verdict(0.7, effective=200 if enough else 50)

    asked = Asked(rule)
    found = settle(QUESTION, asked, at_once=at_once)
    assert isinstance(found, Settled)
    assert found.effort == (64, 4 * PARTICLES) and not found.few
    # at once: a half for every whole; else only for the last
    assert len(asked.efforts) == (6 if at_once else 4)


def test_draws_that_stay_too_few_are_said(monkeypatch):
    monkeypatch.setattr(settling, "MOST_PARTICLES", PARTICLES)
    found = settle(QUESTION, Asked(lambda *_: verdict(0.7, effective=10)))
    assert isinstance(found, Settled) and found.few


def test_what_nothing_explains_is_not_known_any_better():
    asked = Asked(lambda rows, _: verdict(rows / 1000, sd=0.3, effective=2, fits=False))
    found = settle(QUESTION, asked)
    assert isinstance(found, Settled)
    assert found.effort == (64, PARTICLES) and not found.few


def test_too_few_runs_for_a_surface():
    """Of the half alone: the bank grows. Of the whole: no verdict."""
    asked = Asked(lambda rows, _: TooFew("48 runs or more") if rows < 64 else verdict(0.8))
    found = settle(QUESTION, asked)
    assert isinstance(found, Settled)
    assert found.effort == (128, PARTICLES)
    none = settle(QUESTION, Asked(lambda *_: TooFew("48 runs or more")))
    assert none == TooFew("48 runs or more")
