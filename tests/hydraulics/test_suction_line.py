"""A whole suction line from its drawing."""

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RangeError
from pipeline.hydraulics.head import pressure_to_head, static_suction_pressure, velocity_head
from pipeline.hydraulics.npsh import npsh_available
from pipeline.hydraulics.pipes import Fitting, published_fitting
from pipeline.hydraulics.suction_line import (
    DrawingAccuracy,
    PipeRun,
    drawing_uncertainty,
    equivalent_loss,
    line_loss,
)

# Composite line computed with the fluids library by hand of its parts (fluids 1.3.1):
# 8 in schedule 40, 12 m, 0.046 mm, sum K 1.9, water at 20 degrees C, level 5 m above the
# gauge, open tank at 101325 Pa.
RHO, MU, PV = 998.2072, 1.001596e-3, 2339.318
RUN = PipeRun(
    0.2027,
    12.0,
    4.6e-5,
    (
        published_fitting("square entrance"),
        published_fitting("gate valve, fully open"),
        published_fitting("long-radius elbow", 2),
    ),
)
COMPOSITE = [
    # flow, loss [m], velocity head [m], gauge [Pa], NPSH available [m]
    (0.02, 0.058613, 0.019585, 48179.86, 15.05325),
    (0.05, 0.351270, 0.122404, 44308.52, 14.76059),
    (0.08, 0.886086, 0.313353, 37203.95, 14.22577),
]
lines = st.builds(
    PipeRun,
    diameter=st.floats(0.1, 1.0),
    length=st.floats(1.0, 200.0),
    roughness=st.floats(1e-6, 5e-4),
    fittings=st.floats(0.1, 10.0).map(lambda k: (Fitting("all", k),)),
)


@pytest.mark.parametrize(("flow", "loss", "kinetic", "gauge", "npsh"), COMPOSITE)
def test_composite_line(flow, loss, kinetic, gauge, npsh):
    lost = line_loss(flow, [RUN], RHO, MU)
    assert pressure_to_head(lost, RHO) == pytest.approx(loss, abs=2e-6)
    assert velocity_head(flow, 0.2027) == pytest.approx(kinetic, abs=1e-6)
    static = static_suction_pressure(0.0, RHO, 0.0, 5.0, 0.0)
    reading = static - lost - RHO * 9.80665 * velocity_head(flow, 0.2027)
    assert reading == pytest.approx(gauge, abs=0.05)
    assert npsh_available(reading, 101325.0, PV, RHO, flow, 0.2027) == pytest.approx(npsh, abs=1e-4)


def test_runs_in_series_add():
    wide = PipeRun(0.3, 5.0, 4.6e-5, (Fitting("strainer", 2.0),))
    both = line_loss(0.05, [RUN, wide], RHO, MU)
    assert both == pytest.approx(
        float(line_loss(0.05, [RUN], RHO, MU)) + float(line_loss(0.05, [wide], RHO, MU))
    )
    assert line_loss(0.05, [], RHO, MU) == 0.0


def test_loss_by_the_library_s_own_functions():
    # fluids: K of the pipe plus the fittings, dP from K.
    v = 4 * 0.05 / (np.pi * 0.2027**2)
    f = fluids.Colebrook(RHO * v * 0.2027 / MU, 4.6e-5 / 0.2027)
    expected = fluids.dP_from_K(fluids.K_from_f(f, 12.0, 0.2027) + 1.9, RHO, v)
    assert line_loss(0.05, [RUN], RHO, MU) == pytest.approx(expected, rel=1e-9)


@given(lines, st.floats(0.01, 0.5))
def test_equivalent_loss_has_the_line_s_loss_and_slope(run, flow):
    k, n = equivalent_loss([run], flow, RHO, MU)
    assert k * flow**n == pytest.approx(float(line_loss(flow, [run], RHO, MU)), rel=1e-12)
    near = k * (1.05 * flow) ** n
    assert near == pytest.approx(float(line_loss(1.05 * flow, [run], RHO, MU)), rel=2e-3)
    assert 1.7 < n <= 2.0 + 1e-9 or 4 * RHO * flow / (np.pi * run.diameter * MU) < 2e4


def test_exponent_of_fittings_alone_is_two():
    k, n = equivalent_loss([PipeRun(0.2, 0.0, 0.0, (Fitting("elbow", 1.0),))], 0.05, 1000.0, 1e-3)
    assert n == pytest.approx(2.0, abs=1e-9)
    # rho/2 (4/(pi D^2))^2 by hand.
    assert k == pytest.approx(500.0 * (4 / (np.pi * 0.04)) ** 2)


def test_exponent_of_smooth_pipe_tends_to_blasius():
    # Blasius (1913), f ~ Re^-1/4 below Re 1e5: loss ~ Q^1.75.
    _, n = equivalent_loss([PipeRun(0.3, 100.0, 0.0)], 0.008, RHO, MU)
    assert n == pytest.approx(1.75, abs=0.03)


def test_a_given_exponent_is_kept():
    k, n = equivalent_loss([RUN], 0.05, RHO, MU, exponent=1.852)
    assert n == 1.852
    assert k * 0.05**n == pytest.approx(float(line_loss(0.05, [RUN], RHO, MU)))


def test_equivalent_loss_refuses_a_line_without_loss():
    with pytest.raises(RangeError, match="equivalent loss"):
        equivalent_loss([], 0.05, RHO, MU)
    with pytest.raises(RangeError, match=r"a flow of 0\.0"):
        equivalent_loss([RUN], 0.0, RHO, MU)


@pytest.mark.parametrize("bad", [(0.0, 1.0, 0.0), (0.2, -1.0, 0.0), (0.2, 1.0, -1e-5)])
def test_pipe_run_refuses_impossible_dimensions(bad):
    with pytest.raises(RangeError, match="pipe run"):
        PipeRun(*bad)


def test_drawing_uncertainty_is_large_and_mostly_fittings():
    u = drawing_uncertainty(0.05, [RUN], RHO, MU)
    assert 0.15 < u.relative < 0.35
    others = (u.friction_formula, u.roughness, u.diameter, u.length)
    assert u.loss_coefficient > max(others)
    assert u.combined**2 == pytest.approx(sum(c**2 for c in (*others, u.loss_coefficient)))


def test_published_tables_differ_as_much_as_the_default_says():
    # One fitting, two published tables: angle valve 5 (EPANET 2.2 manual) or 2 (a fluid
    # mechanics text); flanged elbow 0.3 (the text) or 0.8 and 0.9 (the manual). The default limit
    # about the middle value must reach both.
    limit = DrawingAccuracy().loss_coefficient
    for low, high in ((2.0, 5.0), (0.3, 0.9)):
        middle = (low + high) / 2
        assert (high - middle) / middle <= limit + 1e-9


def test_each_cause_can_be_switched_off_and_checked_by_hand():
    # Only the diameter: 1 %, rectangular; friction goes with its fifth power.
    nothing = {"friction_formula": 0.0, "roughness_factor": 1.0, "length": 0.0,
               "loss_coefficient": 0.0, "diameter": 0.01}  # fmt: skip
    straight = PipeRun(0.2, 50.0, 2e-4)
    u = drawing_uncertainty(0.05, [straight], RHO, MU, DrawingAccuracy(**nothing))
    assert u.relative == pytest.approx(0.05 / np.sqrt(3.0))
    wider = PipeRun(0.2 * 1.001, 50.0, 2e-4)
    slope = 1 - line_loss(0.05, [wider], RHO, MU) / line_loss(0.05, [straight], RHO, MU)
    assert slope / 0.001 == pytest.approx(5.0, abs=0.3)


def test_roughness_contribution_against_recomputed_losses():
    only = DrawingAccuracy(0.0, 3.0, 0.0, 0.0, 0.0)
    run = PipeRun(0.2, 50.0, 1e-4)
    u = drawing_uncertainty(0.05, [run], RHO, MU, only)
    losses = [float(line_loss(0.05, [PipeRun(0.2, 50.0, r)], RHO, MU)) for r in (1e-4 / 3, 3e-4)]
    assert u.combined == pytest.approx((losses[1] - losses[0]) / 2 / np.sqrt(3.0), rel=1e-9)


def test_drawing_uncertainty_at_rest_and_missing_flow():
    u = drawing_uncertainty(np.array([0.0, np.nan, 0.05]), [RUN], RHO, MU)
    np.testing.assert_array_equal(np.isnan(u.combined), [False, True, False])
    assert u.combined[0] == 0.0
    assert np.isnan(u.relative[0])


def test_drawing_accuracy_refuses_negative_limits():
    with pytest.raises(RangeError, match="drawing accuracy"):
        DrawingAccuracy(length=-0.1)
    with pytest.raises(RangeError, match="roughness factor of one or more"):
        DrawingAccuracy(roughness_factor=0.5)
