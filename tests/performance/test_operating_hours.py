"""Hours by region and NPSH margin, by hand."""

import numpy as np
import pandas as pd

from pipeline.performance.operating_hours import operating_hours, required_npsh
from pipeline.plant import CurvePoint, FlowRegion

CURVE = (
    CurvePoint(flow=0.05, head=40.0, npsh=2.0),
    CurvePoint(flow=0.08, head=36.0),
    CurvePoint(flow=0.10, head=32.0, npsh=4.0),
)


def rows(flow, npsh=10.0, speed=1.0):
    return pd.DataFrame({"flow": flow, "speed_ratio": speed, "npsh_available": npsh})


def test_each_interval_lies_in_one_region():
    """Best flow 0.1 m3/s: 40, 60, 100, 115 and 130 % of it, and one flow not known."""
    points = rows([0.04, 0.06, 0.10, 0.115, 0.13, np.nan])
    region = FlowRegion(
        allowable_low=0.5, preferred_low=0.7, preferred_high=1.1, allowable_high=1.2
    )
    found = operating_hours(points, 3600.0, np.full(6, 0.1), region, ())
    assert found.by_region == dict.fromkeys(
        (
            "below_allowable",
            "below_preferred",
            "preferred",
            "above_preferred",
            "above_allowable",
            "unknown",
        ),
        3600.0,
    )


def test_best_flow_follows_the_speed():
    """At half speed the best flow is half: 0.05 m3/s is then in the middle, not at 50 %."""
    found = operating_hours(rows([0.05], speed=0.5), 60.0, np.array([0.1]), FlowRegion(), ())
    assert found.by_region["preferred"] == 60.0


def test_margin_is_told_within_the_makers_curve_only():
    """At 0.05 m3/s 2 m are asked for: 3.5 m or 110 % must be there (the larger)."""
    points = rows([0.05, 0.05, 0.05, 0.2], npsh=[3.4, 3.6, np.nan, 1.0])
    found = operating_hours(points, 300.0, np.full(4, np.nan), FlowRegion(), CURVE)
    assert (found.below_npsh_margin, found.npsh_assessed) == (300.0, 600.0)
    assert found.by_region["unknown"] == 1200.0


def test_without_a_curve_no_margin_is_told():
    found = operating_hours(rows([0.05]), 300.0, np.array([0.05]), FlowRegion(), CURVE[:2])
    assert np.isnan(found.below_npsh_margin)
    assert found.npsh_assessed == 0.0
    assert np.isnan(required_npsh(np.array([0.05]), np.array([1.0]), ())).all()
    assert required_npsh(np.array([0.05]), np.array([1.0]), CURVE).tolist() == [2.0]
