"""Instrument accuracy as the plant file states it, or a usual figure that says so."""

from __future__ import annotations

import math

from pipeline.errors import UnitError
from pipeline.plant.fields import Section
from pipeline.plant.types import Accuracy
from pipeline.quantities import conversion, parse_measure

# Rectangular limits of the systematic part and standard deviation of the random part where
# the plant file is silent. Common practice, no source: figures for installed plant
# instruments between calibrations, wider than their data sheets.
_USUAL: dict[str, tuple[str, str]] = {
    "flow": ("2 % of reading", "0.5 % of reading"),
    "suction_pressure": ("0.5 % of span", "0.1 % of span"),
    "discharge_pressure": ("0.5 % of span", "0.1 % of span"),
    "pressure": ("0.5 % of span", "0.1 % of span"),
    "level": ("0.03 m", "0.005 m"),
    "electrical_power": ("1 % of reading", "0.2 % of reading"),
    "speed": ("0.1 % of reading", "0.05 % of reading"),
    "temperature": ("1 K", "0.2 K"),
}
_USUAL_PRESSURE_LIMIT = 3000.0
"""Systematic limit of a pressure gauge whose span is not stated [Pa]."""


def read_accuracy(
    section: Section | None, quantity: str, unit: str, low: float, high: float
) -> Accuracy:
    """Read ``accuracy = { systematic = "0.5 % of span", random = "0.1 % of span" }``.

    Parameters
    ----------
    section : Section or None
        The table; None where the plant file has none.
    quantity, unit : str
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
    systematic = _limit(section, "systematic", quantity, unit, span)
    random = _limit(section, "random", quantity, unit, span)
    section.done()
    root3 = math.sqrt(3.0)
    return Accuracy(
        systematic_absolute=systematic[0] / root3,
        systematic_relative=systematic[1] / root3,
        random_absolute=random[0],
        random_relative=random[1],
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
        return (part * span if math.isfinite(span) else _USUAL_PRESSURE_LIMIT * part / 0.005, 0.0)
    if text.endswith("of reading"):
        return 0.0, float(text.split()[0]) / 100.0
    number, unit = text.split()
    return float(number) * abs(conversion(unit, quantity).scale), 0.0


def _limit(
    section: Section, key: str, quantity: str, unit: str, span: float
) -> tuple[float, float]:
    """Give a stated limit as (absolute, relative to the reading)."""
    text = section.text(key, None)
    if text is None:
        return 0.0, 0.0
    expected = "like '0.5 % of span', '1 % of reading' or '2 kPa'"
    number, _, rest = text.partition("%")
    if rest.strip() in ("of span", "of reading"):
        try:
            part = float(number) / 100.0
        except ValueError:
            section.fault(key, f"'{text}'", expected)
            return 0.0, 0.0
        if rest.strip() == "of reading":
            return 0.0, abs(part)
        if not math.isfinite(span):
            section.fault(key, f"'{text}' without a range", "the tag's range", "Add 'range'.")
            return 0.0, 0.0
        return abs(part) * span, 0.0
    try:
        value, _ = parse_measure(text, quantity)
    except UnitError:
        section.fault(key, f"'{text}'", expected)
        return 0.0, 0.0
    # A temperature limit is a difference: the zero of the scale does not enter.
    zero, _ = parse_measure(f"0 {text.split()[-1]}", quantity)
    return abs(value - zero), 0.0
