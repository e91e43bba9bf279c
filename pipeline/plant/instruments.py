"""Instrument accuracy as the plant file states it, or a usual figure that says so."""

from __future__ import annotations

import math
import re

from pipeline.errors import UnitError
from pipeline.plant.fields import Section
from pipeline.plant.signals import Accuracy
from pipeline.plant.wording import shown
from pipeline.quantities import conversion

# Rectangular limits of the systematic part and standard deviation of the random part where
# the plant file is silent. Common practice, no source: figures for installed plant
# instruments between calibrations, wider than their data sheets.
_USUAL: dict[str, tuple[str, str]] = {
    "flow": ("2 % of reading", "0.5 % of reading"),
    "suction_pressure": ("0.5 % of span", "0.1 % of span"),
    "discharge_pressure": ("0.5 % of span", "0.1 % of span"),
    "pressure": ("0.5 % of span", "0.1 % of span"),
    "pressure_loss": ("0.5 % of span", "0.1 % of span"),
    "level": ("0.03 m", "0.005 m"),
    "electrical_power": ("1 % of reading", "0.2 % of reading"),
    "speed": ("0.1 % of reading", "0.05 % of reading"),
    "temperature": ("1 K", "0.2 K"),
}
_USUAL_PRESSURE_LIMIT = 3000.0
"""Systematic limit of a pressure gauge whose span is not stated [Pa]."""

_USUAL_LOSS_LIMIT = 500.0
"""The same of a differential pressure, whose spans are small [Pa]."""

_NUMBER = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_LARGEST = 1e300


def read_accuracy(section: Section | None, quantity: str, low: float, high: float) -> Accuracy:
    """Read ``accuracy = { systematic = "0.5 % of span", random = "0.1 % of span" }``.

    Each is a limit: a part of the span or of the reading, or an amount with its unit, with or
    without a leading ``±``. ``drift_per_year`` states a third in the same way: how far the
    systematic part may move within a year. A table must state the systematic part; left out as
    a whole, usual figures stand in.

    Parameters
    ----------
    section : Section or None
        The table; None where the plant file has none.
    quantity : str
        Of the tag.
    low, high : float
        Instrument range [SI]; infinite where not stated.

    Returns
    -------
    Accuracy
        Standard uncertainties; ``assumed`` is set where usual figures stand in.
    """
    span = high - low
    if section is None:
        return _usual(quantity, span)
    systematic = _limit(section, "systematic", quantity, span, required=True)
    random = _limit(section, "random", quantity, span)
    drift = _limit(section, "drift_per_year", quantity, span)
    section.done()
    root3 = math.sqrt(3.0)
    return Accuracy(
        systematic_absolute=systematic[0] / root3,
        systematic_relative=systematic[1] / root3,
        random_absolute=random[0],
        random_relative=random[1],
        drift_absolute=drift[0] / root3,
        drift_relative=drift[1] / root3,
    )


def _usual(quantity: str, span: float) -> Accuracy:
    if quantity not in _USUAL:
        return Accuracy(assumed=True)
    systematic, random = (_usual_limit(text, quantity, span) for text in _USUAL[quantity])
    root3 = math.sqrt(3.0)
    return Accuracy(
        systematic_absolute=systematic[0] / root3,
        systematic_relative=systematic[1] / root3,
        random_absolute=random[0],
        random_relative=random[1],
        assumed=True,
    )


def _usual_limit(text: str, quantity: str, span: float) -> tuple[float, float]:
    if text.endswith("of span"):
        part = float(text.split()[0]) / 100.0
        # 0.5 % of an unknown span: the limit is set outright, the random part a fifth of it.
        usual = _USUAL_LOSS_LIMIT if quantity == "pressure_loss" else _USUAL_PRESSURE_LIMIT
        return (part * span if math.isfinite(span) else usual * part / 0.005, 0.0)
    if text.endswith("of reading"):
        return 0.0, float(text.split()[0]) / 100.0
    number, unit = text.split()
    return float(number) * abs(conversion(unit, quantity).scale), 0.0


def _limit(
    section: Section, key: str, quantity: str, span: float, *, required: bool = False
) -> tuple[float, float]:
    """Give a stated limit as (absolute, relative to the reading)."""
    text = section.text(key) if required else section.text(key, None)
    if not text:
        return 0.0, 0.0
    plain = text.strip().removeprefix("±").removeprefix("+/-").strip()
    amount, _, basis = plain.partition("%")
    basis = " ".join(basis.split())
    if basis in ("of span", "of reading"):
        part = _number(amount)
        if part is None or part > 100.0:
            section.fault(key, shown(text), "a part from 0 to 100 %")
            return 0.0, 0.0
        if basis == "of reading":
            return 0.0, part / 100.0
        if not math.isfinite(span):
            section.fault(key, f"{shown(text)} without a range", "the tag's range", "Add 'range'.")
            return 0.0, 0.0
        return part / 100.0 * span, 0.0
    limit = _absolute_limit(plain, quantity)
    if limit is None:
        section.fault(key, shown(text), "like '0.5 % of span', '1 % of reading' or '2 kPa'")
        return 0.0, 0.0
    return limit, 0.0


def _number(text: str) -> float | None:
    """Read a plain number of zero or more; None if it is none."""
    match = _NUMBER.fullmatch(text.strip())
    return float(match.group()) if match else None


def _absolute_limit(text: str, quantity: str) -> float | None:
    match = _NUMBER.match(text)
    if match is None:
        return None
    unit = text[match.end() :].strip()
    try:
        scale = conversion(unit, quantity).scale
    except UnitError:
        return None
    # A limit is a difference: the zero of a temperature scale does not enter.
    limit = float(match.group()) * abs(scale)
    return limit if limit < _LARGEST else None
