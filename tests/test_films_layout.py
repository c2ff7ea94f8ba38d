"""Words in films: read on a phone, whole, and not on one another, whatever is to be shown."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from films_seen import check_words, film
from films_soaked import VIEWS, soaked

from poresim.record.model import Record
from poresim.show.films.stage import Stage

SIZES = ((1920, 1080), (1080, 1920), (1280, 720), (480, 480), (640, 360))
COUNTS = (1, 2, 4, 7)
LONG = (
    "broth of the first lot with an uncommonly long name",
    "gum",
    "broth of the second lot with an uncommonly long name",
    "a_single_word_that_does_not_end_where_one_would_like_it_to",
    "spiced broth, stood 3 min",
    "spiced broth, stood 30 min",
    "WWWWWWWWWWWW MMMMMMMMMMM",
)
TITLE = "A rusk in a great many broths of which every one has a name that is too long for a film"


def many(record: Record, count: int) -> Record:
    """A record of so many liquids with long names."""
    had = record.liquids
    made = [replace(had[-1 - k % len(had)], name=LONG[k]) for k in range(count)]
    return replace(record, liquids=made)


def drawn(view: str, size: tuple[int, int], count: int, record: Record, **how) -> Stage:
    """A film at its end, when there is most to say."""
    scene = VIEWS[view][0]([many(record, count)])
    one = film(scene, [0.0, 0.4 * scene.until_s, scene.until_s], size, title=TITLE, **how)
    one.image(1)
    return one


def cells(one: Stage) -> list:
    panels = getattr(one._scene, "panels", None)
    return [] if panels is None else list(panels.cells)


QUICK = (
    ("section", (480, 480), 7), ("section", (640, 360), 4), ("block", (640, 360), 7),
    ("front", (640, 360), 7), ("front", (480, 480), 2), ("throat", (480, 480), 4),
    ("drop", (480, 480), 2), ("dunk", (640, 360), 4), ("dunk", (1080, 1920), 1),
)  # fmt: skip


def cases() -> list:
    every = itertools.product(VIEWS, SIZES, COUNTS)
    slow = pytest.mark.slow
    return [pytest.param(*one, marks=() if one in QUICK else slow) for one in every]


@pytest.mark.parametrize(("view", "size", "count"), cases())
def test_words_are_whole_and_apart(tmp_path, view, size, count):
    one = drawn(view, size, count, soaked(VIEWS[view][1], tmp_path))
    check_words(one, cells(one))
    one.image(2)
    check_words(one, cells(one))
