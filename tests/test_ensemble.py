"""Runs: the same numbers whatever the number of workers, nothing lost, nothing overwritten."""

from __future__ import annotations

import contextlib
import gc
import io
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import time
import weakref
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from fakes import block
from fakes import soak as made_up_soak
from small import TWO_BROTHS, run_here

from poresim.ensemble import jobs
from poresim.ensemble.gather import compile_first
from poresim.ensemble.jobs import RequestError, particle_seed, snapshot_times
from poresim.ensemble.request import header_of, jobs_of
from poresim.ensemble.run import RunFailed, RunInterrupted, run
from poresim.ensemble.workers import Workers
from poresim.record.layout import SOAK, RecordError
from poresim.record.model import Record
from poresim.record.reading import load_record
from poresim.record.writing import Parts
from poresim.scenario.reading import load_scenario
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.uptake.result import Ending

ROOT = Path(__file__).resolve().parents[1]
#: Soaks of a quarter of a second: straight tubes, and a cell less.
BROTHS = TWO_BROTHS.replace(", waist = 0.7", "").replace("[0.2, 0.2, 0.3]", "[0.2, 0.2, 0.2]")


@pytest.fixture
def file(tmp_path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(BROTHS)
    return path


def same(one: Record, other: Record) -> None:
    """Bit for bit: every dataset of every soak, every solid."""
    assert one.soaks == other.soaks
    for a, b in zip(one.liquids, other.liquids, strict=True):
        assert sorted(a.repeats) == sorted(b.repeats)
    same_as_in(one, other)


def same_as_in(one: Record, other: Record) -> None:
    """The same of a record that may have fewer repeats than the other."""
    for a, b in zip(one.liquids, other.liquids, strict=True):
        assert a.repeats
        for n in a.repeats:
            for name in SOAK:
                x, y = getattr(a.repeats[n], name), getattr(b.repeats[n], name)
                np.testing.assert_array_equal(x[:], y[:], err_msg=f"{a.name} {n} {name}")
    for n in one.solids:
        np.testing.assert_array_equal(one.solid(n).radius, other.solid(n).radius)


@pytest.fixture(scope="module")
def reference(tmp_path_factory) -> Record:
    """An undisturbed run on one worker."""
    folder = tmp_path_factory.mktemp("reference")
    path = folder / "small.toml"
    path.write_text(BROTHS)
    return run(load_scenario(path), folder / "out", workers=1)


def test_cores_that_no_soak_has_are_shared_by_the_others(file, tmp_path, monkeypatch, reference):
    submit, seen = Workers.submit, []

    class Seen(Exception):
        """Nothing more is asked of a run that has handed out its soaks."""

    def look(self, work, calls):
        seen.append([job.cores for (job,) in calls])
        if len(seen) > 1:
            raise Seen
        submit(self, work, calls)

    monkeypatch.setattr(Workers, "submit", look)
    file.write_text(BROTHS.replace("repeats = 3", "repeats = 1"))
    scenario = load_scenario(file)
    soaks = len(scenario.liquids)
    same_as_in(run(scenario, tmp_path / "many", workers=2 * soaks + 1), reference)
    with pytest.raises(Seen):
        run(scenario, tmp_path / "few", workers=2)
    with ThreadPoolExecutor(8) as threads, pytest.raises(Seen):  # how many it may use is not known
        run(scenario, tmp_path / "threads", executor=threads)
    assert seen == [[2] * soaks, [1] * soaks, [1] * soaks]


def test_workers_threads_and_any_executor_agree_bit_for_bit(file, tmp_path, reference):
    scenario = load_scenario(file)
    two = run(scenario, tmp_path / "two", workers=2)
    same(two, reference)
    # The whole file, but for the moment at which it was made:
    assert _undated(two) == _undated(reference)
    with ThreadPoolExecutor(2) as threads:
        same(run(scenario, tmp_path / "threads", executor=threads), reference)
    file.write_text(BROTHS.replace("repeats = 3", "repeats = 1"))
    scenario = load_scenario(file)
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn) as processes:  # the caller's own
        same_as_in(run(scenario, tmp_path / "processes", executor=processes), reference)


def _undated(record: Record) -> bytes:
    whole = record.path.read_bytes()
    assert whole.count(record.created.encode()) == 1
    return whole.replace(record.created.encode(), b"")


def test_what_a_record_of_a_run_holds(reference):
    assert reference.complete
    assert [liquid.name for liquid in reference.liquids] == ["clear broth", "spiced broth"]
    assert all(sorted(liquid.repeats) == [0, 1, 2] for liquid in reference.liquids)
    clear, spiced = (liquid.repeats for liquid in reference.liquids)
    for n in range(3):
        assert clear[n].volume_balance <= 0.05 / 100
        assert np.all(np.isnan(clear[n].blocked_at_s))
        assert np.isfinite(spiced[n].blocked_at_s).any()
        # closing a step's books may take back a little, far within the volume balance
        assert np.all(np.diff(clear[n].uptake_kg) >= -1e-6 * clear[n].uptake_kg[-1])
    assert not np.array_equal(reference.solid(0).radius, reference.solid(1).radius)
    assert len(clear[0].snapshot_time_s) > 0
    assert len(clear[1].snapshot_time_s) == 0
    assert not list(reference.path.parent.glob("*.parts"))
    assert not list(reference.path.parent.glob(".*"))


def test_the_python_calls_repeat_the_record(reference, file):
    """A record is what the plain calls give: solid 0 and its grains come from the run's seed."""
    import poresim as ps

    scenario = ps.load_scenario(file)
    solid = ps.build_solid(scenario.solid, seed=scenario.seed)
    liquid = ps.build_liquid(scenario.liquids[1])
    once = ps.soak(
        solid,
        liquid,
        inlet=solid.faces["bottom"],
        until_s=0.2,
        accuracy=0.1,
        gravity=(0, 0, -9.80665),
        seed=scenario.seed,
        snapshots=snapshot_times(0.2, 6),
        face_m2=solid.size[0] * solid.size[1],
        cup=ps.build_cup(scenario.exposure),
    )
    kept = reference.liquids[1].repeats[0]
    assert once.filled_at_s.dtype == np.float64
    for name in ("filled_at_s", "wetted_at_s", "blocked_at_s"):  # seven figures of each are kept
        values = getattr(once, name)
        np.testing.assert_array_equal(values.astype(np.float32), getattr(kept, name))
    text = BROTHS.replace("repeats = 3", "repeats = 1") + "double_precision = true\n"
    file.write_text(text)
    whole = run_here(load_scenario(file), file.parent / "whole").liquids[1].repeats[0]
    np.testing.assert_array_equal(once.filled_at_s, whole.filled_at_s)
    np.testing.assert_array_equal(once.wetted_at_s, whole.wetted_at_s)
    np.testing.assert_array_equal(once.blocked_at_s, whole.blocked_at_s)


def test_what_only_building_finds_out_is_told_with_its_file_and_key(file, tmp_path):
    lattice = '{ kind = "scattered", spacing_um = 100, neighbours = 13.2 }'
    text = BROTHS.replace('{ kind = "cubic", spacing_um = 100 }', lattice)
    file.write_text(text.replace("median_radius_um = 15", "median_radius_um = 6"))
    with ThreadPoolExecutor(1) as threads, pytest.raises(RequestError) as caught:
        run(load_scenario(file), tmp_path / "out", executor=threads)
    assert str(caught.value).startswith(
        f"{file}: solid, neighbours: got 13.2, but the points drawn"
    )
    assert not list((tmp_path / "out").glob("*.h5"))


def test_nothing_is_overwritten_unasked(file, tmp_path, reference, monkeypatch):
    scenario = load_scenario(file)
    out = tmp_path / "out"
    shutil.copytree(reference.path.parent, out)
    before = (out / "small.h5").read_bytes()
    with pytest.raises(RecordError, match="exists; --force replaces it"):
        run(scenario, out)
    same(run(scenario, out, resume=True), reference)  # complete: nothing to do
    assert (out / "small.h5").read_bytes() == before
    file.write_text(BROTHS.replace("seed = 0", "seed = 1"))
    other = load_scenario(file)
    with pytest.raises(RecordError, match="another scenario text or version"):
        run(other, out, resume=True)
    _with_soak(monkeypatch, lambda solid, liquid, **keys: _fake(solid, **keys))
    with ThreadPoolExecutor(1) as threads:
        record = run(other, out, force=True, executor=threads)
    assert record.seed == 1 and record.complete
    assert not np.array_equal(record.solid(0).radius, reference.solid(0).radius)


_started: list[subprocess.Popen] = []


@pytest.fixture(autouse=True)
def nothing_runs_on():
    """Whatever a test started and did not end, such as one that failed, is ended."""
    yield
    while _started:
        process = _started.pop()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _start(file: Path, out: Path, *more: str) -> subprocess.Popen:
    command = [sys.executable, "-m", "poresim", "run", str(file), "--out", str(out), *more]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
        # a test run in the background ignores Ctrl-C, and so would what it starts
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    _started.append(process)
    return process


def _wait_for_parts(out: Path, number: int, process: subprocess.Popen) -> None:
    deadline = time.monotonic() + 120
    while len(list(out.glob("small.parts/soak-*.h5"))) < number:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.005)


@pytest.mark.parametrize("parts", [1, pytest.param(3, marks=pytest.mark.slow)])
def test_killed_and_resumed_is_the_same_as_undisturbed(file, tmp_path, reference, parts):
    out = tmp_path / "out"
    process = _start(file, out, "--workers", "1", "--no-figures")
    _wait_for_parts(out, parts, process)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL  # half of the soaks or more were still to come
    for path in out.rglob("*.h5"):  # whatever is there can be read
        if path.parent == out:
            load_record(path)
    scenario = load_scenario(file)
    if list(out.glob("small.parts/soak-*.h5")):
        with pytest.raises(RecordError, match="--resume goes on"):
            run(scenario, out)
    kept = {p: p.stat().st_mtime_ns for p in out.glob("small.parts/soak-*.h5")}
    assert len(kept) >= parts
    same(run(scenario, out, resume=True, workers=1), reference)


def test_killed_between_the_last_soak_and_the_end(file, tmp_path, reference):
    """All parts are there, the record lacks the last: resuming gathers, and computes nothing."""
    out = tmp_path / "out"
    out.mkdir()
    parts = Parts(out / "small.parts", header_of(load_scenario(file)))
    parts.open(resume=False)
    pairs = sorted((k, n) for n in range(3) for k in range(2))
    for k, n in pairs:
        parts.add(k, n, reference.liquids[k].repeats[n], reference.solid(n))
    parts.merge(out / "small.h5", set(pairs[:-1]))
    record = run(load_scenario(file), out, resume=True)
    assert record.complete
    same(record, reference)


def test_workers_go_when_the_run_is_killed(file, tmp_path):
    """No orphans: each worker watches its parent."""
    file.write_text(BROTHS.replace("repeats = 3", "repeats = 200"))
    out = tmp_path / "out"
    process = _start(file, out, "--workers", "2")
    _wait_for_parts(out, 1, process)
    workers = _children(process.pid)
    assert workers
    process.kill()
    process.communicate()
    deadline = time.monotonic() + 15
    while any(_alive(pid) for pid in workers) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert [pid for pid in workers if _alive(pid)] == []


@pytest.mark.parametrize(
    ("number", "to_all"),
    [
        (signal.SIGINT, True),
        pytest.param(signal.SIGINT, False, marks=pytest.mark.slow),
        (signal.SIGTERM, False),
    ],
)
def test_interrupted_keeps_what_is_finished(file, tmp_path, number, to_all):
    """Ctrl-C reaches the workers as well (``to_all``); they leave it to the run."""
    file.write_text(BROTHS.replace("repeats = 3", "repeats = 200"))
    out = tmp_path / "out"
    process = _start(file, out, "--workers", "1")
    _wait_for_parts(out, 2, process)
    if to_all:
        os.killpg(process.pid, number)
    else:
        process.send_signal(number)
    _, remarks = process.communicate(timeout=60)
    assert process.returncode == 130, remarks
    assert "Traceback" not in remarks
    record = load_record(out / "small.h5")
    assert not record.complete
    assert record.soaks >= 2
    assert f"{record.soaks} of 400 soaks are kept in {out / 'small.h5'}; --resume" in remarks


@pytest.mark.parametrize("largest", [5_000, 60_000])
def test_a_full_disk_ends_the_run_in_one_line(file, tmp_path, largest):
    """No file may grow beyond ``largest`` bytes, as on a full disk; nothing half is left."""
    import resource

    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-m", "poresim", "run", str(file), "--out", str(out), "--no-figures",
         "--workers", "1"],
        cwd=ROOT, capture_output=True, text=True, timeout=120,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest)),
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "cannot write" in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(out.rglob("*.partial"))
    for part in out.glob("small.parts/*.h5"):
        with h5py.File(part) as whole:
            assert whole.attrs["key"]


def test_a_script_without_a_guard_works(file, tmp_path):
    """Spawned workers do not run the caller's script again."""
    file.write_text(BROTHS.replace("repeats = 3", "repeats = 1"))
    script = tmp_path / "plain.py"
    script.write_text(
        "import poresim as ps\n"
        "print('started')\n"
        f"scenario = ps.load_scenario({str(file)!r})\n"
        f"record = ps.run(scenario, out={str(tmp_path / 'o')!r}, workers=1)\n"
        "print(record.soaks)\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], cwd=ROOT, capture_output=True, text=True, timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["started", "2"]


def _with_soak(monkeypatch, soak) -> None:
    compile_first()  # by real soaks
    monkeypatch.setattr("poresim.uptake.march.soak", soak)


def _fake(solid, *_, until_s, snapshots, **__):
    return made_up_soak(solid, 0.1, until_s, snapshots=tuple(snapshots))


def test_one_soak_that_fails_costs_no_other(file, tmp_path, monkeypatch):
    """Whatever happens in one soak, the others are kept and the failure is named."""

    def soak(solid, liquid, **keys):
        if liquid.particles is not None:
            raise ZeroDivisionError("made up")
        return _fake(solid, **keys)

    _with_soak(monkeypatch, soak)
    with ThreadPoolExecutor(2) as threads, pytest.raises(RunFailed) as caught:
        run(load_scenario(file), tmp_path / "out", executor=threads)
    assert len(caught.value.failures) == 3
    assert "spiced broth, solid 0: ZeroDivisionError: made up" in caught.value.failures[0]
    record = load_record(caught.value.record_path)
    assert (record.soaks, record.complete) == (3, False)


def test_numerics_that_failed_are_in_the_record(file, tmp_path, monkeypatch):
    def soak(solid, liquid, **keys):
        done = _fake(solid, **keys)
        return type(done)(**{**done.__dict__, "ending": Ending.NOT_CONVERGED})

    _with_soak(monkeypatch, soak)
    with ThreadPoolExecutor(2) as threads:
        record = run(load_scenario(file), tmp_path / "out", executor=threads)
    assert record.complete
    assert len(record.failed) == 6


def test_an_interrupt_inside_the_python_call(file, tmp_path, monkeypatch):
    ticks = []

    def progress(state):
        ticks.append(state)
        if state.finished >= 2:
            raise KeyboardInterrupt

    def soak(solid, liquid, **keys):
        time.sleep(0.3)
        return _fake(solid, **keys)

    _with_soak(monkeypatch, soak)
    with ThreadPoolExecutor(1) as threads, pytest.raises(RunInterrupted) as caught:
        run(load_scenario(file), tmp_path / "out", executor=threads, progress=progress)
    assert 2 <= caught.value.finished < 6
    assert load_record(caught.value.record_path).soaks == caught.value.finished
    assert [t.fraction for t in ticks] == sorted(t.fraction for t in ticks)


def test_files_that_a_scenario_names_count_for_resuming(file, tmp_path, monkeypatch):
    """A changed size table is another run, although the scenario's text is the same."""
    _with_soak(monkeypatch, lambda solid, liquid, **keys: _fake(solid, **keys))
    table = tmp_path / "radii.csv"
    table.write_text("radius_um\n10\n20\n")
    law = '{ law = "table", file = "radii.csv", waist = 0.5 }'
    old = BROTHS.split("tubes = ")[1].split("\n")[0]
    file.write_text(BROTHS.replace(old, law))
    with ThreadPoolExecutor(1) as threads:
        run(load_scenario(file), tmp_path / "out", executor=threads)
        table.write_text("radius_um\n10\n25\n")
        with pytest.raises(RecordError, match="another scenario text"):
            run(load_scenario(file), tmp_path / "out", executor=threads, resume=True)


def test_streams_of_repeats_differ_and_seed_zero_is_a_seed():
    seeds = [particle_seed(0, n) for n in range(5)]
    assert len(set(seeds)) == 5
    assert seeds[0] == 0
    assert seeds != [particle_seed(1, n) for n in range(5)]


def test_snapshots_are_even_in_root_time():
    times = np.array(snapshot_times(9.0, 30))
    np.testing.assert_allclose(np.diff(np.sqrt(times)), 0.1)
    assert times[-1] == 9.0
    assert snapshot_times(9.0, 0) == ()
    ladder = np.array(snapshot_times(None, 5))  # the end is not known: from 0.1 ms to three hours
    assert ladder[0] == pytest.approx(1e-4)
    assert ladder[-1] == pytest.approx(1e4)
    assert np.ptp(np.diff(np.log10(ladder))) < 1e-9


def test_the_solid_of_a_worker_is_kept_for_the_next_liquid_and_run(monkeypatch, tmp_path):
    built = []
    monkeypatch.setattr("poresim.solid.build.build_solid", lambda *a: built.append(a) or block())
    monkeypatch.setattr(jobs, "_built", None)
    monkeypatch.setattr(jobs, "_packed", None)
    spec = SolidSpec((1e-3,) * 3, radii=Lognormal(1e-5, 0.5), spacing=1e-4)

    def solid(place=0, run="key", **changes):
        asked = {"repeat": 0, "seed": 0, "solid": spec} | changes
        network = jobs._solid(
            jobs.Job(
                run=run, place=place, name="a", liquid=None, faces=(), gravity=True, until_s=1.0,
                until_saturation=None, accuracy=0.01, snapshots=(), **asked,
            )  # type: ignore[arg-type]
        )  # fmt: skip
        return len(built), jobs._solid_file(run, network)

    first = solid()
    assert solid(place=1) == first
    assert solid(place=1)[1] is first[1], "packed once"
    assert solid(run="other")[0] == 1
    assert solid(repeat=1)[0] == 2
    assert solid(seed=1)[0] == 3
    assert solid(solid=replace(spec, waist=0.5))[0] == 4
    (tmp_path / "n.h5").write_text("one")
    file = SolidSpec(network=tmp_path / "n.h5")
    assert [solid(solid=file)[0], solid(solid=file)[0]] == [5, 5]
    (tmp_path / "n.h5").write_text("another")
    assert solid(solid=file)[0] == 6


def test_jobs_hand_over_packed_files(file, monkeypatch):
    """What comes back from a worker is what the record is made from."""
    _with_soak(monkeypatch, lambda solid, liquid, **keys: _fake(solid, **keys))
    file.write_text(BROTHS.replace("[0.2, 0.2, 0.2]", "[1.6, 1.6, 1.6]"))
    job = jobs_of(load_scenario(file), "key", set())[0]
    done = jobs.soak_one(0, job)
    network = jobs._solid(job)
    assert len(done.solid) < 16 * network.tubes  # of 80 bytes a tube
    for image, name in ((done.soak, "filled_at_s"), (done.solid, "radius_m")):
        assert isinstance(image, bytes)
        with h5py.File(io.BytesIO(image)) as part:
            assert part.attrs["key"] == "key"
            assert part[f"part/{name}"].shape == (network.tubes,)


def test_results_are_let_go_as_they_are_taken():
    """A long ensemble does not pile up what it has written already."""

    class Result:
        pass

    left: list[weakref.ref] = []

    def work(_):
        result = Result()
        left.append(weakref.ref(result))
        return result

    with ThreadPoolExecutor(1) as threads:
        workers = Workers(1, 20, threads)
        workers.submit(work, [()] * 20)
        taken = 0
        while workers.busy:
            taken += len(workers.take(1.0))
    gc.collect()
    assert taken == len(left) == 20
    assert [ref() for ref in left] == [None] * 20


def _children(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[1]) == pid and "spawn_main" in (stat.parent / "cmdline").read_text():
            found.append(int(stat.parent.name))
    return found


def _alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_a_worker_that_is_killed_costs_its_soaks_a_retry(file, tmp_path, reference):
    """SIGKILL one of two processes at the first word of progress from a finished soak."""
    killed = []

    def kill_one(progress):
        if progress.finished and not killed:
            killed.append(multiprocessing.active_children()[0].pid)
            os.kill(killed[0], signal.SIGKILL)

    same(run(load_scenario(file), tmp_path / "out", workers=2, progress=kill_one), reference)
    assert killed
