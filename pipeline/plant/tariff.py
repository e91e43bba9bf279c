"""The price of electrical energy, flat or by the hour of the week, and what it emits."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.plant.fields import Section
from pipeline.plant.validity import BEGINNING
from pipeline.plant.wording import shown

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WEEK_HOURS = 168
JOULES_PER_KWH = 3.6e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """Price of electrical energy.

    Parameters
    ----------
    currency : str
        Three letters.
    price : float or None
        Price, or the mean of the week where it depends on the hour [currency/J].
    week : tuple of float
        One price per local hour from Monday 00:00; empty where one price holds always
        [currency/J].
    emissions_factor : float or None
        Greenhouse gases per energy, as carbon dioxide [kg/J].
    """

    currency: str = "EUR"
    price: float | None = None
    week: tuple[float, ...] = ()
    emissions_factor: float | None = None
    valid_from: pd.Timestamp = BEGINNING


def read_tariff(s: Section, zone: ZoneInfo) -> Tariff:
    """Read a ``[tariff]`` table.

    Either one ``energy_price`` per kWh, or ``periods`` of the week with prices of their own;
    ``energy_price`` then holds for the hours no period names.
    """
    price = s.number("energy_price", None, low=0.0, high=1e6)
    week = _week(s, price) if s.has("periods") else ()
    if week:
        price = sum(week) / len(week)
    factor = s.number("emissions_factor", None, low=0.0, high=100.0)
    tariff = Tariff(
        currency=s.text("currency", "EUR"),
        price=None if price is None else price / JOULES_PER_KWH,
        week=tuple(p / JOULES_PER_KWH for p in week),
        emissions_factor=None if factor is None else factor / JOULES_PER_KWH,
        valid_from=s.valid_from(zone),
    )
    if not (tariff.currency.isalpha() and tariff.currency.isascii() and len(tariff.currency) == 3):
        s.fault("currency", f"'{tariff.currency}'", "three letters, such as EUR")
    s.done()
    return tariff


def _week(s: Section, price: float | None) -> tuple[float, ...]:
    """Give the 168 prices of a week; empty where something is wrong with its periods."""
    before = len(s.faults)
    hours: dict[int, float] = {}
    for period in s.sections("periods", "days"):
        value = period.number("price", None, low=0.0, high=1e6, required=True)
        days = _days(period)
        begins, ends = _hour(period, "from"), _hour(period, "to")
        period.done()
        if value is None or begins is None or ends is None:
            continue
        if begins == ends or begins == WEEK_HOURS // 7:
            period.fault("from", f"{begins}:00 to {ends}:00", "a period of an hour or more")
            continue
        # A period that ends before it begins goes on past midnight.
        length = ends - begins if ends > begins else ends - begins + 24
        for day in days:
            for hour in range(length):
                moment = (24 * day + begins + hour) % WEEK_HOURS
                if moment in hours:
                    where = f"{DAYS[moment // 24]} {moment % 24}:00"
                    period.fault("from", f"{where}, which another period names", "each hour once")
                    return ()
                hours[moment] = value
    if len(hours) < WEEK_HOURS and price is None:
        s.fault(
            "periods",
            f"no price for {WEEK_HOURS - len(hours)} hours of the week",
            "an energy_price for them, or periods that cover the week",
        )
    if len(s.faults) > before:
        return ()
    usual = 0.0 if price is None else price
    return tuple(hours.get(moment, usual) for moment in range(WEEK_HOURS))


def _days(s: Section) -> tuple[int, ...]:
    """Read days such as ``Mon-Fri`` or ``Sat``; every day where none is given."""
    text = s.text("days", "Mon-Sun")
    first, _, last = (part.strip() for part in text.partition("-"))
    if first not in DAYS or (last or first) not in DAYS:
        s.fault("days", shown(text), "days such as 'Mon-Fri' or 'Sat', of " + ", ".join(DAYS))
        return ()
    begins, ends = DAYS.index(first), DAYS.index(last or first)
    return tuple((begins + d) % 7 for d in range((ends - begins) % 7 + 1))


def _hour(s: Section, key: str) -> int | None:
    """Read a whole hour of the day such as ``07:00``; ``24:00`` is midnight."""
    text = s.text(key)
    hour, _, minute = text.partition(":")
    digits = len(hour) <= 2 and hour.isascii() and hour.isdecimal()
    good = digits and minute == "00" and int(hour) <= 24
    if not good:
        if text:
            s.fault(key, shown(text), "a whole hour such as '07:00'")
        return None
    return int(hour)
