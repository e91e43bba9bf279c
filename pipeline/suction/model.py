"""Suction pressure of one pump: static head, pipe loss and offsets, with uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import RegressorMixin
from sklearn.utils import Tags
from sklearn.utils.validation import check_is_fitted, validate_data

from .diagnostics import regime_of
from .fitted_losses import FittedLosses, Parameters, fixed_exponents, index_of
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

__all__ = ["SuctionModel"]


class SuctionModel(RegressorMixin, FittedLosses):
    """Reading of one suction tap from static head and the flows that lose pressure.

    The reading is static pressure less velocity pressure (both known from physics, given as
    columns), plus offsets, less one loss per flow column::

        p = static - velocity + offset - sum_j loss_j * sign(Q_j) |Q_j / Q_ref,j|^n

    Parameters
    ----------
    static_column, velocity_column : str
        Names of the columns with static pressure (surface pressure + rho g (level + level
        zero - tap)) and velocity pressure at the tap (rho v^2 / 2) [Pa]. A column that is
        absent counts as zero. Every other column is a flow [m3/s]: header segments first,
        the pump's own branch last. An array without names holds flows only.
    loss_prior : mapping of str to LossPrior, optional
        Losses known beforehand, by flow column. Others start from "unknown".
    static_u : float
        Systematic uncertainty of the static pressure: level datum, tap elevation, surface
        pressure [Pa].
    gauge_u : float
        Systematic (calibration) uncertainty of the gauge the model is trained on [Pa].
    static_scale_u : float
        Systematic relative uncertainty of static pressure differences: level scale and
        density [-]. The static slope itself is physics and is not fitted.
    gauge_scale_u : float
        Relative scale uncertainty of the gauge, beyond `gauge_u` [-].
    exponent, exponent_u : float
        Prior of the exponent n [-]: between 1.75 (smooth) and 2.0 (rough, fittings).
    fixed_exponent : mapping of str to float, optional
        Flow columns whose loss has an exponent of its own: 1 for the laminar part of the
        drawdown of a well, given as a second column with the well's flow.
    residual_u : float
        Scatter expected before any row is seen [Pa].
    gauge_noise_u : float
        Part of the scatter of a training row that is the gauge's own noise [Pa]; it is
        not part of the scatter of the true pressure.
    flow_noise_u, static_noise_u : float
        Random uncertainty of one row to be *predicted*, where such rows are shorter than the
        training rows: relative, of a flow [-], and of static pressure [Pa]. It enters the
        random part of predictions only.
    prediction_limit : float
        Largest uncertainty with which a row away from the seen flows is served [Pa].
    least_rows : float
        Fewest independent rows a fit may rest on without a prior [-].

    Attributes
    ----------
    posterior_ : LossPosterior
        All parameters with covariance; `to_frame` writes it, `from_frame` reads it.
    coef_ : array of shape (n_losses,)
        Loss of each flow column at its reference flow [Pa]. A flow-meter scale error is
        absorbed here and cancels as long as the same meter feeds the prediction.
    offset_ : float
        Offset of the reading [Pa]: datum and gauge together, told apart only by priors.
    exponent_, exponent_status_ : float, str
        Exponent used [-], and ``prior``, ``estimated`` or ``held_against_rows``.
    residual_u_, effective_rows_ : float
        Scatter of one row [Pa]; rows left after allowing for correlation in time [-].
    static_slope_, static_slope_u_, static_slope_status_ : float, float, str
        Diagnostic free slope of the reading on static pressure [-] (1 is physics), and
        ``verified``, ``unverified`` (the level hardly moved) or ``contradicted``.
    status_ : str
        ``fitted`` or the reason why every row is declined.
    n_features_in_, feature_names_in_
        As in scikit-learn.

    Notes
    -----
    `predict` gives the true pressure: the gauge's calibration error stays in its
    uncertainty. `predict_reading` gives what this gauge would show: there it cancels.
    Rows with a missing input give NaN. Rows of training data should be steady averages
    (hourly), in time order, with those of a stopped pump (zero flows) included.
    """

    def __init__(
        self,
        *,
        static_column: str = "static_pressure",
        velocity_column: str = "velocity_pressure",
        loss_prior: Mapping[str, LossPrior] | None = None,
        static_u: float = 300.0,
        gauge_u: float = 500.0,
        static_scale_u: float = 0.003,
        gauge_scale_u: float = 0.0,
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
        self.static_column = static_column
        self.velocity_column = velocity_column
        self.loss_prior = loss_prior
        self.static_u = static_u
        self.gauge_u = gauge_u
        self.static_scale_u = static_scale_u
        self.gauge_scale_u = gauge_scale_u
        self.exponent = exponent
        self.exponent_u = exponent_u
        self.fixed_exponent = fixed_exponent
        self.residual_u = residual_u
        self.gauge_noise_u = gauge_noise_u
        self.flow_noise_u = flow_noise_u
        self.static_noise_u = static_noise_u
        self.prediction_limit = prediction_limit
        self.least_rows = least_rows

    def __sklearn_tags__(self) -> Tags:
        """Say that missing values are allowed."""
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        return tags

    def fit(self, X: ArrayLike, y: ArrayLike, reading_u: ArrayLike | None = None) -> Self:
        """Learn offsets and losses from readings.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
            Steady rows in time order; see the class for the columns. Rows with a missing
            value are left out.
        y : array-like of shape (n_samples,)
            Gauge reading [Pa].
        reading_u : array-like of shape (n_samples,), optional
            Random uncertainty of each reading known beforehand, added to the common
            scatter [Pa]. There are no sample weights: a repeated row is one more reading.

        Returns
        -------
        SuctionModel
            The fitted model itself.
        """
        values, target = validate_data(
            self, X, y, dtype=np.float64, ensure_all_finite="allow-nan", y_numeric=True
        )
        target = np.asarray(target, dtype=np.float64)
        extra_u = np.zeros(target.size) if reading_u is None else np.asarray(reading_u, float)
        known_static, velocity, flows = self._split(values)
        good = np.isfinite(values).all(axis=1) & np.isfinite(extra_u)
        static, flows, target = known_static[good], flows[good], target[good]
        pivot = float(static.mean()) if good.any() else 0.0
        known = static - velocity[good]
        segments = self._segments()
        reference = reference_flows(flows, segments, self.loss_prior)
        linear_names = ["static", "static_scale", "gauge:own", "gauge_scale:own"]
        linear = np.column_stack(
            [np.ones_like(static), static - pivot, np.ones_like(static), target - pivot]
        )
        names = (*linear_names, *(f"loss:{name}" for name in segments), "exponent")
        rows = LossRows(
            reading=target,
            known=known,
            linear=linear,
            flows=flows / reference,
            weight=np.ones_like(target),
            extra_u=extra_u[good],
            series=np.zeros(target.size, dtype=np.int64),
            fixed_exponent=fixed_exponents(segments, self.fixed_exponent),
        )
        prior = Parameters(names, *self._prior(segments, reference), segments, reference)
        # A free gauge scale would trade off against the static slope.
        fit, posterior = self._learn(rows, static, pivot, prior, held=(3,))
        regime, regime_size = regime_of(fit, rows, 0.5 * self.prediction_limit)
        numbers = {"rows": float(target.size), "regime_size": regime_size}
        for j, name in enumerate(segments):
            column = flows[:, j][flows[:, j] != 0.0]
            numbers[f"flow_from:{name}"] = float(column.min()) if column.size else float("nan")
            numbers[f"flow_to:{name}"] = float(column.max()) if column.size else float("nan")
        self._set(posterior.with_figures(numbers, {"regime": regime}))
        return self

    def _set(self, posterior: LossPosterior) -> None:
        self._take(posterior)
        p, s = len(posterior.linear_names), len(posterior.segments)
        self.coef_ = posterior.mean[p : p + s].copy()
        self.coef_u_ = np.sqrt(np.diag(posterior.covariance))[p : p + s]
        self.reference_flow_ = posterior.reference_flow
        self.offset_ = float(posterior.mean[0] + posterior.mean[2])
        self.status_ = self._status()

    def _status(self) -> str:
        if any(self.posterior_.is_unphysical(name) for name in self.posterior_.segments):
            return UNPHYSICAL_COEFFICIENT
        if self.posterior_.texts["regime"] != "one":
            return REGIME_CHANGE
        return "fitted"

    def _columns(self) -> list[str]:
        names = getattr(self, "feature_names_in_", None)
        if names is None:
            return [f"flow_{j}" for j in range(self.n_features_in_)]
        return [str(name) for name in names]

    def _segments(self) -> tuple[str, ...]:
        known = {self.static_column, self.velocity_column}
        return tuple(name for name in self._columns() if name not in known)

    def _split(self, values: Array) -> tuple[Array, Array, Array]:
        columns = self._columns()
        zero = np.zeros(values.shape[0])
        named = dict(zip(columns, values.T, strict=True))
        static = named.pop(self.static_column, zero)
        velocity = named.pop(self.velocity_column, zero)
        flows = np.column_stack(list(named.values())) if named else np.zeros((zero.size, 0))
        return static, velocity, flows

    def _prior(self, segments: tuple[str, ...], reference: Array) -> tuple[Array, Array]:
        mean, spread = prior_of_losses(
            segments, reference, self.loss_prior, self.fixed_exponent,
            self.exponent, self.exponent_u,
        )  # fmt: skip
        offsets_u = [self.static_u, self.static_scale_u, self.gauge_u, self.gauge_scale_u]
        return (
            np.array([0.0, 0.0, 0.0, 0.0, *mean, self.exponent]),
            np.array([*offsets_u, *spread, self.exponent_u]),
        )

    def _rows(self, X: ArrayLike) -> tuple[Array, Array, Array]:
        check_is_fitted(self, "posterior_")
        values = validate_data(
            self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False
        )
        static, velocity, flows = self._split(np.asarray(values, dtype=np.float64))
        zero, one = np.zeros_like(static), np.ones_like(static)
        linear = np.column_stack([one, static - self.posterior_.pivot, zero, zero])
        return static - velocity, linear, flows

    def _reading_rows(self, X: ArrayLike) -> tuple[Array, Array, Array]:
        known, linear, flows = self._rows(X)
        linear = linear.copy()
        linear[:, 2] = 1.0
        linear[:, 3] = self.posterior_.value(known, linear, flows) - self.posterior_.pivot
        return known, linear, flows

    def predict_reading(
        self, X: ArrayLike, return_std: bool = False
    ) -> Array | tuple[Array, Array]:
        """Predict what this gauge would read; its calibration error cancels.

        Parameters and returns are those of `predict`.
        """
        known, linear, flows = self._reading_rows(X)
        value = self.posterior_.value(known, linear, flows)
        if not return_std:
            return value
        return value, np.hypot(
            self.posterior_.value_u(linear, flows), self._random_u(flows, self.residual_u_)
        )

    def predict_losses(self, X: ArrayLike) -> pd.DataFrame:
        """Loss of each flow column in each row.

        Returns
        -------
        DataFrame
            One column per flow, named as in X [Pa]; index of X if it has one.
        """
        _, _, flows = self._rows(X)
        segments = list(self.posterior_.segments)
        return pd.DataFrame(self.posterior_.losses(flows), columns=segments, index=index_of(X))

    def decline(
        self, X: ArrayLike, side_stream_unknown: ArrayLike | None = None
    ) -> NDArray[np.object_]:
        """Say for each row why it is not served; an empty text means it is.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
            Columns as in `fit`.
        side_stream_unknown : bool array-like of shape (n_samples,), optional
            True where pump flow is not pipe flow: a side-stream or recirculation of unknown
            size is open.

        Returns
        -------
        object array of shape (n_samples,)
            One of `DECLINE_REASONS` (see `pipeline.suction`).

        Notes
        -----
        A row is judged by the uncertainty of its prediction over level, segment flows and
        own flow together, compared with `prediction_limit`; poorly known coefficients do
        no harm where their errors cancel. Offsets are doubted tenfold in that test: an
        extrapolation must rest on what the rows, drawings or surveys pin down, not on the
        maker's accuracy of a gauge. A row the prior alone predicts well is served as well.
        """
        known, linear, flows = self._reading_rows(X)
        posterior = self.posterior_
        reason = np.full(known.size, SERVED, dtype=object)
        reading_u = posterior.value_u(linear, flows, doubted=True)
        true_linear = linear.copy()
        true_linear[:, 2:4] = 0.0
        prior_u = posterior.value_u(true_linear, flows, prior=True)
        wide = np.minimum(reading_u, prior_u) > self.prediction_limit
        own = self._outside(flows)
        if self.effective_rows_ < self.least_rows:
            reason[wide] = TOO_LITTLE_DATA
        else:
            reason[wide & own] = OUTSIDE_SEEN_FLOW
            reason[wide & ~own] = UNSEEN_COMBINATION
        if self.status_ != "fitted":
            reason[:] = self.status_
        if side_stream_unknown is not None:
            reason[np.asarray(side_stream_unknown, dtype=bool)] = SIDE_STREAM
        reason[~np.isfinite(known) | ~np.isfinite(flows).all(axis=1)] = MISSING_INPUT
        return reason

    def _outside(self, flows: Array) -> NDArray[np.bool_]:
        """Whether the pump's own flow (last column) was never seen, beyond a tenth."""
        if not self.posterior_.segments:
            return np.zeros(flows.shape[0], dtype=bool)
        name = self.posterior_.segments[-1]
        low = self.posterior_.numbers[f"flow_from:{name}"]
        high = self.posterior_.numbers[f"flow_to:{name}"]
        own = flows[:, -1]
        with np.errstate(invalid="ignore"):
            return np.asarray(~((own >= 0.9 * low) & (own <= 1.1 * high)), dtype=bool)

    @classmethod
    def from_frame(cls, frame: pd.DataFrame, **parameters: Any) -> Self:
        """Rebuild a fitted model from `to_frame`.

        Parameters
        ----------
        frame : DataFrame
            Table written by `to_frame`.
        **parameters
            Parameters other than numbers, where they differ from the defaults; numbers are
            in the table.

        Returns
        -------
        SuctionModel
            Model that predicts the same; it expects the static and velocity columns first,
            then the flows, by name.
        """
        posterior = LossPosterior.from_frame(frame)
        model = cls(**{**saved_settings(cls, posterior.numbers), **parameters})
        columns = [model.static_column, model.velocity_column, *posterior.segments]
        model.feature_names_in_ = np.array(columns, dtype=object)
        model.n_features_in_ = len(columns)
        model._set(posterior)
        return model
