"""Thresholds of percolation by bonds, from memory: see the tests that use them for sources."""

from __future__ import annotations

import numpy as np

THRESHOLD = {
    "square": 0.5,
    "triangular": 2 * np.sin(np.pi / 18),
    "honeycomb": 1 - 2 * np.sin(np.pi / 18),
    "cubic": 0.24881185,
    "bcc": 0.18028762,
    "fcc": 0.12016377,
    "diamond": 0.3895892,
}
