"""The turning block: what is near hides what is far, sizes are to scale, wet is where wet is."""

from __future__ import annotations

import math

import numpy as np
import pytest
from films_seen import film, frame
from films_soaked import FLAT, WAISTED, WIDE, soaked
from numpy.testing import assert_allclose, assert_array_equal

from poresim.show.films.asked import VIEWS, Asked, film_of
from poresim.show.films.block import BlockScene
from poresim.show.films.solid_shapes import draw_rods, turned

DRY, WET, GROUND = (0, 200, 0), (200, 0, 0), (0, 0, 200)
#: Hue alone: rods are shaded, and fade.
PAINTS = np.array([DRY, WET, GROUND], float)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("block")


def drawn(start, end, half, fill, waist=1.0, thin=0.25, size=(80, 120)) -> np.ndarray:
    """(height, width, 4) of rods between points (across, down, towards the viewer)."""
    picture = np.zeros((*size, 4), np.uint8)
    start, end = np.array(start, float), np.array(end, float)
    count = len(start)
    draw_rods(
        (start, end), np.full(count, float(half)), np.full(count, float(waist)),
        np.array(fill, np.float32), PAINTS, thin, picture,
    )  # fmt: skip
    return picture


def test_known_points_are_seen_where_they_are():
    """Seen from the front, from the right, and from above; a quarter turn is against the clock."""
    x, y, z = np.eye(3)
    front = turned(np.array([x, y, z]), 0.0, 0.0)
    assert_allclose(front, [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-12)
    quarter = turned(np.array([x, y, z]), 90.0, 0.0)
    assert_allclose(quarter, [[0, 0, -1], [-1, 0, 0], [0, 1, 0]], atol=1e-12)
    above = turned(np.array([x, y, z]), 0.0, 90.0)
    assert_allclose(above, [[1, 0, 0], [0, 1, 0], [0, 0, 1]], atol=1e-12)
    tipped = turned(np.array([z]), 123.0, 30.0)
    assert_allclose(tipped, [[0, math.cos(math.pi / 6), 0.5]], atol=1e-12)


def test_turning_is_rigid(rng):
    points = rng.normal(size=(9, 3))
    seen = turned(points, 71.0, 24.0)
    assert_allclose(seen @ seen.T, points @ points.T, atol=1e-12)
    basis = turned(np.eye(3), 71.0, 24.0)
    assert_allclose(abs(np.linalg.det(basis)), 1.0)


@pytest.mark.parametrize("half", [3.0, 6.5])
@pytest.mark.parametrize("way", [(60.0, 0.0), (0.0, 40.0), (45.0, 30.0)])
def test_a_rod_covers_its_area(half, way):
    """A strip with round ends, within half a pixel about its border."""
    start = np.array([30.0, 20.0, 0.0])
    end = start + [*way, 0.0]
    picture = drawn([start], [end], half, [[1.0, 0.0]])
    length = math.hypot(*way)
    area = 2 * half * length + math.pi * half**2
    assert abs(picture[:, :, 3].sum() / 255 - area) < 0.03 * area
    # seen end on it is a circle
    up = drawn([start], [start + [0, 0, 30.0]], half, [[1.0, 0.0]])
    assert_allclose(up[:, :, 3].sum() / 255, math.pi * half**2, rtol=0.05)


def test_a_rod_is_narrow_at_its_waist():
    picture = drawn([[20.0, 40.0, 0]], [[100.0, 40.0, 0]], 10.0, [[1, 0]], waist=0.4)
    wide = picture[:, :, 3].sum(axis=0) / 255
    assert_allclose(wide[60], 2 * 4, atol=0.6)
    assert_allclose(wide[22], 2 * 10 * (0.4 + 0.6 * 0.9375), atol=0.6)


def test_wet_colour_is_just_where_it_is_wet():
    """From either end; what is dry of a tube is thin."""
    picture = drawn([[20.0, 40.0, 0]], [[100.0, 40.0, 0]], 8.0, [[0.3, 0.25]], thin=0.25)
    row = picture[40].astype(int)
    wet = (row[:, 0] > row[:, 1]) & (row[:, 3] > 200)
    dry = (row[:, 1] > row[:, 0]) & (row[:, 3] > 200)
    columns = np.arange(120)
    assert_array_equal(wet[14:44], True)
    assert_array_equal(dry[45:79], True)
    assert_array_equal(wet[81:106], True)
    assert not (wet | dry)[columns < 11].any()
    wide = picture[:, :, 3].sum(axis=0) / 255
    assert_allclose(wide[[30, 90]], 16, atol=1)
    assert_allclose(wide[60], 4, atol=1)
    none = drawn([[20.0, 40.0, 0]], [[100.0, 40.0, 0]], 8.0, [[0, 0]])
    assert not (none[:, :, 0] > none[:, :, 1]).any()


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_the_nearer_rod_hides_the_farther(order):
    """Whichever comes first; the wet one lies across the dry one, before it or behind."""
    start = np.array([[20.0, 40, 0], [60.0, 5, 0]])
    end = np.array([[100.0, 40, 0], [60.0, 75, 0]])
    for near in (20.0, -20.0):
        start[1, 2] = end[1, 2] = near
        fill = np.array([[0.0, 0.0], [1.0, 0.0]])
        rows = list(order)
        picture = drawn(start[rows], end[rows], 5.0, fill[rows], thin=1.0)
        red, green = picture[40, 60, :2].astype(int)
        assert (red > green) == (near > 0)
        # a dry rod's own colour lies beside the crossing
        assert picture[40, 30, 1] > picture[40, 30, 0]
    start[1, 2] = end[1, 2] = 1.0  # they run into each other: what bulges further is seen
    rows = list(order)
    picture = drawn(start[rows], end[rows], 5.0, fill[rows], thin=1.0)
    red, green = picture[36:45, 56:65, :2].astype(int).transpose(2, 0, 1)
    down, across = np.mgrid[36:45, 56:65] + 0.5
    dry, wet = (np.sqrt(25 - (axis - at) ** 2) for axis, at in ((down, 40), (across, 60)))
    sure = np.abs(wet + 1 - dry) > 0.8
    assert_array_equal((red > green)[sure], (wet + 1 > dry)[sure])
    assert sure.sum() > 40 and (wet + 1 < dry)[sure].any()


def test_what_is_far_is_paler():
    start = np.array([[20.0, 20, 30], [20.0, 60, -30]])
    picture = drawn(start, start + [80.0, 0, 0], 5.0, [[1, 0], [1, 0]]).astype(int)
    near, far = picture[20, 60], picture[60, 60]
    assert near[0] > 1.5 * far[0] and far[2] > near[2] + 80


def test_a_block_that_does_not_turn_stands_still(folder):
    """A soak that is over: its panel stays as it is; turning it changes."""
    record = soaked(WIDE, folder)
    for turn, still in ((0.0, True), (50.0, False)):
        scene = BlockScene([record], turn)
        one = film(scene, [0.9 * scene.until_s, scene.until_s], (320, 320))
        cell = scene.panels.cells[0]
        assert scene.courses[0].at(0.9 * scene.until_s).saturation > 0.999
        same = bool((cell.of(frame(one, 0)) == cell.of(frame(one, 1))).all())
        assert same == still


def test_colours_of_a_block_follow_the_record(folder):
    """Dry at the start: nothing in the liquid's hue. Then the lower part is wet, the upper not."""
    record = soaked(WIDE, folder)
    scene = BlockScene([record])
    when = float(scene.repeats[1].snapshot_time_s[4])
    one = film(scene, [0.0, when], (480, 480))
    cell = scene.panels.cells[1]

    def orange(image: np.ndarray) -> np.ndarray:
        part = cell.of(image)[2:-2, 2:-2].astype(int)
        return part[..., 0] - part[..., 2] > 80

    assert not orange(frame(one, 0)).any()
    wet = orange(frame(one, 1)).sum(axis=1)
    assert wet[-len(wet) // 4 :].sum() > 20 * wet[: len(wet) // 4].sum()
    assert wet.sum() > 500


@pytest.mark.parametrize("view", ["section", "block", "front", "throat", "dunk"])
def test_the_same_film_twice_in_any_order(folder, view):
    record = soaked(WAISTED if view == "throat" else FLAT, folder)
    asked = Asked(view, (320, 240), fps=8, seconds=0.5, title_s=0.25)
    first, second = (film_of([record], asked) for _ in range(2))
    count = len(first)
    assert count == 6 and first.key == second.key
    forth = [first.image(n).copy() for n in range(count)]
    back = [second.image(n).copy() for n in reversed(range(count))][::-1]
    for one, other in zip(forth, back, strict=True):
        assert_array_equal(one, other)
    assert view in VIEWS
    assert_array_equal(forth[0], forth[1])  # the title, twice
    assert (forth[1] != forth[2]).any()
    other = film_of([record], Asked(view, (320, 240), fps=8, seconds=0.5, title_s=0.25, dark=True))
    assert other.key != first.key
