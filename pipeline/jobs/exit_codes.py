"""Exit codes of every command, and which error ends in which."""

from __future__ import annotations

from pipeline.errors import (
    ContractError,
    GaugelessError,
    PublishError,
    RebuildNeededError,
    StoreLockedError,
)

DONE, INTERNAL, USAGE, PARTIAL, LOCKED, REBUILD = 0, 1, 2, 3, 4, 5


def exit_code(error: BaseException) -> int:
    """Give the exit code of what stopped a command.

    Parameters
    ----------
    error : BaseException
        What was raised.

    Returns
    -------
    int

    Examples
    --------
    >>> exit_code(StoreLockedError("in use")), exit_code(ValueError("a defect"))
    (4, 1)
    """
    if isinstance(error, PublishError):
        return PARTIAL
    if isinstance(error, StoreLockedError):
        return LOCKED
    if isinstance(error, RebuildNeededError):
        return REBUILD
    # A table that breaks its own contract is our fault, not the user's.
    if isinstance(error, GaugelessError) and not isinstance(error, ContractError):
        return USAGE
    return INTERNAL
