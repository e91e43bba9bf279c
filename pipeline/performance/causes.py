"""Which causes a loss cannot be told apart from: a verdict is the set not excluded.

Each cause says how head and power must deviate over the range of flow, up to a size it may
choose freely. A cause is excluded only where no size fits the deviations within their
uncertainty, or where a check says it cannot be: pump-off readings for a gauge, sister pumps
for a shared meter, a working suction gauge for the suction line. Several look the same:
leakage of two per cent and a meter two per cent low move the same points the same way, and on
a flat power curve leakage looks like any loss of head. They stay together in the verdict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import lsq_linear
from scipy.stats import chi2

from pipeline.hydraulics._numeric import STANDARD_GRAVITY
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.site_checks import CHECKS, best_check

CAUSES = {
    "internal_wear": "internal leakage through worn clearances",
    "impeller_damage": "damage to the impeller or a changed trim",
    "suction_restriction": "a restriction on the suction side, such as a fouled strainer",
    "suction_gauge": "an error of the suction gauge or of the level it is modelled from",
    "discharge_gauge": "an error of the discharge gauge",
    "flow_meter": "an error of the flow meter",
    "power_meter_or_motor": "an error of the power meter, or a changed motor or drive",
    "check_valve_leakage": "backflow through the check valve of an idle pump",
    "reversible": "a reversible loss: ragging, air, vortex, or low margin of suction head",
    "off_design": "operation far from the best efficiency point",
    "insufficient_evidence": "too little evidence to say",
}
"""Every cause a verdict can name, and what it means."""

LEAST_PROBABILITY = 0.003  # a cause less likely than this to look as seen is excluded
# Shapes are not exact: the affinity laws, the curve and "constant" errors all bend a little.
SHAPE_U = 0.003
LEAST_CERTAINTY = 2.5  # deviations below this many standard uncertainties are no evidence
LARGEST = {"leakage": 0.4, "head": 0.4, "power": 0.4, "flow": 0.3, "metres": 0.5}
OFTEN = 0.1  # share of running from which a low margin of suction head can matter
GAUGE_TOLERANCE = 3.0  # standard uncertainties an offset of a pump-off check may explain

Floats = NDArray[np.float64]

__all__ = ["CAUSES", "Circumstances", "Verdict", "find_causes", "flow_signature"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What else is known about the pump, its instruments and its neighbours.

    Parameters
    ----------
    suction_source : str
        'measured', 'modelled', 'sister', 'survey', 'drawing' or 'level_only'.
    suction_tap_before_strainer : bool
        Whether something that can clog lies between the suction tap and the pump.
    suction_gauge_offset, suction_gauge_offset_u : float
        Change of the suction gauge's pump-off reading since the baseline, and its standard
        uncertainty; NaN without checks [Pa].
    discharge_gauge_offset, discharge_gauge_offset_u : float
        The same of the discharge gauge [Pa].
    flow_meter_checked : bool
        Whether a second meter or a volume balance agrees since the baseline.
    meter_shared, sisters_moved_alike, sisters_stood : bool
        Whether other pumps run on the same flow meter, whether all of them moved alike, and
        whether some of them clearly did not; neither where it is not known.
    level_shared, level_sisters_moved_alike : bool
        The same for the level the suction pressure is modelled from.
    parallel_pumps : bool
        Whether an idle pump could pass flow back.
    recovered_at_cleaning : bool
        Whether the loss went away when strainer or suction line were cleaned.
    sudden : bool
        Whether the loss came suddenly.
    cleared_after_restart : bool
        Whether it went away though nobody worked on the pump, as after a stop and start.
    only_at_low_level : bool
        Whether it shows only while the level is low.
    share_below_npsh_margin : float
        Share of running with too small a margin of suction head [-].
    motor_or_meter_changed : bool
        Whether motor, drive or power meter were worked on.
    share_off_design : float
        Share of running outside the preferred operating region [-].
    """

    suction_source: str = "level_only"
    suction_tap_before_strainer: bool = False
    suction_gauge_offset: float = np.nan
    suction_gauge_offset_u: float = np.nan
    discharge_gauge_offset: float = np.nan
    discharge_gauge_offset_u: float = np.nan
    flow_meter_checked: bool = False
    meter_shared: bool = False
    sisters_moved_alike: bool = False
    sisters_stood: bool = False
    level_shared: bool = False
    level_sisters_moved_alike: bool = False
    parallel_pumps: bool = True
    recovered_at_cleaning: bool = False
    sudden: bool = False
    cleared_after_restart: bool = False
    only_at_low_level: bool = False
    share_below_npsh_margin: float = 0.0
    motor_or_meter_changed: bool = False
    share_off_design: float = 0.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """Causes not excluded, and how to shrink the set.

    Parameters
    ----------
    causes : tuple of str
        Keys of `CAUSES`, the best fitting first.
    excluded : dict of str to str
        The other causes of a performance loss, each with the reason.
    evidence : str
        One sentence.
    site_check : str
        The one check on site that would shrink the set most.
    """

    causes: tuple[str, ...]
    excluded: dict[str, str]
    evidence: str
    site_check: str


def flow_signature(
    points: pd.DataFrame, deviations: pd.DataFrame, baseline: BaselineCurve, bins: int = 5
) -> pd.DataFrame:
    """Mean deviations by flow.

    Parameters
    ----------
    points : DataFrame
        Operating points of the days in question: ``flow`` [m3/s], optional ``speed_ratio`` [-]
        and ``time``.
    deviations : DataFrame
        What `pipeline.performance.deviation.deviation` gave for them, same row order.
    baseline : BaselineCurve
        The baseline.
    bins : int
        Most classes of flow, each with as many points [-].

    Returns
    -------
    DataFrame
        Range index, rising ``flow`` [m3/s] at reference speed; ``head_deviation``,
        ``head_deviation_u``, ``power_deviation``, ``power_deviation_u`` [-], ``n_points``.

    Notes
    -----
    The random part of a class is the scatter of its points over the root of their number, but
    not below that of independent days, of which there are as many as dates.
    """
    ok = (deviations["deviation_status"] == "ok").to_numpy()
    flow = points["flow"].to_numpy(dtype=float)
    if "speed_ratio" in points.columns:
        flow = flow / points["speed_ratio"].to_numpy(dtype=float)
    table = deviations.loc[ok].assign(flow=flow[ok])
    if "time" in points.columns:
        stamps = pd.DatetimeIndex(points["time"])[ok]
        table = table.assign(day=stamps.floor("D"))
    else:
        table = table.assign(day=np.arange(len(table)))
    names = ["head_deviation", "power_deviation"]
    columns = ["flow", *names, *(f"{name}_u" for name in names), "n_points"]
    if table.empty:
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in columns})
    width = 0.02 * 0.5 * (baseline.q_min_ + baseline.q_max_)
    wanted = int(min(bins, max(1.0, np.ptp(table["flow"].to_numpy()) / width)))
    rank = table["flow"].rank(method="first").to_numpy()
    group = np.minimum((rank - 1) * wanted / len(table), wanted - 1).astype(int)
    grouped = table.groupby(group)
    result = grouped[["flow", *names]].mean()
    days = grouped["day"].nunique()
    for name in names:
        scatter = grouped[name].std(ddof=1).fillna(SHAPE_U)
        systematic = grouped[f"{name}_u_systematic"].mean()
        result[f"{name}_u"] = np.hypot(scatter / np.sqrt(days), systematic)
    result["n_points"] = grouped.size().astype(float)
    return result.reset_index(drop=True)[columns]


def find_causes(signature: pd.DataFrame, baseline: BaselineCurve, known: Circumstances) -> Verdict:
    """Find the causes that cannot be excluded.

    Parameters
    ----------
    signature : DataFrame
        As `flow_signature` gives it [-].
    baseline : BaselineCurve
        The baseline the deviations are from.
    known : Circumstances
        What else is known.

    Returns
    -------
    Verdict
        The set, the reasons, one sentence and one check.

    Notes
    -----
    Sizes are fitted by weighted least squares and judged by chi-squared. Where no single cause
    fits, more than one is at work and only what a check excludes is excluded.
    """
    table = signature.dropna(subset=["head_deviation", "power_deviation"])
    if known.recovered_at_cleaning:
        # What is left after the cleaning need not be clear: what went tells.
        return _single("suction_restriction", table, "the loss went at the cleaning")
    clear = _certainty(table)
    if baseline.status_ != "ok" or table.empty or clear < LEAST_CERTAINTY:
        return _verdict(("insufficient_evidence",), {}, table, "the deviations are not clear")
    settled = _settled(known, table, baseline)
    if settled is not None:
        return settled

    excluded = _excluded_by_checks(known, table, baseline)
    possible = set(CAUSES) - set(excluded) - {"off_design", "insufficient_evidence"}
    scores = _probabilities(table, baseline, possible)
    fitting = {cause: p for cause, p in scores.items() if p >= LEAST_PROBABILITY}
    why = "the fit of head and power over flow"
    if fitting:
        # Leakage and a meter that reads low part only by a root of head against a flow: no fit
        # is trusted to tell them apart, a check of the meter is.
        pair = {"internal_wear", "flow_meter"} & scores.keys()
        if pair & fitting.keys() and float(table["head_deviation"].mean()) < 0.0:
            fitting |= {cause: scores[cause] for cause in pair}
        for cause in scores.keys() - fitting.keys():
            excluded[cause] = "head and power over flow do not look like it"
    else:
        fitting = scores
        why = "no single cause fits, so more than one is at work"
    # Two ways of saying the same figure differ by rounding only; the order must not.
    order = sorted(fitting, key=lambda cause: (-round(fitting[cause], 6), cause))
    if known.share_off_design > 0.5:
        order.append("off_design")
    causes = tuple(order) or ("insufficient_evidence",)
    if causes == ("internal_wear",) and known.suction_source != "measured":
        causes = ("internal_wear", "suction_restriction", "suction_gauge")
        excluded = {k: v for k, v in excluded.items() if k not in causes}
    return _verdict(causes, excluded, table, why)


def _certainty(table: pd.DataFrame) -> float:
    """Largest mean deviation over its standard uncertainty."""
    if table.empty:
        return 0.0
    found = []
    for name in ("head_deviation", "power_deviation"):
        # Classes share the systematic part, so their uncertainties do not average out.
        u = np.hypot(table[f"{name}_u"].mean() / np.sqrt(len(table)), 0.5 * SHAPE_U)
        found.append(abs(float(table[name].mean())) / float(u))
    return max(found)


def _settled(known: Circumstances, table: pd.DataFrame, baseline: BaselineCurve) -> Verdict | None:
    """A single cause, where a check leaves no other."""
    rest = "a check settles it"
    shared = {}
    if known.meter_shared and known.sisters_moved_alike:
        shared["flow_meter"] = "all pumps on the shared flow meter moved alike"
    if known.level_shared and known.level_sisters_moved_alike:
        shared["suction_gauge"] = "all pumps on the shared level moved alike"
    if len(shared) > 1:
        # Pumps that share both: head and power over flow may tell which of the two it is.
        fit = _probabilities(table, baseline, set(shared))
        likely = {cause: why for cause, why in shared.items() if fit[cause] >= LEAST_PROBABILITY}
        shared = likely or shared
    if shared:
        why = " and ".join(shared.values())
        others = set(CAUSES) - set(shared) - {"insufficient_evidence"}
        return _verdict(tuple(shared), dict.fromkeys(others, why), table, why)
    for side, cause in (("suction", "suction_gauge"), ("discharge", "discharge_gauge")):
        offset = getattr(known, f"{side}_gauge_offset")
        offset_u = getattr(known, f"{side}_gauge_offset_u")
        if side == "suction" and known.suction_source != "measured":
            continue
        if np.isfinite(offset) and np.isfinite(offset_u) and abs(offset) > 3.0 * offset_u:
            metres = offset / (baseline.density * STANDARD_GRAVITY)
            metres = -metres if side == "suction" else metres
            head = baseline.predict_head(table["flow"].to_numpy())
            left = table["head_deviation"].to_numpy() - metres / head
            extra = offset_u / (baseline.density * STANDARD_GRAVITY) / head
            remaining = table.assign(
                head_deviation=left, head_deviation_u=np.hypot(table["head_deviation_u"], extra)
            )
            if _certainty(remaining) < LEAST_CERTAINTY:
                rest = f"the {side} gauge moved as much while the pump stood"
                return _single(cause, table, rest)
    return None


def _single(cause: str, table: pd.DataFrame, why: str) -> Verdict:
    others = {name: why for name in CAUSES if name not in (cause, "insufficient_evidence")}
    return _verdict((cause,), others, table, why)


def _excluded_by_checks(
    known: Circumstances, table: pd.DataFrame, baseline: BaselineCurve
) -> dict[str, str]:
    excluded = {}
    measured = known.suction_source == "measured"
    if measured and not known.suction_tap_before_strainer:
        excluded["suction_restriction"] = "the suction gauge at the pump sees what is lost before"
    flow = table["flow"].to_numpy()
    metres = np.abs(table["head_deviation"].to_numpy() * baseline.predict_head(flow))
    pascals = float(np.mean(metres)) * baseline.density * STANDARD_GRAVITY
    for side, cause in (("suction", "suction_gauge"), ("discharge", "discharge_gauge")):
        offset = abs(getattr(known, f"{side}_gauge_offset"))
        offset_u = getattr(known, f"{side}_gauge_offset_u")
        in_use = measured or side == "discharge"
        reach = offset + GAUGE_TOLERANCE * offset_u
        if in_use and np.isfinite(reach) and reach < pascals:
            excluded[cause] = "its reading with the pump off has not moved enough"
    if known.flow_meter_checked:
        excluded["flow_meter"] = "a second meter or the volume balance agrees"
    elif known.meter_shared and known.sisters_stood:
        excluded["flow_meter"] = "other pumps on the same meter did not move"
    if not known.parallel_pumps:
        excluded["check_valve_leakage"] = "no idle pump can pass flow back"
    starved = known.only_at_low_level or known.share_below_npsh_margin >= OFTEN
    if not (known.sudden or known.cleared_after_restart or starved):
        excluded["reversible"] = (
            "it neither came suddenly, nor cleared, nor goes with a low level or margin of "
            "suction head"
        )
    if known.only_at_low_level or known.cleared_after_restart:
        why = "it comes and goes, and wear and damage do not"
        excluded["internal_wear"] = excluded["impeller_damage"] = why
    return excluded


@dataclass(frozen=True, slots=True)
class _Reference:
    """Baseline values at the flows of the signature."""

    flow: Floats
    head: Floats
    power: Floats

    @property
    def middle(self) -> float:
        return float(self.flow.mean())

    @property
    def middle_head(self) -> float:
        return float(self.head.mean())


def _linear_shapes(at: _Reference) -> dict[str, tuple[Floats, Floats, Floats]]:
    """Causes whose deviations are proportional to their sizes: columns and bounds.

    A column is the head deviations, then the power deviations, per unit of size.
    """
    none, ones = np.zeros(len(at.flow)), np.ones(len(at.flow))
    metres = at.middle_head / at.head

    def column(head: Floats, power: Floats) -> Floats:
        return np.concatenate([head, power])

    def shape(*sizes: tuple[Floats, float, float]) -> tuple[Floats, Floats, Floats]:
        columns, low, high = zip(*sizes, strict=True)
        return np.column_stack(columns), np.array(low), np.array(high)

    share, most_head, most_power = LARGEST["metres"], LARGEST["head"], LARGEST["power"]
    zero_error = column(metres, none)
    span_error = column(ones, none)
    return {
        # Head lost with up to twice as much power, as a smaller diameter takes; or head alone.
        "impeller_damage": shape(
            (column(-ones, none), 0.0, most_head), (column(-0.5 * ones, -ones), 0.0, most_power)
        ),
        "suction_restriction": shape(
            (column(-((at.flow / at.middle) ** 2) * metres, none), 0.0, most_head)
        ),
        "suction_gauge": shape((zero_error, -share, share), (span_error, -0.02, 0.02)),
        "discharge_gauge": shape((zero_error, -share, share), (span_error, -0.1, 0.1)),
        "power_meter_or_motor": shape((column(none, ones), -most_power, most_power)),
        "reversible": shape(
            (column(-ones, none), 0.0, most_head), (column(none, ones), -most_power, most_power)
        ),
    }


def _shifts(at: _Reference) -> dict[str, Floats]:
    """Causes that shift the flow axis: the shift at each size of a fine grid, by flow."""
    leak = np.linspace(0.0, LARGEST["leakage"], 201)[:, np.newaxis]
    meter = np.linspace(-LARGEST["flow"], LARGEST["flow"], 301)[:, np.newaxis]
    leakage = leak * at.middle * np.sqrt(at.head / at.middle_head)
    return {
        "internal_wear": leakage,
        "check_valve_leakage": leakage,
        # A reading low by a share: the pump runs further out on its curve than it says.
        "flow_meter": meter * at.flow,
    }


def _probabilities(
    table: pd.DataFrame, baseline: BaselineCurve, wanted: set[str]
) -> dict[str, float]:
    """Probability, for each cause, of deviations at least this far from its best fit."""
    flow = table["flow"].to_numpy(dtype=float)
    at = _Reference(flow, baseline.predict_head(flow), baseline.predict_power(flow))
    names = ("head_deviation", "power_deviation")
    seen = np.concatenate([table[name].to_numpy(dtype=float) for name in names])
    u = np.concatenate([np.hypot(table[f"{name}_u"].to_numpy(float), SHAPE_U) for name in names])
    found: dict[str, float] = {}
    for cause, (columns, low, high) in _linear_shapes(at).items():
        if cause in wanted:
            fit = lsq_linear(columns / u[:, np.newaxis], seen / u, bounds=(low, high))
            freedom = max(len(seen) - len(low), 1)
            found[cause] = float(chi2.sf(2.0 * fit.cost, freedom))
    for cause, shift in _shifts(at).items():
        if cause in wanted:
            # Along the curve inside its stated range, straight on from its end.
            inside = np.clip(flow + shift, baseline.q_min_, baseline.q_max_)
            rest = flow + shift - inside
            head = baseline.predict_head(inside) + baseline.head_slope(inside) * rest
            power = baseline.predict_power(inside) + baseline.power_slope(inside) * rest
            shown = np.hstack([head / at.head - 1.0, power / at.power - 1.0])
            squares = np.sum(((seen - shown) / u) ** 2, axis=1)
            found[cause] = float(chi2.sf(float(squares.min()), max(len(seen) - 1, 1)))
    return found


def _verdict(
    causes: tuple[str, ...], excluded: dict[str, str], table: pd.DataFrame, why: str
) -> Verdict:
    if table.empty:
        return Verdict(causes, excluded, "No deviation from a baseline is known.", CHECKS["wait"])
    head, power = float(table["head_deviation"].mean()), float(table["power_deviation"].mean())
    evidence = (
        f"Head is {100 * head:+.1f} % and power {100 * power:+.1f} % from the baseline at the same "
        f"flow, over {len(table)} classes of flow; {why}."
    )
    return Verdict(causes, dict(sorted(excluded.items())), evidence, best_check(causes))
