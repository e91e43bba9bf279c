"""The facts that were planted, as one small file, and the maker's curve of one pump."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from . import station as sample
from .instruments import Instrument
from .simulate import TrueStation
from .water import GRAVITY

CURVE_FLOWS = (0.0, 90.0, 150.0, 200.0, 240.0, 280.0, 300.0, 320.0, 350.0, 380.0)
"""Flows of the maker's curve [m³/h]."""


def write_curve(path: Path, station: TrueStation) -> None:
    """Write the curve of P3 as its maker would have printed it: rounded, at 999 kg/m³."""
    curve = next(p for p in station.pumps if p.id == "P3").curve
    lines = [
        "# Pump P3: acceptance curve at 1480 rpm, flow / head / pump efficiency.",
        "flow [m3/h],head [m],efficiency [%]",
    ]
    for flow in CURVE_FLOWS:
        q = np.array(flow / 3600.0)
        head = float(curve.head(q, np.array(1.0))[0])
        power = float(curve.power(q, np.array(1.0), np.array(999.0)))
        efficiency = 999.0 * GRAVITY * float(q) * head / power
        lines.append(f"{flow:g},{head:.1f},{100.0 * efficiency:.1f}")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def write_planted(
    path: Path, station: TrueStation, instruments: Sequence[Instrument], seed: int
) -> None:
    """Write what was planted, for whoever checks the results."""
    facts = {
        "seed": seed,
        "first_day": sample.FIRST_DAY.isoformat(),
        "last_day": sample.LAST_DAY.isoformat(),
        "head_loss_per_year_at_bep": {p.id: p.head_loss_per_year for p in station.pumps},
        "power_slope_at_bep": {p.id: p.curve.power_slope for p in station.pumps},
        "best_efficiency": {
            p.id: {
                "flow_m3_h": round(p.curve.flow_bep * 3600.0, 3),
                "head_m": p.curve.head_bep,
                "pump_efficiency": p.curve.efficiency_bep,
            }
            for p in station.pumps
        },
        "p2_gauge_dies": sample.P2_GAUGE_DIES.isoformat(),
        "p2_stuck_at_bar": sample.P2_STUCK_AT,
        "p4_fouling": [
            {
                "begins": f.begins.isoformat(),
                "cleaned": f.cleaned.isoformat() if f.cleaned else None,
                "loss_m_at_bep_after_90_days": f.loss,
            }
            for p in station.pumps
            for f in p.fouling
        ],
        "p6_gauge_bad": [t.isoformat() for t in sample.P6_GAUGE_BAD],
        "communication_lost": [t.isoformat() for t in sample.COMMUNICATION_LOST],
        "level_zero_m": {
            name: source.zero for name, source in station.sources.items() if hasattr(source, "zero")
        },
        "instruments": {
            i.tag: {
                key: value
                for key, value in dataclasses.asdict(i).items()
                if key in ("bias", "gain", "drift", "white", "resolution", "deadband", "unit")
            }
            for i in instruments
        },
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8", newline="\n")
