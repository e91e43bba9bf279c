"""A fit of rows in which friction changed: all of them, brought to the latest friction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from sklearn.base import clone

from .line import SuctionLineModel
from .reasons import REGIME_CHANGE
from .solve import Array
from .time_varying import FrictionTrack, track_friction

PASSES = 3

__all__ = ["fit_tracked", "hourly_scatter"]


def fit_tracked(
    model: SuctionLineModel,
    X: pd.DataFrame,
    y: Array,
    times: pd.DatetimeIndex,
    cleanings: Mapping[str, Sequence[pd.Timestamp]] | None = None,
    *,
    always: bool = False,
) -> tuple[SuctionLineModel, dict[str, FrictionTrack]]:
    """Fit a line whose branch friction may have changed during the rows.

    Parameters
    ----------
    model : SuctionLineModel
        Model with its parameters; a clone is fitted.
    X : DataFrame of shape (n_samples, n_columns)
        Rows as for `SuctionLineModel.fit`, in time order within each pump.
    y : array of shape (n_samples,)
        Readings [Pa].
    times : DatetimeIndex
        Start of each row, UTC.
    cleanings : mapping of str to sequence of Timestamp, optional
        Declared cleanings by pump.
    always : bool
        Track even where the plain fit finds one regime only.

    Returns
    -------
    SuctionLineModel
        Fit that describes each branch as it was at its last row. Where the plain fit already
        finds one regime, that fit.
    dict of str to FrictionTrack
        Track of each gauged pump, multipliers relative to the last day's friction; empty
        where nothing had to be tracked.

    Notes
    -----
    Each reading is raised by (multiplier of its day - multiplier of the last day) times the
    branch loss, so that it stands for the latest friction; then the fit is repeated. The
    header and the offsets thus keep all rows to rest on. The multiplier of a day carries its
    own error of a fraction of a per cent, which shows in the scatter of the rows.
    """
    readings = np.asarray(y, dtype=np.float64)
    fitted = clone(model).fit(X, readings)
    if fitted.status_ != REGIME_CHANGE and not always:
        return fitted, {}
    spot = X["spot"].to_numpy(dtype=bool) if "spot" in X.columns else np.zeros(len(X), dtype=bool)
    pump = X["pump"].to_numpy(dtype=object)
    running = X[model.branch_column].to_numpy(dtype=float) > 0.0
    tracks: dict[str, FrictionTrack] = {}
    for _ in range(PASSES):
        residual = readings - np.asarray(fitted.predict_reading(X))
        loss = fitted.predict_losses(X)[model.branch_column].to_numpy()
        raised = readings.copy()
        for name in fitted.pumps_:
            mine = pump == name
            taught = mine & ~spot & running & np.isfinite(residual)
            if not taught.any():
                continue
            track = track_friction(
                times[taught],
                residual[taught],
                loss[taught],
                residual_u=hourly_scatter(residual[taught], loss[taught], times[taught]),
                cleanings=(cleanings or {}).get(name, ()),
                until=times[mine].max(),
            )
            multiplier, _ = track.at(times[mine])
            last = float(track.daily["multiplier"].iloc[-1])
            raised[mine] += (multiplier - last) * loss[mine]
            tracks[name] = track
        fitted = clone(model).fit(X, raised)
    return fitted, {name: _relative_to_last(track) for name, track in tracks.items()}


def hourly_scatter(residual: Array, loss: Array, times: pd.DatetimeIndex) -> float:
    """Scatter of the hours of a day about that day's own friction [Pa]."""
    frame = pd.DataFrame({"ratio": residual / loss, "day": times.floor("D")})
    inner = (frame["ratio"] - frame.groupby("day")["ratio"].transform("median")) * loss
    return max(1.4826 * float(inner.abs().median()), 10.0)


def _relative_to_last(track: FrictionTrack) -> FrictionTrack:
    last = float(track.daily["multiplier"].iloc[-1])
    daily = track.daily.copy()
    for name in ("measured", "measured_u", "multiplier", "multiplier_u", "growth"):
        daily[name] = daily[name] / last
    return FrictionTrack(
        daily,
        track.wander / last,
        track.growth_wander / last,
        track.cleaned_level / last,
        track.cleaned_u / last,
    )
