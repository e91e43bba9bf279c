"""Outlook, events and acknowledgements in words; the numbers are put in here by hand."""

import pandas as pd
import pytest

from pipeline.report.prospects import acknowledgement_words, event_sentences, outlook_sentences
from pipeline.tables.catalogue import BY_NAME

ZONE = "Europe/Lisbon"


def day(text):
    return pd.Timestamp(text, tz="UTC")


class Stub:
    """Readings of rows given here, already in display units."""

    def __init__(self, name, *rows):
        columns = [c.name for c in BY_NAME[name].columns]
        self.frame = pd.DataFrame(list(rows)).reindex(columns=columns)

    def of_pump(self, name, pump):
        return self.frame[self.frame["pump"] == pump]

    def unit(self, name, column):
        return "kPa"


def plain(sentences):
    return [s.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")
            for s in sentences]  # fmt: skip


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"status": "crossed"}, "Efficiency has crossed its limit of 5.0 % below baseline."),
        ({"status": "not_in_sight"}, "is not in sight within three years."),
        (
            {"status": "possible", "reach_earliest": day("2027-05-01")},
            "may be crossed within three years, from 2027-05-01 on at the earliest (95 %).",
        ),
        (
            {
                "status": "expected",
                "reach_time": day("2027-03-01"),
                "reach_earliest": day("2027-01-01"),
                "reach_latest": pd.NaT,
            },
            "about 2027-03-01 (95 %: 2027-01-01 to open), if it goes on as it has.",
        ),
    ],
)
def test_outlook_in_words(more, words):
    row = {"pump": "P1", "quantity": "efficiency", "threshold": -5.0} | more
    (sentence,) = plain(outlook_sentences(Stub("outlook", row), "P1", ZONE, "EUR"))
    assert words in sentence


def test_no_trend_says_nothing_and_an_overhaul_names_its_inputs():
    row = {
        "pump": "P1", "quantity": "efficiency", "threshold": -5.0, "status": "no_trend",
        "overhaul_interval": 2.5, "overhaul_cost": 6000.0, "energy_cost_per_year": 29900.0,
        "loss_growth": 1900.0, "overhaul_time": day("2027-10-06"), "last_day": day("2026-10-31"),
        "overhaul_earliest": day("2027-08-01"), "overhaul_latest": pd.NaT,
    }  # fmt: skip
    (sentence,) = plain(outlook_sentences(Stub("outlook", row), "P1", ZONE, "EUR"))
    assert (
        "overhaul of 6 000 EUR costs least every 2.5 years, the next about 2027-10-06" in sentence
    )
    assert "(95 %: 2027-08-01 to open)" in sentence
    assert "29 900 EUR of energy, grows by 1 900 EUR a year" in sentence
    assert outlook_sentences(Stub("outlook", row), "P2", ZONE, "EUR") == []
    late = row | {"overhaul_time": row["last_day"], "overhaul_latest": day("2026-12-01")}
    (sentence,) = plain(outlook_sentences(Stub("outlook", late), "P1", ZONE, "EUR"))
    assert "the next now (95 %: 2027-08-01 to 2026-12-01)" in sentence


def test_events_in_words_latest_first():
    done = {
        "pump": "P4", "time": day("2025-12-09"), "kind": "cleaning", "note": "strainer",
        "status": "ok", "efficiency_gain": -0.19, "efficiency_gain_u95": 0.17, "head_gain": 0.1,
        "head_gain_u95": 0.2, "suction_loss_gain": 15.37, "suction_loss_gain_u95": 3.5,
        "saved_cost": 686.9, "saved_cost_u95": 195.4, "event_cost": 400.0,
        "payback_status": "ok", "payback": 0.52, "payback_low": 0.4, "payback_high": 0.73,
    }  # fmt: skip
    young = {"pump": "P4", "time": day("2026-06-18"), "kind": "overhaul", "note": "",
             "status": "no baseline before it"}  # fmt: skip
    first, second = plain(event_sentences(Stub("event_effects", done, young), "P4", ZONE, "EUR"))
    assert first == "Overhaul of 2026-06-18: no baseline before it."
    assert second == (
        "Cleaning of 2025-12-09 (strainer): efficiency −0.2 ± 0.2 % of baseline at the same duty, "
        "head +0.1 ± 0.2 %, suction loss less by 15.4 ± 3.5 kPa. "
        "Saved so far 687 EUR ± 195 EUR; at that rate its cost of 400 EUR is earned in 0.5 years "
        "(95 %: 0.4 to 0.7)."
    )
    unsure = done | {"payback_status": "no certain saving", "payback": float("nan"),
                     "payback_high": float("nan")}  # fmt: skip
    (sentence,) = plain(event_sentences(Stub("event_effects", unsure), "P4", ZONE, "EUR"))
    assert sentence.endswith(
        "; whether its cost of 400 EUR is ever earned cannot be told, in 0.4 years at the earliest."
    )
    free = unsure | {"payback_status": "no cost", "payback_low": float("nan")}
    (sentence,) = plain(event_sentences(Stub("event_effects", free), "P4", ZONE, "EUR"))
    assert sentence.endswith("Saved so far 687 EUR ± 195 EUR.")


def test_acknowledgements_in_words():
    row = {
        "acknowledged": "yes", "acknowledged_by": "shift", "acknowledged_time": day("2026-02-01"),
        "acknowledged_until": pd.NaT, "note": "spares ordered",
    }  # fmt: skip
    held = "Acknowledged by shift on 2026-02-01, until it closes. spares ordered"
    assert acknowledgement_words(row, ZONE) == held
    lapsed = row | {"acknowledged": "lapsed", "acknowledged_until": day("2026-03-01"), "note": ""}
    assert acknowledgement_words(lapsed, ZONE).endswith("until 2026-03-01; that time is over.")
    assert acknowledgement_words({"acknowledged": "no"}, ZONE) == ""
    assert acknowledgement_words({}, ZONE) == ""
