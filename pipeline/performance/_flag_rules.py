"""What is watched for a loss, and when a flag on it opens, grows and closes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.performance.detection import ANNUAL_SWING

__all__ = ["LATE_DAYS", "PERFORMANCE", "SEVERITIES", "FlagRules", "Watched"]

SEVERITIES = ("watch", "plan", "act")
"""From the mildest: keep an eye on it, plan the work, act now."""

LATE_DAYS = (120.0, 180.0)  # days after the baseline between which certainty is raised


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagRules:
    """When flags open, grow and close.

    Parameters
    ----------
    least_loss : float
        Smallest loss worth a flag [-].
    step_certainty, recent_certainty, ramp_certainty : float
        Loss over its standard uncertainty that opens a flag, for the mean of the last five
        days, for that of the last ten and for the ramp since the baseline [-].
    jump_certainty, step_after_jump_certainty : float
        The same for a jump against the days just before it, and for the mean of the last five
        days beside such a jump: both must hold [-].
    late_certainty : float
        Takes the place of `ramp_certainty` from `LATE_DAYS` on, in proportion between: a loss
        that grows is large by then, and each further day is one more chance to be wrong [-].
    opening_days : int
        Running days in a row it must hold before a flag opens or grows [-].
    closing_share : float
        Share of `least_loss` below which the loss counts as gone [-].
    closing_days : int
        Running days in a row it must be gone before a flag closes [-].
    plan_loss, act_loss : float
        Loss from which the severity is 'plan' or 'act', where no money is known [-].
    plan_cost_per_year, act_cost_per_year : float
        Cost of the loss from which the severity is 'plan' or 'act' [currency/yr].
    act_certainty : float
        Certainty without which nothing is 'act' [-].
    annual_swing : float
        Root mean square amplitude of an annual swing that may hide in the deviation until a
        year of days shows the pump's own [-].

    Notes
    -----
    The defaults are set together, so that each of the views spends little of one budget of
    false flags. A year holds some hundred means of a few days that tell something new, so these
    must be very sure; a ramp tells little new after the first months, but its noise is known
    from few days then. A jump is told by the days on either side of it, so that how alike days
    are over weeks, which is known worst, hardly bears on it; yet a jump may be any day's chance,
    so the loss against the baseline must be likely too. On pumps of a simulated hall with daily
    noise of 0.5 %, lag-one correlation 0.7 and an annual swing of 0.15 % that nothing explains
    they raise about one false flag in a hundred pump-years (5 in 400 and none in 204 in two draws),
    and still show a loss of 4 %/yr within 120 days of the baseline and a step of 3 % within ten
    running days (measured in the tests). A swing of more than twice `annual_swing` raises false
    flags in the first year.
    """

    least_loss: float = 0.01
    step_certainty: float = 4.6
    recent_certainty: float = 5.0
    jump_certainty: float = 5.0
    step_after_jump_certainty: float = 4.0
    ramp_certainty: float = 2.3
    late_certainty: float = 4.2
    opening_days: int = 3
    closing_share: float = 0.5
    closing_days: int = 10
    plan_loss: float = 0.03
    act_loss: float = 0.06
    plan_cost_per_year: float = np.inf
    act_cost_per_year: float = np.inf
    act_certainty: float = 5.0
    annual_swing: float = ANNUAL_SWING


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """A deviation that is watched for a loss.

    Parameters
    ----------
    column : str
        Its column in the daily frame.
    words : str
        What it is called in a sentence, such as 'head at the same flow'.
    loss_sign : float
        -1 where less is worse, +1 where more is worse [-].
    reference_u : float
        Standard uncertainty of the reference that no number of days removes [-].
    shared_u : tuple of str
        Columns of the daily frame with the standard size of an error that days share, each on
        its days, as in `loss_evidence` [-].
    """

    column: str
    words: str
    loss_sign: float = -1.0
    reference_u: float = 0.0
    shared_u: tuple[str, ...] = ()


PERFORMANCE = (
    Watched(column="efficiency_deviation", words="efficiency at the same flow"),
    Watched(column="head_deviation", words="head at the same flow"),
)
