"""Statuses: OPC UA StatusCodes, one-byte OPC qualities, and words."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.exports.quality import (
    BAD,
    GOOD,
    UNCERTAIN,
    StatusReader,
    classic_quality,
    opc_ua_quality,
)


def judge(*words: str | None, **declared: tuple[str, ...]) -> list[int]:
    return StatusReader(**declared).read(words)[0].tolist()


def test_opc_ua_status_codes() -> None:
    # OPC 10000-6, Annex A.2 StatusCodes: Good, Good_LocalOverride, Uncertain,
    # Uncertain_LastUsableValue, Bad, Bad_NoData, Bad_SensorFailure (from memory).
    codes = [0x0, 0x00960000, 0x40000000, 0x40900000, 0x80000000, 0x809B0000, 0x808C0000]
    expected = [GOOD, GOOD, UNCERTAIN, UNCERTAIN, BAD, BAD, BAD]
    assert opc_ua_quality(np.array(codes)).tolist() == expected
    assert judge(*(str(code) for code in codes)) == expected
    assert judge(*(hex(code) for code in codes)) == expected
    signed = np.array(codes, dtype=np.uint32).astype(np.int32)
    assert judge(*(str(code) for code in signed)) == expected


def test_classic_opc_qualities() -> None:
    # OPC Data Access 3.00, 6.8 OPC Quality flags (from memory): 11 good, 01 uncertain, 00 bad.
    expected = {192: GOOD, 216: GOOD, 64: UNCERTAIN, 68: UNCERTAIN, 80: UNCERTAIN}
    expected |= {0: BAD, 4: BAD, 24: BAD, 28: BAD, 128: BAD}
    assert classic_quality(np.array(list(expected))).tolist() == list(expected.values())
    assert judge(*(str(code) for code in expected)) == list(expected.values())


def test_classic_quality_with_a_vendor_byte() -> None:
    assert judge(str(0x01C0), str(0x0100), "192.0") == [GOOD, BAD, GOOD]


@pytest.mark.parametrize("words", [("0",), ("0", "1"), ("0x0",)])
def test_zero_alone_is_not_guessed(words: tuple[str, ...]) -> None:
    quality, reasons = StatusReader().read(words)
    assert quality.tolist() == [BAD] * len(words)
    assert all("declare it" in reason for reason in reasons)


def test_good_codes_with_information_bits() -> None:
    # OPC 10000-11, 6.4.3: aggregates carry information bits, such as 0x401, good and calculated,
    # and 0x402, good and interpolated (from memory). A classic quality with the vendor's byte 4
    # looks the same and is bad, so company decides and nothing else.
    alone = StatusReader().read(["1025", "0"])
    assert alone[0].tolist() == [BAD, BAD]
    assert all("declare it" in reason for reason in alone[1])
    assert judge("1025", "1026", "0", "2157707264") == [GOOD, GOOD, GOOD, BAD]
    assert judge("1025", "192") == [BAD, GOOD]
    assert judge("1025", "0", good=("0",)) == [GOOD, GOOD]
    assert judge("1025", "0", bad=("0",)) == [BAD, BAD]
    assert judge("1", good=("0",)) == [BAD]


def test_zero_declared() -> None:
    assert judge("0", good=("0",)) == [GOOD]
    assert judge("0", "1", good=("1",), bad=("0",)) == [BAD, GOOD]


def test_zero_keeps_the_meaning_learnt_from_the_file() -> None:
    reader = StatusReader()
    reader.look(["192", "0"])
    assert reader.read(["0"])[0].tolist() == [BAD]
    reader = StatusReader()
    reader.look(["2147483648", "0"])
    assert reader.read(["0"])[0].tolist() == [GOOD]


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("Good", GOOD),
        (" GOOD ", GOOD),
        ("Ok", GOOD),
        ("Good_LocalOverride", GOOD),
        ("GoodClamped", GOOD),
        ("Uncertain", UNCERTAIN),
        ("questionable", UNCERTAIN),
        ("UncertainLastUsableValue", UNCERTAIN),
        ("Bad", BAD),
        ("BadNoData", BAD),
        ("Comm_Fail", BAD),
        ("I/O Timeout", BAD),
        ("out-of-service", BAD),
    ],
)
def test_common_words(word: str, expected: int) -> None:
    quality, reasons = StatusReader().read([word])
    assert (quality.tolist(), reasons) == ([expected], [""])


@pytest.mark.parametrize(
    "word", ["Goodish", "perhaps", "Badger", "", None, "  ", "9" * 25, "4294967296"]
)
def test_unknown_words_are_bad_with_a_reason(word: str | None) -> None:
    quality, reasons = StatusReader().read([word])
    assert quality.tolist() == [BAD]
    assert reasons[0]


def test_declared_words_go_first() -> None:
    assert judge("good", "In Ordnung", "192", bad=("good",), good=("in ordnung",)) == [2, 0, 0]
    assert judge("192", bad=("192",)) == [BAD]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        # OPC 10000-4, 7.39: severity in bits 30 and 31 of a StatusCode.
        (["0x00000000", "0x00000000"], [0, 0]),  # eight digits: no one-byte quality
        (["00000000", "80000000", "40920000"], [0, 2, 1]),
        (["800A0000", "80000000"], [2, 2]),
        (["badcommunicationerror", "UNCERTAINLASTUSABLEVALUE", "GoodClamped"], [2, 1, 0]),
        (["Good (0x00000000)", "Bad (0x800A0000)"], [0, 2]),
        # One-byte qualities as clients word them. Common practice, no source.
        (["Good, non-specific", "Bad: Comm Failure", "uncertain - sensor cal"], [0, 2, 1]),
    ],
)
def test_status_codes_in_their_many_dresses(words: list[str], expected: list[int]) -> None:
    quality, reasons = StatusReader().read(words)
    assert (quality.tolist(), reasons) == (expected, [""] * len(words))


@pytest.mark.parametrize("word", ["good or bad", "Good to Bad", "badge", "Not good", "goods"])
def test_words_that_only_hold_a_severity_are_not_guessed(word: str) -> None:
    quality, reasons = StatusReader().read([word])
    assert quality.tolist() == [2]
    assert "unknown status" in reasons[0]


def test_eight_digits_that_nothing_tells_to_be_hexadecimal() -> None:
    quality, reasons = StatusReader().read(["80000000"])
    assert quality.tolist() == [2]
    assert "decimal or hexadecimal" in reasons[0]
