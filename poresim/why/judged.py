"""The verdict in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from poresim.outcome.words import capital, percent
from poresim.scenario.questions import MECHANISMS
from poresim.why.mechanisms import WORDS
from poresim.why.weighing.rivals import NOTHING
from poresim.why.weighing.verdict import MISFIT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from poresim.why.judge import Judged

_CERTAIN = 0.95  # a probability from which a thing is said without more
_LIKELY = 0.7
_LEANS = 0.1  # change of a probability by a shifted prior that is told
_NAMED = 4  # explanations named in a sentence
_TOLD = 0.01  # a probability below which an explanation is not told by itself


def spoken(name: str) -> str:
    """An explanation in a sentence: ``wetting and plugging``."""
    if name == NOTHING:
        return "no difference between the liquids"
    return _and(["density" if part == "gravity" else part for part in name.split("+")])


def likely(p: float) -> str:
    """A probability in whole per cent: never 0 or 100 %."""
    if p > 1 - _TOLD:
        return "above 99 %"
    return "below 1 %" if p < _TOLD else f"{100 * p:.0f} %"


def told_apart(found: Judged) -> list[int]:
    """Places of the explanations that are told one by one: those of 1 % and more."""
    return [k for k, p in enumerate(found.verdict.probabilities) if p >= _TOLD]


def others_in_words(found: Judged, told: int) -> str:
    """What is left after the first ones; "" where that is nothing."""
    rest = found.verdict.probabilities[told:]
    if not len(rest):
        return ""
    if len(rest) == 1:
        return f"1 other {likely(float(rest[0]))}"
    return f"{len(rest)} others together {likely(float(rest.sum()))}"


def error_of(found: Judged, place: int) -> float:
    """Of a probability: by the draws, or by the bank if that is more."""
    return max(float(found.verdict.sd[place]), found.change)


def verdict_title(found: Judged) -> str:
    """A few words for the head of a figure."""
    verdict = found.verdict
    if not verdict.fits_data:
        return "None of these explains the data"
    first, p = spoken(verdict.rivals[0].name), float(verdict.probabilities[0])
    if len(verdict.open) > 3:
        return f"Open: {len(verdict.open)} explanations are about as likely as each other"
    if len(verdict.open) > 1:
        return f"Open: {', or '.join(spoken(name) for name in verdict.open)}"
    error = "" if found.settled else f", give or take {percent(error_of(found, 0))}"
    if p >= _LIKELY:
        return f"{capital(first)}: {likely(p)}{error}"
    return f"Most likely {first}, but only {likely(p)}{error}"


def judged_in_words(found: Judged) -> str:
    """The answer in a few sentences."""
    if found.verdict.fits_data:
        said = [_first(found), *_mechanisms(found), *_strained(found)]
        return " ".join([*said, *_blind(found), *_leaning(found), *_surety(found)])
    return " ".join([_misfit(found), *_surety(found)])


def _first(found: Judged) -> str:
    verdict = found.verdict
    named = [
        f"{spoken(rival.name)} ({likely(float(p))})"
        for rival, p in zip(verdict.rivals, verdict.probabilities, strict=True)
    ]
    count = len(verdict.open)
    if count > 1:
        more = f", or {count - _NAMED} more" if count > _NAMED else ""
        return (
            "These data do not tell which explanation is right: "
            f"{', or '.join(named[: min(count, _NAMED)])}{more}."
        )
    told = len(told_apart(found))
    next_ones = f" Next: {'; '.join(named[1 : min(told, _NAMED)])}." if told > 1 else ""
    rest = others_in_words(found, min(told, _NAMED))
    return f"Most likely explanation: {named[0]}.{next_ones}" + (
        f" {capital(rest)}." if rest else ""
    )


def _mechanisms(found: Judged) -> list[str]:
    """Which properties matter, whatever else does."""
    verdict = found.verdict
    weighed = {m for rival in verdict.rivals for m in rival.acting}
    sure = [(m, verdict.acting(m)) for m in MECHANISMS if m in weighed]
    acts = [WORDS[m] for m, p in sure if p >= _CERTAIN]
    none = [WORDS[m] for m, p in sure if p <= 1 - _CERTAIN]
    unclear = [f"{WORDS[m]} {likely(p)}" for m, p in sure if 1 - _CERTAIN < p < _CERTAIN]
    said = []
    if acts:
        said.append(f"Almost surely at work: {_and(acts)}.")
    if none:
        said.append(f"Almost surely not needed: {_and(none)}.")
    if unclear:
        said.append(f"Open whether at work: {_and(unclear)}.")
    return said


def _misfit(found: Judged) -> str:
    """No explanation does: nothing else that was found is said then."""
    verdict = found.verdict
    worst = min(verdict.fits, key=lambda one: one.chance)
    return (
        f"NONE OF THESE EXPLAINS THE DATA. The {worst.what} lies furthest off; by chance that "
        f"would happen {_once_in(worst.chance)}. The percentages only rank explanations that all "
        f"fail, {spoken(verdict.rivals[0].name)} first. Look for a fault in the measurement, for "
        "ranges of the unknowns that are too narrow, or for a cause that is not in the model."
    )


def _strained(found: Judged) -> list[str]:
    """Single measurements that lie far off, where the whole is explained."""
    fits = found.verdict.fits
    worst = min(fits, key=lambda one: one.chance)
    if worst.chance >= MISFIT:
        return []
    return [
        f"Look again at the {worst.what}: by chance it would lie as far off "
        f"{_once_in(worst.chance)}."
    ]


def _once_in(chance: float) -> str:
    """A chance as people say it: ``once in 200 times``."""
    if chance < 1e-6:
        return "less than once in a million times"
    times = 1 / chance
    digits = -math.floor(math.log10(times))
    return f"about once in {round(times, digits):,.0f} times"


def _blind(found: Judged) -> list[str]:
    """What these data cannot tell apart."""
    together: dict[tuple[str, ...], list[str]] = {}
    for name in found.liquids:
        some = _only_together(found, name)
        if name in found.newtonian and len(some) > 1:
            together.setdefault(some, []).append(name)
    said = [
        f"Weighing {_and(names)} shows {_and(some)} only together (tension x cosine of the angle "
        "/ viscosity): no weight log can tell them apart."
        for some, names in together.items()
    ]
    for one, other, correlation in found.verdict.pairs[:2]:
        how = "lower" if correlation < 0 else "higher"
        said.append(
            f"A higher {_key(one)} with a {how} {_key(other)} explains the data as well: they are "
            "known only together."
        )
    return said


def _only_together(found: Judged, liquid: str) -> tuple[str, ...]:
    """Unknowns of a Newtonian liquid that its weight depends on by one number alone."""
    starts = (f"liquids.{liquid}.", "liquids.*.")
    own = [
        one.key.removeprefix(start)
        for one in found.verdict.unknowns
        for start in starts
        if one.key.startswith(start)
    ]
    parts = ("surface tension", "contact angle", "viscosity")
    some = [part for part in parts if any(part.replace(" ", "_") in key for key in own)]
    if any(fit.what == f"angle of {liquid}" for fit in found.verdict.fits):
        some = [part for part in some if part != "contact angle"]
    return tuple(some)


def _leaning(found: Judged) -> list[str]:
    first = float(found.verdict.probabilities[0])
    if not found.verdict.leanings:
        return []
    one = found.verdict.leanings[0]
    if max(abs(one.down - first), abs(one.up - first)) < _LEANS:
        return []
    return [
        f"This leans on what was assumed of {_key(one.key)}: assumed lower by half a standard "
        f"deviation, {spoken(found.verdict.rivals[0].name)} gets {likely(one.down)}; higher, "
        f"{likely(one.up)}."
    ]


def _surety(found: Judged) -> list[str]:
    error = max(found.change, float(found.verdict.sd.max()))
    said = []
    if not found.settled:
        by_bank = found.change > found.wanted
        more = "; more soaks would help (most_rows in [judge])" if by_bank else ""
        said.append(
            f"These probabilities may be off by {percent(error)}, more than the "
            f"{percent(found.wanted)} that was asked for{more}."
        )
    if found.usual:
        said.append("What is unknown was given usual ranges; [priors] would say it better.")
    if found.unused:
        said.append(f"Not weighed: {', '.join(found.unused)}.")
    if found.invented:
        said.append("The data are invented.")
    said.append("Only these explanations were compared, by a model: a hypothesis to test.")
    return said


def _and(parts: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = parts
    return f"{', '.join(first)} and {last}" if first else last


def _key(key: str) -> str:
    from poresim.why.naming import named

    return named(key)[0] if "." in key else key
