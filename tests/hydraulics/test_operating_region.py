"""Operating region against the best efficiency point."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RangeError
from pipeline.hydraulics.operating_region import (
    PREFERRED_REGION,
    PREFERRED_REGION_HIGH_SPECIFIC_SPEED,
    REGIONS,
    OperatingRegion,
    classify_region,
    flow_over_bep,
    specific_speed,
    time_by_region,
)


def test_preferred_region_as_quoted():
    # ANSI/HI 9.6.3-2012 as quoted in a trade journal: 70 to 120 % of BEP flow for most pumps,
    # 80 to 120 % above a US specific speed of 4500.
    assert (PREFERRED_REGION.preferred_low, PREFERRED_REGION.preferred_high) == (0.70, 1.20)
    high = PREFERRED_REGION_HIGH_SPECIFIC_SPEED
    assert (high.preferred_low, high.preferred_high) == (0.80, 1.20)
    assert classify_region(0.75, PREFERRED_REGION) == "preferred"
    assert classify_region(0.75, high) == "below_preferred"


def test_regions_of_a_pump_with_an_allowable_region():
    region = OperatingRegion(0.7, 1.2, 0.4, 1.35, "data sheet")
    names = classify_region([0.3, 0.4, 0.7, 1.0, 1.2, 1.3, 1.4, np.nan], region)
    assert names.tolist() == [
        "below_allowable", "below_preferred", "preferred", "preferred", "preferred",
        "above_preferred", "above_allowable", "unknown",
    ]  # fmt: skip
    assert classify_region(np.nan) == "unknown"


@pytest.mark.parametrize("limits", [(1.2, 0.7), (0.7, 1.2, 0.8, 1.3), (0.7, 1.2, 0.1, 1.1)])
def test_limits_out_of_order_are_refused(limits):
    with pytest.raises(RangeError, match="in rising order"):
        OperatingRegion(*limits)


def test_time_in_each_region():
    times = time_by_region(["preferred", "unknown", "preferred"], [60.0, 30.0, 10.0])
    assert set(times) == set(REGIONS)
    assert times["preferred"] == 70.0
    assert times["unknown"] == 30.0
    assert times["above_preferred"] == 0.0


def test_specific_speed_in_us_units():
    # Hydraulic Institute convention: N sqrt(Q)/H^0.75 in rpm, gpm, ft = 2733 times the
    # dimensionless one (common practice, factor from memory).
    us = 1780 * np.sqrt(1500) / 150**0.75
    ours = specific_speed(1780 / 60, 1500 * 6.30901964e-5, 150 * 0.3048)
    assert us / ours == pytest.approx(2733, rel=2e-4)


@given(st.floats(0.1, 100.0), st.floats(0.01, 5.0), st.floats(1.0, 500.0), st.floats(0.5, 2.0))
def test_specific_speed_has_no_unit_and_follows_affinity(speed, flow, head, factor):
    base = specific_speed(speed, flow, head)
    # Lengths by a at the same speed: flow by a^3, head by a^2.
    assert specific_speed(speed, flow * factor**3, head * factor**2) == pytest.approx(base)
    # The affinity laws keep it.
    assert specific_speed(speed * factor, flow * factor, head * factor**2) == pytest.approx(base)


@given(st.floats(0.0, 5.0), st.floats(0.01, 5.0), st.floats(0.5, 1.2))
def test_part_of_bep_is_a_ratio(flow, best, ratio):
    assert flow_over_bep(flow, best, ratio) * best * ratio == pytest.approx(flow)
    assert np.isnan(flow_over_bep(flow, 0.0))


@given(st.lists(st.floats(0.0, 3.0), min_size=2, max_size=20))
def test_regions_never_go_back_as_flow_rises(parts):
    names = classify_region(sorted(parts), OperatingRegion(0.7, 1.2, 0.4, 1.35))
    order = [REGIONS.index(n) for n in names]
    assert order == sorted(order)
