"""The truth that tests compare with: per day, per hour, and per five minutes on chosen days."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from .clock import Clock
from .simulate import TrueStation, Truth
from .water import GRAVITY, Array

FIVE_MINUTE_DAY_OF_MONTH = 15
STEADY = 0.01
"""Largest spread of flow within five steady minutes, part of the mean."""
ROUNDING = {
    "running_fraction": 4,
    "flow_m3_s": 6,
    "total_head_m": 4,
    "suction_pressure_pa": 0,
    "discharge_pressure_pa": 0,
    "electrical_power_w": 0,
    "shaft_power_w": 0,
    "overall_efficiency": 5,
    "pump_efficiency": 5,
    "leakage_m3_s": 7,
    "strainer_loss_pa": 0,
    "speed_ratio": 5,
    "head_deviation": 5,
    "power_deviation": 5,
}


def tables(
    station: TrueStation, truth: Truth, clock: Clock, start: int
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Average the truth over UTC days, hours and five minutes, from `start` on [s].

    Means are over the running minutes, efficiencies are ratios of sums. Hours and five-minute
    rows are given only where the pump ran all through; five minutes only where flow was steady,
    and only on one day a month.
    """
    daily, hourly, fine = [], [], []
    for pump in station.pumps:
        values = truth.pump[pump.id]
        daily.append(_averages(pump.id, values, truth, clock, 86400))
        hours = _averages(pump.id, values, truth, clock, 3600)
        hourly.append(hours[hours["running_fraction"] == 1.0])
        five = _averages(pump.id, values, truth, clock, 300)
        flow = values["flow"].reshape(len(five), -1)
        steady = np.ptp(flow, axis=1) < STEADY * flow.mean(axis=1)
        chosen = (five["time"].dt.day == FIVE_MINUTE_DAY_OF_MONTH) & steady
        fine.append(five[chosen & (five["running_fraction"] == 1.0)])
    since = pd.Timestamp(start, unit="s", tz="UTC")
    day, hour, five = (pd.concat(t, ignore_index=True) for t in (daily, hourly, fine))
    day, hour, five = (t[t["time"] >= since].reset_index(drop=True) for t in (day, hour, five))
    brief = ["time", "pump", "suction_pressure_pa", "total_head_m", "overall_efficiency"]
    return day, hour[brief], five


def _averages(
    name: str, values: dict[str, Array], truth: Truth, clock: Clock, seconds: int
) -> pd.DataFrame:
    width = seconds // clock.step
    on = values["running"].reshape(-1, width)
    minutes = on.sum(axis=1)

    def total(x: Array) -> Array:
        return np.where(on, x.reshape(-1, width), 0.0).sum(axis=1)

    with np.errstate(invalid="ignore", divide="ignore"):
        hydraulic = total(truth.rho * GRAVITY * values["flow"] * values["total_head"])
        electrical, shaft = total(values["electrical_power"]), total(values["shaft_power"])
        table = pd.DataFrame(
            {
                "time": pd.to_datetime(truth.time[::width], unit="s", utc=True),
                "pump": name,
                "running_fraction": minutes / width,
                "flow_m3_s": total(values["flow"]) / minutes,
                "total_head_m": total(values["total_head"]) / minutes,
                "suction_pressure_pa": total(values["suction_pressure"]) / minutes,
                "discharge_pressure_pa": total(values["discharge_pressure"]) / minutes,
                "electrical_power_w": electrical / minutes,
                "shaft_power_w": shaft / minutes,
                "overall_efficiency": hydraulic / electrical,
                "pump_efficiency": hydraulic / shaft,
                "leakage_m3_s": total(values["leakage"]) / minutes,
                "strainer_loss_pa": total(values["strainer_loss"]) / minutes,
                "speed_ratio": total(values["speed_ratio"]) / minutes,
                "head_deviation": total(values["total_head"]) / total(values["new_head"]) - 1.0,
                "power_deviation": shaft / total(values["new_power"]) - 1.0,
            }
        )
    return table


def write(path: Path, table: pd.DataFrame) -> None:
    """Write a truth table, rounded to what a check can use."""
    path.parent.mkdir(parents=True, exist_ok=True)
    table = table.sort_values(["pump", "time"], ignore_index=True)
    for column, digits in ROUNDING.items():
        if column in table:
            table[column] = table[column].round(digits).astype(np.float32)
    table["time"] = table["time"].astype("datetime64[us, UTC]")
    arrow = pa.Table.from_pandas(table, preserve_index=False).replace_schema_metadata()
    pq.write_table(arrow, path, compression="zstd", compression_level=19)
