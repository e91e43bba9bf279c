"""All pumps of one suction line fitted together: shared header, own branches, own gauges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.utils.validation import check_is_fitted

from ..errors import InsufficientEvidenceError
from .diagnostics import regime_of
from .fitted_losses import FittedLosses, Parameters, fixed_exponents
from .posterior import LossPosterior, saved_settings
from .priors import LossPrior, prior_of_losses, reference_flows
from .reasons import (
    MISSING_INPUT,
    OUTSIDE_SEEN_FLOW,
    REGIME_CHANGE,
    SERVED,
    SIDE_STREAM,
    TOO_LITTLE_DATA,
    UNPHYSICAL_COEFFICIENT,
    UNSEEN_COMBINATION,
)
from .solve import Array, LossRows

BRANCH = "branch:"
DRAWING = "drawing"
FITTED = "fitted"

# Level only leaves out every loss. A suction line loses up to some 20 velocity heads (common
# practice, no source): as a standard uncertainty, 10.
LEVEL_ONLY_VELOCITY_HEADS = 10.0

__all__ = ["SuctionLineModel"]


class SuctionLineModel(FittedLosses):
    """Joint model of all pumps that draw from one suction line.

    Every gauged pump teaches the shared header; each has its own branch, tap and gauge. A
    pump without a gauge takes the header from its sisters and its branch from drawings or
    spot readings, with the uncertainty that leaves.

    Parameters
    ----------
    header_columns : sequence of str
        Flow columns of the header segments, in order [m3/s].
    branch_column : str
        Column with the pump's own flow [m3/s].
    loss_prior : mapping of str to LossPrior, optional
        Losses known beforehand: by header column, or ``branch:<pump>``.
    instrument_u : mapping of str to float, optional
        Calibration uncertainty by instrument [Pa]; `gauge_u` for those not named. Rows of
        one instrument share its error, whichever pump it was connected to.
    gauge_u, static_u, static_scale_u, exponent, exponent_u, fixed_exponent, residual_u,
    gauge_noise_u,
    flow_noise_u, static_noise_u, prediction_limit, least_rows : float
        As in `SuctionModel`. `static_u` is shared by all pumps of the line (level datum).
    tap_u : float
        Uncertainty of each tap's own elevation, as pressure [Pa].

    Attributes
    ----------
    posterior_ : LossPosterior
        All parameters with covariance.
    pumps_ : tuple of str
        Pumps that can be predicted: those with rows and those with a branch prior.
    evidence_ : dict of str to tuple
        For each pump, rows from its own gauge and number of spot readings.
    exponent_, exponent_status_, residual_u_, effective_rows_, static_slope_, static_slope_u_,
    static_slope_status_
        As in `SuctionModel`.
    status_ : str
        ``fitted``, ``prior_only``, or the reason why at least one pump is declined.
    pump_status_ : dict of str to str
        For each pump ``fitted``, or the reason why its rows are declined.

    Notes
    -----
    Frames passed to `fit` and `predict` have the columns ``pump``, ``static_pressure``,
    ``velocity_pressure``, the header columns and the branch column; `fit` also reads
    ``instrument`` (default: the pump's own gauge, ``gauge <pump>``), ``spot`` (True for a
    single reading) and ``reading_u`` (random uncertainty of a spot reading [Pa]).
    """

    def __init__(
        self,
        *,
        header_columns: Sequence[str] = ("flow_header",),
        branch_column: str = "flow_branch",
        loss_prior: Mapping[str, LossPrior] | None = None,
        instrument_u: Mapping[str, float] | None = None,
        gauge_u: float = 500.0,
        static_u: float = 300.0,
        static_scale_u: float = 0.003,
        tap_u: float = 100.0,
        exponent: float = 1.9,
        exponent_u: float = 0.06,
        fixed_exponent: Mapping[str, float] | None = None,
        residual_u: float = 100.0,
        gauge_noise_u: float = 0.0,
        flow_noise_u: float = 0.0,
        static_noise_u: float = 0.0,
        prediction_limit: float = 1500.0,
        least_rows: float = 5.0,
    ) -> None:
        self.header_columns = header_columns
        self.branch_column = branch_column
        self.loss_prior = loss_prior
        self.instrument_u = instrument_u
        self.gauge_u = gauge_u
        self.static_u = static_u
        self.static_scale_u = static_scale_u
        self.tap_u = tap_u
        self.exponent = exponent
        self.exponent_u = exponent_u
        self.fixed_exponent = fixed_exponent
        self.residual_u = residual_u
        self.gauge_noise_u = gauge_noise_u
        self.flow_noise_u = flow_noise_u
        self.static_noise_u = static_noise_u
        self.prediction_limit = prediction_limit
        self.least_rows = least_rows

    def fit(self, X: pd.DataFrame, y: Sequence[float] | Array | pd.Series) -> Self:
        """Learn from rows of all pumps; no rows at all leaves the priors.

        Parameters
        ----------
        X : DataFrame of shape (n_samples, n_columns)
            Rows in time order within each pump; see the class. Incomplete rows are left out.
        y : array-like of shape (n_samples,)
            Readings [Pa].

        Returns
        -------
        SuctionLineModel
            The fitted model itself.
        """
        frame = self._checked(X)
        reading = np.asarray(y, dtype=np.float64)
        needed = ["static_pressure", "velocity_pressure", *self.header_columns, self.branch_column]
        good = np.isfinite(reading) & np.isfinite(frame[needed].to_numpy(dtype=float)).all(axis=1)
        frame, reading = frame.loc[good], reading[good]
        prior_pumps = [
            key.removeprefix(BRANCH) for key in self.loss_prior or {} if key.startswith(BRANCH)
        ]
        self.pumps_ = tuple(sorted({*map(str, frame["pump"].unique()), *prior_pumps}))
        instrument = self._instrument(frame)
        self.instruments_ = tuple(sorted(map(str, pd.unique(instrument))))
        spot = self._optional(frame, "spot", 0.0).astype(bool)
        static = frame["static_pressure"].to_numpy(dtype=float)
        pivot = float(static.mean()) if static.size else 0.0
        segments = (*self.header_columns, *(f"{BRANCH}{pump}" for pump in self.pumps_))
        names = (
            "static",
            "static_scale",
            *(f"tap:{pump}" for pump in self.pumps_),
            *(f"gauge:{name}" for name in self.instruments_),
            *(f"loss:{name}" for name in segments),
            "exponent",
        )
        flows = self._flows(frame)
        reference = reference_flows(flows, segments, self.loss_prior)
        pump_code = np.searchsorted(np.array(self.pumps_, dtype=object), frame["pump"].to_numpy())
        rows = LossRows(
            reading=reading,
            known=static - frame["velocity_pressure"].to_numpy(dtype=float),
            linear=self._linear(frame, static - pivot, instrument),
            flows=flows / reference,
            weight=np.ones(reading.size),
            # A single reading meets one moment of the static pressure, noise and all; in a
            # series that noise is part of the scatter.
            extra_u=np.where(
                spot,
                np.hypot(self._optional(frame, "reading_u", 0.0), self.static_noise_u),
                0.0,
            ),
            series=np.where(spot, -1, pump_code).astype(np.int64),
            fixed_exponent=fixed_exponents(segments, self.fixed_exponent),
        )
        prior = Parameters(names, *self._prior(segments, reference), segments, reference)
        fit, posterior = self._learn(rows, static, pivot, prior)
        numbers = {"rows": float((~spot).sum()), "spot_readings": float(spot.sum())}
        regimes: dict[str, str] = {}
        for code, pump in enumerate(self.pumps_):
            found, size = regime_of(fit, rows, 0.5 * self.prediction_limit, series=code)
            regimes[f"regime:{pump}"], numbers[f"regime_size:{pump}"] = found, size
        own = frame[self.branch_column].to_numpy(dtype=float)
        numbers |= self._evidence_numbers(own, pump_code, spot)
        self.evidence_ = self._evidence_by_pump(numbers)
        self._set(posterior.with_figures(numbers, regimes))
        return self

    def _evidence_numbers(
        self, own: Array, pump_code: NDArray[np.int64], spot: NDArray[np.bool_]
    ) -> dict[str, float]:
        """Count rows and name the range of flows of each pump, as kept with the fit."""
        numbers = {}
        for code, pump in enumerate(self.pumps_):
            mine = pump_code == code
            running = own[mine & (own != 0.0)]
            known = (self.loss_prior or {}).get(f"{BRANCH}{pump}")
            numbers[f"rows:{pump}"] = float((mine & ~spot).sum())
            numbers[f"is_drawn:{pump}"] = float(known is not None and known.is_drawn)
            numbers[f"spot_readings:{pump}"] = float((mine & spot).sum())
            numbers[f"flow_from:{pump}"] = float(running.min()) if running.size else float("nan")
            numbers[f"flow_to:{pump}"] = float(running.max()) if running.size else float("nan")
        return numbers

    def _evidence_by_pump(self, numbers: Mapping[str, float]) -> dict[str, tuple[int, int]]:
        return {
            pump: (int(numbers[f"rows:{pump}"]), int(numbers[f"spot_readings:{pump}"]))
            for pump in self.pumps_
        }

    def _set(self, posterior: LossPosterior) -> None:
        self._take(posterior)
        self.pump_status_ = {pump: self._status_of(pump) for pump in self.pumps_}
        bad = [status for status in self.pump_status_.values() if status != FITTED]
        if bad:
            self.status_ = bad[0]
        elif posterior.numbers["rows"] + posterior.numbers["spot_readings"] == 0:
            self.status_ = "prior_only"
        else:
            self.status_ = FITTED

    def _status_of(self, pump: str) -> str:
        """Reason why no row of a pump is served: the header's, or its own branch's."""
        for segment in (*self.header_columns, f"{BRANCH}{pump}"):
            if self.posterior_.is_unphysical(segment):
                return UNPHYSICAL_COEFFICIENT
        changed = [p for p in self.pumps_ if self.posterior_.texts[f"regime:{p}"] != "one"]
        if pump in changed:
            return REGIME_CHANGE
        # A pump without readings knows the header through the others: not through such alone.
        numbers = self.posterior_.numbers
        taught = [p for p in self.pumps_ if numbers[f"rows:{p}"] or numbers[f"spot_readings:{p}"]]
        if taught and pump not in taught and set(taught) <= set(changed):
            return REGIME_CHANGE
        return FITTED

    def _checked(self, X: pd.DataFrame) -> pd.DataFrame:
        needed = ["pump", "static_pressure", "velocity_pressure"]
        needed += [*self.header_columns, self.branch_column]
        missing = [name for name in needed if name not in X.columns]
        if missing:
            raise ValueError(
                f"Rows of a suction line must have the columns {', '.join(needed)}. "
                f"Missing: {', '.join(missing)}."
            )
        return X

    @staticmethod
    def _optional(frame: pd.DataFrame, column: str, default: float) -> Array:
        if column not in frame.columns:
            return np.full(len(frame), default)
        return frame[column].fillna(default).to_numpy(dtype=float)

    @staticmethod
    def _instrument(frame: pd.DataFrame) -> NDArray[np.object_]:
        own = ("gauge " + frame["pump"].astype(str)).to_numpy(dtype=object)
        if "instrument" not in frame.columns:
            return own
        named = frame["instrument"].to_numpy(dtype=object)
        return np.where(pd.isna(named), own, named).astype(object)

    def _flows(self, frame: pd.DataFrame) -> Array:
        own = frame[self.branch_column].to_numpy(dtype=float)
        pump = frame["pump"].to_numpy(dtype=object)
        header = [frame[name].to_numpy(dtype=float) for name in self.header_columns]
        branches = [np.where(pump == name, own, 0.0) for name in self.pumps_]
        return np.column_stack([*header, *branches])

    def _linear(
        self, frame: pd.DataFrame, from_pivot: Array, instrument: NDArray[np.object_] | None
    ) -> Array:
        pump = frame["pump"].to_numpy(dtype=object)
        columns = [np.ones(len(frame)), from_pivot]
        columns += [(pump == name).astype(float) for name in self.pumps_]
        for name in self.instruments_:
            if instrument is None:
                columns.append(np.zeros(len(frame)))
            else:
                columns.append((instrument == name).astype(float))
        return np.column_stack(columns)

    def _prior(self, segments: Sequence[str], reference: Array) -> tuple[Array, Array]:
        mean, spread = prior_of_losses(
            segments, reference, self.loss_prior, self.fixed_exponent,
            self.exponent, self.exponent_u,
        )  # fmt: skip
        known_u = self.instrument_u or {}
        offsets_u = [self.static_u, self.static_scale_u, *(self.tap_u for _ in self.pumps_)]
        offsets_u += [float(known_u.get(name, self.gauge_u)) for name in self.instruments_]
        return (
            np.array([*(0.0 for _ in offsets_u), *mean, self.exponent]),
            np.array([*offsets_u, *spread, self.exponent_u]),
        )

    def _rows(self, X: pd.DataFrame, *, reading: bool = False) -> tuple[Array, Array, Array]:
        check_is_fitted(self, "posterior_")
        frame = self._checked(X)
        unknown = sorted({*map(str, frame["pump"].unique())} - {*self.pumps_})
        if unknown:
            raise InsufficientEvidenceError(
                f"No row and no branch prior of {', '.join(unknown)} was given to the fit; "
                f"pumps known to it: {', '.join(self.pumps_) or 'none'}. "
                "Add a branch prior from drawings, or `typical_loss`."
            )
        static = frame["static_pressure"].to_numpy(dtype=float)
        instrument = self._instrument(frame) if reading else None
        linear = self._linear(frame, static - self.posterior_.pivot, instrument)
        known = static - frame["velocity_pressure"].to_numpy(dtype=float)
        return known, linear, self._flows(frame)

    def predict_reading(
        self, X: pd.DataFrame, return_std: bool = False
    ) -> Array | tuple[Array, Array]:
        """Predict what each row's gauge would read [Pa]; its calibration error cancels.

        A gauge that taught the fit nothing is taken as `gauge_u` (or its own figure) off.
        """
        known, linear, flows = self._rows(X, reading=True)
        value = self.posterior_.value(known, linear, flows)
        if not return_std:
            return value
        instrument = self._instrument(X)
        new = ~np.isin(instrument, np.array(self.instruments_, dtype=object))
        figures = self.instrument_u or {}
        unseen = pd.Series(instrument).map(dict(figures)).fillna(self.gauge_u).to_numpy(dtype=float)
        spread = np.hypot(
            self.posterior_.value_u(linear, flows), self._random_u(flows, self.residual_u_)
        )
        return value, np.hypot(spread, np.where(new, unseen, 0.0))

    def decline(
        self, X: pd.DataFrame, side_stream_unknown: Sequence[bool] | Array | None = None
    ) -> NDArray[np.object_]:
        """Say for each row why it is not served; an empty text means it is.

        A pump with its own gauge rows is judged as in `SuctionModel.decline`. A pump without
        them has nothing to extrapolate from: it is served as long as it is better known than
        by level alone (`LEVEL_ONLY_VELOCITY_HEADS`), or within `prediction_limit`.
        """
        known, linear, flows = self._rows(X)
        _, reading_linear, _ = self._rows(X, reading=True)
        posterior = self.posterior_
        pump = X["pump"].to_numpy(dtype=object)
        own = X[self.branch_column].to_numpy(dtype=float)
        gauged = self._per_pump(pump, "rows") > 0
        doubted_u = posterior.value_u(reading_linear, flows, doubted=True)
        prior_u = posterior.value_u(linear, flows, prior=True)
        true_u = posterior.value_u(linear, flows)
        u = np.where(gauged, np.minimum(doubted_u, prior_u), true_u)
        velocity = X["velocity_pressure"].to_numpy(dtype=float)
        by_level = np.hypot(self.static_u, LEVEL_ONLY_VELOCITY_HEADS * velocity)
        limit = np.where(gauged, 0.0, by_level)
        wide = u > np.fmax(limit, self.prediction_limit)
        with np.errstate(invalid="ignore"):
            inside = (own >= 0.9 * self._per_pump(pump, "flow_from")) & (
                own <= 1.1 * self._per_pump(pump, "flow_to")
            )
        reason = np.full(known.size, SERVED, dtype=object)
        reason[wide & ~inside] = OUTSIDE_SEEN_FLOW
        reason[wide & inside] = UNSEEN_COMBINATION
        little = ~gauged | (self.effective_rows_ < self.least_rows)
        reason[wide & little] = TOO_LITTLE_DATA
        # A guess from common practice alone is no drawing: level only says as much.
        guessed = (self.source(X) == DRAWING) & (self._per_pump(pump, "is_drawn") == 0.0)
        reason[guessed] = TOO_LITTLE_DATA
        for name, status in self.pump_status_.items():
            if status != FITTED:
                reason[pump == name] = status
        if side_stream_unknown is not None:
            reason[np.asarray(side_stream_unknown, dtype=bool)] = SIDE_STREAM
        reason[~np.isfinite(known) | ~np.isfinite(flows).all(axis=1)] = MISSING_INPUT
        return reason

    def predict_losses(self, X: pd.DataFrame) -> pd.DataFrame:
        """Loss of each header segment and of the own branch in each row.

        Returns
        -------
        DataFrame
            Columns: the header columns and the branch column [Pa]; index as X.
        """
        _, _, flows = self._rows(X)
        losses = self.posterior_.losses(flows)
        headers = len(self.header_columns)
        # Only the row's own branch carries flow.
        own = losses[:, headers:].sum(axis=1)
        table = np.column_stack([losses[:, :headers], own])
        return pd.DataFrame(
            table, columns=[*self.header_columns, self.branch_column], index=X.index
        )

    def _per_pump(self, pump: NDArray[np.object_], figure: str) -> Array:
        numbers = self.posterior_.numbers
        codes, names = pd.factorize(pump)
        figures = [numbers.get(f"{figure}:{name}", float("nan")) for name in names]
        return np.asarray(figures, dtype=float)[codes]

    def source(self, X: pd.DataFrame) -> NDArray[np.object_]:
        """Name the strongest evidence behind each row's prediction.

        Returns
        -------
        object array of shape (n_samples,)
            ``modelled`` (the pump's own gauge taught the fit), ``survey`` (its own spot
            readings), ``sister`` (header from other pumps' gauges), ``drawing`` (priors).
        """
        pump = X["pump"].to_numpy(dtype=object)
        rows = self._per_pump(pump, "rows")
        spots = self._per_pump(pump, "spot_readings")
        result = np.full(len(X), DRAWING, dtype=object)
        if self.posterior_.numbers["rows"] > 0:
            result[:] = "sister"
        result[spots > 0] = "survey"
        result[rows > 0] = "modelled"
        return result

    @classmethod
    def from_frame(cls, frame: pd.DataFrame, **parameters: Any) -> Self:
        """Rebuild a fitted line from `to_frame`; numbers among its parameters are in the table."""
        posterior = LossPosterior.from_frame(frame)
        headers = [name for name in posterior.segments if not name.startswith(BRANCH)]
        settings = saved_settings(cls, posterior.numbers)
        model = cls(**{"header_columns": tuple(headers), **settings, **parameters})
        model.pumps_ = tuple(
            name.removeprefix(BRANCH) for name in posterior.segments if name.startswith(BRANCH)
        )
        model.instruments_ = tuple(
            name.removeprefix("gauge:")
            for name in posterior.linear_names
            if name.startswith("gauge:")
        )
        model.evidence_ = model._evidence_by_pump(posterior.numbers)
        model._set(posterior)
        return model
