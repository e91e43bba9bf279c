"""Prices of the week, limits of a pump, and what a maker's curve may hold."""

import pytest

from pipeline.errors import PlantFileError

KWH = 3.6e6


def period(**values):
    return {"days": "Mon-Fri", "from": "07:00", "to": "22:00", "price": 0.3} | values


def tariff(desk, *periods, **more):
    return desk.put("tariff", {"periods": list(periods)} | more).read().tariffs[-1]


def test_one_price_holds_always(desk):
    found = desk.put("tariff", {"energy_price": 0.2, "emissions_factor": 0.36}).read().tariffs[-1]
    assert (found.price, found.week) == (pytest.approx(0.2 / KWH), ())
    assert found.emissions_factor == pytest.approx(1e-7)


def test_periods_name_the_hours_of_the_week(desk):
    """By hand: 5 x 15 hours at 0.30, Saturday night into Sunday 6 hours at 0.05, the rest 0.10."""
    night = period(days="Sat", **{"from": "22:00", "to": "04:00"}, price=0.05)
    found = tariff(desk, period(), night, energy_price=0.1)
    week = [p * KWH for p in found.week]
    assert [week[h] for h in (6, 7, 21, 22)] == pytest.approx([0.1, 0.3, 0.3, 0.1])
    assert [week[24 * 5 + h] for h in (21, 22, 23)] == pytest.approx([0.1, 0.05, 0.05])
    assert [week[24 * 6 + h] for h in (0, 3, 4)] == pytest.approx([0.05, 0.05, 0.1])
    mean = (75 * 0.30 + 6 * 0.05 + 87 * 0.10) / 168
    assert found.price == pytest.approx(mean / KWH)


def test_sunday_night_goes_on_into_monday_and_a_day_may_be_whole(desk):
    whole = period(days="Mon-Sat", **{"from": "04:00", "to": "24:00"}, price=0.2)
    rest = period(days="Tue-Sun", **{"from": "00:00", "to": "04:00"}, price=0.1)
    sunday = period(days="Sun", **{"from": "04:00", "to": "04:00"}, price=0.1)
    with pytest.raises(PlantFileError, match="4:00 to 4:00; expected a period of an hour"):
        tariff(desk, whole, rest, sunday)
    sunday |= {"from": "04:00", "to": "24:00"}
    monday = period(days="Mon", **{"from": "00:00", "to": "04:00"}, price=0.4)
    assert len(tariff(desk, whole, rest, sunday, monday).week) == 168


def test_limits_of_a_pump_and_npsh_of_a_curve(desk):
    (desk.folder / "curve.csv").write_text(
        "flow [m3/h],head [m],npsh [ft]\n100,30,10\n200,25,12\n300,15,20\n", "utf-8"
    )
    desk.put("pumps", 0, "flow_region", {"allowable_low": 0.5, "allowable_high": 1.25})
    desk.put("pumps", 0, "maintenance", {"overhaul_cost": 9000, "head_loss_limit": "4 %"})
    desk.put("pumps", 0, "baseline", {"curve": "curve.csv"})
    pump = desk.read().pumps["P1"][0]
    assert (pump.flow_region.preferred_low, pump.flow_region.allowable_high) == (0.7, 1.25)
    assert pump.maintenance.overhaul_cost == 9000.0
    assert pump.maintenance.head_loss_limit == pytest.approx(0.04)
    assert pump.maintenance.efficiency_loss_limit == 0.05
    assert [p.npsh for p in pump.baseline_curve] == pytest.approx([3.048, 3.6576, 6.096])
    desk.put("pumps", 0, "flow_region", {"preferred_low": 1.3})
    with pytest.raises(PlantFileError, match=r"preferred_low 1\.3, .*expected limits that rise"):
        desk.read()


@pytest.mark.parametrize(
    ("periods", "message"),
    [
        ([period()], "periods: found no price for 93 hours of the week; expected an energy_price"),
        ([period(days="Monday")], "days: found 'Monday'; expected days such as 'Mon-Fri'"),
        ([period(to="7:30")], "to: found '7:30'; expected a whole hour such as '07:00'"),
        ([period(), period()], "found Mon 7:00, which another period names; expected each hour"),
        ([period(price="dear")], "price: found 'dear'; expected a number without unit"),
        ([period(colour="red")], "colour: found an unknown key"),
    ],
)
def test_faulty_periods(desk, periods, message):
    with pytest.raises(PlantFileError, match=message):
        tariff(desk, *periods)
