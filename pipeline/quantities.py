"""Every physical quantity once: its name, symbol, SI unit, meaning and unit spellings.

Inside gaugeless every array is in the SI unit given here. Units exist only at the two
edges: what a historian export or the plant file says on the way in, and the station's
display system (``SI`` or ``US``) on the way out. This is the only module that uses pint.

Unit texts never go straight to pint: it reads ``bar(g)`` as bar times gram, ``C`` as
coulomb and ``T/H`` as tesla per henry, and refuses ``GPM`` and ``barg``. They pass through
the alias table below, then through a dimension check.
"""

from __future__ import annotations

import difflib
import functools
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from pipeline.errors import Fault, UnitError

if TYPE_CHECKING:
    import pint

DisplaySystem = Literal["SI", "US"]
PressureReference = Literal["gauge", "absolute"]

__all__ = [
    "QUANTITIES",
    "Conversion",
    "DisplaySystem",
    "DisplayUnit",
    "PressureReference",
    "Quantity",
    "accepted_spellings",
    "conversion",
    "display_unit",
    "parse_measure",
    "quantity",
    "unit_names",
]


@dataclass(frozen=True, slots=True)
class DisplayUnit:
    """A unit of the published tables.

    Parameters
    ----------
    text : str
        The unit as printed for people, such as ``m³/h``.
    suffix : str
        The unit as the end of a column name, such as ``m3_h``; empty for plain numbers.
    scale, offset : float
        ``displayed = si * scale + offset``.
    """

    text: str
    suffix: str
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Dimension:
    """A family of quantities that share an SI unit, spellings and display units."""

    name: str
    si_unit: str
    spellings: dict[str, tuple[str, ...]]
    display: dict[DisplaySystem, tuple[str, str, str]]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One entry of the project's nomenclature.

    Parameters
    ----------
    name : str
        The name used in code, plant files and, with a unit suffix, in tables.
    symbol : str
        The symbol used in equations.
    dimension : str
        Key of the dimension it belongs to.
    meaning : str
        One sentence.
    measurable : bool
        Whether a tag of the plant file may carry it.
    """

    name: str
    symbol: str
    dimension: str
    meaning: str
    measurable: bool = False

    @property
    def si_unit(self) -> str:
        """The SI unit used inside."""
        return _DIMENSIONS[self.dimension].si_unit


@dataclass(frozen=True, slots=True)
class Conversion:
    """How a unit turns into SI: ``si = value * scale + offset``.

    Parameters
    ----------
    scale : float
        Factor; negative for a vacuum counted positive downwards.
    offset : float
        Added after scaling; only temperatures have one.
    reference : {"gauge", "absolute"} or None
        What the spelling itself says about a pressure, if anything.
    """

    scale: float
    offset: float = 0.0
    reference: PressureReference | None = None


# Spellings are compared without case, blanks, dots, ``^``, ``*`` and with ³ as 3.
# Left: an expression pint reads without doubt. Right: what historians write.
_PRESSURE = {
    "pascal": ("Pa", "pascal"),
    "hectopascal": ("hPa",),
    "kilopascal": ("kPa", "kilopascal"),
    "megapascal": ("MPa", "megapascal"),
    "bar": ("bar",),
    "millibar": ("mbar", "millibar"),
    "psi": ("psi", "lbf/in2", "lb/in2"),
    "standard_atmosphere": ("atm",),
    "technical_atmosphere": ("kgf/cm2", "kg/cm2", "at"),
    # Conventional columns: water at 1000 kg/m3, mercury at 13595.1 kg/m3, standard gravity.
    "meter_H2O": ("mH2O", "mWC", "mWS", "mwg"),
    "centimeter_H2O": ("cmH2O", "cmWC"),
    "millimeter_H2O": ("mmH2O", "mmWC"),
    "foot_H2O": ("ftH2O", "ftWC", "ft of water"),
    "inch_H2O": ("inH2O", "inWC", "in of water"),
    "inch_Hg": ("inHg", "in Hg", "inches of mercury"),
    "millimeter_Hg": ("mmHg", "Torr"),
}

_DIMENSIONS: dict[str, Dimension] = {
    d.name: d
    for d in (
        Dimension(
            "flow",
            "m³/s",
            {
                "meter**3/second": ("m3/s", "cms", "cumecs"),
                "meter**3/minute": ("m3/min",),
                "meter**3/hour": ("m3/h", "m3/hr", "m3h", "cmh", "cbm/h"),
                "meter**3/day": ("m3/d", "m3/day", "cmd"),
                "liter/second": ("l/s", "lps", "litre/s", "liter/s", "l/sec"),
                "liter/minute": ("l/min", "lpm", "liter/min", "litre/min"),
                "liter/hour": ("l/h", "lph"),
                "1e6*liter/day": ("Ml/d", "MLD", "Ml/day"),
                "US_liquid_gallon/minute": ("gpm", "usgpm", "gal/min", "us gpm"),
                "US_liquid_gallon/hour": ("gph", "gal/h"),
                "1e6*US_liquid_gallon/day": ("MGD", "mgal/d", "usmgd"),
                "imperial_gallon/minute": ("igpm", "imp gpm", "imperial gpm"),
                "foot**3/second": ("cfs", "ft3/s"),
                "foot**3/minute": ("cfm", "ft3/min"),
            },
            {
                "SI": ("meter**3/hour", "m³/h", "m3_h"),
                "US": ("US_liquid_gallon/minute", "gpm", "gpm"),
            },
        ),
        Dimension(
            "volume",
            "m³",
            {
                "meter**3": ("m3", "cbm"),
                "liter": ("l", "litre", "liter"),
                "1e6*liter": ("Ml", "megalitre"),
                "US_liquid_gallon": ("gal", "usgal"),
                "1e3*US_liquid_gallon": ("kgal",),
                "1e6*US_liquid_gallon": ("mgal",),
                "foot**3": ("ft3", "cf"),
            },
            {
                "SI": ("meter**3", "m³", "m3"),
                "US": ("1e3*US_liquid_gallon", "kgal", "kgal"),
            },
        ),
        Dimension(
            "pressure",
            "Pa",
            _PRESSURE,
            {"SI": ("kilopascal", "kPa", "kpa"), "US": ("psi", "psi", "psi")},
        ),
        Dimension(
            "length",
            "m",
            {
                "meter": ("m", "metre", "meter"),
                "centimeter": ("cm",),
                "millimeter": ("mm",),
                "kilometer": ("km",),
                "foot": ("ft", "feet", "foot"),
                "inch": ("in", "inch", "inches", '"'),
            },
            {"SI": ("meter", "m", "m"), "US": ("foot", "ft", "ft")},
        ),
        Dimension(
            "diameter",
            "m",
            {
                "meter": ("m",),
                "centimeter": ("cm",),
                "millimeter": ("mm",),
                "foot": ("ft",),
                "inch": ("in", "inch", '"'),
            },
            {"SI": ("millimeter", "mm", "mm"), "US": ("inch", "in", "in")},
        ),
        Dimension(
            "power",
            "W",
            {
                "watt": ("W", "watt"),
                "kilowatt": ("kW", "kilowatt"),
                "megawatt": ("MW", "megawatt"),
                "horsepower": ("hp", "bhp"),
                "metric_horsepower": ("PS", "CV", "metric hp"),
            },
            {"SI": ("kilowatt", "kW", "kw"), "US": ("kilowatt", "kW", "kw")},
        ),
        Dimension(
            "energy",
            "J",
            {
                "joule": ("J",),
                "megajoule": ("MJ",),
                "watt*hour": ("Wh",),
                "kilowatt*hour": ("kWh",),
                "megawatt*hour": ("MWh",),
            },
            {"SI": ("kilowatt*hour", "kWh", "kwh"), "US": ("kilowatt*hour", "kWh", "kwh")},
        ),
        Dimension(
            "specific_energy",
            "J/m³",
            {"kilowatt*hour/meter**3": ("kWh/m3",)},
            {
                "SI": ("kilowatt*hour/meter**3", "kWh/m³", "kwh_m3"),
                "US": ("kilowatt*hour/(1e3*US_liquid_gallon)", "kWh/kgal", "kwh_kgal"),
            },
        ),
        Dimension(
            "speed",
            "1/s",
            {
                "1/minute": ("rpm", "1/min", "r/min", "rev/min", "min-1"),
                "1/second": ("rps", "1/s", "rev/s", "Hz", "hertz"),
            },
            {"SI": ("1/minute", "rpm", "rpm"), "US": ("1/minute", "rpm", "rpm")},
        ),
        Dimension(
            "temperature",
            "K",
            {
                "kelvin": ("K", "kelvin"),
                "degree_Celsius": ("°C", "degC", "deg C", "C", "celsius"),
                "degree_Fahrenheit": ("°F", "degF", "deg F", "F", "fahrenheit"),
            },
            {"SI": ("degree_Celsius", "°C", "c"), "US": ("degree_Fahrenheit", "°F", "f")},
        ),
        Dimension(
            "density",
            "kg/m³",
            {
                "kilogram/meter**3": ("kg/m3",),
                "gram/centimeter**3": ("g/cm3", "kg/l", "SG", "g/ml"),
                "pound/foot**3": ("lb/ft3", "lbm/ft3", "pcf"),
            },
            {
                "SI": ("kilogram/meter**3", "kg/m³", "kg_m3"),
                "US": ("pound/foot**3", "lb/ft³", "lb_ft3"),
            },
        ),
        Dimension(
            "viscosity",
            "Pa·s",
            {"pascal*second": ("Pa s", "Pas"), "millipascal*second": ("mPa s", "cP", "mPas")},
            {
                "SI": ("millipascal*second", "mPa·s", "mpa_s"),
                "US": ("millipascal*second", "cP", "cp"),
            },
        ),
        # Losses of a well by Jacob's equation: drawdown over flow, and over its square.
        Dimension(
            "drawdown_by_flow",
            "s/m²",
            {
                "second/meter**2": ("s/m2", "m/(m3/s)"),
                "meter/(meter**3/hour)": ("m/(m3/h)", "h/m2"),
                "meter/(liter/second)": ("m/(l/s)",),
                "meter/(meter**3/day)": ("m/(m3/d)", "d/m2"),
                "foot/(US_liquid_gallon/minute)": ("ft/gpm",),
            },
            {
                "SI": ("meter/(meter**3/hour)", "m/(m³/h)", "m_per_m3_h"),
                "US": ("foot/(US_liquid_gallon/minute)", "ft/gpm", "ft_per_gpm"),
            },
        ),
        Dimension(
            "drawdown_by_flow_squared",
            "s²/m⁵",
            {
                "second**2/meter**5": ("s2/m5", "m/(m3/s)2"),
                "meter/(meter**3/hour)**2": ("m/(m3/h)2", "h2/m5"),
                "meter/(liter/second)**2": ("m/(l/s)2",),
                "meter/(meter**3/day)**2": ("m/(m3/d)2", "d2/m5"),
                "foot/(US_liquid_gallon/minute)**2": ("ft/gpm2",),
            },
            {
                "SI": ("meter/(meter**3/hour)**2", "m/(m³/h)²", "m_per_m3_h_2"),
                "US": ("foot/(US_liquid_gallon/minute)**2", "ft/gpm²", "ft_per_gpm_2"),
            },
        ),
        Dimension(
            "fraction",
            "1",
            {"dimensionless": ("1", "-", "fraction", "ratio"), "percent": ("%", "pct", "percent")},
            {"SI": ("percent", "%", "pct"), "US": ("percent", "%", "pct")},
        ),
        Dimension(
            "number",
            "1",
            {"dimensionless": ("1", "-", "", "none", "bool", "on/off", "0/1")},
            {"SI": ("dimensionless", "", ""), "US": ("dimensionless", "", "")},
        ),
        Dimension(
            "current",
            "A",
            {"ampere": ("A", "amp", "amps"), "milliampere": ("mA",), "kiloampere": ("kA",)},
            {"SI": ("ampere", "A", "a"), "US": ("ampere", "A", "a")},
        ),
        Dimension(
            "voltage",
            "V",
            {"volt": ("V", "volt", "volts"), "kilovolt": ("kV",)},
            {"SI": ("volt", "V", "v"), "US": ("volt", "V", "v")},
        ),
        Dimension(
            "duration",
            "s",
            {
                "second": ("s", "sec", "seconds"),
                "minute": ("min", "minute", "minutes"),
                "hour": ("h", "hr", "hour", "hours"),
                "day": ("d", "day", "days"),
            },
            {"SI": ("hour", "h", "h"), "US": ("hour", "h", "h")},
        ),
        Dimension(
            "fraction_per_year",
            "1/a",
            {"dimensionless": ("1/a",), "percent": ("%/a", "%/yr", "%/year")},
            {"SI": ("percent", "%/yr", "pct_per_yr"), "US": ("percent", "%/yr", "pct_per_yr")},
        ),
        Dimension(
            "years",
            "a",
            {"year": ("a", "yr", "year", "years")},
            {"SI": ("year", "a", "yr"), "US": ("year", "yr", "yr")},
        ),
        Dimension(
            "emissions",
            "kg",
            {"kilogram": ("kg", "kg CO2e"), "1e3*kilogram": ("t CO2e",)},
            {"SI": ("kilogram", "kg CO₂e", "kg_co2e"), "US": ("kilogram", "kg CO₂e", "kg_co2e")},
        ),
        Dimension(
            "money",
            "1",
            {"dimensionless": ("1",)},
            # The suffix is the plant's currency; contracts put it in.
            {"SI": ("dimensionless", "", ""), "US": ("dimensionless", "", "")},
        ),
    )
}

_SI_PINT = {
    "m³/s": "meter**3/second",
    "m³": "meter**3",
    "Pa": "pascal",
    "m": "meter",
    "W": "watt",
    "J": "joule",
    "J/m³": "joule/meter**3",
    "1/s": "1/second",
    "K": "kelvin",
    "kg/m³": "kilogram/meter**3",
    "Pa·s": "pascal*second",
    "s/m²": "second/meter**2",
    "s²/m⁵": "second**2/meter**5",
    "1": "dimensionless",
    "1/a": "dimensionless",
    "A": "ampere",
    "V": "volt",
    "s": "second",
    "kg": "kilogram",
    "a": "year",
}


def _entries() -> tuple[Quantity, ...]:
    q = Quantity
    return (
        # What an instrument can measure.
        q("flow", "Q", "flow", "Volume flow through the pump.", True),
        q("flow_total", "V", "volume", "Running or per-interval total of a flow meter.", True),
        q("suction_pressure", "p_s", "pressure", "Static gauge pressure at the suction tap.", True),
        q("discharge_pressure", "p_d", "pressure", "Static pressure at the discharge tap.", True),
        q("pressure", "p", "pressure", "A pressure at a stated place.", True),
        q("pressure_loss", "Δp", "pressure", "A pressure difference lost to friction.", True),
        q("level", "L", "length", "Reading of a level transmitter above its own zero.", True),
        q("electrical_power", "P_el", "power", "Electrical power where it is metered.", True),
        q("speed", "n", "speed", "Rotational speed, revolutions per second.", True),
        q("temperature", "T", "temperature", "Temperature of the liquid.", True),
        q("current", "I", "current", "Line current of the motor.", True),
        q("voltage", "U", "voltage", "Line-to-line voltage of the motor.", True),
        q("power_factor", "cos φ", "fraction", "Power factor of the motor.", True),
        q("running", "", "number", "One while the pump runs, zero while it stands.", True),
        q("valve_open", "", "number", "One while a valve is open, zero while it is shut.", True),
        q("energy_total", "E", "energy", "Running total of an energy meter.", True),
        # Geometry and liquid.
        q("elevation", "z", "length", "Height above the stated datum."),
        q("altitude", "", "length", "Height of the site above sea level."),
        q("diameter", "D", "diameter", "Inside diameter of a pipe."),
        q("length", "l", "length", "Length of a pipe."),
        q("roughness", "ε", "diameter", "Equivalent sand roughness of a pipe wall."),
        q("loss_coefficient", "K", "number", "Loss in velocity heads of a fitting."),
        q("density", "ρ", "density", "Density of the liquid."),
        q("viscosity", "μ", "viscosity", "Dynamic viscosity of the liquid."),
        q("vapour_pressure", "p_v", "pressure", "Vapour pressure of the liquid, absolute."),
        q("aquifer_loss", "B", "drawdown_by_flow", "Drawdown of a well in proportion to flow."),
        q("well_loss", "C", "drawdown_by_flow_squared", "Drawdown of a well over flow squared."),
        # What is worked out.
        q("velocity", "v", "number", "Mean velocity in the pipe, m/s."),
        q("total_head", "H", "length", "Head the pump adds, between its flanges (ISO 9906)."),
        q("static_head", "", "length", "Head of the liquid column without flow."),
        q("friction_loss", "h_f", "length", "Head lost to friction."),
        q("hydraulic_power", "P_u", "power", "Power given to the liquid, ρ g Q H."),
        q("shaft_power", "P_2", "power", "Mechanical power at the pump shaft."),
        q("overall_efficiency", "η_gr", "fraction", "Hydraulic over electrical power."),
        q("pump_efficiency", "η", "fraction", "Hydraulic over shaft power."),
        q("motor_efficiency", "η_m", "fraction", "Shaft over electrical power of the motor."),
        q("specific_energy", "e", "specific_energy", "Electrical energy per volume pumped."),
        q("npsh_available", "NPSHA", "length", "Net positive suction head available."),
        q("npsh_required", "NPSHR", "length", "Net positive suction head required."),
        q("volume", "V", "volume", "Volume pumped."),
        q("electrical_energy", "E_el", "energy", "Electrical energy used."),
        q("hydraulic_energy", "E_u", "energy", "Energy given to the liquid."),
        q("excess_energy", "E_x", "energy", "Energy used beyond the baseline at the same duty."),
        q("duration", "t", "duration", "Length of time."),
        q("fraction", "", "fraction", "Part of a whole."),
        q("head_deviation", "δH", "fraction", "Head against baseline at the same flow."),
        q("power_deviation", "δP", "fraction", "Power against baseline at the same flow."),
        q("efficiency_deviation", "δη", "fraction", "Efficiency against baseline, same flow."),
        q("rate_per_year", "", "fraction_per_year", "Change per year, part of the baseline."),
        q("cost", "", "money", "Money, in the plant's currency."),
        q("emissions", "m_e", "emissions", "Greenhouse gas emissions, as carbon dioxide."),
        q("years", "", "years", "A span of time in years of 365.25 days."),
        q("number", "", "number", "A plain number."),
    )


QUANTITIES: dict[str, Quantity] = {entry.name: entry for entry in _entries()}
"""Every quantity by name."""


def quantity(name: str) -> Quantity:
    """Look up a quantity.

    Parameters
    ----------
    name : str
        Name as in ``QUANTITIES``.

    Returns
    -------
    Quantity

    Raises
    ------
    UnitError
        If there is no such quantity; the message lists near names.
    """
    try:
        return QUANTITIES[name]
    except KeyError:
        near = difflib.get_close_matches(name, QUANTITIES, n=3) or sorted(
            key for key, entry in QUANTITIES.items() if entry.measurable
        )
        fault = Fault(
            f"quantity '{name}'", "no such quantity", "one of " + ", ".join(near), "Correct it."
        )
        raise UnitError("Unknown quantity.", [fault]) from None


@functools.cache
def _registry() -> pint.UnitRegistry:
    # Building the registry costs about half a second: once, and only when a unit is used.
    import pint

    return pint.UnitRegistry()


_STRIPPED = re.compile(r"[\s.^*·_]+")


def _plain(text: str) -> str:
    text = (
        text.replace("³", "3")
        .replace("²", "2")
        .replace("⁵", "5")
        .replace("⁻¹", "-1")
        .replace("°", "")
    )
    return _STRIPPED.sub("", text).casefold()


@functools.cache
def _aliases(dimension: str) -> dict[str, str]:
    table: dict[str, str] = {}
    for expression, spellings in _DIMENSIONS[dimension].spellings.items():
        for spelling in spellings:
            table.setdefault(_plain(spelling), expression)
    return table


def accepted_spellings(name: str) -> list[str]:
    """List the unit spellings accepted for a quantity, as shown in error messages."""
    dimension = _DIMENSIONS[quantity(name).dimension]
    return [spelling for group in dimension.spellings.values() for spelling in group if spelling]


def unit_names(name: str) -> list[str]:
    """List the units accepted for a quantity, one spelling of each."""
    dimension = _DIMENSIONS[quantity(name).dimension]
    return [next(s for s in group if s) for group in dimension.spellings.values() if any(group)]


_REFERENCE_ENDINGS: tuple[tuple[str, PressureReference], ...] = (
    ("(gauge)", "gauge"),
    ("(abs)", "absolute"),
    ("(g)", "gauge"),
    ("(a)", "absolute"),
    ("gauge", "gauge"),
    ("abs", "absolute"),
    ("g", "gauge"),
    ("a", "absolute"),
)
_VACUUM_ENDINGS = ("(vac)", "vacuum", "vac")


def _split_pressure(text: str) -> tuple[str, PressureReference | None, float]:
    """Take gauge, absolute or vacuum off the end of a pressure unit's spelling."""
    table = _aliases("pressure")
    if text in table:
        return text, None, 1.0
    for ending in _VACUUM_ENDINGS:
        if text.endswith(ending) and text.removesuffix(ending) in table:
            return text.removesuffix(ending), "gauge", -1.0
    for ending, reference in _REFERENCE_ENDINGS:
        if text.endswith(ending) and text.removesuffix(ending) in table:
            return text.removesuffix(ending), reference, 1.0
    return text, None, 1.0


@functools.cache
def _linear(expression: str, si_unit: str) -> tuple[float, float]:
    registry = _registry()
    target = _SI_PINT[si_unit]
    if expression in ("degree_Celsius", "degree_Fahrenheit"):
        # An affine unit, written out because adding offsets in floating point (K at 0 and 1)
        # would lose digits of the scale.
        return (1.0, 273.15) if expression == "degree_Celsius" else (5 / 9, 273.15 - 32 * 5 / 9)
    return float(registry.parse_expression(expression).to(target).magnitude), 0.0


@functools.cache
def conversion(unit: str, name: str) -> Conversion:
    """Read a unit as a historian writes it.

    Parameters
    ----------
    unit : str
        Spelling such as ``GPM``, ``m3/h``, ``barg`` or ``inHg vac``.
    name : str
        Quantity the unit must measure.

    Returns
    -------
    Conversion
        Scale and offset to SI and, for a pressure, what the spelling says about its reference.

    Raises
    ------
    UnitError
        If the spelling is unknown for this quantity; the message lists those accepted.

    Examples
    --------
    >>> conversion("GPM", "flow").scale
    6.30901964e-05
    >>> conversion("barg", "suction_pressure").reference
    'gauge'
    >>> conversion("inHg vac", "suction_pressure").scale
    -3386.3886
    """
    entry = quantity(name)
    plain = _plain(unit)
    reference: PressureReference | None = None
    sign = 1.0
    if entry.dimension == "pressure":
        # Millipascals do not occur at pumps; the spelling is nearly always a slip for MPa.
        if unit.strip() == "mPa":
            raise _unknown_unit(unit, entry)
        plain, reference, sign = _split_pressure(plain)
    expression = _aliases(entry.dimension).get(plain)
    if expression is None:
        raise _unknown_unit(unit, entry)
    scale, offset = _linear(expression, entry.si_unit)
    return Conversion(sign * scale, offset, reference)


def _unknown_unit(unit: str, entry: Quantity) -> UnitError:
    known = accepted_spellings(entry.name)
    fault = Fault(
        f"unit of {entry.name}",
        f"'{unit}'",
        "one of " + ", ".join(known),
        "Correct the spelling, or convert the column before exporting it.",
    )
    return UnitError(f"Unknown unit '{unit}' for {entry.name}.", [fault])


_MEASURE = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def parse_measure(text: str, name: str) -> tuple[float, PressureReference | None]:
    """Read a number with its unit, such as ``"250 mm"``, into SI.

    Parameters
    ----------
    text : str
        A number, a blank or none, and a unit.
    name : str
        Quantity the text must give.

    Returns
    -------
    value : float
        In the SI unit of the quantity.
    reference : {"gauge", "absolute"} or None
        What the unit says about a pressure.

    Raises
    ------
    UnitError
        If there is no number, no unit where one is needed, or an unknown one.

    Examples
    --------
    >>> parse_measure("250 mm", "diameter")[0]
    0.25
    """
    match = _MEASURE.match(text)
    if match is None:
        fault = Fault(f"{name}", f"'{text}'", "a number and a unit", "Write it like '12.5 m'.")
        raise UnitError(f"'{text}' is no measure of {name}.", [fault])
    number, unit = match.groups()
    found = conversion(unit, name)
    return float(number) * found.scale + found.offset, found.reference


@functools.cache
def display_unit(name: str, system: DisplaySystem) -> DisplayUnit:
    """Give the unit in which a quantity is published.

    Parameters
    ----------
    name : str
        Quantity name.
    system : {"SI", "US"}
        Display system of the station.

    Returns
    -------
    DisplayUnit

    Examples
    --------
    >>> unit = display_unit("flow", "SI")
    >>> unit.text, unit.suffix, unit.scale
    ('m³/h', 'm3_h', 3600.0)
    """
    entry = quantity(name)
    expression, text, suffix = _DIMENSIONS[entry.dimension].display[system]
    scale, offset = _linear(expression, entry.si_unit)
    # si = shown * scale + offset, turned round. 1/(1/3600) is kept exact by rounding to the
    # 15 digits a double holds, so that published bytes do not carry conversion dust.
    inverse = float(f"{1.0 / scale:.15g}")
    return DisplayUnit(text, suffix, inverse, -offset * inverse if offset else 0.0)
