"""The page itself: what its template is given, and how it is written."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.resources import files
from typing import Any

import numpy as np
from markupsafe import Markup

from poresim import __version__
from poresim.outcome.cautions import CAUTIONS
from poresim.outcome.words import capital
from poresim.record.layout import RecordError
from poresim.record.model import Record
from poresim.scenario.reading import LARGEST_FILE
from poresim.show.report import numbers, visible
from poresim.show.report.answer import answer
from poresim.show.report.assumed import Assumed, assumed
from poresim.show.report.checks import Check, Ended, alarms, checks, endings
from poresim.show.report.pictures import pictures
from poresim.show.report.question import question
from poresim.show.report.repeat import Recipe, page_command, recipe
from poresim.show.series import series_of
from poresim.show.style import BACKGROUND, DRY, GRID, INK, LIQUIDS, SOFT

#: Nothing is fetched, nothing runs: styles stand in the page, pictures are data.
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'"
)


@dataclass(frozen=True)
class Told:
    """One record and all that the page says of it alone."""

    record: Record
    name: str
    date: str
    question: str
    assumed: Assumed
    built: list[tuple[str, str]]
    checks: list[Check]
    endings: list[Ended]
    recipe: Recipe


@dataclass(frozen=True)
class Page:
    """The page as text, what could not be drawn, and what it says, for those who ask in JSON."""

    text: str
    remarks: list[str]
    told: dict[str, Any]


def page(records: Sequence[Record], move: Callable[[float], None] = lambda done: None) -> Page:
    """Of one record, or of several side by side. ``move`` is told how much is done, up to 1.

    Raises RecordError where no soak is finished, or a scenario is longer than any may be.
    """
    for record in records:
        if len(record.scenario) > LARGEST_FILE:
            raise RecordError(
                f"{record.path}: holds a scenario of {len(record.scenario):,} letters; "
                f"one has at most {LARGEST_FILE:,}"
            )
    series = series_of(records)
    if not series:
        raise RecordError("nothing to report: no soak in these records is finished")
    told = [_told(record) for record in records]
    found = [one.summary for one in series]
    said = answer(records, series)
    shown, remarks = pictures(records, series, move)
    loud = [(one.name, text) for one in told for text in alarms(one.record, one.assumed)]
    text = _template().render(
        policy=POLICY,
        style=Markup(_style()),  # our own file and colours
        title=_title(records),
        dates=list(dict.fromkeys(one.date for one in told)),
        version=__version__,
        several=len(records) > 1,
        told=told,
        alarms=loud,
        invented=any("invented" in record.scenario.lower() for record in records),
        answer=said,
        series=series,
        pictures=shown,
        remarks=remarks,
        groups=numbers.groups(series),
        solids=numbers.solids(found),
        cautions=CAUTIONS,
        command=page_command(records),
    )
    return Page(
        text,
        remarks,
        {
            "headline": said.sentence,
            "liquids": [summary.as_dict() for summary in found],
            "figures": [picture.name for picture in shown],
            "checks": [
                {"record": str(one.record.path), **asdict(c)}
                for one in told
                for c in one.checks
            ],
            "alarms": [text for _, text in loud],
        },
    )  # fmt: skip


def _told(record: Record) -> Told:
    found = assumed(record.scenario)
    return Told(
        record,
        record.name.replace("_", " "),
        _date(record.created),
        question(record, found),
        found,
        list(_built(record)),
        checks(record, found),
        list(endings(record)),
        recipe(record, found),
    )


def _title(records: Sequence[Record]) -> str:
    titles = list(dict.fromkeys(record.title or record.name for record in records))
    return titles[0] if len(titles) == 1 else "; ".join(titles)


def _date(created: str) -> str:
    """The day and minute of a run, or what stands there."""
    try:
        return f"{datetime.fromisoformat(created):%d %B %Y, %H:%M} UTC".lstrip("0")
    except ValueError:
        return created[:40]


def _built(record: Record) -> Iterator[tuple[str, str]]:
    """Of the solids: what was drawn by the laws of the scenario."""
    solids = [record.solid(number) for number in record.solids]
    if not solids:
        return
    yield "Solids", str(len(solids))
    yield "Junctions", _span([solid.junctions for solid in solids], ",.0f")
    yield "Tubes", _span([solid.tubes for solid in solids], ",.0f")
    radii = [1e6 * float(np.median(solid.radius)) for solid in solids]
    yield "Median radius of the tubes", f"{_span(radii, '.3g')} µm"
    if all(solid.size is not None for solid in solids):
        shares = [
            100 * float(s.tube_volume.sum() + s.body_volume.sum()) / float(np.prod(s.size))  # type: ignore[arg-type]
            for s in solids
        ]
        yield "Volume of tubes over that of the block", f"{_span(shares, '.3g')} %"


def _span(values: Sequence[float], form: str) -> str:
    low, high = (format(v, form).replace(",", "\u202f") for v in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    there = files("poresim.show.report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, finalize=visible.shown,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {
        "held": visible.held, "capital": capital, "bar": numbers.bar, "full": numbers.full,
        "colour": lambda one: one.place % len(LIQUIDS),
    }  # fmt: skip
    return environment.from_string((there / "page.html").read_text("utf-8"))


def _style() -> str:
    """The style sheet, with the colours of all our pictures."""
    names = {"paper": BACKGROUND, "ink": INK, "soft": SOFT, "line": GRID, "dry": DRY}
    colours = "".join(f"--{name}: {colour};" for name, colour in names.items())
    liquids = "\n".join(f".liquid-{i} {{ --own: {colour}; }}" for i, colour in enumerate(LIQUIDS))
    sheet = (files("poresim.show.report") / "page.css").read_text("utf-8")
    return f":root {{ {colours} }}\n{liquids}\n{sheet}"
