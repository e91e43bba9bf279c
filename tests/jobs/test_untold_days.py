"""Days a trend leaves out because nobody can tell what the pump did on them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.jobs.trends import is_untold


def days(known: list[float], unexplained: list[float]) -> pd.DataFrame:
    """Daily rows with what is known to be uncertain, and what is missing from the rise."""
    return pd.DataFrame(
        {
            "suction_u_systematic": np.hypot(known, unexplained),
            "suction_u_unexplained": unexplained,
        }
    )


def test_days_of_a_level_in_doubt_are_left_out():
    untold = is_untold(days([0.004] * 6 + [0.10, 0.10] + [0.004] * 2, [0.0] * 10))
    assert untold.tolist() == [False] * 6 + [True, True] + [False] * 2


def test_days_as_uncertain_as_most_are_kept():
    """A pump without a gauge is that uncertain all along, by the same error."""
    assert not is_untold(days([0.03] * 10, [0.0] * 10)).any()


def test_a_loss_that_came_and_went_is_no_trend():
    lost = [0.0] * 3 + [0.01, 0.03, 0.06, 0.06] + [0.0] * 3
    assert is_untold(days([0.004] * 10, lost)).tolist() == [x > 0.02 for x in lost]


def test_a_loss_that_stays_is_what_a_trend_is_for():
    assert not is_untold(days([0.004] * 10, [0.0] * 6 + [0.05] * 4)).any()
    assert not is_untold(days([0.004] * 10, [0.0] * 6 + [0.05] * 3 + [np.nan])).iloc[:6].any()
