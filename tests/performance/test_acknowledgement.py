"""What people said of flags; expected states follow from the rules stated in the module."""

import pandas as pd

from pipeline.performance.acknowledgement import acknowledged, unknown_flags


def utc(text):
    return pd.Timestamp(text, tz="UTC")


FLAGS = pd.DataFrame({"flag": ["a", "b", "c", "d", "e"]})
HISTORY = pd.DataFrame(
    {
        "flag": ["a", "b", "c", "c", "d", "e"],
        "day": [utc(f"2026-0{m}-01") for m in (1, 1, 1, 4, 1, 1)],
        "change": ["opened", "opened", "opened", "grew", "opened", "opened"],
    }
)
SAID = pd.DataFrame(
    {
        "flag": ["a", "a", "c", "d", "e", "f"],
        "time": [utc(f"2026-0{m}-01") for m in (2, 3, 3, 3, 7, 3)],
        "by": ["K", "L", "L", "K", "K", "K"],
        "until": [utc("2026-02-15"), pd.NaT, pd.NaT, utc("2026-05-01"), pd.NaT, pd.NaT],
        "note": ["first", "until it closes", "", "spares ordered", "too late", "no such flag"],
    }
)


def test_the_latest_word_counts_until_it_lapses_or_the_flag_outgrows_it():
    found = acknowledged(FLAGS, HISTORY, SAID, utc("2026-06-01")).set_index("flag")
    assert found["acknowledged"].to_dict() == {
        "a": "yes",
        "b": "no",
        "c": "outgrown",
        "d": "lapsed",
        "e": "no",  # said only after the instant at which the state is told
    }
    assert found.loc["a", ["acknowledged_by", "note"]].tolist() == ["L", "until it closes"]
    assert pd.isna(found.loc["a", "acknowledged_until"])
    assert found.loc["d", "acknowledged_until"] == utc("2026-05-01")
    assert found.loc["b", "note"] == ""


def test_it_lapses_at_its_end_and_not_before():
    before = acknowledged(FLAGS, HISTORY, SAID, utc("2026-04-30 23:59")).set_index("flag")
    assert before.loc["d", "acknowledged"] == "yes"
    at_end = acknowledged(FLAGS, HISTORY, SAID, utc("2026-05-01")).set_index("flag")
    assert at_end.loc["d", "acknowledged"] == "lapsed"


def test_nothing_said_and_no_flags():
    nothing = acknowledged(FLAGS, HISTORY, SAID.iloc[:0], utc("2026-06-01"))
    assert set(nothing["acknowledged"]) == {"no"}
    assert len(acknowledged(FLAGS.iloc[:0], HISTORY.iloc[:0], SAID, utc("2026-06-01"))) == 0


def test_flags_that_never_were_are_named():
    assert unknown_flags(FLAGS, SAID) == ["f"]
