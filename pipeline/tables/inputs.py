"""One digest of everything a partition is made from, by which a run knows what may rest."""

from __future__ import annotations

import hashlib
import json

__all__ = ["inputs_digest"]


def inputs_digest(*parts: object) -> str:
    """Return one digest for everything a partition is made from.

    Parameters
    ----------
    *parts : str, int, float, bool, None, or lists, tuples and dicts of them
        Fingerprints, digests of inputs, settings. Order counts, except inside dicts.

    Returns
    -------
    str
        SHA-256 in hexadecimal.

    Examples
    --------
    >>> inputs_digest("a", "b") == inputs_digest("ab")
    False
    >>> inputs_digest({"x": 1, "y": 2}) == inputs_digest({"y": 2, "x": 1})
    True
    """
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
