"""The record: what is written is read back; what is broken is refused in one line."""

from __future__ import annotations

import multiprocessing
import os
import tracemalloc
from pathlib import Path

import h5py
import numpy as np
import pytest
from fakes import block, header, record_file, soak

from poresim.liquid.curves import MeasuredFlow
from poresim.record.files import locked, safe_name, write_whole
from poresim.record.layout import FORMAT, SHEAR, SOAK, RecordError
from poresim.record.model import Repeat
from poresim.record.reading import load_record
from poresim.record.writing import Parts
from poresim.solid.files import write_network
from poresim.solid.packing import write_packed

SMALL = (3, 3, 4)
SINGLE = ("filled_at_s", "wetted_at_s", "blocked_at_s")


@pytest.fixture
def path(tmp_path) -> Path:
    return record_file(tmp_path, liquids=2, repeats=2, cells=SMALL, snapshots=3)


def test_what_is_written_is_read_back(path):
    record = load_record(path)
    solid = block(SMALL, seed=1)
    once = soak(solid, 45.0 * 1.1, seed=1)
    again = record.liquids[1].repeats[1]
    for name in ("time_s", "saturation", "front_m"):
        np.testing.assert_array_equal(getattr(again, name), getattr(once, name))
    for name in SINGLE:
        kept = getattr(again, name)
        np.testing.assert_array_equal(kept, getattr(once, name).astype(np.float32))
        assert kept.dtype == np.float64
    np.testing.assert_array_equal(again.uptake_kg, once.uptake_m3 * 1010.0)
    np.testing.assert_array_equal(record.solid(1).points, solid.points)
    np.testing.assert_array_equal(record.solid(1).ends, solid.ends)
    np.testing.assert_array_equal(record.solid(1).faces["bottom"], solid.faces["bottom"])
    assert again.ending is once.ending
    assert again.steps == once.steps
    assert record.complete
    assert (record.title, record.seed, record.faces) == ("A rusk in four broths", 11, ("bottom",))
    assert record.soaks == 4
    assert record.failed == []
    first = record.liquids[0].repeats[0]
    assert first.snapshot_fill[2].shape == (record.solid(0).tubes, 2)
    assert len(first.snapshot_fill) == 3
    assert len(again.snapshot_fill) == 0


def test_shear_rates_are_kept_and_older_records_have_none(tmp_path):
    """From 1 to 100 to 1000 to 10 000 1/s lie 25, 50 and 25 % of the made-up soaks' work."""
    solid, law = block(SMALL), MeasuredFlow([1.0, 10.0, 100.0], [1.0, 0.5, 0.25])
    repeat = Repeat.of(soak(solid, 5.0), 1000.0, law)
    low, high = 100**0.4, 1000 * 10**0.6
    np.testing.assert_allclose(repeat.wall_shear_rate_1_s, [low, 10**2.5, high])
    # the rate has been through logarithms, which builds of NumPy round differently
    effective = float(law.apparent_viscosity(10**2.5))
    assert repeat.effective_viscosity_Pa_s == pytest.approx(effective, rel=1e-14, abs=0)
    assert repeat.viscosity_at_50_1_s_Pa_s == float(law.apparent_viscosity(50.0))
    np.testing.assert_allclose(repeat.extrapolated_share, [0.0, 0.75], atol=1e-12)
    parts = Parts(tmp_path / "x.parts", header(1, 1))
    parts.open(resume=False)
    parts.add(0, 0, repeat, solid)
    parts.merge(tmp_path / "x.h5", {(0, 0)})
    again = load_record(tmp_path / "x.h5").liquids[0].repeats[0]
    for name in SHEAR:
        np.testing.assert_array_equal(getattr(again, name), getattr(repeat, name))
        with h5py.File(tmp_path / "x.h5", "r+") as file:
            del file[REPEAT].attrs[name]
    older = load_record(tmp_path / "x.h5").liquids[0].repeats[0]
    assert older.wall_shear_rate_1_s.shape == (3,)
    assert all(np.isnan(getattr(older, name)).all() for name in SHEAR)


@pytest.mark.parametrize(
    ("name", "value", "found"),
    [
        ("wall_shear_rate_1_s", np.zeros(4), r"must hold 3 floating-point numbers, got .*\(4,\)"),
        ("extrapolated_share", 0.5, r"must hold 2 floating-point numbers"),
        ("effective_viscosity_Pa_s", "thick", r"must hold 1 floating-point number, got"),
    ],
)
def test_shear_rates_of_another_kind_are_refused(path, name, value, found):
    with h5py.File(path, "r+") as file:
        file[REPEAT].attrs[name] = value
    with pytest.raises(RecordError, match=f"attribute {name} {found}"):
        load_record(path)


def test_a_record_says_whose_angles_depend_on_the_speed(tmp_path):
    """Where none does, nothing is added to the file."""
    solid, head = block(SMALL), header(2, 1)
    parts = Parts(tmp_path / "x.parts", type(head)(**{**head.__dict__, "lines": (0.0, 10.0)}))
    parts.open(resume=False)
    for k in (0, 1):
        parts.add(k, 0, Repeat.of(soak(solid, 5.0), 1000.0), solid)
    parts.merge(tmp_path / "x.h5", {(0, 0), (1, 0)})
    assert [one.log_length_ratio for one in load_record(tmp_path / "x.h5").liquids] == [0.0, 10.0]
    with h5py.File(tmp_path / "x.h5", "r+") as file:
        assert "log_length_ratio" not in file["liquids/0"].attrs
        file["liquids/1"].attrs["log_length_ratio"] = "ten"
    with pytest.raises(RecordError, match="attribute log_length_ratio must be a number"):
        load_record(tmp_path / "x.h5")


@pytest.mark.parametrize("double", [False, True])
def test_filling_times_are_single_unless_asked(tmp_path, double):
    """Readers take both; with double precision every figure comes back."""
    solid, head = block(SMALL), header(1, 1)
    head = type(head)(**{**head.__dict__, "double_precision": double})
    parts = Parts(tmp_path / "x.parts", head)
    parts.open(resume=False)
    once = soak(solid, 5.0, closed=0.3, snapshots=(1.0, 2.0))
    parts.add(0, 0, Repeat.of(once, 1000.0), solid)
    parts.merge(tmp_path / "x.h5", {(0, 0)})
    with h5py.File(tmp_path / "x.h5") as file:
        group = file[REPEAT]
        kept = {name: group[name].dtype for name in SOAK}
        assert {name for name in SOAK if kept[name] == np.float32} == {
            "snapshot_fill", *([] if double else SINGLE)
        }  # fmt: skip
        assert file.attrs["format"] == 1  # older versions read either
    again = load_record(tmp_path / "x.h5").liquids[0].repeats[0]
    for name in SINGLE:
        expected = getattr(once, name)
        assert expected.dtype == np.float64
        rounded = expected if double else expected.astype(np.float32)
        np.testing.assert_array_equal(getattr(again, name), rounded)
    np.testing.assert_array_equal(again.snapshot_fill[1], once.snapshot_fill[1])


def test_large_arrays_are_packed_without_a_second_copy():
    """Of another type and out of order in memory: it is converted chunk by chunk."""
    values = np.arange(3e6).reshape(3, 1_000_000).T[:, 1]  # 8 MB, one in three
    few = np.zeros((5, 3))
    with h5py.File("x", "w", driver="core", backing_store=False) as file:
        tracemalloc.start()
        try:
            large = write_packed(file, "large", values, "f4")
            _, most = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert most < 2e6
        assert (large.compression, large.shuffle, large.fletcher32) == ("gzip", True, True)
        assert large.id.get_storage_size() < 0.7 * large.nbytes
        np.testing.assert_array_equal(large, values.astype("f4"))
        small = write_packed(file, "small", few)
        assert (small.compression, small.fletcher32) == (None, True)
        assert write_packed(file, "none", np.zeros((0, 4, 2))).shape == (0, 4, 2)


def test_the_solid_of_a_record_takes_little_room(path):
    """One waist, one length but for roundings, a lattice: hardly more than the radii is kept."""
    solid = block((16, 16, 16))
    with h5py.File("x", "w", driver="core", backing_store=False) as file:
        write_network(file, solid)
        sizes = {name: file[name].id.get_storage_size() for name in file if name != "faces"}
    assert sizes["waist"] + sizes["length_m"] < 0.05 * solid.radius.nbytes
    assert sum(sizes.values()) < 2 * solid.radius.nbytes  # of 9 times as much


def test_every_dataset_says_its_unit_and_meaning(path):
    seen = []

    def visit(name, item):
        if isinstance(item, h5py.Dataset):
            seen.append(name.rsplit("/", 1)[-1])
            assert item.attrs["units"]
            assert item.attrs["long_name"]

    with h5py.File(path) as file:
        file.visititems(visit)
        front = file["liquids/0/repeats/0/front_m"]
        np.testing.assert_array_equal(front.attrs["quantiles"], [0.05, 0.25, 0.5, 0.75, 0.95])
        assert file.attrs["format"] == FORMAT
        assert file.attrs["created"].endswith("+00:00")
    assert set(SOAK) <= set(seen)


def test_a_long_scenario_text_fits(tmp_path):
    """A fixed-length HDF5 attribute holds 64 kB at most; the text is longer here."""
    head = header(1, 1)
    head = type(head)(**{**head.__dict__, "scenario": "# remark\n" * 20_000})
    parts = Parts(tmp_path / "x.parts", head)
    parts.open(resume=False)
    solid = block(SMALL)
    parts.add(0, 0, Repeat.of(soak(solid, 5.0), 1000.0), solid)
    parts.merge(tmp_path / "x.h5", {(0, 0)})
    assert len(load_record(tmp_path / "x.h5").scenario) == 180_000


def _change(path, change):
    with h5py.File(path, "r+") as file:
        change(file)


def _set(name, value):
    return lambda file: file.attrs.__setitem__(name, value)


def _replace(name, **how):
    def change(file):
        del file[name]
        file.create_dataset(name, **how)

    return change


REPEAT = "liquids/0/repeats/0"


def _external(file):
    del file[f"{REPEAT}/time_s"]
    file[f"{REPEAT}/time_s"] = h5py.ExternalLink("/etc/hostname", "/")


def _soft(file):
    del file["solids/0/ends"]
    file["solids/0/ends"] = h5py.SoftLink("/solids/1/ends")


def _outside(file):
    del file[f"{REPEAT}/time_s"]
    file.create_dataset(f"{REPEAT}/time_s", (4,), "f8", external=[("/etc/hostname", 0, 32)])


def _backwards(file):
    values = file[f"{REPEAT}/time_s"][()]
    file[f"{REPEAT}/time_s"][()] = values[::-1]


def _lost(name):
    return lambda file: file[f"{REPEAT}/{name}"].__setitem__(1, np.nan)


def _delete(name):
    return lambda file: file.__delitem__(name)


def _many(file):
    for name in ("x", "../../etc", "1.5"):
        file["liquids/0/repeats"].create_group(name)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (_set("format", FORMAT + 1), "update poresim"),
        (_set("format", "one"), "attribute format must be a number"),
        (_set("title", 3), "attribute title must be text"),
        (_delete("liquids"), "lacks 'liquids'"),
        (_delete("solids/0"), "its solid, /solids/0, is missing"),
        (_delete(f"{REPEAT}/uptake_kg"), "lacks 'uptake_kg'"),
        (_external, "time_s is a link to elsewhere"),
        (_soft, "ends is a link to elsewhere"),
        (_outside, "time_s points to another file"),
        (_backwards, "finite, rising times"),
        (_lost("uptake_kg"), "uptake_kg must hold finite numbers"),
        (_lost("saturation"), "saturation must hold finite numbers"),
        (_lost("snapshot_time_s"), "snapshot_time_s must hold finite numbers"),
        (_many, "expected whole numbers"),
        (_replace(f"{REPEAT}/uptake_kg", data=np.zeros(3)), "uptake_kg must have shape"),
        (_replace(f"{REPEAT}/time_s", data=np.array([b"a"])), "time_s must hold numbers"),
        (_replace(f"{REPEAT}/filled_at_s", data=np.zeros(2)), "filled_at_s must have shape"),
        (_replace(f"{REPEAT}/time_s", shape=(10**13,), dtype="f8", chunks=(1000,)), "declares"),
        (_replace("solids/0/points_m", shape=(10**12, 3), dtype="f8", chunks=(9, 3)), "declares"),
        (lambda f: f[REPEAT].attrs.__setitem__("ending", "EXPLODED"), "ending 'EXPLODED'"),
    ],
)
def test_what_is_wrong_is_refused_in_one_line(path, change, message):
    _change(path, change)
    with pytest.raises(RecordError) as caught:
        load_record(path).solid(0)
    assert message in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_snapshot_that_holds_no_numbers(path):
    _change(path, _lost("snapshot_fill"))
    fills = load_record(path).liquids[0].repeats[0].snapshot_fill
    assert np.all(np.isfinite(fills[0]))
    with pytest.raises(RecordError, match="snapshot_fill must hold finite numbers"):
        fills[1]


def test_files_that_are_no_records(tmp_path):
    (tmp_path / "text.h5").write_text("not HDF5")
    (tmp_path / "empty.h5").write_bytes(b"")
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1.0
    os.mkfifo(tmp_path / "pipe.h5")
    for name, message in (
        ("text.h5", "not an HDF5 file"),
        ("empty.h5", "not an HDF5 file"),
        ("other.h5", "lacks the attribute 'format'"),
        ("absent.h5", "is not there"),
        ("pipe.h5", "not a plain file"),
        (".", "is a folder"),
    ):
        with pytest.raises(RecordError, match=message):
            load_record(tmp_path / name)


def test_a_file_cut_anywhere_is_refused_or_whole(path):
    """At 60 lengths: one clear error each time, never a crash, never half a record."""
    whole = path.read_bytes()
    cut = path.with_name("cut.h5")
    for length in np.linspace(1, len(whole) - 1, 60).astype(int):
        cut.write_bytes(whole[:length])
        with pytest.raises(RecordError):
            [*load_record(cut).solids.values()]


def test_flipped_bytes_are_noticed_or_harmless(path, rng):
    """Checksums catch changed data; a change elsewhere is refused or leaves the data alone."""
    whole = bytearray(path.read_bytes())
    reference = load_record(path).liquids[0].repeats[0].uptake_kg
    broken = path.with_name("broken.h5")
    refused = 0
    for at in rng.integers(0, len(whole), 60):
        copy = bytearray(whole)
        copy[at] ^= 0xFF
        broken.write_bytes(copy)
        try:
            found = load_record(broken).liquids[0].repeats[0].uptake_kg
        except RecordError:
            refused += 1
        else:
            np.testing.assert_array_equal(found, reference)
    assert refused > 0  # else the flips hit nothing and the test says nothing


def test_a_full_disk_names_the_file(tmp_path):
    def full(_):
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left on device") as caught:
        write_whole(tmp_path / "x.h5", full)
    assert caught.value.filename == str(tmp_path / "x.h5")
    assert not list(tmp_path.iterdir())
    with pytest.raises(OSError, match="No such file") as caught:  # not by its temporary name
        write_whole(tmp_path / "absent" / "x.h5", lambda path: path.touch())
    assert caught.value.filename == str(tmp_path / "absent" / "x.h5")


def test_whole_or_absent(tmp_path):
    target = tmp_path / "x.h5"
    target.write_text("old")

    def fails(path):
        path.write_text("half")
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        write_whole(target, fails)
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["x.h5"]


def test_parts_are_reused_only_under_the_same_key(tmp_path):
    solid = block(SMALL)
    parts = Parts(tmp_path / "x.parts", header(2, 1))
    assert parts.open(resume=True) == set()
    parts.add(1, 0, Repeat.of(soak(solid, 5.0), 1000.0), solid)
    assert parts.look() == (1, 0)
    assert parts.open(resume=True) == {(1, 0)}
    other = Parts(parts.folder, type(parts.header)(**{**parts.header.__dict__, "key": "other"}))
    assert other.look() == (0, 1)
    assert other.open(resume=True) == set()
    (parts.folder / "soak-0-0.h5").write_bytes(b"half a file")
    assert parts.open(resume=True) == {(1, 0)}
    parts.remove()
    assert not parts.folder.exists()


def test_an_unfinished_record_can_be_read_and_taken_over(tmp_path):
    solid = block(SMALL)
    parts = Parts(tmp_path / "x.parts", header(2, 1))
    parts.open(resume=False)
    parts.add(1, 0, Repeat.of(soak(solid, 5.0, snapshots=(1.0, 2.0)), 1000.0), solid)
    parts.merge(tmp_path / "x.h5", {(1, 0)})
    record = load_record(tmp_path / "x.h5")
    assert not record.complete
    assert [len(liquid.repeats) for liquid in record.liquids] == [0, 1]
    parts.open(resume=False)  # the parts are gone, the record is not
    assert parts.adopt(record) == {(1, 0)}
    parts.merge(tmp_path / "y.h5", {(1, 0)})
    again = load_record(tmp_path / "y.h5").liquids[1].repeats[0]
    np.testing.assert_array_equal(
        again.snapshot_fill[1], record.liquids[1].repeats[0].snapshot_fill[1]
    )


def test_names_never_become_paths():
    assert safe_name("../../etc/passwd") == "etc_passwd"
    assert safe_name("a b/c\\d:e") == "a_b_c_d_e"
    assert safe_name("") == safe_name("...") == "scenario"
    assert safe_name("con") == "scenario_con"
    assert len(safe_name("x" * 500)) == 80
    assert safe_name("Zwieback-größe_2.0") == "Zwieback-größe_2.0"


def _hold(path, held, release):
    with locked(path):
        held.set()
        release.wait(30)


def test_two_processes_do_not_write_one_record(tmp_path):
    context = multiprocessing.get_context("spawn")
    held, release = context.Event(), context.Event()
    lock = tmp_path / ".x.lock"
    other = context.Process(target=_hold, args=(lock, held, release))
    other.start()
    try:
        assert held.wait(60)
        message = f"another run \\(process {other.pid}\\) is writing x there"
        with pytest.raises(RecordError, match=message), locked(lock):
            pass
        other.kill()  # a killed holder leaves its file, but not its lock
        other.join()
        with locked(lock):
            assert lock.exists()
        assert not lock.exists()
    finally:
        other.kill()
