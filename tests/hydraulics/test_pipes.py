"""Friction factors and losses against Colebrook, Moody and published examples."""

import math
from pathlib import Path

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RangeError
from pipeline.hydraulics.loss_tables import NEW_PIPE_ROUGHNESS
from pipeline.hydraulics.pipes import (
    Fitting,
    fitting_loss,
    friction_factor,
    pipe_loss,
    pipe_size,
    published_fitting,
    reynolds_number,
    total_loss_coefficient,
)

REFERENCE = Path(__file__).parents[1] / "reference"
FOOT = 0.3048
INCH = 0.0254

flows = st.floats(1e-4, 2.0)
diameters = st.floats(0.05, 1.5)


def colebrook_table():
    return np.genfromtxt(
        REFERENCE / "colebrook_swamee_jain.csv", delimiter=",", names=True, skip_header=3
    )


def test_friction_factor_is_the_root_of_the_colebrook_equation():
    table = colebrook_table()
    f = friction_factor(table["Re"], table["eD"])
    assert len(f) == 80
    np.testing.assert_allclose(f, table["darcy_f_colebrook_white"], rtol=1e-8)
    left = 1 / np.sqrt(f)
    right = -2 * np.log10(table["eD"] / 3.7 + 2.51 / (table["Re"] * np.sqrt(f)))
    np.testing.assert_allclose(left, right, rtol=1e-9)


def test_the_explicit_formula_stays_in_its_band():
    # Swamee and Jain (1976); the usual claim of 1 % fails near Re 1e4 with rough pipe.
    table = colebrook_table()
    ours = friction_factor(table["Re"], table["eD"])
    np.testing.assert_allclose(table["darcy_f_swamee_jain"], ours, rtol=0.035)


def test_laminar_flow():
    # Hagen-Poiseuille: 64/Re.
    np.testing.assert_allclose(friction_factor([1000.0, 128.0], 0.01), [0.064, 0.5])


def test_worked_example_of_a_long_20_inch_pipe():
    # README of the R package hydraulics: 20 in, 10560 ft, 4 ft3/s, water at 60 F,
    # roughness 0.0005 ft: Re 248624.7, f 0.0173031 by its form of the equation. Loss 5.727 ft
    # follows with g = 32.174 ft/s2. The textbook form lies 0.04 % lower.
    nu = 4 * 4 / (math.pi * (20 / 12) * 248624.7)  # their viscosity [ft2/s], from their Re
    q, d = 4 * FOOT**3, 20 * INCH
    rho, mu = 999.0, 999.0 * nu * FOOT**2
    re = reynolds_number(q, d, rho, mu)
    assert re == pytest.approx(248624.7, rel=1e-9)
    assert friction_factor(re, 0.0005 / (20 / 12)) == pytest.approx(0.0173031, rel=1e-3)
    loss = pipe_loss(q, d, 10560 * FOOT, 0.0005 * FOOT, rho, mu)
    assert loss / (rho * 9.80665) / FOOT == pytest.approx(5.727, rel=1e-3)


def test_hazen_williams_and_darcy_agree_for_an_ordinary_pipe():
    # EPANET 2.2 manual, 4.727 C^-1.852 d^-4.871 L q^1.852 (ft, ft3/s), 1 ft pipe, 1000 ft,
    # C 140: new steel. Two unlike formulas; within 10 % in the range Hazen-Williams is for.
    for q_cfs in (1.0, 3.0, 6.0):
        hazen_williams = 4.727 * 140**-1.852 * 1000 * q_cfs**1.852
        darcy = pipe_loss(
            q_cfs * FOOT**3, FOOT, 1000 * FOOT, NEW_PIPE_ROUGHNESS["steel"], 998.2, 1.0016e-3
        )
        assert darcy / (998.2 * 9.80665) / FOOT == pytest.approx(hazen_williams, rel=0.10)


def test_darcy_example_of_a_handbook():
    # DOE-HDBK-1012/3-92, Darcy example (inputs from memory): 20 in pipe, 100 ft, 700 lbm/s
    # of 60 lbm/ft3, f 0.012: 5.35 ft/s and 0.32 ft. A fully rough pipe with that f gives it.
    rough = 3.7 * 10 ** (-1 / (2 * math.sqrt(0.012)))
    rho = 60 * 0.45359237 / FOOT**3
    q = 700 / 60 * FOOT**3
    loss = pipe_loss(q, 20 * INCH, 100 * FOOT, rough * 20 * INCH, rho, 1e-9)
    assert loss / (rho * 9.80665) / FOOT == pytest.approx(0.32, abs=0.001)


def test_fittings_match_the_reference_library():
    # fluids.dP_from_K(10, 1000, 3) gives 45000 Pa; fluids.K_from_f(0.018, 100, 0.3) is 6.
    area = math.pi / 4
    assert fitting_loss(3.0 * area, 1.0, 10.0, 1000.0) == pytest.approx(45000.0)
    assert fluids.dP_from_K(10.0, 1000.0, 3.0) == pytest.approx(45000.0)
    assert fluids.K_from_f(fd=0.018, L=100.0, D=0.3) == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("nominal", "schedule", "inside_inch", "outside_inch"),
    # ASME B36.10M, as any pipe chart prints it (from memory).
    [
        (8, "40", 7.981, 8.625),
        (4, "40", 4.026, 4.5),
        (12, "STD", 12.0, 12.75),
        (6, "80", 5.761, 6.625),
    ],
)
def test_pipe_sizes(nominal, schedule, inside_inch, outside_inch):
    size = pipe_size(nominal, schedule)
    assert size.inside_diameter / INCH == pytest.approx(inside_inch, abs=0.01)
    assert size.outside_diameter / INCH == pytest.approx(outside_inch, abs=0.01)
    assert size.outside_diameter - 2 * size.wall_thickness == pytest.approx(
        size.inside_diameter, abs=1e-5
    )


@pytest.mark.parametrize(("nominal", "schedule"), [(8, "41"), (800, "40")])
def test_an_unknown_pipe_is_named(nominal, schedule):
    with pytest.raises(RangeError, match=rf"nominal size {nominal} in schedule '{schedule}'"):
        pipe_size(nominal, schedule)


def test_published_fittings_carry_their_source():
    # EPANET 2.2 manual, Minor Loss Coefficients.
    suction = [
        published_fitting("square entrance"),
        published_fitting("gate valve, fully open"),
        published_fitting("long-radius elbow", 2),
    ]
    assert total_loss_coefficient(suction) == pytest.approx(1.9)
    assert all("EPANET" in f.source for f in suction)
    with pytest.raises(RangeError, match="found 'elbow'; expected one of globe valve"):
        published_fitting("elbow")


def test_the_sum_counts_every_fitting():
    assert total_loss_coefficient([Fitting("a", 0.5, 3), Fitting("b", 1.0)]) == 2.5
    assert total_loss_coefficient([]) == 0.0


def test_friction_factor_refuses_impossible_inputs():
    with pytest.raises(RangeError, match=r"expected 0 to 0\.05"):
        friction_factor(1e5, 0.2)
    with pytest.raises(RangeError, match="Reynolds number: found -5"):
        friction_factor(-5.0, 1e-4)


def test_no_flow_no_loss_and_nan_stays_nan():
    assert pipe_loss(0.0, 0.2, 10.0, 1e-4, 998.0, 1e-3) == 0.0
    assert np.isnan(pipe_loss(np.nan, 0.2, 10.0, 1e-4, 998.0, 1e-3))
    assert np.isnan(friction_factor(np.nan, 1e-4))
    assert np.isnan(friction_factor(0.0, 1e-4))
    out = pipe_loss(np.array([0.0, 0.05, np.nan]), 0.2, 10.0, 1e-4, 998.0, 1e-3)
    np.testing.assert_array_equal(np.isnan(out), [False, False, True])


@given(flows, diameters, st.floats(1.0, 100.0))
def test_loss_turns_with_the_flow_and_grows_with_length(flow, diameter, length):
    forward = pipe_loss(flow, diameter, length, 5e-5, 998.0, 1e-3)
    assert pipe_loss(-flow, diameter, length, 5e-5, 998.0, 1e-3) == pytest.approx(-forward)
    assert pipe_loss(flow, diameter, 2 * length, 5e-5, 998.0, 1e-3) == pytest.approx(2 * forward)


@given(st.floats(4e3, 1e8), st.floats(4e3, 1e8), st.floats(1e-6, 0.05))
def test_friction_factor_falls_with_reynolds_towards_the_rough_limit(a, b, rough):
    low, high = sorted((a, b))
    f_low, f_high = friction_factor(low, rough), friction_factor(high, rough)
    assert f_high <= f_low * (1 + 1e-12)
    assert f_high >= (2 * math.log10(3.7 / rough)) ** -2 * (1 - 1e-12)


@given(st.floats(4e3, 1e8), st.floats(0.0, 0.05), st.floats(0.0, 0.05))
def test_rougher_pipe_has_more_friction(reynolds, a, b):
    low, high = sorted((a, b))
    assert friction_factor(reynolds, low) <= friction_factor(reynolds, high) * (1 + 1e-12)


@given(flows, diameters, st.floats(0.0, 20.0), st.floats(500.0, 2000.0), st.floats(1.1, 3.0))
def test_fitting_loss_has_its_dimensions(flow, diameter, k, density, factor):
    base = fitting_loss(flow, diameter, k, density)
    assert fitting_loss(factor * flow, diameter, k, density) == pytest.approx(factor**2 * base)
    assert fitting_loss(flow, factor * diameter, k, density) == pytest.approx(base / factor**4)
    assert fitting_loss(flow, diameter, factor * k, density) == pytest.approx(factor * base)
    assert fitting_loss(flow, diameter, k, factor * density) == pytest.approx(factor * base)
    assert fitting_loss(-flow, diameter, k, density) == pytest.approx(-base)


@given(flows, diameters, st.floats(1.1, 3.0))
def test_reynolds_number_is_dimensionless(flow, diameter, factor):
    # Scale lengths by a: Q by a^3, D by a, density by a^-3, viscosity by a^-1.
    base = reynolds_number(flow, diameter, 998.0, 1e-3)
    scaled = reynolds_number(flow * factor**3, diameter * factor, 998.0 / factor**3, 1e-3 / factor)
    assert scaled == pytest.approx(base)
    assert reynolds_number(-flow, diameter, 998.0, 1e-3) == pytest.approx(base)
