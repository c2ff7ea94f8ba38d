"""Sweeps: every point is a run of its own, faults come before the work, nothing is lost."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import numpy as np
import pytest
from test_explain import STRAIGHT

from poresim.cli.main import main
from poresim.ensemble.run import run
from poresim.scenario.faults import ScenarioError
from poresim.scenario.reading import load_scenario
from poresim.why.naming import named
from poresim.why.sweep import Plan, sweep

RADII = '"solid.tubes.radius_um" = [6, 8, 12]\n'
ANGLES = '"liquids.thin.contact_angle_deg" = { least = 20, greatest = 70, steps = 2 }\n'


def asked(vary: str, more: str = "results = [{ time_to_saturation = 0.2 }]\n") -> str:
    return f"{STRAIGHT}[sweep]\n{more}[sweep.vary]\n{vary}"


@pytest.fixture
def file(tmp_path) -> Path:
    return tmp_path / "rusk.toml"


@pytest.fixture
def swept(file):
    with ThreadPoolExecutor(1) as pool:

        def do(text: str, **how):
            file.write_text(text)
            return sweep(Plan(load_scenario(file)), file.parent / "out", executor=pool, **how)

        yield do


def test_times_go_with_one_over_the_radius(swept):
    """Straight tubes of one width: t = 2 viscosity L^2 / (tension r cos) (Washburn 1921)."""
    found = swept(asked(RADII))
    times = found.values(found.results[0], 0)[:, 0]
    np.testing.assert_allclose(times[0] / times, [1, 8 / 6, 12 / 6], rtol=0.02)


def test_a_point_is_the_run_of_the_scenario_with_its_values(swept, file):
    found = swept(asked(RADII + ANGLES))
    assert [point[0] for point in found.points] == [6, 6, 8, 8, 12, 12]
    text = STRAIGHT.replace("radius_um = 10", "radius_um = 8").replace("= 30\nvis", "= 70\nvis")
    file.write_text(text)
    with ThreadPoolExecutor(1) as pool:
        record = run(load_scenario(file), file.parent / "run", executor=pool)
    for k, liquid in enumerate(record.liquids):
        curves = found.outcomes[k, 3, 0].curves
        assert np.isin(curves["uptake_kg"], liquid.repeats[0].uptake_kg).all()
        assert curves["uptake_kg"][-1] == liquid.repeats[0].uptake_kg[-1]


def test_the_record_holds_everything_with_units(swept, file):
    found = swept(asked(RADII))
    with h5py.File(file.parent / "out" / "rusk.sweep.h5") as record:
        assert record.attrs["kind"] == "sweep"
        assert record.attrs["scenario"] == file.read_text()
        np.testing.assert_array_equal(record["quantities/0/values"], [6, 8, 12])
        values = record["results/0/values"]
        assert values.shape == (2, 3, 1)
        np.testing.assert_array_equal(values[1], found.values(found.results[0], 1))
        assert record["liquids/1"].attrs["name"] == "thick"
        assert record["liquids/0/curves/uptake_kg"].shape[:2] == (3, 1)
        missing = []
        record.visititems(
            lambda name, item: (
                missing.append(name)
                if isinstance(item, h5py.Dataset) and not {"units", "long_name"} <= set(item.attrs)
                else None
            )
        )
        assert not missing
    rows = list(csv.reader((file.parent / "out" / "rusk.sweep.csv").open()))
    assert rows[0][:3] == ["solid.tubes.radius_um", "liquid", "repeat"]
    assert len(rows) == 1 + 3 * 2


def test_a_sample_says_which_quantity_matters(swept):
    """ln(time) is a sum of what each quantity does: viscosity over a decade is nearly all."""
    vary = (
        '"liquids.thin.viscosity.mPa_s" = { least = 1, greatest = 10, spacing = "log" }\n'
        '"liquids.thin.surface_tension_mN_m" = { least = 50, greatest = 60 }\n'
    )
    short = asked(vary, "sample = 16\nresults = [{ time_to_saturation = 0.02 }]\n")
    found = swept(short.replace("until_s = 0.003", "until_s = 1\nuntil_saturation = 0.03"))
    from poresim.why.swept_words import lines, shares_of

    shares = shares_of(found, found.results[0], 0)
    assert len(found.points) == 16 * 4
    assert shares.total[0] > 0.9 > 0.1 > shares.total[1]
    assert any("viscosity" in line for line in lines(found))


@pytest.mark.parametrize(
    ("vary", "more", "said"),
    [
        ('"solid.tubes.radus_um" = [1, 2]', "", "did you mean radius_um"),
        ('"solid.tube.radius_um" = [1, 2]', "", "did you mean tubes"),
        ('"liquids.wine.density_kg_m3" = [1, 2]', "", "there are thin, thick"),
        ('"solid.tubes.radius_um" = []', "", "gives 0 values"),
        ('"solid.tubes.radius_um" = 3', "", "a table [sweep.vary.solid.tubes.radius_um]"),
        ('"solid.tubes.radius_um" = { least = 1, greatest = 2 }', "", "add steps = 5"),
        ('"solid.tubes.radius_um" = { least = 2, greatest = 1, steps = 3 }', "", "must be below"),
        ('"solid.tubes.radius_um" = { least = 0, greatest = 1, steps = 3, spacing = "log" }', "",
         "least must be above 0"),
        ('"solid.tubes.radius_um" = { least = 1, most = 2 }', "", "most: is not a known key"),
        ('"solid.tubes.radius_um" = [1, 2]', "sample = 16", "a sample needs { least"),
        ('"solid.tubes.radius_um" = [1, 2]', "sample = 48", "give a power of two, such as 64"),
        ('"solid.tubes.radius_um" = [1, -2]', "", "got -2"),
        ('"solid.tubes.radius_um" = [5, 60, 70]', "", "2 of 3 points cannot be"),
        ('"solid.tubes.radius_um" = [1, 2]', 'results = ["uptake"]', "got 'uptake', a text"),
        ('"solid.tubes.radius_um" = [1, 2]', "results = [{}]", "says nothing"),
        ('"run.accuracy" = { least = 0.01, greatest = 0.02 }', "sample = 65536", "at most 200,000"),
    ],
)  # fmt: skip
def test_faults_come_before_the_work_in_one_line_each(file, capsys, vary, more, said):
    file.write_text(asked(vary, more + "\n"))
    assert main(["sweep", str(file), "--out", str(file.parent / "out")]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err
    assert all(line.startswith(str(file)) for line in err.splitlines())
    assert not (file.parent / "out").exists()


def test_no_table_is_one_line(file, capsys):
    file.write_text(STRAIGHT)
    assert main(["sweep", str(file), "--out", str(file.parent / "out")]) == 2
    assert "sweep: is missing; add" in capsys.readouterr().err


def test_the_command_prints_a_table_and_draws(file, capsys):
    file.write_text(asked(RADII))
    ask = ["sweep", str(file), "--out", str(file.parent / "out"), "--workers", "1"]
    assert main([*ask, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["quantities"][0]["unit"] == "µm"
    assert len(told["results"]["time_to_saturation_0.2"]["liquids"]["thin"]["values"]) == 3
    drawn = {Path(one).name for one in told["figures"]}
    assert "rusk.sweep-time_to_saturation_0.2.png" in drawn
    assert all((file.parent / "out" / name).exists() for name in drawn)
    assert main(ask) == 2
    assert "exists; --force" in capsys.readouterr().err
    assert main([*ask, "--force", "--no-figures"]) == 0
    assert "radius (µm)  thin" in capsys.readouterr().out


def test_words_cannot_be_drawn_but_are_computed(file, capsys):
    text = asked('"solid.lattice.kind" = ["cubic", "diamond"]\n')
    file.write_text(
        text.replace("spacing_um = 100", "spacing_um = 80").replace(
            "[0.2, 0.2, 1.0]", "[0.4, 0.4, 0.6]"
        )
    )
    assert main(["sweep", str(file), "--out", str(file.parent / "out"), "--workers", "1"]) == 0
    said = capsys.readouterr()
    assert "diamond" in said.out
    assert "no figure: a quantity that is varied is no number" in said.err


def test_killed_and_resumed_has_every_finished_soak_and_the_same_numbers(file, swept):
    """SIGKILL in the middle; what was in the journal is not computed again."""
    many = '"solid.tubes.radius_um" = { least = 6, greatest = 12, steps = 30 }\n'
    whole = swept(asked(many))
    reference = (file.parent / "out" / "rusk.sweep.csv").read_bytes()
    out = file.parent / "killed"
    ask = [sys.executable, "-m", "poresim", "sweep", str(file), "--out", str(out), "--no-figures"]
    process = subprocess.Popen([*ask, "--workers", "1"], stderr=subprocess.DEVNULL, stdout=-3)
    journal = out / "rusk.sweep.runs"
    until = time.monotonic() + 120
    while not (journal.exists() and journal.read_bytes().count(b"\n") > 3):
        assert process.poll() is None and time.monotonic() < until
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    kept = journal.read_bytes()
    kept = kept[: kept.rindex(b"\n") + 1]
    assert 3 < kept.count(b"\n") < whole.soaks
    assert main([*ask[3:], "--workers", "1"]) == 2  # it must be said that it goes on
    with ThreadPoolExecutor(1) as pool:
        again = sweep(Plan(load_scenario(file)), out, executor=pool, resume=True)
    assert (out / "rusk.sweep.csv").read_bytes() == reference
    assert again.soaks == whole.soaks
    assert not journal.exists()


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("solid.tubes.median_radius_um", ("median radius", "µm")),
        ("solid.tubes.log_sd", ("spread (ln)", "")),
        ("liquids.gum broth.viscosity.zero_mPa_s", ("viscosity at rest of gum broth", "mPa s")),
        ("liquids.clear broth.viscosity.mPa_s", ("viscosity of clear broth", "mPa s")),
        ("liquids.*.contact_angle_deg", ("contact angle", "°")),
        ("solid.layers.crust.tubes.waist", ("waist of crust", "")),
        ("run.accuracy", ("accuracy", "")),
    ],
)
def test_keys_in_words(key, words):
    assert named(key) == words


def test_a_plan_without_faults_reads_every_point(file):
    file.write_text(asked(RADII + ANGLES))
    plan = Plan(load_scenario(file))
    assert plan.soaks == 12
    assert [s.liquids[0].contact_angle_deg for s in plan.scenarios] == [20, 70] * 3
    file.write_text(asked('"solid.tubes.radius_um" = [80]\n'))
    with pytest.raises(ScenarioError, match="wider than long"):
        Plan(load_scenario(file))


def test_what_is_left_of_a_drop_is_told_in_microlitres_and_gone_is_gone():
    from poresim.outcome.asked import Asked, Outcome
    from poresim.uptake.result import Ending

    of = Asked("drop_left_at_s", 1.0)
    time, drop = np.array([0.0, 1.0, 2.0]), np.array([5e-9, 2e-9, 1e-18])
    outcome = Outcome(Ending.STOPPED, {"time_s": time, "drop_m3": drop})
    assert of.told(of.of(outcome)) == "2.0 µL"
    assert Asked("drop_left_at_s", 2.0).of(outcome) == 0.0
