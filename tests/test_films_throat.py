"""Fronts and throats in films: lines that grow with the clock, grains that the run caught."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from films_seen import film, frame, repeat_of
from films_soaked import DROPS, DUNKED, FLAT, WAISTED, soaked
from numpy.testing import assert_allclose, assert_array_equal

from poresim.show.films.front import FrontScene
from poresim.show.films.section import SectionScene, pixels
from poresim.show.films.throat import _MOST, Grain, ThroatScene, grains_in
from poresim.show.section import margin_of
from poresim.show.style import rgb


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("throat")


# ---- fronts ----------------------------------------------------------------------------------


def test_lines_are_drawn_to_the_clock_and_no_further(folder):
    """Right of the clock's column all is as without lines, left of it as with all of them."""
    scene = FrontScene([soaked(WAISTED, folder)])
    times = [0.0, 0.31 * scene.until_s, 0.77 * scene.until_s, scene.until_s]
    one = film(scene, times, (640, 360))
    axes = scene._at
    head = round(one._page.letter)
    whole = frame(one, 3)
    bare = one._page._ground
    assert (whole != bare)[axes.top : axes.bottom, axes.left : axes.right].any(axis=2).mean() > 0.02
    for number, when in enumerate(times):
        image = frame(one, number)
        column = round(axes.left + axes.width * when / scene.until_s)
        rows = slice(axes.top, axes.bottom)
        right = slice(column + head, axes.right)
        assert_array_equal(image[rows, right], bare[rows, right])
        left = slice(axes.left, max(column - head, axes.left))
        assert_array_equal(image[rows, left], scene._grown[rows, left])


def test_heads_stand_at_the_records_depth(folder):
    """At the median depth of the menisci then, on the line itself: as drawn, in its colour."""
    record = soaked(WAISTED, folder)
    scene = FrontScene([record])
    times = [share * scene.until_s for share in (0.002, 0.01, 0.05)]
    one = film(scene, times, (1280, 720))
    axes, page = scene._at, one._page
    for number, when in enumerate(times):
        one.image(number)
        for k in range(3):
            repeat = repeat_of(record, k)
            depth = 1e3 * np.interp(math.sqrt(when), np.sqrt(repeat.time_s), repeat.front_m[:, 2])
            if not np.isfinite(depth):
                continue
            x, y = (float(one[0]) for one in scene._moving[k][0].get_data())
            assert abs(x * page.width - axes.left - axes.width * when / scene.until_s) <= 0.6
            row = axes.bottom - axes.height * depth / scene._deepest
            assert abs((1 - y) * page.height - row) <= 2, (k, when)
    # a line that is flat there, by its pixels
    k, when = 2, 0.9 * scene.until_s
    repeat = repeat_of(record, k)
    depth = 1e3 * np.interp(math.sqrt(when), np.sqrt(repeat.time_s), repeat.front_m[:, 2])
    column = round(axes.left + 0.9 * axes.width)
    near = scene._grown[axes.top : axes.bottom, column - 12 : column + 12, :3].astype(int)
    own = np.abs(near - rgb(page.theme.liquid(k))).max(axis=2) < 30
    rows = axes.top + np.flatnonzero(own.any(axis=1))
    assert abs(rows.mean() + 0.5 - (axes.bottom - axes.height * depth / scene._deepest)) <= 2


def test_names_of_fronts_stay_beside_their_lines_and_apart(folder):
    scene = FrontScene([soaked(WAISTED, folder)])
    one = film(scene, [0.0, 0.5 * scene.until_s], (640, 360))
    for number in range(2):
        one.image(number)
        boxes = [
            name.get_window_extent(one._page._canvas.get_renderer()) for _, name in scene._moving
        ]
        places = sorted((box.y0, box.y1) for box in boxes)
        assert all(low[1] <= high[0] + 1 for low, high in zip(places, places[1:], strict=False))
        assert all(box.x0 > scene._at.right for box in boxes)


# ---- throats ---------------------------------------------------------------------------------


def spiced(folder) -> tuple[ThroatScene, int]:
    return ThroatScene([soaked(WAISTED, folder)]), 2


def test_as_many_grains_as_the_run_caught(folder):
    """In every tube the volume caught over that of one grain, size by size, at most so many."""
    scene, k = spiced(folder)
    record, repeat, slab = soaked(WAISTED, folder), scene.repeats[k], scene.slabs[k]
    each = math.pi / 6 * repeat.class_diameter_m**3
    found = grains_in(slab, repeat, record.solid(0).ends)
    expected, at = 0, 0
    for tube in slab.tubes:
        counts = np.rint(repeat.captured_in_tube_m3[tube] / each).astype(int)
        sizes = np.sort(np.repeat(repeat.class_diameter_m, counts))[::-1][:_MOST]
        drawn = [2e-3 * one.radius for one in found[at : at + len(sizes)]]
        assert_allclose(drawn, sizes, rtol=1e-9)
        expected, at = expected + len(sizes), at + len(sizes)
    assert len(found) == expected > 30
    for other in (0, 1):
        assert scene._grains[other] == []


def test_no_grain_is_there_before_its_liquid(folder):
    """Nor after its throat has closed does one come; all lie in their tubes and in the window."""
    scene, k = spiced(folder)
    record, repeat, slab = soaked(WAISTED, folder), scene.repeats[k], scene.slabs[k]
    solid = record.solid(0)
    for row, tube in enumerate(slab.tubes):
        of_tubes = ("tubes", "start", "end", "radius", "waist")
        only = replace(slab, **{name: getattr(slab, name)[[row]] for name in of_tubes})
        begin = np.nanmin(np.append(repeat.wetted_at_s[solid.ends[tube]], np.inf))
        for one in grains_in(only, repeat, solid.ends):
            assert one.at_s > begin
            if np.isfinite(repeat.blocked_at_s[tube]):
                assert one.at_s <= repeat.blocked_at_s[tube] * (1 + 1e-9)
            _check_inside(one, only)
    low, high = slab.low, slab.high
    assert len(scene._grains[k]) > 20
    for one in scene._grains[k]:
        assert (one.place >= low).all() and (one.place <= high).all()


def _check_inside(one: Grain, slab) -> None:
    """Within the outline of its tube, or held where the tube is as narrow as the grain."""
    start, way = slab.start[0], slab.end[0] - slab.start[0]
    length = np.linalg.norm(way)
    along = (one.place - start) @ way / length**2
    across = way[0] * (one.place - start)[1] - way[1] * (one.place - start)[0]
    off = abs(across) / length
    assert -1e-9 <= along <= 1 + 1e-9
    waist = slab.waist[0]
    wide = slab.radius[0] * (waist + (1 - waist) * abs(2 * along - 1))
    assert off + one.radius <= max(wide, one.radius) + 1e-9


def test_counts_are_those_in_the_window(folder):
    scene, k = spiced(folder)
    repeat, slab = scene.repeats[k], scene.slabs[k]
    times = [0.0, *(share * scene.until_s for share in (0.01, 0.1, 1.0))]
    one = film(scene, times, (640, 480))
    middle = (slab.start + slab.end) / 2
    visible = ((middle >= slab.low) & (middle <= slab.high)).all(axis=1)
    for number, when in enumerate(times):
        one.image(number)
        there = sum(grain.at_s <= when for grain in scene._grains[k])
        with np.errstate(invalid="ignore"):
            closed = (repeat.blocked_at_s[slab.tubes[visible]] <= when).sum()
        assert scene.panels.below[k].get_text() == f"{there} grains\n{closed} closed"
        assert scene.panels.below[0].get_text() == "no grains"
    assert there > 10 and closed > 0


@pytest.mark.parametrize("transparent", [False, True])
def test_a_grain_is_as_large_as_it_is(folder, transparent):
    """Area in pixels, and where it lies."""
    scene, k = spiced(folder)
    slab = scene.slabs[k]
    place = (slab.low + slab.high) / 2 + 0.013
    radius = 0.02
    scene._grains = [[Grain(place, radius, 0.0)] if one == k else [] for one in range(3)]
    one = film(scene, [0.0], (900, 600), transparent=transparent)
    with_it = frame(one, 0)
    scene._grains = [[], [], []]
    differ = (with_it != frame(one, 0)).any(axis=2)
    rows, columns = np.nonzero(scene.cells[k].of(differ))
    scale = scene.panels.scale
    corner = np.array([slab.low[0] - margin_of(slab), slab.high[1] + margin_of(slab)])
    across, down = pixels(place, corner, scale)
    assert abs(columns.mean() + 0.5 - across) < 1 and abs(rows.mean() + 0.5 - down) < 1
    size = radius * scale
    assert math.pi * size**2 <= len(rows) <= math.pi * (size + 2.5) ** 2
    assert differ.sum() == len(rows) + differ[scene.panels.cells[k].bottom :].sum()


def test_the_window_is_where_throats_close(folder):
    scene, k = spiced(folder)
    slab = scene.slabs[k]
    assert np.isfinite(scene.repeats[k].blocked_at_s[slab.tubes]).sum() >= 5
    flat = ThroatScene([soaked(FLAT, folder)])
    tubes = flat.slabs[0].tubes
    first = int(np.nanargmin(flat.repeats[0].filled_at_s))
    assert first in tubes


@pytest.mark.parametrize("text", [DROPS, DUNKED])
def test_the_liquids_edge_is_that_of_the_whole_piece(folder, text):
    """Drawn no further than the panel, and where it is in the section: the same pixels of a slab,
    in the part of it that is shown."""
    record = soaked(text, folder)
    scene, whole = ThroatScene([record]), SectionScene([record])
    one, all_of_it = (film(made, [0.01], (900, 600)) for made in (scene, whole))
    image = frame(one, 0)
    all_of_it.image(0)
    ink = rgb(one._page.theme.ink)
    cell = scene.panels.cells[0]
    beside = image[cell.top + 3 : cell.bottom - 3]
    dark = np.abs(beside[..., :3].astype(int) - ink).max(axis=2) < 40
    shown = np.zeros(dark.shape[1], bool)
    for panel in scene.panels.cells:
        shown[panel.left - 4 : panel.right + 4] = True
    assert not dark[:, ~shown].any()
    line = [made._rims[0]._line for made in (scene, whole)]
    assert line[0].get_visible() == line[1].get_visible() == (text == DUNKED)
    if text == DUNKED:  # its height at the panel's middle, in mm
        heights = []
        for made, stage in ((scene, one), (whole, all_of_it)):
            x, y = (np.array(c) for c in made._rims[0]._line.get_data())
            slab, panel = made.slabs[0], made.panels.cells[0]
            left = panel.left - made.panels.scale * (slab.low[0] - margin_of(slab))
            foot = panel.bottom + made.panels.scale * (slab.low[1] - margin_of(slab))
            x = (x * stage.size[0] - left) / made.panels.scale
            y = (foot - (1 - y) * stage.size[1]) / made.panels.scale
            heights.append(np.interp(0.5, np.sort(x), y[np.argsort(x)]))
        assert abs(heights[0] - heights[1]) < 0.02
