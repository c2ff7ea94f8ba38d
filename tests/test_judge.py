"""`poresim judge` from files to a verdict, on small solids that are really soaked."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from poresim.cli.main import main
from poresim.ensemble.jobs import outcome_one
from poresim.ensemble.request import job_of
from poresim.ensemble.run import RunFailed
from poresim.record.layout import RecordError
from poresim.scenario.build import build_liquid
from poresim.scenario.reading import load_scenario
from poresim.why.judge import Judged, as_dict, bank_path, block_kg, judge, result_path
from poresim.why.judged import judged_in_words

#: Invented. The gum broth is thicker; that it wets differently is only believed.
TEXT = """\
title = "Two broths, invented"
seed = 5
[solid]
size_mm = [0.4, 0.4, 0.6]
sides = "periodic"
dry_density_kg_m3 = 420
dry_mass_g = 9
lattice = { kind = "cubic", spacing_um = 100 }
tubes = { law = "lognormal", median_radius_um = 20, log_sd = 0.3, waist = 0.2 }
[[liquids]]
name = "clear broth"
density_kg_m3 = 1000
surface_tension_mN_m = 50
contact_angle_deg = 45
viscosity = { law = "newtonian", mPa_s = 2 }
[[liquids]]
name = "gum broth"
based_on = "clear broth"
contact_angle_deg = 50
viscosity = { law = "newtonian", mPa_s = 6 }
[exposure]
kind = "face"
faces = ["bottom"]
gravity = false
[run]
until_s = 0.03
accuracy = 0.1
[priors]
"liquids.clear broth.contact_angle_deg" = { law = "normal", mean = 45, sd = 3 }
"liquids.gum broth.contact_angle_deg" = { law = "normal", mean = 48, sd = 3 }
"liquids.gum broth.viscosity.mPa_s" = { law = "lognormal", median = 6, log_sd = 0.2 }
[judge]
least_rows = 64
most_rows = 80
effective_samples = 20
[[measured]]
liquid = "clear broth"
uptake = "clear.csv"
[[measured]]
liquid = "gum broth"
uptake = "gum.csv"
[[measured]]
liquid = "gum broth"
angle_deg = 46
sd_deg = 2
"""
WHEN = (0.002, 0.005, 0.01, 0.02, 0.03)


def csv(rows: np.ndarray) -> str:
    lines = ["repeat,time_s,mass_g"]
    for k, row in enumerate(rows, 1):
        lines += [f"{k},0,9.0", *(f"{k},{t},{9 + m:.2f}" for t, m in zip(WHEN, row, strict=True))]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Path:
    """Logs of the model itself: the gum broth differs in its viscosity alone."""
    folder = tmp_path_factory.mktemp("bench")
    path = folder / "truth.toml"
    path.write_text(TEXT[: TEXT.index("[[measured]]")].replace("_deg = 50", "_deg = 45"))
    scenario = load_scenario(path)
    for spec, name in zip(scenario.liquids, ("clear", "gum"), strict=True):
        rows = []
        for piece in range(3):
            job = replace(job_of(scenario), liquid=build_liquid(spec), repeat=900 + piece)
            soak = outcome_one(0, job)
            rows.append([soak.value("uptake_kg", t) / block_kg(scenario) * 9 for t in WHEN])
        (folder / f"{name}.csv").write_text(csv(np.round(np.array(rows), 1)))
    (folder / "rusk.toml").write_text(TEXT)
    return folder


@pytest.fixture(scope="module")
def judged(bench: Path) -> Judged:
    with ThreadPoolExecutor(1) as pool:
        return judge(load_scenario(bench / "rusk.toml"), bench / "out", executor=pool)


@pytest.fixture
def again(bench: Path, judged: Judged, tmp_path: Path) -> Callable[..., Judged]:
    """Judge a changed scenario, beside a copy of the finished bank."""
    for name in ("clear.csv", "gum.csv"):
        shutil.copy(bench / name, tmp_path / name)
    shutil.copytree(bench / "out", tmp_path / "out")

    def ask(change: Callable[[str], str] = str, **how: object) -> Judged:
        (tmp_path / "rusk.toml").write_text(change(TEXT))
        with ThreadPoolExecutor(1) as pool:
            scenario = load_scenario(tmp_path / "rusk.toml")
            return judge(scenario, tmp_path / "out", executor=pool, force=True, **how)  # type: ignore[arg-type]

    return ask


def test_the_true_explanation_comes_first(judged: Judged):
    told = as_dict(judged)
    assert next(iter(told["probabilities"])) == "thickening"
    assert sum(told["probabilities"].values()) == pytest.approx(1)
    assert told["mechanisms"]["thickening"] > 0.95
    assert told["fits_data"] is True
    assert told["effective_samples"] >= 20
    gum = told["posterior"]["liquids.gum broth.viscosity.mPa_s"]
    assert gum["interval"][0] < 6 < gum["interval"][1]


def test_what_weights_cannot_tell_apart_is_named(again):
    """Tension and viscosity both unknown: Newtonian, so only their ratio is seen (Washburn)."""
    words = '"liquids.clear broth.surface_tension_mN_m" = { law = "normal", mean = 50, sd = 2 }\n'
    words += '"liquids.clear broth.viscosity.mPa_s" = { law = "normal", mean = 2, sd = 0.1 }\n'
    found = again(lambda text: text.replace("[judge]", words + "[judge]"))
    told = as_dict(found)["answer"]
    assert "tension x cosine / viscosity" in told or "only together" in told


def test_a_kept_bank_is_used_for_other_measurements(again, tmp_path: Path):
    bank = bank_path(tmp_path / "out", load_scenario_of(tmp_path, TEXT))
    before = bank.read_bytes()
    found = again(lambda text: text.replace("angle_deg = 46", "angle_deg = 55"))
    after = bank.read_bytes()
    assert after.startswith(before)
    new = after[len(before) :].splitlines()  # of 16 rows where these measurements point
    assert 0 < len(new) <= 20 and all(b"near" in line for line in new)
    assert found.verdict.acting("wetting") > 0.3


def load_scenario_of(folder: Path, text: str):
    (folder / "rusk.toml").write_text(text)
    return load_scenario(folder / "rusk.toml")


def test_broken_off_and_gone_on_with_gives_the_same_numbers(again, bench: Path, tmp_path: Path):
    scenario = load_scenario_of(tmp_path, TEXT)
    path = bank_path(tmp_path / "out", scenario)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])  # torn in a line
    result_path(tmp_path / "out", scenario).unlink()
    again()
    assert result_path(tmp_path / "out", scenario).read_bytes() == (
        result_path(bench / "out", scenario).read_bytes()
    )


def test_a_result_is_not_overwritten(bench: Path, judged: Judged):
    with pytest.raises(RecordError, match="exists; --force replaces it"):
        judge(load_scenario(bench / "rusk.toml"), bench / "out")


def test_a_bank_of_other_priors_is_not_used(again, tmp_path: Path):
    """Without --force it is left alone."""
    (tmp_path / "rusk.toml").write_text(TEXT.replace("mean = 48", "mean = 49"))
    scenario = load_scenario(tmp_path / "rusk.toml")
    result_path(tmp_path / "out", scenario).unlink()
    with pytest.raises(RecordError, match="holds work on another scenario"):
        judge(scenario, tmp_path / "out")


def test_no_answer_from_too_few_draws(again, monkeypatch):
    monkeypatch.setattr("poresim.why.weighing.settling.MOST_PARTICLES", 512)
    with pytest.raises(RunFailed, match="that .judge. effective_samples asks for: no answer"):
        again(lambda text: text.replace("effective_samples = 20", "effective_samples = 100000"))


def test_logs_that_nothing_explains(again, tmp_path: Path):
    """More than the pores hold."""
    (tmp_path / "gum.csv").write_text(csv(np.full((3, 5), 9.0) + [[0], [0.1], [0.2]]))
    found = again()
    assert not as_dict(found)["fits_data"]
    assert judged_in_words(found).startswith("NONE OF THESE EXPLAINS THE DATA")


#: Walls that soften within the soaks.
SOFTENS = """
[softening]
wall_s = 0.01
dry_strength_kPa = 200
midpoint = 0.3
width = 0.1
span_mm = 0.3
"""


def test_snap_forces_are_weighed_beside_the_logs(bench: Path, tmp_path: Path):
    """Pieces of the model itself, broken dry and after two soaks: each a solid of its own."""
    for name in ("clear.csv", "gum.csv"):
        shutil.copy(bench / name, tmp_path / name)
    start = TEXT.index("[[measured]]")
    truth = load_scenario_of(tmp_path, TEXT[:start].replace("_deg = 50", "_deg = 45") + SOFTENS)
    rng = np.random.default_rng(1)
    lines = ["time_s,force_mN"]
    for piece in range(9):
        job = replace(job_of(truth), liquid=build_liquid(truth.liquids[1]), repeat=950 + piece)
        when = (0.0, 0.01, 0.03)[piece // 3]
        force = outcome_one(0, replace(job, until_saturation=None)).value("snap_force_N", when)
        lines.append(f"{when},{1e3 * force * np.exp(0.1 * rng.standard_normal())}")
    (tmp_path / "snap.csv").write_text("\n".join(lines))
    snapped = '[[measured]]\nliquid = "gum broth"\nsnap_force = "snap.csv"\n'
    scenario = load_scenario_of(tmp_path, TEXT[:start] + SOFTENS + TEXT[start:] + snapped)
    with ThreadPoolExecutor(1) as pool:
        found = judge(scenario, tmp_path / "out", executor=pool)
    told = as_dict(found)
    assert 0.01 < told["fits"]["snap forces of gum broth"] <= 1
    assert told["not_weighed"] == []
    assert told["mechanisms"]["thickening"] > 0.95
    result_path(tmp_path / "out", scenario).unlink()  # without forces soaks are not followed so far
    with pytest.raises(RecordError, match="holds work on another scenario"):
        judge(load_scenario_of(tmp_path, TEXT[:start] + SOFTENS + TEXT[start:]), tmp_path / "out")


FAULTS = [
    (lambda t: t[: t.index("[[measured]]")], "no weight log in [[measured]]"),
    (lambda t: t.replace("[judge]", '[judge]\nreference = "tea"'), "nothing was weighed of 'tea'"),
    (lambda t: t.replace("dry_density_kg_m3 = 420\n", ""), "dry_density_kg_m3 is needed"),
    (lambda t: t.replace("[judge]", '[judge]\nmechanisms = ["plugging"]'), "do not differ"),
    (lambda t: t.replace("least_rows = 64", "least_rows = 6"), "least_rows"),
    (lambda t: t.replace("most_rows = 80", "most_rows = 79"), "most_rows: is 79; give 80 or more"),
    (lambda t: t.replace("least_rows", "fewest_rows"), "fewest_rows: is not a known key"),
    (
        lambda t: t[: t.index("[priors]")] + "[priors]\n" + t[t.index("[judge]") :],
        "priors",
    ),
    (lambda t: t.replace("gum broth.viscosity", "gin.viscosity"), "names no member of the list"),
    (lambda t: t.replace('"gum.csv"', '"gin.csv"'), "gin.csv"),
]


@pytest.mark.parametrize(("change", "said"), FAULTS)
def test_one_line_a_fault(change, said: str, bench: Path, tmp_path: Path, capfd):
    for name in ("clear.csv", "gum.csv"):
        shutil.copy(bench / name, tmp_path / name)
    (tmp_path / "rusk.toml").write_text(change(TEXT))
    code = main(["judge", str(tmp_path / "rusk.toml"), "--out", str(tmp_path / "out")])
    lines = capfd.readouterr().err.strip().splitlines()
    assert code == 2
    assert len(lines) == 1 and said in lines[0], lines
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("again")
def test_the_command_tells_the_verdict(tmp_path: Path, capfd):
    (tmp_path / "rusk.toml").write_text(TEXT)
    path, out = str(tmp_path / "rusk.toml"), str(tmp_path / "out")
    assert main(["judge", path, "--out", out, "--force", "--workers", "1"]) == 0
    told = capfd.readouterr()
    assert "thickening" in told.out and "probability" in told.out
    assert "soaks:   100 for a bank to begin with, 100 at most" in told.err
    assert (tmp_path / "out" / "rusk.judge.png").exists()
    assert (tmp_path / "out" / "rusk.judge.csv").read_text().startswith("explanation,probability")


def test_the_command_prints_json(bench: Path, judged: Judged, monkeypatch, capfd):
    monkeypatch.setattr("poresim.why.judge.judge", lambda *_, **__: judged)
    command = ["judge", str(bench / "rusk.toml"), "--out", str(bench), "--json", "--no-figures"]
    assert main(command) == 0
    found = json.loads(capfd.readouterr().out)
    assert set(found["probabilities"]) == {"none", "wetting", "thickening", "wetting+thickening"}
