"""What people have said of flags: which may rest, until when, and which speak up again."""

from __future__ import annotations

import pandas as pd

NOT_SEEN, IN_FORCE, LAPSED, OUTGROWN = "no", "yes", "lapsed", "outgrown"

ACKNOWLEDGEMENT_COLUMNS = (
    "acknowledged",
    "acknowledged_time",
    "acknowledged_by",
    "acknowledged_until",
    "note",
)

__all__ = ["ACKNOWLEDGEMENT_COLUMNS", "acknowledged", "unknown_flags"]


def acknowledged(
    flags: pd.DataFrame,
    history: pd.DataFrame,
    acknowledgements: pd.DataFrame,
    as_of: pd.Timestamp,
) -> pd.DataFrame:
    """Set beside each flag the latest thing people have said of it.

    Parameters
    ----------
    flags : DataFrame
        One row per flag, with ``flag``.
    history : DataFrame
        Its changes: ``flag``, ``day`` (UTC) and ``change``.
    acknowledgements : DataFrame
        ``flag``, ``time`` (UTC), ``by``, ``until`` (UTC; NaT until the flag closes) and
        ``note``; those after `as_of` do not count yet.
    as_of : Timestamp
        The instant at which the state is told, UTC.

    Returns
    -------
    DataFrame
        `flags` with the columns ``acknowledged`` ('yes' while it holds; 'lapsed' once its time
        is over; 'outgrown' where the flag grew after it; else 'no'), ``acknowledged_time``,
        ``acknowledged_by``, ``acknowledged_until`` and ``note``.
    """
    said = acknowledgements[acknowledgements["time"] <= as_of]
    latest = said.sort_values(["flag", "time"], kind="stable").drop_duplicates("flag", keep="last")
    latest = latest.set_index("flag").reindex(flags["flag"])
    time, until = _moments(latest["time"]), _moments(latest["until"])
    grown = history[history["change"] == "grew"].groupby("flag")["day"].max()
    last_grown = _moments(grown.reindex(flags["flag"]))
    seen = time.notna()
    state = pd.Series(NOT_SEEN, index=flags.index, dtype="str")
    state[seen] = IN_FORCE
    # A day that grew is told of on the night after it.
    state[seen & (last_grown > time)] = OUTGROWN
    state[seen & (until <= as_of)] = LAPSED
    return flags.assign(
        acknowledged=state,
        acknowledged_time=time,
        acknowledged_by=latest["by"].fillna("").to_numpy(),
        acknowledged_until=until,
        note=latest["note"].fillna("").to_numpy(),
    )


def _moments(values: pd.Series) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(pd.to_datetime(values.to_numpy(), utc=True)).as_unit("us")


def unknown_flags(flags: pd.DataFrame, acknowledgements: pd.DataFrame) -> list[str]:
    """Name the acknowledged flags that were never raised.

    Parameters
    ----------
    flags : DataFrame
        One row per flag, with ``flag``.
    acknowledgements : DataFrame
        With ``flag``.

    Returns
    -------
    list of str
        In order, each once.
    """
    return sorted(set(acknowledgements["flag"]) - set(flags["flag"]))
