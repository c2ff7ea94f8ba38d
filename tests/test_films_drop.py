"""Drops and dunked pieces in films: areas, heights and colours in pixels, against the record."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from films_seen import film, frame, parts, repeat_of, saturation
from films_soaked import DROPS, DUNKED, WIDE, soaked
from numpy.testing import assert_allclose

from poresim.record.model import Record, Repeat
from poresim.show.films.course import Course
from poresim.show.films.drop import DropScene, drop_at
from poresim.show.films.dunk import DunkScene
from poresim.show.films.moisture import Moisture
from poresim.show.films.stage import Stage
from poresim.show.lifts import dip_of
from poresim.show.section import NotAsked
from poresim.show.style import rgb

SIZE = (640, 480)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("drop")


# ---- drops -----------------------------------------------------------------------------------


def above(scene: DropScene, image: np.ndarray, k: int, ground: str) -> np.ndarray:
    """What is drawn above the face of panel k, where the ground is not."""
    whole, slab = scene.panels.cells[k], scene.cells[k]
    part = image[whole.top - 2 : slab.top, whole.left : whole.right, :3].astype(int)
    return np.abs(part - rgb(ground)).max(axis=2) > 12


def cap(repeat: Repeat, when: float) -> tuple[float, float, float]:
    """Base radius and height, mm, by the record's rows about a time; and the cap's area, mm2."""
    root = np.sqrt(repeat.time_s)
    base, height = (
        1e3 * float(np.interp(math.sqrt(when), root, column))
        for column in (repeat.drop_base_m, repeat.drop_height_m)
    )
    radius, half = (base**2 + height**2) / (2 * height), 2 * math.atan2(height, base)
    return base, height, radius**2 * (half - math.sin(half) * math.cos(half))


def drop_times(repeat: Repeat) -> list[float]:
    """When it is set down, with half of it left, and with a tenth."""
    left = repeat.drop_m3 / repeat.drop_m3[0]
    return [0.0, *(float(repeat.time_s[np.argmin(np.abs(left - x))]) for x in (0.5, 0.1))]


@pytest.mark.parametrize("dark", [False, True])
def test_drops_are_the_caps_of_the_record(folder, dark):
    """Area, width at the face and height in pixels, but for the thickness of the outline."""
    record = soaked(DROPS, folder)
    scene = DropScene([record])
    times = drop_times(repeat_of(record, 0))
    one = film(scene, times, (960, 720), dark=dark)
    scale, line = scene.panels.scale, 0.13 * one._page.letter
    for number, when in enumerate(times):
        image = frame(one, number)
        for k in range(2):
            base, height, area = cap(repeat_of(record, k), when)
            seen = above(scene, image, k, one._page.theme.ground)
            arc = math.pi * math.hypot(base, height)  # about as long as the outline
            assert abs(seen.sum() - scale**2 * area) <= 0.7 * line * scale * arc, (k, when)
            rows, columns = (np.flatnonzero(seen.any(axis=axis)) for axis in (1, 0))
            widest = base if height <= base else (base**2 + height**2) / (2 * height)
            assert abs(len(columns) - 2 * scale * widest) <= 2 * line + 4
            assert abs(rows[-1] - rows[0] + 1 - scale * height) <= line + 2
            assert rows[-1] == seen.shape[0] - 1  # it rests on the face
            middle = scene.cells[k].width / 2
            assert abs(columns.mean() - middle) <= 1.5


def test_no_drop_is_drawn_once_it_is_gone(folder):
    record = soaked(DROPS, folder)
    repeat = repeat_of(record, 0)
    left = repeat.drop_m3 / repeat.drop_m3[0]
    gone = float(repeat.time_s[np.flatnonzero(left <= 1e-6)[0]])
    scene = DropScene([record])
    one = film(scene, [0.9 * gone, gone, 1.5 * gone], SIZE)
    ground = one._page.theme.ground
    seen = [above(scene, frame(one, n), 0, ground)[:-3].sum() for n in range(3)]
    assert seen[0] > 0 and seen[1:] == [0, 0]
    assert scene.panels.below[0].get_text() == "gone"
    assert above(scene, frame(one, 2), 1, ground).sum() > 500  # the other stays
    assert "% on top, 95°" in scene.panels.below[1].get_text()


def test_one_drop_after_another(folder):
    """The second is there from its own time on, as the first was from the start."""
    record = soaked(DROPS, folder)
    first = repeat_of(record, 0)
    last = float(first.time_s[-1])
    rows = len(first.time_s)
    again = [f.name for f in fields(first) if np.shape(getattr(first, f.name))[:1] == (rows,)]
    twice = {name: np.concatenate([getattr(first, name)] * 2) for name in again}
    twice["time_s"] = np.concatenate([first.time_s, last + first.time_s])
    dispensed = np.repeat([1.0, 2.0], rows) * first.drop_m3[0]
    both = replace(first, **{**twice, "dispensed_m3": dispensed})
    assert drop_at(both, 0.999 * last)[3] < 1e-3
    for share in (0.0, 1e-4, 1e-3):
        assert_allclose(drop_at(both, last * (1 + share)), drop_at(first, last * share), rtol=0.2)
    assert_allclose(drop_at(both, last), drop_at(first, 0.0), rtol=1e-12)
    two = replace(record, liquids=[replace(record.liquids[0], repeats={0: both})])
    scene = DropScene([two])
    one = film(scene, [0.9 * last, last], SIZE)
    seen = [above(scene, frame(one, n), 0, one._page.theme.ground).sum() for n in range(2)]
    assert seen[0] < 50 < 500 < seen[1]


def test_a_film_of_drops_needs_drops(folder):
    with pytest.raises(NotAsked, match="no liquid is a drop"):
        DropScene([soaked(WIDE, folder)])


# ---- dunked ----------------------------------------------------------------------------------


def piece(scene: DunkScene, one: Stage, image: np.ndarray, k: int) -> np.ndarray:
    """(pixels,) how wet each pixel of a piece looks, its outline left out."""
    own = scene._pieces[k]
    high, wide = own._map.inside.shape
    top, left = standing(scene, one, image, k), own._left
    from scipy.ndimage import binary_erosion

    inner = binary_erosion(own._map.inside, iterations=3)
    part = image[top : top + high, left : left + wide][inner]
    return parts(part, one._page.theme.dry, one._page.theme.liquid(k))[:, 1]


def standing(scene: DunkScene, one: Stage, image: np.ndarray, k: int) -> int:
    """Row of a piece's uppermost pixel: the outline of its upper corner."""
    cell = scene.panels.cells[k]
    page = one._page
    strip = 2 * round(0.1 * cell.width) if scene._strong else 0
    part = image[cell.top - 3 : cell.bottom, cell.left : cell.right - strip, :3].astype(int)
    rows = np.flatnonzero((np.abs(part - rgb(page.theme.ground)).max(axis=2) > 25).any(axis=1))
    return cell.top - 3 + int(rows[0]) + 1


def test_a_piece_is_as_wet_as_its_pores_and_stands_in_the_bath(folder):
    """Upright on the liquid: the mean of its colours is the record's saturation, where the pores
    lie evenly; its bath reaches up to it."""
    record = soaked(WIDE, folder)
    scene = DunkScene([record])
    own = repeat_of(record, 1).snapshot_time_s
    times = [0.0, float(own[2]), float(own[5:7].mean()), float(own[9])]
    one = film(scene, times, SIZE)
    for number, when in enumerate(times):
        image = frame(one, number)
        for k in range(2):
            fill = scene._pieces[k]._course.at(when).fill
            bins = scene._pieces[k]._moisture.shares(fill)
            seen = piece(scene, one, image, k)
            assert abs(seen.mean() - bins.mean()) <= 0.02, (k, when)
            if number == 0:
                assert np.abs(seen).max() < 0.02
            level = scene._pieces[k]._bath.top
            assert (
                abs(standing(scene, one, image, k) + scene._pieces[k]._map.inside.shape[0] - level)
                <= 1
            )


@pytest.mark.parametrize(("text", "k"), [(WIDE, 0), (WIDE, 1), (DUNKED, 0), (DUNKED, 1)])
def test_cells_weighted_by_their_pores_are_the_saturation(folder, text, k):
    record = soaked(text, folder)
    solid, repeat = record.solid(0), repeat_of(record, k)
    moisture, course = Moisture(solid), Course(repeat, solid)
    pores = moisture._whole
    for share in (0.01, 0.1, 0.3, 0.7):
        when = share * float(repeat.snapshot_time_s[-1])
        bins = moisture.shares(course.at(when).fill)
        mean = float((bins * pores).sum() / pores.sum())
        assert abs(mean - saturation(repeat, when)) <= 0.02, share
        assert bins.min() >= 0 and bins.max() <= 1


def test_it_is_in_the_bath_until_it_is_lifted_out(folder):
    record: Record = soaked(DUNKED, folder)
    scene = DunkScene([record])
    lift = record.lift_s[0]
    times = [0.0, 0.5 * lift, lift, 1.01 * lift, scene.until_s]
    one = film(scene, times, (720, 560))
    dip = dip_of(record)
    assert dip is not None and dip.depth is not None
    scale = scene.panels.scale
    for k in range(2):
        own = scene._pieces[k]
        places = [standing(scene, one, frame(one, n), k) for n in range(5)]
        assert len(set(places[:3])) == 1 and len(set(places[3:])) == 1
        high = own._map.inside.shape[0]
        lowest = [place + high for place in places]
        level = own._bath.top
        assert abs(lowest[0] - level - 1e3 * dip.depth * scale) <= 1.5  # so deep in the bath
        assert lowest[4] < level - 3  # clear of it
        wide, tall = np.array([1.6, 0.8])
        assert_allclose(
            [own._map.inside.shape[1], high],
            scale * np.array([
                wide * math.cos(dip.tilt) + tall * math.sin(dip.tilt),
                tall * math.cos(dip.tilt) + wide * math.sin(dip.tilt),
            ]), atol=1.5,
        )  # fmt: skip
        rows, columns = np.nonzero(own._map.inside)
        lower = columns[rows == rows.max()].mean()
        assert lower < own._map.inside.shape[1] / 2  # its left end is the lower one
        line = np.polyfit(*_lower_edge(own._map.inside), 1)[0]
        assert_allclose(math.degrees(math.atan(-line)), math.degrees(dip.tilt), atol=0.7)


def _lower_edge(inside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns right of the lowest corner, and the row of the lowest pixel in each."""
    lowest = inside.shape[0] - 1 - np.argmax(inside[::-1], axis=0)
    start = int(np.argmax(lowest)) + 3
    columns = np.arange(start, start + (inside.shape[1] - start) // 2)
    return columns, lowest[columns]


def test_the_strip_is_as_high_as_its_strength(folder):
    record = soaked(DUNKED, folder)
    scene = DunkScene([record])
    times = [0.0, 0.03, 0.1, 0.4]
    one = film(scene, times, (720, 560))
    ink, bare = (np.array(rgb(c)) for c in (one._page.theme.ink, one._page.theme.grid))
    for number, when in enumerate(times):
        image = frame(one, number)
        for k in range(2):
            repeat, strip = repeat_of(record, k), scene._pieces[k]._strip
            force = np.interp(math.sqrt(when), np.sqrt(repeat.time_s), repeat.snap_force_N)
            share = force / repeat.snap_force_N[0]
            column = strip.of(image)[:, strip.width // 2, :3].astype(int)
            dark = (np.abs(column - ink).max(axis=1) < 8).sum()
            rest = (np.abs(column - bare).max(axis=1) < 8).sum()
            assert abs(dark - share * strip.height) <= 1
            assert dark + rest == strip.height
            said = scene.panels.below[k].get_text()
            assert ("gave way at" in said) == (when >= repeat.fails_at_s)
