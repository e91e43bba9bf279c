"""Water and declared liquids against the IAPWS releases."""

import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS97
from scipy.optimize import brentq

from pipeline.errors import RangeError
from pipeline.hydraulics.water import (
    DeclaredLiquid,
    Liquid,
    Water,
    density_from_specific_gravity,
    water_density,
    water_saturation_temperature,
    water_vapour_pressure,
    water_viscosity,
)

REFERENCE = Path(__file__).parents[1] / "reference"
liquid_temperatures = st.floats(273.15, 370.0)


def iapws95():
    return np.genfromtxt(
        REFERENCE / "iapws95_water_101325Pa.csv", delimiter=",", names=True, comments="#",
        skip_header=3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("temperature", "pressure", "specific_volume"),
    [(300.0, 3e6, 0.100215168e-2), (500.0, 3e6, 0.120241800e-2)],
)
def test_density_matches_the_if97_verification_table(temperature, pressure, specific_volume):
    # IAPWS R7-97(2012), Table 5.
    assert water_density(temperature, pressure) == pytest.approx(1 / specific_volume, rel=5e-7)


@pytest.mark.parametrize(("temperature", "expected"), [(300.0, 3536.58941), (500.0, 2638897.76)])
def test_vapour_pressure_matches_the_if97_verification_table(temperature, expected):
    # IAPWS R7-97(2012), Table 35.
    assert water_vapour_pressure(temperature) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("pressure", "expected"), [(0.1e6, 372.755919), (1e6, 453.035632)])
def test_saturation_temperature_matches_the_if97_verification_table(pressure, expected):
    # IAPWS R7-97(2012), Table 36; that of the backward equation, which agrees to 1e-6.
    assert water_saturation_temperature(pressure) == pytest.approx(expected, rel=2e-8)


@given(st.floats(273.16, 523.0))
def test_saturation_temperature_is_the_vapour_pressure_read_backwards(temperature):
    pressure = water_vapour_pressure(temperature)
    assert water_saturation_temperature(pressure) == pytest.approx(temperature, abs=1e-6)


def test_saturation_temperature_outside_its_range():
    with pytest.raises(RangeError, match="absolute pressure on boiling water: found 500 Pa"):
        water_saturation_temperature(500.0)
    found = water_saturation_temperature([500.0, np.nan, 1e5, 5e6], out_of_range="nan")
    assert np.isnan(found).tolist() == [True, True, False, True]


def test_viscosity_matches_the_2008_release():
    # IAPWS R12-08, Table 4: 889.735100 uPa s at 298.15 K and 998 kg/m3. The pressure that
    # gives this density is found first.
    pressure = brentq(lambda p: float(water_density(298.15, p)) - 998.0, 1e5, 2e7)
    assert water_viscosity(298.15, pressure) * 1e6 == pytest.approx(889.735100, rel=3e-6)


def test_values_printed_for_35_degrees():
    # CoolProp issue sheet on IF97 at 308.15 K: Psat 5629.0161 Pa, density 994.0385 kg/m3. The
    # first is IAPWS-95's, from which IF97 differs by up to 0.7 Pa here.
    assert water_vapour_pressure(308.15) == pytest.approx(5629.0161, abs=0.7)
    assert water_density(308.15) == pytest.approx(994.0385, abs=5e-4)


def test_liquid_at_0_1_mpa_matches_the_supplementary_release():
    # IAPWS SR6-08 at 0.1 MPa and 298.15 K: 997.0470134 kg/m3, 889.99677 uPa s.
    assert water_density(298.15, 1e5) == pytest.approx(997.0470134, abs=1e-3)
    assert water_viscosity(298.15, 1e5) * 1e6 == pytest.approx(889.99677, rel=1e-4)


def test_agreement_with_iapws_95_from_5_to_80_degrees():
    # A different formulation. The two differ by up to 0.015 kg/m3 and 0.7 Pa themselves.
    table = iapws95()
    kelvin = table["t_C"] + 273.15
    assert len(kelvin) == 16
    np.testing.assert_allclose(water_density(kelvin), table["rho_iapws95_kg_m3"], atol=0.016)
    np.testing.assert_allclose(water_vapour_pressure(kelvin), table["pvap_iapws95_Pa"], atol=0.7)
    # R12-08 is the same on both sides, but at densities 1.6e-5 apart; at 80 degrees C
    # viscosity goes with their power 1.65.
    np.testing.assert_allclose(water_viscosity(kelvin) * 1e6, table["mu_uPa_s"], rtol=3e-5)


@pytest.mark.parametrize(
    ("bar", "expected"),
    [(1, 998.2065), (5, 998.3897), (10, 998.6184), (20, 999.0752), (50, 1000.4396)],
)
def test_density_against_pressure_at_20_degrees(bar, expected):
    # IAPWS-95 by the iapws and CoolProp libraries.
    assert water_density(293.15, bar * 1e5) == pytest.approx(expected, abs=0.005)


def test_table_agrees_with_the_library_between_its_nodes():
    generator = np.random.default_rng(20)
    temperature = generator.uniform(273.15, 523.15, 200)
    worst = {"density": 0.0, "viscosity": 0.0, "vapour_pressure": 0.0}
    for t in temperature:
        saturation = IAPWS97(T=float(t), x=0.0).P
        p = saturation * 1.0001 + (40.0 - saturation * 1.0001) * generator.uniform() ** 3
        state = IAPWS97(T=float(t), P=float(p))
        for name, ours, theirs in (
            ("density", water_density(t, p * 1e6), state.rho),
            ("viscosity", water_viscosity(t, p * 1e6), state.mu),
            ("vapour_pressure", water_vapour_pressure(t), saturation * 1e6),
        ):
            worst[name] = max(worst[name], abs(float(ours) / theirs - 1.0))
    # The errors that the module's docstring states.
    assert worst["density"] < 5e-7
    assert worst["viscosity"] < 1e-5
    assert worst["vapour_pressure"] < 1e-8


def test_a_hundred_thousand_points_take_well_under_a_second():
    temperature = np.linspace(275.0, 360.0, 100_000)
    water_density(300.0)
    start = time.perf_counter()
    water_density(temperature)
    water_viscosity(temperature)
    water_vapour_pressure(temperature)
    assert time.perf_counter() - start < 1.0


@given(liquid_temperatures, liquid_temperatures)
def test_warmer_water_boils_at_higher_pressure_and_is_thinner(a, b):
    low, high = sorted((a, b))
    if high - low > 1e-6:
        assert water_vapour_pressure(low) < water_vapour_pressure(high)
        assert water_viscosity(low) > water_viscosity(high)


@given(st.floats(278.0, 370.0), st.floats(278.0, 370.0))
def test_water_is_lighter_when_warmer_above_its_density_maximum(a, b):
    low, high = sorted((a, b))
    if high - low > 1e-3:
        assert water_density(low) > water_density(high)


def test_density_is_greatest_near_4_degrees():
    # Handbook fact: 3.98 degrees C at atmospheric pressure.
    celsius = np.linspace(0.1, 10.0, 991)
    assert celsius[np.argmax(water_density(celsius + 273.15))] == pytest.approx(3.98, abs=0.05)


@given(liquid_temperatures, st.floats(2e5, 3.9e7), st.floats(1e3, 1e6))
def test_pressure_makes_water_denser(temperature, pressure, rise):
    assert water_density(temperature, pressure + rise) > water_density(temperature, pressure)


@pytest.mark.parametrize("function", [water_density, water_vapour_pressure, water_viscosity])
def test_nan_in_nan_out_and_shape_kept(function):
    out = function(np.array([[293.15, np.nan], [np.nan, 300.0]]))
    assert out.shape == (2, 2)
    np.testing.assert_array_equal(np.isnan(out), [[False, True], [True, False]])
    assert np.isnan(function(np.nan))


@pytest.mark.parametrize("function", [water_density, water_vapour_pressure, water_viscosity])
def test_out_of_range_temperature_names_the_range(function):
    with pytest.raises(RangeError, match=r"found 1 of 1 values|found 20 K.*273.15 to 523.15 K"):
        function(20.0)
    with pytest.raises(RangeError, match="found 2 of 3 values, the first 20 K"):
        function([300.0, 20.0, 900.0])
    np.testing.assert_array_equal(
        np.isnan(function([300.0, 20.0], out_of_range="nan")), [False, True]
    )


def test_water_above_its_boiling_point_is_refused():
    # 120 degrees C at atmospheric pressure is steam.
    with pytest.raises(RangeError, match="below which water boils"):
        water_density(393.15)
    with pytest.raises(RangeError, match="below which water boils"):
        water_density([300.0, 393.15])
    assert np.isnan(water_density(393.15, out_of_range="nan"))
    assert water_density(393.15, 3e5) == pytest.approx(943.1, abs=0.5)  # steam tables, memory


def test_noise_about_saturation_is_taken_as_saturated_liquid():
    # A deaerator at 378.15 K reads a little low.
    saturation = float(water_vapour_pressure(378.15))
    at_line = water_density(378.15, saturation)
    assert water_density(378.15, 0.985 * saturation) == pytest.approx(float(at_line), rel=1e-9)
    with pytest.raises(RangeError, match="boils"):
        water_density(378.15, 0.975 * saturation)


def test_pressure_out_of_range_names_the_range():
    with pytest.raises(RangeError, match=r"found 8e\+07 Pa; expected 0 to 4e\+07 Pa"):
        water_density(300.0, 8e7)


def test_inputs_are_not_changed():
    temperature = np.array([20.0, 300.0])
    water_density(temperature, out_of_range="nan")
    np.testing.assert_array_equal(temperature, [20.0, 300.0])


def test_water_and_declared_liquid_answer_alike():
    acid = DeclaredLiquid((293.15,), (1840.0,))
    assert isinstance(Water(), Liquid)
    assert isinstance(acid, Liquid)
    assert Water().density(293.15) == water_density(293.15)
    assert Water().viscosity(293.15) == water_viscosity(293.15)
    assert Water().vapour_pressure(293.15) == water_vapour_pressure(293.15)
    assert np.isnan(Water(out_of_range="nan").density(20.0))


def test_declared_liquid_reads_between_its_points():
    # Two points of water itself (IAPWS-95 table): halfway the straight lines must be near.
    liquid = DeclaredLiquid(
        (293.15, 313.15), (998.2072, 992.2164), (2339.318, 7384.938), (1.001596e-3, 0.652729e-3)
    )
    assert liquid.density(303.15) == pytest.approx(995.6495, abs=0.5)
    assert liquid.vapour_pressure(303.15) == pytest.approx(4246.971, rel=0.003)
    assert liquid.viscosity(303.15) == pytest.approx(0.797222e-3, rel=0.02)
    assert liquid.density(293.15) == pytest.approx(998.2072)
    assert liquid.vapour_pressure(313.15) == pytest.approx(7384.938)


def test_declared_liquid_with_one_point_is_constant_and_keeps_nan():
    liquid = DeclaredLiquid((293.15,), (750.0,))
    np.testing.assert_array_equal(liquid.density([280.0, np.nan, 350.0]), [750.0, np.nan, 750.0])
    assert np.isnan(liquid.vapour_pressure(300.0))
    assert np.isnan(liquid.viscosity(300.0))


def test_declared_liquid_refuses_what_it_cannot_know():
    liquid = DeclaredLiquid((293.15, 313.15), (998.0, 992.0), source="data sheet 12")
    with pytest.raises(RangeError, match=r"data sheet 12.*293.15 to 313.15 K"):
        liquid.density(330.0)
    with pytest.raises(RangeError, match="one or more, rising"):
        DeclaredLiquid((300.0, 290.0), (990.0, 998.0))
    with pytest.raises(RangeError, match="densities: found 1 values; expected 2"):
        DeclaredLiquid((290.0, 300.0), (998.0,))
    with pytest.raises(RangeError, match="values above zero"):
        DeclaredLiquid((290.0,), (-998.0,))
    with pytest.raises(RangeError, match="viscosities: found 1 values; expected 2"):
        DeclaredLiquid((290.0, 300.0), (998.0, 990.0), viscosities=(1e-3,))


@given(st.floats(0.3, 3.0), st.floats(0.5, 2.0))
def test_density_is_proportional_to_specific_gravity(gravity, factor):
    assert density_from_specific_gravity(gravity * factor) == pytest.approx(
        factor * float(density_from_specific_gravity(gravity))
    )


def test_specific_gravity_of_water_at_60_fahrenheit_is_one():
    # 15.56 degrees C: the trade's reference.
    assert density_from_specific_gravity(1.0) == pytest.approx(
        float(water_density(288.7056)), rel=1e-4
    )
