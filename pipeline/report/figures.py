"""Figures of one pump, for the page and for notebooks.

Every function takes the tables of one generation and the pump's name, and returns a plotly
figure that can be shown, changed or written to a file::

    from pipeline.tables.store import open_tables
    from pipeline.report.figures import efficiency_over_time

    tables = open_tables("gaugeless_data")
    figure = efficiency_over_time(tables, "P2", time_zone="Europe/Lisbon")
    figure.show()                      # or figure.write_html("p2.html")

Where there is nothing to draw, the figure says why in a sentence, and `empty_reason` returns
it. For several figures of the same tables pass one `Readings` of them: what one figure read,
the next need not read again.
"""

from pipeline.report.curves import operating_points_on_curve
from pipeline.report.efficiency import (
    assumption_comparison,
    deviation_trend,
    efficiency_over_time,
)
from pipeline.report.money import monthly_cost
from pipeline.report.quality import data_quality_calendar, tags_of
from pipeline.report.readings import Readings
from pipeline.report.sensitivity import where_a_suction_error_matters
from pipeline.report.style import empty_reason
from pipeline.report.suction_fit import suction_fit

__all__ = [
    "Readings",
    "assumption_comparison",
    "data_quality_calendar",
    "deviation_trend",
    "efficiency_over_time",
    "empty_reason",
    "monthly_cost",
    "operating_points_on_curve",
    "suction_fit",
    "tags_of",
    "where_a_suction_error_matters",
]
