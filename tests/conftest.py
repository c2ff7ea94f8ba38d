"""For every test: figures into memory, closed afterwards; floating-point faults are loud."""

from __future__ import annotations

import os
import sys

import numpy as np
import pytest

os.environ.setdefault("MPLBACKEND", "Agg")


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
