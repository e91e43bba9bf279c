"""A station of three pumps over two years, written through the store and the contracts.

One pump has a gauge that dies, one has a name that is a script, one never had a gauge.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipeline.months import day_starts
from pipeline.plant import Driver, Plant, Pump, Station, SuctionLine, SuctionSource, Tap, Tariff
from pipeline.plant.types import Segment
from pipeline.report import write_page
from pipeline.suction import LossPrior, SuctionLineModel
from pipeline.tables.catalogue import BY_NAME, PUBLISHED
from pipeline.tables.contracts import dictionary_rows
from pipeline.tables.store import Store, open_tables

ZONE = "Europe/Lisbon"
HOSTILE = "<script>alert(1)</script>"
PUMPS = ("P1", HOSTILE, "P3 & co")
GAUGED = ("P1", HOSTILE)
DIES = pd.Timestamp("2025-06-01", tz="UTC")
HOSTILE_TEXT = "</script><img src=x onerror=\"document.title='broken'\">"


def plant_of(folder: Path, pumps: tuple[str, ...] = PUMPS) -> Plant:
    tap = Tap(elevation=0.0, diameter=0.2)
    versions = {
        name: (
            Pump(
                id=name,
                suction_line="line",
                suction_tap=tap,
                discharge_tap=tap,
                driver=Driver(),
                flow_tag=f"{name}.FLOW",
                power_tag=f"{name}.POWER",
                discharge_pressure_tag=f"{name}.DISCHARGE",
                suction_pressure_tag=None if name == "P3 & co" else f"{name}.SUCTION",
            ),
        )
        for name in pumps
    }
    line = SuctionLine(
        id="line",
        source="tank",
        header=(Segment(id="header", carries=pumps),),
        branches={name: Segment(id=name, carries=(name,)) for name in pumps},
    )
    return Plant(
        path=folder / "plant.toml",
        data_folder=folder / "data",
        station=Station(name="Works <b>& more</b>", time_zone=ZONE),
        exports=(),
        tags={},
        sources={"tank": (SuctionSource(id="tank", kind="open_tank", level_tag="TANK.LEVEL"),)},
        lines={"line": (line,)},
        pumps=versions,
        flow_meters={},
        liquids=(),
        tariffs=(Tariff(currency="EUR", price=0.16 / 3.6e6),),
    )


def filled(table: str, rows: dict[str, object]) -> pd.DataFrame:
    """Complete rows to a frame of the contract; what is not given is missing."""
    contract = BY_NAME[table]
    n = max(len(v) for v in rows.values() if not np.isscalar(v) and v is not None)
    frame = pd.DataFrame(index=range(n))
    for column in contract.columns:
        if column.name in rows:
            frame[column.name] = rows[column.name]
        elif column.kind == "number":
            frame[column.name] = np.nan
        elif column.kind == "integer":
            frame[column.name] = 0
        elif column.kind == "flag":
            frame[column.name] = False
        elif column.kind == "time":
            frame[column.name] = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us, UTC]")
        else:
            frame[column.name] = None if column.nullable else ""
    return frame


class World:
    """Frames of all tables, made from a simple truth."""

    def __init__(self, pumps: tuple[str, ...], years: int, hours_between: int) -> None:
        self.pumps = pumps
        self.rng = np.random.default_rng(20260101)
        start = pd.Timestamp("2024-01-01", tz="UTC")
        self.end = start + pd.Timedelta(days=365 * years)
        self.times = pd.date_range(
            start, self.end, freq=f"{hours_between}h", inclusive="left", unit="us"
        )

    def source(self, pump: str, times: pd.DatetimeIndex) -> np.ndarray:
        if pump == "P3 & co":
            return np.full(len(times), "sister", dtype=object)
        if pump == HOSTILE:
            return np.where(times < DIES, "measured", "modelled").astype(object)
        return np.full(len(times), "measured", dtype=object)

    def points(self, pump: str) -> pd.DataFrame:
        n, rng = len(self.times), self.rng
        flow = rng.normal(0.08, 0.006, n)
        head = 50.0 - 2500.0 * flow**2
        years = (self.times - self.times[0]).total_seconds().to_numpy() / 3.15576e7
        efficiency = 0.74 - 12.0 * (flow - 0.08) ** 2 - 0.01 * years + rng.normal(0, 0.004, n)
        hydraulic = 9790.0 * flow * head
        static = 60e3 + rng.normal(0, 3e3, n)
        suction = static - 3.0e6 * flow**2
        measured = pump != "P3 & co"
        reading = np.where(self.times < DIES, suction, 41e3) if pump == HOSTILE else suction
        return filled(
            "operating_points",
            {
                "pump": pump,
                "time": self.times,
                "status": "steady",
                "flow": flow,
                "suction_flow": flow,
                "speed_ratio": 1.0,
                "static_pressure": static,
                "suction_pressure": suction,
                "suction_pressure_source": self.source(pump, self.times),
                "suction_reading": reading if measured else np.nan,
                "total_head": head,
                "electrical_power": hydraulic / efficiency,
                "hydraulic_power": hydraulic,
                "overall_efficiency": efficiency,
                "level_only_overall_efficiency": efficiency - 0.03,
            },
        )

    def days(self, pump: str) -> pd.DatetimeIndex:
        return day_starts(self.times, ZONE).unique()

    def rolling(self, pump: str) -> pd.DataFrame:
        days = self.days(pump)
        n = len(days)
        years = (days - days[0]).total_seconds().to_numpy() / 3.15576e7
        efficiency = 0.74 - 0.01 * years + self.rng.normal(0, 0.003, n)
        source = self.source(pump, days)
        return filled(
            "rolling_performance",
            {
                "pump": pump,
                "period": "day",
                "start": days,
                "points": 200,
                "intervals": 210,
                "running_time": 63000.0,
                "hydraulic_energy": 1.9e9,
                "electrical_energy": 1.9e9 / efficiency,
                "overall_efficiency": efficiency,
                "overall_efficiency_u95": 0.016,
                "overall_efficiency_u_systematic": 0.0079,
                "overall_efficiency_u_random": 0.0012,
                "suction_pressure_source": source,
                "measured_suction": (source == "measured").astype(float),
                "level_only_overall_efficiency": efficiency - 0.03,
            },
        )

    def deviations(self, pump: str) -> pd.DataFrame:
        days = self.days(pump)[90:]
        n = len(days)
        years = (days - days[0]).total_seconds().to_numpy() / 3.15576e7
        drop = -0.013 * years + self.rng.normal(0, 0.004, n)
        return filled(
            "daily_deviations",
            {
                "pump": pump,
                "day": days,
                "points": 200,
                "head_deviation": drop,
                "power_deviation": self.rng.normal(0, 0.002, n),
                "efficiency_deviation": drop,
                "efficiency_deviation_u_systematic": 0.003,
                "efficiency_deviation_u_random": 0.001,
                "level_only_efficiency_deviation": drop * 2,
                "electrical_energy": 2.6e9,
                "expected_energy": 2.5e9,
                "suction_pressure_source": self.source(pump, days),
            },
        )

    def hours(self, pump: str) -> pd.DataFrame:
        points = self.points(pump)
        flow = points["flow"].to_numpy()
        velocity = 0.5 * 998.0 * (flow / 0.0314) ** 2
        return pd.DataFrame(
            {
                "line": "line",
                "pump": pump,
                "time": self.times,
                "spot": False,
                "instrument": f"gauge {pump}",
                "state": "running",
                "steady": True,
                "reading": points["suction_reading"],
                "static_pressure": points["static_pressure"],
                "velocity_pressure": velocity,
                "flow_branch": flow,
                "flow_header": flow,
            }
        )

    def months(self) -> list[str]:
        first, last = (t.tz_localize(None) for t in (self.times[0], self.end))
        return [str(m) for m in pd.period_range(first, last, freq="M")]

    def singles(self) -> dict[str, pd.DataFrame]:
        """Tables kept in one file."""
        names = list(self.pumps)
        n = len(names)
        start = self.times[:1].repeat(n)
        costs = np.linspace(900.0, 300.0, n)
        months = self.months()[:-1]
        flow = np.linspace(0.06, 0.1, 21)
        head = 50.0 - 2500.0 * flow**2
        grid = pd.MultiIndex.from_product([names, range(len(flow))]).get_level_values
        gauged = [p for p in names if p in GAUGED]
        frames = {
            "pumps": {
                "pump": names,
                "suction_line": "line",
                "first_time": start,
                "last_time": self.times[-1:].repeat(n),
                "running_time": 500 * 3600.0,
                "overall_efficiency": np.linspace(0.70, 0.72, n),
                "overall_efficiency_u95": np.linspace(0.02, 0.01, n),
                "pump_efficiency": 0.78,
                "pump_efficiency_u95": 0.02,
                "driver_assumption": "nameplate",
                "suction_pressure_source": [
                    "sister" if p not in GAUGED else "modelled" if p == HOSTILE else "measured"
                    for p in names
                ],
                "measured_suction": [1.0 if p == "P1" else 0.0 for p in names],
                "efficiency_rate": -0.013,
                "efficiency_rate_low": -0.015,
                "efficiency_rate_high": -0.011,
                "trend_status": "ok",
                "efficiency_deviation": -0.02,
                "excess_cost_per_year": [c if i != 1 else np.nan for i, c in enumerate(costs)],
                "excess_cost_per_year_u95": 100.0,
                "level_only_overall_efficiency": 0.68,
                "level_only_efficiency_error": -0.03,
                "open_flags": [1] + [0] * (n - 1),
            },
            "flags": {
                "flag": ["first", "second"],
                "pump": [*names, None][:2],
                "kind": ["pump_loss", "suction_gauge"],
                "shape": "gradual",
                "quantity": "efficiency",
                "opened": self.times[-40:-38],
                "closed": pd.Series([pd.NaT, self.times[-1]], dtype="datetime64[us, UTC]"),
                "since": self.times[-80:-78],
                "severity": ["plan", "watch"],
                "loss": [0.03, np.nan],
                "loss_u95": [0.01, np.nan],
                "causes": ["internal_leakage, flow_meter_error", "gauge_stuck"],
                "evidence": [f"Head fell at the same flow. {HOSTILE_TEXT}", "It stopped moving."],
                "site_check": ["Read near shut-off head.", "Vent the gauge."],
                "acknowledged": ["yes", "no"],
                "acknowledged_time": self.times[-39:-37],
                "acknowledged_by": f"shift leader {HOSTILE_TEXT}",
                "note": f"spares ordered {HOSTILE_TEXT}",
            },
            "outlook": {
                "pump": names,
                "quantity": "efficiency",
                "start": start,
                "status": "expected",
                "threshold": -0.05,
                "reach_time": self.times[-n:],
                "reach_earliest": self.times[-n:],
            },
            "event_effects": {
                "pump": names,
                "time": start,
                "kind": "cleaning",
                "note": f"strainer {HOSTILE_TEXT}",
                "status": "ok",
                "efficiency_gain": 0.02,
                "efficiency_gain_u95": 0.01,
                "saved_cost": 400.0,
                "saved_cost_u95": 100.0,
            },
            "trends": {
                "pump": np.repeat(names, 2),
                "start": self.times[:1].repeat(2 * n),
                "assumption": ["as_used", "level_only"] * n,
                "quantity": "efficiency",
                "status": "ok",
                "rate": [-0.013, -0.026] * n,
                "rate_low": [-0.015, -0.03] * n,
                "rate_high": [-0.011, -0.02] * n,
                "first_day": self.times[:1].repeat(2 * n),
                "last_day": self.times[-1:].repeat(2 * n),
                "days": 600,
                "method": "slope",
            },
            "energy_cost": {
                "pump": np.repeat(names, len(months)),
                "month": months * n,
                "running_time": 500 * 3600.0,
                "volume": 1.4e5,
                "electrical_energy": 9e10,
                "electrical_cost": 4000.0,
                "excess_energy": 2e9,
                "excess_energy_u95": 5e8,
                "excess_cost": 90.0,
                "excess_cost_u95": 25.0,
                "compared_share": 0.9,
                "suction_loss_energy": 4e9,
                "suction_loss_cost": 180.0,
            },
            "baselines": {
                "pump": names,
                "start": start,
                "source": "learned",
                "status": "ok",
                "points": 500,
                "flow_low": 0.06,
                "flow_high": 0.1,
            },
            "baseline_curves": {
                "pump": grid(0),
                "start": self.times[:1].repeat(n * len(flow)),
                "flow": flow[grid(1)],
                "total_head": head[grid(1)],
                "total_head_u95": 0.4,
                "overall_efficiency": 0.74 - 12.0 * (flow[grid(1)] - 0.08) ** 2,
                "overall_efficiency_u95": 0.01,
            },
            "gauge_checks": {
                "pump": [HOSTILE] if HOSTILE in gauged else names[:1],
                "gauge": ["suction"],
                "check": ["stuck"],
                "start": pd.DatetimeIndex([DIES]),
                "verdict": ["fault"],
                "excludes": [True],
                "magnitude": [9e3],
                "magnitude_u95": [1e3],
                "evidence": [f"It read 41.00 kPa while the level moved. {HOSTILE_TEXT}"],
            },
            "rejected_input": {
                "file": ["exports/night.csv"],
                "line": [7],
                "tag": ["P1.FLOW"],
                "reason": [f"text where a number belongs: {HOSTILE_TEXT}"],
                "text": [HOSTILE_TEXT],
                "rows": [3],
            },
            "runs": {
                "generation": [1],
                "started": self.times[-1:],
                "finished": self.times[-1:],
                "as_of": self.times[-1:],
                "version": ["0.1.0"],
                "new_files": [4],
                "failed_files": [1],
                "rejected_rows": [3],
                "late_rows": [0],
                "rebuilt": ["all"],
                "failures": [f"exports/bad.csv: could not be read {HOSTILE_TEXT}"],
            },
        }
        first = {name: filled(name, rows) for name, rows in frames.items()}
        first["flags"] = first["flags"][first["flags"]["pump"].notna()]
        return first

    def quality(self) -> pd.DataFrame:
        days = self.days(self.pumps[0])
        tags = [f"{p}.{what}" for p in self.pumps for what in ("FLOW", "POWER", "DISCHARGE")]
        tags += [f"{p}.SUCTION" for p in self.pumps if p in GAUGED] + ["TANK.LEVEL"]
        n, d = len(tags), len(days)
        coverage = self.rng.choice([1.0, 0.8, 0.3], n * d, p=[0.95, 0.03, 0.02])
        return filled(
            "data_quality",
            {
                "tag": np.repeat(tags, d),
                "day": days.repeat(n).to_numpy().reshape(d, n).T.ravel(),
                "samples": 288,
                "coverage": coverage,
            },
        ).assign(day=lambda f: pd.DatetimeIndex(f["day"], tz="UTC").as_unit("us"))

    def models(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        hours = self.hours("P1")
        prior = {
            name: LossPrior(0.08, 8e3, 4e3)
            for name in ("flow_header", *(f"branch:{p}" for p in self.pumps))
        }
        model = SuctionLineModel(
            header_columns=("flow_header",), branch_column="flow_branch", loss_prior=prior
        ).fit(hours.head(400), hours["reading"].head(400))
        head = {"line": "line", "epoch": self.times[0], "model": "2024-01"}
        months = self.months()
        use = pd.DataFrame({**head, "epoch_end": self.end, "month": months, "from_later": False})
        return model.to_frame().assign(**head, epoch_end=self.end), use


def write_data(
    folder: Path,
    pumps: tuple[str, ...] = PUMPS,
    years: int = 2,
    hours_between: int = 12,
    display: str = "SI",
    leave_out: tuple[str, ...] = (),
) -> Path:
    """Write the data folder of such a station."""
    world = World(pumps, years, hours_between)
    monthly = {
        "operating_points": [world.points(p) for p in pumps],
        "rolling_performance": [world.rolling(p) for p in pumps],
        "daily_deviations": [world.deviations(p) for p in pumps],
        "data_quality": [world.quality()],
    }
    when = {
        "operating_points": "time",
        "rolling_performance": "start",
        "daily_deviations": "day",
        "data_quality": "day",
    }
    with Store.create(folder).writer() as stage:
        for name, pieces in monthly.items():
            if name in leave_out:
                continue
            frame = pd.concat(pieces, ignore_index=True)
            months = frame[when[name]].dt.tz_convert(ZONE).dt.strftime("%Y-%m")
            for month, rows in frame.groupby(months):
                stage.write(name, str(month), BY_NAME[name].publish(rows, display, "EUR"))
        for name, frame in world.singles().items():
            if name not in leave_out:
                stage.write(name, None, BY_NAME[name].publish(frame, display, "EUR"))
        rows = dictionary_rows(PUBLISHED, display, "EUR")
        stage.write("dictionary", None, BY_NAME["dictionary"].publish(rows, display, "EUR"))
        if "suction_hours" not in leave_out:
            hours = pd.concat([world.hours(p) for p in pumps], ignore_index=True)
            months = hours["time"].dt.tz_convert(ZONE).dt.strftime("%Y-%m")
            for month, rows in hours.groupby(months):
                stage.write("suction_hours", str(month), pa.Table.from_pandas(rows))
            for name, frame in zip(
                ("suction_models", "suction_in_force"), world.models(), strict=True
            ):
                stage.write(name, None, pa.Table.from_pandas(frame, preserve_index=False))
        stage.commit()
    return folder


@pytest.fixture(scope="session")
def data(tmp_path_factory) -> Path:
    return write_data(tmp_path_factory.mktemp("station") / "data")


@pytest.fixture(scope="session")
def tables(data):
    return open_tables(data)


@pytest.fixture(scope="session")
def plant(tmp_path_factory) -> Plant:
    return plant_of(tmp_path_factory.mktemp("plant"))


@pytest.fixture(scope="session")
def us_data(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("us") / "data"
    return write_data(folder, ("P1",), years=1, hours_between=12, display="US")


@pytest.fixture(scope="session")
def us_tables(us_data):
    return open_tables(us_data)


@pytest.fixture(scope="session")
def bare_tables(tmp_path_factory):
    """Tables of a first run that got nowhere: a dictionary alone."""
    with Store.create(tmp_path_factory.mktemp("bare") / "data").writer() as stage:
        rows = dictionary_rows(PUBLISHED, "SI", "EUR")
        stage.write("dictionary", None, BY_NAME["dictionary"].publish(rows, "SI", "EUR"))
        stage.commit()
    return open_tables(stage._data_folder)


@pytest.fixture(scope="session")
def page_path(tables, plant, tmp_path_factory) -> Path:
    """The page of the station, in a folder that was not there before."""
    return write_page(tables, plant, tmp_path_factory.mktemp("page") / "new" / "page.html")


@pytest.fixture(scope="session", name="make_data")
def _make_data():
    return write_data


@pytest.fixture(scope="session", name="make_plant")
def _make_plant():
    return plant_of


def pytest_configure(config):
    config.addinivalue_line("markers", "browser: opens the page in headless Chromium")
