"""Figure of a plan: how much each further test would tell, and what its outcomes would mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.outcome.words import capital
from poresim.show.answer import (
    REST,
    STRONG,
    WIDTH,
    bare,
    draw_head,
    line_height,
    lines,
    small_print,
    stacked,
    whisker,
)
from poresim.show.figures import write_figure as write
from poresim.show.style import (
    BACKGROUND,
    INK,
    SOFT,
    characters,
    label,
    name_label,
    styled,
    text_size,
)
from poresim.why.planned import minutes, now, outcomes_in_words, plan_title

if TYPE_CHECKING:
    from poresim.why.plan import Planned, Ranked

_BARS = 10  # tests that are drawn
_LEFT, _RIGHT = 0.5, 0.86  # of the bars
_GAP = 0.14  # inches between bars
_HEADING = "What each test tells per hour at the bench"
_MEANING = "What the first test would mean if it reads"
_LEAST = 0.1  # bits per hour that the bars span at least: less is nothing


def planned_figure(found: Planned) -> Any:
    """From above: what to do next, a bar a test, what each outcome of the first would mean."""
    from poresim.show.picture import Picture

    with styled(WIDTH):
        size, line = text_size(WIDTH), line_height()
        wide = characters(0.93 * WIDTH, size)
        head = label(plan_title(found), characters(0.92 * WIDTH, 1.55 * size), 4)
        under = f"{label(found.judged.title, wide, 4)}\n{label(capital(now(found)), wide, 6)}."
        names = [_name(one) for one in found.tests[:_BARS]]
        about, foot = label(_about(found), wide, 6), label(_foot(found), wide, 8)
        cases = _cases(found, wide)
        heads = 1.5 * line * lines(head) + 0.16
        bars = sum(line * lines(name) + _GAP for name in names)
        parts = [heads, line * (lines(under) + 0.9), 1.4 * line, bars]
        parts += [line * (lines(about) + 0.8)]
        parts += [line * (lines(cases) + 2.1) if cases else 0.0, line * lines(foot) + 0.2]
        tops = stacked(parts)
        tall = tops[0]
        figure = Picture(figsize=(WIDTH, tall))
        draw_head(figure, head, heads, found.judged.verdict.fits_data)
        small_print(figure, tops[1] - 0.08, under)
        figure.text(0.02, tops[2] / tall, _HEADING, va="top", weight="bold")
        box = (_LEFT, tops[4] / tall, _RIGHT - _LEFT, bars / tall)
        _draw_bars(figure.add_axes(box), found, names, line)
        small_print(figure, tops[4] - 0.04, about)
        if cases:
            figure.text(0.02, tops[5] / tall, _MEANING, va="top", weight="bold")
            small_print(figure, tops[5] - 1.25 * line, cases, INK)
        small_print(figure, tops[6] - 0.04, foot)
    return figure


def _name(one: Ranked) -> str:
    """A label of a bar: the test, and how long it takes."""
    wide = characters((_LEFT - 0.05) * WIDTH, 1.1 * text_size(WIDTH))
    took = f"({minutes(one.candidate.minutes)})".replace(" ", "\u00a0")
    return name_label(capital(f"{one.candidate.name} {took}"), wide, 4)


def _draw_bars(axes: Any, found: Planned, names: list[str], line: float) -> None:
    """A bar a test, the best first; those as good within the error are as dark."""
    useful = found.judged.verdict.fits_data and found.tells and not found.nothing_left
    across = axes.get_yaxis_transform()
    span = max([one.bits_per_hour + one.sd_per_hour for one in found.tests] + [_LEAST])
    at = 0.0
    for one, name in zip(found.tests, names, strict=False):
        tall = line * lines(name) + _GAP
        middle, at = at + tall / 2, at + tall
        rate, error = one.bits_per_hour, one.sd_per_hour
        strong = useful and one.tied
        colour = STRONG if strong else REST
        axes.barh(
            middle, rate, height=min(tall - 0.1, 1.6 * line), edgecolor=colour, lw=1.5,
            color=colour if useful else BACKGROUND,
        )  # fmt: skip
        ends = [max(rate - error, 0.0), rate + error]
        if ends[1] - ends[0] > 0.01 * span:
            whisker(axes, ends, middle, 0.05)
        weight = "bold" if strong else "normal"
        axes.text(ends[1] + 0.03 * span, middle, _rate(rate), va="center", weight=weight)
        axes.text(
            -0.04, middle, name, transform=across, ha="right", va="center", linespacing=1.0,
            weight=weight, color=INK if strong else SOFT,
        )  # fmt: skip
    axes.axvline(0, color=SOFT, lw=1)
    axes.set_xlim(0, 1.02 * span)
    axes.set_ylim(at, 0)
    bare(axes)


def _rate(value: float) -> str:
    """Two figures, and no more than two decimals."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}" if value >= 0.995 else f"{value:.2f}"


def _about(found: Planned) -> str:
    """What the bars mean."""
    more = len(found.tests) - _BARS
    said = [f"{more} more tell less."] if more > 0 else []
    said.append("Bits per hour about which explanation holds; whiskers: error of the computation.")
    if sum(one.tied for one in found.tests) > 1 and found.tells:
        said.append("Blue: as good as the first within that error.")
    return " ".join(said)


def _cases(found: Planned, wide: int) -> str:
    """What each outcome of the first would mean; "" where planning is of no use."""
    if not found.judged.verdict.fits_data or found.nothing_left or not found.tells:
        return ""
    return "\n".join(
        f"– {label(one, wide - 2, 5)}" for one in outcomes_in_words(found, found.tests[0])
    )


def _foot(found: Planned) -> str:
    from poresim import __version__

    judged = found.judged
    said = ["INVENTED DATA."] if judged.invented else []
    if not judged.settled:
        said.append("The probabilities are less sure than was asked for.")
    if judged.usual:
        said.append("Assumed before: usual ranges, as none were given.")
    said.append(
        f"Computed with poresim {__version__} from a bank of {judged.soaks:,} soaks, accuracy "
        f"{100 * judged.accuracy:g} %, seed {judged.seed}. Holds within the model and among these "
        "explanations."
    )
    return " ".join(said)


def write_figure(found: Planned, path: Path) -> list[Path]:
    """Write it, its PNG under this name; the files. Its numbers are the question's own table."""
    return write(planned_figure(found), path)
