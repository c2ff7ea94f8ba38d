"""For every test: figures into memory, closed afterwards; floating-point faults are loud."""

from __future__ import annotations

import os
import sys
from pathlib import Path

# Small products of matrices on several threads, in several processes at once, take many times as
# long as on one thread each; also in the processes that share the tests.
for _limit in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_limit, "1")

import numpy as np  # noqa: E402
import pytest  # noqa: E402

import poresim  # noqa: E402
from tests.browser import browser  # noqa: E402, F401 - a fixture

os.environ.setdefault("MPLBACKEND", "Agg")
# What tests start is what they test. `python -m pytest` tests the checkout one stands in, also
# where another is installed; without this, the process that helps to compile looks for the
# installed one, and compiles for that.
_HERE = str(Path(poresim.__file__).resolve().parents[1])
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [_HERE, os.environ.get("PYTHONPATH")]))


def pytest_sessionstart(session):
    """Tests that go to several processes find the kernels compiled: each would do it again."""
    if getattr(session.config.option, "numprocesses", None):
        from poresim.ensemble.warming import warm

        warm(print)


@pytest.fixture(autouse=True)
def quiet_figures():
    """Close what a test has drawn."""
    yield
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")


@pytest.fixture
def rng() -> np.random.Generator:
    """A random generator that gives the same numbers every time."""
    return np.random.default_rng(20240817)
