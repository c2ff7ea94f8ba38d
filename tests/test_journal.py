"""Finished runs survive whatever happens to the process, and nothing else gets in."""

from __future__ import annotations

import json

import numpy as np
import pytest

from poresim.ensemble.journal import Journal
from poresim.outcome.asked import Outcome
from poresim.record.layout import RecordError
from poresim.uptake.result import Ending


def outcome(seed: int) -> Outcome:
    rng = np.random.default_rng(seed)
    time = np.sort(rng.random(7))
    return Outcome(
        Ending.TIME, {"time_s": time, "uptake_kg": rng.random(7)}, {"end_s": rng.random()}
    )


@pytest.fixture
def journal(tmp_path) -> Journal:
    made = Journal(tmp_path / "a.runs", "key")
    made.open(resume=False, force=False)
    for i in range(5):
        made.add(f"run {i}", outcome(i))
    made.close()
    return made


def again(journal: Journal, key: str = "key", **how) -> Journal:
    made = Journal(journal.path, key)
    made.open(**{"resume": True, "force": False} | how)
    return made


def same(one: Outcome, other: Outcome) -> bool:
    return (
        one.ending is other.ending
        and one.figures == other.figures
        and all((one.curves[n] == other.curves[n]).all() for n in one.curves)
    )


def test_what_was_kept_comes_back_bit_for_bit(journal):
    found = again(journal)
    assert len(found.finished) == 5
    assert all(same(found.finished[f"run {i}"], outcome(i)) for i in range(5))
    found.close()


def test_torn_anywhere_every_whole_line_is_kept(journal):
    """Cut at every 37th byte: the runs before the cut are there, and the work goes on."""
    whole = journal.path.read_bytes()
    ends = [i + 1 for i, byte in enumerate(whole) if byte == 10]
    for cut in range(0, len(whole), 37):
        journal.path.write_bytes(whole[:cut])
        found = again(journal)
        assert len(found.finished) == max(sum(end <= cut for end in ends) - 1, 0)
        found.add("run 9", outcome(9))
        found.close()
        more = again(journal)
        assert same(more.finished["run 9"], outcome(9))
        more.close()


@pytest.mark.parametrize(
    "line",
    [b"\x00\xff\n", b"[]\n", b"{}\n", b'{"run": 1}\n', b"[" * 5000 + b"\n"]
    + [
        json.dumps({"run": "x", "ending": "TIME", "figures": {}, "curves": curves}).encode() + b"\n"
        for curves in ({}, {"time_s": "###"}, {"time_s": ""}, {"time_s": 3}, {"u": "AAAAAAAA8D8="})
    ],
)
def test_a_line_that_is_no_run_ends_what_is_believed(journal, line):
    lines = journal.path.read_bytes().splitlines(keepends=True)
    journal.path.write_bytes(b"".join([*lines[:3], line, *lines[3:]]))
    found = again(journal)
    assert len(found.finished) == 2
    found.close()


def test_other_work_is_not_mixed_in(journal):
    with pytest.raises(RecordError, match="another scenario text or version"):
        again(journal, key="other")
    with pytest.raises(RecordError, match="--resume goes on"):
        again(journal, resume=False)
    found = again(journal, key="other", force=True)
    assert not found.finished
    found.close()


def test_a_file_of_another_kind_is_refused(tmp_path):
    path = tmp_path / "a.runs"
    path.write_text('{"some": "json"}\n')
    with pytest.raises(RecordError, match="no journal of this version"):
        Journal(path, "key").open(resume=True, force=False)
