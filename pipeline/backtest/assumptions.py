"""What may be taken for a suction pressure nobody measures: the assumptions a back-test compares.

An assumption learns from what was known on a date and then answers for later rows. The list is
open: any object with a ``name`` and a ``learn`` can stand beside the built-in ones::

    @dataclass(frozen=True)
    class HalfTheLevel:
        name: str = "half_the_level"

        def learn(self, known: Known) -> Learned:
            return lambda rows: Assumed.plain(0.5 * rows["static_pressure"].to_numpy())
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, Self, runtime_checkable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.suction import (
    FrictionTrack,
    SuctionLineModel,
    SuctionModel,
    branch_residuals,
    estimate_with,
    fill_suction,
    follow_month,
    level_only,
    month_deficit,
    move_to_friction,
    shortfall_of_days,
)
from pipeline.suction.evidence import RUNNING
from pipeline.suction.replay import OWN_FLOW, replay_month

Floats = NDArray[np.float64]

__all__ = [
    "BUILT_IN",
    "Assumed",
    "Assumption",
    "Drawings",
    "FullModel",
    "Known",
    "LastGoodReading",
    "Learned",
    "LevelOnly",
    "MeanOfGoodPeriod",
    "OwnFlowFit",
    "ZeroGauge",
]

NO_EVIDENCE = "no_evidence"
"""Source of a row the assumption has no answer for: it needs readings and there are none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What was known on a date of one pump whose gauge is hidden.

    Parameters
    ----------
    pump : str
        The pump.
    as_of : Timestamp
        Nothing later is in `rows` [UTC].
    rows : DataFrame
        Usable hourly rows of the whole suction line, in time order within each pump: steady,
        complete, from gauges nothing was held against on that date; the hidden readings are
        left out. Columns as for `SuctionLineModel.fit`, with ``time``, ``state``, ``reading``
        and ``month``.
    parameters : mapping
        Parameters of `SuctionLineModel`: what drawings and instrument data say.
    static_u : float
        Systematic standard uncertainty of static pressure [Pa].
    gauge_u, gauge_noise_u : float
        Systematic standard uncertainty of the hidden gauge, and the random one of a single
        interval of its readings [Pa].
    until : Timestamp
        End of the window that will be asked about [UTC].
    cleanings : mapping of str to sequence of Timestamp
        Declared cleanings by pump; those within the window are known from their day on [UTC].
    rise : DataFrame, optional
        What the pump's other instruments show: its steady running hours up to the end of the
        window with a sound discharge gauge, in time order, as for `suction.month_deficit`;
        ``reading`` and ``is_trusted`` only where the gauge is not hidden.
    stretches : sequence of (Timestamp, Timestamp)
        The window month by month: nights judge the rise within a month [UTC].
    """

    pump: str
    as_of: pd.Timestamp
    rows: pd.DataFrame
    parameters: Mapping[str, Any]
    static_u: float
    gauge_u: float
    gauge_noise_u: float
    until: pd.Timestamp
    cleanings: Mapping[str, Sequence[pd.Timestamp]] = field(default_factory=dict)
    rise: pd.DataFrame | None = None
    stretches: Sequence[tuple[pd.Timestamp, pd.Timestamp]] = ()

    @property
    def own(self) -> pd.DataFrame:
        """Rows with readings at this pump's own tap."""
        return self.rows[self.rows["pump"] == self.pump]

    @property
    def own_running(self) -> pd.DataFrame:
        """Those of them in which it ran."""
        own = self.own
        return own[own["state"] == RUNNING]


@dataclass(frozen=True, slots=True)
class Assumed:
    """Answer of an assumption for some rows.

    Parameters
    ----------
    reading : ndarray of float64, shape (n,)
        What the hidden gauge is thought to read; NaN where there is no answer [Pa].
    reading_u : ndarray of float64, shape (n,)
        Standard uncertainty (k = 1) of that; NaN where none is stated [Pa].
    source : ndarray of object, shape (n,)
        What each row rests on, in the words of ``suction_pressure_source``.
    is_warned : ndarray of bool, shape (n,), optional
        Rows with a warning beside the answer: the pump's pressure rise is not what it should be.
    """

    reading: Floats
    reading_u: Floats
    source: NDArray[np.object_]
    is_warned: NDArray[np.bool_] | None = None

    @classmethod
    def plain(cls, reading: Floats, source: str = "assumed") -> Self:
        """Make an answer that states no uncertainty."""
        values = np.asarray(reading, dtype=float)
        return cls(values, np.full(len(values), np.nan), np.full(len(values), source, object))


Learned = Callable[[pd.DataFrame], Assumed]
"""Answers for rows with the columns of `SuctionLineModel.predict`."""


@runtime_checkable
class Assumption(Protocol):
    """A way of getting the suction pressure without the gauge.

    An assumption that never looks at readings may say so with an attribute
    ``uses_readings = False``: it is then asked once for all ways of hiding them.
    """

    @property
    def name(self) -> str:
        """Word that stands for it in tables."""
        ...

    def learn(self, known: Known) -> Learned:
        """Learn from what was known on a date."""
        ...


def _nothing(rows: pd.DataFrame) -> Assumed:
    return Assumed.plain(np.full(len(rows), np.nan), NO_EVIDENCE)


@dataclass(frozen=True)
class ZeroGauge:
    """Suction pressure is taken as atmospheric."""

    name: str = "zero_gauge"
    uses_readings = False

    def learn(self, known: Known) -> Learned:
        """Nothing to learn."""
        return lambda rows: Assumed.plain(np.zeros(len(rows)))


@dataclass(frozen=True)
class LevelOnly:
    """Static pressure less velocity pressure: no losses."""

    name: str = "level_only"
    uses_readings = False

    def learn(self, known: Known) -> Learned:
        """Nothing to learn."""

        def answer(rows: pd.DataFrame) -> Assumed:
            found = level_only(rows, static_u=known.static_u)
            u = np.hypot(np.hypot(found.u_systematic, found.u_random), known.gauge_u)
            return Assumed(found.value, u, np.full(len(rows), "level_only", object))

        return answer


@dataclass(frozen=True)
class LastGoodReading:
    """The last trusted reading while running is held."""

    name: str = "last_good_reading"

    def learn(self, known: Known) -> Learned:
        """Remember it."""
        own = known.own_running
        if own.empty:
            return _nothing
        value = float(own.sort_values("time", kind="stable")["reading"].iloc[-1])
        return lambda rows: Assumed.plain(np.full(len(rows), value))


@dataclass(frozen=True)
class MeanOfGoodPeriod:
    """The mean of all trusted readings while running."""

    name: str = "mean_of_good_period"

    def learn(self, known: Known) -> Learned:
        """Take the mean."""
        own = known.own_running
        if own.empty:
            return _nothing
        value = float(own["reading"].mean())
        return lambda rows: Assumed.plain(np.full(len(rows), value))


def _with_reading(
    model: SuctionLineModel, known: Known, rows: pd.DataFrame
) -> tuple[Floats, Floats]:
    """What this gauge would read in one interval, by a line model, and its uncertainty."""
    value, u = model.predict_reading(rows, return_std=True)
    return np.asarray(value), np.hypot(np.asarray(u), known.gauge_noise_u)


def _blank_model(known: Known) -> SuctionLineModel:
    nothing = known.rows.iloc[:0]
    return SuctionLineModel(**dict(known.parameters)).fit(nothing, nothing["reading"])


@dataclass(frozen=True)
class Drawings:
    """Losses as drawings, or common practice where there are none, would have them."""

    name: str = "drawings"
    uses_readings = False

    def learn(self, known: Known) -> Learned:
        """Fit a line model to nothing: its priors remain."""
        model = _blank_model(known)
        if known.pump not in model.pumps_:
            return _nothing

        def answer(rows: pd.DataFrame) -> Assumed:
            value, u = _with_reading(model, known, rows)
            return Assumed(value, u, np.full(len(rows), "drawing", object))

        return answer


@dataclass(frozen=True)
class OwnFlowFit:
    """Level less a loss fitted to the pump's own flow: the header's other pumps are ignored."""

    name: str = "own_flow_fit"

    def learn(self, known: Known) -> Learned:
        """Fit `SuctionModel` to the pump's own rows."""
        columns = ["static_pressure", "velocity_pressure", OWN_FLOW]
        own = known.own
        own = own[np.isfinite(own[[*columns, "reading"]].to_numpy(dtype=float)).all(axis=1)]
        if known.own_running.empty or own.empty:
            return _nothing
        taught = own.iloc[:: max(1, len(own) // 1500)]
        model = SuctionModel(static_u=known.static_u, gauge_u=known.gauge_u).fit(
            taught[columns], taught["reading"].to_numpy(dtype=float)
        )

        def answer(rows: pd.DataFrame) -> Assumed:
            value, u = model.predict_reading(rows[columns], return_std=True)
            u = np.hypot(np.asarray(u), known.gauge_noise_u)
            return Assumed(np.asarray(value), u, np.full(len(rows), "modelled", object))

        return answer


@dataclass(frozen=True)
class FullModel:
    """What the nightly job does: line model, then drawings, then level only.

    The suction pressure is chosen by `suction.fill_suction` from the same estimates in the same
    order. The gauge's own offset, where its earlier readings told it, is added, because what is
    scored is what this gauge would read. Friction is carried on from the last reading, with the
    uncertainty that grows from there, and by what is missing from the pump's pressure rise since
    its gauge was last seen; such rows carry a warning.
    """

    name: str = "full_model"

    def learn(self, known: Known) -> Learned:
        """Fit the line as a first run on that date would."""
        label = known.as_of.strftime("%Y-%m-%dT%H")  # sorts after every month before it
        fit = replay_month(
            known.rows, label, None, known.parameters, known.rows.iloc[:0], known.cleanings
        )
        days = _friction_ahead(fit.model, known)
        models: list[tuple[SuctionLineModel, str | None]] = [(fit.model, None)]
        if len(known.rows):
            models.append((_blank_model(known), "drawing"))
        models = [(model, kind) for model, kind in models if known.pump in model.pumps_]

        def answer(rows: pd.DataFrame) -> Assumed:
            times = pd.DatetimeIndex(rows["time"])
            estimates = []
            for model, kind in models:
                estimate = estimate_with(model, rows, source=kind)
                if kind is None:
                    loss = model.predict_losses(rows)[OWN_FLOW].to_numpy()
                    estimate = move_to_friction(estimate, loss, times, days)
                estimates.append(estimate)
            crude = level_only(rows, static_u=known.static_u)
            filled = fill_suction(rows.index, [*estimates, crude])
            reading = filled["suction_pressure"].to_numpy(dtype=float)
            u = np.hypot(
                filled["suction_pressure_u_systematic"].to_numpy(dtype=float),
                filled["suction_pressure_u_random"].to_numpy(dtype=float),
            )
            u = np.hypot(u, known.gauge_u)
            source = filled["suction_pressure_source"].to_numpy(dtype=object)
            warned = times.floor("D").isin(days.loc[days["shortfall"] > 0.0, "day"])
            is_open = np.isfinite(reading)
            for (model, _), estimate in zip(models, estimates, strict=True):
                mine = is_open & (estimate.declined == "") & np.isfinite(estimate.value)
                is_open &= ~mine
                if mine.any():
                    value, value_u = _with_reading(model, known, rows)
                    plain, plain_u = model.predict(rows, return_std=True)
                    # What following the friction moved and widened, moves the reading as well.
                    value += estimate.value - plain
                    whole = np.hypot(estimate.u_systematic, estimate.u_random)
                    value_u = np.sqrt(value_u**2 + np.maximum(whole**2 - plain_u**2, 0.0))
                    reading, u = np.where(mine, value, reading), np.where(mine, value_u, u)
            return Assumed(reading, u, source, np.asarray(warned))

        return answer


def _friction_ahead(model: SuctionLineModel, known: Known) -> pd.DataFrame:
    """Friction of the pump's branch on the days of the window, from readings before it.

    With ``shortfall``: what is missing from the pump's rise on each day [Pa].
    """
    followed = follow_month(
        branch_residuals(known.rows, model),
        known.as_of,
        known.until,
        known.cleanings,
        model.posterior_.numbers["correlation_time"],
    )
    found = followed.days[followed.days["pump"] == known.pump]
    found = found.sort_values("day", kind="stable").reset_index(drop=True)
    days = pd.date_range(
        known.as_of.floor("D"), (known.until - pd.Timedelta("1us")).floor("D"), freq="D"
    )
    short = _shortfall(model, followed.tracks.get(known.pump), known, days)
    if found.empty and short.any():
        found = pd.DataFrame({"pump": known.pump, "day": days, "multiplier": 1.0})
        found = found.assign(multiplier_u=0.0)
    place = days.get_indexer(pd.DatetimeIndex(found["day"]))
    return found.assign(shortfall=np.append(short, 0.0)[place])


def _shortfall(
    model: SuctionLineModel, track: FrictionTrack | None, known: Known, days: pd.DatetimeIndex
) -> Floats:
    """What is missing from the pump's rise on each day of the window [Pa], as nights find it."""
    short = np.zeros(len(days))
    if known.rise is None or known.rise.empty or known.pump not in model.pumps_:
        return short
    for start, end in known.stretches:
        daily = month_deficit(known.rise, model, track, start, end)
        mine = (days >= start.floor("D")) & (days < end)
        short[mine] = shortfall_of_days(daily, days[mine])
    return short


BUILT_IN: tuple[Assumption, ...] = (
    ZeroGauge(),
    LevelOnly(),
    LastGoodReading(),
    MeanOfGoodPeriod(),
    Drawings(),
    OwnFlowFit(),
    FullModel(),
)
"""The assumptions of an ordinary back-test, from the crudest to the best."""
