"""What every baseline curve can be asked, however it was made."""

from __future__ import annotations

from typing import Literal, Self, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from pipeline.errors import ContractError, Fault
from pipeline.hydraulics._numeric import STANDARD_GRAVITY
from pipeline.performance._curve_fit import bernstein_basis, bernstein_slope_basis

POWER_COLUMNS = {"electrical_power": "overall_efficiency", "shaft_power": "pump_efficiency"}
FACTS = (
    "q_low_",
    "q_high_",
    "q_min_",
    "q_max_",
    "mean_flow_",
    "n_points_",
    "n_rejected_",
    "inflation_",
    "head_scatter_",
    "power_scatter_",
)

Floats = NDArray[np.float64]

__all__ = ["FACTS", "PumpCurve"]


class PumpCurve(BaseEstimator):
    """Head, power and efficiency against flow: predictions and best efficiency point.

    The learning and the attributes are those of `pipeline.performance.baseline.BaselineCurve`.
    """

    power: str
    density: float
    status_: str
    q_low_: float
    q_high_: float
    q_min_: float
    q_max_: float
    mean_flow_: float
    n_points_: int
    n_rejected_: int
    head_coefficients_: Floats
    power_coefficients_: Floats
    covariance_: Floats

    def _check_power(self) -> None:
        if self.power not in POWER_COLUMNS:
            fault = Fault("power", repr(self.power), " or ".join(map(repr, POWER_COLUMNS)))
            raise ContractError("A baseline curve needs to know which power it holds.", [fault])

    @property
    def efficiency_kind(self) -> str:
        """What `predict_efficiency` gives: 'overall_efficiency' or 'pump_efficiency'."""
        return POWER_COLUMNS[self.power]

    def _position(self, flow: Floats) -> Floats:
        width = self.q_high_ - self.q_low_
        return (flow - self.q_low_) / width if width > 0 else np.full(flow.shape, 0.5)

    def is_outside(self, flow: ArrayLike) -> NDArray[np.bool_]:
        """Mark flows outside the stated range.

        Parameters
        ----------
        flow : array-like
            Flow at reference speed [m3/s].

        Returns
        -------
        ndarray of bool
            True where the baseline declines; False for NaN [-].
        """
        check_is_fitted(self, "status_")
        values = np.asarray(flow, dtype=float)
        if self.status_ != "ok":
            return np.ones(values.shape, dtype=bool)
        # A flow rounded at the last digit is not outside.
        slack = 1e-9 * self.q_max_
        return np.asarray((values < self.q_min_ - slack) | (values > self.q_max_ + slack))

    def _bases(self, flow: Floats) -> tuple[Floats, Floats]:
        inside = np.where(self.is_outside(flow), np.nan, flow)
        x = self._position(inside)
        return (
            bernstein_basis(x, len(self.head_coefficients_) - 1),
            bernstein_basis(x, len(self.power_coefficients_) - 1),
        )

    def _answer(
        self, flow: ArrayLike, value: Floats, gradient: Floats, return_std: bool
    ) -> Floats | tuple[Floats, Floats]:
        shape = np.shape(flow)
        shaped: Floats = value.reshape(shape)[()]
        if not return_std:
            return shaped
        variance = np.einsum("ij,jk,ik->i", gradient, self.covariance_, gradient)
        std: Floats = np.sqrt(np.maximum(variance, 0.0)).reshape(shape)[()]
        return shaped, std

    @overload
    def predict_head(self, flow: ArrayLike, return_std: Literal[False] = ...) -> Floats: ...
    @overload
    def predict_head(self, flow: ArrayLike, return_std: Literal[True]) -> tuple[Floats, Floats]: ...
    def predict_head(
        self, flow: ArrayLike, return_std: bool = False
    ) -> Floats | tuple[Floats, Floats]:
        """Baseline head.

        Parameters
        ----------
        flow : array-like
            Flow at reference speed [m3/s].
        return_std : bool
            Whether to give the standard uncertainty of the curve too [-].

        Returns
        -------
        float or ndarray, or a pair of them
            Head and its standard uncertainty; NaN outside the stated range [m].
        """
        check_is_fitted(self, "status_")
        flat = np.ravel(np.asarray(flow, dtype=float))
        head, power = self._bases(flat)
        gradient = np.hstack([head, np.zeros_like(power)])
        return self._answer(flow, head @ self.head_coefficients_, gradient, return_std)

    @overload
    def predict_power(self, flow: ArrayLike, return_std: Literal[False] = ...) -> Floats: ...
    @overload
    def predict_power(
        self, flow: ArrayLike, return_std: Literal[True]
    ) -> tuple[Floats, Floats]: ...
    def predict_power(
        self, flow: ArrayLike, return_std: bool = False
    ) -> Floats | tuple[Floats, Floats]:
        """Baseline power, electrical or shaft as `power` says.

        Parameters
        ----------
        flow : array-like
            Flow at reference speed [m3/s].
        return_std : bool
            Whether to give the standard uncertainty of the curve too [-].

        Returns
        -------
        float or ndarray, or a pair of them
            Power and its standard uncertainty; NaN outside the stated range [W].
        """
        check_is_fitted(self, "status_")
        flat = np.ravel(np.asarray(flow, dtype=float))
        head, power = self._bases(flat)
        gradient = np.hstack([np.zeros_like(head), power])
        return self._answer(flow, power @ self.power_coefficients_, gradient, return_std)

    @overload
    def predict_efficiency(self, flow: ArrayLike, return_std: Literal[False] = ...) -> Floats: ...
    @overload
    def predict_efficiency(
        self, flow: ArrayLike, return_std: Literal[True]
    ) -> tuple[Floats, Floats]: ...
    def predict_efficiency(
        self, flow: ArrayLike, return_std: bool = False
    ) -> Floats | tuple[Floats, Floats]:
        """Baseline efficiency, from head and power: rho g Q H / P.

        Parameters
        ----------
        flow : array-like
            Flow at reference speed [m3/s].
        return_std : bool
            Whether to give the standard uncertainty of the curve too [-].

        Returns
        -------
        float or ndarray, or a pair of them
            Efficiency and its standard uncertainty; NaN outside the stated range [-].
        """
        check_is_fitted(self, "status_")
        flat = np.ravel(np.asarray(flow, dtype=float))
        head, power = self._bases(flat)
        numerator = self.density * STANDARD_GRAVITY * flat * (head @ self.head_coefficients_)
        value = numerator / (power @ self.power_coefficients_)
        return self._answer(flow, value, self._efficiency_gradient(flat), return_std)

    def _efficiency_gradient(self, flow: Floats) -> Floats:
        head, power = self._bases(flow)
        watts = (power @ self.power_coefficients_)[:, np.newaxis]
        metres = (head @ self.head_coefficients_)[:, np.newaxis]
        specific = (self.density * STANDARD_GRAVITY * flow)[:, np.newaxis]
        return np.hstack([specific * head / watts, -specific * metres * power / watts**2])

    def head_slope(self, flow: ArrayLike) -> Floats:
        """Slope of the head curve.

        Parameters
        ----------
        flow : array-like
            Flow at reference speed [m3/s].

        Returns
        -------
        ndarray
            dH/dQ; NaN outside the stated range [m/(m3/s)].
        """
        return self._slope(flow, self.head_coefficients_)

    def power_slope(self, flow: ArrayLike) -> Floats:
        """Slope of the power curve.

        Parameters
        ----------
        flow : array-like
            Flow at reference speed [m3/s].

        Returns
        -------
        ndarray
            dP/dQ; NaN outside the stated range [W/(m3/s)].
        """
        return self._slope(flow, self.power_coefficients_)

    def _slope(self, flow: ArrayLike, coefficients: Floats) -> Floats:
        values = np.asarray(flow, dtype=float)
        flat = np.where(self.is_outside(values), np.nan, values).ravel()
        width = self.q_high_ - self.q_low_
        if width <= 0:
            return np.full(values.shape, np.nan)
        basis = bernstein_slope_basis(self._position(flat), len(coefficients) - 1)
        return np.asarray(basis @ coefficients / width).reshape(values.shape)

    def _refuse(self, status: str, count: int) -> Self:
        self.status_ = status
        for name in FACTS:
            setattr(self, name, float("nan"))
        self.n_points_, self.n_rejected_ = count, 0
        self.head_coefficients_ = self.power_coefficients_ = np.full(2, np.nan)
        self.covariance_ = np.full((4, 4), np.nan)
        self.best_efficiency_flow_ = self.best_efficiency_flow_u_ = float("nan")
        self.best_efficiency_ = float("nan")
        return self

    def _judge(self) -> Self:
        """Refuse what no pump can do, then find the best efficiency point."""
        self.status_ = "ok"
        flow = np.linspace(self.q_min_, self.q_max_, 201)
        head, power = self.predict_head(flow), self.predict_power(flow)
        efficiency = self.predict_efficiency(flow)
        if np.any(head <= 0) or np.any(power <= 0) or np.any(efficiency > 1.0):
            return self._refuse("unphysical", self.n_points_)
        self.best_efficiency_flow_ = self.best_efficiency_flow_u_ = float("nan")
        self.best_efficiency_ = float("nan")
        top = int(np.argmax(efficiency))
        if 0 < top < len(flow) - 1:
            found = minimize_scalar(
                lambda q: -float(self.predict_efficiency(q)),
                bounds=(flow[top - 1], flow[top + 1]),
                method="bounded",
                options={"xatol": 1e-9 * self.q_max_},
            )
            best = float(found.x)
            self.best_efficiency_flow_ = best
            self.best_efficiency_ = float(self.predict_efficiency(best))
            self.best_efficiency_flow_u_ = self._best_flow_u(best)
        return self

    def _best_flow_u(self, best: float) -> float:
        """How far the maximum moves when the coefficients do: d(eta')/dc over eta''."""
        step = 1e-3 * (self.q_max_ - self.q_min_)
        near = np.clip(np.array([best - step, best, best + step]), self.q_min_, self.q_max_)
        gradient = self._efficiency_gradient(near)
        efficiency = np.asarray(self.predict_efficiency(near))
        bend = (efficiency[2] - 2.0 * efficiency[1] + efficiency[0]) / step**2
        turn = (gradient[2] - gradient[0]) / (near[2] - near[0])
        if not bend < 0:
            return float("nan")
        return float(np.sqrt(max(turn @ self.covariance_ @ turn, 0.0)) / abs(bend))
