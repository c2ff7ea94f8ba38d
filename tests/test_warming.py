"""Kernels compiled ahead: all of them, once, and never taken for whole too early."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from small import TWO_BROTHS

from poresim.ensemble import warming
from poresim.record.files import locked

ROOT = Path(__file__).resolve().parents[1]


def python(*arguments: str, **environment: str) -> subprocess.CompletedProcess:
    """Python in a process of its own, with some variables of its environment changed."""
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, timeout=600,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )  # fmt: skip


@pytest.fixture
def cache(tmp_path, monkeypatch) -> Path:
    """An empty cache, which two made-up pieces of work fill."""
    monkeypatch.setattr(warming, "CACHE_FOLDER", tmp_path)
    pieces = [(name, (tmp_path / f"{name}.nbi").touch) for name in ("straight", "waisted")]
    monkeypatch.setattr(warming, "_work", lambda: iter(pieces))
    return tmp_path


def test_what_is_waited_for_is_told_and_only_once(cache):
    said: list[str] = []
    assert not warming.compiled_already()
    assert warming.warm(said.append)
    assert "a minute or two" in said[0]
    assert ["straight" in line for line in said] == [False, True, False]
    assert ["waisted" in line for line in said] == [False, False, True]
    assert warming.compiled_already()
    said.clear()
    assert not warming.warm(said.append)
    assert said == []


def test_a_cache_that_lost_a_file_is_filled_again(cache):
    assert warming.warm(lambda _: None)
    (cache / "waisted.nbi").unlink()
    assert not warming.compiled_already()
    assert warming.warm(lambda _: None)
    assert (cache / "waisted.nbi").exists()


@pytest.mark.parametrize("stop", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_an_interrupted_compilation_is_not_taken_for_a_whole_one(cache, monkeypatch, stop):
    whole = list(warming._work())

    def stopped():
        raise stop

    monkeypatch.setattr(warming, "_work", lambda: iter([whole[0], ("the rest", stopped)]))
    with pytest.raises((KeyboardInterrupt, OSError)):
        warming.warm(lambda _: None)
    assert (cache / "straight.nbi").exists()
    assert not warming.compiled_already()
    monkeypatch.setattr(warming, "_work", lambda: iter(whole))
    assert warming.warm(lambda _: None)


def test_one_process_waits_for_another_and_need_not_compile_then(cache, monkeypatch):
    said: list[str] = []
    found: list[bool] = []
    waiting = threading.Thread(target=lambda: found.append(warming.warm(said.append)))
    with locked(cache / ".lock"):
        waiting.start()
        deadline = time.monotonic() + 60
        while not said and time.monotonic() < deadline:
            time.sleep(0.01)
        assert said == ["another process compiles the numerical kernels: waiting for it"]
        (cache / "all.nbi").touch()  # what the other one does meanwhile
        warming._marker().write_text("all.nbi")
    waiting.join(60)
    assert found == [False]
    assert len(said) == 1
    assert not (cache / "straight.nbi").exists()


def test_what_helps_to_compile_compiles_for_this_poresim():
    """As it is started: without the folder one stands in."""
    code = "from poresim.tube.jit import CACHE_FOLDER; print(CACHE_FOLDER)"
    call = [sys.executable, "-P", "-c", code]
    done = subprocess.run(call, capture_output=True, text=True, timeout=600)
    assert done.stdout.strip() == str(warming.CACHE_FOLDER), done.stderr


CACHE_OF = "from poresim.tube.jit import CACHE_FOLDER; print(CACHE_FOLDER.parent)"


def test_without_a_writable_home_kernels_go_to_the_temporary_folder(tmp_path):
    done = python("-c", CACHE_OF, PORESIM_CACHE=os.devnull, TMPDIR=str(tmp_path))
    assert done.stdout.strip() == str(tmp_path / f"poresim-{os.getuid()}"), done.stderr
    done = python("-c", CACHE_OF, PORESIM_CACHE=str(tmp_path / "mine"), TMPDIR=str(tmp_path))
    assert done.stdout.strip() == str(tmp_path / "mine/poresim"), done.stderr


@pytest.mark.parametrize("fault", ["a file", "others may write there"])
def test_no_folder_for_kernels_is_one_line(tmp_path, fault):
    """What is in a cache is run: a folder into which others may write is not used."""
    common = tmp_path / f"poresim-{os.getuid()}"
    if fault == "a file":
        common.touch()
    else:
        common.mkdir()
        common.chmod(0o777)
    done = python("-m", "poresim", "warm", PORESIM_CACHE=os.devnull, TMPDIR=str(tmp_path))
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == "no writable folder for compiled kernels; set PORESIM_CACHE to one\n"


TWO_SIGNATURES = """
import sys, time
from numba.core import caching
from poresim.tube.jit import kernel

@kernel
def same(x):
    return x

save_index = caching.IndexDataCacheFile._save_index

def save_late(self, overloads):
    time.sleep(2.0)
    save_index(self, overloads)

caching.IndexDataCacheFile._save_index = save_late
same({"whole": 1, "real": 1.0}[sys.argv[1]])
print(len(same._cache._cache_file._load_index()))
"""


def test_processes_that_compile_at_once_keep_what_the_other_has_kept(tmp_path):
    """numba reads its index and writes it again: the second of two would overwrite the first."""
    script = tmp_path / "same.py"
    script.write_text(TWO_SIGNATURES)
    call = lambda kind: python(str(script), kind, PORESIM_CACHE=str(tmp_path / "cache"))  # noqa: E731
    with ThreadPoolExecutor() as both:
        done = list(both.map(call, ["whole", "real"]))
    assert [one.stderr for one in done] == ["", ""]
    assert sorted(int(one.stdout) for one in done) == [1, 2]


KINDS = """
import numpy as np
import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec

def block(n, waist=1.0, lattice="cubic", sides="open"):
    size = ((n - 1) * 1e-4,) * 3
    return ps.build_solid(
        SolidSpec(size, lattice, Lognormal(12e-6, 0.4), 1e-4, waist=waist, sides=sides), 3
    )

def listed(solid):
    waist = np.full(solid.tubes, 0.4)
    waist[::2] = 0.6
    return ps.Network(solid.points, solid.ends, list(solid.radius), list(solid.length), waist)

LAWS = (ps.Newtonian(2e-3), ps.PowerLaw(0.05, 0.5), ps.PowerLaw(1e-3, 1.2), ps.Bingham(1.0, 5e-3),
        ps.HerschelBulkley(0.5, 0.05, 0.5))
GRAINS = ps.Particles(0.02, np.array([8e-6, 15e-6]))
SOLIDS = {
    "small": (block(3), 0.5), "waisted": (block(3, 0.5), 0.2), "listed": (listed(block(3)), 0.2),
    "diamond": (block(4, 0.7, "diamond"), 0.05), "large": (block(16), 0.02),
    "large waisted": (block(16, 0.5), 0.01),
}
for law in LAWS:
    for more in ({}, {"particles": GRAINS}, {"receding_angle_deg": 20.0}):
        liquid = ps.Liquid(law, 0.05, 50.0, 1000.0, **more)
        for name, (solid, share) in SOLIDS.items():
            for accuracy in (0.05, 0.001):
                for pull in (0.0, -9.8):
                    goal = share if accuracy == 0.05 else 0.1 * share
                    ps.soak(solid, liquid, solid.faces.get("bottom", [0]), until_saturation=goal,
                            accuracy=accuracy, gravity=(0, 0, pull), snapshots=[1e-5])
    for name, accuracy, goal in (("large", 0.01, 0.7), ("large", 0.002, 0.25),
                                 ("large waisted", 0.05, 0.6), ("large waisted", 0.01, 0.15)):
        solid = SOLIDS[name][0]
        ps.soak(solid, liquid, solid.faces["bottom"], until_saturation=goal, accuracy=accuracy)
    for solid in (SOLIDS["small"][0], SOLIDS["waisted"][0], SOLIDS["listed"][0], block(28),
                  block(5, sides="periodic")):
        for given in ({0: 1e5, solid.junctions - 1: 0.0}, {0: 1e-3, solid.junctions - 1: 0.0}):
            ps.flow(solid, liquid, given)
            ps.flow(solid, liquid, given, gravity=(0.0, 1.0, -9.8))
    law.tube_flow_rate([1.0, 2.0], 1e-5, 1e-4)
    law.tube_flow_rate(1.0, 1e-5, 1e-4)
"""


UNUSED = {"law.cone_integral"}  # only tests call it


def _kernels() -> set[str]:
    """Every kernel of the package, as numba names its file: module.function."""
    return {
        f"{path.stem}.{name}"
        for folder in ("tube", "uptake", "curves")
        for path in (ROOT / "poresim" / folder).glob("*.py")
        for name in re.findall(r"^@kernel\ndef (\w+)\(", path.read_text(), re.MULTILINE)
    }


@pytest.mark.slow
def test_after_warming_nothing_is_compiled_any_more(tmp_path):
    """Minutes: the kernels are compiled in an empty cache, then every kind of work is done."""
    place = {"PORESIM_CACHE": str(tmp_path / "cache")}

    def files() -> set[str]:
        return {str(path) for path in (tmp_path / "cache").rglob("*.nb[ci]")}

    done = python("-m", "poresim", "warm", "--json", **place)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["compiled"] is True
    assert "soaks of a Newtonian liquid" in done.stderr
    whole = files()
    compiled = {Path(path).name.split("-")[0] for path in whole}
    assert _kernels() - compiled == UNUSED
    again = python("-X", "importtime", "-m", "poresim", "warm", **place)
    assert (again.returncode, again.stdout) == (0, "")
    lines = again.stderr.splitlines()
    assert [line for line in lines if not line.startswith("import time:")] == []
    assert not any("numba" in line for line in lines), "nothing to compile: nothing to load"
    done = python("-c", KINDS, **place)
    assert done.returncode == 0, done.stderr
    assert files() - whole == set()
    scenario = tmp_path / "small.toml"
    scenario.write_text(TWO_BROTHS)
    done = python("-m", "poresim", "run", str(scenario), "--out", str(tmp_path / "out"), **place)
    assert done.returncode == 0, done.stderr
    assert "compiling" not in done.stderr
    assert files() - whole == set()
    done = python(
        "-m", "poresim", "check", "--curves", str(scenario), "--out", str(tmp_path / "out"), **place
    )
    assert done.returncode == 0, done.stderr
    assert "compiling" not in done.stderr
    assert files() - whole == set()
