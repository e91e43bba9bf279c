"""The back-test on a year of a station computed by the EPANET engine (`tests/stations`).

A gauge is lost for 120 days. What the back-test says of each assumption, from the 200 days in
which the gauge worked, is held against what the assumption then did: against what the lost gauge
would have read, which only the station's truth knows.
"""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from epanet_station import BRANCHES, HEADER, PUMP_DATA, START
from richmond import SPECIFIC_WEIGHT, G
from station_scenarios import INSTRUMENTS, LOST, level_only_pressure, scenario_readings

from pipeline.backtest.assumptions import (
    FullModel,
    Known,
    LevelOnly,
    MeanOfGoodPeriod,
    OwnFlowFit,
    ZeroGauge,
)
from pipeline.backtest.designs import DESIGNS, known_rows
from pipeline.backtest.replay import POINT_COLUMNS, learn_all, month_errors, series_name
from pipeline.backtest.scores import error_scores
from pipeline.hydraulics.pipes import Fitting
from pipeline.hydraulics.suction_line import PipeRun, line_loss
from pipeline.suction import LossPrior, hourly_rows
from pipeline.suction.replay import usable_rows

DENSITY = SPECIFIC_WEIGHT / G
VISCOSITY = 1.2 * 1.022e-6 * DENSITY  # as the engine is told, see `epanet_station`
LEVEL_U = SPECIFIC_WEIGHT * INSTRUMENTS["level"].systematic
GAUGE = INSTRUMENTS["suction_pressure_1"]
FLOWS = ["flow_header", "flow_branch"]
GROWING = next(d for d in DESIGNS if d.name == "growing_window")
EDGES = [START + pd.Timedelta(days=d) for d in range(0, 201, 25)]
WINDOWS = list(itertools.pairwise(EDGES))
LOST_FROM, LOST_TO = (START + pd.Timedelta(days=d) for d in LOST)


@lru_cache
def readings():
    """Of the sound station: the lost gauge's own readings are hidden by the tests."""
    return scenario_readings("healthy", np.random.default_rng(11))


@lru_cache
def grid(pump):
    r = readings()
    on, whole = r[f"running_{pump}"].to_numpy(), ~r["is_transition"].to_numpy()
    flow = r[f"flow_{pump}"].to_numpy()
    area = np.pi * PUMP_DATA[pump].suction_tap_diameter ** 2 / 4
    return pd.DataFrame(
        {
            "time": r["time"],
            "pump": str(pump),
            "reading": r[f"suction_pressure_{pump}"].to_numpy(),
            "running": on & whole,
            "stopped": ~on & whole,
            "static_pressure": level_only_pressure(r, pump),
            "velocity_pressure": DENSITY / 2 * (flow / area) ** 2,
            "flow_header": (r["flow_1"] + r["flow_2"]).to_numpy(),
            "flow_branch": flow,
            "total_head": r[f"total_head_{pump}_true"].to_numpy(),
            "electrical_power": r[f"electrical_power_{pump}"].to_numpy(),
        }
    )


@lru_cache
def evidence():
    """Usable hourly rows of both pumps."""
    pieces = []
    for pump in (1, 2):
        frame = grid(pump).set_index(pd.DatetimeIndex(grid(pump)["time"]))
        hours = hourly_rows(frame, flow_columns=FLOWS, step_seconds=300.0).reset_index()
        pieces.append(
            hours.assign(pump=str(pump), spot=False, instrument=f"gauge {pump}", line="L")
        )
    rows = pd.concat(pieces, ignore_index=True)
    rows = rows.assign(month=rows["time"].dt.strftime("%Y-%m"))
    return usable_rows(rows, pd.Series(False, index=rows.index))


def drawn_loss(line, flow):
    run = PipeRun(line.diameter, line.length, line.roughness, (Fitting("all", line.fittings),))
    return float(line_loss(flow, [run], DENSITY, VISCOSITY))


@lru_cache
def parameters():
    priors = {"flow_header": (HEADER, 0.08), "branch:1": (BRANCHES[1], 0.06),
              "branch:2": (BRANCHES[2], 0.04)}  # fmt: skip
    return {
        "loss_prior": {
            # Drawings as good as they get, doubted beside readings as in a run.
            name: LossPrior(flow, loss := drawn_loss(line, flow), 0.6 * loss)
            for name, (line, flow) in priors.items()
        },
        "gauge_u": GAUGE.systematic,
        "static_u": LEVEL_U,
        "static_scale_u": 0.001,
        "tap_u": 10.0,
        "flow_noise_u": INSTRUMENTS["flow_1"].random,
        "static_noise_u": SPECIFIC_WEIGHT * INSTRUMENTS["level"].random,
    }


def known_on(pump, as_of, until, rows=None):
    rows = evidence() if rows is None else rows
    return Known(
        pump=str(pump),
        as_of=as_of,
        until=until,
        rows=rows[rows["time"] < as_of],
        parameters=parameters(),
        static_u=LEVEL_U,
        gauge_u=GAUGE.systematic,
        gauge_noise_u=GAUGE.random,
    )


def asked(pump, known, start, end, assumptions, inputs=None):
    """Daily sums and hourly rows of a stretch of running intervals."""
    frame = (grid(pump) if inputs is None else inputs).iloc[::6]
    time = frame["time"]
    rows = frame[frame["running"] & (time >= start) & (time < end)].reset_index(drop=True)
    points = pd.DataFrame(
        {
            "time": rows["time"].to_numpy(),
            "flow": rows["flow_branch"],
            "density": DENSITY,
            "suction_reading": rows["reading"],
            "total_head": rows["total_head"],
            "electrical_power": rows["electrical_power"],
            "shaft_power": np.nan,
            "speed_ratio": 1.0,
        }
    )
    points["time"] = points["time"].astype("datetime64[us, UTC]")
    questions = learn_all(assumptions, [GROWING], {GROWING.name: known})
    return month_errors(points[list(POINT_COLUMNS)], rows, questions, zone="UTC", grid=1800.0)


def scores(pieces, assumption):
    sums = pd.concat([s for s, _ in pieces], ignore_index=True)
    sample = pd.concat([s for _, s in pieces], ignore_index=True)
    sample = sample.assign(day=sample["time"].dt.floor("D"))
    mine = sums[sums["assumption"] == assumption].drop(columns=["design", "assumption"])
    days = mine.groupby("day").sum().reset_index()
    error = sample[series_name(GROWING.name, assumption)].to_numpy(dtype=float)
    return error_scores(days, sample, error, np.random.default_rng(3))


ASSUMPTIONS = (ZeroGauge(), LevelOnly(), MeanOfGoodPeriod(), OwnFlowFit(), FullModel())


@lru_cache
def predicted(pump):
    """Scored on the days before the loss, window by window with what was known before each."""
    pieces = []
    for window, (start, end) in enumerate(WINDOWS):
        if not GROWING.is_scored(window):
            continue
        known = known_on(pump, start, end)
        rows = known_rows(known.rows, str(pump), GROWING, WINDOWS, window)
        assert len(rows) == len(known.rows)
        pieces.append(asked(pump, known, start, end, ASSUMPTIONS))
    return pieces


@lru_cache
def happened(pump):
    """What the assumptions did while the gauge was lost."""
    known = known_on(pump, LOST_FROM, LOST_TO)
    return [asked(pump, known, LOST_FROM, LOST_TO, ASSUMPTIONS)]


@pytest.mark.parametrize("pump", [1, 2])
def test_predicted_error_is_what_happened(pump):
    """The model's error while the gauge was lost lies in the interval the back-test gave."""
    before, after = scores(predicted(pump), "full_model"), scores(happened(pump), "full_model")
    for name in ("suction_pressure", "total_head"):
        low, high = before[f"{name}_rmse_low"], before[f"{name}_rmse_high"]
        assert low <= after[f"{name}_rmse"] <= high
        assert high < 1.1 * low
    assert after["fallback_share"] == before["fallback_share"] == 0.0
    # The stated interval covers what the gauge would have read, before and after.
    assert 0.93 < before["coverage"] < 1.0
    assert 0.93 < after["coverage"] < 1.0


@pytest.mark.parametrize("pump", [1, 2])
def test_crude_assumptions_were_foreseen_too(pump):
    """Their errors move with the season's flow; both intervals meet, or nearly so."""
    for name in ("zero_gauge", "level_only", "mean_of_good_period", "own_flow_fit"):
        before, after = scores(predicted(pump), name), scores(happened(pump), name)
        rmse = "suction_pressure_rmse"
        assert before[f"{rmse}_low"] <= after[f"{rmse}_high"]
        assert after[f"{rmse}_low"] <= before[f"{rmse}_high"]
    model = scores(happened(pump), "full_model")["suction_pressure_rmse"]
    crude = [
        scores(happened(pump), a.name)["suction_pressure_rmse"]
        for a in ASSUMPTIONS
        if a.name != "full_model"
    ]
    assert model < 0.1 * min(crude)


# ---------------------------------------------------------------- permutations

INPUTS = ["static_pressure", "velocity_pressure", *FLOWS]


def shuffled(frame, columns, rng):
    """The columns exchanged between days among running rows, days kept whole."""
    on = frame["running"] if "running" in frame else frame["state"] == "running"
    place = np.flatnonzero(on.to_numpy())
    day = pd.DatetimeIndex(frame["time"]).floor("D").asi8[place]
    blocks = np.split(place, np.flatnonzero(np.diff(day) > 0) + 1)
    order = np.concatenate([blocks[k] for k in rng.permutation(len(blocks))])
    found = frame.copy()
    found.loc[frame.index[place], columns] = frame[columns].to_numpy()[order]
    return found


def rmse_of(assumption, change):
    """Error on 25 days of pump 1 after 100 days of its own running rows, both changed alike."""
    start, end = START + pd.Timedelta(days=100), START + pd.Timedelta(days=125)
    own = evidence()[(evidence()["pump"] == "1") & (evidence()["state"] == "running")]
    rows = change(own[own["time"] < start])
    asked_of = grid(1)[(grid(1)["time"] >= start) & (grid(1)["time"] < end) & grid(1)["running"]]
    known = known_on(1, start, end, rows)
    pieces = [asked(1, known, start, end, (assumption,), change(asked_of))]
    return scores(pieces, assumption.name)["suction_pressure_rmse"]


def test_shuffled_rows_do_no_better_than_the_mean():
    """Without a link between (level, flow) and reading there is nothing to learn."""
    rng = np.random.default_rng(21)
    mean = rmse_of(MeanOfGoodPeriod(), lambda frame: frame)
    found = [rmse_of(FullModel(), lambda f: shuffled(f, INPUTS, rng)) for _ in range(3)]
    assert min(found) > 0.98 * mean
    # What the same rows give when nothing is shuffled.
    assert rmse_of(FullModel(), lambda frame: frame) < 0.05 * mean


def test_shuffled_levels_do_no_better_than_flow_alone():
    """Flow alone: the level taken as its mean."""
    rng = np.random.default_rng(22)

    def flat(frame):
        return frame.assign(static_pressure=float(grid(1)["static_pressure"].mean()))

    flow_only = rmse_of(FullModel(), flat)
    found = [
        rmse_of(FullModel(), lambda f: shuffled(f, ["static_pressure"], rng)) for _ in range(3)
    ]
    assert min(found) > 0.98 * flow_only
    assert rmse_of(FullModel(), lambda frame: frame) < 0.1 * flow_only
