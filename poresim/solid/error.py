"""The fault of a solid that cannot be."""

from __future__ import annotations


class SolidError(ValueError):
    """A solid that cannot be built.

    field : the attribute of SolidSpec that is at fault.
    wrong, right : what is wrong, and what would fit.
    """

    def __init__(self, field: str, wrong: str, right: str) -> None:
        super().__init__(f"{field}: {wrong}; {right}")
        self.field = field
        self.wrong = wrong
        self.right = right
