"""What a fit has learned: parameters, covariance, seen ranges; and its flat table.

`LossPosterior` is shared by the single-pump and the whole-line estimator. Parameters are
named: ``static`` and ``static_scale`` (level datum, level scale and density; they move the
true pressure), ``gauge:<name>`` and ``gauge_scale:<name>`` (they move only what that gauge
reads), ``loss:<segment>`` in pascal at a stated reference flow, and ``exponent``.
"""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator

from .solve import Array, GaussianFit, exponents_of, loss_shape, loss_shape_slope

# Extrapolation must not lean on the maker's accuracy of a gauge: a gauge out of calibration
# is the commonest fault of all. Offsets are doubted by this factor before a row far from
# the seen flows is served.
OFFSET_DOUBT = 10.0

# Nor on slopes found in the noise of a nearly constant flow: however many rows there are, in
# that test they count as at most this many independent ones, each with a flow that repeats
# no better than this share of its value (common practice for plant meters, no source).
MOST_ROWS_TRUSTED = 30.0
FLOW_REPEATABILITY = 0.005

# A power law stands in for Colebrook's curve: its local exponent drifts by about this much
# between the flows seen and those half or twice as large (computed for suction pipes of
# 0.1 to 0.6 m), however well the rows pin it down.
EXPONENT_FORM_U = 0.015

# A loss is unphysical when it is below zero by more than twice its uncertainty, which is never
# taken as less than this [Pa]: a wall tap and a level are not read better.
LEAST_LOSS_U = 50.0

FRAME_COLUMNS = ("item", "name", "other", "value", "value_u", "text")

__all__ = [
    "EXPONENT_FORM_U",
    "FRAME_COLUMNS",
    "OFFSET_DOUBT",
    "LossPosterior",
    "doubted_covariance",
    "saved_settings",
    "settings_of",
]


@dataclass(frozen=True)
class LossPosterior:
    """Parameters of a fitted suction line.

    Parameters
    ----------
    names : tuple of str
        Parameter names: linear ones, then losses, then ``exponent``.
    mean, prior_mean, prior_u : array of shape (m,)
        Posterior and prior [Pa or -].
    covariance, doubted_covariance : array of shape (m, m)
        Posterior, and the posterior had the offsets been known `OFFSET_DOUBT` times worse.
    segments : tuple of str
        Names of the losses, in the order of the columns of ``flows``.
    reference_flow : array of shape (s,)
        Flow at which each loss is stated [m3/s].
    fixed_exponent : array of shape (s,)
        Exponent of losses that do not share the fitted one, else NaN [-].
    pivot : float
        Static pressure about which the scale parameters turn [Pa].
    residual_u : float
        Scatter of one row about the fit [Pa].
    numbers : mapping
        Further figures of the fit, by name.
    texts : mapping
        Statuses of the fit, by name.
    """

    names: tuple[str, ...]
    mean: Array
    covariance: Array
    doubted_covariance: Array
    prior_mean: Array
    prior_u: Array
    segments: tuple[str, ...]
    reference_flow: Array
    fixed_exponent: Array
    pivot: float
    residual_u: float
    numbers: Mapping[str, float] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)

    def with_figures(self, numbers: Mapping[str, float], texts: Mapping[str, str]) -> LossPosterior:
        """Return the same posterior with further figures and statuses."""
        return replace(self, numbers={**self.numbers, **numbers}, texts={**self.texts, **texts})

    @property
    def linear_names(self) -> tuple[str, ...]:
        """Names of the linear parameters."""
        return self.names[: len(self.names) - len(self.segments) - 1]

    def loss(self, segment: str) -> tuple[float, float]:
        """Loss of a segment at its reference flow and its standard uncertainty [Pa]."""
        index = len(self.linear_names) + self.segments.index(segment)
        return float(self.mean[index]), float(np.sqrt(self.covariance[index, index]))

    def is_unphysical(self, segment: str) -> bool:
        """Whether a segment would gain pressure, beyond what its uncertainty leaves open."""
        loss, loss_u = self.loss(segment)
        return loss + 2.0 * max(loss_u, LEAST_LOSS_U) < 0.0

    def parameter(self, name: str) -> tuple[float, float]:
        """Value and standard uncertainty of a named parameter [Pa or -]."""
        index = self.names.index(name)
        return float(self.mean[index]), float(np.sqrt(self.covariance[index, index]))

    def value(self, known: Array, linear: Array, flows: Array, *, prior: bool = False) -> Array:
        """Pressure of rows [Pa], by the posterior or by the prior alone."""
        mean = self.prior_mean if prior else self.mean
        p, s = linear.shape[1], flows.shape[1]
        shape = loss_shape(flows / self.reference_flow, self._exponents(mean))
        return known + linear @ mean[:p] - shape @ mean[p : p + s]

    def _exponents(self, mean: Array) -> Array:
        return exponents_of(self.fixed_exponent, float(mean[-1]))

    def value_u(
        self, linear: Array, flows: Array, *, doubted: bool = False, prior: bool = False
    ) -> Array:
        """Standard uncertainty of `value` from the parameters [Pa]; no row scatter."""
        mean = self.prior_mean if prior else self.mean
        p, s = linear.shape[1], flows.shape[1]
        scaled = flows / self.reference_flow
        exponent = self._exponents(mean)
        free = np.where(np.isnan(self.fixed_exponent), mean[p : p + s], 0.0)
        slope = -(loss_shape_slope(scaled, exponent) @ free)
        jacobian = np.column_stack([linear, -loss_shape(scaled, exponent), slope])
        if prior:
            return np.sqrt(np.square(jacobian) @ np.square(self.prior_u))
        covariance = self.doubted_covariance if doubted else self.covariance
        variance = np.einsum("ij,jk,ik->i", jacobian, covariance, jacobian)
        variance = variance + np.square(EXPONENT_FORM_U * slope)
        # A missing flow stays missing; rounding may leave a variance a hair below zero.
        return np.sqrt(np.where(variance < 0.0, 0.0, variance))

    def losses(self, flows: Array) -> Array:
        """Loss of each segment in each row [Pa], shape (n, s)."""
        p, s = len(self.linear_names), len(self.segments)
        shape = loss_shape(flows / self.reference_flow, self._exponents(self.mean))
        return shape * self.mean[p : p + s]

    def random_u(
        self, flows: Array, scatter_u: float, *, flow_noise_u: float, static_noise_u: float
    ) -> Array:
        """Random uncertainty of a predicted row [Pa].

        Parameters
        ----------
        flows : array of shape (n, s)
            Flows of the rows [m3/s].
        scatter_u : float
            Scatter of a training row [Pa].
        flow_noise_u : float
            Random relative uncertainty of the flows of such a row [-]; a relative change of
            all flows moves the losses n times as much.
        static_noise_u : float
            Random uncertainty of static pressure of such a row [Pa].
        """
        fixed = np.hypot(scatter_u, static_noise_u)
        moved = float(self.mean[-1]) * flow_noise_u * self.losses(flows).sum(axis=1)
        return np.hypot(fixed, moved)

    def to_frame(self) -> pd.DataFrame:
        """Return everything as one flat table of fixed columns.

        Returns
        -------
        DataFrame
            Columns ``item, name, other, value, value_u, text``; one row per parameter
            (``item`` = ``parameter``), covariance element (``covariance``,
            ``doubted_covariance``), prior, reference flow, figure and status.
        """
        rows: list[tuple[str, str, str, float, float, str]] = []
        nan = float("nan")
        deviation = np.sqrt(np.diag(self.covariance))
        for i, name in enumerate(self.names):
            rows.append(("parameter", name, "", float(self.mean[i]), float(deviation[i]), ""))
            rows.append(("prior", name, "", float(self.prior_mean[i]), float(self.prior_u[i]), ""))
            for j in range(i, len(self.names)):
                other = self.names[j]
                rows.append(("covariance", name, other, float(self.covariance[i, j]), nan, ""))
                rows.append(
                    ("doubted_covariance", name, other,
                     float(self.doubted_covariance[i, j]), nan, "")
                )  # fmt: skip
        for j, segment in enumerate(self.segments):
            rows.append(("reference_flow", segment, "", float(self.reference_flow[j]), nan, ""))
            rows.append(("fixed_exponent", segment, "", float(self.fixed_exponent[j]), nan, ""))
        numbers = {"pivot": self.pivot, "residual_u": self.residual_u, **self.numbers}
        rows += [("number", key, "", float(value), nan, "") for key, value in numbers.items()]
        rows += [("text", key, "", nan, nan, value) for key, value in self.texts.items()]
        return pd.DataFrame(rows, columns=list(FRAME_COLUMNS))

    @classmethod
    def from_frame(cls, frame: pd.DataFrame) -> LossPosterior:
        """Rebuild a posterior from `to_frame`; the order of rows does not matter within items.

        Raises
        ------
        ValueError
            When a column or a needed item is missing.
        """
        missing = [name for name in FRAME_COLUMNS if name not in frame.columns]
        if missing:
            raise ValueError(
                f"A fit table must have the columns {', '.join(FRAME_COLUMNS)}. "
                f"Missing: {', '.join(missing)}."
            )
        parts = {str(item): part for item, part in frame.groupby("item", sort=False)}
        needed = ["parameter", "prior", "covariance", "doubted_covariance", "number"]
        absent = [item for item in needed if item not in parts]
        if absent:
            raise ValueError(f"A fit table must have the items {', '.join(needed)}. "
                             f"Missing: {', '.join(absent)}.")  # fmt: skip
        names = tuple(str(name) for name in parts["parameter"]["name"])
        place = {name: i for i, name in enumerate(names)}
        prior = parts["prior"].set_index("name").loc[list(names)]

        def matrix(item: str) -> Array:
            result = np.zeros((len(names), len(names)))
            part = parts[item]
            i = part["name"].map(place).to_numpy()
            j = part["other"].map(place).to_numpy()
            result[i, j] = part["value"].to_numpy(dtype=float)
            result[j, i] = result[i, j]
            return result

        flows = parts.get("reference_flow", frame.iloc[:0])
        numbers = dict(
            zip(parts["number"]["name"], parts["number"]["value"].astype(float), strict=True)
        )
        fixed = parts.get("fixed_exponent", frame.iloc[:0])
        texts = parts.get("text", frame.iloc[:0])
        return cls(
            names=names,
            mean=parts["parameter"]["value"].to_numpy(dtype=float),
            covariance=matrix("covariance"),
            doubted_covariance=matrix("doubted_covariance"),
            prior_mean=prior["value"].to_numpy(dtype=float),
            prior_u=prior["value_u"].to_numpy(dtype=float),
            segments=tuple(str(name) for name in flows["name"]),
            reference_flow=flows["value"].to_numpy(dtype=float),
            fixed_exponent=fixed["value"].to_numpy(dtype=float),
            pivot=numbers.pop("pivot"),
            residual_u=numbers.pop("residual_u"),
            numbers=numbers,
            texts=dict(zip(texts["name"], texts["text"], strict=True)),
        )


def settings_of(estimator: BaseEstimator) -> dict[str, float]:
    """Numbers among an estimator's parameters, named for the table."""
    return {
        f"setting:{name}": float(value)
        for name, value in estimator.get_params(deep=False).items()
        if isinstance(value, int | float) and not isinstance(value, bool)
    }


def saved_settings(kind: type[BaseEstimator], numbers: Mapping[str, float]) -> dict[str, Any]:
    """Parameters that a table holds for a kind of estimator."""
    known = inspect.signature(kind).parameters
    given = {key.removeprefix("setting:"): value for key, value in numbers.items()
             if key.startswith("setting:")}  # fmt: skip
    return {name: value for name, value in given.items() if name in known}


def doubted_covariance(fit: GaussianFit, names: tuple[str, ...], prior_u: Array) -> Array:
    """Covariance for judging extrapolation: worse offsets, fewer rows, noisy flows [Pa2].

    Parameters
    ----------
    fit : GaussianFit
        The fit.
    names : tuple of str
        Parameter names.
    prior_u : array of shape (m,)
        Prior uncertainty of each parameter [Pa or -].

    Returns
    -------
    array of shape (m, m)
        Covariance; see `OFFSET_DOUBT`, `MOST_ROWS_TRUSTED` and `FLOW_REPEATABILITY`.
    """
    wide = prior_u.copy()
    offset = [name == "static" or name.startswith("gauge:") for name in names]
    wide[np.array(offset)] *= OFFSET_DOUBT
    active = wide > 0.0
    active[-1] = active[-1] and fit.exponent_status == "estimated"
    from_flow = FLOW_REPEATABILITY * float(fit.mean[-1]) * fit.mean_loss
    share = min(1.0, MOST_ROWS_TRUSTED / max(fit.effective_rows, 1.0))
    share *= fit.residual_u**2 / (fit.residual_u**2 + from_flow**2)
    information = fit.information - (1.0 - share) * fit.series_information
    scale = wide[active]
    inner = information[np.ix_(active, active)] * scale[:, None] * scale[None, :]
    inverse = np.linalg.inv(inner + np.eye(scale.size))
    result = np.zeros_like(fit.covariance)
    result[np.ix_(active, active)] = 0.5 * (inverse + inverse.T) * np.outer(scale, scale)
    if not active[-1] and prior_u[-1] > 0.0:
        drift = -result @ information[:, -1]
        drift[-1] = 1.0
        result += np.outer(drift, drift) * prior_u[-1] ** 2
    return result
