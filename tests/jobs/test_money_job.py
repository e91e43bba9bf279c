"""Money, events and outlook of a whole run: two pumps of our own laws over four months.

W wears from February on and is overhauled on 1 April; the strainer of F fouls from February on
and is cleaned the same day, and F loses 6 % of its efficiency a year all along. What is
expected follows from these laws by hand, never from the tables.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.jobs.nightly import run_plant

START, DAYS = pd.Timestamp("2026-01-01T00:00Z"), 121
EVENT = pd.Timestamp("2026-04-01T12:00Z")
DENSITY, G = 998.2, 9.80665
WEAR, FOULING, YEARLY = 0.06, 3.0, 0.06
"""Wear of W and growth of F's suction loss by the day of the event; loss of F per year."""
BRANCH_LOSS = 1.5e6
TAP = '{ elevation = "0 m", diameter = "0.25 m" }'
KWH = 3.6e6


def laws() -> pd.DataFrame:
    """The truth by hour: columns per pump as ``flow_W``."""
    time = pd.date_range(START, periods=24 * DAYS, freq="h").as_unit("us")
    hour = np.arange(len(time))
    grown = np.clip((hour / 24.0 - 31.0) / 59.5, 0.0, None) * (time < EVENT)
    frame: dict[str, object] = {"time": time, "level": 3.0 + 0.5 * np.sin(hour / 29.0)}
    for pump, phase in (("W", 0.0), ("F", 1.0)):
        running = (hour + 12 * (pump == "F")) % 24 < 20
        flow = np.where(running, 0.055 + 0.006 * np.sin(hour / 37.0 + phase), 0.0)
        head = 38.0 - 2200.0 * flow**2
        efficiency = 0.72 - 60.0 * (flow - 0.056) ** 2
        loss = BRANCH_LOSS * flow**2
        if pump == "W":
            efficiency = efficiency * (1.0 - WEAR * grown)
        else:
            efficiency = efficiency * (1.0 - YEARLY * hour / 24.0 / 365.25)
            loss = loss * (1.0 + FOULING * grown)
        frame |= {
            f"flow_{pump}": flow,
            f"head_{pump}": np.where(running, head, 0.0),
            f"efficiency_{pump}": efficiency,
            f"power_{pump}": DENSITY * G * flow * head / efficiency,
            f"loss_{pump}": loss,
        }
    return pd.DataFrame(frame)


def exports() -> pd.DataFrame:
    truth, rng = laws(), np.random.default_rng(3)
    columns: dict[str, object] = {
        "time": truth["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "LEVEL": truth["level"],
    }
    for pump in "WF":
        flow = truth[f"flow_{pump}"]
        kinetic = 0.5 * DENSITY * (flow / (np.pi * 0.25**2 / 4)) ** 2
        suction = DENSITY * G * (2.0 + truth["level"]) - truth[f"loss_{pump}"] - kinetic
        noise = rng.normal(size=(3, len(truth)))
        columns |= {
            f"{pump}.FLOW": 1e3 * flow * (1.0 + 0.001 * noise[0]),
            f"{pump}.SUCTION": suction / 1e3 + 0.05 * noise[1],
            f"{pump}.DISCHARGE": (suction + DENSITY * G * truth[f"head_{pump}"]) / 1e3,
            f"{pump}.POWER": truth[f"power_{pump}"] * (1.0 + 0.001 * noise[2]) / 1e3,
        }
    return pd.DataFrame(columns).round(5)


def plant_text() -> str:
    words = {
        "FLOW": ("flow", "l/s"),
        "SUCTION": ("suction_pressure", "kPa"),
        "DISCHARGE": ("discharge_pressure", "kPa"),
        "POWER": ("electrical_power", "kW"),
    }
    held = 'interpolation = "step"\nmax_gap = "2 h"\n'
    tags = f'[[tags]]\nname = "LEVEL"\nquantity = "level"\nunit = "m"\n{held}'
    pumps = lines = ""
    for pump in "WF":
        for name, (quantity, unit) in words.items():
            gauge = 'reference = "gauge"\n' if quantity.endswith("pressure") else ""
            tags += (
                f'\n[[tags]]\nname = "{pump}.{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
                f"{held}{gauge}"
                'accuracy = { systematic = "0.5 % of reading", random = "0.1 % of reading" }\n'
            )
        lines += f"""
[[suction_lines]]
id = "to {pump}"
source = "tank"
[[suction_lines.branches]]
pump = "{pump}"
"""
        pumps += f"""
[[pumps]]
id = "{pump}"
suction_line = "to {pump}"
reference_elevation = "1 m"
flow_tag = "{pump}.FLOW"
suction_pressure_tag = "{pump}.SUCTION"
discharge_pressure_tag = "{pump}.DISCHARGE"
power_tag = "{pump}.POWER"
running_power = "1 kW"
suction_tap = {TAP}
discharge_tap = {TAP}
baseline = {{ from = 2026-01-01, to = 2026-02-01, curve = "npsh.csv" }}
maintenance = {{ overhaul_cost = 2000, efficiency_loss_limit = "3 %" }}
flow_region = {{ preferred_low = 0.95, allowable_high = 1.05, preferred_high = 1.02 }}
"""
    return f"""
plant_format = 1
data_folder = "data"
events = "events.csv"
station = {{ name = "Two laws", time_zone = "Europe/Lisbon", grid = "60 min" }}
liquid = {{ name = "water of our laws", density = "{DENSITY} kg/m3", vapour_pressure = "2.3 kPa" }}

[tariff]
currency = "EUR"
energy_price = 0.10
emissions_factor = 0.25
periods = [{{ days = "Mon-Fri", from = "07:00", to = "22:00", price = 0.30 }}]

[[exports]]
path = "exports/*.csv"
layout = "wide"

[[suction_sources]]
id = "tank"
kind = "open_tank"
level_tag = "LEVEL"
level_zero_elevation = "3 m"
{lines}{pumps}
{tags}"""


class Made:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "exports").mkdir(parents=True)
        (folder / "plant.toml").write_text(plant_text(), "utf-8")
        (folder / "npsh.csv").write_text(
            "flow [l/s],head [m],npsh [m]\n0,38,12.0\n55,31.3,12.5\n80,23.9,13.0\n", "utf-8"
        )
        (folder / "events.csv").write_text(
            "time,pump,kind,note,cost\n"
            "2026-01-20T12:00Z,W,cleaning,nothing found,300\n"
            "2026-04-01T12:00Z,W,overhaul,new wear rings,1500\n"
            "2026-04-01T12:00Z,F,cleaning,strainer,\n",
            "utf-8",
        )
        exports().to_csv(folder / "exports" / "all.csv", index=False)
        self.result = run_plant(folder / "plant.toml")

    def table(self, name: str) -> pd.DataFrame:
        return pd.read_parquet(self.folder / "data" / "tables" / name)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return Made(tmp_path_factory.mktemp("money") / "station")


def test_energy_is_paid_by_the_local_hour(made: Made):
    assert made.result.outcome.failures == []
    truth, costs = laws(), made.table("energy_cost")
    local = truth["time"].dt.tz_convert("Europe/Lisbon")
    dear = (local.dt.day_of_week < 5) & (local.dt.hour >= 7) & (local.dt.hour < 22)
    for pump in "WF":
        energy = truth[f"power_{pump}"] / 1e3
        mine = costs[costs["pump"] == pump]
        cost = float((energy * np.where(dear, 0.3, 0.1)).sum())
        assert mine["electrical_cost_eur"].sum() == pytest.approx(cost, rel=2e-3)
        assert mine["emissions_kg_co2e"].sum() == pytest.approx(0.25 * energy.sum(), rel=2e-3)


def test_wear_and_fouling_are_counted_apart(made: Made):
    truth = laws().set_index("time")
    costs = made.table("energy_cost").set_index(["pump", "month"])
    march = truth.loc["2026-03-01":"2026-03-31"]
    # W: excess of power over what the sound pump would take, P (1 - eta / eta_0).
    grown = (np.arange(len(truth)) / 24.0 - 31.0) / 59.5
    lost = march["power_W"] * WEAR * pd.Series(grown, truth.index).loc[march.index] / 1e3
    row = costs.loc[("W", "2026-03")]
    share = row["compared_share_pct"] / 100.0
    assert share > 0.8
    assert row["excess_energy_kwh"] == pytest.approx(share * lost.sum(), rel=0.05)
    assert abs(row["fouling_energy_kwh"]) < 0.02 * row["suction_loss_energy_kwh"]
    # F: the friction beyond a clean line's, turned into electrical power.
    extra = march["loss_F"] - BRANCH_LOSS * march["flow_F"] ** 2
    fouled = (extra * march["flow_F"] / march["efficiency_F"]).sum() / 1e3
    row = costs.loc[("F", "2026-03")]
    share = row["fouling_known_share_pct"] / 100.0
    assert share > 0.8
    error = row["fouling_energy_kwh"] - share * fouled
    assert abs(error) <= row["fouling_energy_u95_kwh"] + 0.03 * fouled
    total = (march["loss_F"] * march["flow_F"] / march["efficiency_F"]).sum() / 1e3
    share = row["suction_loss_known_share_pct"] / 100.0
    assert row["suction_loss_energy_kwh"] == pytest.approx(share * total, rel=0.03)


def test_an_overhaul_brings_back_what_was_worn(made: Made):
    row = made.table("event_effects").set_index(["pump", "kind"]).loc[("W", "overhaul")]
    assert (row["status"], row["note"]) == ("ok", "new wear rings")
    # The thirty days before it: wear from 3.05 to 6 % as it grew, 4.5 % on average.
    worn = WEAR * (1.0 - 15.0 / 59.5)
    assert row["efficiency_gain_pct"] == pytest.approx(100.0 * worn, abs=0.2)
    assert abs(row["efficiency_gain_pct"] - 100.0 * worn) <= row["efficiency_gain_u95_pct"]
    assert row["head_gain_pct"] == pytest.approx(0.0, abs=0.2)
    assert row["suction_loss_gain_kpa"] == pytest.approx(0.0, abs=0.1)
    truth = laws()
    after = truth[truth["time"] >= EVENT]
    energy = after["power_W"].sum() / 1e3
    assert row["specific_energy_gain_kwh_m3"] == pytest.approx(
        worn / (1.0 - worn) * energy / (3600.0 * after["flow_W"].sum()), rel=0.05
    )
    assert row["saved_energy_kwh"] == pytest.approx(worn / (1.0 - worn) * energy, rel=0.1)
    yearly, yearly_u95 = row["saved_cost_per_year_eur"], row["saved_cost_per_year_u95_eur"]
    assert yearly / row["saved_cost_eur"] == pytest.approx(365.25 / 30.5, rel=0.02)
    # By the laws: so much more would each hour have taken at the efficiency of before, and cost.
    saved = (after["power_W"] / 1e3 * price_of(after["time"])).sum() * worn / (1.0 - worn)
    true = saved * 365.25 / 29.5
    assert abs(yearly - true) <= yearly_u95
    assert row["payback_status"] == "ok"
    assert row["payback_yr"] == pytest.approx(1500.0 / true, rel=0.05)
    assert row["payback_low_yr"] <= 1500.0 / true <= row["payback_high_yr"]


def test_a_cleaning_brings_back_the_suction_loss(made: Made):
    row = made.table("event_effects").set_index("pump").loc["F"]
    truth = laws()
    square = (truth.loc[(truth["time"] >= EVENT) & (truth["flow_F"] > 0), "flow_F"] ** 2).mean()
    gone = BRANCH_LOSS * FOULING * (1.0 - 15.0 / 59.5) * square / 1e3
    assert row["suction_loss_gain_kpa"] == pytest.approx(gone, rel=0.05)
    # F went on losing efficiency, 6 % of 30 days' worth: a cleaning brings none of it back.
    assert row["efficiency_gain_pct"] == pytest.approx(-100.0 * YEARLY * 30 / 365.25, abs=0.15)
    # A kilopascal is 1/3600 kWh of water power per cubic metre.
    water = gone / 3600.0 / 0.71
    assert row["specific_energy_gain_kwh_m3"] == pytest.approx(water, rel=0.15)
    assert np.isnan(row["payback_yr"])
    assert row["payback_status"] == "no cost"


def test_a_cleaning_that_brought_nothing_has_no_payback(made: Made):
    """W's strainer was as clean before as after, and its wear began soon after."""
    row = made.table("event_effects").set_index(["pump", "kind"]).loc[("W", "cleaning")]
    assert (row["status"], row["event_cost_eur"]) == ("ok", 300.0)
    assert row["payback_status"] == "no certain saving"
    assert np.isnan(row["payback_yr"])
    assert np.isnan(row["payback_high_yr"])


def price_of(time: pd.Series) -> np.ndarray:
    """Price of an hour, as the plant file says it."""
    local = time.dt.tz_convert("Europe/Lisbon")
    dear = (local.dt.day_of_week < 5) & (local.dt.hour >= 7) & (local.dt.hour < 22)
    return np.where(dear, 0.3, 0.1)


def test_the_year_is_paid_at_the_hours_the_pump_runs(made: Made):
    """121 days of data, carried on to a year; no month of it is a whole one at both ends."""
    truth = laws()
    outlook = made.table("outlook").query("quantity == 'efficiency'").set_index("pump")
    pumps = made.table("pumps").set_index("pump")
    recent = truth[truth["time"] >= truth["time"].max() - pd.Timedelta(days=30)]
    for pump in "WF":
        cost = truth[f"power_{pump}"] / 1e3 * price_of(truth["time"])
        expected = cost.sum() * 365.25 / DAYS
        assert outlook.loc[pump, "energy_cost_per_year_eur"] == pytest.approx(expected, rel=5e-3)
        # What it loses is a part of what the last thirty days cost.
        row = pumps.loc[pump]
        part = (recent[f"power_{pump}"] / 1e3 * price_of(recent["time"])).sum() * 365.25 / 30
        lost = -row["efficiency_deviation_pct"] / 100.0 * part
        assert row["excess_cost_per_year_eur"] == pytest.approx(lost, rel=0.01)


def test_the_duty_profile_misses_nothing(made: Made):
    """Totals against those of the laws: what was metered at starts and stops counts too."""
    truth, duty = laws(), made.table("duty_profile")
    for pump in "WF":
        mine = duty[duty["pump"] == pump]
        running = truth[f"power_{pump}"] > 0
        assert mine["running_time_h"].sum() == pytest.approx(running.sum(), abs=1)
        energy, volume = truth[f"power_{pump}"].sum() / 1e3, 3600.0 * truth[f"flow_{pump}"].sum()
        assert mine["electrical_energy_kwh"].sum() == pytest.approx(energy, rel=2e-3)
        assert mine["volume_m3"].sum() == pytest.approx(volume, rel=2e-3)
    both = duty[duty["combination"] == "F + W"].groupby("pump")["running_time_h"].sum()
    together = ((truth["power_W"] > 0) & (truth["power_F"] > 0)).sum()
    assert both.to_numpy() == pytest.approx(together, abs=1)


def test_outlook_says_when_or_why_not(made: Made):
    rows = made.table("outlook").set_index(["pump", "quantity"])
    young = rows.loc[("W", "efficiency")]
    assert (young["status"], young["reason"]) == ("no_trend", "insufficient_span")
    assert young["overhaul_cost_eur"] == 2000.0
    row = rows.loc[("F", "efficiency")]
    assert row["threshold_pct"] == pytest.approx(-3.0)
    # Counted from the mean of January: 3 % is reached half a year after the middle of it.
    true = pd.Timestamp("2026-01-16T12:00Z") + pd.Timedelta(days=365.25 / 2.0)
    assert row["status"] in ("expected", "possible")
    assert row["reach_earliest"] <= true
    assert pd.isna(row["reach_latest"]) or true <= row["reach_latest"]
    if row["status"] == "expected":
        assert abs(row["reach_time"] - true) < pd.Timedelta(days=40)
    assert rows.loc[("F", "head"), "status"] in ("not_in_sight", "possible")


def test_hours_by_region_and_npsh_margin(made: Made):
    regions = made.table("operating_regions").set_index(["pump", "month"])
    best = made.table("baselines").set_index("pump").loc["F", "best_efficiency_flow_m3_h"]
    row = regions.loc[("F", "2026-02")]
    truth = laws().set_index("time").loc["2026-02-01":"2026-02-28"]
    part = truth.loc[truth["flow_F"] > 0, "flow_F"] * 3600.0 / best
    assert row["time_below_preferred_h"] == pytest.approx((part < 0.95).sum(), abs=25)
    assert row["time_preferred_h"] == pytest.approx(part.between(0.95, 1.02).sum(), abs=25)
    assert row["time_above_allowable_h"] == pytest.approx((part > 1.05).sum(), abs=25)
    known = [c for c in regions.columns if c.startswith("time_") and "npsh" not in c]
    assert row[known].sum() == pytest.approx(row["running_time_h"])
    # Some 101 325 Pa, less vapour, over 9789 N/m3 is 10.1 m; 5 m of water stand above; 12.5 m
    # and 1.5 m of margin are asked for: enough while the strainer is clean, not once it fouled.
    assert row["npsh_assessed_time_h"] > 0.9 * row["running_time_h"]
    worst = regions.loc[("F", "2026-03")]
    assert worst["time_below_npsh_margin_h"] > 0.3 * worst["running_time_h"]
    assert regions.loc[("W", "2026-03"), "time_below_npsh_margin_h"] < 24.0


def test_every_interval_is_counted_with_its_reason(made: Made):
    counts, truth = made.table("interval_counts"), laws()
    assert counts["meaning"].notna().all()
    for pump in "WF":
        mine = counts[counts["pump"] == pump]
        assert mine["intervals"].sum() == pytest.approx((truth[f"power_{pump}"] > 0).sum(), abs=1)
        # One start and one stop a day: of twenty hours the two at its ends are mixed.
        assert mine.loc[mine["status"] == "switching", "intervals"].sum() == pytest.approx(
            2 * DAYS, abs=3
        )
        energy = truth[f"power_{pump}"].sum() / 1e3
        assert mine["electrical_energy_kwh"].sum() == pytest.approx(energy, rel=2e-3)
