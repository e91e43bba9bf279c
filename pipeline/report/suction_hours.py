"""The suction gauge beside what the fit in force expects it to read, hour by hour."""

from __future__ import annotations

import logging

import numpy as np
import pandas as pd

from pipeline.report.readings import Readings
from pipeline.report.style import local
from pipeline.suction import SuctionLineModel

__all__ = ["gauge_and_model"]

_log = logging.getLogger(__name__)

_HOURS, _MODELS, _IN_FORCE = "suction_hours", "suction_models", "suction_in_force"
_MOST_MONTHS = 24
_MOST_HOURS = 3000


def gauge_and_model(readings: Readings, pump: str, time_zone: str) -> pd.DataFrame:
    """Set hourly gauge readings beside the model's expectation, the pump running.

    Parameters
    ----------
    readings : Readings
        The tables.
    pump : str
        As named in the plant file.
    time_zone : str
        IANA zone of the station.

    Returns
    -------
    DataFrame
        Hours in order of ``time`` (local): ``flow`` [m³/s], ``static_pressure``, ``reading``
        (NaN without a gauge), ``expected`` reading, ``true_pressure`` by the model [Pa
        gauge], and ``is_excluded``, True where a check found the gauge in fault. Empty where
        the tables hold no hours of the pump.
    """
    hours = _hours(readings, pump)
    if hours.empty:
        return pd.DataFrame(
            columns=[
                "time",
                "flow",
                "static_pressure",
                "reading",
                "expected",
                "true_pressure",
                "is_excluded",
            ]
        )
    hours["expected"], hours["true_pressure"] = np.nan, np.nan
    _predict(readings, hours)
    hours["is_excluded"] = _excluded(readings, pump, hours["time"])
    hours["time"] = local(hours["time"], time_zone)
    return hours.rename(columns={"flow_branch": "flow"})


def _hours(readings: Readings, pump: str) -> pd.DataFrame:
    tables = readings.tables
    months = tables.months(_HOURS) if _HOURS in tables.names() else []
    if len(months) > _MOST_MONTHS:
        places = np.linspace(0, len(months) - 1, _MOST_MONTHS).round().astype(int)
        months = [months[i] for i in places]
    where = [("pump", "==", pump), ("state", "==", "running"), ("spot", "==", False)]
    pieces = [
        tables.read_arrow(_HOURS, [m], filters=where).to_pandas().assign(month=m) for m in months
    ]
    pieces = [p for p in pieces if len(p)]
    if not pieces:
        return pd.DataFrame()
    hours = pd.concat(pieces, ignore_index=True)
    if "steady" in hours.columns:
        hours = hours[hours["steady"].fillna(False).astype(bool)]
    known = hours["static_pressure"].notna() & hours["flow_branch"].notna()
    hours = hours[known].sort_values("time", kind="stable", ignore_index=True)
    step = max(1, -(-len(hours) // _MOST_HOURS))
    return hours.iloc[::step].reset_index(drop=True)


def _predict(readings: Readings, hours: pd.DataFrame) -> None:
    """Fill in what the fits in force say, fit by fit."""
    tables = readings.tables
    if not {_MODELS, _IN_FORCE} <= set(tables.names()):
        return
    models, in_force = tables.read(_MODELS), tables.read(_IN_FORCE)
    line = hours["line"].iloc[0]
    use = in_force[in_force["line"] == line]
    for (epoch, end, name), rows in use.groupby(["epoch", "epoch_end", "model"], sort=True):
        inside = (
            (hours["time"] >= epoch) & (hours["time"] < end) & hours["month"].isin(rows["month"])
        )
        parameters = models[
            (models["line"] == line) & (models["epoch"] == epoch) & (models["model"] == name)
        ]
        if not inside.any() or parameters.empty:
            continue
        try:
            _predict_with(
                parameters.drop(columns=["line", "epoch", "epoch_end", "model"]), hours, inside
            )
        except (KeyError, ValueError) as error:
            # Kept by another version of the model: the next run makes them anew.
            _log.warning("the suction fit %s of %s cannot be read: %s", name, line, error)


def _predict_with(parameters: pd.DataFrame, hours: pd.DataFrame, inside: pd.Series) -> None:
    model = SuctionLineModel.from_frame(parameters)
    mine = hours[inside]
    headers = list(model.header_columns)
    if mine["pump"].iloc[0] not in model.pumps_ or not set(headers) <= set(mine.columns):
        return
    mine = mine[mine[headers].notna().all(axis=1)]
    if len(mine):
        hours.loc[mine.index, "expected"] = np.asarray(model.predict_reading(mine))
        hours.loc[mine.index, "true_pressure"] = np.asarray(model.predict(mine))


def _excluded(readings: Readings, pump: str, times: pd.Series) -> pd.Series:
    checks = readings.of_pump("gauge_checks", pump)
    checks = checks[(checks["gauge"] == "suction") & checks["excludes"].fillna(False).astype(bool)]
    bad = pd.Series(False, index=times.index)
    for start, end in zip(checks["start"], checks["end"], strict=True):
        bad |= (times >= start) & ((times < end) | pd.isna(end))
    return bad
