"""The plan in words: what to do next, and what each outcome would mean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from poresim.outcome.words import capital, seconds
from poresim.why.judged import likely, spoken, told_apart

if TYPE_CHECKING:
    from poresim.inference.information import Outcome
    from poresim.why.plan import Planned, Ranked

_NAMED = 3  # tests, or explanations, named in a sentence
_CASES = 3  # outcomes that are told
_LEAST_CHANCE = 0.01  # of an outcome that is told
_WIDER = 1.5  # times the spread of the likeliest outcome: such readings lie on both sides of it
HELP = (
    "A further liquid may tell more, such as the thickener alone or the grains filtered out: add "
    "it to the scenario with based_on (its bank is then soaked anew)."
)


def bits(value: float) -> str:
    """Information in words: ``0.24 bits``, ``below 0.01 bits``."""
    return f"{value:.2f} bits" if value >= 0.005 else "below 0.01 bits"


def minutes(value: float) -> str:
    """``9 min``, ``2.5 h``."""
    return f"{value:.2g} min" if value < 10 else seconds(60 * value) if value >= 90 else (
        f"{value:.0f} min"
    )  # fmt: skip


def tied(found: Planned) -> list[Ranked]:
    """Those that are as good as the first within the error."""
    return [one for one in found.tests[1:] if one.tied]


def plan_title(found: Planned) -> str:
    """A few words for the head of a figure."""
    if not found.judged.verdict.fits_data:
        return "Planning is of little use: none of these explains the data"
    if found.nothing_left:
        return "Nothing left to tell"
    if not found.tells:
        return "None of these tests tells the explanations apart"
    first = f"Next: {found.tests[0].candidate.name}"
    count = len(tied(found))
    return first + (f", or {count} more that are as good" if count else "")


def planned_in_words(found: Planned) -> str:
    """The answer in a few sentences."""
    if not found.judged.verdict.fits_data:
        said = [
            "NONE OF THESE EXPLAINS THE DATA: planning among explanations that all fail is of "
            "little use. See first what poresim judge says of the measurements."
        ]
    elif found.nothing_left:
        said = [f"Nothing left to tell: {now(found)}."]
    elif not found.tells:
        best = max(found.tests, key=lambda one: one.told.explanation)
        said = [
            f"None of these tests tells the explanations apart: the best, {best.candidate.name}, "
            f"would tell {_of(best)}.",
            f"{capital(now(found))}.",
            HELP,
        ]
    else:
        said = [*_first(found), *outcomes_in_words(found, found.tests[0]), *_others(found)]
    return " ".join([*said, *_surety(found)])


def now(found: Planned) -> str:
    """How open it is: the explanations that count, and the doubt in bits."""
    verdict = found.judged.verdict
    named = [
        f"{spoken(verdict.rivals[k].name)} ({likely(float(verdict.probabilities[k]))})"
        for k in told_apart(found.judged)[: _NAMED + 1]
    ]
    return (
        f"now {'; '.join(named)}: {bits(found.entropy_bits)} of doubt (1 bit: as between two that "
        "are equally likely)"
    )


def _of(one: Ranked) -> str:
    told = one.told
    return f"{bits(told.explanation)} of the {bits(told.explanation_most)} of doubt"


def _first(found: Planned) -> list[str]:
    first = found.tests[0]
    said = [
        f"Next: {first.candidate.name}. It is expected to tell {_of(first)}, in "
        f"{minutes(first.candidate.minutes)}.",
        f"{capital(now(found))}.",
    ]
    others = tied(found)
    if others:
        more = f", and {len(others) - _NAMED} more" if len(others) > _NAMED else ""
        names = "; ".join(one.candidate.name for one in others[:_NAMED])
        said.append(f"As good within the error of the computation: {names}{more}.")
    return said


def outcomes_in_words(found: Planned, one: Ranked) -> list[str]:
    """What each outcome would mean: which explanation would then lead, and how likely."""
    some = [case for case in one.told.outcomes if case.chance >= _LEAST_CHANCE]
    rivals = found.judged.verdict.rivals
    if len(some) < 2:
        case = one.told.outcomes[0]
        return [
            f"Whatever it reads, {spoken(rivals[case.leader].name)} is expected to lead; the "
            "reading makes it more likely or less."
        ]
    at = _telling(some)
    first = some[0]
    return [
        f"{capital(_reading(one, case, at, first))}, in {likely(case.chance)} of cases: "
        f"{spoken(rivals[case.leader].name)} then leads, at "
        f"{likely(float(case.probabilities[case.leader]))} on average."
        for case in some[:_CASES]
    ]


def _telling(cases: list[Outcome]) -> int:
    """The reading by which the two likeliest outcomes differ most."""
    first, second = cases[:2]
    apart = np.abs(first.reading - second.reading)
    return int(np.argmax(apart / np.maximum(first.reading_sd + second.reading_sd, 1e-12)))


def _reading(one: Ranked, case: Outcome, at: int, first: Outcome) -> str:
    """What is read in a case; of one that lies about the first on both sides only that."""
    value, sd = float(case.reading[at]), float(case.reading_sd[at])
    if abs(value - first.reading[at]) < sd and sd > _WIDER * first.reading_sd[at]:
        return "further off, on either side"
    if not one.candidate.when:
        return f"about {value:.0f}° (give or take {max(sd, 1):.0f}°)"
    when = seconds(one.candidate.when[at])
    return f"about {100 * value:.0f} % of the dry mass taken up by {when} (give or take " + (
        f"{100 * sd:.1g} %)" if 100 * sd < 1 else f"{100 * sd:.0f} %)"
    )


def _others(found: Planned) -> list[str]:
    """What would tell most whatever time it takes, and most of all that is unknown."""
    first = found.tests[0]
    most = max(found.tests, key=lambda one: one.told.explanation)
    said = []
    gap = most.told.explanation - first.told.explanation
    if gap > 2 * float(np.hypot(most.told.explanation_sd, first.told.explanation_sd)):
        said.append(
            f"Most in all, though slower: {most.candidate.name} ({bits(most.told.explanation)}, "
            f"{minutes(most.candidate.minutes)})."
        )
    widest = max(found.tests, key=lambda one: one.told.unknowns)
    said.append(
        f"Most about all that is unknown: {widest.candidate.name} ({bits(widest.told.unknowns)})."
    )
    return said


def _surety(found: Planned) -> list[str]:
    judged, said = found.judged, []
    if not judged.settled:
        said.append("The probabilities are less sure than was asked for, and so is this.")
    if any(one.told.widened > 0 for one in found.tests[:1]):
        said.append("The first test is so sharp that it may tell more than is said.")
    if judged.usual:
        said.append("What is unknown was given usual ranges; [priors] would say it better.")
    if not found.given:
        said.append("These tests are the usual ones; [plan] may name others.")
    said.append("Each test is looked at by itself: two together may tell more.")
    if judged.invented:
        said.append("The data are invented.")
    said.append(
        "All this holds within the model and among these explanations: a hypothesis to test."
    )
    return said
