"""Angles on rough and patchy faces and under moving lines, against the published relations."""

from __future__ import annotations

import numpy as np
import pytest

import poresim as ps


def test_wenzel():
    """cos t* = r cos t (Wenzel 1936; from memory, computed)."""
    assert ps.wenzel(70, 1.5) == pytest.approx(59.13411753, rel=1e-9)
    angles = np.array([20.0, 70.0, 90.0, 110.0])
    np.testing.assert_allclose(ps.wenzel(angles, 1), angles, rtol=1e-12)
    np.testing.assert_allclose(ps.wenzel(90, [1, 1.5, 3]), 90, rtol=1e-12)
    # The law is symmetric about 90 degrees.
    np.testing.assert_allclose(ps.wenzel(180 - angles, 1.4), 180 - ps.wenzel(angles, 1.4))


def test_wenzel_where_the_cosine_would_pass_one():
    assert ps.wenzel(30, 1.5) == 0.0
    assert ps.wenzel(150, 1.5) == 180.0


def test_cassie_baxter():
    """cos t* = f (cos t + 1) - 1 (Cassie & Baxter 1944; from memory, computed)."""
    assert ps.cassie_baxter(100, 0.4) == pytest.approx(132.0253448, rel=1e-9)
    # A flat top with half of it open, dry pores.
    assert ps.cassie_baxter(60, 0.5) == pytest.approx(104.4775122, rel=1e-9)
    assert ps.cassie_baxter(60, 1) == pytest.approx(60, rel=1e-12)
    assert ps.cassie_baxter(60, 0) == 180.0


CAPILLARY_NUMBERS = np.array([1e-5, 1e-4, 1e-3, 1e-2])


def test_cox_voinov():
    """t^3 = t0^3 + 9 Ca ln(L/l) (Voinov 1976; Tanner 1979; Cox 1986: laws seen, computed)."""
    np.testing.assert_allclose(
        ps.cox_voinov(30, CAPILLARY_NUMBERS, 10),
        [30.062566, 30.614305, 35.284266, 58.115688],
        rtol=0,
        atol=1e-6,
    )


def test_a_line_that_recedes_fast_enough_leaves_a_film():
    assert ps.cox_voinov(30, -1e-4, 10) < 30
    assert ps.cox_voinov(30, -0.1, 10) == 0.0
    assert ps.cox_voinov(30, 0, 10) == pytest.approx(30, rel=1e-12)
    assert ps.cox_voinov(30, 10.0, 10) == 180.0


def test_tanner_s_law_is_the_limit_of_full_wetting():
    """From 0 degrees the angle goes as the cube root of the speed (Tanner 1979, seen)."""
    one, eight = ps.cox_voinov(0, 1e-4, 10), ps.cox_voinov(0, 8e-4, 10)
    assert eight / one == pytest.approx(2, rel=1e-12)


def test_jiang():
    """(cos t0 - cos t) / (cos t0 + 1) = tanh(4.96 Ca^0.702): Jiang, Oh & Slattery 1979, J Colloid
    Interface Sci 69:74 (from memory, computed)."""
    np.testing.assert_allclose(
        ps.jiang(30, CAPILLARY_NUMBERS),
        [30.326151, 31.611202, 37.481331, 59.633844],
        rtol=0,
        atol=1e-6,
    )
    assert ps.jiang(30, 0) == pytest.approx(30, rel=1e-12)
    assert ps.jiang(30, 100) == pytest.approx(180, abs=1e-6)


def test_the_two_laws_of_moving_lines_agree_in_size():
    """Both describe the same experiments (Hoffman 1975); ln(L/l) is about 10 (common practice)."""
    speeds = np.geomspace(1e-3, 1e-2, 5)
    np.testing.assert_allclose(ps.jiang(30, speeds), ps.cox_voinov(30, speeds, 10), atol=3.5)


def test_arrays_broadcast_and_single_numbers_stay_numbers():
    angles, speeds = np.array([[20.0], [40.0]]), np.array([1e-4, 1e-3, 1e-2])
    assert ps.jiang(angles, speeds).shape == (2, 3)
    assert ps.cox_voinov(angles, speeds, 10).shape == (2, 3)
    assert ps.wenzel(angles, [1.0, 1.1]).shape == (2, 2)
    assert ps.cassie_baxter(angles, [0.5, 0.6]).shape == (2, 2)
    for value in (
        ps.wenzel(60, 1.2),
        ps.cassie_baxter(60, 0.5),
        ps.cox_voinov(30, 1e-4, 10),
        ps.jiang(30, 1e-4),
    ):
        assert type(value) is float


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: ps.wenzel(-1, 1.5), r"angle_deg must lie in 0 to 180 \(degrees\), got -1"),
        (lambda: ps.wenzel(60, 0.9), "roughness must lie in 1 to"),
        (lambda: ps.wenzel([60, 190], 1.5), "got 190"),
        (lambda: ps.cassie_baxter(60, 1.1), "wetted_share must lie in 0 to 1"),
        (lambda: ps.cassie_baxter(float("nan"), 0.5), "angle_deg must lie in 0 to 180"),
        (lambda: ps.cox_voinov(181, 1e-4, 10), "static_angle_deg must lie in 0 to 180"),
        (lambda: ps.cox_voinov(30, float("inf"), 10), "capillary_number must lie in"),
        (lambda: ps.cox_voinov(30, 1e-4, 0), "log_ratio must lie in"),
        (lambda: ps.jiang(30, -1e-4), "capillary_number must lie in 0 to"),
    ],
)
def test_what_lies_outside_is_refused(ask, said):
    with pytest.raises(ValueError, match=said):
        ask()


def test_a_text_is_no_angle():
    with pytest.raises(TypeError, match="angle_deg must be a number"):
        ps.wenzel("60", 1.5)
