"""How long a soak is forecast to take, against times measured once; nothing is timed here."""

from __future__ import annotations

import math

import pytest

from poresim.scenario import cost
from poresim.scenario.cost import STARTING_SECONDS, soak_seconds
from poresim.scenario.plan import plan
from poresim.scenario.reading import Scenario, parse_scenario

LIQUIDS = {
    "newtonian": 'viscosity = { law = "newtonian", mPa_s = 1.0 }',
    "carreau": 'viscosity = { law = "carreau", zero_mPa_s = 1000, infinite_mPa_s = 2, '
    "time_s = 0.5, index = 0.5 }",
    "yields": 'viscosity = { law = "herschel_bulkley", yield_Pa = 0.02, consistency_Pa_sn = 0.05, '
    "index = 0.6 }",
    "grains": 'viscosity = { law = "newtonian", mPa_s = 1.0 }\nparticles = { volume_fraction = '
    '0.015, law = "fixed", diameter_um = 12, density_kg_m3 = 1400 }',
}
FACE = 'kind = "face"\nfaces = ["bottom"]'
ACCURACIES = (0.1, 0.03, 0.01)
#: Waist, junctions, tubes: CPU s of one soak at those accuracies; benchmarks/PERFORMANCE.md.
MEASURED = {
    (1.0, 64, 125): {
        "newtonian": (0.82, 0.73, 1.18),
        "carreau": (1.14, 1.81, 2.86),
        "yields": (0.94, 1.56, 2.41),
        "grains": (0.57, 0.84, 1.30),
    },
    (1.0, 125, 260): {
        "newtonian": (0.07, 0.12, 0.18),
        "carreau": (0.16, 0.26, 0.43),
        "yields": (0.13, 0.21, 0.34),
        "grains": (0.16, 0.28, 0.48),
    },
    (1.0, 512, 1165): {
        "newtonian": (0.15, 0.25, 0.36),
        "carreau": (0.33, 0.71, 0.96),
        "yields": (0.26, 0.60, 0.63),
        "grains": (0.35, 0.58, 1.00),
    },
    (1.0, 1728, 4118): {
        "newtonian": (0.43, 0.49, 0.78),
        "carreau": (0.95, 1.19, 2.06),
        "yields": (0.64, 0.97, 1.65),
        "grains": (0.80, 1.32, 2.29),
    },
    (0.5, 64, 125): {
        "newtonian": (1.54, 2.26, 2.90),
        "yields": (2.09, 2.94, 3.76),
        "grains": (3.95, 4.03, 5.12),
    },
    (0.5, 216, 468): {
        "newtonian": (0.10, 0.15, 0.35),
        "yields": (0.10, 0.24, 0.51),
        "grains": (0.28, 0.50, 0.95),
    },
    (0.5, 729, 1685): {
        "newtonian": (0.31, 0.54, 0.91),
        "yields": (0.49, 0.68, 1.70),
        "grains": (0.98, 2.03, 4.40),
    },
    (0.5, 1728, 4118): {
        "newtonian": (1.28, 1.73, 2.29),
        "yields": (1.74, 2.14, 4.77),
        "grains": (3.44, 6.08, 17.02),
    },
    (0.15, 64, 125): {
        "newtonian": (1.78, 2.48, 3.62),
        "yields": (2.76, 3.70, 5.40),
        "grains": (5.90, 7.17, 9.47),
    },
    (0.15, 216, 468): {
        "newtonian": (0.23, 0.69, 0.77),
        "yields": (0.30, 0.51, 0.97),
        "grains": (0.40, 1.08, 5.10),
    },
}


def asked(
    liquids: tuple[str, ...] = ("newtonian",),
    waist: float = 1.0,
    accuracy: float = 0.01,
    exposure: str = FACE,
    log_sd: float = 0.5,
    solid: str = "",
    repeats: int = 1,
) -> Scenario:
    """Invented; the size of the block is not looked at where junctions and tubes are given."""
    stated = "\n".join(
        f'[[liquids]]\nname = "{name}"\ndensity_kg_m3 = 1000\nsurface_tension_mN_m = 72\n'
        f"contact_angle_deg = 40\n{LIQUIDS[name]}"
        for name in liquids
    )
    return parse_scenario(
        f'title = "t"\nseed = 1\n[solid]\nname = "s"\nsize_mm = [1.4, 1.4, 1.4]\n{solid}\n'
        'lattice = { kind = "cubic", spacing_um = 200 }\n'
        f'tubes = {{ law = "lognormal", median_radius_um = 15, log_sd = {log_sd}, '
        f"waist = {waist} }}\n{stated}\n[exposure]\n{exposure}\n"
        f"[run]\nuntil_s = 30\naccuracy = {accuracy}\nrepeats = {repeats}\n"
    )


def test_small_blocks_take_about_as_long_as_was_measured() -> None:
    """Within a factor of 2 in nine of ten soaks, of 4 in all."""
    ratios = [
        soak_seconds(asked((liquid,), waist, accuracy), junctions, tubes) / seconds
        for (waist, junctions, tubes), rows in MEASURED.items()
        for liquid, row in rows.items()
        for accuracy, seconds in zip(ACCURACIES, row, strict=True)
    ]
    assert len(ratios) == 102
    off = [abs(math.log2(ratio)) for ratio in ratios]
    assert sum(one <= 1 for one in off) >= 0.9 * len(off) and max(off) <= 2


def test_a_forecast_adds_the_start_of_the_processes_once() -> None:
    """They start side by side; rounds of soaks follow."""
    scenario = asked(("newtonian", "carreau"), repeats=3)
    one, two, many = (plan(scenario, cores) for cores in (1, 2, 64))
    each = one.soak_seconds
    assert each == soak_seconds(scenario, one.solid.junctions, one.solid.tubes)
    for found, rounds in ((one, 6), (two, 3), (many, 1)):
        assert found.seconds == pytest.approx(STARTING_SECONDS + rounds * each)


def test_large_blocks_are_forecast_as_they_were_measured() -> None:
    """46^3 straight, water, 0.01: 10.3 s on one core; with a waist by their own figures."""
    assert soak_seconds(asked(), 46**3, 286_000) == pytest.approx(10.3, rel=0.15)
    waisted = soak_seconds(asked(waist=0.5), 46**3, 286_000)
    assert waisted == pytest.approx(cost.WAISTED * soak_seconds(asked(), 46**3, 286_000))


@pytest.mark.parametrize(
    "other",
    [
        {"accuracy": 4e-3},
        {"log_sd": 0.9},
        {"solid": "body_ratio = 1.2"},
        {"exposure": 'kind = "dip"\nfaces = ["bottom"]\ndip_s = 5'},
    ],
    ids=["fine", "wide", "bodies", "lifted"],
)
def test_what_is_followed_event_by_event_is_forecast_so(other: dict) -> None:
    plain, apart = soak_seconds(asked(), 250, 550), soak_seconds(asked(**other), 250, 550)
    assert apart > 10 * plain
    assert apart >= cost.EVENTS_SECONDS * (550 / 300) ** cost.EVENTS_GROWTH


def test_the_forecast_rises_with_size_and_with_what_is_asked_for() -> None:
    """Whatever the way to march, but where that changes from event by event to many a step."""
    for waist in (1.0, 0.5):
        at = [soak_seconds(asked(waist=waist), n, round(2.4 * n)) for n in (101, 500, 2000, 3000)]
        assert at == sorted(at)
        finer = [soak_seconds(asked(waist=waist, accuracy=a), 500, 1200) for a in (0.1, 0.02, 1e-3)]
        assert finer == sorted(finer)
