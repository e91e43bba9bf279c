"""What an open fact costs, by hand; which facts count where; and the sheet to take along.

Half-widths taken as rectangular are divided by sqrt(3) (JCGM 100:2008, 4.3.7). The limits
themselves are common practice without a source.
"""

import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.hydraulics import head as heads
from pipeline.performance.site_survey import (
    TypicalPoint,
    facts_frame,
    nominal_point,
    open_uncertainty,
    survey_facts,
    survey_sheet,
)
from pipeline.plant import (
    Accuracy,
    CurvePoint,
    Driver,
    Fitting,
    FlowMeter,
    Liquid,
    Pipe,
    Pump,
    Segment,
    Snapshot,
    Station,
    SuctionLine,
    SuctionSource,
    Tag,
    Tap,
    Tariff,
)

ROOT3 = math.sqrt(3.0)
G = 9.80665
RHO = 1000.0
SURE = Accuracy(systematic_absolute=1.0)
USUAL_FLOW = Accuracy(systematic_relative=0.02 / ROOT3, assumed=True)

PLACED = Tap(
    elevation=0.2, diameter=0.3, gauge_elevation=0.2, elevation_u=0.01, position="at_flange"
)
BARE = Tap(elevation=0.2, diameter=0.3, unstated=("gauge_elevation", "sensing_line"))
STATED_DRIVER = Driver(rated_power=60e3, rated_efficiency=0.93, unstated=())


def tag(name, quantity, accuracy=SURE):
    return Tag(name=name, quantity=quantity, unit="", accuracy=accuracy)


def a_pump(name="P", **changes):
    usual = {
        "id": name,
        "suction_line": "S",
        "suction_tap": PLACED,
        "discharge_tap": PLACED,
        "flow_tag": "FT",
        "suction_pressure_tag": "PS",
        "discharge_pressure_tag": "PD",
        "power_tag": "JT",
        "driver": STATED_DRIVER,
        "baseline_curve": (CurvePoint(flow=0.1, head=20.0),),
    }
    return Pump(**{**usual, **changes})


def station(*pumps, tags=(), line=None, source=None, meters=(), display="SI"):
    known = [
        tag("FT", "flow"),
        tag("PS", "suction_pressure"),
        tag("PD", "discharge_pressure"),
        tag("JT", "electrical_power"),
        tag("LT", "level"),
        *tags,
    ]
    names = tuple(p.id for p in pumps)
    branch = Segment(
        id="branch",
        carries=names,
        pipe=Pipe(diameter=0.3, length=10.0),
        fittings=(Fitting(name="bend", k=0.3),),
    )
    line = line or SuctionLine(id="S", source="T", branches=dict.fromkeys(names, branch))
    source = source or SuctionSource(
        id="T", kind="open_tank", level_tag="LT", level_zero_elevation=1.0, level_zero_u=0.01
    )
    return Snapshot(
        start=pd.Timestamp("2025-01-01", tz="UTC"),
        end=pd.Timestamp("2026-01-01", tz="UTC"),
        station=Station(name="Weir", time_zone="UTC", display=display),
        liquid=Liquid(density=RHO),
        tariff=Tariff(),
        tags={t.name: t for t in known},
        sources={"T": source},
        lines={"S": line},
        pumps={p.id: p for p in pumps},
        flow_meters={m.id: m for m in meters},
    )


def a_point(head, efficiency=0.70, flow=0.2):
    """A point with a round overall efficiency; the same diameters leave no velocity heads."""
    return TypicalPoint(
        flow=flow,
        total_head=head,
        electrical_power=RHO * G * flow * head / efficiency,
        density=RHO,
        suction_pressure=20e3,
        discharge_pressure=20e3 + RHO * G * head,
    )


def by_key(facts, pump="P"):
    return {f.key: f for f in facts if f.pump == pump}


LOW, HIGH = a_point(7.0), a_point(128.0)


@pytest.mark.parametrize(("point", "points_lost"), [(LOW, 5.774), (HIGH, 0.3157)])
def test_gauge_of_unknown_height(point, points_lost):
    # Up to 1 m either way: u = 1/sqrt(3) = 0.577 m of head; 0.70 * 0.577/7 = 5.77 points,
    # 0.70 * 0.577/128 = 0.316 points.
    facts = by_key(survey_facts(station(a_pump(discharge_tap=BARE)), {"P": point}))
    fact = facts["discharge_gauge_height"]
    assert fact.state == "missing"
    assert 100 * fact.overall_efficiency_u == pytest.approx(points_lost, rel=1e-3)
    assert "suction_gauge_height" not in facts


def test_height_stated_without_its_uncertainty():
    # +-0.10 m: 0.70 * 0.0577/7 = 0.577 points.
    tap = replace(PLACED, elevation_u=0.0)
    fact = by_key(survey_facts(station(a_pump(suction_tap=tap)), {"P": LOW}))[
        "suction_gauge_height"
    ]
    assert fact.state == "unchecked"
    assert 100 * fact.overall_efficiency_u == pytest.approx(0.5774, rel=1e-3)


def test_sensing_line_of_unknown_state():
    # Gauge 0.9 m above its tap: full or empty moves the head by 0.9 m; 0.70 * 0.9/sqrt(3)/7.
    tap = replace(PLACED, gauge_elevation=1.1, unstated=("sensing_line",))
    fact = by_key(survey_facts(station(a_pump(discharge_tap=tap)), {"P": LOW}))
    fact = fact["discharge_sensing_line"]
    assert fact.overall_efficiency_u == pytest.approx(0.70 * 0.9 / ROOT3 / 7.0)
    assert not fact.is_nominal


def test_flow_meter_of_usual_accuracy():
    # 2 % of reading: with equal diameters and a measured suction the efficiency goes with the
    # flow alone; 70 points * 0.02/sqrt(3) = 0.808 points, whatever the head.
    tags = [tag("FT", "flow", USUAL_FLOW)]
    for point in (LOW, HIGH):
        fact = by_key(survey_facts(station(a_pump(), tags=tags), {"P": point}))["flow_meter"]
        assert 100 * fact.overall_efficiency_u == pytest.approx(0.8083, rel=1e-3)


def test_power_meter_enters_the_other_way_round():
    accuracy = Accuracy(systematic_relative=0.01 / ROOT3, assumed=True)
    tags = [tag("JT", "electrical_power", accuracy)]
    fact = by_key(survey_facts(station(a_pump(), tags=tags), {"P": LOW}))["power_meter"]
    assert 100 * fact.overall_efficiency_u == pytest.approx(0.4041, rel=1e-3)


def test_pressure_gauge_of_usual_accuracy():
    # 3 kPa limit = 1732 Pa = 0.1766 m of head at 1000 kg/m3: 70 points * 0.1766/7 = 1.766.
    accuracy = Accuracy(systematic_absolute=3000.0 / ROOT3, assumed=True)
    tags = [tag("PS", "suction_pressure", accuracy)]
    fact = by_key(survey_facts(station(a_pump(), tags=tags), {"P": LOW}))["suction_gauge"]
    assert 100 * fact.overall_efficiency_u == pytest.approx(1.766, rel=1e-3)


def test_diameter_acts_through_the_velocity_head():
    # v = 0.2/(pi/4 * 0.3^2) = 2.829 m/s, v^2/2g = 0.4082 m; a limit of 3 % in D is 12 % in it:
    # 0.0490 m / sqrt(3) = 0.0283 m of head.
    fact = by_key(survey_facts(station(a_pump()), {"P": LOW}))["discharge_diameter"]
    assert fact.overall_efficiency_u == pytest.approx(0.70 * 0.0283 / 7.0, rel=2e-3)


def test_check_valve_between_pump_and_tap():
    # K = 2.5 for a swing check valve (US EPA, EPANET 2.2 User Manual): 2.5 * 0.4082 m.
    tap = replace(PLACED, unstated=("position",))
    fact = by_key(survey_facts(station(a_pump(discharge_tap=tap)), {"P": LOW}))
    fact = fact["discharge_tap_place"]
    assert fact.u == pytest.approx(2.5 * 0.4082 / ROOT3, rel=1e-3)
    assert fact.overall_efficiency_u == pytest.approx(0.70 * fact.u / 7.0, rel=1e-6)


def test_what_ranks_first_depends_on_the_head():
    """Metres weigh on a low-head pump, per cents on a high-head one."""
    tags = [tag("FT", "flow", USUAL_FLOW)]
    pumps = [a_pump("LOW", discharge_tap=BARE), a_pump("HIGH", discharge_tap=BARE)]
    facts = survey_facts(station(*pumps, tags=tags), {"LOW": LOW, "HIGH": HIGH})
    first = {name: next(f.key for f in facts if f.pump == name) for name in ("LOW", "HIGH")}
    assert first == {"LOW": "discharge_gauge_height", "HIGH": "flow_meter"}
    assert facts[0].pump == "LOW"


def test_ranks_fall():
    facts = survey_facts(station(a_pump("A", discharge_tap=BARE), a_pump("B")))
    worth = [f.worth for f in facts]
    assert worth == sorted(worth, reverse=True)


def test_motor_touches_pump_efficiency_only():
    driver = replace(STATED_DRIVER, unstated=("efficiency_u",))
    fact = by_key(survey_facts(station(a_pump(driver=driver)), {"P": LOW}))["motor_plate"]
    # 1 % of the pump efficiency, which is 0.70 over the motor's efficiency of about 0.93.
    assert fact.overall_efficiency_u == 0.0
    assert fact.pump_efficiency_u == pytest.approx(0.01 * 0.70 / 0.93, rel=0.02)


def test_motor_without_plate_is_missing_and_stated_one_is_no_fact():
    bare = by_key(survey_facts(station(a_pump(driver=Driver())), {"P": LOW}))["motor_plate"]
    assert bare.state == "missing"
    assert "no pump efficiency" in bare.stands_in
    assert "motor_plate" not in by_key(survey_facts(station(a_pump()), {"P": LOW}))


def test_motor_by_legal_minimum():
    driver = Driver(rated_power=100 * 745.7, poles=4, unstated=())
    fact = by_key(survey_facts(station(a_pump(driver=driver)), {"P": LOW}))["motor_plate"]
    # 100 hp, 4 poles, enclosed: 95.4 % (10 CFR 431.25); 20 % of the losses as a limit.
    assert "95.4%" in fact.stands_in
    assert fact.u == pytest.approx(0.2 * 0.046 / ROOT3 / 0.954)


# ------------------------------------------------------------- modelled suction


def modelled(**changes):
    return a_pump(suction_pressure_tag=None, **changes)


def test_with_a_modelled_suction_its_tap_drops_out():
    facts = by_key(survey_facts(station(modelled(suction_tap=BARE)), {"P": LOW}))
    assert not [
        key for key in facts if key.startswith(("suction_gauge", "suction_tap", "suction_d"))
    ]

    # The same by the definitions: p_s = rho g (zero + level - z_s) - loss - rho v^2/2, put into
    # the total head, does not depend on the height or the bore of the suction tap.
    def total(z_s, d_s):
        v = heads.velocity(0.2, d_s)
        p_s = RHO * G * (1.0 + 2.0 - z_s) - 4000.0 - RHO * v**2 / 2
        return float(heads.total_head(p_s, 9e4, 0.2, RHO, z_s, 0.2, d_s, 0.3))

    assert total(0.0, 0.3) == pytest.approx(total(1.3, 0.2), abs=1e-9)


def test_level_datum_counts_in_full():
    source = SuctionSource(id="T", kind="open_tank", level_tag="LT", level_zero_elevation=1.0)
    facts = survey_facts(station(modelled(), source=source), {"P": LOW})
    # +-0.10 m: 0.70 * 0.0577/7 = 0.577 points.
    assert 100 * by_key(facts)["datum"].overall_efficiency_u == pytest.approx(0.5774, rel=1e-3)
    stated = survey_facts(station(modelled()), {"P": LOW})
    assert "datum" not in by_key(stated)
    assert "datum" not in by_key(survey_facts(station(a_pump(), source=source), {"P": LOW}))


def test_level_transmitter_of_usual_accuracy():
    # 0.03 m limit: 0.70 * 0.01732/7 = 0.1732 points.
    tags = [tag("LT", "level", Accuracy(systematic_absolute=0.03 / ROOT3, assumed=True))]
    fact = by_key(survey_facts(station(modelled(), tags=tags), {"P": LOW}))["source_instrument"]
    assert 100 * fact.overall_efficiency_u == pytest.approx(0.1732, rel=1e-3)
    assert fact.place == "T"


def test_branch_nobody_has_drawn():
    # A usual 5 velocity heads give or take 4: 4 * 0.4082 m = 1.633 m; 0.70 * 1.633/7.
    line = SuctionLine(id="S", source="T", branches={"P": Segment(id="P branch", carries=("P",))})
    fact = by_key(survey_facts(station(modelled(), line=line), {"P": LOW}))["friction_P branch"]
    assert fact.state == "missing"
    assert fact.overall_efficiency_u == pytest.approx(0.70 * 1.633 / 7.0, rel=1e-3)


def test_drawn_branch_leaves_the_uncertainty_of_the_drawing():
    run = Pipe(diameter=0.3, length=0.0)
    fittings = (Fitting(name="all", k=2.0, count=2),)
    segment = Segment(id="b", carries=("P",), pipe=run, fittings=fittings, drawing_u=0.3)
    line = SuctionLine(id="S", source="T", branches={"P": segment})
    fact = by_key(survey_facts(station(modelled(), line=line), {"P": LOW}))["friction_b"]
    # 4 velocity heads of 0.4082 m, 30 % of it.
    assert fact.state == "assumed"
    assert fact.overall_efficiency_u == pytest.approx(0.70 * 0.3 * 4 * 0.4082 / 7.0, rel=1e-3)


def test_flow_error_enters_twice_through_a_modelled_suction():
    """Numerically: the head itself moves when friction is worked out from a wrong flow."""
    fittings = (Fitting(name="all", k=6.0),)
    segment = Segment(
        id="b", carries=("P",), pipe=Pipe(diameter=0.3, length=0.0), fittings=fittings
    )
    line = SuctionLine(id="S", source="T", branches={"P": segment})
    tags = [tag("FT", "flow", USUAL_FLOW)]
    facts = survey_facts(station(modelled(), line=line, tags=tags), {"P": LOW})

    def efficiency(flow):
        kinetic = RHO * heads.velocity(flow, 0.3) ** 2 / 2
        kinetic_0 = RHO * heads.velocity(LOW.flow, 0.3) ** 2 / 2
        p_s = LOW.suction_pressure - 7.0 * (kinetic - kinetic_0)
        head = heads.total_head(p_s, LOW.discharge_pressure, flow, RHO, 0.2, 0.2, 0.3, 0.3)
        return float(heads.hydraulic_power(flow, head, RHO)) / LOW.electrical_power

    step = 1e-5
    slope = (efficiency(LOW.flow + step) - efficiency(LOW.flow - step)) / (2 * step)
    expected = slope * LOW.flow * 0.02 / ROOT3
    fact = by_key(facts)["flow_meter"]
    assert fact.overall_efficiency_u == pytest.approx(expected, rel=1e-4)
    assert fact.overall_efficiency_u > 0.0120


def test_spot_reading_sums_up_and_is_not_counted_twice():
    source = SuctionSource(id="T", kind="open_tank", level_tag="LT", level_zero_elevation=1.0)
    usual = Accuracy(systematic_absolute=0.03 / ROOT3, assumed=True)
    plant = station(modelled(), source=source, tags=[tag("LT", "level", usual)])
    facts = survey_facts(plant, {"P": LOW})
    spot = by_key(facts)["spot_reading"]
    parts = [by_key(facts)[key].overall_efficiency_u for key in spot.covers]
    assert len(parts) == 4
    assert spot.overall_efficiency_u == pytest.approx(math.hypot(*parts))
    overall, _ = open_uncertainty(facts, "P")
    others = [f.overall_efficiency_u for f in facts if f.key != "spot_reading"]
    assert overall == pytest.approx(math.hypot(*others))
    assert "spot_reading" not in by_key(survey_facts(plant, {"P": LOW}, surveyed=["P"]))


def test_dead_gauge_is_no_gauge():
    plant = station(a_pump())
    assert "spot_reading" not in by_key(survey_facts(plant, {"P": LOW}))
    dead = by_key(survey_facts(plant, {"P": LOW}, without_gauge=["P"]))
    assert "spot_reading" in dead
    assert "suction_diameter" not in dead


def test_pressurised_main_has_the_height_of_its_gauge_open():
    source = SuctionSource(
        id="T", kind="pressurised_main", pressure_tag="PM", pressure_elevation=0.5
    )
    usual = Accuracy(systematic_absolute=1000.0, assumed=True)
    plant = station(modelled(), source=source, tags=[tag("PM", "pressure", usual)])
    facts = by_key(survey_facts(plant, {"P": LOW}))
    assert "pressure gauge of T" in facts["datum"].subject
    # 1 kPa = 0.10197 m of head: 70 points * 0.10197/7.
    assert 100 * facts["source_instrument"].overall_efficiency_u == pytest.approx(1.0197, rel=1e-3)


# ------------------------------------------------------------- instruments that are not there


@pytest.mark.parametrize("role", ["power_tag", "discharge_pressure_tag"])
def test_missing_instrument_comes_first_and_has_no_figure(role):
    facts = survey_facts(station(a_pump(**{role: None})), {"P": LOW})
    assert facts[0].key == f"no_{role}"
    assert math.isnan(facts[0].overall_efficiency_u)
    assert math.isnan(open_uncertainty(facts, "P")[0])
    assert "no efficiency without it" in survey_sheet(station(a_pump()), facts)


def test_check_valves_count_where_one_meter_serves_several():
    meter = FlowMeter(id="M", tag="FT", serves=("A", "B"))
    pumps = [a_pump("A", flow_tag=None), a_pump("B", flow_tag=None, check_valve_leak_free=True)]
    facts = survey_facts(station(*pumps, meters=[meter]), {"A": LOW, "B": LOW})
    assert "check_valve" not in by_key(facts, "A")
    # 1 % of the flow as a limit: 70 points * 0.01/sqrt(3).
    leak = by_key(facts, "B")["check_valve"]
    assert 100 * leak.overall_efficiency_u == pytest.approx(0.4041, rel=1e-3)
    assert "pumps A: check_valve_leak_free" in leak.record_in
    assert "check_valve" not in by_key(survey_facts(station(a_pump()), {"P": LOW}))


def test_what_only_comparisons_need_comes_without_figure():
    pump = a_pump(speed_tag="ST", baseline_curve=(), driver=Driver(rated_power=6e4))
    facts = by_key(survey_facts(station(pump), {"P": LOW}))
    assert facts["reference_speed"].worth == 0.0
    assert facts["baseline"].worth == 0.0
    assert facts["drive"].pump_efficiency_u > 0.0
    assert facts["drive"].overall_efficiency_u == 0.0


# ------------------------------------------------------------- points


def test_point_of_the_curve_and_of_the_plate():
    curve = (
        CurvePoint(flow=0.1, head=30.0, efficiency=0.6),
        CurvePoint(flow=0.2, head=25.0, efficiency=0.8),
        CurvePoint(flow=0.3, head=15.0, efficiency=0.7),
    )
    point = nominal_point(a_pump(baseline_curve=curve), station(a_pump()))
    assert (point.flow, point.total_head) == (0.2, 25.0)
    assert "flow" in point.nominal
    # rho g Q H / (0.80 * 0.92)
    assert point.electrical_power == pytest.approx(RHO * G * 0.2 * 25.0 / 0.736)
    plate = nominal_point(a_pump(baseline_curve=()), station(a_pump()))
    assert plate.flow == pytest.approx(1.5 * math.pi / 4 * 0.09)
    assert plate.electrical_power == pytest.approx(0.8 * 60e3 / 0.92)


@pytest.mark.parametrize("flow", [math.nan, 0.0, -1.0, math.inf])
def test_useless_values_are_replaced(flow):
    facts = survey_facts(station(a_pump(discharge_tap=BARE)), {"P": replace(LOW, flow=flow)})
    assert all(np.isfinite(f.overall_efficiency_u) for f in facts)


def test_points_may_be_missing_altogether():
    assert survey_facts(station(a_pump())) == survey_facts(station(a_pump()), {})
    assert survey_facts(station(a_pump()), {"P": TypicalPoint()})


def test_frame_of_facts():
    facts = survey_facts(station(a_pump(discharge_tap=BARE)), {"P": LOW})
    frame = facts_frame(facts)
    assert len(frame) == len(facts)
    assert list(frame["rank"]) == list(range(1, len(facts) + 1))
    assert frame.loc[0, "overall_efficiency_u_points"] == pytest.approx(5.774, rel=1e-3)
    assert frame["overall_efficiency_u_points"].dtype == "float64"
    assert list(facts_frame([]).columns) == list(frame.columns)
    assert facts_frame([]).dtypes.to_dict() == frame.dtypes.to_dict()


# ------------------------------------------------------------- the sheet


def full_station(display="SI"):
    unknown = Tap(
        elevation=0.2, diameter=0.3, unstated=("gauge_elevation", "sensing_line", "position")
    )
    usual = Accuracy(systematic_absolute=0.03 / ROOT3, assumed=True)
    pumps = [modelled(name=f"P{n}", discharge_tap=unknown, driver=Driver()) for n in range(8)]
    source = SuctionSource(id="T", kind="open_tank", level_tag="LT", level_zero_elevation=1.0)
    return station(*pumps, source=source, tags=[tag("LT", "level", usual)], display=display)


def test_sheet_fits_paper_and_half_a_day():
    plant = full_station()
    facts = survey_facts(plant)
    sheet = survey_sheet(plant, facts)
    assert max(map(len, sheet.splitlines())) <= 78
    assert sheet.endswith("\n")
    assert sheet.isascii()
    assert int(re.search(r"TO DO, about (\d+) minutes", sheet)[1]) <= 240
    assert "LEFT FOR ANOTHER DAY" in sheet
    assert sheet.count("[ ]") == sheet.count("Found: ____")
    # Three pages of 66 lines, common practice for plain text.
    assert len(sheet.splitlines()) <= 3 * 66
    assert sheet.count("[ ]") == 20


def test_short_visit_takes_what_costs_most():
    plant = station(a_pump(discharge_tap=BARE))
    facts = survey_facts(plant, {"P": LOW})
    sheet = survey_sheet(plant, facts, minutes=15)
    assert sheet.count("[ ]") == 1
    assert "[ ]  1A P: height of the discharge gauge" in sheet
    left = sheet[sheet.index("LEFT FOR ANOTHER DAY") :]
    assert "by-pass" in left


def test_sheet_warns_before_it_asks():
    plant = full_station()
    sheet = survey_sheet(plant, survey_facts(plant))
    caution = sheet.index("BEFORE YOU START")
    assert caution < sheet.index("TO DO")
    for word in ("permit", "lock out", "Isolate", "licensed engineers decide"):
        assert word in sheet[caution : sheet.index("TO DO")]


def test_shared_transmitter_is_one_task():
    plant = full_station()
    sheet = survey_sheet(plant, survey_facts(plant), minutes=10_000, most=1000)
    assert sheet.count("accuracy of the level transmitter (LT)") == 1
    assert re.search(r"P0,\s+P1,\s+P2.*P7:\s+accuracy of the\s+level", sheet, re.DOTALL)


def test_sheet_says_where_figures_are_nominal():
    plant = station(a_pump(discharge_tap=BARE))
    facts = survey_facts(plant, {"P": LOW})
    sheet = survey_sheet(plant, facts, {"P": replace(LOW, nominal=("flow",))})
    assert "flow 720 m³/h (n)" in sheet
    assert "total head 7 m," in sheet
    assert "worth 5.77 / 6." in sheet
    assert "points (n)" in sheet
    assert "none from data; nominal figures" in survey_sheet(plant, facts)
    assert "total head nominal" in survey_sheet(plant, facts, {"P": TypicalPoint(flow=0.2)})


def test_sheet_speaks_the_units_of_the_station():
    plant = station(a_pump(discharge_tap=BARE), display="US")
    sheet = survey_sheet(plant, survey_facts(plant, {"P": LOW}), {"P": LOW})
    # 1/sqrt(3) m = 1.894 ft; 7 m = 22.97 ft; 0.2 m3/s = 3170 gpm.
    assert "standard uncertainty 1.89 ft" in sheet
    assert "Found: ____________ ft" in sheet
    assert "flow 3170 gpm" in sheet
    assert "total head 22.97 ft" in sheet


def test_sheet_with_nothing_open():
    assert "Nothing is open that is worth a walk." in survey_sheet(station(a_pump()), ())
