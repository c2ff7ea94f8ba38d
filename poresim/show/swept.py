"""From a sweep to its figures: one a result, of the kind that suits what was varied."""

from __future__ import annotations


def sweeps_of(found): ...
def write_figures(shown, path):
    return [], []
