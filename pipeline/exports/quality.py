"""Status of a sample: what the historian said about it, as good, uncertain or bad.

Three families are read. Words, those declared with the export first. The one-byte quality of
classic OPC Data Access (bits 6 and 7: 192 good, 64 uncertain, 0 bad; OPC DA 3.00, 6.8). The
StatusCode of OPC UA (bits 30 and 31 of 32: 00 good, 01 uncertain, 10 bad; OPC 10000-4, 7.39).

The number 0 means bad in the classic form and good in OPC UA. It is read by the company it
keeps: beside numbers from 4 to 65535 as classic, beside larger ones as OPC UA. Alone (or beside 1,
2 and 3, which are no quality of their own in either, or such as 1025, which is good and calculated
in OPC UA and bad with a vendor's byte in the classic form) it is not guessed: such samples are
bad, and the reason asks for the meaning to be declared.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BAD",
    "BAD_WORDS",
    "GOOD",
    "GOOD_WORDS",
    "UNCERTAIN",
    "UNCERTAIN_WORDS",
    "StatusReader",
    "classic_quality",
    "opc_ua_quality",
]

GOOD, UNCERTAIN, BAD = 0, 1, 2

GOOD_WORDS = ("good", "ok", "valid", "normal", "g", "local override")
UNCERTAIN_WORDS = (
    "uncertain",
    "questionable",
    "suspect",
    "doubtful",
    "substituted",
    "estimated",
    "last usable",
    "last known",
    "manual",
    "u",
)
BAD_WORDS = (
    "bad",
    "invalid",
    "error",
    "fault",
    "failed",
    "fail",
    "no data",
    "not connected",
    "comm fail",
    "communication failure",
    "timeout",
    "i/o timeout",
    "device failure",
    "sensor failure",
    "out of service",
    "configuration error",
    "over range",
    "under range",
    "shutdown",
    "scan off",
    "stale",
    "b",
)
"""Words read without being declared, compared without case, ``_`` and ``-`` as blanks."""

NumberFamily = Literal["classic", "opc_ua"]

_UA_NAME = re.compile(r"^(Good|Uncertain|Bad)_?(?:[A-Z]\w*)?$")
_CLASSES = {"good": GOOD, "uncertain": UNCERTAIN, "bad": BAD}
_UA_NAMES = {
    "good": (
        *("clamped", "localoverride", "overload", "nodata", "moredata", "dataignored", "edited"),
        *("entryinserted", "entryreplaced", "completesasynchronously", "communicationevent"),
    ),
    "uncertain": (
        *("lastusablevalue", "lastusable", "nocommunicationlastusablevalue", "substitutevalue"),
        *("nocommunicationlastusable", "initialvalue", "sensornotaccurate", "subnormal"),
        *("engineeringunitsexceeded", "datasubnormal", "simulatedvalue", "sensorcalibration"),
    ),
    "bad": (
        *("communicationerror", "nocommunication", "timeout", "notconnected", "devicefailure"),
        *("sensorfailure", "outofservice", "waitingforinitialdata", "nodata", "nodataavailable"),
        *("datalost", "dataunavailable", "outofrange", "configurationerror", "notsupported"),
        *("unexpectederror", "internalerror", "outofmemory", "resourceunavailable", "shutdown"),
        *("encodingerror", "decodingerror", "servernotconnected", "connectionclosed"),
        *("nodeidunknown", "nodeidinvalid", "notreadable", "notfound", "typemismatch"),
        *("invalidargument", "invalidstate", "useraccessdenied", "sessionclosed", "boundnotfound"),
        *("securechannelclosed", "boundnotsupported", "noentryexists", "entryexists"),
    ),
}
"""What follows the severity in the names of StatusCodes of data, without case: OPC 10000-4,
7.39, and OPC 10000-11 (from memory)."""
_DECIMAL = re.compile(r"^[+-]?\d+(?:\.0*)?$")
_HEX = re.compile(r"^0[xX][0-9a-fA-F]{1,8}$")
_LONG_HEX = re.compile(r"^0[xX][0-9a-fA-F]{5,8}$")
_BARE_HEX = re.compile(r"^(?=.*[0-9])(?:0[0-9a-fA-F]{7}|(?=.*[A-Fa-f])[0-9a-fA-F]{8})$")
"""Eight digits that only hexadecimal writes: with a letter, or filled up with zeros."""
_EITHER = re.compile(r"^[4589]\d{7}$")
"""Bad or uncertain if hexadecimal, a good code that does not exist if decimal."""


def classic_quality(code: NDArray[np.int64] | int) -> NDArray[np.int8]:
    """Read one-byte OPC qualities by bits 6 and 7.

    Parameters
    ----------
    code : array_like of int
        Quality; a vendor byte above the low byte is passed over.

    Returns
    -------
    ndarray of int8
        0 good, 1 uncertain, 2 bad. The undefined pattern 10 counts as bad.

    Notes
    -----
    OPC Data Access 3.00, section 6.8 (from memory).

    Examples
    --------
    >>> classic_quality(np.array([192, 216, 64, 0, 24])).tolist()
    [0, 0, 1, 2, 2]
    """
    return np.array([BAD, UNCERTAIN, BAD, GOOD], dtype=np.int8)[(np.asarray(code) >> 6) & 3]


def opc_ua_quality(code: NDArray[np.int64] | int) -> NDArray[np.int8]:
    """Read OPC UA StatusCodes by severity, bits 30 and 31.

    Parameters
    ----------
    code : array_like of int
        StatusCode; negative where a writer took the 32 bits as signed.

    Returns
    -------
    ndarray of int8
        0 good, 1 uncertain, 2 bad. The reserved severity 11 counts as bad.

    Notes
    -----
    OPC 10000-4, 7.39 StatusCode.

    Examples
    --------
    >>> opc_ua_quality(np.array([0, 0x40900000, 0x80000000, -2147483648])).tolist()
    [0, 1, 2, 2]
    """
    severity = (np.asarray(code, dtype=np.int64) & 0xFFFFFFFF) >> 30
    return np.array([GOOD, UNCERTAIN, BAD, BAD], dtype=np.int8)[severity]


def _plain(word: str) -> str:
    return " ".join(word.replace("_", " ").replace("-", " ").split()).casefold()


def _severity_of(word: str) -> int | None:
    """Read a text that begins with its severity, such as ``Bad: sensor failure``."""
    name = _UA_NAME.match(word.strip())
    if name:
        return _CLASSES[name.group(1).casefold()]
    plain = _plain(word)
    for severity, code in _CLASSES.items():
        if plain.startswith(severity) and plain[len(severity) :] in _UA_NAMES[severity]:
            return code
    first, *others = re.findall(r"[^\W_]+", plain) or [""]
    if first in _CLASSES and not {*_CLASSES, "or", "to", "not"} & set(others):
        return _CLASSES[first]
    return None


def _number(word: str, *, is_hex: bool = False) -> int | None:
    """Read a status number; None for words, and for numbers that no status code can be."""
    word = word.strip()
    if is_hex and re.match(r"^[0-9a-fA-F]{8}$", word):
        return int(word, 16)
    if _DECIMAL.match(word):
        number = int(word.split(".")[0][:20])
        return number if -(2**31) <= number < 2**32 else None
    return int(word, 16) if _HEX.match(word) else None


def _has_info(number: int) -> bool:
    """Tell a good StatusCode with information bits, which could be a classic quality.

    Information type 01, "data value", in bits 10 and 11; bits 5, 6, 12 and 13 are reserved and
    zero (OPC 10000-4, 7.39, and OPC 10000-11 for the historian's bits 0 to 4; from memory).
    """
    return 0 <= number <= 0xFFFF and number & 0x3C60 == 0x0400


class StatusReader:
    """Reads the status column of one file.

    Parameters
    ----------
    good, uncertain, bad : sequence of str
        Words declared with the export; they go before everything else, numbers included.
    """

    def __init__(
        self, good: Sequence[str] = (), uncertain: Sequence[str] = (), bad: Sequence[str] = ()
    ) -> None:
        self._declared: dict[str, int] = {}
        for code, words in ((GOOD, good), (UNCERTAIN, uncertain), (BAD, bad)):
            self._declared |= {_plain(word): code for word in words}
        self._known = {
            **{_plain(word): GOOD for word in GOOD_WORDS},
            **{_plain(word): UNCERTAIN for word in UNCERTAIN_WORDS},
            **{_plain(word): BAD for word in BAD_WORDS},
        }
        self._family: NumberFamily | None = None
        self._is_hex = False
        self._has_numbers = False

    @property
    def is_open(self) -> bool:
        """Whether numbers were seen, and none that shows which family they belong to."""
        return self._has_numbers and self._family is None

    def look(self, words: Iterable[str | None]) -> None:
        """Learn from the numbers of a file which family they belong to.

        Parameters
        ----------
        words : iterable of str or None
            Distinct statuses.
        """
        undeclared = [w.strip() for w in words if w and _plain(w) not in self._declared]
        if not self._is_hex and any(_BARE_HEX.match(word) for word in undeclared):
            self._family, self._is_hex = "opc_ua", True
        if self._family is not None:
            return
        if any(_LONG_HEX.match(word) for word in undeclared):
            self._family = "opc_ua"
            return
        numbers = [_number(word) for word in undeclared]
        self._has_numbers |= any(n is not None for n in numbers)
        telling = [n for n in numbers if n is not None and not (0 <= n < 4 or _has_info(n))]
        if any(not 0 <= n <= 0xFFFF for n in telling):
            self._family = "opc_ua"
        elif telling:
            self._family = "classic"

    def read(self, words: Sequence[str | None]) -> tuple[NDArray[np.int8], list[str]]:
        """Judge distinct statuses.

        Parameters
        ----------
        words : sequence of str or None
            Distinct statuses as written.

        Returns
        -------
        quality : ndarray of int8
            0 good, 1 uncertain, 2 bad.
        reasons : list of str
            Empty where the status was understood.
        """
        self.look(words)
        found = [self._judge(word) for word in words]
        return np.array([code for code, _ in found], dtype=np.int8), [why for _, why in found]

    def _judge(self, word: str | None) -> tuple[int, str]:
        if word is None or not word.strip():
            return BAD, "the status is empty"
        plain = _plain(word)
        if plain in self._declared:
            return self._declared[plain], ""
        number = _number(word, is_hex=self._is_hex)
        if number is not None and not self._is_hex and _EITHER.match(word.strip()):
            return BAD, (
                f"status {word.strip()} can be decimal or hexadecimal; "
                "declare it under good, uncertain or bad"
            )
        if number is not None:
            if self._family == "classic":
                return int(classic_quality(number)), ""
            if self._family == "opc_ua":
                return int(opc_ua_quality(number)), ""
            if _has_info(number) and "0" in self._declared:
                # Zero is good in OPC UA alone, and bad in the classic form alone.
                return self._declared["0"], ""
            return BAD, (
                f"status {word.strip()} alone can mean good (OPC UA) or bad (classic OPC); "
                f'declare it, as good = ["{word.strip()}"] or bad = ["{word.strip()}"]'
            )
        if plain in self._known:
            return self._known[plain], ""
        severity = _severity_of(word)
        if severity is not None:
            return severity, ""
        return BAD, f"unknown status '{word[:60]}'; declare it under good, uncertain or bad"
