"""Causes on a simulated hall of pumps: the true one stays in the set, wear is not blamed alone.

Run with ``-s`` to see the table of true cause against set of causes.
"""

from collections import Counter

import pytest
from fleet_chain import Chain
from pump_fleet import Case, fleet

DAYS = 240
CASES = {
    # name: (case, true cause, days after opening on which it is judged, must it be single)
    "wear, gauge present": (Case(fault="internal_wear", rate=0.06), "internal_wear", 60, False),
    "wear, gauge lost": (
        Case(fault="internal_wear", rate=0.06, gauge="lost"), "internal_wear", 60, False,
    ),
    "wear, never a gauge": (
        Case(fault="internal_wear", rate=0.06, gauge="drawing"), "internal_wear", 60, False,
    ),
    "impeller damage": (Case(fault="impeller_damage", rate=0.06), "impeller_damage", 60, False),
    "impeller damage, step": (
        Case(fault="impeller_damage", step=0.04), "impeller_damage", 60, False,
    ),
    "fouling, gauge lost": (
        Case(fault="suction_restriction", rate=0.06, gauge="lost"),
        "suction_restriction", 60, False,
    ),
    "fouling, never a gauge": (
        Case(fault="suction_restriction", rate=0.06, gauge="sister"),
        "suction_restriction", 60, False,
    ),
    "fouling behind the tap, cleaned": (
        Case(
            fault="suction_restriction", rate=0.08, tap_before_strainer=True, cleaned_day=200.0
        ),
        "suction_restriction", 400, True,
    ),
    "flow meter": (Case(fault="flow_meter", rate=0.06), "flow_meter", 60, False),
    "flow meter, shared": (
        Case(fault="flow_meter", rate=0.06, shared_meter=True), "flow_meter", 60, True,
    ),
    "suction gauge": (Case(fault="suction_gauge", rate=0.06), "suction_gauge", 60, True),
    "discharge gauge": (Case(fault="discharge_gauge", rate=0.06), "discharge_gauge", 60, True),
    "level, shared": (
        Case(fault="level", rate=0.06, gauge="drawing", shared_level=True),
        "suction_gauge", 60, True,
    ),
    "power meter": (
        Case(fault="power_meter_or_motor", rate=0.06), "power_meter_or_motor", 60, False,
    ),
    "ragging": (
        Case(fault="reversible", step=0.05, clears_after=40.0), "reversible", 10, False,
    ),
}  # fmt: skip


def verdicts(name, count, seed):
    """Sets of causes of all flags of some pumps."""
    case, _, days, _ = CASES[name]
    shared = case.shared_meter or case.shared_level
    found = []
    for drawn in fleet(case.__class__(**{**case.__dict__, "days": DAYS}), count, seed, both=shared):
        chain = Chain(drawn)
        sister = Chain(drawn, "P2") if shared else None
        for _, flag in chain.replay().flags.iterrows():
            found.append(chain.verdict(flag, days, sister).causes)
    return found


def judge(name, found):
    """Print the row of the table; return flags, hits, and single ones."""
    _, true, _, _ = CASES[name]
    sets = Counter(", ".join(sorted(causes)) for causes in found)
    for words, count in sets.most_common():
        print(f"{name:32s} {count:4d}  {words.replace('_', ' ')}")
    hits = sum(true in causes for causes in found)
    return len(found), hits, sum(causes == (true,) for causes in found)


@pytest.mark.parametrize("name", CASES)
def test_one_pump_of_each_cause(name):
    found = verdicts(name, 1, 200)
    flags, hits, single = judge(name, found)
    assert flags >= 1
    assert hits == flags
    if CASES[name][3]:
        assert single == flags
    if CASES[name][1] != "internal_wear":
        assert ("internal_wear",) not in found


def test_fouling_in_front_of_a_working_gauge_raises_no_performance_flag():
    assert (
        Chain(fleet(Case(fault="suction_restriction", rate=0.06, days=120), 1, 210)[0])
        .replay()
        .flags.empty
    )


@pytest.mark.slow
def test_table_of_true_cause_against_set_of_causes():
    """Fifteen kinds of trouble, fifteen pumps each."""
    print()
    total = hit = 0
    for number, name in enumerate(CASES):
        found = verdicts(name, 15, 2220 + number)
        flags, hits, single = judge(name, found)
        total, hit = total + flags, hit + hits
        if CASES[name][3]:
            print(f"{name}: single in {single} of {flags}")
            assert single >= 0.95 * flags
        if CASES[name][1] != "internal_wear":
            assert ("internal_wear",) not in found
    print(f"true cause in the set of {hit} of {total} flags")
    assert hit >= 0.95 * total
