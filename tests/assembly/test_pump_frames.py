"""One frame per pump by hand: who ran, which flow where, what the suction side should be."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from small_plant import GRID, START, a_plant, a_pump, a_tag, measurements, view_of

from pipeline.assembly import STATES, GridView, pump_frames
from pipeline.hydraulics.suction_line import PipeRun, line_loss
from pipeline.plant import (
    Column,
    Driver,
    Fitting,
    FlowMeter,
    Pipe,
    Segment,
    SuctionLine,
    SuctionSource,
    Tap,
)
from pipeline.plant.suction_side import Drawdown

NAN = float("nan")
METRE = 9806.65


def columns_of(*pumps, n=6, **given):
    """Quiet measurements of pumps, but for what is given (``A_Q`` for the tag ``A.Q``)."""
    usual = {"LT": [2.0] * n}
    for pump in pumps:
        usual |= {
            f"{pump}.Q": [0.1] * n,
            f"{pump}.PS": [30e3] * n,
            f"{pump}.PD": [300e3] * n,
            f"{pump}.W": [40e3] * n,
        }
    usual |= {name.replace("_", "."): values for name, values in given.items()}
    return {name: values for name, values in usual.items() if values is not None}


def frame_of(plant, columns, name="P"):
    return pump_frames(plant, view_of(columns))[name]


# ---------------------------------------------------------------- states


def test_state_by_a_running_tag():
    """Only a whole interval counts as running or standing; no value is no knowledge."""
    plant = a_plant(a_pump(running_tag="P.RUN"))
    run = [1.0, 0.0, 0.5, 0.9995, 0.0005, NAN]
    frame = frame_of(plant, columns_of("P", P_RUN=run))
    assert frame["state"].tolist() == [
        "running", "standing", "switching", "running", "standing", "unknown"
    ]  # fmt: skip
    assert set(frame["state"]) <= set(STATES)


def test_state_by_power_takes_both_sides_of_a_change_as_mixed():
    """An average cannot tell when within its interval the pump started."""
    power = [0.0, 0.0, 25e3, 40e3, 40e3, 30e3, 0.0]
    plant = a_plant(a_pump(running_power=1e3))
    frame = frame_of(plant, columns_of("P", n=7, P_W=power))
    assert frame["state"].tolist() == [
        "standing", "standing", "switching", "running", "running", "switching", "standing"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "threshold"),
    [
        ({"running_power": 12e3}, 12e3),
        # A twentieth of the motor's rating, 2 kW of 40; without one, 500 W.
        ({}, 2e3),
        ({"driver": Driver()}, 500.0),
    ],
)
def test_power_above_which_a_pump_counts_as_running(changes, threshold):
    plant = a_plant(a_pump(**changes))
    low, high = threshold - 1.0, threshold + 1.0
    frame = frame_of(plant, columns_of("P", n=4, P_W=[high, high, low, low]))
    assert frame["state"].tolist() == ["running", "switching", "standing", "standing"]


def test_power_that_is_missing_is_no_change():
    plant = a_plant(a_pump(running_power=1e3))
    frame = frame_of(plant, columns_of("P", n=5, P_W=[40e3, 40e3, NAN, 40e3, 40e3]))
    assert frame["state"].tolist() == ["running", "running", "unknown", "running", "running"]


# ---------------------------------------------------------------- flows


def test_a_standing_pump_has_no_flow():
    """A meter's zero offset is no flow; what is missing while running stays missing."""
    run = [1.0, 0.0, 1.0, 1.0]
    flow = [0.1, 0.002, NAN, 0.1]
    plant = a_plant(a_pump(running_tag="P.RUN"))
    frame = frame_of(plant, columns_of("P", n=4, P_RUN=run, P_Q=flow))
    np.testing.assert_array_equal(frame["flow"], [0.1, 0.0, NAN, 0.1])
    assert frame["flow_source"].tolist() == ["measured", "measured", "missing", "measured"]


def shared_plant(**changes):
    """Two pumps behind one meter."""
    pumps = [a_pump(n, flow_tag=None, running_tag=f"{n}.RUN") for n in ("A", "B")]
    meter = FlowMeter(id="M", tag="M.Q", serves=("A", "B"))
    return a_plant(*pumps, meters=[meter], **changes)


def test_one_meter_for_two_pumps():
    """It is a pump's own flow while the other one stands, and the header's at all times."""
    a = [1.0, 1.0, 0.0, 0.0, 1.0]
    b = [0.0, 1.0, 1.0, 0.0, 0.5]
    metered = [0.1, 0.17, 0.09, 0.001, 0.14]
    columns = columns_of("A", "B", n=5, A_Q=None, B_Q=None, A_RUN=a, B_RUN=b, M_Q=metered)
    frames = pump_frames(shared_plant(), view_of(columns))
    np.testing.assert_array_equal(frames["A"]["flow"], [0.1, NAN, 0.0, 0.0, NAN])
    np.testing.assert_array_equal(frames["B"]["flow"], [0.0, NAN, 0.09, 0.0, NAN])
    assert frames["A"]["flow_source"].tolist() == [
        "measured", "shared", "shared", "measured", "shared"
    ]  # fmt: skip
    np.testing.assert_array_equal(frames["A"]["flow_common"], [0.1, 0.17, 0.09, 0.0, 0.14])


def test_the_meter_that_serves_fewest_pumps_goes_first():
    meters = [
        FlowMeter(id="all", tag="M.Q", serves=("A", "B")),
        FlowMeter(id="own", tag="A.OWN", serves=("A",)),
    ]
    pumps = [a_pump(n, flow_tag=None) for n in ("A", "B")]
    columns = columns_of("A", "B", n=2, A_OWN=[0.06] * 2, M_Q=[0.15] * 2)
    frames = pump_frames(a_plant(*pumps, meters=meters), view_of(columns))
    np.testing.assert_array_equal(frames["A"]["flow"], [0.06, 0.06])
    assert frames["A"]["flow_source"].tolist() == ["measured"] * 2


def header_plant():
    """A, B and C on a header of three pieces; an offtake before C's, a feed into its branch."""
    pumps = [a_pump(n) for n in ("A", "B", "C")]
    header = (
        Segment(id="first", carries=("A", "B", "C")),
        Segment(id="second", carries=("B", "C"), side_streams=(("OFF", 1),)),
        Segment(id="third", carries=("C",), flow_tag="OWN"),
    )
    branches = {n: Segment(id=f"{n} branch", carries=(n,)) for n in ("A", "B", "C")}
    branches["C"] = replace(branches["C"], side_streams=(("OFF", 1), ("IN", -1)))
    line = SuctionLine(id="L", source="S", header=header, branches=branches)
    return a_plant(*pumps, line=line)


def test_header_segments_carry_what_is_downstream_of_them():
    """Side streams count with their sign; a meter in the segment goes before any sum."""
    columns = columns_of("A", "B", "C", n=2, A_Q=[0.1, 0.1], B_Q=[0.2, 0.2], C_Q=[0.4, NAN])
    columns |= {"OFF": [0.03, 0.03], "IN": [0.01, 0.01], "OWN": [0.44, 0.45]}
    frames = pump_frames(header_plant(), view_of(columns))
    c = frames["C"]
    np.testing.assert_allclose(c["flow_first"], [0.7, NAN])
    np.testing.assert_allclose(c["flow_second"], [0.63, NAN])
    np.testing.assert_allclose(c["flow_third"], [0.44, 0.45])
    np.testing.assert_allclose(c["suction_flow"], [0.42, NAN])
    # A pump has no flow in segments it is not downstream of.
    np.testing.assert_array_equal(frames["A"]["flow_second"], [0.0, 0.0])
    np.testing.assert_array_equal(frames["A"]["suction_flow"], frames["A"]["flow"])
    assert [x for x in c.columns if x.startswith("flow_")] == [
        "flow_source", "flow_first", "flow_second", "flow_third"
    ]  # fmt: skip


# ---------------------------------------------------------------- pressures


def test_static_pressure_at_the_gauge_and_velocity_pressure_at_the_tap():
    """Level zero 3 m + 2 m; gauge at 1 m + 0.6 m on a filled line, at the tap on an empty one.

    0.1 m3/s in 300 mm: 1.4147 m/s, 1000.7 Pa by hand.
    """
    tap = Tap(elevation=0.2, diameter=0.3, gauge_elevation=0.6)
    for sensing_line, height in (("filled", 0.6), ("empty", 0.2)):
        pump = a_pump(suction_tap=replace(tap, sensing_line=sensing_line))
        frame = frame_of(a_plant(pump), columns_of("P"))
        expected = (3.0 + 2.0 - 1.0 - height) * METRE
        assert frame["static_pressure"].to_numpy() == pytest.approx(expected)
        assert frame["velocity_pressure"].to_numpy() == pytest.approx(1000.7, abs=0.1)
        assert (frame["static_reason"] == "").all()


def test_velocity_pressure_is_that_of_the_branch():
    """0.42 m3/s pass C's tap, not the 0.4 m3/s of its pump: 5.9418 m/s, 17 652 Pa by hand."""
    columns = columns_of("A", "B", "C", n=1, A_Q=[0.1], B_Q=[0.2], C_Q=[0.4])
    columns |= {"OFF": [0.03], "IN": [0.01], "OWN": [0.44]}
    frame = frame_of(header_plant(), columns, "C")
    assert frame["velocity_pressure"][0] == pytest.approx(17652.0, abs=2.0)


def test_uncertainty_of_static_pressure_in_two_parts():
    """2 cm of level and 3 cm of datum; 4 mm from sample to sample."""
    source = SuctionSource(
        id="S", kind="open_tank", level_tag="LT", level_zero_elevation=3.0, level_zero_u=0.03
    )
    level = a_tag("LT", "level", systematic_absolute=0.02, random_absolute=0.004)
    frame = frame_of(a_plant(a_pump(), source=source, tags=[level]), columns_of("P"))
    systematic = frame["static_pressure_u_systematic"].to_numpy()
    assert systematic == pytest.approx(np.hypot(0.02, 0.03) * METRE)
    assert frame["static_pressure_u_random"].to_numpy() == pytest.approx(0.004 * METRE)


# ---------------------------------------------------------------- steadiness


def test_a_neighbour_that_switches_disturbs_the_line():
    run = [0.0, 0.0, 0.4, 1.0, 1.0, 1.0]
    plant = a_plant(a_pump("A", running_tag="A.RUN"), a_pump("B", running_tag="B.RUN"))
    columns = columns_of("A", "B", A_RUN=[1.0] * 6, B_RUN=run)
    frames = pump_frames(plant, view_of(columns))
    assert frames["A"]["is_steady"].tolist() == [True, True, False, True, True, True]
    assert frames["B"]["is_steady"].tolist() == [False, False, False, True, True, True]


@pytest.mark.parametrize(
    ("tag", "values"),
    [
        ("P_Q", [0.1, 0.1, 0.1, 0.12, 0.12, 0.12]),
        ("P_W", [40e3, 40e3, 40e3, 36e3, 36e3, 36e3]),
        # The rise over static head counts: 300 - 37.3 kPa, then a tenth less.
        ("P_PD", [300e3, 300e3, 300e3, 270e3, 270e3, 270e3]),
    ],
)
def test_both_sides_of_a_jump_are_unsteady(tag, values):
    """More than a twentieth against a running neighbour."""
    frame = frame_of(a_plant(a_pump()), columns_of("P", **{tag: values}))
    assert frame["is_steady"].tolist() == [True, True, False, False, True, True]


def test_a_level_that_moves_is_no_jump_of_the_pump():
    """Suction and discharge follow the level together: the rise stays."""
    level = np.array([2.0, 2.0, 4.5, 4.5, 4.5, 4.5])
    discharge = 300e3 + METRE * (level - 2.0)
    frame = frame_of(a_plant(a_pump()), columns_of("P", LT=level, P_PD=discharge))
    assert frame["is_steady"].all()


# ---------------------------------------------------------------- eras


def test_each_era_has_its_own_tags_and_heights():
    """A new gauge half way: each part is read as it was then."""
    columns = columns_of("P") | {"P.NEW": [33e3] * 6}
    middle = START + pd.Timedelta(seconds=3 * GRID)
    table = measurements(columns)
    before = a_plant(a_pump(), end=middle)
    tap = Tap(elevation=0.2, diameter=0.3, gauge_elevation=1.2)
    after = a_plant(a_pump(suction_pressure_tag="P.NEW", suction_tap=tap), start=middle)
    end = START + pd.Timedelta(seconds=6 * GRID)
    first = pump_frames(before, GridView(table, START, middle, GRID))["P"]
    second = pump_frames(after, GridView(table, middle, end, GRID))["P"]
    assert (len(first), len(second)) == (3, 3)
    assert second["time"].iloc[0] - first["time"].iloc[-1] == pd.Timedelta(seconds=GRID)
    assert (first["suction_reading"] == 30e3).all()
    assert (second["suction_reading"] == 33e3).all()
    fall = first["static_pressure"].iloc[0] - second["static_pressure"].iloc[0]
    assert fall == pytest.approx(1.0 * METRE)


def test_inputs_are_not_changed():
    view = view_of(columns_of("P", P_RUN=[1.0, 0.0, 0.5, 1.0, 1.0, 1.0]))
    kept = {t: view.value(t).copy() for t in ("LT", "P.Q", "P.PS", "P.W", "P.RUN")}
    pump_frames(a_plant(a_pump(running_tag="P.RUN")), view)
    for tag, values in kept.items():
        np.testing.assert_array_equal(view.value(tag), values)


# ---------------------------------------------------------------- wells


def test_a_well_is_drawn_down_by_all_that_draw_from_it():
    """Two lines, three pumps: 0.1 + 0.2 + 0.3 m3/s and B = 10 s/m2 are 6 m."""
    source = SuctionSource(
        id="S",
        kind="well",
        static_level=30.0,
        drawdown=Drawdown(aquifer_loss=10.0, aquifer_loss_u=1.0, settling_time=GRID),
    )
    pumps = [a_pump("A"), a_pump("B"), a_pump("C", suction_line="M")]
    header = (Segment(id="common", carries=("A", "B")),)
    lines = {
        "L": SuctionLine(
            id="L",
            source="S",
            header=header,
            branches={n: Segment(id=n, carries=(n,)) for n in ("A", "B")},
        ),
        "M": SuctionLine(id="M", source="S", branches={"C": Segment(id="C", carries=("C",))}),
    }
    tags = [a_tag(f"{n}.Q", "flow", systematic_relative=0.01) for n in ("A", "B", "C")]
    plant = a_plant(*pumps, source=source, tags=tags, lines=lines)
    columns = columns_of("A", "B", "C", A_Q=[0.1] * 6, B_Q=[0.2] * 6, C_Q=[0.3] * 6)
    frames = pump_frames(plant, view_of(columns))
    for frame in frames.values():
        assert frame["static_reason"].tolist() == ["well_settling", *[""] * 5]
        assert frame["static_pressure"].to_numpy()[1:] == pytest.approx((30 - 6 - 1.2) * METRE)
        assert frame["is_steady"].tolist() == [False, *[True] * 5]
    # 1 s/m2 on 0.6 m3/s, and B times 1 % of 0.3 m3/s from each of two independent meters.
    by_hand = np.sqrt(0.6**2 + (10.0 * 0.003) ** 2 + (10.0 * 0.003) ** 2) * METRE
    found = frames["A"]["static_pressure_u_systematic"].iloc[-1]
    assert found == pytest.approx(by_hand)


# ---------------------------------------------------------------- strainers and columns


def strainer_plant(position, running=None):
    """A strainer in the header and one in the branch."""
    line = SuctionLine(
        id="L",
        source="S",
        header=(Segment(id="common", carries=("P",), strainer_tag="DH"),),
        branches={"P": Segment(id="P branch", carries=("P",), strainer_tag="DB")},
    )
    tap = Tap(elevation=0.2, diameter=0.3, position=position)
    tags = [
        a_tag("DH", "pressure_loss", systematic_absolute=300.0, random_absolute=20.0),
        a_tag("DB", "pressure_loss", systematic_absolute=400.0, random_absolute=30.0),
    ]
    return a_plant(a_pump(suction_tap=tap, running_tag=running), line=line, tags=tags)


LOSSES = {"DH": [3e3] * 4, "DB": [5e3, 5e3, 5e3, NAN]}


def test_strainers_before_the_tap():
    """Both lie between source and tap: their losses add, their uncertainties in squares."""
    frame = frame_of(strainer_plant("after_strainer"), columns_of("P", n=4) | LOSSES)
    np.testing.assert_array_equal(frame["strainer_loss"], [8e3, 8e3, 8e3, NAN])
    np.testing.assert_array_equal(frame["tap_loss"], [0.0] * 4)
    assert frame["strainer_loss_u_systematic"][0] == pytest.approx(500.0)
    assert frame["strainer_loss_u_random"][0] == pytest.approx(np.hypot(20.0, 30.0))


def test_a_strainer_between_tap_and_pump():
    """The one in the header is always before the tap."""
    frame = frame_of(strainer_plant("before_strainer"), columns_of("P", n=4) | LOSSES)
    np.testing.assert_array_equal(frame["strainer_loss"], [3e3] * 4)
    np.testing.assert_array_equal(frame["tap_loss"], [5e3, 5e3, 5e3, NAN])
    assert frame["tap_loss_u_systematic"][0] == pytest.approx(400.0)
    # Static pressure is that of the source, whatever is lost on the way.
    assert frame["static_pressure"].to_numpy() == pytest.approx((3 + 2 - 1.2) * METRE)


def test_nothing_is_lost_at_rest():
    """The transmitter's zero offset must not pass for a loss when gauges are checked."""
    run = [1.0, 0.0, 0.0, 0.0]
    columns = columns_of("P", n=4, P_RUN=run) | LOSSES
    frame = frame_of(strainer_plant("after_strainer", "P.RUN"), columns)
    np.testing.assert_array_equal(frame["strainer_loss"], [8e3, 0.0, 0.0, 0.0])
    assert frame["strainer_loss_u_systematic"].tolist()[1:] == [0.0] * 3


def test_a_plant_without_strainer_or_column_loses_nothing_there():
    frame = frame_of(a_plant(a_pump()), columns_of("P"))
    assert (frame[["strainer_loss", "tap_loss", "column_loss", "column_loss_u"]] == 0.0).all(
        axis=None
    )


def test_column_by_its_loss_at_one_flow():
    """0.8 m at 0.05 m3/s is 3.2 m at 0.1 m3/s, and a quarter of it uncertain."""
    column = Column(loss=0.8, at_flow=0.05, loss_u=0.2)
    flow = [0.1, 0.05, 0.0, NAN]
    frame = frame_of(a_plant(a_pump(column=column)), columns_of("P", n=4, P_Q=flow))
    np.testing.assert_allclose(frame["column_loss"], [3.2, 0.8, 0.0, NAN])
    np.testing.assert_allclose(frame["column_loss_u"], [0.8, 0.2, 0.0, NAN])


def test_column_as_drawn():
    """Fittings alone: 3 velocity heads of 2.546 m/s are 0.992 m by hand; pipe by Colebrook."""
    pipe = Pipe(diameter=0.2236, length=0.0)
    fittings = (Fitting(name="bend", k=1.0, count=2), Fitting(name="discharge head", k=1.0))
    column = Column(pipe=pipe, fittings=fittings, drawing_u=0.3)
    frame = frame_of(a_plant(a_pump(column=column)), columns_of("P"))
    assert frame["column_loss"][0] == pytest.approx(0.992, abs=0.002)
    assert frame["column_loss_u"][0] == pytest.approx(0.3 * 0.992, abs=0.001)
    long = replace(column, pipe=replace(pipe, length=12.0), fittings=())
    frame = frame_of(a_plant(a_pump(column=long)), columns_of("P"))
    run = PipeRun(0.2236, 12.0, pipe.roughness)
    friction = float(line_loss(0.1, [run], 1000.0, 1.1e-3)) / METRE
    assert frame["column_loss"][0] == pytest.approx(friction)
    # Swamee and Jain by hand: Re 5.18e5, e/D 2.01e-4, f 0.01548: 0.2747 m.
    assert friction == pytest.approx(0.2747, rel=0.01)
