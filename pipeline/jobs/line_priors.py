"""What a suction line's model is told before any reading: drawings and instruments."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from pipeline.assembly.pump_frames import G
from pipeline.hydraulics.pipes import Fitting as PipeFitting
from pipeline.hydraulics.suction_line import PipeRun, line_loss
from pipeline.jobs.hours import header_columns
from pipeline.jobs.line_epochs import LineEpoch
from pipeline.plant import Pump, Segment, Snapshot
from pipeline.suction import LossPrior, typical_loss
from pipeline.suction.line import BRANCH
from pipeline.suction.replay import OWN_FLOW

MONTHS_FOR_PRIORS = 3
DOUBT_BESIDE_READINGS = 0.6
"""Least standard uncertainty of a drawn loss where gauges speak of it, part of the loss [-]."""
_VISCOSITY = 1.1e-3
"""Dynamic viscosity for drawing losses where none is declared [Pa s]: water near 16 °C. It moves
such a loss by a per cent or two, its uncertainty being 20 % and more."""


def early_rows(hours: pd.DataFrame) -> pd.DataFrame:
    """Rows of the first months in which each pump ran.

    Priors are stated at usual flows. Taking those from the beginning keeps what was fitted for
    a closed month as it was, whatever comes later.
    """
    running = hours[hours["state"] == "running"]
    kept = []
    for name, mine in hours.groupby("pump", sort=True):
        months = sorted(running.loc[running["pump"] == name, "month"].unique())
        first = months[:MONTHS_FOR_PRIORS] or sorted(mine["month"].unique())[:MONTHS_FOR_PRIORS]
        kept.append(mine[mine["month"] <= first[-1]])
    return pd.concat(kept)


def model_parameters(
    epoch: LineEpoch, hours: pd.DataFrame, bad: pd.Series | None = None
) -> dict[str, Any]:
    """Everything a line model is told before any reading: priors and uncertainties.

    Rows marked in `bad` (True = fault, on an index that holds that of `hours`) have a reading
    that counts for nothing: a gauge that was never right is no gauge.
    """
    if bad is not None:
        hours = hours.assign(reading=hours["reading"].mask(bad.loc[hours.index]))
    snapshot = epoch.snapshot
    line = snapshot.lines[epoch.line]
    columns = header_columns(snapshot, epoch.line)
    priors: dict[str, LossPrior] = {}
    read = hours.loc[hours["reading"].notna(), "pump"].unique()
    gauged = {str(name) for name in read}
    density = float(np.nanmean(hours["density"])) if hours["density"].notna().any() else 998.2
    viscosity = snapshot.liquid.viscosity or _VISCOSITY
    for segment, column in zip(line.header, columns, strict=True):
        flow = _usual_flow(hours[column])
        prior = drawing_prior(segment, flow, density, viscosity, bool(gauged & {*segment.carries}))
        if prior is not None:
            priors[column] = prior
    running = hours[hours["state"] == "running"]
    for name, segment in line.branches.items():
        mine = running[running["pump"] == name]
        flow = _usual_flow(mine[OWN_FLOW])
        kinetic = float(mine["velocity_pressure"].median())
        prior = drawing_prior(segment, flow, density, viscosity, name in gauged)
        if prior is None:
            if not (np.isfinite(flow) and np.isfinite(kinetic) and kinetic > 0.0):
                flow, kinetic = 0.01, 500.0
            prior = typical_loss(flow, kinetic)
        priors[f"{BRANCH}{name}"] = prior
    pumps = [snapshot.pumps[n] for n in line.branches if n in snapshot.pumps]
    usual_rows = running if len(running) else hours
    tap_u = max((p.suction_tap.elevation_u for p in pumps), default=0.0)
    parameters: dict[str, Any] = {
        "header_columns": columns,
        "branch_column": OWN_FLOW,
        "loss_prior": priors,
        "instrument_u": _instrument_u(snapshot, pumps, hours),
        # A well is less certain while it is pumped, and that is when the model is asked.
        "static_u": max(_usual(usual_rows["static_pressure_u_systematic"]), 10.0),
        "tap_u": max(tap_u * density * G, 10.0),
        "flow_noise_u": _flow_noise(snapshot, pumps),
        "static_noise_u": _usual(hours["static_pressure_u_random"]),
    }
    if line.exponent is not None:
        parameters |= {"exponent": line.exponent, "exponent_u": 0.005}
    return parameters


def _flow_noise(snapshot: Snapshot, pumps: Sequence[Pump]) -> float:
    """Random part of one grid value of flow, relative; the worst meter of the line decides."""
    tags = [p.flow_tag or getattr(snapshot.meter_of(p.id), "tag", "") for p in pumps]
    known = [snapshot.tags[t].accuracy.random_relative for t in tags if t in snapshot.tags]
    return max(known, default=0.0)


def _usual(values: pd.Series) -> float:
    """Give the median of what is known; zero where nothing is."""
    known = values.dropna()
    return float(known.median()) if len(known) else 0.0


def _usual_flow(flow: pd.Series) -> float:
    moving = flow[flow.abs() > 0.0]
    return float(moving.abs().median()) if len(moving) else float("nan")


def drawing_prior(
    segment: Segment, flow: float, density: float, viscosity: float, is_gauged: bool = False
) -> LossPrior | None:
    """Give what the drawing says of a segment's loss; None without pipe or flow.

    Where readings speak of the segment, the drawing is doubted further: a fitting left out of
    it, or a valve half shut, must not hold the fit against what the gauge shows.
    """
    if segment.pipe is None or not np.isfinite(flow) or flow <= 0.0:
        return None
    fittings = tuple(PipeFitting(f.name, f.k * f.count) for f in segment.fittings)
    pipe = segment.pipe
    runs = [PipeRun(pipe.diameter, pipe.length, pipe.roughness, fittings)]
    loss = float(line_loss(flow, runs, density, viscosity))
    doubt = max(segment.drawing_u, DOUBT_BESIDE_READINGS) if is_gauged else segment.drawing_u
    return LossPrior(flow, loss, doubt * loss)


def _instrument_u(
    snapshot: Snapshot, pumps: Sequence[Pump], hours: pd.DataFrame
) -> dict[str, float]:
    found = {}
    for pump in pumps:
        tag = snapshot.tags.get(pump.suction_pressure_tag or "")
        if tag is None:
            continue
        usual = hours.loc[(hours["pump"] == pump.id) & ~hours["spot"], "reading"].abs().median()
        size = 0.0 if np.isnan(usual) else float(usual)
        found[f"gauge {pump.id}"] = float(tag.accuracy.systematic_u(size))
    if "instrument_u" in hours:
        spots = hours[hours["spot"]]
        for name, u in spots.groupby("instrument")["instrument_u"].max().items():
            found[str(name)] = float(u)
    return found
