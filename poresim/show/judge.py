"""Figure of a verdict: how likely each explanation is, what it foretells, what is known after."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.outcome.words import capital
from poresim.show.answer import (
    ALARM,
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
from poresim.show.judge_logs import draw_logs, log_tables, logs_tall
from poresim.show.judge_unknowns import draw_unknowns, unknowns_table, unknowns_tall
from poresim.show.style import BACKGROUND, GRID, INK, SOFT, characters, label, styled, text_size
from poresim.why.judged import error_of, likely, others_in_words, spoken, told_apart, verdict_title

if TYPE_CHECKING:
    from poresim.why.judge import Judged

PARTS = ("bands", "weighed", "unknowns")
_BARS = 10  # explanations that are drawn
_LEFT, _RIGHT = 0.43, 0.79  # of the bars
_ABOUT = {
    "wetting": "how well it clings",
    "thickening": "how it flows",
    "plugging": "grains in the pores",
    "settling": "grains in the cup",
    "gravity": "how heavy it is",
}


def judged_figure(found: Judged) -> Any:
    """From above: the answer, a bar an explanation, a panel a liquid, a row an unknown."""
    from poresim.show.picture import Picture

    with styled(WIDTH):
        size, line = text_size(WIDTH), line_height()
        wide = characters(0.93 * WIDTH, size)
        head = label(verdict_title(found), characters(0.92 * WIDTH, 1.55 * size), 4)
        under, about, foot = (
            label(text, wide, most)
            for text, most in ((_under(found), 4), (_about(found), 5), (_foot(found), 8))
        )
        names = _names(found)
        heads = 1.5 * line * lines(head) + 0.16
        unders = line * (lines(under) + 0.8)
        bars = sum(line * lines(name) + 0.11 for name in names)
        abouts = line * (lines(about) + 1.1)
        parts = [heads, unders, 1.3 * line, bars, abouts]
        parts += [logs_tall(found, line), unknowns_tall(found, line), line * lines(foot) + 0.2]
        tops = stacked(parts)
        tall = tops[0]
        figure = Picture(figsize=(WIDTH, tall))
        draw_head(figure, head, heads, found.verdict.fits_data)
        small_print(figure, tops[1] - 0.04, under)
        figure.text(0.02, tops[2] / tall, _heading(found), va="top", weight="bold")
        box = (_LEFT, tops[4] / tall, _RIGHT - _LEFT, bars / tall)
        _draw_bars(figure.add_axes(box), found, names, bars / line)
        small_print(figure, tops[4] - 0.05, about)
        draw_logs(figure, found, tops[5], line, STRONG, ALARM)
        draw_unknowns(figure, found, tops[6], line, STRONG)
        small_print(figure, tops[7] - 0.04, foot)
        # The bars' numbers stand in the question's own table.
        figure.tables |= log_tables(found) | {"unknowns": unknowns_table(found)}
    return figure


def _names(found: Judged) -> list[str]:
    """A label a bar, and one for those that are gathered."""
    wide = characters((_LEFT - 0.05) * WIDTH, 1.12 * text_size(WIDTH))
    shown = told_apart(found)[:_BARS]
    verdict = found.verdict
    names = [label(capital(spoken(verdict.rivals[k].name)), wide, 3) for k in shown]
    rest = others_in_words(found, len(shown))
    return [*names, label(rest, characters(0.9 * WIDTH, text_size(WIDTH)), 1)] if rest else names


def _draw_bars(axes: Any, found: Judged, names: list[str], deep: float) -> None:
    """A bar an explanation, most probable first; hollow where none explains the data."""
    verdict, fits = found.verdict, found.verdict.fits_data
    shown = told_apart(found)[:_BARS]
    line = line_height()
    at = 0.0
    for k, name in enumerate(names):
        tall = lines(name) + 0.11 / line
        middle = at + tall / 2
        at += tall
        across = axes.get_yaxis_transform()
        if k == len(shown):
            left = (0.02 - _LEFT) / (_RIGHT - _LEFT)
            axes.text(left, middle, name, transform=across, va="center", color=SOFT)
            continue
        p, error = float(verdict.probabilities[k]), error_of(found, k)
        strong = verdict.rivals[k].name in verdict.open
        colour = STRONG if strong else REST
        fill = colour if fits else BACKGROUND
        axes.barh(middle, p, height=0.78, color=fill, edgecolor=colour, lw=1.5)
        ends = [max(p - error, 0.0), min(p + error, 1.0)]
        if error >= 0.005:
            whisker(axes, ends, middle, 0.2)
        axes.text(
            max(p, ends[1] if error >= 0.005 else p) + 0.03, middle, likely(p), va="center",
            weight="bold" if strong and fits else "normal", color=INK if fits else SOFT,
        )  # fmt: skip
        axes.text(
            -0.04, middle, name, transform=across, ha="right", va="center", linespacing=1.0,
            weight="bold" if strong and fits else "normal", color=INK if strong and fits else SOFT,
        )  # fmt: skip
    axes.axvline(0, color=SOFT, lw=1)
    axes.set_xlim(0, 1)
    axes.set_ylim(deep, 0)
    axes.axvline(1, color=GRID, lw=1, zorder=0)
    bare(axes)


def _heading(found: Judged) -> str:
    return "How likely each explanation is" if found.verdict.fits_data else "How they rank"


def _under(found: Judged) -> str:
    if not found.verdict.fits_data:
        return f"{found.title} The bars only rank explanations that all fail."
    return found.title


def _about(found: Judged) -> str:
    """What the words of the bars mean."""
    there = {m for rival in found.verdict.rivals for m in rival.acting}
    said = [f"{spoken(name)}: {words}" for name, words in _ABOUT.items() if name in there]
    text = capital("; ".join(said) + ".")
    return f"Blue: not told apart by these data. {text}" if len(found.verdict.open) > 1 else text


def _foot(found: Judged) -> str:
    from poresim import __version__

    said = ["INVENTED DATA."] if found.invented else []
    said.append("Whiskers on bars: error of the computation.")
    if not found.settled:
        said.append("They are wider than was asked for.")
    if found.usual:
        said.append("Assumed before: usual ranges, as none were given.")
    said.append(
        f"Computed with poresim {__version__} from a bank of {found.soaks:,} soaks, accuracy "
        f"{100 * found.accuracy:g} %, seed {found.seed}. As good as its model."
    )
    return " ".join(said)


def write_figure(found: Judged, path: Path) -> list[Path]:
    """Write it, its PNG under this name; the files."""
    return write(judged_figure(found), path, PARTS)
