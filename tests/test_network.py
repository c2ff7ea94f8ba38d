"""Networks from arrays and from files, also files that mean harm."""

from __future__ import annotations

import os
import pickle
import tracemalloc

import h5py
import numpy as np
import pytest

import poresim as ps
from poresim.solid.files import load_network, network_extent, save_network
from poresim.solid.layers import Layer
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import UniformWaist

UM = 1e-6
POINTS = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]]) * 100 * UM
ENDS = np.array([[0, 1], [0, 2], [0, 3]])


def small(**changes) -> ps.Network:
    given = {"points": POINTS, "ends": ENDS, "radius": 5 * UM} | changes
    return ps.Network(**given)


# ---- from arrays ---------------------------------------------------------------------------


def test_lengths_follow_from_the_points():
    network = small()
    np.testing.assert_allclose(network.length, 100 * UM)
    assert (network.junctions, network.tubes) == (4, 3)
    assert list(network.neighbours) == [3, 1, 1, 1]
    assert np.isnan(network.porosity)


def test_volume_of_a_waisted_tube_is_two_frusta():
    # A frustum: pi h (R^2 + R r + r^2) / 3 (any geometry text).
    network = small(radius=[5 * UM, 6 * UM, 7 * UM], waist=[1.0, 0.5, 0.25], size=[1e-4] * 3)
    big, waist = network.radius, network.radius * network.waist
    frusta = 2 * np.pi * 50 * UM * (big**2 + big * waist + waist**2) / 3
    np.testing.assert_allclose(network.tube_volume, frusta, rtol=1e-12)
    np.testing.assert_allclose(network.throat_radius, waist)
    assert network.porosity == pytest.approx(frusta.sum() / 1e-12)


def test_bodies_count_as_volume():
    # A sphere: 4/3 pi r^3 (any geometry text).
    radius = np.array([8, 7, 0, 6.0]) * UM
    network = small(body_volume=4 / 3 * np.pi * radius**3, size=[1e-4] * 3)
    np.testing.assert_allclose(network.body_radius, radius, rtol=1e-12)
    tubes = 3 * np.pi * (5 * UM) ** 2 * 100 * UM
    bodies = 4 / 3 * np.pi * np.sum(radius**3)
    assert network.volume == pytest.approx(tubes + bodies, rel=1e-12)
    assert network.porosity == pytest.approx((tubes + bodies) / 1e-12, rel=1e-12)
    assert network.has_bodies and not small().has_bodies
    assert not network.body_volume.flags.writeable
    same = small(body_volume=1e-15)
    np.testing.assert_array_equal(same.body_volume, np.full(4, 1e-15))
    np.testing.assert_array_equal(pickle.loads(pickle.dumps(same)).body_volume, same.body_volume)
    assert small().volume == small().tube_volume.sum()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"ends": [[0, 4]]}, r"tube 0 joins junctions \[0, 4\], but there are only 4 junctions"),
        ({"ends": [[0, -1]]}, "there are only 4 junctions"),
        ({"ends": np.array([[0, 2**63]], np.uint64)}, "there are only 4 junctions"),
        ({"ends": [[0, 2**32 + 1]]}, "there are only 4 junctions"),
        ({"ends": [[1, 1]]}, "tube 0 joins junction 1 to itself"),
        ({"ends": [[0.0, 1.0]]}, "ends must be whole numbers"),
        ({"ends": [0, 1]}, r"ends must have shape \(m, 2\), got \(2,\)"),
        ({"ends": np.empty((0, 2), int)}, "at least one tube"),
        ({"points": np.zeros((4, 2))}, r"points must have shape \(n, 3\), got \(4, 2\)"),
        ({"points": POINTS * np.nan}, "points must be finite"),
        ({"points": POINTS * 0}, "length must be above 0"),
        ({"radius": [1.0, 2.0]}, r"radius must have shape \(3,\), got \(2,\)"),
        ({"radius": [1e-6, -1e-6, 1e-6]}, "radius must be above 0, got -1e-06 at index 1"),
        ({"radius": np.inf}, "radius must be finite"),
        ({"waist": 1.5}, r"waist must lie in \(0, 1\].*got 1.5"),
        ({"waist": 0.0}, "waist must lie in"),
        ({"length": 0.0}, "length must be above 0"),
        ({"body_volume": -1e-15}, "body_volume must be at least 0, got -1e-15"),
        ({"body_volume": [0, 1, -2, 0]}, "body_volume must be at least 0, got -2 at index 2"),
        ({"body_volume": [0.0, 0, 0]}, r"body_volume must have shape \(4,\), got \(3,\)"),
        ({"body_volume": np.nan}, "body_volume must be finite"),
        ({"span": np.zeros((2, 3))}, "span must have shape"),
        ({"faces": {"bottom": [7]}}, "face bottom names junction 7, but there are only 4"),
    ],
)
def test_arrays_that_are_no_network_say_why(changes, said):
    with pytest.raises(ValueError, match=said):
        small(**changes)


def test_a_network_does_not_share_memory_with_what_it_was_given():
    points = POINTS.copy()
    network = small(points=points)
    points[0] = 7
    assert network.points[0, 0] == 0


@pytest.mark.parametrize("pickled", [False, True])
@pytest.mark.parametrize("listed", [False, True])
def test_shared_values_are_whole_arrays_that_nobody_can_change(listed, pickled):
    """Compiled kernels see one type of array, whether one number was given, a list, or a pickle."""
    given = {"radius": 5 * UM, "length": 50 * UM, "waist": 0.5}
    if listed:
        given = {name: [value, 1.1 * value, value] for name, value in given.items()}
    network = small(**given)
    if pickled:
        network = pickle.loads(pickle.dumps(network))
    for name, value in given.items():
        found = getattr(network, name)
        np.testing.assert_array_equal(found, np.broadcast_to(value, 3))
        assert found.flags.c_contiguous and not found.flags.writeable
        assert found.dtype == np.float64
    with pytest.raises(ValueError, match="read-only"):
        network.radius[0] = 1.0
    assert not network.span.flags.writeable
    assert network.ends.dtype == np.int32


def test_a_network_keeps_no_array_of_what_all_tubes_share():
    """Points 24 bytes a junction, ends 8 and radii 8 a tube; the rest is one number each."""
    n = 50_000
    points = np.zeros((n, 3))
    points[:, 2] = np.arange(n)
    chain = np.stack([np.arange(n - 1), np.arange(1, n)], axis=1)
    radius = np.linspace(1e-6, 2e-6, n - 1)
    tracemalloc.start()
    try:
        network = ps.Network(points, chain, radius, waist=np.full(n - 1, 0.5))
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 42 * n  # not 104, as with lengths, waists, spans and int64
    assert np.all(network.length == 1.0) and np.all(network.waist == 0.5)
    np.testing.assert_array_equal(network.span, np.diff(points, axis=0))


def test_only_spans_that_were_given_are_written(tmp_path):
    save_network(small(), tmp_path / "plain.h5")
    save_network(small(span=np.ones((3, 3)) * UM), tmp_path / "wraps.h5")
    for name, wraps in (("plain", False), ("wraps", True)):
        with h5py.File(tmp_path / f"{name}.h5") as file:
            assert ("span_m" in file) is wraps
        assert load_network(tmp_path / f"{name}.h5").wraps is wraps


def test_a_network_survives_pickling():
    network = pickle.loads(pickle.dumps(small(faces={"bottom": [0, 1, 2]})))
    np.testing.assert_array_equal(network.ends, ENDS)
    np.testing.assert_array_equal(network.faces["bottom"], [0, 1, 2])


# ---- files ---------------------------------------------------------------------------------


@pytest.mark.parametrize("sides", ["open", "periodic"])
def test_a_network_file_gives_back_the_network(tmp_path, sides):
    asked = SolidSpec(
        size=(5e-4, 6e-4, 7e-4),
        lattice="fcc",
        spacing=100 * UM,
        radii=Lognormal(8 * UM, 0.4),
        neighbours=6.0,
        waist=0.6,
        sides=sides,
    )
    network = ps.build_solid(asked, seed=1)
    path = tmp_path / "solid.h5"
    ps.save_network(network, path)
    back = ps.load_network(path)
    for name in ("points", "ends", "radius", "length", "waist", "span", "size"):
        np.testing.assert_array_equal(getattr(back, name), getattr(network, name))
    assert sorted(back.faces) == sorted(network.faces)
    for name, face in network.faces.items():
        np.testing.assert_array_equal(back.faces[name], face)
    assert back.porosity == network.porosity
    assert network_extent(path).tubes == network.tubes
    assert os.listdir(tmp_path) == ["solid.h5"], "no half-written file is left"


@pytest.mark.parametrize("lattice", ["cubic", "scattered", "triangular"])
@pytest.mark.parametrize("sides", ["open", "sealed", "periodic"])
def test_a_network_file_gives_back_everything_that_can_be_drawn(tmp_path, lattice, sides):
    """Layers, waists by a law, correlated radii, bodies: also on the faces."""
    asked = SolidSpec(
        size=(9e-4, 9e-4, 8e-4),
        lattice=lattice,
        spacing=100 * UM,
        layers=(
            Layer(Lognormal(8 * UM, 0.4), 3e-4, waist=UniformWaist(0.3, 0.8)),
            Layer(Lognormal(4 * UM, 0.2), correlation=200 * UM),
        ),
        body_ratio=1.4,
        sides=sides,
    )
    network = ps.build_solid(asked, seed=1)
    path = tmp_path / "solid.h5"
    ps.save_network(network, path)
    back = ps.load_network(path)
    for name in ("points", "ends", "radius", "length", "waist", "span", "size", "body_volume"):
        np.testing.assert_array_equal(getattr(back, name), getattr(network, name))
    assert np.all(back.body_volume[back.faces["bottom"]] > 0)
    assert back.porosity == network.porosity == network_extent(path).porosity
    again = ps.build_solid(SolidSpec(network=path))
    np.testing.assert_array_equal(again.body_volume, network.body_volume)
    with h5py.File(path) as file:
        assert file["body_volume_m3"].attrs["units"] == "m3"


def test_bodies_that_are_not_there_are_not_written(tmp_path):
    save_network(small(), tmp_path / "n.h5")
    with h5py.File(tmp_path / "n.h5") as file:
        assert "body_volume_m3" not in file


def test_every_dataset_says_its_unit(tmp_path):
    save_network(small(faces={"bottom": [0]}), tmp_path / "n.h5")
    with h5py.File(tmp_path / "n.h5") as file:
        datasets = [file[name] for name in ("points_m", "ends", "radius_m", "length_m")]
        for dataset in [*datasets, file["faces/bottom"]]:
            assert dataset.attrs["units"] and dataset.attrs["long_name"]


def test_a_file_with_four_datasets_is_enough(tmp_path):
    path = write(tmp_path)
    network = load_network(path)
    assert np.all(network.waist == 1)
    np.testing.assert_array_equal(network.faces["bottom"], [0, 1, 2])
    np.testing.assert_array_equal(network.faces["top"], [3])
    np.testing.assert_allclose(network.size, 100 * UM)


def test_a_group_of_a_record_is_a_network(tmp_path):
    with h5py.File(tmp_path / "record.h5", "w") as file:
        fill(file.create_group("solids/0"))
    assert load_network(tmp_path / "record.h5", "/solids/0").tubes == 3
    with pytest.raises(ValueError, match="solids/1 is missing"):
        load_network(tmp_path / "record.h5", "/solids/1")


def fill(group, **changes):
    good = {
        "points_m": POINTS,
        "ends": ENDS,
        "radius_m": np.full(3, 5 * UM),
        "length_m": np.full(3, 100 * UM),
    }
    for name, data in (good | changes).items():
        if data is not None:
            group[name] = data


def write(folder, **changes):
    path = folder / "given.h5"
    with h5py.File(path, "w") as file:
        fill(file, **changes)
    return path


def one_line(caught) -> str:
    text = str(caught.value)
    assert "\n" not in text
    return text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"ends": np.array([[0, 1], [0, 9], [0, 3]])}, "tube 1 joins junctions [0, 9]"),
        ({"ends": np.array([[0, 1], [0, -2], [0, 3]])}, "tube 1 joins junctions [0, -2]"),
        ({"ends": ENDS.astype(float)}, "ends must hold whole numbers, got float64"),
        ({"ends": ENDS[:, :1]}, "ends must have shape (number, 2), got (3, 1)"),
        ({"points_m": POINTS.ravel()}, "points_m must have shape (number, 3), got (12,)"),
        ({"radius_m": None}, "radius_m is missing; a network holds points_m, ends"),
        ({"radius_m": None, "ends": None}, "ends, radius_m are missing; a network holds"),
        ({"points_m": np.full((4, 3), np.inf)}, "points_m must be finite"),
        ({"points_m": np.zeros((0, 3))}, "holds no junctions or no tubes"),
        ({"radius_m": np.full(2, UM)}, "radius_m has 2 rows, but ends has 3 tubes"),
        ({"radius_m": np.array([UM, np.nan, UM])}, "radius must be finite"),
        ({"radius_m": np.array([UM, 0, UM])}, "radius must be above 0"),
        ({"length_m": np.array([b"a", b"b", b"c"])}, "length_m must hold numbers"),
        ({"length_m": 3.0}, "length_m must have shape (number,), got ()"),
        ({"waist": np.full(3, 2.0)}, "waist must lie in (0, 1]"),
        (
            {"body_volume_m3": np.zeros(3)},
            "body_volume_m3 has 3 rows, but points_m has 4 junctions",
        ),
        ({"body_volume_m3": np.full(4, -1.0)}, "body_volume must be at least 0"),
        ({"body_volume_m3": np.full(4, np.nan)}, "body_volume must be finite"),
        ({"faces/bottom": np.array([0, 4])}, "faces/bottom names a junction that does not exist"),
        ({"faces/inside": np.array([0])}, "faces/inside is unknown; faces are left, right"),
        ({"faces/top": np.arange(9)}, "faces/top lists more junctions than there are (4)"),
    ],
)
def test_a_wrong_network_file_says_why_in_one_line(tmp_path, changes, said):
    path = write(tmp_path, **changes)
    with pytest.raises(ValueError) as caught:  # noqa: PT011 (the text is checked below)
        load_network(path)
    assert said in one_line(caught)
    assert str(path) in one_line(caught)


def test_a_record_is_no_network(tmp_path):
    with h5py.File(tmp_path / "record.h5", "w") as file:
        fill(file.create_group("solids/0"))
    with pytest.raises(ValueError, match=r"is the record of a run.*ps.save_network"):
        load_network(tmp_path / "record.h5")
    assert load_network(tmp_path / "record.h5", "solids/0").tubes == 3


def test_a_file_that_is_no_hdf5_says_so(tmp_path):
    path = tmp_path / "text.h5"
    path.write_text("points")
    with pytest.raises(ValueError, match="is not an HDF5 file"):
        load_network(path)
    path.write_bytes(write(tmp_path).read_bytes()[:900])
    with pytest.raises(ValueError, match="not a readable HDF5 network"):
        load_network(path)
    with pytest.raises(FileNotFoundError, match="no such file"):
        load_network(tmp_path / "none.h5")
    with pytest.raises(OSError, match="not a file"):
        load_network(tmp_path)


@pytest.mark.parametrize("size", [[1e-3, 1e-3, 0.0], [-1e-3, 1e-3, 1e-3], [1e-3, 1e-3]])
def test_a_block_size_that_is_none(tmp_path, size):
    path = write(tmp_path)
    with h5py.File(path, "r+") as file:
        file.attrs["size_m"] = size
    with pytest.raises(ValueError, match="the attribute size_m must be three"):
        load_network(path)


def test_sizes_are_checked_before_anything_is_read(tmp_path):
    """A file of a few kB that unpacks to 72 TB must be refused by its header."""
    path = tmp_path / "bomb.h5"
    with h5py.File(path, "w") as file:
        rows = 10**12
        for name, shape, kind in [
            ("points_m", (rows, 3), "f8"),
            ("ends", (rows, 2), "i8"),
            ("radius_m", (rows,), "f8"),
            ("length_m", (rows,), "f8"),
        ]:
            chunks = (1024, *shape[1:])
            file.create_dataset(name, shape=shape, dtype=kind, chunks=chunks, compression="gzip")
    assert path.stat().st_size < 100_000
    with pytest.raises(ValueError, match=r"need about 1 PB of memory, and .* is free"):
        load_network(path)


def test_links_and_outside_data_are_not_followed(tmp_path):
    secret = write(tmp_path)

    def linked(link) -> str:
        path = tmp_path / "linked.h5"
        with h5py.File(path, "w") as file:
            fill(file, points_m=None)
            link(file)
        with pytest.raises(ValueError) as caught:  # noqa: PT011 (the text is checked)
            load_network(path)
        return one_line(caught)

    def external_link(file):
        file["points_m"] = h5py.ExternalLink(str(secret), "points_m")

    def soft_link(file):
        file["points_m"] = h5py.SoftLink("/ends")

    def external_storage(file):
        outside = [(str(tmp_path / "raw.bin"), 0, h5py.h5f.UNLIMITED)]
        file.create_dataset("points_m", shape=(4, 3), dtype="f8", external=outside)

    def virtual(file):
        layout = h5py.VirtualLayout(shape=(4, 3), dtype="f8")
        layout[:] = h5py.VirtualSource(str(secret), "points_m", shape=(4, 3))
        file.create_virtual_dataset("points_m", layout)

    def linked_faces(file):
        file["points_m"] = POINTS
        file["faces"] = h5py.ExternalLink(str(secret), "/")

    assert "points_m is a link; links are not followed" in linked(external_link)
    assert "points_m is a link" in linked(soft_link)
    assert "points_m keeps its data in another file" in linked(external_storage)
    assert "points_m keeps its data in another file" in linked(virtual)
    assert "faces is a link" in linked(linked_faces)
