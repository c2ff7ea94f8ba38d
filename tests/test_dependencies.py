"""What pyproject.toml names, what the code imports and what DEVELOPERS.md says of it agree."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
PROJECT = PYPROJECT["project"]
EXTRAS = PROJECT["optional-dependencies"]
# Where a distribution is imported by another name than its own.
IMPORTED_AS = {"pillow": "PIL", "imageio-ffmpeg": "imageio_ffmpeg", "distributed": "dask"}
# Licences that metadata spell out.
SPELT = {"PSF": "Python Software Foundation"}


def names(requirements: list[str]) -> set[str]:
    """The distributions, without what stands after the name; extras of our own are left out."""
    every = (re.match(r"[\w.-]+", one)[0] for one in requirements if "[" not in one)
    return {name.lower() for name in every}


def rows() -> dict[str, str]:
    """Distribution: licence, by the table in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies")[1].split("\n## ")[0]
    cells = [[one.strip() for one in line.split("|")[1:-1]] for line in text.splitlines()]
    table = [row for row in cells if len(row) == 3][2:]  # head and rule
    assert all(all(row) for row in table), "a cell is empty"
    found = {row[0].lower(): row[1] for row in table}
    assert len(found) == len(table), "a distribution stands there twice"
    return found


def test_every_dependency_has_its_licence_and_reason_and_no_other_has():
    named = names([*PYPROJECT["build-system"]["requires"], *PROJECT["dependencies"]])
    assert set(rows()) == named.union(*map(names, EXTRAS.values()))


@pytest.mark.parametrize("name", sorted(rows()))
def test_licence_is_that_of_its_metadata(name):
    try:
        told = importlib.metadata.metadata(name)
    except importlib.metadata.PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    said = " ".join(
        [
            *(told.get(key) or "" for key in ("License-Expression", "License")),
            *(one for one in told.get_all("Classifier", []) if one.startswith("License")),
        ]
    ).lower()
    families = re.findall(r"BSD|MIT|MPL|PSF|GPL|HPND|Apache", rows()[name])
    assert families
    assert any(SPELT.get(one, one).lower() in said for one in families)


def imports(path: Path) -> list[tuple[str, bool]]:
    """Top-level names that a module imports from elsewhere; whether only when called."""
    tree = ast.parse(path.read_text())
    late = {
        id(inner)
        for outer in ast.walk(tree)
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef)
        for inner in ast.walk(outer)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(one.name.split(".")[0], id(node) in late) for one in node.names]
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.append((node.module.split(".")[0], id(node) in late))
    return found


def test_what_is_imported_is_declared_and_what_an_extra_brings_is_imported_late():
    """Not what others happen to bring: they may stop doing so."""
    always = {IMPORTED_AS.get(one, one) for one in names(PROJECT["dependencies"])}
    extra = {IMPORTED_AS.get(one, one) for one in names([*EXTRAS["cluster"], *EXTRAS["video"]])}
    allowed = always | sys.stdlib_module_names | {"poresim"}
    used, faults = set(), []
    for path in sorted((ROOT / "poresim").rglob("*.py")):
        for name, late in imports(path):
            used.add(name)
            if name not in allowed and not (name in extra and late):
                faults.append(f"{path.relative_to(ROOT)}: {name}")
    assert not faults
    assert (always | extra) <= used, "declared, and imported nowhere"
