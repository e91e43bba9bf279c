"""Daily loss of a suction line against what it lost when new or freshly cleaned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .evidence import RUNNING
from .line import SuctionLineModel

LEAST_REFERENCE_LOSS = 500.0
"""Below this reference loss a relative change says nothing [Pa]: gauge noise would make it."""


def daily_losses(rows: pd.DataFrame, reference: SuctionLineModel) -> pd.DataFrame:
    """Compare the loss seen by trusted gauges with a reference fit.

    Parameters
    ----------
    rows : DataFrame
        Usable hourly rows (see ``replay.usable_rows``) of one line and epoch, with ``pump``,
        ``time`` (UTC), ``state``, ``spot``, ``reading`` and the model columns.
    reference : SuctionLineModel
        The fit that counts as clean: the first of the epoch.

    Returns
    -------
    DataFrame
        One row per pump and UTC day with running hours, range index: ``pump``, ``day``,
        ``hours`` (int), ``suction_loss``, ``reference_loss`` [Pa] and
        ``suction_loss_deviation`` [-].

    Notes
    -----
    The reading is compared with what the reference expects this gauge to read, so its
    calibration error cancels.
    """
    columns = ["pump", "day", "hours", "suction_loss", "reference_loss", "suction_loss_deviation"]
    used = rows[(rows["state"] == RUNNING) & ~rows["spot"].astype(bool)]
    used = used[used["pump"].isin(reference.pumps_)]
    if used.empty:
        return pd.DataFrame(columns=columns)
    clean = (
        used["static_pressure"].to_numpy()
        - used["velocity_pressure"].to_numpy()
        - np.asarray(reference.predict(used))
    )
    excess = np.asarray(reference.predict_reading(used)) - used["reading"].to_numpy()
    known = np.isfinite(clean) & np.isfinite(excess)
    sums = pd.DataFrame(
        {
            "pump": used["pump"].to_numpy()[known],
            "day": pd.DatetimeIndex(used["time"])[known].floor("D"),
            "hours": 1,
            "reference_loss": clean[known],
            "excess": excess[known],
        }
    )
    daily = sums.groupby(["pump", "day"], sort=True).sum().reset_index()
    daily["reference_loss"] /= daily["hours"]
    mean_excess = daily.pop("excess") / daily["hours"]
    daily["suction_loss"] = daily["reference_loss"] + mean_excess
    enough = daily["reference_loss"].where(daily["reference_loss"] > LEAST_REFERENCE_LOSS)
    daily["suction_loss_deviation"] = mean_excess / enough
    return daily[columns]
