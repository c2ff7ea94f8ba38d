"""What README says of the questions holds for the scenarios that it names."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from poresim.cli.main import main
from poresim.scenario.reading import load_scenario
from poresim.why.sweep import Plan

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()


def test_scenarios_of_the_questions_are_named_and_without_fault(capsys):
    named = re.findall(r"^poresim (explain|sweep) (scenarios/\S+\.toml)", README, re.M)
    assert [command for command, _ in named] == ["explain", "sweep"]
    for _, file in named:
        assert main(["check", str(ROOT / file)]) == 0
        assert "no faults" in capsys.readouterr().out
    assert load_scenario(ROOT / named[0][1]).questions.explain is not None
    assert len(Plan(load_scenario(ROOT / named[1][1])).points) == 7


def test_the_sample_in_the_comment_can_be_asked(tmp_path):
    """Uncommented, in place of the grid."""
    text = (ROOT / "scenarios" / "pore_sizes.toml").read_text()
    start = text.index("# [sweep]\n")
    sample = "\n".join(line.removeprefix("#").strip() for line in text[start:].splitlines())
    file = tmp_path / "sample.toml"
    file.write_text(text[: text.index("\n[sweep]\n") + 1] + sample)
    plan = Plan(load_scenario(file))
    assert len(plan.points) == 64 * (3 + 2)
    assert len(plan.quantities) == 3


def test_the_table_of_shares_adds_up():
    """Every column of README's table is the sum that it prints, to a rounding a row."""
    table = README[README.index("property    share") :]
    rows = [re.split(r"  +", line) for line in table[: table.index("```")].splitlines()]
    rows = [row for row in rows if not row[0].startswith("-")]
    *causes, total = rows[1:]
    sums = [int(cell.removesuffix(" %")) for cell in total[1:]]
    columns = [[int(row[i].removesuffix(" %")) for row in causes] for i in (1, 3, 4)]
    assert sum(columns[0]) == sums[0] == 100
    for column, told in zip(columns[1:], sums[1:], strict=True):
        assert sum(column) == pytest.approx(told, abs=0.5 * (len(column) + 1))
        assert abs(told - 100) > 5
