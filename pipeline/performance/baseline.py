"""The baseline curve of a pump: what head and power were at each flow when it was good.

Everything is at the reference speed and the reference density: points at another speed are
brought there by the affinity laws (flow with n, head with n**2, power with n**3) and power
is proportional to density. Efficiency is never fitted on its own; it follows from head and
power, so the three curves cannot contradict each other.
"""

from __future__ import annotations

from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.utils.validation import check_is_fitted

from pipeline.errors import ContractError, Fault
from pipeline.hydraulics._numeric import STANDARD_GRAVITY
from pipeline.performance._curve_fit import Fit, fit_curve, joint_covariance
from pipeline.performance._pump_curve import FACTS, PumpCurve
from pipeline.performance.reduction import REFERENCE_DENSITY, reduce_points

# Relative flow range below which no slope, no curvature, no third degree is asked of points.
RANGE_FOR_DEGREE = (0.02, 0.08, 0.25)
# A slope not seen in the data: head or power could change by as much as flow does.
UNSEEN_SLOPE_U = 1.0
# ISO 9906:2012 grade 2B, tolerance 5 % on head and 8 % on power (from memory), read as
# rectangular distributions.
MAKER_HEAD_U = 0.05 / 3**0.5
MAKER_POWER_U = 0.08 / 3**0.5

Floats = NDArray[np.float64]

__all__ = ["BaselineCurve"]


class BaselineCurve(PumpCurve):
    """Head, power and efficiency against flow, with uncertainty and a stated range.

    Parameters
    ----------
    power : {'electrical_power', 'shaft_power'}
        Which power the curve holds. With electrical power `predict_efficiency` is the
        overall efficiency, with shaft power the pump efficiency [-].
    density : float
        Reference density [kg/m3].
    monotone_head : bool
        Whether head may not rise with flow [-].
    max_degree : int
        Highest degree of the head and power curves [-].
    min_points : int
        Fewest points a baseline is learned from [-].

    Attributes
    ----------
    status_ : str
        'ok', 'insufficient_points' or 'unphysical'. Predictions are NaN unless 'ok'.
    source_ : str
        'learned' or 'maker'.
    q_min_, q_max_ : float
        Stated flow range at reference speed; outside it predictions are NaN [m3/s].
    mean_flow_ : float
        Flow that rates of change are stated for: the mean of the points learned from, weighted
        by the work done; the best efficiency flow of a maker's curve, or the middle of its
        range where that was not seen [m3/s].
    head_coefficients_, power_coefficients_ : ndarray
        Bernstein control values on ``[q_low_, q_high_]`` [m], [W].
    covariance_ : ndarray
        Covariance of the head coefficients followed by the power coefficients.
    best_efficiency_flow_, best_efficiency_flow_u_, best_efficiency_ : float
        Best efficiency point; NaN where the highest efficiency lies at an end of the range
        (then the best efficiency point was not seen) [m3/s], [m3/s], [-].
    head_scatter_, power_scatter_ : float
        Relative random scatter of single points about the curves [-].
    n_points_, n_rejected_ : int
        Points used and points left out as outliers [-].
    inflation_ : float
        Factor on the variance because neighbouring points are alike [-].

    Notes
    -----
    Valid for one impeller, trim and speed reference. Points whose flow hardly varies give a
    straight line, or a level with an unknown slope in its uncertainty, never a parabola.

    Examples
    --------
    >>> flow = np.linspace(0.05, 0.15, 11)
    >>> curve = pd.DataFrame({"flow": flow, "total_head": 50 - 1000 * flow**2,
    ...                       "efficiency": 0.8 - 30 * (flow - 0.11) ** 2})
    >>> baseline = BaselineCurve.from_curve_points(curve, power="shaft_power")
    >>> round(float(baseline.predict_head(0.10)), 2)
    40.0
    >>> round(baseline.best_efficiency_flow_, 3)
    0.11
    """

    def __init__(
        self,
        power: str = "electrical_power",
        *,
        density: float = REFERENCE_DENSITY,
        monotone_head: bool = True,
        max_degree: int = 3,
        min_points: int = 20,
    ) -> None:
        self.power = power
        self.density = density
        self.monotone_head = monotone_head
        self.max_degree = max_degree
        self.min_points = min_points

    # ---------------------------------------------------------------- learning

    def fit(self, points: pd.DataFrame, y: None = None) -> Self:
        """Learn the curve from steady operating points.

        Parameters
        ----------
        points : DataFrame
            As `reduce_points` takes; optional ``time`` (datetime64[us, UTC], interval
            start) tells how alike neighbouring points are; without it rows count as
            independent. One row per steady interval, rows with NaN are passed over.
        y : None
            Not used [-].

        Returns
        -------
        BaselineCurve
            Itself.

        Raises
        ------
        ContractError
            When a column is missing or the power column has another name.
        """
        self._check_power()
        reduced = reduce_points(points, self.power, self.density)
        day = np.zeros(len(points), dtype=np.int64)
        if "time" in points.columns:
            stamps = pd.DatetimeIndex(points["time"]).tz_convert("UTC").tz_localize(None)
            day = stamps.to_numpy().astype("datetime64[D]").astype(np.int64)
        names = ["flow", "total_head", self.power]
        values = reduced[names].to_numpy(dtype=float)
        good = np.isfinite(values).all(axis=1) & (values > 0).all(axis=1)
        self.source_ = "learned"
        if good.sum() < self.min_points:
            return self._refuse("insufficient_points", int(good.sum()))
        reduced = reduced.loc[good]
        order = np.argsort(day[good], kind="stable")
        reduced, day = reduced.iloc[order], day[good][order]

        # The first pass finds the bulk of the points, so that a few wild flows stretch
        # neither the interval of the polynomials nor the stated range.
        near = np.ones(len(reduced), dtype=bool)
        head_fit, power_fit = self._fit_both(reduced)
        for _ in range(3):
            inlier = head_fit.used & power_fit.used
            if inlier.all():
                break
            near[np.flatnonzero(near)[~inlier]] = False
            if near.sum() < self.min_points:
                return self._refuse("insufficient_points", int(near.sum()))
            head_fit, power_fit = self._fit_both(reduced.loc[near])
        flow = reduced["flow"].to_numpy()[near]
        self.q_min_, self.q_max_ = (float(q) for q in np.quantile(flow, (0.005, 0.995)))
        work = flow * reduced["total_head"].to_numpy()[near]
        self.mean_flow_ = float(np.sum(work * flow) / np.sum(work))
        self.n_points_ = int(near.sum())
        self.n_rejected_ = int((~near).sum())
        self._keep(head_fit, power_fit, day[near])
        return self._judge()

    def _fit_both(self, reduced: pd.DataFrame) -> tuple[Fit, Fit]:
        flow = reduced["flow"].to_numpy()
        self.q_low_, self.q_high_ = float(flow.min()), float(flow.max())
        x = self._position(flow)
        head_noise, power_noise = self._noise(reduced)
        highest = self._highest_degree(flow, reduced)
        fits = []
        for name, noise, falling in (
            ("total_head", head_noise, self.monotone_head),
            (self.power, power_noise, False),
        ):
            target = reduced[name].to_numpy()
            candidates = [
                fit_curve(x, target, degree, sigma=noise, falling=falling)
                for degree in range(min(1, highest), highest + 1)
            ]
            fits.append(min(candidates, key=lambda fit: fit.score))
        return fits[0], fits[1]

    def _highest_degree(self, flow: Floats, reduced: pd.DataFrame) -> int:
        relative = (self.q_high_ - self.q_low_) / (0.5 * (self.q_high_ + self.q_low_))
        highest = sum(relative >= limit for limit in RANGE_FOR_DEGREE)
        if "flow_u_random" in reduced.columns:
            noise = float(np.nanmedian(reduced["flow_u_random"].to_numpy()))
            # Flow that varies no more than its own noise shows no slope, only a flattened one.
            if np.isfinite(noise) and np.std(flow) < 3.0 * noise:
                highest = 0
        return int(min(highest, self.max_degree))

    def _noise(self, reduced: pd.DataFrame) -> tuple[Floats, Floats]:
        """Relative size of the random error of each head and power, in their units."""
        noises = []
        for name in ("total_head", self.power):
            value = reduced[name].to_numpy()
            noise = np.full(len(value), float(np.median(value)))
            column = f"{name}_u_random"
            if column in reduced.columns:
                given = reduced[column].to_numpy()
                usable = np.isfinite(given) & (given > 0)
                if usable.all():
                    # One overconfident instrument must not silence all other points.
                    noise = np.maximum(given, 0.3 * float(np.median(given)))
            noises.append(noise)
        return noises[0], noises[1]

    def _keep(self, head_fit: Fit, power_fit: Fit, day: NDArray[np.int64]) -> None:
        """Store coefficients and their joint covariance."""
        covariance, self.inflation_ = joint_covariance((head_fit, power_fit), day)
        self.head_coefficients_, covariance = self._open_slope(
            head_fit.coefficients, covariance, start=0
        )
        self.power_coefficients_, covariance = self._open_slope(
            power_fit.coefficients, covariance, start=len(self.head_coefficients_)
        )
        self.covariance_ = 0.5 * (covariance + covariance.T)
        self.head_scatter_ = float(
            np.median(head_fit.scale * head_fit.sigma) / np.median(head_fit.coefficients)
        )
        self.power_scatter_ = float(
            np.median(power_fit.scale * power_fit.sigma) / np.median(power_fit.coefficients)
        )

    def _open_slope(
        self, coefficients: Floats, covariance: Floats, start: int
    ) -> tuple[Floats, Floats]:
        """Turn a level into a line whose slope is unknown."""
        if len(coefficients) > 1:
            return coefficients, covariance
        size = len(covariance)
        widen = np.insert(np.eye(size), start, np.eye(size)[start], axis=0)
        wide: Floats = widen @ covariance @ widen.T
        middle = 0.5 * (self.q_low_ + self.q_high_)
        swing = UNSEEN_SLOPE_U * float(coefficients[0]) * (self.q_high_ - self.q_low_) / middle
        lever = np.zeros(size + 1)
        lever[start], lever[start + 1] = -0.5 * swing, 0.5 * swing
        return np.repeat(coefficients, 2), wide + np.outer(lever, lever)

    # -------------------------------------------------------------- maker's curve

    @classmethod
    def from_curve_points(
        cls,
        curve: pd.DataFrame,
        power: str = "shaft_power",
        *,
        density: float = REFERENCE_DENSITY,
        monotone_head: bool = True,
        max_degree: int = 4,
        head_u_relative: float = MAKER_HEAD_U,
        power_u_relative: float = MAKER_POWER_U,
    ) -> Self:
        """Make a baseline from a maker's curve or acceptance-test points.

        Parameters
        ----------
        curve : DataFrame
            One row per printed point: ``flow`` [m3/s], ``total_head`` [m] and either the
            `power` column [W] or ``efficiency`` [-]; at reference speed. Any index.
        power : {'shaft_power', 'electrical_power'}
            Which power the points or their efficiency belong to [-].
        density : float
            Density the power holds for [kg/m3].
        monotone_head : bool
            Whether head may not rise with flow [-].
        max_degree : int
            Highest degree of the curves [-].
        head_u_relative : float
            Relative standard uncertainty of the whole head curve; the default is the
            tolerance of ISO 9906:2012 grade 2B (from memory) as a rectangle [-].
        power_u_relative : float
            The same for power [-].

        Returns
        -------
        BaselineCurve
            The curve, with `source_` 'maker'.

        Raises
        ------
        ContractError
            When columns are missing.

        Notes
        -----
        A printed point at zero flow has no efficiency, so power at shut-off is known only
        where the power itself was printed.
        """
        self = cls(power, density=density, monotone_head=monotone_head, max_degree=max_degree)
        self._check_power()
        self.source_ = "maker"
        table = curve.copy()
        if power not in table.columns and {"flow", "total_head", "efficiency"} <= set(table):
            hydraulic = density * STANDARD_GRAVITY * table["flow"] * table["total_head"]
            table[power] = hydraulic / table["efficiency"].where(table["efficiency"] > 0)
        reduced = reduce_points(table, power, density).sort_values("flow", kind="stable")
        flow = reduced["flow"].to_numpy()
        head, watts = reduced["total_head"].to_numpy(), reduced[power].to_numpy()
        head_seen = np.isfinite(flow) & (flow >= 0) & np.isfinite(head)
        power_seen = np.isfinite(flow) & (flow >= 0) & np.isfinite(watts)
        count = int(min(head_seen.sum(), power_seen.sum()))
        if count < 3 or np.ptp(flow[power_seen]) <= 0:
            return self._refuse("insufficient_points", count)
        self.q_low_ = float(flow[head_seen].min())
        self.q_high_ = float(flow[head_seen].max())
        self.q_min_ = max(self.q_low_, float(flow[power_seen].min()))
        self.q_max_ = min(self.q_high_, float(flow[power_seen].max()))
        self.n_points_, self.n_rejected_, self.inflation_ = count, 0, 1.0
        fits, sizes = [], []
        for seen, values, falling in ((head_seen, head, monotone_head), (power_seen, watts, False)):
            highest = min(max_degree, int(seen.sum()) - 2)
            size = np.full(int(seen.sum()), float(np.median(values[seen])))
            fits.append(
                fit_curve(
                    self._position(flow[seen]),
                    values[seen],
                    max(highest, 1),
                    sigma=size,
                    falling=falling,
                    robust=False,
                )
            )
            sizes.append(size)
        spreads = [
            fit.influence * (fit.scale * size) for fit, size in zip(fits, sizes, strict=True)
        ]
        coefficients = [fit.coefficients for fit in fits]
        cut = len(coefficients[0])
        covariance = np.zeros((cut + len(coefficients[1]),) * 2)
        covariance[:cut, :cut] = spreads[0] @ spreads[0].T
        covariance[cut:, cut:] = spreads[1] @ spreads[1].T
        # The maker's tolerance moves a whole curve, not one point against the next.
        covariance[:cut, :cut] += head_u_relative**2 * np.outer(coefficients[0], coefficients[0])
        covariance[cut:, cut:] += power_u_relative**2 * np.outer(coefficients[1], coefficients[1])
        self.head_coefficients_, self.power_coefficients_ = coefficients
        self.covariance_ = covariance
        self.head_scatter_, self.power_scatter_ = fits[0].scale, fits[1].scale
        self.mean_flow_ = 0.5 * (self.q_min_ + self.q_max_)
        self._judge()
        if np.isfinite(self.best_efficiency_flow_):
            self.mean_flow_ = self.best_efficiency_flow_
        return self

    # ------------------------------------------------------------------- keeping

    def to_table(self) -> pd.DataFrame:
        """Write the curve as a flat table of numbers and words.

        Returns
        -------
        DataFrame
            Columns ``section`` ('setting', 'fact', 'head', 'power', 'covariance'),
            ``name``, ``row`` and ``column`` (int, -1 where not used), ``value`` (float) and
            ``text`` (str, empty where not used); range index.
        """
        check_is_fitted(self, "status_")
        rows: list[tuple[str, str, int, int, float, str]] = [
            ("setting", "power", -1, -1, np.nan, self.power),
            ("setting", "density", -1, -1, self.density, ""),
            ("setting", "monotone_head", -1, -1, float(self.monotone_head), ""),
            ("setting", "max_degree", -1, -1, float(self.max_degree), ""),
            ("setting", "min_points", -1, -1, float(self.min_points), ""),
            ("fact", "status_", -1, -1, np.nan, self.status_),
            ("fact", "source_", -1, -1, np.nan, self.source_),
        ]
        rows += [("fact", name, -1, -1, float(getattr(self, name)), "") for name in FACTS]
        for section, values in (
            ("head", self.head_coefficients_),
            ("power", self.power_coefficients_),
        ):
            rows += [(section, "", i, -1, float(v), "") for i, v in enumerate(values)]
        rows += [
            ("covariance", "", i, j, float(v), "") for (i, j), v in np.ndenumerate(self.covariance_)
        ]
        return pd.DataFrame(rows, columns=["section", "name", "row", "column", "value", "text"])

    @classmethod
    def from_table(cls, table: pd.DataFrame) -> Self:
        """Read a curve that `to_table` wrote.

        Parameters
        ----------
        table : DataFrame
            As `to_table` gives it; row order does not matter [-].

        Returns
        -------
        BaselineCurve
            The same curve.

        Raises
        ------
        ContractError
            When rows are missing.
        """
        sections = {str(name): part for name, part in table.groupby("section")}
        absent = {"setting", "fact", "head", "power", "covariance"} - set(sections)
        if absent:
            faults = [Fault(f"section {name}", "no rows", "its rows") for name in sorted(absent)]
            raise ContractError("This is not a whole baseline table.", faults)
        setting = sections["setting"].set_index("name")["value"].astype(float).to_dict()
        word = table.set_index("name")["text"].to_dict()
        self = cls(
            str(word["power"]),
            density=setting["density"],
            monotone_head=bool(setting["monotone_head"]),
            max_degree=int(setting["max_degree"]),
            min_points=int(setting["min_points"]),
        )
        fact = sections["fact"].set_index("name")["value"].astype(float).to_dict()
        self.status_, self.source_ = str(word["status_"]), str(word["source_"])
        for name in FACTS:
            setattr(self, name, fact[name])
        self.n_points_, self.n_rejected_ = int(self.n_points_), int(self.n_rejected_)
        self.head_coefficients_ = sections["head"].sort_values("row")["value"].to_numpy()
        self.power_coefficients_ = sections["power"].sort_values("row")["value"].to_numpy()
        size = len(self.head_coefficients_) + len(self.power_coefficients_)
        self.covariance_ = (
            sections["covariance"]
            .sort_values(["row", "column"])["value"]
            .to_numpy()
            .reshape(size, size)
        )
        return self._refuse(self.status_, self.n_points_) if self.status_ != "ok" else self._judge()
