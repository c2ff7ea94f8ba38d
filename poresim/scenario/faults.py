"""What is wrong with a scenario, in one line a fault."""

from __future__ import annotations

from dataclasses import dataclass

_LONGEST = 400


@dataclass(frozen=True)
class Fault:
    """One fault: where it is, what is wrong, and what would be right.

    line is None where it cannot be known; key is the path of the key ("solid.size_mm"), "" for
    the file as a whole.
    """

    file: str
    line: int | None
    key: str
    wrong: str
    right: str = ""

    def __str__(self) -> str:
        """One line: "FILE, line 8: solid.size_mm: got -2; give ..."."""
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        said = "; ".join(part for part in (self.wrong, self.right) if part)
        whole = ": ".join(part for part in (place, self.key, said) if part)
        # Whatever stood in the file, a fault is one printable line.
        plain = "".join(c if c.isprintable() else " " for c in whole)
        return plain if len(plain) <= _LONGEST else plain[: _LONGEST - 3] + "..."


class ScenarioError(ValueError):
    """A scenario that cannot be run. ``faults`` lists everything that is wrong with it."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))

    def __reduce__(self) -> tuple[type[ScenarioError], tuple[list[Fault]]]:
        return type(self), (self.faults,)
