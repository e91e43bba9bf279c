"""Flags on a simulated hall of pumps: losses in time, sound pumps in peace.

Run with ``-s`` to see the tables; the long checks are marked slow.
"""

import itertools

import numpy as np
import pandas as pd
import pytest
from fleet_chain import Chain
from pump_fleet import GAUGES, Case, fleet
from scipy.stats import chi2

SWING = 0.0015  # annual swing of head that nothing explains, root mean square amplitude


def false_flags(case, count, seed):
    """Flags on clean pumps, and the running years watched."""
    flags = [len(Chain(drawn).replay().flags) for drawn in fleet(case, count, seed)]
    return sum(flags), count * case.days / 365.25


def poisson_interval(count):
    """95 % interval of a Poisson mean (Garwood, Biometrika 28, 1936, from memory)."""
    return 0.5 * chi2.ppf(0.025, 2 * count) if count else 0.0, 0.5 * chi2.ppf(0.975, 2 * count + 2)


def slow_loss_seen(case, count, seed):
    """Share of pumps flagged within the days of the case."""
    return np.mean([len(Chain(d).replay().flags) > 0 for d in fleet(case, count, seed)])


def step_seen(case, count, seed):
    """Share of pumps with a flag opened within ten running days of the step."""
    seen = []
    for drawn in fleet(case, count, seed):
        chain = Chain(drawn)
        begun = drawn.learned_to + pd.Timedelta(days=case.step_day)
        times = chain.daily["time"]
        tenth = times[times >= begun].iloc[9]
        opened = chain.replay().flags["opened"]
        seen.append(bool(((opened >= begun) & (opened <= tenth)).any()))
    return np.mean(seen)


def slow_case(**more):
    """A loss of 4 %/yr that begins where the baseline ends, the hardest to see in time."""
    return Case(fault="internal_wear", rate=0.04, days=120, **more)


def step_case(**more):
    """Three per cent of head and some of power, lost at once."""
    return Case(fault="impeller_damage", step=0.03, step_day=60, days=90, **more)


def test_losses_are_flagged_in_time():
    slow = [slow_loss_seen(slow_case(gauge=g), 3, 80 + i) for i, g in enumerate(GAUGES)]
    steps = [step_seen(step_case(gauge=g), 3, 90 + i) for i, g in enumerate(GAUGES)]
    print("4 %/yr within 120 days, 3 % step within ten running days:", slow, steps)
    assert np.mean(slow) >= 0.85
    assert np.mean(steps) >= 0.85


def test_sound_pumps_raise_no_flags():
    """Eight clean pump-years: at two in a hundred years, two or more flags come once in ninety."""
    gauges = ("present", "lost")
    count = sum(
        false_flags(Case(gauge=g, swing=SWING), 4, 100 + i)[0] for i, g in enumerate(gauges)
    )
    assert count <= 1


@pytest.mark.slow
@pytest.mark.parametrize("gauges", [("present",), ("lost", "sister", "drawing")])
def test_false_flags_in_two_hundred_clean_pump_years(gauges):
    """At most four, with the gauge and without, an unexplained annual swing and all."""
    total, years = 0, 0.0
    for i, gauge in enumerate(gauges):
        found, more = false_flags(Case(gauge=gauge, swing=SWING), 204 // len(gauges), 2710 + i)
        total, years = total + found, years + more
    low, high = poisson_interval(total)
    print(
        f"{', '.join(gauges)}: {total} false flags in {years:.0f} clean pump-years, "
        f"{100 * total / years:.1f} in a hundred "
        f"(95 %: {100 * low / years:.1f} to {100 * high / years:.1f})"
    )
    assert years >= 200
    assert total <= 4


@pytest.mark.slow
@pytest.mark.parametrize("gauge", GAUGES)
def test_losses_are_flagged_in_time_at_the_stated_noise(gauge):
    """Each gauge by itself, on sixty pumps of a slow loss and sixty of a step.

    Of 60 seen in 95 % of cases, fewer than 85 % are seen once in a thousand times; seen in 90 %
    it would be once in fourteen, so it is not enough to be just good enough.
    """
    number = GAUGES.index(gauge)
    slow = slow_loss_seen(slow_case(gauge=gauge), 60, 2720 + number)
    step = step_seen(step_case(gauge=gauge), 60, 2730 + number)
    print(f"{gauge}: 4 %/yr within 120 days {slow:.0%}, step within ten days {step:.0%} of 60")
    assert slow >= 0.85
    assert step >= 0.85


@pytest.mark.slow
def test_table_of_detection_and_false_flags_over_noise():
    """For the record: no figure is asked of noise beyond 0.5 % and lag-one 0.7."""
    print("\nsd      lag1  4 %/yr  step   false per 100 years")
    for sd, lag1 in itertools.product((0.0025, 0.005, 0.01), (0.0, 0.7, 0.9)):
        noise = {"sd": sd, "lag1": lag1}
        slow = slow_loss_seen(slow_case(**noise), 30, 2640)
        step = step_seen(step_case(**noise), 30, 2650)
        false, years = false_flags(Case(swing=SWING, **noise), 30, 2660)
        print(f"{sd:.4f}  {lag1:.1f}   {slow:4.0%}   {step:4.0%}   {100 * false / years:.1f}")
        if sd <= 0.005 and lag1 <= 0.7:
            assert slow >= 0.85
            assert step >= 0.85
