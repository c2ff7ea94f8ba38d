"""What is said where measured data cannot be made a number."""

from __future__ import annotations


class BenchError(ValueError):
    """Data that do not hold what is asked of them; one line that says what is missing."""

    wrong_request = True
