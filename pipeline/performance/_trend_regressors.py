"""What a trend is fitted with: level, slope, season, flow, and the error of each source."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

DAYS_PER_YEAR = 365.25
# How far a deviation may lean over the whole flow (from none to twice the reference flow):
# standard size of the prior.
FLOW_LEAN_U = 0.05
# A loss that grows does not grow alike at all flows: leakage takes head with the steepness of
# the curve, a restriction with the square of flow over head, damage in proportion to head. The
# rate at another flow is 1 + LEAN x + BEND x**2 times that at the reference flow, x the
# relative distance, give or take what covers these causes on usual curves.
LEAN, LEAN_U = 1.0, 1.0
BEND, BEND_U = 0.5, 0.7
LEAST_RATE = 0.005  # smallest rate that lean and bend are taken as parts of [1/yr]
SHARED = 4  # level, slope, sine and cosine lead every regression

Floats = NDArray[np.float64]

__all__ = ["DAYS_PER_YEAR", "LEAN_U", "SHARED", "Regressors", "regressors"]


@dataclass(frozen=True)
class Regressors:
    """Columns of a regression and what is known of their coefficients beforehand.

    Parameters
    ----------
    columns : ndarray of shape (n, p)
        Level on the last day, slope per year, sine and cosine of the year; then, with flows, the
        lean of the deviation and the lean and bend of its rate; then one for each source.
    prior_sd : ndarray of shape (p,)
        Standard deviation of a zero-mean prior of each coefficient; infinite for none.
    reference_flow : float
        Flow that level and slope are for; NaN without flows [m3/s].
    lean : float
        Part of the rate by which it grows over the flow, relative to the reference flow [-].
    """

    columns: Floats
    prior_sd: Floats
    reference_flow: float
    lean: float

    def for_rate(self, rate: float) -> Regressors:
        """Take lean and bend as parts of a rate [1/yr], once that is known."""
        size = max(abs(rate), LEAST_RATE)
        prior_sd = self.prior_sd.copy()
        prior_sd[SHARED + 1 : SHARED + 3] = LEAN_U * size, BEND_U * size
        return dataclasses.replace(self, prior_sd=prior_sd)


def regressors(
    table: pd.DataFrame, annual_swing: float, reference_flow: float | None, goes_with_loss: bool
) -> Regressors:
    """Put together what the days of one trend are fitted with.

    Parameters
    ----------
    table : DataFrame
        Rows of `degradation_trend` that count, in order of time.
    annual_swing : float
        Root mean square amplitude of an annual swing that cannot be ruled out [-].
    reference_flow : float, optional
        Flow that level and slope are for; the median of the days when left out [m3/s].
    goes_with_loss : bool
        Whether the rate over the flow is known to grow as that of a loss does.

    Returns
    -------
    Regressors
        Priors of lean and bend are for a rate of 1/yr.
    """
    lean, bend = (LEAN, BEND) if goes_with_loss else (0.0, 0.0)
    stamps = pd.DatetimeIndex(table["time"])
    year = np.asarray((stamps - stamps[-1]) / pd.Timedelta("1D"), dtype=float) / DAYS_PER_YEAR
    origin = pd.Timestamp("2000-01-01", tz="UTC")
    angle = (
        2.0 * np.pi / DAYS_PER_YEAR
        * np.asarray((stamps - origin) / pd.Timedelta("1D"), dtype=float)
    )  # fmt: skip
    columns = [np.ones(len(year)), year, np.sin(angle), np.cos(angle)]
    # Amplitude squared is the sum of two squared coefficients, hence the root of a half.
    season_sd = max(annual_swing, 1e-9) * np.sqrt(0.5)
    prior = [np.inf, np.inf, season_sd, season_sd]
    middle = np.nan
    if "flow" in table.columns and table["flow"].notna().any():
        flow = table["flow"].to_numpy(dtype=float)
        middle = reference_flow or float(np.nanmedian(flow))
        away = np.nan_to_num(flow / middle - 1.0)
        square = away**2
        if "flow_spread" in table.columns:
            spread = table["flow_spread"].to_numpy(dtype=float)
            square = square + np.nan_to_num(spread / middle) ** 2
        columns[1] = year * (1.0 + lean * away + bend * square)
        columns += [away, away * year, square * year]
        prior += [FLOW_LEAN_U, LEAN_U, BEND_U]
    if "level_group" in table.columns and len(table["level_group"].unique()) > 1:
        codes, labels = pd.factorize(table["level_group"], sort=True)
        sizes = table.groupby("level_group")["level_group_u"].median()
        for code, label in enumerate(labels):
            columns.append((codes == code).astype(float))
            prior.append(max(float(sizes[label]), 1e-9))
    return Regressors(np.column_stack(columns), np.array(prior), middle, lean)
