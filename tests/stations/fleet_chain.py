"""Cases of the pump fleet through the functions of the nightly job."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from pump_fleet import (
    DUTY_FLOW,
    DUTY_HEAD,
    GRID,
    INSTRUMENTS,
    START,
    Drawn,
    leakage_for,
    plant_pump,
    pump_head,
    pump_power,
)
from richmond import SPECIFIC_WEIGHT

from pipeline.jobs.baselines import Baseline, baseline_of, deviation_from
from pipeline.jobs.flag_circumstances import head_lean
from pipeline.jobs.flagging import watched_of
from pipeline.jobs.perform import daily_rows
from pipeline.jobs.pump_epochs import Epoch
from pipeline.jobs.trends import Drift, level_groups, one_trend
from pipeline.performance.causes import Circumstances, Verdict, find_causes, flow_signature
from pipeline.performance.circumstances import (
    gauge_offset,
    moved_alike,
    moved_by_one_part,
    recovered_at,
)
from pipeline.performance.flags import FlagReplay, Watched, replay_flags

SIGNATURE_DAYS = pd.Timedelta("30D")
FLOW_U = 0.010
HEAD_U = INSTRUMENTS["discharge"].systematic_absolute / (SPECIFIC_WEIGHT * DUTY_HEAD)


@dataclass(frozen=True)
class Chain:
    """One pump of a drawn case, processed."""

    drawn: Drawn
    pump: str = "P1"

    @cached_property
    def points(self) -> pd.DataFrame:
        """Steady operating points."""
        points = self.drawn.points[self.pump]
        return points[points["status"] == "steady"].reset_index(drop=True)

    @cached_property
    def baseline(self) -> Baseline:
        """Learned from the learning days."""
        end = self.points["time"].max() + pd.Timedelta("1D")
        epoch = Epoch(pump=plant_pump(self.pump), start=START, end=end)
        return baseline_of(epoch, self.points[self.points["time"] < self.drawn.learned_to])

    @cached_property
    def daily(self) -> pd.DataFrame:
        """Daily deviations."""
        found = daily_rows(self.points, self.baseline, "UTC", GRID).rename(columns={"day": "time"})
        found["n_points"] = found["points"]
        return found

    def rate(self, quantity: str = "head", assumption: str = "as_used") -> pd.Series:
        """One row of the trends."""
        daily = self.daily.assign(**level_groups(self.baseline, self.daily))
        quantities = dict.fromkeys(("head", "power", "efficiency"), 0.0)
        drift = Drift(deviations=quantities, flow_u=FLOW_U, head_u=HEAD_U)
        asked = (self.baseline, daily, drift)
        head_rate = one_trend(asked, "head")["rate"] if quantity == "power" else np.nan
        return pd.Series(one_trend(asked, quantity, assumption, head_rate))

    def replay(self, column: str | None = None) -> FlagReplay:
        """Replay the flags: of what is watched, or of one column alone."""
        daily, watched = watched_of(self.baseline, self.daily)
        if column is not None:
            watched = (Watched(column=column, words=column),)
        return replay_flags(daily, self.pump, self.drawn.learned_to, watched=watched)

    def verdict(self, flag: pd.Series, days: float, sister: Chain | None = None) -> Verdict:
        """Causes as seen some days after a flag opened."""
        end = min(flag["opened"] + pd.Timedelta(days=days), self.points["time"].max())
        start = end - SIGNATURE_DAYS
        within = (self.points["time"] >= start) & (self.points["time"] < end)
        points = self.points[within].reset_index(drop=True)
        curve = self.baseline.curve
        signature = flow_signature(points, deviation_from(points, self.baseline), curve)
        return find_causes(signature, curve, self._known(flag, start, end, sister))

    def _known(
        self, flag: pd.Series, start: pd.Timestamp, end: pd.Timestamp, sister: Chain | None
    ) -> Circumstances:
        case, learned = self.drawn.case, self.drawn.learned_to
        offsets = {
            f"{side}_gauge_offset{part}": value
            for side in ("suction", "discharge")
            for part, value in zip(
                ("", "_u"),
                gauge_offset(
                    self.drawn.rest[self.drawn.rest["time"] < end],
                    f"{side}_offset",
                    learned,
                    start,
                ),
                strict=True,
            )
        }
        recent = self.daily.loc[self.daily["time"] >= start, "suction_pressure_source"]
        modelled = {*recent.astype(str), self.baseline.suction_source} - {"measured"}
        alike = False
        if sister is not None:
            daily = [self.daily, sister.daily]
            alike = moved_alike(daily, "head_deviation", learned, start, end)
            if case.shared_meter:
                leans = [head_lean(self.baseline), head_lean(sister.baseline)]
                alike = alike and moved_by_one_part(
                    daily, "head_deviation", leans, learned, start, end
                )
        cleaned = learned + pd.Timedelta(days=min(case.cleaned_day, 1e4))
        went = cleaned < end and recovered_at(
            self.daily[self.daily["time"] < end], "head_deviation", cleaned
        )
        return Circumstances(
            suction_source=modelled.pop() if modelled else "measured",
            suction_tap_before_strainer=case.tap_before_strainer,
            meter_shared=case.shared_meter,
            sisters_moved_alike=alike and case.shared_meter,
            level_shared=case.shared_level,
            level_sisters_moved_alike=alike and case.shared_level,
            recovered_at_cleaning=went,
            sudden=flag["shape"] == "sudden",
            **offsets,
        )


def true_leakage_rate(rate: float, flow: float, days: float, quantity: str = "head") -> float:
    """Mean change per year at a flow, of a leakage planted by its loss of head at another [1/yr].

    The impeller passes the flow and what leaks back, which goes with the root of the head; its
    power is that of all it passes, and efficiency that of what is left.
    """
    if rate == 0.0:
        return 0.0
    years = days / 365.25
    share = float(leakage_for(rate * years))
    leaked = 0.0
    for _ in range(60):
        leaked = share * DUTY_FLOW * float(np.sqrt(pump_head(flow + leaked) / DUTY_HEAD))
    head = float(pump_head(flow + leaked) / pump_head(flow))
    power = float(pump_power(flow + leaked) / pump_power(flow))
    return ({"head": head, "power": power, "efficiency": head / power}[quantity] - 1.0) / years
