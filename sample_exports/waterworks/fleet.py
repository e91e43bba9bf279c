"""A fleet of pumps sampled at every step, to measure speed and memory with."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from .clock import DAY, WARM_UP_DAYS, Clock
from .instruments import Instrument, readings
from .simulate import Group, Tank, TrueStation, simulate, streams_needed
from .station import BAR, FIRST_DAY, KPA, M3H, ZONE, sample_station

ROWS_PER_GROUP = 1_000_000

_TAGS = (
    Instrument("FLOW", "", "flow", M3H, 0.1, drift=0.003, white=0.002),
    Instrument("SUCTION", "", "suction_pressure", KPA, 0.01, bias=0.3, drift=0.12, white=0.05),
    Instrument("DISCHARGE", "", "discharge_pressure", BAR, 0.001, drift=0.004, white=0.002),
    Instrument("POWER", "", "electrical_power", 1.0e3, 0.01, drift=0.0015, white=0.001, idle=0.0),
    Instrument("SPEED", "", "speed", 1.0, 0.1, drift=0.3, white=0.2, factor=1480.0),
    Instrument("RUN", "", "running", 1.0, 1.0),
    Instrument("LEVEL", "", "level", 1.0, 0.001, bias=0.004, drift=0.004, white=0.002),
    Instrument("TEMP", "", "celsius", 1.0, 0.01, bias=0.1, drift=0.05, white=0.02),
)


def fleet_station(pumps: int) -> tuple[TrueStation, list[Instrument]]:
    """Give as many pumps as asked, each a variant of a sample pump with its own tank and line."""
    prototypes = [p for p in sample_station().pumps if p.id != "P5"]
    sources: dict[str, Tank] = {}
    groups, tags = [], []
    for number in range(pumps):
        name = f"F{number + 1:03d}"
        pattern = prototypes[number % len(prototypes)]
        size = 1.0 + 0.02 * (number % 7)
        head = pattern.curve.head_bep * size
        curve = dataclasses.replace(pattern.curve, head_bep=head)
        pump = dataclasses.replace(
            pattern,
            id=name,
            curve=curve,
            motor=dataclasses.replace(
                pattern.motor, rated_power=pattern.motor.rated_power * size, drive=False
            ),
            discharge_loss=0.25 * head,
            head_loss_per_year=0.004 * (1 + number % 5),
            fouling=(),
        )
        sources[name] = Tank(3.0, 2.5, 1500.0, 4.0, 0.5 * curve.flow_bep)
        groups.append(Group(name, name, (pump,), (), 0.7 * head, 0.0, 0.04 * head, 0.3))
        tags += [dataclasses.replace(t, tag=f"{name}.{t.tag}", owner=name) for t in _TAGS]
    station = TrueStation(ZONE, FIRST_DAY, 85.0, dict(sources), tuple(groups))
    return station, tags


def write_fleet(output: Path, seed: int, pumps: int, years: float, minutes: int) -> int:
    """Write a fleet month by month as long Parquet files, with a plant file.

    Parameters
    ----------
    output : Path
        Folder; ``exports/history`` and ``plant.toml`` are made in it.
    seed, pumps, years, minutes : int, int, float, int
        What to make: seed, number of pumps, length and time step.

    Returns
    -------
    int
        Rows written.
    """
    station, tags = fleet_station(pumps)
    folder = output / "exports" / "history"
    folder.mkdir(parents=True, exist_ok=True)
    streams = streams_needed(station)
    end = FIRST_DAY + dt.timedelta(days=round(365.25 * years))
    rows = 0
    day = FIRST_DAY
    while day < end:
        after = min((day.replace(day=1) + dt.timedelta(days=32)).replace(day=1), end)
        clock = Clock(
            seed,
            day - dt.timedelta(days=WARM_UP_DAYS),
            (after - day).days + WARM_UP_DAYS,
            60 * minutes,
            ZONE,
        )
        noise = clock.innovations(streams + 2 * len(tags))
        state = simulate(station, clock, noise[:streams])
        value, _ = readings(tags, state, clock, noise[streams:])
        skip = WARM_UP_DAYS * DAY // clock.step
        rows += _write_month(folder / f"fleet_{day:%Y-%m}.parquet", tags, clock, value, skip)
        day = after
    (output / "plant.toml").write_text(plant_file(station), encoding="utf-8", newline="\n")
    return rows


def _write_month(
    path: Path, tags: list[Instrument], clock: Clock, value: np.ndarray, skip: int
) -> int:
    time = clock.time[skip:] * 1000
    names = pa.array([tag.tag for tag in tags])
    schema = pa.schema(
        [
            ("timestamp", pa.timestamp("ms", tz="UTC")),
            ("tag", pa.dictionary(pa.int32(), pa.string())),
            ("value", pa.float64()),
        ]
    )
    with pq.ParquetWriter(path, schema, compression="zstd", compression_level=1) as writer:
        at_once = max(ROWS_PER_GROUP // time.size, 1)
        for first in range(0, len(tags), at_once):
            part = range(first, min(first + at_once, len(tags)))
            codes = np.repeat(np.array(part, dtype=np.int32), time.size)
            table = pa.table(
                [
                    pa.array(np.tile(time, len(part)), schema.field(0).type),
                    pa.DictionaryArray.from_arrays(codes, names),
                    pa.array(value[part.start : part.stop, skip:].ravel()),
                ],
                schema=schema,
            )
            writer.write_table(table)
    return time.size * len(tags)


def plant_file(station: TrueStation) -> str:
    """Give the plant file of a fleet."""
    parts = [
        'plant_format = 1\n\n[station]\nname = "Fleet for measuring speed"\n'
        f'time_zone = "{ZONE}"\naltitude = "{station.altitude:g} m"\n\n'
        '[liquid]\ntemperature = "13 °C"\n\n[tariff]\ncurrency = "EUR"\nenergy_price = 0.15\n\n'
        '[[exports]]\npath = "exports/history/*.parquet"\ntime_column = "timestamp"\n'
    ]
    units = {
        "FLOW": ("flow", "m3/h"),
        "SUCTION": ("suction_pressure", "kPa(g)"),
        "DISCHARGE": ("discharge_pressure", "bar(g)"),
        "POWER": ("electrical_power", "kW"),
        "SPEED": ("speed", "rpm"),
        "RUN": ("running", "0/1"),
        "LEVEL": ("level", "m"),
        "TEMP": ("temperature", "°C"),
    }
    for pump in station.pumps:
        tank = station.sources[pump.id]
        zero = tank.zero if isinstance(tank, Tank) else 0.0
        parts += [
            f'[[tags]]\nname = "{pump.id}.{name}"\nquantity = "{units[name][0]}"\n'
            f'unit = "{units[name][1]}"\n'
            for name in units
        ]
        pipe = pump.branch
        parts.append(
            f'[[suction_sources]]\nid = "{pump.id} tank"\nkind = "open_tank"\n'
            f'level_tag = "{pump.id}.LEVEL"\nlevel_zero_elevation = "{zero:g} m"\n'
            f'\n[[suction_lines]]\nid = "{pump.id} line"\nsource = "{pump.id} tank"\n'
            f'\n[[suction_lines.branches]]\npump = "{pump.id}"\n'
            f'pipe = {{ diameter = "{pipe.diameter:g} m", length = "{pipe.length:g} m" }}\n'
            f'fittings = [{{ name = "fittings", k = {pipe.k:g} }}]\n'
            f'\n[[pumps]]\nid = "{pump.id}"\nsuction_line = "{pump.id} line"\n'
            f'reference_elevation = "{pump.elevation:g} m"\nreference_speed = "1480 rpm"\n'
            f'flow_tag = "{pump.id}.FLOW"\nsuction_pressure_tag = "{pump.id}.SUCTION"\n'
            f'discharge_pressure_tag = "{pump.id}.DISCHARGE"\npower_tag = "{pump.id}.POWER"\n'
            f'speed_tag = "{pump.id}.SPEED"\nrunning_tag = "{pump.id}.RUN"\n'
            f'suction_tap = {{ elevation = "{pump.suction.elevation:g} m", '
            f'diameter = "{pump.suction.diameter:g} m" }}\n'
            f'discharge_tap = {{ elevation = "{pump.discharge.elevation:g} m", '
            f'diameter = "{pump.discharge.diameter:g} m" }}\n'
            f'driver = {{ rated_power = "{pump.motor.rated_power / 1e3:g} kW", '
            f"rated_efficiency = {pump.motor.efficiency:g} }}\n"
        )
    return "\n".join(parts)
