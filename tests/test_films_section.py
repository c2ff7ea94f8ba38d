"""Sections in films: the wet area in pixels is the liquid in the record, at every time."""

from __future__ import annotations

import numpy as np
import pytest
from films_seen import at, film, frame, inside, parts, repeat_of, saturation, wet_share
from films_soaked import DUNKED, FLAT, WAISTED, WIDE, soaked
from numpy.testing import assert_array_equal

from poresim.show.films.raster import FULL, TubeMap
from poresim.show.films.section import SectionScene
from poresim.show.lifts import dip_of
from poresim.show.slab import Slab

SIZES = ((640, 360), (480, 480), (360, 640), (900, 300))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("section")


def moments(scene: SectionScene) -> list[float]:
    """Snapshots of the first liquid, and times between."""
    own = scene.repeats[0].snapshot_time_s
    return [*own[[1, 4, 7]].tolist(), 0.5 * own[0], 0.3 * own[2] + 0.7 * own[3], own[5:7].mean()]


def count(seen: TubeMap, fill: np.ndarray) -> tuple[int, int]:
    """Fine pixels of tubes, and of these the wet ones, by the rule of the kernel, in numpy."""
    tubes = seen.owner >= 0
    own, along = seen.owner[tubes], seen.along[tubes]
    first, rest = fill[own, 0], 1 - fill[own, 1]
    wet = (along < first) | (along > rest) | (first >= rest - FULL)
    return int(tubes.sum()), int(wet.sum())


@pytest.mark.parametrize("size", SIZES)
def test_wet_area_is_the_records_saturation(folder, size):
    """Of every panel at the clock's own time, within 1 % of all tubes' area, in a lattice where
    shares of area and of volume are the same. Its liquids are of different speed: the picture of
    another moment is further off."""
    record = soaked(FLAT, folder)
    scene = SectionScene([record])
    times = moments(scene)
    one = film(scene, times, size)
    others = []
    for number, when in enumerate(times):
        image = frame(one, number)
        for k in range(2):
            share = wet_share(scene, one, image, k)
            repeat = repeat_of(record, k)
            assert abs(share - saturation(repeat, when)) <= 0.01, (k, when)
            others.append(abs(share - saturation(repeat, 1.3 * when)))
        fast, slow = (saturation(repeat_of(record, k), when) for k in range(2))
        assert fast > slow + 0.08
    assert np.median(others) > 0.01


def slab_share(slab: Slab, fill: np.ndarray) -> float:
    """Wet share of the area of all tubes' outlines, six corners each."""
    return float(area(slab.wet_shapes(fill)).sum() / area(slab.all_shapes()).sum())


def area(shapes: np.ndarray) -> np.ndarray:
    """Of polygons (t, 6, 2), by Gauss's formula."""
    x, y = shapes[..., 0], shapes[..., 1]
    return np.abs((x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1)).sum(axis=1)) / 2


@pytest.mark.parametrize(("text", "k"), [(WIDE, 1), (WAISTED, 2), (DUNKED, 1)])
def test_wet_area_of_waisted_tubes_is_that_of_their_outlines(folder, text, k):
    """Drawn apart by other means: polygons of whole tubes and of their wet parts."""
    record = soaked(text, folder)
    scene = SectionScene([record])
    scene.bars = 0.0
    times = moments(scene)
    one = film(scene, times, (640, 480))
    assert scene.repeats[k].snapshot_time_s[-1] >= times[-1]
    for number, when in enumerate(times):
        image = frame(one, number)
        fill = scene.courses[k].at(when).fill
        seen, wet = count(scene._panels[k].seen, fill[scene.slabs[k].tubes])
        expected = slab_share(scene.slabs[k], fill)
        assert abs(wet / seen - expected) <= 0.012, when
        plain = not scene._closing and dip_of(record) is None  # else bars, or a line, lie over it
        if plain:
            assert abs(wet_share(scene, one, image, k) - expected) <= 0.012, when


def along(slab, cell, scale: float, share: float, rows: np.ndarray) -> np.ndarray:
    """Pixels on the axes of tubes, this share of their length from the start."""
    points = slab.start[rows] + share * (slab.end[rows] - slab.start[rows])
    return at(slab, cell, scale, points)


@pytest.mark.parametrize("dark", [False, True])
def test_tubes_are_wet_from_the_end_that_the_liquid_came_to(folder, dark):
    """At points of every tube's axis: what the record has dry is dry there, what it has wet wet."""
    scene = SectionScene([soaked(FLAT, folder)])
    times = moments(scene)
    one = film(scene, times, (640, 480), dark=dark)
    theme = one._page.theme
    checked = 0
    for number, when in enumerate(times):
        image = frame(one, number)
        for k, slab in enumerate(scene.slabs):
            fill = scene.courses[k].at(when).fill[slab.tubes].astype(float)
            wet = theme.liquid(scene.series[k].place)
            for share in (0.25, 0.5, 0.75):
                is_wet = (share < fill[:, 0]) | (share > 1 - fill[:, 1])
                nearest = np.minimum(abs(share - fill[:, 0]), abs(share - 1 + fill[:, 1]))
                rows = np.flatnonzero(nearest > 0.15)
                found = along(slab, scene.cells[k], scene.panels.scale, share, rows)
                colour = parts(image[found[:, 0], found[:, 1]], theme.panel, theme.dry, wet)
                assert_array_equal(colour[:, 2] > colour[:, 1], is_wet[rows])
                checked += len(rows)
    assert checked > 5000


@pytest.mark.parametrize("text", [FLAT, WAISTED, DUNKED])
def test_at_the_start_nothing_is_wet(folder, text):
    scene = SectionScene([soaked(text, folder)])
    one = film(scene, [0.0, 0.02 * scene.until_s], (640, 480))
    theme = one._page.theme
    for k, cell in enumerate(scene.cells):
        liquid = theme.liquid(scene.series[k].place)
        dry, later = (
            parts(inside(cell, frame(one, n), 5), theme.panel, theme.dry, liquid)[..., 2]
            for n in (0, 1)
        )
        if dip_of(soaked(text, folder)) is None:  # else the surface is a line across the panel
            assert dry.max() < 0.02
            assert later.max() > 0.9
        assert scene.panels.below[k].get_text() != "dry"
        one.image(0)
        assert scene.panels.below[k].get_text() == "dry"


@pytest.mark.parametrize("text", [FLAT, WIDE])
def test_a_solid_that_is_full_has_no_dry_pixel(folder, text):
    """To the round ends of its tubes."""
    scene = SectionScene([soaked(text, folder)])
    one = film(scene, [scene.until_s], (640, 480))
    image, theme = frame(one, 0), one._page.theme
    assert np.isfinite(scene.repeats[0].filled_at_s).all()
    dry = parts(inside(scene.cells[0], image, 3), theme.panel, theme.dry, theme.liquid(0))[..., 1]
    assert dry.max() < 0.05
    assert (
        count(scene._panels[0].seen, scene.courses[0].at(scene.until_s).fill[scene.slabs[0].tubes])[
            0
        ]
        > 10_000
    )


def test_readings_are_the_records(folder):
    record = soaked(WAISTED, folder)
    scene = SectionScene([record])
    when = 0.2 * scene.until_s
    one = film(scene, [when])
    one.image(0)
    for k, text in enumerate(scene.panels.below):
        repeat = repeat_of(record, k)
        said = text.get_text().split("\n")
        assert said[0] == f"{100 * saturation(repeat, when):.0f} % full"
        with np.errstate(invalid="ignore"):
            closed = 100 * (repeat.blocked_at_s <= when).mean()
        assert said[1:] == ([] if k < 2 else [f"{closed:.0f} % closed"])


def test_bars_stand_where_throats_are_closed(folder):
    """As many as the record has; none before the first."""
    scene = SectionScene([soaked(WAISTED, folder)])
    repeat, slab = scene.repeats[2], scene.slabs[2]
    closing = np.sort(repeat.blocked_at_s[slab.tubes])
    closing = closing[np.isfinite(closing)]
    times = [0.5 * closing[0], float(closing[len(closing) // 2]), scene.until_s]
    one = film(scene, times, (640, 480))
    for number, when in enumerate(times):
        image = frame(one, number)
        with np.errstate(invalid="ignore"):
            closed = repeat.blocked_at_s[slab.tubes] <= when
        middle = along(slab, scene.cells[2], scene.panels.scale, 0.5, np.arange(len(closed)))
        dark = np.abs(image[middle[:, 0], middle[:, 1], :3].astype(int) - 0x20).max(axis=1) < 60
        assert_array_equal(dark, closed)
    assert closed.sum() > 5
