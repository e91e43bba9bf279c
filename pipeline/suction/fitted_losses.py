"""What the estimators of one pump and of a whole line have in common once rows are arrays."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from .diagnostics import static_slope
from .posterior import LossPosterior, doubted_covariance, settings_of
from .solve import Array, GaussianFit, LossRows, fit_losses

__all__ = ["FittedLosses", "Parameters", "fixed_exponents", "index_of"]


@dataclass(frozen=True, slots=True)
class Parameters:
    """Parameters of a fit before any row is seen.

    Parameters
    ----------
    names : tuple of str
        Their names, as in `LossPosterior`.
    mean, u : array of shape (m,)
        Prior [Pa or -].
    segments : tuple of str
        Names of the losses, in the order of the flows.
    reference_flow : array of shape (s,)
        Flow at which each loss is stated [m3/s].
    """

    names: tuple[str, ...]
    mean: Array
    u: Array
    segments: tuple[str, ...]
    reference_flow: Array


class FittedLosses(BaseEstimator):
    """Predictions of a fitted `posterior_`, whatever its rows looked like.

    A subclass turns its own input into the arrays of `LossPosterior.value` (`_rows`) and
    keeps the settings named below among its parameters.
    """

    residual_u: float
    gauge_noise_u: float
    flow_noise_u: float
    static_noise_u: float

    @abstractmethod
    def _rows(self, X: Any) -> tuple[Array, Array, Array]:
        """Known pressure, columns of the linear parameters, and flows of the segments."""

    def _learn(
        self,
        rows: LossRows,
        static: Array,
        pivot: float,
        prior: Parameters,
        held: tuple[int, ...] = (),
    ) -> tuple[GaussianFit, LossPosterior]:
        """Fit rows whose second linear parameter is the static scale.

        Parameters
        ----------
        rows : LossRows
            The rows.
        static : array of shape (n,)
            Their static pressure [Pa].
        pivot : float
            Static pressure about which the scale turns [Pa].
        prior : Parameters
            What is known beforehand.
        held : tuple of int
            Parameters held while the static slope is freed to be judged.

        Returns
        -------
        tuple of GaussianFit and LossPosterior
            The fit, and what it has learned.
        """
        fit = fit_losses(rows, prior.mean, prior.u, residual_u=self.residual_u)
        slope, slope_u, slope_status = static_slope(
            rows, prior.mean, prior.u, scale=1, fixed=held, residual_u=self.residual_u, start=fit
        )
        prior_u = prior.u
        if slope_status == "contradicted":
            # The stated static slope is wrong by more than was declared: carry the doubt.
            prior_u = prior_u.copy()
            prior_u[1] = max(prior_u[1], abs(slope - 1.0))
            fit = fit_losses(rows, prior.mean, prior_u, residual_u=self.residual_u)
        posterior = LossPosterior(
            names=prior.names,
            mean=fit.mean,
            covariance=fit.covariance,
            doubted_covariance=doubted_covariance(fit, prior.names, prior_u),
            prior_mean=prior.mean,
            prior_u=prior_u,
            segments=prior.segments,
            reference_flow=prior.reference_flow,
            fixed_exponent=rows.fixed_exponent,
            pivot=pivot,
            residual_u=fit.residual_u,
            numbers={
                "correlation_time": fit.correlation_time,
                "effective_rows": fit.effective_rows,
                "exponent_free": fit.exponent_free,
                "exponent_free_u": fit.exponent_free_u,
                "static_slope": slope,
                "static_slope_u": slope_u,
                **settings_of(self),
                "static_from": float(static.min(initial=np.inf)),
                "static_to": float(static.max(initial=-np.inf)),
            },
            texts={"exponent_status": fit.exponent_status, "static_slope_status": slope_status},
        )
        return fit, posterior

    def _take(self, posterior: LossPosterior) -> None:
        """Set the attributes that every fit has."""
        self.posterior_ = posterior
        self.exponent_ = float(posterior.mean[-1])
        self.exponent_status_ = posterior.texts["exponent_status"]
        self.residual_u_ = posterior.residual_u
        self.effective_rows_ = posterior.numbers["effective_rows"]
        self.static_slope_ = posterior.numbers["static_slope"]
        self.static_slope_u_ = posterior.numbers["static_slope_u"]
        self.static_slope_status_ = posterior.texts["static_slope_status"]

    def predict(self, X: Any, return_std: bool = False) -> Array | tuple[Array, Array]:
        """Predict the true pressure at the tap.

        Parameters
        ----------
        X : array-like or DataFrame of n_samples rows
            Columns as in `fit`.
        return_std : bool
            Whether to return the standard uncertainty as well.

        Returns
        -------
        array of shape (n_samples,), or two of them
            True static pressure at the tap [Pa]; its standard uncertainty [Pa], which holds
            the systematic uncertainty of datum, level scale and gauge calibration, that of
            the coefficients, and the scatter of one row.
        """
        known, linear, flows = self._rows(X)
        value = self.posterior_.value(known, linear, flows)
        if not return_std:
            return value
        return value, np.hypot(
            self.posterior_.value_u(linear, flows), self._random_u(flows, self._scatter_u())
        )

    def predict_parts(self, X: Any) -> pd.DataFrame:
        """Predict the true pressure with its uncertainty in two parts.

        Parameters
        ----------
        X : array-like or DataFrame of n_samples rows
            Columns as in `fit`.

        Returns
        -------
        DataFrame
            Columns ``suction_pressure``, ``suction_pressure_u_systematic`` (shared by all
            rows of the fit; averaging does not shrink it) and
            ``suction_pressure_u_random`` [Pa]; one row per row of X, with its index if it
            has one.
        """
        known, linear, flows = self._rows(X)
        value = self.posterior_.value(known, linear, flows)
        random_u = self._random_u(flows, self._scatter_u())
        return pd.DataFrame(
            {
                "suction_pressure": value,
                "suction_pressure_u_systematic": self.posterior_.value_u(linear, flows),
                "suction_pressure_u_random": np.where(np.isfinite(value), random_u, np.nan),
            },
            index=index_of(X),
        )

    def losses_u(self, X: Any) -> Array:
        """Standard uncertainty of the sum of all losses in each row [Pa]."""
        _, linear, flows = self._rows(X)
        return self.posterior_.value_u(np.zeros_like(linear), flows)

    def _random_u(self, flows: Array, scatter_u: float) -> Array:
        return self.posterior_.random_u(
            flows, scatter_u, flow_noise_u=self.flow_noise_u, static_noise_u=self.static_noise_u
        )

    def _scatter_u(self) -> float:
        """Scatter of the true pressure about the fit: that of the rows less gauge noise."""
        rest = self.residual_u_**2 - self.gauge_noise_u**2
        # What remains after taking off the gauge's noise is never trusted to vanish.
        return float(np.sqrt(max(rest, 0.1 * self.residual_u_**2)))

    def to_frame(self) -> pd.DataFrame:
        """Return the fit as a flat table; see `LossPosterior.to_frame`."""
        check_is_fitted(self, "posterior_")
        return self.posterior_.to_frame()


def index_of(X: Any) -> pd.Index | None:
    """Index of rows that have one."""
    return X.index if isinstance(X, pd.DataFrame) else None


def fixed_exponents(segments: tuple[str, ...], own: Mapping[str, float] | None) -> Array:
    """Exponent of each loss that has one of its own, else NaN [-]; shape (s,)."""
    return np.array([float((own or {}).get(name, np.nan)) for name in segments])
