"""A worn pump behind a shared meter is not given the flow of a sound one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import METERED, Fingerprints, Run
from pipeline.jobs.pump_epochs import Epoch
from pipeline.jobs.shared_flow import _curves, _shared_pump, head_since
from pipeline.performance.allocation import allocate_flow
from pipeline.performance.baseline import BaselineCurve
from pipeline.plant import read_plant
from pipeline.plant.types import BEGINNING
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store

AS_OF = pd.Timestamp("2026-05-01T00:00Z")
WORN = 0.94
"""Head of the worn pump over its baseline's at the same flow."""


def head(flow: np.ndarray) -> np.ndarray:
    return 42.0 - 2600.0 * flow**2


def points(month: str, n: int, part: float, pump: str = "A") -> pd.DataFrame:
    """Intervals of a pump that runs alone, laws of our own, its head `part` of the sound one."""
    flow = 0.05 + 0.012 * np.sin(np.arange(n) / 5.0)
    power = 998.2 * 9.80665 * flow * head(flow) / (0.72 - 50.0 * (flow - 0.055) ** 2)
    frame = BY_NAME["operating_points"].empty().reindex(range(n))
    return frame.assign(
        pump=pump, time=pd.date_range(f"{month}-05", periods=n, freq="10min", tz="UTC"),
        status="steady", flow=flow, total_head=part * head(flow), electrical_power=power,
        density=998.2, speed_ratio=1.0, suction_pressure_source="measured",
        suction_pressure_u_systematic=100.0,
        **{
            f"{name}_u_{part}": 0.0
            for name in ("flow", "total_head", "electrical_power")
            for part in ("systematic", "random")
        },
    )  # fmt: skip


def baseline(pump) -> Baseline:
    epoch = Epoch(pump=pump, start=BEGINNING, end=AS_OF)
    curve = BaselineCurve().fit(points("2026-01", 400, 1.0))
    return Baseline(epoch=epoch, curve=curve, level_only=None, source="learned",
                    suction_source="measured")  # fmt: skip


def test_how_far_a_pump_is_from_its_curve_is_told_by_its_latest_month_alone(station):
    plant = read_plant(station.plant)
    pump = plant.pumps["A"][0]
    unmetered = type(pump)(**{
        name: getattr(pump, name) for name in pump.__dataclass_fields__ if name != "flow_tag"
    } | {"flow_tag": None})  # fmt: skip
    with Store.create(station.data).writer() as stage:
        run = Run(plant=plant, stage=stage, as_of=AS_OF, fingerprints=Fingerprints.of(plant))
        for month, n, part in (("2026-02", 100, 0.97), ("2026-03", 100, WORN), ("2026-04", 5, 0.5)):
            rows = run.publish("operating_points", points(month, n, part))
            stage.write(METERED, month, rows)
        own, other = baseline(pump), baseline(unmetered)
        # April has too few points to tell; a pump with a meter of its own needs none of it.
        assert head_since(run, "2026-04", [other, own]) == [pytest.approx(WORN, abs=2e-3), 1.0]
        assert head_since(run, "2026-02", [other]) == [pytest.approx(0.97, abs=2e-3)]
        assert head_since(run, "2026-01", [other]) == [1.0]


def test_a_worn_and_a_sound_pump_share_as_they_pump(station):
    """The laws say what each passes; by curves of sound pumps the worn one gets too much."""
    pump = read_plant(station.plant).pumps["A"][0]
    n = 50
    true = {"worn": np.full(n, 0.045), "sound": np.full(n, 0.055)}
    heads = {"worn": WORN * head(true["worn"]), "sound": head(true["sound"])}

    def shared(moved: dict[str, float]) -> dict[str, float]:
        def head_of(name, rows):
            return heads[name], Uncertainty(np.full(n, 0.1), np.full(n, 0.05)), np.ones(n)

        asked = []
        for name, part in moved.items():
            (holds,) = _curves([baseline(pump)], [part])["A"]
            rows = pd.DataFrame(index=range(n))
            asked.append(_shared_pump(holds, name, rows, head_of))
        u = Uncertainty(np.full(n, 5e-4), np.full(n, 3e-4))
        found = allocate_flow(asked, true["worn"] + true["sound"], u)
        assert set(found.status) == {"ok"}
        return dict(zip(moved, found.flow.mean(axis=1), strict=True))

    known = shared({"worn": WORN, "sound": 1.0})
    assert known["worn"] == pytest.approx(0.045, rel=5e-3)
    assert known["sound"] == pytest.approx(0.055, rel=5e-3)
    taken_for_sound = shared({"worn": 1.0, "sound": 1.0})
    assert taken_for_sound["worn"] > 1.05 * 0.045
