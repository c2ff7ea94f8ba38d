"""Blocks dipped into liquid and drops on them, from geometry to the record. Values are invented."""

from __future__ import annotations

import math
import struct
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from fakes import block, header, soak
from small import TWO_BROTHS

import poresim as ps
from poresim.absorption.line import line_between
from poresim.ensemble.jobs import RequestError, _offered
from poresim.ensemble.request import header_of, jobs_of
from poresim.exposure.dip import Dip, area_below, faces_below, heads, immersed
from poresim.record.layout import DROP, SOAK, RecordError
from poresim.record.model import Repeat
from poresim.record.reading import load_record
from poresim.record.summaries import summaries
from poresim.record.writing import Parts
from poresim.scenario.reading import load_scenario, parse_scenario
from poresim.solid.build import build_solid, geometry_seed

FACES = ("bottom", "top", "left", "right", "front", "back")
SIZE = np.array([3e-3, 0.9e-3, 1.5e-3])
A, B, C = SIZE


def dipped(depth: float, tilt_deg: float = 0.0, **more) -> Dip:
    return Dip(depth, math.radians(tilt_deg), **more)


def turned(points: np.ndarray, tilt_deg: float) -> np.ndarray:
    """(..., 3) points of a block, in the room: turned about y so that its left side goes down."""
    t = math.radians(tilt_deg)
    turn = np.array([[math.cos(t), 0, -math.sin(t)], [0, 1, 0], [math.sin(t), 0, math.cos(t)]])
    return points @ turn.T


def depths(points: np.ndarray, size: np.ndarray, depth: float, tilt_deg: float) -> np.ndarray:
    """How deep points lie below the surface, by turning the block and all of its corners."""
    corners = np.array(
        [[x, y, z] for x in (0, size[0]) for y in (0, size[1]) for z in (0, size[2])]
    )
    return turned(corners, tilt_deg)[:, 2].min() + depth - turned(points, tilt_deg)[..., 2]


# ---- geometry ------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [0.2e-3, 1.4999e-3])
def test_area_of_a_block_that_stands(depth):
    """Its bottom, and four sides up to the surface."""
    assert area_below(SIZE, FACES, dipped(depth)) == pytest.approx(
        A * B + 2 * (A + B) * depth, rel=1e-12
    )
    assert faces_below(SIZE, FACES, dipped(depth)) == ("bottom", "left", "right", "front", "back")
    assert area_below(SIZE, ("bottom", "top"), dipped(depth)) == pytest.approx(A * B, rel=1e-12)


@pytest.mark.parametrize("tilt", [0.0, 20.0, 45.0, 90.0])
def test_a_block_that_is_under_all_over(tilt):
    """Its highest corner is a sin + c cos above its lowest."""
    t = math.radians(tilt)
    height = A * math.sin(t) + C * math.cos(t)
    whole = 2 * (A * B + B * C + C * A)
    assert area_below(SIZE, FACES, dipped(1.001 * height, tilt)) == pytest.approx(whole, rel=1e-12)
    assert faces_below(SIZE, FACES, dipped(1.001 * height, tilt)) == FACES
    assert area_below(SIZE, FACES, dipped(0.999 * height, tilt)) < whole


@pytest.mark.parametrize(
    ("depth", "expected"),
    [
        # Up to c/sqrt(2) two sides of length d sqrt(2) and two triangles of area d^2 are wet.
        (0.5e-3, 2 * B * 0.5e-3 * math.sqrt(2) + 2 * 0.5e-3**2),
        # Between c/sqrt(2) and a/sqrt(2): the whole left side; the bottom up to x = d sqrt(2), the
        # top up to d sqrt(2) - c; of front and back a triangle less the one above the top.
        (
            1.5e-3,
            B * (C + 1.5e-3 * math.sqrt(2) + (1.5e-3 * math.sqrt(2) - C))
            + 2 * (1.5e-3**2 - (1.5e-3 * math.sqrt(2) - C) ** 2 / 2),
        ),
    ],
)
def test_area_of_a_block_at_45_degrees(depth, expected):
    """By hand: the surface cuts x + z = d sqrt(2)."""
    assert area_below(SIZE, FACES, dipped(depth, 45)) == pytest.approx(expected, rel=1e-12)


def test_area_of_a_block_on_its_left_side():
    """At 90 degrees x points up: the left side, and all around it up to the depth."""
    dip = dipped(0.7e-3, 90)
    assert area_below(SIZE, FACES, dip) == pytest.approx(B * C + 2 * (B + C) * 0.7e-3, rel=1e-12)
    assert faces_below(SIZE, FACES, dip) == ("bottom", "top", "left", "front", "back")


@pytest.mark.parametrize("tilt", [7.0, 30.0, 63.0, 88.0])
@pytest.mark.parametrize("depth", [0.1e-3, 0.9e-3, 2.2e-3])
def test_area_is_the_share_of_points_below(tilt, depth):
    """Each face as a grid of cells, turned into the room: whose middles lie below the surface.

    A straight cut across n x n cells misjudges no more than the cells that it runs through, of
    which it meets up to 2 n: to less than 1/n of the face, for half of each on either side.
    """
    n = 400
    middle = (np.arange(n) + 0.5) / n
    for face, (axis, far) in zip(
        FACES, [(2, 0), (2, 1), (0, 0), (0, 1), (1, 0), (1, 1)], strict=True
    ):
        one, other = (k for k in range(3) if k != axis)
        points = np.empty((n, n, 3))
        points[..., axis] = far * SIZE[axis]
        points[..., one], points[..., other] = np.meshgrid(
            middle * SIZE[one], middle * SIZE[other], indexing="ij"
        )
        share = np.mean(depths(points, SIZE, depth, tilt) > 0)
        whole = SIZE[one] * SIZE[other]
        assert area_below(SIZE, (face,), dipped(depth, tilt)) == pytest.approx(
            share * whole, abs=whole / n
        )


def test_heads_are_those_of_a_liquid_at_rest():
    """rho g h, with the standard gravity of 9.80665 m/s2 (CGPM 1901)."""
    below = np.array([0.0, 1e-3, 0.0123])
    np.testing.assert_array_equal(heads(below, 1005.0), 1005.0 * 9.80665 * below)


def test_lifts_of_one_two_and_three_dips():
    """Out after the first 30 s; then in again after 60 s of rest, and so on."""
    lifts = [dipped(1e-3, held=30.0, rest=60.0, times=n).lifts for n in (1, 2, 3)]
    assert lifts == [(30.0,), (30.0, 90.0, 120.0), (30.0, 90.0, 120.0, 180.0, 210.0)]


KINDS = [
    ('{ kind = "cubic", spacing_um = 100 }', "open"),
    ('{ kind = "scattered", spacing_um = 100 }', "open"),
    ('{ kind = "bcc", spacing_um = 100 }', "sealed"),
    ('{ kind = "square", spacing_um = 100 }', "open"),
]


@pytest.mark.parametrize(("lattice", "sides"), KINDS)
def test_junctions_are_those_of_faces_below_the_surface(lattice, sides):
    """One by one, each turned into the room."""
    text = TWO_BROTHS.replace('{ kind = "cubic", spacing_um = 100 }', lattice)
    text = text.replace("0.2, 0.2, 0.3", "0.9, 0.5, 0.7")
    text = text.replace("[solid]\n", f'[solid]\nsides = "{sides}"\n')
    network = build_solid(parse_scenario(text).solid, 3)
    assert network.size is not None
    on = {int(j) for face in network.faces.values() for j in face}
    for depth, tilt in ((0.31e-3, 0.0), (0.31e-3, 25.0), (0.47e-3, 70.0), (2e-3, 25.0)):
        deep = depths(network.points, network.size, depth, tilt)
        found = immersed(network, dipped(depth, tilt))
        assert found.junctions.tolist() == sorted(j for j in on if deep[j] >= 0)
        np.testing.assert_allclose(found.below, deep[found.junctions], rtol=0, atol=1e-15)
        present = [face for face in FACES if len(network.faces.get(face, ()))]
        whole = area_below(network.size, present, dipped(depth, tilt))
        assert found.area == pytest.approx(whole, rel=1e-12)
        if depth == 2e-3:
            assert found.junctions.tolist() == sorted(on)


def test_nothing_below_the_surface():
    """Junctions of the lowest cells lie half a spacing above the face."""
    network = block((4, 4, 4))
    with pytest.raises(ValueError) as caught:  # noqa: PT011 (the text is checked)
        immersed(network, dipped(0.04e-3))
    assert str(caught.value) == (
        "exposure.depth_mm: no junction of a face lies up to 0.04 mm deep; dip deeper"
    )
    assert len(immersed(network, dipped(0.05e-3 + 1e-12)).junctions) == 16


def test_a_network_without_a_size_has_no_depth():
    """But faces that are named."""
    made = block((3, 3, 3))
    network = ps.Network(made.points, made.ends, made.radius, faces=dict(made.faces))
    with pytest.raises(ValueError, match=r"exposure.depth_mm: is for blocks, and this network has"):
        immersed(network, dipped(1e-3))
    found = immersed(network, Dip(None, faces=("bottom",)))
    assert len(found.junctions) == 9
    assert math.isnan(found.area)


def test_whole_faces_in_place_of_a_depth():
    """They just touch the liquid: no head, all of their area."""
    network = block((4, 5, 6))
    dip = Dip(None, faces=("bottom", "top"))
    found = immersed(network, dip)
    assert found.junctions.tolist() == sorted([*network.faces["bottom"], *network.faces["top"]])
    assert not found.below.any()
    assert found.area == pytest.approx(2 * 4e-4 * 5e-4)
    assert faces_below(SIZE, FACES, dip) == ("bottom", "top")


def test_liquid_at_rest_in_a_tilted_block_stays_so():
    """Under the gravity of a soak, the heads at its inlets are those of one level surface."""
    text = small(dip("depth_mm = 0.25\ntilt_deg = 35\n"))
    scenario = parse_scenario(text, Path("dip.toml"))
    network = build_solid(scenario.solid, geometry_seed(scenario.seed, 0))
    job = jobs_of(scenario, "", set())[0]
    asked = _offered(network, job)
    pull = np.array(asked["gravity"])
    assert np.linalg.norm(pull) == pytest.approx(9.80665, rel=1e-12)
    assert pull[0] < 0 and pull[1] == 0 and pull[2] < 0  # down is towards its left side
    level = asked["inlet_pressure"] - job.liquid.density * network.points[asked["inlet"]] @ pull
    np.testing.assert_allclose(level, level[0], rtol=1e-12)
    faces = [j for on in network.faces.values() for j in on]
    assert asked["outside"].tolist() == sorted(set(faces))


# ---- runs and records ----------------------------------------------------------------------


def small(exposure: str) -> str:
    """One Newtonian liquid in 3 x 3 x 4 cells of 0.1 mm, two times; what is asked for is more."""
    start, end = TWO_BROTHS.index('[[liquids]]\nname = "spiced'), TWO_BROTHS.index("[exposure]")
    text = TWO_BROTHS[:start] + TWO_BROTHS[end:]
    for old, new in (
        ('kind = "face"\nfaces = ["bottom"]\n', exposure),
        ("0.2, 0.2, 0.3", "0.34, 0.34, 0.44"),
        (", waist = 0.7", ""),
        ("until_s = 0.2", "until_s = 0.005"),
        ("repeats = 3", "repeats = 2"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    return text


def dip(more: str) -> str:
    return 'kind = "dip"\ndip_s = 2e-4\n' + more


TILTED = dip("depth_mm = 0.2\ntilt_deg = 45\n")


def done(folder: Path, exposure: str, once: bool = False, **more):
    """The record of such a run; ``once``: of one repeat, not of two."""
    text = small(exposure)
    (folder / "dip.toml").write_text(text.replace("repeats = 2", "repeats = 1") if once else text)
    with ThreadPoolExecutor(1) as thread:
        return ps.run(ps.load_scenario(folder / "dip.toml"), folder / "out", thread, **more)


def equal(one: Repeat, other: Repeat) -> None:
    for name in (*SOAK, *DROP):
        first, second = getattr(one, name), getattr(other, name)
        np.testing.assert_array_equal(first[:], second[:], err_msg=name)


@pytest.fixture(scope="module")
def tilted(tmp_path_factory):
    return done(tmp_path_factory.mktemp("tilted"), TILTED)


@pytest.fixture(scope="module")
def drop(tmp_path_factory):
    return done(tmp_path_factory.mktemp("drop"), 'kind = "drop"\nvolume_uL = 0.002\n')


def test_the_record_of_a_dip(tilted):
    """The block is 0.3 x 0.3 x 0.4 mm, whole cells of 0.1 mm: not the 0.34 x 0.34 x 0.44 asked for.

    At 45 degrees the surface cuts x + z = d sqrt(2) = 0.283 mm: two sides of that length, and two
    triangles of d^2.
    """
    d, b = 0.2e-3, 0.3e-3
    np.testing.assert_allclose(tilted.solid(0).size, [0.3e-3, 0.3e-3, 0.4e-3], rtol=1e-12)
    assert tilted.lift_s == (2e-4,)
    assert tilted.area_m2 == pytest.approx(2 * b * d * math.sqrt(2) + 2 * d**2, rel=1e-12)
    assert tilted.faces == ("bottom", "left", "front", "back")
    assert tilted.complete and not tilted.failed
    again = load_record(tilted.path)
    assert (again.lift_s, again.area_m2) == (tilted.lift_s, tilted.area_m2)


def test_the_sorptivity_of_a_dip_is_that_of_the_area_below(tilted):
    """The slope on sqrt(time) from 10 to 60 % of the uptake when lifted, over the area by hand."""
    area = 2 * 0.3e-3 * 0.2e-3 * math.sqrt(2) + 2 * 0.2e-3**2
    slopes = []
    for repeat in tilted.liquids[0].repeats.values():
        wet = repeat.time_s <= tilted.lift_s[0]
        slopes.append(line_between(repeat.time_s[wet], repeat.uptake_kg[wet], 0.1, 0.6).slope)
    assert min(slopes) > 0
    found = summaries(tilted)[0].sorptivity
    assert found.median == pytest.approx(np.mean(slopes) / area, rel=1e-9)


def test_nothing_is_taken_up_in_the_air(tilted):
    """Nor lost: narrow tubes hold what they have, and what is drawn on comes out of wider ones.

    To the balance of volumes, 1/200 of the accuracy (tests/test_ensemble.py), of what there is;
    measured: 1e-6 of it.
    """
    for repeat in tilted.liquids[0].repeats.values():
        lifted = np.searchsorted(repeat.time_s, 2e-4)
        assert repeat.time_s[lifted] == 2e-4  # a step ends there
        assert len(repeat.time_s) > lifted + 2
        assert repeat.time_s[-1] > 1e-3
        held = repeat.uptake_kg[lifted:]
        assert 0.2 < repeat.saturation[lifted] < 0.95
        np.testing.assert_allclose(held, held[0], rtol=max(repeat.volume_balance, 1e-5))
        assert repeat.volume_balance <= 0.1 / 200
        assert (
            repeat.uptake_kg[lifted] > 1.2 * repeat.uptake_kg[lifted // 2]
        )  # it was, in the liquid
        assert 2e-4 in tilted.liquids[0].repeats[0].snapshot_time_s


def test_something_moves_on_in_the_air(tilted):
    """Tubes that gain in the air are narrower than those that lose: they draw more strongly."""
    repeat, solid = tilted.liquids[0].repeats[0], tilted.solid(0)
    at = np.flatnonzero(repeat.snapshot_time_s == 2e-4)[0]
    gained = (repeat.snapshot_fill[-1] - repeat.snapshot_fill[int(at)]).sum(axis=1)
    more, less = gained > 0.05, gained < -0.05
    assert min(more.sum(), less.sum()) > 5
    assert np.median(solid.radius[more]) < np.median(solid.radius[less])
    volume = gained * solid.tube_volume
    assert volume.sum() == pytest.approx(0, abs=1e-4 * volume[more].sum())


def test_a_dip_twice_is_the_same_bit_for_bit(tilted, tmp_path):
    again = done(tmp_path, TILTED)
    for n in range(2):
        equal(again.liquids[0].repeats[n], tilted.liquids[0].repeats[n])
    assert (again.lift_s, again.area_m2, again.key) == (tilted.lift_s, tilted.area_m2, tilted.key)


def test_a_dip_is_resumed(tilted, tmp_path):
    """One soak of two was finished; the other is computed, and the record is a whole run's."""
    (tmp_path / "dip.toml").write_text(small(TILTED))
    head = header_of(load_scenario(tmp_path / "dip.toml"))
    parts = Parts(tmp_path / "out" / "dip.parts", head)
    parts.open(resume=False)
    parts.add(0, 0, tilted.liquids[0].repeats[0], tilted.solid(0))
    parts.merge(tmp_path / "out" / "dip.h5", {(0, 0)})
    unfinished = load_record(tmp_path / "out" / "dip.h5")
    assert not unfinished.complete
    assert (unfinished.lift_s, unfinished.area_m2) == (tilted.lift_s, tilted.area_m2)
    whole = done(tmp_path, TILTED, resume=True)
    assert whole.complete
    for n in range(2):
        equal(whole.liquids[0].repeats[n], tilted.liquids[0].repeats[n])
    assert (whole.lift_s, whole.area_m2) == (tilted.lift_s, tilted.area_m2)


def test_a_block_dipped_all_over_takes_liquid_from_all_sides(tmp_path):
    record = done(
        tmp_path, dip("depth_mm = 0.6\ntilt_deg = 30\n").replace("2e-4", "2e-5"), once=True
    )
    assert record.faces == FACES
    assert record.area_m2 == pytest.approx(2 * (0.09 + 0.12 + 0.12) * 1e-6, rel=1e-12)
    solid, repeat = record.solid(0), record.liquids[0].repeats[0]
    on = np.unique(np.concatenate(list(solid.faces.values())))
    assert (repeat.wetted_at_s[on] == 0).all()
    inside = np.setdiff1d(np.arange(solid.junctions), on)
    assert len(inside) and not (repeat.wetted_at_s[inside] == 0).any()


def test_whole_faces_dipped_twice(tmp_path):
    """Between the dips nothing is taken up; the second takes up more."""
    record = done(
        tmp_path,
        dip('faces = ["bottom"]\ndips = 2\nrest_s = 4e-4\n').replace("2e", "1e"),
        once=True,
    )
    assert record.lift_s == pytest.approx((1e-4, 5e-4, 6e-4), rel=1e-12)
    assert math.isnan(record.area_m2)
    assert record.faces == ("bottom",)
    repeat = record.liquids[0].repeats[0]
    out, back, again = (repeat.uptake_kg[np.searchsorted(repeat.time_s, t)] for t in record.lift_s)
    assert back == pytest.approx(out, rel=1e-5)
    assert again > 1.1 * back
    assert repeat.uptake_kg[-1] == pytest.approx(again, rel=1e-5)


def test_too_small_a_drop_is_told_with_its_file_and_key(tmp_path):
    """Of 4 x 4 junctions on top none lies in the middle. At 48 degrees V = 0.749 a^3."""
    with pytest.raises(RequestError) as caught:
        done(tmp_path, 'kind = "drop"\nvolume_uL = 1e-6\n')
    assert str(caught.value) == (
        f"{tmp_path / 'dip.toml'}: exposure.volume_uL: a drop of 1e-15 m3 has a base of radius "
        "0.011 mm, and no inlet lies under it"
    )


def test_the_record_of_a_drop(drop):
    """What is left of it and what the solid holds is the drop; its shape is that of a cap.

    Cap: V = pi h (3 a^2 + h^2) / 6 and tan(angle / 2) = h / a (geometry). It is set down at the
    advancing angle, 48 degrees; the receding one is the same: it slides from the start.
    """
    assert drop.lift_s == () and math.isnan(drop.area_m2)
    assert drop.faces == ("top",)
    for repeat in drop.liquids[0].repeats.values():
        left, a, h = repeat.drop_m3, repeat.drop_base_m, repeat.drop_height_m
        assert left.shape == a.shape == h.shape == repeat.time_s.shape
        assert left[0] == pytest.approx(2e-12, rel=1e-12)
        there = repeat.uptake_kg / drop.liquids[0].density + left
        np.testing.assert_allclose(there, 2e-12, rtol=0.1 / 200)
        assert left[-1] < 0.5 * left[0]
        np.testing.assert_allclose(np.pi * h * (3 * a**2 + h**2) / 6, left, rtol=1e-9, atol=1e-27)
        some = left > 1e-6 * left[0]
        np.testing.assert_allclose(h[some], a[some] * math.tan(math.radians(24)), rtol=1e-9)
        np.testing.assert_allclose(repeat.drop_angle_deg[some], 48, rtol=1e-9)
    with h5py.File(drop.path) as file:
        kept = file["liquids/0/repeats/0"]
        assert {name for name in kept if name.startswith("drop")} == set(DROP)
        for name, column in DROP.items():
            assert kept[name].attrs["units"] == column.units


def test_a_dip_has_no_columns_of_a_drop(tilted):
    with h5py.File(tilted.path) as file:
        assert not [name for name in file["liquids/0/repeats/0"] if name.startswith("drop")]
    assert all(len(getattr(tilted.liquids[0].repeats[0], name)) == 0 for name in DROP)


# ---- what a record says, and what it may not say -------------------------------------------


@pytest.fixture
def record(tmp_path) -> Path:
    """A made-up soak of one drop, lifted out and put back."""
    solid, made_up = block((3, 3, 4)), soak(block((3, 3, 4)), 5.0)
    repeat = Repeat.of(made_up, 1000.0)
    rows = {name: np.linspace(k + 1, 0, len(repeat.time_s)) for k, name in enumerate(DROP)}
    head = replace(header(1, 1), area_m2=2.5e-6, lift_s=(30.0, 90.0, 120.0))
    parts = Parts(tmp_path / "x.parts", head)
    parts.open(resume=False)
    parts.add(0, 0, replace(repeat, **rows), solid)
    parts.merge(tmp_path / "x.h5", {(0, 0)})
    return tmp_path / "x.h5"


def test_what_is_written_is_read_back(record):
    again = load_record(record)
    assert again.lift_s == (30.0, 90.0, 120.0)
    assert again.area_m2 == 2.5e-6
    repeat = again.liquids[0].repeats[0]
    for k, name in enumerate(DROP):
        expected = np.linspace(k + 1, 0, len(repeat.time_s))
        np.testing.assert_array_equal(getattr(repeat, name), expected)


def test_older_records_have_neither(record):
    with h5py.File(record, "r+") as file:
        del file.attrs["lift_s"], file.attrs["area_m2"]
        for name in DROP:
            del file[f"liquids/0/repeats/0/{name}"]
    again = load_record(record)
    assert again.lift_s == () and math.isnan(again.area_m2)
    assert len(again.liquids[0].repeats[0].drop_m3) == 0


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("lift_s", "soon", r"attribute lift_s must hold up to 1000 floating-point numbers, got"),
        ("lift_s", 30.0, r"attribute lift_s must hold .* of shape \(\)"),
        ("lift_s", np.array([30]), "attribute lift_s must hold .* got int64"),
        ("lift_s", np.ones((2, 2)), r"attribute lift_s must hold .* of shape \(2, 2\)"),
        ("lift_s", np.arange(1.0, 1002.0), r"attribute lift_s must hold .* of shape \(1001,\)"),
        ("lift_s", h5py.Empty("f8"), "attribute lift_s must hold"),
        ("lift_s", np.array([30.0, np.nan]), "attribute lift_s must hold finite times above 0"),
        ("lift_s", np.array([30.0, np.inf]), "attribute lift_s must hold finite times above 0"),
        ("lift_s", np.array([0.0, 30.0]), "attribute lift_s must hold finite times above 0"),
        ("lift_s", np.array([30.0, 30.0]), "attribute lift_s must hold .* each later than"),
        ("area_m2", "wide", "attribute area_m2 must be a number"),
        ("area_m2", 1j, "attribute area_m2 must be a number"),
        ("area_m2", np.ones(2), "attribute area_m2 must be a single value"),
        ("area_m2", 0.0, "attribute area_m2 must be above 0"),
        ("area_m2", -1.0, "attribute area_m2 must be above 0"),
        ("area_m2", np.inf, "attribute area_m2 must be above 0"),
    ],
)
def test_attributes_of_another_kind_are_refused(record, name, value, says):
    with h5py.File(record, "r+") as file:
        del file.attrs[name]
        file.attrs[name] = value
    with pytest.raises(RecordError, match=says) as caught:
        load_record(record)
    assert "\n" not in str(caught.value)
    assert str(record) in str(caught.value)


def test_lifts_that_the_file_does_not_hold_are_refused(record):
    """A thousand million of them declared in place of 997: no memory is taken."""
    with h5py.File(record, "r+") as file:
        file.attrs["lift_s"] = np.arange(1.0, 998.0)
    assert len(load_record(record).lift_s) == 997
    whole, short, long = record.read_bytes(), struct.pack("<Q", 997), struct.pack("<Q", 10**9)
    assert short in whole
    record.write_bytes(whole.replace(short, long))
    with pytest.raises(RecordError) as caught:
        load_record(record)
    assert "\n" not in str(caught.value)


def test_columns_of_a_drop_that_do_not_fit_are_refused(record):
    where = "liquids/0/repeats/0/drop_angle_deg"
    kept = record.read_bytes()
    for data, says in (
        (np.zeros(3), "drop_angle_deg must have shape"),
        (np.zeros(61, np.int64), "drop_angle_deg must hold numbers of type f8"),
        (None, "lacks 'drop_angle_deg'"),
    ):
        record.write_bytes(kept)
        with h5py.File(record, "r+") as file:
            del file[where]
            if data is not None:
                file[where] = data
        with pytest.raises(RecordError, match=says):
            load_record(record)
