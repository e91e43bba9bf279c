"""Published motor tables, kept as data with their sources, and how to look them up.

Only tables read in the document itself are here. The 50 Hz classes of IEC 60034-30-1 are
not: until they are confirmed on a licensed copy, a 50 Hz motor takes its efficiency from
its nameplate.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from pipeline.errors import RangeError

__all__ = [
    "HORSEPOWER",
    "MINIMUM_EFFICIENCY",
    "PART_LOAD_FRACTION",
    "PART_LOAD_RATING",
    "RELATIVE_EFFICIENCY",
    "TABLE_COLUMNS",
    "TABLE_SOURCE",
    "EfficiencyTable",
    "Enclosure",
    "minimum_motor_efficiency",
]

Enclosure = Literal["open", "enclosed"]
EfficiencyTable = Literal["premium", "energy_efficient"]

HORSEPOWER: Final = 745.6998715822702
"""Mechanical horsepower, 550 ft lbf/s [W]."""

TABLE_COLUMNS: Final = (
    ("open", 6),
    ("open", 4),
    ("open", 2),
    ("enclosed", 6),
    ("enclosed", 4),
    ("enclosed", 2),
)
"""Enclosure and number of poles of each efficiency column."""

TABLE_SOURCE: Final = {
    "premium": "10 CFR 431.25, Table 1 (60 Hz, 1 to 200 hp)",
    "energy_efficient": "42 U.S.C. 6313(b)(1) (60 Hz, 1 to 200 hp)",
}

# Each row: rating in horsepower, then nominal full-load efficiency in percent by
# TABLE_COLUMNS; None where the law sets no minimum.
MINIMUM_EFFICIENCY: Final[dict[str, tuple[tuple[float | None, ...], ...]]] = {
    "premium": (
        (1.0, 82.5, 85.5, 77.0, 82.5, 85.5, 77.0),
        (1.5, 86.5, 86.5, 84.0, 87.5, 86.5, 84.0),
        (2.0, 87.5, 86.5, 85.5, 88.5, 86.5, 85.5),
        (3.0, 88.5, 89.5, 85.5, 89.5, 89.5, 86.5),
        (5.0, 89.5, 89.5, 86.5, 89.5, 89.5, 88.5),
        (7.5, 90.2, 91.0, 88.5, 91.0, 91.7, 89.5),
        (10.0, 91.7, 91.7, 89.5, 91.0, 91.7, 90.2),
        (15.0, 91.7, 93.0, 90.2, 91.7, 92.4, 91.0),
        (20.0, 92.4, 93.0, 91.0, 91.7, 93.0, 91.0),
        (25.0, 93.0, 93.6, 91.7, 93.0, 93.6, 91.7),
        (30.0, 93.6, 94.1, 91.7, 93.0, 93.6, 91.7),
        (40.0, 94.1, 94.1, 92.4, 94.1, 94.1, 92.4),
        (50.0, 94.1, 94.5, 93.0, 94.1, 94.5, 93.0),
        (60.0, 94.5, 95.0, 93.6, 94.5, 95.0, 93.6),
        (75.0, 94.5, 95.0, 93.6, 94.5, 95.4, 93.6),
        (100.0, 95.0, 95.4, 93.6, 95.0, 95.4, 94.1),
        (125.0, 95.0, 95.4, 94.1, 95.0, 95.4, 95.0),
        (150.0, 95.4, 95.8, 94.1, 95.8, 95.8, 95.0),
        (200.0, 95.4, 95.8, 95.0, 95.8, 96.2, 95.4),
    ),
    "energy_efficient": (
        (1.0, 80.0, 82.5, None, 80.0, 82.5, 75.5),
        (1.5, 84.0, 84.0, 82.5, 85.5, 84.0, 82.5),
        (2.0, 85.5, 84.0, 84.0, 86.5, 84.0, 84.0),
        (3.0, 86.5, 86.5, 84.0, 87.5, 87.5, 85.5),
        (5.0, 87.5, 87.5, 85.5, 87.5, 87.5, 87.5),
        (7.5, 88.5, 88.5, 87.5, 89.5, 89.5, 88.5),
        (10.0, 90.2, 89.5, 88.5, 89.5, 89.5, 89.5),
        (15.0, 90.2, 91.0, 89.5, 90.2, 91.0, 90.2),
        (20.0, 91.0, 91.0, 90.2, 90.2, 91.0, 90.2),
        (25.0, 91.7, 91.7, 91.0, 91.7, 92.4, 91.0),
        (30.0, 92.4, 92.4, 91.0, 91.7, 92.4, 91.0),
        (40.0, 93.0, 93.0, 91.7, 93.0, 93.0, 91.7),
        (50.0, 93.0, 93.0, 92.4, 93.0, 93.0, 92.4),
        (60.0, 93.6, 93.6, 93.0, 93.6, 93.6, 93.0),
        (75.0, 93.6, 94.1, 93.0, 93.6, 94.1, 93.0),
        (100.0, 94.1, 94.1, 93.0, 94.1, 94.5, 93.6),
        (125.0, 94.1, 94.5, 93.6, 94.1, 94.5, 94.5),
        (150.0, 94.5, 95.0, 93.6, 95.0, 95.0, 94.5),
        (200.0, 94.5, 95.0, 94.5, 95.0, 95.0, 95.0),
    ),
}

PART_LOAD_RATING: Final = (700.0, 2500.0, 7500.0, 15000.0, 35000.0, 70000.0)
"""Rated input power of each column of the part-load table [W]."""

PART_LOAD_FRACTION: Final = (0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0, 1.2)
"""Shaft power over rated shaft power of each row of the part-load table [-]."""

RELATIVE_EFFICIENCY: Final = (
    (0.3198, 0.3299, 0.458, 0.5761, 0.644, 0.7244),
    (0.5517, 0.6133, 0.7527, 0.8432, 0.9035, 0.9625),
    (0.7165, 0.8042, 0.8866, 0.9369, 0.957, 0.9871),
    (0.817, 0.9225, 0.9502, 0.9803, 1.0, 1.0),
    (0.9064, 1.0, 1.0, 1.0, 1.0, 1.0),
    (0.9569, 1.0, 1.0, 1.0, 1.0, 1.0),
    (1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
    (1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
)
"""Efficiency over the best efficiency, by load (rows) and rated input (columns) [-].

Digitised from the part-load figure of US DOE, "Determining Electric Motor Load and
Efficiency", as carried in the Modelica Buildings library,
Fluid/Movers/BaseClasses/Characteristics/motorEfficiencyCurve.mo.
"""


def minimum_motor_efficiency(
    rated_power: float,
    poles: int,
    enclosure: Enclosure = "enclosed",
    table: EfficiencyTable = "premium",
) -> float:
    """Minimum nominal full-load efficiency a US law sets for a motor.

    Parameters
    ----------
    rated_power : float
        Rated shaft power. [W]
    poles : int
        Number of poles: 2, 4 or 6. [-]
    enclosure : {'open', 'enclosed'}
        Enclosure. [-]
    table : {'premium', 'energy_efficient'}
        The premium level (since 2010) or that of the Energy Policy Act of 1992. [-]

    Returns
    -------
    float
        Full-load efficiency. [-]

    Raises
    ------
    RangeError
        If the table does not hold such a motor.

    Notes
    -----
    10 CFR 431.25 Table 1 and 42 U.S.C. 6313(b)(1), 60 Hz, 1 to 200 hp. A rating between
    two rows takes the higher at or above the midpoint, else the lower (431.25(b)). An
    actual motor may be better, and an older one worse.

    Examples
    --------
    >>> round(minimum_motor_efficiency(100 * 745.7, 4), 3)
    0.954
    """
    rows = MINIMUM_EFFICIENCY.get(table)
    column = (enclosure, poles)
    if rows is None or column not in TABLE_COLUMNS:
        raise RangeError(
            f"motor table: found {table!r}, {poles!r} poles, {enclosure!r}; expected "
            f"'premium' or 'energy_efficient', 2, 4 or 6 poles, 'open' or 'enclosed'. "
            "Give the nameplate efficiency instead."
        )
    ratings = np.array([row[0] for row in rows], dtype=np.float64)
    rating = rated_power / HORSEPOWER
    # Metric ratings (0.75 kW for 1 hp, 150 kW for 200 hp) lie a little outside.
    if not 0.99 * ratings[0] <= rating <= 1.01 * ratings[-1]:
        raise RangeError(
            f"motor rated power: found {rating:.4g} hp; expected {ratings[0]:g} to "
            f"{ratings[-1]:g} hp ({TABLE_SOURCE[table]}). "
            "Give the nameplate efficiency instead."
        )
    midpoints = (ratings[1:] + ratings[:-1]) / 2.0
    row = rows[int(np.searchsorted(midpoints, rating, side="right"))]
    percent = row[1 + TABLE_COLUMNS.index(column)]
    if percent is None:
        raise RangeError(
            f"motor table: found no minimum for {rating:.4g} hp, {poles} poles, {enclosure}; "
            f"expected one in {TABLE_SOURCE[table]}. "
            "Give the nameplate efficiency instead."
        )
    return float(percent) / 100.0
