"""What is said where measured data cannot be made a number."""

from __future__ import annotations


class BenchError(ValueError):
    """Data that do not hold what is asked of them; one line that says what is missing.

    plain : the line. option : of `poresim measure` that would do, too, and is named after it.
    """

    wrong_request = True

    def __init__(self, plain: str, option: str = "") -> None:
        super().__init__(f"{plain}, or {option}" if option else plain)
        self.plain = plain
