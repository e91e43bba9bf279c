"""Gauge or level: which of the two is wrong, and how wide the other is then stated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import doubt_of_level, level_or_gauge

START = pd.Timestamp("2025-05-01T00:00Z")
END = START + pd.Timedelta(days=10)


def finding(pump: str, kind: str, **more: object) -> pd.DataFrame:
    row = {
        "pump": pump, "start": START, "end": END, "check": kind, "verdict": "fault",
        "magnitude": 4000.0, "magnitude_u": 300.0, "evidence": "It reads high.",
    }  # fmt: skip
    return pd.DataFrame([{**row, **more}])


def resting(pump: str, hours: int, *, state: str = "stopped") -> pd.DataFrame:
    time = START + pd.to_timedelta(np.arange(hours), unit="h")
    return pd.DataFrame(
        {
            "pump": pump, "time": time, "state": state, "steady": True, "spot": False,
            "reading": 30e3,
        }
    )  # fmt: skip


def test_another_gauge_at_rest_that_agrees_lays_it_to_this_one():
    told = level_or_gauge(finding("P1", "offset"), resting("P2", 24))
    assert told["verdict"].tolist() == ["fault"]
    assert "gauge of P2 agrees" in told["evidence"][0]


@pytest.mark.parametrize(
    "hours",
    [
        resting("P2", 23),
        resting("P2", 48, state="running"),
        resting("P2", 48).assign(steady=False),
        resting("P2", 48).assign(spot=True),
        resting("P2", 48).assign(reading=np.nan),
        resting("P1", 48),
        resting("P2", 48).assign(time=lambda rows: rows["time"] + pd.Timedelta(days=11)),
    ],
    ids=["too short", "running", "unsteady", "survey", "no reading", "its own", "later"],
)
def test_what_is_no_witness(hours):
    told = level_or_gauge(finding("P1", "level_of_other_tank"), hours)
    assert told["verdict"].tolist() == ["suspect"]
    assert "No other gauge settles" in told["evidence"][0]


def test_a_gauge_with_a_finding_of_its_own_is_no_witness():
    both = pd.concat([finding("P1", "offset"), finding("P2", "noisy")], ignore_index=True)
    told = level_or_gauge(both, resting("P2", 48))
    assert told["verdict"].tolist() == ["suspect", "fault"]
    assert told["evidence"][1] == "It reads high."


def test_no_other_gauge_can_show_the_elevation_of_a_tap():
    told = level_or_gauge(finding("P1", "elevation_sign"), resting("P2", 48))
    assert told["verdict"].tolist() == ["suspect"]


def test_two_gauges_off_alike_point_at_the_level():
    """An elevation entered with the wrong sign is one pump's own; two alike are the level's."""
    both = pd.concat(
        [finding("P1", "offset"), finding("P2", "elevation_sign", magnitude=4500.0)],
        ignore_index=True,
    )
    told = level_or_gauge(both, resting("P1", 48))
    assert told["check"].tolist() == ["offset", "offset"]
    assert told["verdict"].tolist() == ["suspect", "suspect"]
    assert told["evidence"].str.contains("off alike").all()
    # 4 and 7 kPa are not alike with 0.3 kPa each: three of the root sum are 1.3 kPa.
    apart = both.assign(magnitude=[4000.0, 7000.0])
    told = level_or_gauge(apart, resting("P1", 48))
    assert told["check"].tolist() == ["offset", "elevation_sign"]
    assert not told["evidence"].str.contains("off alike").any()


def test_findings_are_not_changed_in_place():
    given = finding("P1", "offset")
    kept = given.copy()
    level_or_gauge(given, resting("P2", 1))
    pd.testing.assert_frame_equal(given, kept)


TIMES = pd.date_range(START - pd.Timedelta(days=1), periods=12, freq="1D")


def doubt(check: str, pump: str, **more: object):
    told = finding("P1", check, verdict="suspect", **more).assign(gauge="suction")
    return doubt_of_level(told, pump, ["P1", "P2"], TIMES)


def test_one_of_two_candidates_a_distance_apart():
    """Wrong by D or by nothing, as likely: rms D / sqrt 2, by hand 4000 / 1.41421 = 2828.43."""
    u, named = doubt("offset", "P1", magnitude=-4000.0)
    assert u.tolist() == [0.0, *[pytest.approx(2828.43, abs=0.005)] * 10, 0.0]
    assert named.tolist() == ["", *["offset"] * 10, ""]


def test_a_level_is_shared_by_the_line_and_an_offset_is_the_pumps_own():
    assert doubt("level_of_other_tank", "P2")[0].max() > 2000.0
    assert doubt("offset", "P2")[0].max() == 0.0
    assert doubt("level_of_other_tank", "P3")[0].max() > 0.0


@pytest.mark.parametrize("change", [{"verdict": "fault"}, {"check": "stuck"}])
def test_what_is_laid_to_the_gauge_leaves_the_level_alone(change):
    told = finding("P1", "offset", **{"verdict": "suspect", **change}).assign(gauge="suction")
    u, named = doubt_of_level(told, "P1", ["P1"], TIMES)
    assert u.max() == 0.0
    assert set(named) == {""}


def test_of_two_doubts_the_wider_holds():
    """The whole rms of a distance that wanders about."""
    told = pd.concat(
        [
            finding("P1", "offset", verdict="suspect", magnitude=1000.0),
            finding("P1", "level_of_other_tank", verdict="suspect", magnitude=9000.0),
        ]
    ).assign(gauge="suction")
    u, _ = doubt_of_level(told, "P1", ["P1"], TIMES)
    assert u.max() == 9000.0
