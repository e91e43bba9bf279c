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

from pipeline.hydraulics._numeric import STANDARD_GRAVITY
from pipeline.performance._cause_shapes import SHAPE_U, probabilities
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.circumstances import ALIKE_DAYS
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
LIKELY = 0.05  # least probability of a shared meter that is to be the one cause
LEAST_CERTAINTY = 2.5  # deviations below this many standard uncertainties are no evidence
OFTEN = 0.1  # share of running from which a low margin of suction head can matter
GAUGE_TOLERANCE = 3.0  # standard uncertainties beyond which a pump-off check speaks
GAUGE_SHARE = 0.5  # share of the loss a gauge must explain to be its cause
GAUGES = {"suction": "suction_gauge", "discharge": "discharge_gauge"}

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
        Whether other pumps run on the same flow meter, whether all of them moved as by the same
        part of flow, and whether some of them clearly did not move; neither where it is not
        known.
    level_shared, level_sisters_moved_alike : bool
        Whether other pumps' suction pressure is modelled from the same level, and whether all
        of them moved alike.
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
        ``head_deviation_u``, ``power_deviation``, ``power_deviation_u`` [-], ``n_points``, and
        ``head_deviation_mean_u``, ``power_deviation_mean_u``: the same in every row, that of
        the mean of all points [-].

    Notes
    -----
    The random part of a class is the scatter of its points over the root of their number, but
    not below that of independent days, of which there are as many as dates. Days next to each
    other are alike at all flows, so that the mean of all is less sure than its classes say.
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
    columns = [
        "flow", *names, *(f"{name}_u" for name in names), "n_points",
        *(f"{name}_mean_u" for name in names),
    ]  # fmt: skip
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
        daily = table.groupby("day")[name].mean()
        spread = daily.var(ddof=1) if len(daily) > 1 else SHAPE_U**2
        result[f"{name}_mean_u"] = np.hypot(
            np.sqrt(ALIKE_DAYS * spread / len(daily)), systematic.mean()
        )
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
    scores = probabilities(table, baseline, possible)
    fitting = {cause: p for cause, p in scores.items() if p >= LEAST_PROBABILITY}
    why = "the causes left are those that change head and power over flow as seen"
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
    shared = {}
    # A wrong meter moves a pump along its own two curves by a part of its flow: pumps that lose
    # head and power together, or leak as the head drives, wear alike by chance.
    meter = known.meter_shared and known.sisters_moved_alike
    if meter and probabilities(table, baseline, {"flow_meter"})["flow_meter"] >= LIKELY:
        shared["flow_meter"] = "all pumps on the shared flow meter moved by one part of flow"
    # A wrong level is in the head of all pumps and in the power of none.
    power = abs(float(table["power_deviation"].mean()))
    still = power < LEAST_CERTAINTY * _mean_u(table, "power")
    if known.level_shared and known.level_sisters_moved_alike and still:
        shared["suction_gauge"] = "all pumps on the shared level moved alike"
    if len(shared) > 1:
        # Pumps that share both: head and power over flow may tell which of the two it is.
        fit = probabilities(table, baseline, set(shared))
        likely = {cause: why for cause, why in shared.items() if fit[cause] >= LEAST_PROBABILITY}
        shared = likely or shared
    if shared:
        why = " and ".join(shared.values())
        others = set(CAUSES) - set(shared) - {"insufficient_evidence"}
        return _verdict(tuple(shared), dict.fromkeys(others, why), table, why)
    for side, cause in GAUGES.items():
        if side == "suction" and known.suction_source != "measured":
            continue
        offset = getattr(known, f"{side}_gauge_offset")
        offset_u = getattr(known, f"{side}_gauge_offset_u")
        if not abs(offset) > GAUGE_TOLERANCE * offset_u:
            continue
        seen = float(table["head_deviation"].mean())
        shown, shown_u = _shown_by(side, known, table, baseline)
        head_u = np.hypot(_mean_u(table, "head"), shown_u)
        left = abs(seen - shown)
        if left < LEAST_CERTAINTY * head_u and left < GAUGE_SHARE * abs(seen) and still:
            rest = f"the {side} gauge moved as much while the pump stood"
            return _single(cause, table, rest)
    return None


def _shown_by(
    side: str, known: Circumstances, table: pd.DataFrame, baseline: BaselineCurve
) -> tuple[float, float]:
    """Mean head deviation a gauge shows by what it moved with the pump off, and its uncertainty."""
    sign = -1.0 if side == "suction" else 1.0
    head = baseline.predict_head(table["flow"].to_numpy(dtype=float))
    part = float(np.mean(1.0 / (baseline.density * STANDARD_GRAVITY * head)))
    offset = getattr(known, f"{side}_gauge_offset")
    return sign * offset * part, getattr(known, f"{side}_gauge_offset_u") * part


def _mean_u(table: pd.DataFrame, name: str) -> float:
    """Standard uncertainty of the mean deviation of all points."""
    return float(np.hypot(table[f"{name}_deviation_mean_u"].mean(), 0.5 * SHAPE_U))


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
    seen = float(table["head_deviation"].mean())
    for side, cause in GAUGES.items():
        shown, shown_u = _shown_by(side, known, table, baseline)
        # A loss that is itself unsure is no evidence against a gauge that explains most of it.
        short = GAUGE_SHARE * abs(seen) - float(np.sign(seen)) * shown
        unsure = GAUGE_TOLERANCE * np.hypot(shown_u, GAUGE_SHARE * _mean_u(table, "head"))
        if (measured or side == "discharge") and short > unsure:
            excluded[cause] = "with the pump off it has moved by less than half of that"
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


def _off(deviation: float) -> str:
    """Say a deviation from the baseline in words."""
    if abs(deviation) < 0.0005:
        return "as in its baseline"
    return f"{100 * abs(deviation):.1f} % {'above' if deviation > 0.0 else 'below'} its baseline"


def _verdict(
    causes: tuple[str, ...], excluded: dict[str, str], table: pd.DataFrame, why: str
) -> Verdict:
    if table.empty:
        return Verdict(causes, excluded, "No deviation from a baseline is known.", CHECKS["wait"])
    head, power = float(table["head_deviation"].mean()), float(table["power_deviation"].mean())
    evidence = (
        f"At the same flow, over {len(table)} flow ranges, head is {_off(head)} and power "
        f"{_off(power)}; {why}."
    )
    return Verdict(causes, dict(sorted(excluded.items())), evidence, best_check(causes))
