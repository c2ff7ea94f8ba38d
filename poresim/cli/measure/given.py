"""Figures as they are given on the command line."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Callable
from typing import NamedTuple

_MOST = 1e9


class Given(NamedTuple):
    """A value and its standard error, 0 where none is given."""

    value: float
    sd: float

    def times(self, factor: float) -> tuple[float, float]:
        """Both in another unit."""
        return self.value * factor, self.sd * factor


def positive(text: str) -> float:
    """A number above 0."""
    value = _number(text)
    if not 0 < value < _MOST:
        raise argparse.ArgumentTypeError(f"{text[:30]!r} is no number above 0")
    return value


def mass(text: str) -> float:
    """A number of at least 0."""
    value = _number(text)
    if not 0 <= value < _MOST:
        raise argparse.ArgumentTypeError(f"{text[:30]!r} is no number of at least 0")
    return value


def between(least: float, most: float, what: str) -> Callable[[str], float]:
    """Numbers above least and up to most, of what."""

    def read(text: str) -> float:
        value = _number(text)
        if not least < value <= most:
            raise argparse.ArgumentTypeError(
                f"{text[:30]!r} is not {what} above {least:g} and up to {most:g}"
            )
        return value

    return read


def figure(text: str) -> Given:
    """As 52, 52+-1 or 52±1."""
    parts = re.split(r"\+-|±", text)
    sd = _number(parts[1]) if len(parts) == 2 else 0.0
    value = _number(parts[0])
    if len(parts) > 2 or not (0 < value < _MOST and 0 <= sd < _MOST):
        raise argparse.ArgumentTypeError(
            f"{text[:30]!r} is no number above 0, such as 52 or, with its sd, 52+-1"
        )
    return Given(value, sd)


def option(name: str) -> str:
    """The option that argparse keeps under this name."""
    return "--" + name.replace("_", "-")


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
