"""Trapped air in soaks: Boyle, bubbles, moles, and the oracle that follows every event."""

import math
from concurrent.futures import ThreadPoolExecutor
from functools import cache

import h5py
import numpy as np
import oracle_gas
import pytest
from oracle_graphs import random_graph
from oracle_tubes import Fluid
from small import TWO_BROTHS

import poresim as ps
from poresim.cli.tables import offered
from poresim.record.layout import AIR
from poresim.record.reading import load_record
from poresim.record.summaries import summaries
from poresim.scenario.reading import ScenarioError, parse_scenario
from poresim.uptake.pockets import OUTSIDE

FLUID = Fluid(0.072, 60.0, 1e-3)
PULL = 2 * 0.072 * math.cos(math.radians(60))


def liquid(fluid=FLUID):
    return ps.Liquid(
        viscosity=ps.Newtonian(fluid.consistency),
        surface_tension=fluid.gamma,
        contact_angle_deg=fluid.angle,
        receding_angle_deg=fluid.receding,
        density=fluid.density,
    )


def tube(radius=10e-6, length=0.02):
    return ps.Network([[0, 0, 0], [length, 0, 0]], [[0, 1]], radius, length)


@pytest.mark.parametrize("accuracy", [1e-2, 1e-3])
def test_a_closed_tube_stops_where_boyle_and_laplace_meet(accuracy):
    """L/H = Pc/(P0 + Pc) (Boyle; Young-Laplace): 0.0663441603 at r = 10 um, 7200 Pa, 1 atm.

    Menisci stick a little, for the sake of bubbles: by 1e-2 of the accuracy of 2 gamma / r.
    """
    found = ps.soak(tube(), liquid(), [0], until_s=10.0, accuracy=accuracy, air="trapped", vents=[])
    assert found.saturation[-1] == pytest.approx(7200 / (OUTSIDE + 7200), rel=2.5e-2 * accuracy)
    assert found.saturation[-1] == pytest.approx(0.0663441603, rel=2.5e-2 * accuracy)
    assert found.air_pa[0] == pytest.approx(7200, rel=2.5e-2 * accuracy)
    np.testing.assert_allclose(found.trapped_pv_j, found.trapped_pv_j[0], rtol=1e-9)
    assert found.trapped_share[0] == pytest.approx(1, rel=1e-12) and np.all(found.bubbled_pv_j == 0)


def test_a_closed_tube_fills_as_its_gas_allows():
    """Poiseuille against a gas that is compressed: t by quadrature of 8 eta x / (r^2 u(x))."""
    from scipy.integrate import quad

    radius, length, rest = 10e-6, 0.02, 7200 / (OUTSIDE + 7200)

    def slowness(share):
        gas = OUTSIDE * share / (1 - share)
        return 8e-3 * share * length**2 / (radius**2 * (7200 - gas))

    found = ps.soak(tube(), liquid(), [0], until_s=10.0, accuracy=1e-3, air="trapped", vents=[])
    some = (found.saturation > 0.1 * rest) & (found.saturation < 0.99 * rest)
    times = [quad(slowness, 0, share)[0] for share in found.saturation[some]]
    assert some.sum() > 50
    np.testing.assert_allclose(found.time_s[some], times, rtol=2e-3)


def test_a_vent_makes_all_the_difference():
    """Open at its far end the tube fills as Washburn (1921) says."""
    found = ps.soak(tube(), liquid(), [0], until_s=10.0, accuracy=1e-3, air="trapped", vents=[1])
    assert found.filled_at_s[0] == pytest.approx(2e-3 * 0.02**2 / (10e-6 * PULL / 2), rel=2e-3)
    assert np.all(found.trapped_share == 0) and np.isnan(found.air_pa[0])


def test_a_wide_tube_bubbles_while_a_narrow_one_fills():
    """Both lead from the liquid to a dead end. The wide one's meniscus is pushed back to its mouth,
    where the gas leaves at 2 gamma cos / r (bubble-point test, ASTM F316): 2400 Pa at r = 30 um;
    against that the narrow one (10 um: 7200 Pa) fills in 4 eta L^2 / (r^2 4800 Pa) = 10/3 s. Then
    the wide one keeps its gas at 2400 Pa, and what else there was has left.
    """
    points, ends = [[0, 0, 0], [0, 1e-3, 0], [0.02, 0, 0]], [[0, 2], [1, 2]]
    solid = ps.Network(points, ends, [10e-6, 30e-6], 0.02)
    keys = {"until_s": 100.0, "accuracy": 1e-3, "air": "trapped", "vents": []}
    found = ps.soak(solid, liquid(), [0, 1], **keys)
    assert found.filled_at_s[0] == pytest.approx(10 / 3, rel=1e-3)
    assert np.isnan(found.filled_at_s[1])
    assert found.air_pa[1] == pytest.approx(2400, rel=1e-3)
    wide = math.pi * 30e-6**2 * 0.02
    assert found.trapped_pv_j[-1] == pytest.approx((OUTSIDE + 2400) * wide, rel=1e-3)
    whole = found.trapped_pv_j + found.bubbled_pv_j
    np.testing.assert_allclose(whole, whole[0], rtol=1e-9)


def test_a_bubble_goes_to_the_lower_pressure_and_out():
    """Between two reservoirs 5 kPa apart, a bubble is driven out, and the tube fills."""
    keys = {"until_s": 10.0, "accuracy": 1e-3, "air": "trapped"}
    driven = ps.soak(tube(), liquid(), [0, 1], inlet_pressure=[5000, 0], **keys)
    assert driven.ending.name == "FULL" and driven.trapped_pv_j[-1] == 0
    assert driven.bubbled_pv_j[-1] == pytest.approx(driven.trapped_pv_j[0], rel=1e-9)
    still = ps.soak(tube(), liquid(), [0, 1], **keys)
    assert still.saturation[-1] == pytest.approx(7200 / (OUTSIDE + 7200), rel=1e-4)
    assert np.all(still.bubbled_pv_j == 0)


@cache
def reference(seed, vents, until, junctions):
    """What the oracle finds for a random graph."""
    g = random_graph(seed, junctions)
    args = g.points, g.ends, g.radius, g.length
    return oracle_gas.soak(*args, g.inlet, FLUID, until=until, vents=vents)


def compared(seed, accuracy, vents=(), until=5.0, junctions=14):
    """(largest difference of the uptake over its end, soak, oracle) of a random graph."""
    g = random_graph(seed, junctions)
    best = reference(seed, vents, until, junctions)
    solid = ps.Network(g.points, g.ends, g.radius, g.length)
    asked = {"until_s": until, "accuracy": accuracy, "air": "trapped", "vents": vents}
    found = ps.soak(solid, liquid(), g.inlet, **asked)
    at = np.geomspace(1e-3 * until, until, 60)
    ours = np.interp(at, found.time_s, found.uptake_m3)
    theirs = np.interp(at, best.time, best.uptake)
    return np.abs(ours - theirs).max() / theirs[-1], found, best


@pytest.mark.parametrize(
    ("seed", "junctions", "accuracy", "most", "tubes"),
    [
        (8, 7, 1e-2, 3e-3, 1e-2),
        (8, 7, 1e-3, 5e-4, 1e-3),
        pytest.param(8, 14, 1e-2, 3e-3, 1e-2, marks=pytest.mark.slow),
        pytest.param(8, 14, 1e-3, 5e-4, 1e-3, marks=pytest.mark.slow),
        pytest.param(6, 14, 1e-3, 5e-4, 1e-3, marks=pytest.mark.slow),
        pytest.param(7, 14, 1e-2, 3e-3, 1.5e-2, marks=pytest.mark.slow),
        pytest.param(7, 14, 1e-3, 5e-4, 1e-3, marks=pytest.mark.slow),
    ],
)
def test_random_graphs_without_vents_follow_the_oracle(seed, junctions, accuracy, most, tubes):
    """Bubbles and all; the oracle shares no code and finds gas pressures event by event.

    The last tube of graph 7 fills against gas that leaves it 1 % of its pull, so its time is off by
    100 times what pressures are: 1.03e-2 at 1e-2, 9.4e-4 at 1e-3.
    """
    off, found, best = compared(seed, accuracy, junctions=junctions)
    assert off < most
    assert np.array_equal(np.isnan(found.filled_at_s), np.isnan(best.filled_at))
    full = ~np.isnan(best.filled_at)
    np.testing.assert_allclose(found.filled_at_s[full], best.filled_at[full], rtol=tubes)
    assert found.bubbled_pv_j[-1] == pytest.approx(best.lost_pv[-1], rel=1e-2)
    whole = found.trapped_pv_j + found.bubbled_pv_j
    np.testing.assert_allclose(whole, whole[0], rtol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "most"), [(1, 1e-3), (2, 3e-2), (3, 5e-3), (4, 1e-3), (5, 1e-3)])
def test_random_graphs_with_vents_follow_the_oracle(seed, most):
    """Only tubes between wet junctions trap air.

    1.1e-4, 1.5e-2, 2.0e-3, 2.9e-4 and 6e-5 were found at 1e-3. In the second graph one tube does
    not settle as the accuracy is raised (5.8e-2, 1.5e-2, -1.1e-2, -7.6e-2 from 1e-3 to 3e-5, its
    others by 1e-3 and less): its cause was not traced.
    """
    off, found, best = compared(seed, 1e-3, vents=None)
    assert off < most
    assert np.array_equal(np.isnan(found.filled_at_s), np.isnan(best.filled_at))


def test_moles_are_kept_until_a_bubble_leaves():
    """In a graph with vents: what has been cut off is trapped or gone, and none comes back."""
    g = random_graph(2, 14)
    solid = ps.Network(g.points, g.ends, g.radius, g.length)
    found = ps.soak(solid, liquid(), g.inlet, until_s=5.0, accuracy=1e-2, air="trapped")
    assert found.bubbled_pv_j[-1] > 0 and found.trapped_pv_j[-1] > 0
    assert np.all(np.diff(found.bubbled_pv_j) >= 0)
    whole = found.trapped_pv_j + found.bubbled_pv_j
    assert np.all(np.diff(whole) >= -1e-9 * whole[-1])  # it grows where more is cut off
    free = ps.soak(solid, liquid(), g.inlet, until_s=5.0, accuracy=1e-2)
    assert found.uptake_m3[-1] < free.uptake_m3[-1]
    assert found.saturation[-1] + found.trapped_share[-1] == pytest.approx(1, abs=1e-6)
    assert len(free.trapped_share) == len(free.air_pa) == 0


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"air": "caught"}, 'air must be "free" or "trapped"'),
        ({"vents": [1]}, 'vents are for air = "trapped"'),
        ({"air": "trapped", "vents": [7]}, "vents names junction 7, but there are 2"),
    ],
)
def test_what_is_wrong_is_told(keys, says):
    with pytest.raises(ValueError, match=says):
        ps.soak(tube(), liquid(), [0], until_s=1.0, **keys)


def test_solids_too_large_or_with_bodies_are_told():
    n = 1501
    points = np.zeros((n, 3))
    points[:, 0] = np.arange(n) * 1e-3
    ends = np.stack([np.arange(n - 1), np.arange(1, n)], 1)
    chain = ps.Network(points, ends, 10e-6, 1e-3)
    with pytest.raises(
        ValueError, match="up to 1500 junctions in this version, and this one has 1"
    ):
        ps.soak(chain, liquid(), [0], until_s=1.0, air="trapped")
    hollow = ps.Network([[0, 0, 0], [1e-3, 0, 0]], [[0, 1]], 10e-6, 1e-3, body_volume=[1e-13, 0])
    with pytest.raises(ValueError, match="whose junctions have no bodies"):
        ps.soak(hollow, liquid(), [0], until_s=1.0, air="trapped")


# ---- scenarios -----------------------------------------------------------------------------


def scenario(*changes):
    """A rusk in the clear broth, dipped all over, with trapped air."""
    start, end = TWO_BROTHS.index('[[liquids]]\nname = "spiced'), TWO_BROTHS.index("[exposure]")
    text = TWO_BROTHS[:start] + TWO_BROTHS[end:]
    dip = 'kind = "dip"\ndepth_mm = 5\ndip_s = 1e-2\nair = "trapped"\n'
    for old, new in (
        ('kind = "face"\nfaces = ["bottom"]\n', dip),
        (", waist = 0.7", ""),
        ("until_s = 0.2", "until_s = 0.02"),
        ("repeats = 3", "repeats = 1"),
        *changes,
    ):
        assert old in text, old
        text = text.replace(old, new)
    return text


@pytest.fixture(scope="module")
def dunked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dunked")
    (folder / "dunk.toml").write_text(scenario())
    with ThreadPoolExecutor(1) as thread:
        return ps.run(ps.load_scenario(folder / "dunk.toml"), folder / "out", thread)


def test_the_record_says_what_air_prevented(dunked):
    """Less is taken up than with free air; what is not liquid in the end is trapped air or dry."""
    repeat = load_record(dunked.path).liquids[0].repeats[0]
    assert repeat.trapped_share[0] > 0 and repeat.bubbled_pv_J[-1] > 0
    assert np.all(repeat.free_uptake_kg >= repeat.uptake_kg * (1 - 1e-2))
    assert repeat.free_uptake_kg[-1] > 1.05 * repeat.uptake_kg[-1]
    with h5py.File(dunked.path) as file:
        kept = file["liquids/0/repeats/0"]
        for name, column in AIR.items():
            assert kept[name].attrs["units"] == column.units
            assert len(kept[name]) == len(repeat.time_s)


def test_a_sentence_says_so(dunked):
    one = summaries(dunked)[0]
    free = dunked.liquids[0].repeats[0].free_uptake_kg[-1]
    prevented = free - one.end_uptake_kg.median
    assert one.air_prevented_kg.median == pytest.approx(prevented, rel=1e-9)
    assert one.air_prevented_share.median == pytest.approx(prevented / free, rel=1e-9)
    told = offered([one])
    assert "Trapped air keeps" in told and "with clear broth" in told
    assert f"{100 * one.air_prevented_share.median:.0f} %" in told


def vented(vents, folder):
    """The record's repeat of a block of one repeat that stands on liquid, with such vents."""
    text = scenario(
        ('kind = "dip"\ndepth_mm = 5\ndip_s = 1e-2\nair = "trapped"\n',
         f'kind = "face"\nfaces = ["bottom"]\nair = "trapped"\n{vents}'),
        ("spacing_um = 100 }", 'spacing_um = 100 }\nsides = "sealed"'),
        ("accuracy = 0.1", "accuracy = 0.03"),
    )  # fmt: skip
    folder.mkdir()
    (folder / "vented.toml").write_text(text)
    with ThreadPoolExecutor(1) as thread:
        found = ps.run(ps.load_scenario(folder / "vented.toml"), folder / "out", thread)
    return found.liquids[0].repeats[0], found.solid(0)


def test_a_block_fills_where_its_air_gets_out_and_not_where_it_is_sealed(tmp_path):
    """Sealed, all its air is in one pocket from the start, which no meniscus of it can compress by
    more than the narrowest tube's suction (Boyle, Young-Laplace); what leaves are bubbles.
    """
    open_, solid = vented('vents = ["top"]\n', tmp_path / "top")
    sealed, _ = vented("vents = []\n", tmp_path / "none")
    plain, _ = vented("", tmp_path / "all")
    between = np.isin(solid.ends, solid.faces["bottom"]).all(axis=1)  # cut off at first touch
    flat = float(solid.tube_volume[between].sum()) / solid.volume
    assert open_.trapped_share[0] == pytest.approx(flat, rel=1e-9)
    np.testing.assert_array_equal(open_.filled_at_s, plain.filled_at_s)  # sides are sealed anyway
    assert sealed.trapped_share[0] == pytest.approx(1, rel=1e-12)
    whole = sealed.trapped_pv_J + sealed.bubbled_pv_J
    np.testing.assert_allclose(whole, OUTSIDE * solid.volume, rtol=1e-9)
    most = 2 * 0.052 * math.cos(math.radians(48)) / solid.radius.min()
    left = sealed.trapped_pv_J[-1] / (OUTSIDE * solid.volume)  # of the gas
    assert sealed.trapped_share[-1] >= left * OUTSIDE / (OUTSIDE + most)
    assert sealed.saturation[-1] < 0.6 * open_.saturation[-1]  # 0.29 and 0.62 were found


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ((("size_mm = [0.2, 0.2, 0.3]", "size_mm = [2, 2, 2]"),), "about 9261 junctions"),
        ((("spacing_um = 100 }", "spacing_um = 100 }\nbody_ratio = 1.1"),), "have bodies"),
    ],
)
def test_solids_that_are_not_for_it_are_faults(changes, says):
    with pytest.raises(ScenarioError) as error:
        parse_scenario(scenario(*changes))
    assert "exposure.air: is 'trapped', but" in str(error.value) and says in str(error.value)
