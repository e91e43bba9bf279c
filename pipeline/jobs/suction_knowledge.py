"""What the suction stage found, cut to what bears on one month, and the models it stands for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.jobs.context import Run
from pipeline.jobs.line_friction import FRICTION, FRICTION_COLUMNS
from pipeline.jobs.suction import DRAWING, IN_FORCE, MODELS
from pipeline.months import Month
from pipeline.suction import SuctionLineModel
from pipeline.suction.replay import OWN_FLOW
from pipeline.tables.store import inputs_digest


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """What the suction stage found, of the whole history or as needed to fill one month.

    Parameters
    ----------
    checks : DataFrame
        Gauge checks.
    in_force, models : DataFrame
        Which fit of a line is in force in which month, and the coefficients of the fits.
    friction : DataFrame
        Friction of branches month by month, and what is missing from the pumps' rise.
    """

    checks: pd.DataFrame
    in_force: pd.DataFrame
    models: pd.DataFrame
    friction: pd.DataFrame

    def of_month(self, month: Month, start: pd.Timestamp, end: pd.Timestamp) -> Knowledge:
        """Keep what bears on a month, so that its digest rests while others change."""
        checks = self.checks[self.checks["excludes"].astype(bool)]
        checks = checks[(checks["start"] < end) & (checks["end"] > start)].copy()
        # What lies outside the month must not disturb it.
        checks["start"] = checks["start"].where(checks["start"] > start, start)
        checks["end"] = checks["end"].where(checks["end"] < end, end)
        checks = checks[["pump", "gauge", "check", "verdict", "start", "end", "magnitude"]]
        checks = checks.astype(dict.fromkeys(("pump", "gauge", "check", "verdict"), str))
        # Two digits of a size are enough to be wide by; more would never let a month rest.
        checks["magnitude"] = [float(f"{size:.1e}") for size in checks["magnitude"]]
        checks = checks.reset_index(drop=True)
        friction = self.friction[self.friction["month"] == month].reset_index(drop=True)
        use, models = self.in_force, self.models
        if len(use):
            use = _ending_by(use[use["month"] == month], end)
        if len(models):
            keys = ["line", "epoch", "model"]
            wanted = np.zeros(len(models), dtype=bool)
            if len(use):
                wanted = pd.MultiIndex.from_frame(models[keys]).isin(
                    pd.MultiIndex.from_frame(use[keys])
                )
            # A drawing bears on the months of its own span, whatever else is known.
            touching = (models["epoch"] < end) & (models["epoch_end"] > start)
            drawn = touching & (models["model"] == DRAWING)
            models = _ending_by(models[wanted | drawn], end)
        return Knowledge(checks=checks, in_force=use, models=models, friction=friction)

    def digest(self, start: pd.Timestamp, end: pd.Timestamp) -> str:
        """Give one digest of it and of the span of its month."""
        frames = (self.checks, self.in_force, self.models, self.friction)
        texts = [f.to_csv(index=False) if len(f.columns) else "" for f in frames]
        return inputs_digest(str(start), str(end), texts)


def _ending_by(rows: pd.DataFrame, end: pd.Timestamp) -> pd.DataFrame:
    """Cut spans to a month: one that is open ends with the data, and would never let it rest."""
    found = rows.reset_index(drop=True)
    found["epoch_end"] = found["epoch_end"].where(found["epoch_end"] < end, end)
    return found


def read_knowledge(run: Run) -> Knowledge:
    """Read what the suction stage of a run found."""
    stage = run.stage
    nothing = pd.DataFrame()
    return Knowledge(
        checks=run.read("gauge_checks"),
        in_force=stage.read(IN_FORCE) if stage.has(IN_FORCE) else nothing,
        models=stage.read(MODELS) if stage.has(MODELS) else nothing,
        friction=(
            stage.read(FRICTION)
            if stage.has(FRICTION)
            else pd.DataFrame(columns=list(FRICTION_COLUMNS))
        ),
    )


class LineModels:
    """Fitted models by line, epoch and name, rebuilt from their rows when first needed."""

    def __init__(self, rows: pd.DataFrame) -> None:
        keys = ["line", "epoch", "model"]
        self._rows = dict(iter(rows.groupby(keys, sort=False))) if len(rows) else {}
        self._built: dict[tuple[str, pd.Timestamp, str], SuctionLineModel] = {}

    def get(
        self, line: str, epoch: pd.Timestamp, name: str, columns: Sequence[str]
    ) -> SuctionLineModel | None:
        """Give a model; None where there is no such fit."""
        key = (line, epoch, name)
        if key not in self._rows:
            return None
        if key not in self._built:
            self._built[key] = SuctionLineModel.from_frame(
                self._rows[key].drop(columns=["line", "epoch", "epoch_end", "model"]),
                header_columns=tuple(columns),
                branch_column=OWN_FLOW,
            )
        return self._built[key]
