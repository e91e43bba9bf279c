"""Signals of the historian: what a tag measures, how well, and how exports are written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.plant.validity import BEGINNING
from pipeline.quantities import PressureReference

Interpolation = Literal["linear", "step"]
Layout = Literal["long", "wide"]
Measures = Literal["rate", "running_total", "interval_total"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """What an instrument's readings are worth, as standard uncertainties.

    A stated limit ``±a`` of the systematic part is taken as rectangular, ``u = a/√3``
    (JCGM 100:2008, 4.3.7). The random part is the standard deviation of one reading.

    Parameters
    ----------
    systematic_absolute, random_absolute : float
        Parts that do not depend on the reading, in the tag's SI unit (k = 1).
    systematic_relative, random_relative : float
        Parts in proportion to the reading [-] (k = 1).
    drift_absolute, drift_relative : float
        How far the systematic part may move in a year, the same two ways (k = 1); zero where
        the plant file says nothing of drift.
    assumed : bool
        True where the plant file says nothing and a usual figure stands in.
    """

    systematic_absolute: float = 0.0
    systematic_relative: float = 0.0
    random_absolute: float = 0.0
    random_relative: float = 0.0
    drift_absolute: float = 0.0
    drift_relative: float = 0.0
    assumed: bool = False

    def systematic_u(self, reading: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Give the systematic standard uncertainty of readings, in their unit.

        Examples
        --------
        >>> float(Accuracy(systematic_absolute=3.0, systematic_relative=0.04).systematic_u(-100.0))
        5.0
        """
        size = np.abs(np.asarray(reading, dtype=np.float64))
        return np.hypot(self.systematic_absolute, self.systematic_relative * size)

    def random_u(self, reading: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Give the random standard uncertainty of single readings, in their unit."""
        size = np.abs(np.asarray(reading, dtype=np.float64))
        return np.hypot(self.random_absolute, self.random_relative * size)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """One signal of the historian and how to read it.

    Parameters
    ----------
    name : str
        Name in the exports.
    quantity : str
        What it measures (see ``pipeline.quantities``).
    unit : str
        Unit as written in the plant file.
    scale, offset : float
        ``si = raw * scale + offset``.
    reference : {"gauge", "absolute"} or None
        Of a pressure; None for anything else.
    interpolation : {"linear", "step"}
        How the signal moves between two samples.
    max_gap : float
        Longest time between two samples that is still bridged [s].
    low, high : float
        Instrument range, SI; infinite where not stated.
    accuracy : Accuracy
        Standard uncertainties.
    measures : {"rate", "running_total", "interval_total"}
        A rate is used as it stands; totals are turned into rates.
    valid_from : Timestamp
        Since when this description holds.
    """

    name: str
    quantity: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    reference: PressureReference | None = None
    interpolation: Interpolation = "linear"
    max_gap: float = 1800.0
    low: float = float("-inf")
    high: float = float("inf")
    accuracy: Accuracy = field(default_factory=Accuracy)
    measures: Literal["rate", "running_total", "interval_total"] = "rate"
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportFormat:
    """One group of export files and how they are written.

    Parameters
    ----------
    pattern : str
        Glob relative to the plant file, or a folder.
    layout : {"long", "wide"}
        Long: a row is one sample of one tag. Wide: a row is one instant of many tags.
    time_column, tag_column, value_column, status_column : str or None
        Header names; the tag and value columns belong to the long layout. In the wide layout
        the status column is one for the whole row, or has ``{tag}`` in place of a tag's name.
    tag : str or None
        Tag of every row of every file, where no column names it.
    tag_in_path : str or None
        End of the path of each file, ``{tag}`` where the name of its tag stands.
    time_zone : str or None
        Zone of timestamps without offset. None: such timestamps are refused.
    time_format : str
        ``iso``, ``epoch_s``, ``epoch_ms``, ``epoch_us``, ``epoch_ns``, ``spreadsheet``,
        ``spreadsheet_1904`` (serial dates counted from 1904), ``day_first``, ``month_first``,
        or a strptime pattern.
    delimiter, decimal, thousands : str or None
        CSV details; None lets the file decide where it is provable.
    encoding : str or None
        Text encoding; None lets a byte-order mark decide, otherwise UTF-8.
    skip_rows : int
        Lines before the header.
    unit_row : bool
        Whether the line after the header holds units.
    comment : str or None
        Lines that start with this are passed over.
    good, uncertain, bad : tuple of str
        Status words of this export, besides the standard codes.
    """

    pattern: str
    layout: Layout = "long"
    time_column: str = "time"
    tag_column: str | None = "tag"
    value_column: str | None = "value"
    status_column: str | None = None
    tag: str | None = None
    tag_in_path: str | None = None
    time_zone: str | None = None
    time_format: str = "iso"
    delimiter: str | None = None
    decimal: str = "."
    thousands: str | None = None
    encoding: str | None = None
    skip_rows: int = 0
    unit_row: bool = False
    comment: str | None = None
    good: tuple[str, ...] = ()
    uncertain: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()

    @property
    def names_status_by_tag(self) -> bool:
        """Whether each tag of a wide export has a status column named after it."""
        return self.layout == "wide" and "{tag}" in (self.status_column or "")
