"""`poresim plan` from files to a ranking, on small solids that are really soaked; its faults."""

from __future__ import annotations

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from poresim.cli.main import main
from poresim.ensemble.jobs import outcome_one
from poresim.ensemble.request import job_of
from poresim.record.layout import RecordError
from poresim.scenario.build import build_liquid
from poresim.scenario.candidates import angle, weighing
from poresim.scenario.reading import load_scenario, parse_scenario
from poresim.why.judge import block_kg, judge, setting_of
from poresim.why.plan import Planned, as_dict, candidates_of, plan
from tests.test_judge import TEXT, WHEN, csv

#: Wetting and thickening are both open: no angle is measured, and priors are wide. That is known
#: well enough by few draws.
OPEN = TEXT[: TEXT.rindex("[[measured]]")].replace("mean = 48, sd = 3", "mean = 55, sd = 8")
OPEN = OPEN.replace("[judge]", "[judge]\nerror = 0.2")
TESTS = """
[[plan.tests]]
liquid = "clear broth"
angle_sd_deg = 5
[[plan.tests]]
name = "a drop of gum broth"
liquid = "gum broth"
angle_sd_deg = 1
minutes = 4
[[plan.tests]]
liquid = "gum broth"
uptake_at_s = [0.02, 0.01]
repeats = 2
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Path:
    """Logs of the model itself: the gum broth differs a little in its viscosity."""
    folder = tmp_path_factory.mktemp("planned")
    path = folder / "truth.toml"
    text = OPEN[: OPEN.index("[[measured]]")].replace("_deg = 50", "_deg = 45")
    path.write_text(text.replace("mPa_s = 6 }", "mPa_s = 2.6 }"))
    scenario = load_scenario(path)
    for spec, name in zip(scenario.liquids, ("clear", "gum"), strict=True):
        rows = []
        for piece in range(3):
            job = replace(job_of(scenario), liquid=build_liquid(spec), repeat=900 + piece)
            soak = outcome_one(0, job)
            rows.append([soak.value("uptake_kg", t) / block_kg(scenario) * 9 for t in WHEN])
        (folder / f"{name}.csv").write_text(csv(np.round(np.array(rows), 1)))
    wide = OPEN.replace("median = 6, log_sd = 0.2", "median = 2.6, log_sd = 0.3")
    (folder / "rusk.toml").write_text(wide + TESTS)
    (folder / "usual.toml").write_text(wide)
    return folder


@pytest.fixture(scope="module")
def planned(bench: Path) -> Planned:
    with ThreadPoolExecutor(1) as pool:
        return plan(load_scenario(bench / "rusk.toml"), bench / "out", executor=pool)


def test_the_drop_of_the_broth_that_may_wet_otherwise_comes_first(planned: Planned):
    told = as_dict(planned)
    assert told["tests"][0]["name"] == "a drop of gum broth"
    assert told["doubt_bits"] > 0.3
    assert told["tests"][0]["information_bits"] > 0.05
    rates = [one["information_bits"] / one["minutes"] for one in told["tests"]]
    assert rates == sorted(rates, reverse=True)
    for one in told["tests"]:
        assert one["sd_bits"] >= 0
        assert sum(case["chance"] for case in one["outcomes"]) == pytest.approx(1)
        assert one["information_bits"] <= told["doubt_bits"] + 3 * one["sd_bits"]


def test_minutes_are_those_given_or_common_practice(planned: Planned):
    """5 a piece and its soak; 3 for a drop."""
    minutes = {one.candidate.name: one.candidate.minutes for one in planned.tests}
    assert minutes["a drop of gum broth"] == 4
    assert minutes["read the angle of clear broth to 5°"] == 3
    weighed = minutes["weigh 2 pieces in gum broth at 0.01 and 0.02 s"]
    assert weighed == pytest.approx(2 * (5 + 0.02 / 60))


def test_the_verdict_is_that_of_judge_and_the_bank_serves_both(bench: Path, planned: Planned):
    kept = (bench / "out" / "rusk.bank.runs").read_bytes()
    with ThreadPoolExecutor(1) as pool:
        found = judge(load_scenario(bench / "rusk.toml"), bench / "out", executor=pool)
    np.testing.assert_array_equal(found.verdict.probabilities, planned.judged.verdict.probabilities)
    assert (bench / "out" / "rusk.bank.runs").read_bytes() == kept


def test_the_command_tells_the_ranking_with_the_same_bytes_from_two_processes(
    bench: Path, planned: Planned, tmp_path, capfd
):
    shutil.copy(bench / "out" / "rusk.bank.runs", tmp_path / "rusk.bank.runs")
    assert main(["plan", str(bench / "rusk.toml"), "--out", str(tmp_path), "--workers", "2"]) == 0
    told = capfd.readouterr()
    assert "bits per hour" in told.out
    assert "Next: a drop of gum broth." in told.out
    assert "a kept bank is used" in told.err
    for end in ("json", "csv"):
        again = (tmp_path / f"rusk.plan.{end}").read_bytes()
        assert again == (bench / "out" / f"rusk.plan.{end}").read_bytes()
    assert again.startswith(b"test,information_bits,sd_bits,minutes")
    assert (tmp_path / "rusk.plan.png").exists()


def test_without_a_table_each_liquid_is_weighed_and_its_angle_read(bench: Path):
    """At half, once and three times the last reading, 0.03 s."""
    scenario = load_scenario(bench / "usual.toml")
    found = candidates_of(*setting_of(scenario))
    broths = ("clear broth", "gum broth")
    assert [one.liquid for one in found] == [*broths, *broths]
    assert [one.repeats for one in found] == [3, 3, 1, 1]
    for one in found[:2]:
        assert one.when == pytest.approx((0.015, 0.03, 0.09))
    assert [(one.when, one.angle_sd_deg) for one in found[2:]] == [((), 2.0)] * 2


def test_the_command_prints_json(bench: Path, planned: Planned, monkeypatch, capfd):
    monkeypatch.setattr("poresim.why.plan.plan", lambda *_, **__: planned)
    command = ["plan", str(bench / "rusk.toml"), "--out", str(bench), "--json", "--no-figures"]
    assert main(command) == 0
    found = json.loads(capfd.readouterr().out)
    assert {"name", "information_bits", "sd_bits", "minutes"} <= set(found["tests"][0])
    assert found["tests"] == as_dict(planned)["tests"]
    assert found["figures"] == []


def test_a_result_is_not_overwritten(bench: Path, planned: Planned):
    with pytest.raises(RecordError, match="exists; --force replaces it"):
        plan(load_scenario(bench / "rusk.toml"), bench / "out")


def changed(old: str, new: str):
    return lambda text: text.replace(old, new)


FAULTS = [
    (changed('"clear broth"\nangle', '"tea"\nangle'), "plan.tests[1].liquid: names 'tea'"),
    (changed("[0.02, 0.01]", "[0.02, 0.5]"), "reads at 0.5 s, and the bank's soaks end at 0.09 s"),
    (changed(TESTS, "[plan]\n"), "plan.tests: is missing"),
    (changed(TESTS, "[plan]\ntests = []\n"), "plan.tests: has 0 members"),
    (changed("minutes = 4", "minutes = -4"), "plan.tests[2].minutes: got -4; give minutes"),
    (
        changed("repeats = 2", "repeats = 2\nangle_sd_deg = 2"),
        "plan.tests[3]: gives uptake_at_s and angle_sd_deg; give one of",
    ),
    (changed("angle_sd_deg = 5\n", ""), "plan.tests[1]: says not what is read"),
    (changed("= 1\nminutes", "= 1\nrepeats = 2\nminutes"), "belongs beside uptake_at_s"),
    (changed("[0.02, 0.01]", "[0.02, 0]"), "plan.tests[3].uptake_at_s: got [0.02, 0.0]"),
    (changed("[0.02, 0.01]", "[0.02, 0.02]"), "give each time once"),
    (changed("[0.02, 0.01]", str([k / 1000 for k in range(1, 14)])), "has 13 members"),
    (changed("repeats = 2", "repeats = 0"), "plan.tests[3].repeats: got 0"),
    (changed("repeats = 2", "pieces = 2"), "plan.tests[3].pieces: is not a known key"),
    (
        changed("angle_sd_deg = 5", 'angle_sd_deg = 5\nname = "a drop of gum broth"'),
        "is called 'a drop of gum broth', as another",
    ),
    (changed("angle_sd_deg = 5", 'angle_sd_deg = 5\nname = "a\\u0007"'), "use plain text"),
    (lambda t: t[: t.index("[[measured]]")] + TESTS, "no weight log in [[measured]]"),
]


@pytest.mark.parametrize(("change", "said"), FAULTS)
def test_one_line_a_fault(change, said: str, bench: Path, tmp_path: Path, capfd):
    for name in ("clear.csv", "gum.csv"):
        shutil.copy(bench / name, tmp_path / name)
    (tmp_path / "rusk.toml").write_text(change((bench / "rusk.toml").read_text()))
    code = main(["plan", str(tmp_path / "rusk.toml"), "--out", str(tmp_path / "out")])
    lines = capfd.readouterr().err.strip().splitlines()
    assert code == 2
    assert len(lines) == 1 and said in lines[0], lines
    assert not (tmp_path / "out").exists()


def test_tests_are_read_in_order_of_time_and_named():
    text = TEXT[: TEXT.index("[[measured]]")] + TESTS
    found = parse_scenario(text).questions.plan
    assert found is not None
    assert found[0] == angle("clear broth", 5.0)
    assert found[2] == weighing("gum broth", [0.01, 0.02], 2)
    assert found[2].when == (0.01, 0.02)
    assert found[1].name == "a drop of gum broth"
    assert (
        weighing("tea", range(10, 60, 10)).name
        == "weigh 3 pieces in tea at 5 times from 10 to 50 s"
    )
    assert weighing("tea", [60], 1).name == "weigh one piece in tea at 60 s"
