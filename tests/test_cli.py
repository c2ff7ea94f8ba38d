"""The command line: exit codes, one line a fault, and nothing heavy before it is needed."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import pytest
from fakes import block as block_of
from fakes import record_file
from fakes import soak as made_up_soak
from small import TWO_BROTHS

import poresim as ps
from poresim import __version__
from poresim.cli.main import main
from poresim.cli.terminal import plain
from poresim.ensemble.request import header_of
from poresim.record.layout import FORMAT
from poresim.record.model import Repeat
from poresim.record.writing import Parts
from poresim.scenario.reading import load_scenario

ROOT = Path(__file__).resolve().parents[1]
STRAIGHT = TWO_BROTHS.replace(", waist = 0.7", "")  # quicker to soak
COMMANDS = ("new", "check", "run", "compare", "animate", "report", "warm")


def python(*arguments: str, **more) -> subprocess.CompletedProcess:
    """Python in a process of its own."""
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, timeout=300,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, **more,
    )  # fmt: skip


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def small(here) -> Path:
    (here / "small.toml").write_text(TWO_BROTHS)
    return here / "small.toml"


@pytest.fixture
def one_process(monkeypatch) -> None:
    """Runs stay in the test's process: to start others takes longer than a small soak."""
    from poresim.ensemble import run as module

    whole = module.run

    def run(scenario, out, *, workers=None, executor=None, **more):
        with ThreadPoolExecutor(1) as thread:
            return whole(scenario, out, executor=thread, **more)

    monkeypatch.setattr(module, "run", run)


@pytest.fixture
def made_up(here) -> Path:
    return record_file(here, liquids=3, repeats=2, cells=(4, 4, 6), snapshots=4)


def refused(capsys, *arguments: str) -> str:
    """The command is refused with exit code 2, in single lines, without a traceback."""
    assert main(list(arguments)) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.strip()
    assert "Traceback" not in said.err
    return said.err


def test_help_and_version(capsys):
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    assert all(f"\n    {name} " in text for name in COMMANDS)
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"poresim {__version__}\n"
    assert main([]) == 2


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(capsys, command):
    assert main([command, "--help"]) == 0
    text = capsys.readouterr().out
    assert "example" in text
    assert f"poresim {command}" in text.split("example")[1]
    assert "--json" in text


@pytest.mark.parametrize("command", ["new", "run"])
def test_cautions_are_told_where_tests_are_planned(capsys, command):
    main([command, "--help"])
    text = " ".join(capsys.readouterr().out.split())
    for word in ("scald", "allergens", "Do not eat test samples", "texture-modified", "licensed"):
        assert word in text


HEAVY = {"numba", "llvmlite", "matplotlib", "PIL"}

#: Everything that can be told without computing or drawing anything, with its exit code.
LIGHT = """
--help                                      0
--version                                   0
new --help                                  0
check --help                                0
run --help                                  0
compare --help                              0
animate --help                              0
report --help                               0
warm --help                                 0
new my_rusk                                 0
check my_rusk.toml                          0
check small.toml --json                     0
sweep small.toml                            2
rn small.toml                               2
run                                         2
run small.toml --colour                     2
new my_rusk                                 2
new ..                                      2
new no/such/folder/x                        2
check absent.toml                           2
check broken.toml                           2
check faulty.toml                           2
check faulty.toml --json                    2
check large.toml                            2
check network.toml                          2
check small.toml --out drawn                2
check small.toml --curves --out taken       2
run absent.toml                             2
run broken.toml                             2
run faulty.toml                             2
run large.toml                              2
run small.toml --workers 0                  2
run small.toml --force --resume             2
run small.toml --out taken                  2
run small.toml --out taken/below            2
run small.toml --out there                  2
run small.toml --out other --resume         2
run small.toml --out broken_off             2
compare absent.h5                           2
compare text.h5                             2
compare newer.h5                            2
compare made_up.h5 --out drawn              2
animate absent.h5                           2
animate text.h5                             2
animate newer.h5                            2
animate made_up.h5                          2
animate made_up.h5 --seconds 0              2
report absent.h5                            2
report text.h5                              2
report newer.h5                             2
report made_up.h5                           2
animate made_up.h5 --size 9x9               2
"""


def test_nothing_heavy_is_loaded_before_it_is_needed(small, made_up):
    """Help, `check` and every refusal, in one process; it names the first that loads too much."""
    _faulty_files(small, made_up)
    code = (
        "import sys\nfrom poresim.cli.main import main\n"
        f"for line in {LIGHT.strip().splitlines()!r}:\n"
        "    *words, code = line.split()\n"
        f"    found = main(words), sorted({HEAVY!r} & set(sys.modules))\n"
        "    assert found == (int(code), []), (line, found)\n"
    )
    done = python("-c", code, cwd=small.parent)
    assert done.returncode == 0, done.stderr


def _faulty_files(small: Path, made_up: Path) -> None:
    here = small.parent
    (here / "broken.toml").write_text("title = \n[solid\n")
    (here / "faulty.toml").write_text(TWO_BROTHS.replace("seed = 0", "sead = 0"))
    (here / "large.toml").write_text(TWO_BROTHS.replace("[0.2, 0.2, 0.3]", "[900, 900, 900]"))
    block = TWO_BROTHS.split("size_mm")[1].split("[[liquids]]")[0]
    (here / "network.toml").write_text(
        TWO_BROTHS.replace(f"size_mm{block}", 'network = "text.h5"\n\n')
    )
    (here / "taken").write_text("a file")
    (here / "text.h5").write_text("not HDF5")
    shutil.copy(made_up, here / "newer.h5")
    with h5py.File(here / "newer.h5", "r+") as file:
        file.attrs["format"] = FORMAT + 1
    for folder, name in (
        ("there", "small.h5"),
        ("drawn", "compare-uptake.png"),
        (".", f"{made_up.stem}.gif"),
        (".", f"{made_up.stem}.html"),
    ):
        (here / folder).mkdir(exist_ok=True)
        (here / folder / name).write_text("there already")
    (here / "other").mkdir()
    shutil.copy(made_up, here / "other/small.h5")
    parts = Parts(here / "broken_off/small.parts", header_of(load_scenario(small)))
    parts.open(resume=False)
    solid = block_of((3, 3, 4))
    parts.add(0, 0, Repeat.of(made_up_soak(solid, 5.0), 1000.0), solid)


@pytest.mark.parametrize(
    ("command", "unneeded"),
    [
        (("--help",), {"numpy", "scipy", "h5py", "pydantic", "tqdm", *HEAVY}),
        (("run", "--help"), {"numpy", "scipy", "h5py", "pydantic", "tqdm", *HEAVY}),
        (("check", "small.toml"), {"scipy", "h5py", "tqdm", *HEAVY}),
    ],
)
def test_what_starts_quickly_imports_little(small, command, unneeded):
    """As the interpreter itself lists what it imports, from its very start."""
    done = python("-X", "importtime", "-m", "poresim", *command, cwd=small.parent)
    assert done.returncode == 0, done.stderr
    listed = {line.rsplit("|", 1)[-1].strip() for line in done.stderr.splitlines() if "|" in line}
    assert "poresim.cli.main" in listed
    assert {name.split(".")[0] for name in listed} & unneeded == set()


def test_the_module_is_the_command(small):
    done = python("-m", "poresim", "check", "small.toml", cwd=small.parent)
    assert done.returncode == 0, done.stderr
    assert "junctions" in done.stdout
    assert done.stderr == ""


def test_new_check_run_compare_animate(here, capsys):
    """The commands of the help texts, in their order, on the starter scenario."""
    assert main(["new", "my_rusk"]) == 0
    text = (here / "my_rusk.toml").read_text()
    text = re.sub(r"size_mm = \[[^]]*\]", "size_mm = [0.2, 0.2, 0.2]", text)  # small: tests only
    text = re.sub(r"repeats = \d+", "repeats = 2", text)
    for key, value in (("accuracy", 0.1), ("until_s", 0.2)):
        text, found = re.subn(rf"^{key} = [\d.]+", f"{key} = {value}", text, flags=re.M)
        assert found == 1
    (here / "my_rusk.toml").write_text(text)
    assert main(["check", "my_rusk.toml"]) == 0
    assert "no faults" in capsys.readouterr().out
    assert main(["run", "my_rusk.toml", "--out", "results/my_rusk"]) == 0
    said = capsys.readouterr()
    assert "half full in" in said.out
    assert "volume balance" in said.out
    assert "expect:" in said.err
    record = "results/my_rusk/my_rusk.h5"
    for name in ("uptake.png", "uptake.svg", "front.png", "front.svg", "section.png"):
        assert Path(f"results/my_rusk/my_rusk-{name}").stat().st_size > 1000
        assert f"my_rusk-{name}" in said.out
    assert main(["compare", record, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["liquids"][0]["repeats"] == 2
    assert main(["animate", record, "--seconds", "0.5", "--fps", "4"]) == 0
    assert Path("results/my_rusk/my_rusk.gif").stat().st_size > 1000


def test_run_as_json(small, capsys, one_process):
    small.write_text(STRAIGHT.replace("repeats = 3", "repeats = 2"))
    assert main(["run", str(small), "--json", "--no-figures", "--workers", "1"]) == 0
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert found["record"] == "results/small/small.h5"
    assert Path(found["record"]).is_file()
    assert found["complete"] is True
    assert [liquid["name"] for liquid in found["liquids"]] == ["clear broth", "spiced broth"]
    assert found["liquids"][0]["volume_balance"] < 5e-4
    assert "clear broth" in found["headline"].lower()
    assert "soaks:" in said.err
    # without figures nothing is drawn, and nothing was there before:
    assert "exists" in refused(capsys, "run", str(small), "--no-figures")
    assert main(["run", str(small), "--resume", "--no-figures", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["liquids"] == found["liquids"]


LAYERS = """\
layers = [
  { name = "crumb", tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.3 } },
  { thickness_mm = 0.2, tubes = { law = "fixed", radius_um = 5 } },
]
"""


def layered(text: str) -> str:
    return re.sub(r"tubes = \{.*\}\n", LAYERS, text, count=1)


def test_check_says_what_each_layer_is(small, capsys):
    small.write_text(layered(TWO_BROTHS.replace("[0.2, 0.2, 0.3]", "[0.3, 0.3, 0.4]")))
    assert main(["check", str(small)]) == 0
    said = capsys.readouterr().out
    assert re.search(
        r"^layer 1: crumb, 0.2 mm, median radius 15 um, porosity \d+ %, \d+ % of", said, re.M
    )
    assert re.search(
        r"^layer 2: 0.2 mm, median radius 5 um, porosity [\d.]+ %, [\d.]+ % of", said, re.M
    )
    assert main(["check", str(small), "--json"]) == 0
    crumb, crust = json.loads(capsys.readouterr().out)["layers"]
    assert crumb["name"] == "crumb" and crust["median_radius_m"] == pytest.approx(5e-6)
    assert crumb["pore_share"] + crust["pore_share"] == pytest.approx(1)


def test_a_solid_with_bodies_is_soaked(small, tmp_path, capsys, one_process):
    text = STRAIGHT.replace("size_mm", "body_ratio = 1.1\nsize_mm")
    small.write_text(text.replace("repeats = 3", "repeats = 2"))
    assert main(["check", str(small)]) == 0
    out = tmp_path / "with_bodies"
    assert main(["run", str(small), "--no-figures", "--out", str(out)]) == 0
    record = ps.load_record(next(out.glob("*.h5")))
    assert record.solid(0).has_bodies
    for liquid in record.liquids:
        for number, repeat in liquid.repeats.items():
            assert repeat.uptake_kg[0] > 0  # bodies at the wetted face
            most = liquid.density * record.solid(number).volume
            assert repeat.uptake_kg[0] < repeat.uptake_kg[-1] <= most * (1 + 1e-9)


def test_check_as_json(small, capsys):
    assert main(["check", str(small), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["junctions"] > 0
    assert found["faults"] == []
    assert not list(small.parent.glob("results*"))


def test_faults_as_json(small, capsys):
    small.write_text(TWO_BROTHS.replace("seed = 0", "sead = 0").replace("= 0.2", "= inf"))
    assert main(["check", str(small), "--json"]) == 2
    said = capsys.readouterr()
    faults = json.loads(said.out)["faults"]
    assert [(fault["line"], fault["key"]) for fault in faults] == [(2, "sead"), (26, "run.until_s")]
    assert faults[0]["wrong"] == "is not a known key"
    assert "did you mean seed?" in faults[0]["right"]
    assert said.err.count("\n") == 2


def test_check_tells_what_a_composition_comes_to(small, capsys):
    assert main(["check", str(small)]) == 0
    assert "liquid:" not in capsys.readouterr().out
    stated = 'viscosity = { law = "newtonian", mPa_s = 1.2 }'
    small.write_text(TWO_BROTHS.replace(stated, "viscosity = { water_C = 20 }"))
    assert main(["check", str(small)]) == 0
    told = [line for line in capsys.readouterr().out.splitlines() if line.startswith("liquid:")]
    assert told[0] == "liquid:  clear broth: 1005 kg/m3, 52 mN/m, 1.002 mPa s"
    small.write_text(
        TWO_BROTHS.replace("density_kg_m3 = 1005", "density_kg_m3 = { water_C = 20 }").replace(
            stated, 'viscosity = { law = "power_law", consistency_Pa_sn = 0.1, index = 0.5 }'
        )
    )
    assert main(["check", str(small)]) == 0
    told = [line for line in capsys.readouterr().out.splitlines() if line.startswith("liquid:")]
    assert told[0] == "liquid:  clear broth: 998.2 kg/m3, 52 mN/m, its own law of flow"


def test_a_liquid_that_does_not_wet_is_remarked_on(small, capsys):
    assert main(["check", str(small)]) == 0
    assert "does not wet" not in capsys.readouterr().out
    small.write_text(TWO_BROTHS.replace("contact_angle_deg = 48", "contact_angle_deg = 90"))
    assert main(["check", str(small)]) == 0
    assert capsys.readouterr().out.count("does not wet this solid (contact angle 90 deg") == 2


@pytest.mark.parametrize(
    ("law", "said"),
    [
        # consistency over water's viscosity: 200, squared 40,000 1/s, there 40 Pa; the pull of the
        # throats, 0.052 N/m cos 48 / 0.5, is 0.0696 N/m, over 100 um 696 Pa
        ('law = "power_law", consistency_Pa_sn = 0.2, index = 0.5', "above 4e+04 1/s"),
        ('law = "power_law", consistency_Pa_sn = 0.8, index = 0.5', "above 6.4e+05 1/s"),
        ('law = "power_law", consistency_Pa_sn = 0.9, index = 0.5', None),
        ('law = "power_law", consistency_Pa_sn = 0.2, index = 1.0', None),
        ('law = "power_law", consistency_Pa_sn = 0.2, index = 0.999999', None),
        ('law = "herschel_bulkley", yield_Pa = 900, consistency_Pa_sn = 0.2, index = 0.5', None),
        # 200 mPa s falls as rate^-0.5 from 1 1/s on: 1 mPa s at 40,000 1/s
        (
            'law = "carreau", zero_mPa_s = 200, infinite_mPa_s = 0, time_s = 1, index = 0.5',
            "above 4e+04 1/s",
        ),
        # 200 / (1 + (rate/10)^0.8) is 1 at 10 * 199^1.25 = 7475
        (
            'law = "cross", zero_mPa_s = 200, infinite_mPa_s = 0, time_s = 0.1, exponent = 0.8',
            "above 7.5e+03 1/s",
        ),
        ('law = "cross", zero_mPa_s = 200, infinite_mPa_s = 1, time_s = 1, exponent = 0.8', None),
        # hot broth: thinner than cold water, not than hot
        ('law = "cross", zero_mPa_s = 50, infinite_mPa_s = 0.5, time_s = 1, exponent = 0.8', None),
    ],
)
def test_a_law_used_where_it_is_thinner_than_water_is_remarked_on(small, capsys, law, said):
    text = TWO_BROTHS.replace('law = "newtonian", mPa_s = 1.2', law)
    small.write_text(text.replace("waist = 0.7", "waist = 0.5"))
    assert main(["check", str(small)]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if "thinner than water" in line]
    assert len(lines) == (0 if said is None else 2)
    assert all(str(said) in line for line in lines)


def test_check_says_whose_angles_depend_on_the_speed(small, capsys):
    line = "\ndynamic_angle = { log_length_ratio = 10 }\n"
    small.write_text(TWO_BROTHS.replace("\n\n[exposure]", f"{line}\n[exposure]"))
    assert main(["check", str(small)]) == 0
    told = [one for one in capsys.readouterr().out.splitlines() if "Cox-Voinov" in one]
    assert told == [
        "liquid:  spiced broth: contact angle 48 degrees at rest, more while it advances "
        "(Cox-Voinov, ln(L/l) = 10)"
    ]
    assert main(["check", str(small), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["log_length_ratios"] == [0.0, 10.0]


def check_measured(small, capsys, rows, keys=""):
    (small.parent / "gum.csv").write_text("shear_rate_1_s,viscosity_mPa_s\n" + rows)
    law = f'law = "measured", file = "gum.csv"{keys}'
    small.write_text(TWO_BROTHS.replace('law = "newtonian", mPa_s = 1.2', law))
    assert main(["check", str(small)]) == 0
    return capsys.readouterr().out.splitlines()


def test_check_states_how_a_measured_curve_goes_on(small, capsys):
    # power laws of index 0.5 and, from 10 1/s on, 0.6
    lines = check_measured(small, capsys, "0.1,126.5\n1,40\n10,12.65\n100,5.036\n1000,2.005\n")
    told = [line for line in lines if "measured" in line]
    assert told[0] == (
        "liquid:  clear broth: measured from 0.1 to 1000 1/s; beyond it goes on as a power law of "
        "index 0.5 below and 0.6 above"
    )
    # 2.005 at 1000, falling as rate^-0.4 beyond: 1 at 1000 * 2.005^2.5 = 5692
    thin = [line for line in lines if "thinner than water" in line]
    assert "above 5.7e+03 1/s" in thin[0]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        # what exceeds 1 is 11.65, 4.036, 1.005: the line through their logarithms falls by 0.532
        (
            ", infinite_mPa_s = 1",
            "goes on as a power law of index 0.5 below and towards 1 mPa s above, what exceeds "
            "that falling as rate^-0.53",
        ),
        (
            ", zero_mPa_s = 500",
            "goes on towards 500 mPa s below and as a power law of index 0.6 above",
        ),
        (
            ", zero_mPa_s = 500, infinite_mPa_s = 1",
            "goes on towards 500 mPa s below and towards 1 mPa s above, what exceeds that falling "
            "as rate^-0.53",
        ),
    ],
)
def test_check_states_the_plateaus_that_a_measured_curve_goes_on_to(small, capsys, keys, said):
    rows = "0.1,126.5\n1,40\n10,12.65\n100,5.036\n1000,2.005\n"
    lines = check_measured(small, capsys, rows, keys)
    told = [line for line in lines if "measured" in line]
    assert told[0].endswith(said)
    assert any("thinner than water" in line for line in lines) == ("infinite" not in keys)


def test_what_was_measured_thinner_than_water_is_not_remarked_on(small, capsys):
    lines = check_measured(small, capsys, "1,4\n10,2\n100,0.9\n1000,0.5\n")
    assert not [line for line in lines if "thinner than water" in line]


def test_every_fault_of_a_scenario_is_a_line(small, capsys):
    text = TWO_BROTHS.replace("seed = 0", "sead = 0").replace("until_s = 0.2", "until_s = -1")
    small.write_text(text)
    for command in ("check", "run"):
        lines = refused(capsys, command, str(small)).splitlines()
        assert len(lines) == 2
        assert re.search(r"small\.toml, line 2: sead: .*seed", lines[0])
        assert "run.until_s" in lines[1]


def test_faults_of_a_dip_are_lines_too(small, capsys):
    keys = 'kind = "dip"\ndepth_mm = 0.1\nfaces = ["bottom"]\ndip_s = 0.3\n'
    small.write_text(TWO_BROTHS.replace('kind = "face"\nfaces = ["bottom"]\n', keys))
    for command in ("check", "run"):
        lines = refused(capsys, command, str(small)).splitlines()
        assert len(lines) == 2
        assert re.search(r"small\.toml, line 23: exposure\.depth_mm: contradicts faces; ", lines[0])
        assert re.search(r"line 28: run\.until_s: got 0\.2, .* last time at 0\.3 s; ", lines[1])
    assert not Path("results").exists()


def test_scenarios_that_cannot_be_read(here, capsys):
    (here / "latin.toml").write_bytes(b'title = "caf\xe9"\n')
    (here / "broken.toml").write_text("title = \n[solid\n")
    (here / "folder.toml").mkdir()
    for name in ("latin.toml", "broken.toml", "folder.toml", "absent.toml"):
        for command in ("check", "run"):
            lines = refused(capsys, command, name).splitlines()
            assert len(lines) == 1
            assert name in lines[0]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read and write everything")
def test_scenarios_and_folders_without_permission(small, capsys):
    small.chmod(0)
    refused(capsys, "check", str(small))
    small.chmod(0o600)
    Path("closed").mkdir(mode=0o500)
    refused(capsys, "run", str(small), "--out", "closed/results")


@pytest.mark.parametrize("out", ["taken", "taken/below"])
def test_out_that_cannot_be_a_folder(small, made_up, capsys, out):
    Path("taken").write_text("x")
    for command in (
        ("run", str(small)), ("compare", str(made_up)), ("animate", str(made_up)),
        ("report", str(made_up)),
    ):  # fmt: skip
        line = refused(capsys, *command, "--out", out)
        assert line.count("\n") == 1
        assert line.startswith(f"{out}: ")
        assert "with --out" in line
    assert Path("taken").read_text() == "x"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["rn", "x.toml"], "invalid choice"),
        (["report"], "required: RECORD"),
        (["run"], "required: FILE"),
        (["run", "x.toml", "--colour"], "unrecognized arguments: --colour"),
        (["run", "x.toml", "--workers", "two"], "invalid int value"),
        (["run", "x.toml", "--workers", "0"], "at least 1"),
        (["run", "x.toml", "--force", "--resume"], "give one of them"),
        (["animate", "x.h5", "--view", "side"], "--view must be one of section, block, front"),
        (["animate", "x.h5", "--size", "9"], "two numbers such as 1920x1080"),
        (["new", ".."], "name of a file"),
        (["new", "no/such/folder/x"], "no such folder"),
    ],
)
def test_requests_that_are_wrong(here, capsys, arguments, message):
    lines = refused(capsys, *arguments).splitlines()
    assert len(lines) == 1
    assert message in lines[0]


def test_records_that_are_none(here, capsys):
    (here / "text.h5").write_text("x")
    for command in ("compare", "animate"):
        assert "not an HDF5 file" in refused(capsys, command, "text.h5")
        assert "is not there" in refused(capsys, command, "absent.h5")
        assert "is a folder" in refused(capsys, command, ".")


def test_nothing_is_replaced_unasked(made_up, capsys):
    record = str(made_up)
    small_film = ["animate", record, "--seconds", "0.5", "--size", "320x240", "--fps", "4"]
    assert main(["compare", record, "--out", "c"]) == 0
    assert main(small_film) == 0
    capsys.readouterr()
    assert "--force" in refused(capsys, "compare", record, "--out", "c")
    assert "--force" in refused(capsys, *small_film)
    assert main(["compare", record, "--out", "c", "--force"]) == 0
    assert main([*small_film, "--force"]) == 0
    assert main(["new", "x"]) == 0
    capsys.readouterr()
    assert "--force" in refused(capsys, "new", "x")
    assert main(["new", "x", "--force"]) == 0


@pytest.mark.parametrize("done", [0, 3])
def test_figures_of_a_record_that_is_no_more_go(small, capsys, monkeypatch, done):
    from poresim.ensemble.run import RunInterrupted

    folder = Path("results/small")
    folder.mkdir(parents=True)
    for name in ("small.h5", "small-uptake.png", "small-section.png", "small.gif"):
        (folder / name).write_text("old")

    def stopped(*_, **__):
        if done:
            os.utime(folder / "small.h5", (1, 1))  # written anew
        raise RunInterrupted(folder / "small.h5", done, 6)

    monkeypatch.setattr("poresim.ensemble.run.run", stopped)
    assert main(["run", str(small), "--force"]) == 130
    kept = {path.name for path in folder.iterdir()}
    old = {"small-uptake.png", "small-section.png"}
    assert kept == {"small.h5", "small.gif"} | (set() if done else old)


def test_numerics_that_failed_are_exit_code_3(small, capsys, monkeypatch):
    from poresim.ensemble.run import RunFailed
    from poresim.uptake.result import Ending

    def failing(*_, **__):
        raise RunFailed(Path("results/small/small.h5"), ["clear broth, solid 0: MemoryError"], 5)

    monkeypatch.setattr("poresim.ensemble.run.run", failing)
    assert main(["run", str(small)]) == 3
    said = capsys.readouterr().err
    assert "not finished: clear broth, solid 0: MemoryError" in said
    assert "kept in results/small/small.h5" in said
    monkeypatch.undo()
    monkeypatch.chdir(small.parent)

    def soak(solid, liquid, *, until_s, snapshots, **_):
        done = made_up_soak(solid, 0.1, until_s, snapshots=tuple(snapshots))
        return type(done)(**{**done.__dict__, "ending": Ending.NOT_CONVERGED})

    from poresim.ensemble import run as module
    from poresim.ensemble.gather import compile_first

    whole = module.run
    compile_first()  # by real soaks
    monkeypatch.setattr("poresim.uptake.march.soak", soak)
    with ThreadPoolExecutor(1) as threads:
        monkeypatch.setattr(
            "poresim.ensemble.run.run",
            lambda *a, workers, executor, **k: whole(*a, executor=threads, **k),
        )
        assert main(["run", str(small), "--no-figures"]) == 3
    said = capsys.readouterr()
    assert "not finished: clear broth, solid 0" in said.err
    assert "record:  results/small/small.h5" in said.out


def test_an_unforeseen_fault_is_a_line_too(made_up, capsys, monkeypatch):
    def broken(_):
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("poresim.record.reading.load_record", broken)
    assert main(["animate", str(made_up)]) == 3
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "ZeroDivisionError: made up" in said


def test_interrupted_while_code_is_made_is_130(small):
    """Imports make code from strings; an interrupt there marks the process to die by it."""
    Path("stopped.py").write_text(
        "import sys; from poresim.cli import check, main\n"
        "check.execute = lambda asked: exec('raise KeyboardInterrupt')\n"
        "sys.exit(main.main())"
    )
    done = python("-m", "stopped", "check", str(small), cwd=small.parent)
    assert done.returncode == 130
    assert done.stderr == "interrupted\n"


def test_interrupted_before_anything_was_finished(small, capsys, monkeypatch):
    from poresim.ensemble.run import RunInterrupted

    def stopped(*_, **__):
        raise RunInterrupted(None, 0, 6)

    monkeypatch.setattr("poresim.ensemble.run.run", stopped)
    assert main(["run", str(small)]) == 130
    said = capsys.readouterr().err.splitlines()[-1]
    assert said == "interrupted before the first soak was finished; nothing is kept"


def test_text_from_files_does_not_drive_the_terminal(here, capsys):
    evil = "\x1b[31mred\x1b]0;title\x07\u202egnp\u200b"
    assert plain(evil) == " [31mred ]0;title  gnp"
    path = record_file(here, liquids=1, repeats=1, cells=(3, 3, 4), title=f"t{evil}$x_{{")
    assert main(["compare", str(path), "--out", "c"]) == 0  # drawn, too: no formula, no escape
    said = capsys.readouterr()
    assert "\x1b" not in said.out + said.err


def test_the_table_tells_long_names_apart():
    from poresim.cli.tables import table
    from poresim.outcome.spread import spread
    from poresim.outcome.summary import LEVELS, Summary

    one = spread([0.5])
    names = [f"a broth with a very long name indeed, from lot {n}" for n in (1, 2)]
    spreads = [one for kind in Summary.__annotations__.values() if kind == "Spread"]
    rows = table(
        [Summary(n, 1, dict.fromkeys(LEVELS, one), *spreads, {}, 0.0) for n in names]
    ).splitlines()[2:]
    assert len(set(rows)) == 2


def test_names_from_scenarios_are_never_paths(here, capsys, one_process):
    """The file's own name decides, and a wild one is made tame."""
    wild = here / "a b;$(x).toml"
    text = STRAIGHT.replace('"clear broth"', '"../../clear"', 1)
    text = text.replace('based_on = "clear broth"', 'based_on = "../../clear"')
    wild.write_text(text.replace("repeats = 3", "repeats = 1"))
    assert main(["run", str(wild), "--no-figures", "--workers", "1"]) == 0
    assert (here / "results/a_b_x/a_b_x.h5").is_file()
    assert sorted(p.name for p in here.iterdir()) == ["a b;$(x).toml", "results"]


def test_a_reader_that_leaves_is_no_fault(made_up):
    code = (
        "import sys; from poresim.cli.main import main; "
        f"sys.exit(main(['compare', {str(made_up)!r}, '--out', 'c', '--json']))"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        cwd=made_up.parent, env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        assert "Traceback" not in process.stderr.read()
