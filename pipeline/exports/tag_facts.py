"""What the samples of a tag say about it, and what its name may mean."""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.errors import UnitError
from pipeline.quantities import QUANTITIES, accepted_spellings, conversion

__all__ = [
    "Guess",
    "TagFacts",
    "bracketed_unit",
    "facts_of",
    "guess_quantity",
    "guess_unit",
    "name_words",
]

EFFICIENCY = "efficiency"
"""What a name may promise although no tag measures it."""
NEAR_ATMOSPHERE = "near the atmosphere in kPa"
"""Why a unit was taken for kPa; such a pressure is absolute, or the guess is wrong."""

_NAMES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (EFFICIENCY, ("eff", "efficiency", "eta", "wirkungsgrad", "effic")),
    ("power_factor", ("pf", "cosphi")),
    ("energy_total", ("kwh", "mwh", "energy", "energie", "energia")),
    (
        "flow_total",
        (
            "total",
            "totaliser",
            "totalizer",
            "tot",
            "totaliz",
            "volume",
            "vol",
            "sum",
            "cumul",
            "cumule",
            "zahler",
        ),
    ),
    ("pressure_loss", ("dp", "pdi", "pdt", "diff", "differential", "strainer")),
    (
        "electrical_power",
        (
            "power",
            "pwr",
            "kw",
            "leistung",
            "watt",
            "watts",
            "jt",
            "ji",
            "jit",
            "potencia",
            "potenza",
            "puissance",
        ),
    ),
    ("level", ("level", "lvl", "li", "lt", "lit", "niveau", "pegel", "depth", "nivel", "livello")),
    ("flow", ("flow", "flw", "fi", "ft", "fit", "fic", "durchfluss", "gpm", "lps", "q", "inflow")),
    ("flow", ("caudal", "debit", "portata", "vazao")),
    (
        "speed",
        ("speed", "rpm", "hz", "freq", "frequency", "drehzahl", "sic", "velocidad", "vitesse"),
    ),
    (
        "temperature",
        ("temp", "temperature", "ti", "tt", "thermocouple", "temperatur", "temperatura"),
    ),
    ("current", ("current", "amp", "amps", "ampere", "strom", "corriente", "courant", "corrente")),
    ("voltage", ("voltage", "volt", "volts")),
    ("suction_pressure", ("suction", "suct", "suc", "inlet", "saug", "vacuum", "vac")),
    ("suction_pressure", ("aspiracion", "aspiration", "aspirazione", "succion", "saugdruck")),
    ("discharge_pressure", ("discharge", "disch", "dis", "outlet", "delivery", "enddruck")),
    ("discharge_pressure", ("impulsion", "refoulement", "mandata", "descarga", "druckseite")),
    ("pressure", ("pressure", "press", "pi", "pt", "pit", "druck", "bar", "psi", "kpa")),
    ("pressure", ("presion", "pression", "pressione", "pressao")),
    ("running", ("run", "running", "rng", "onoff", "started", "betrieb", "marcha", "marche")),
    ("valve_open", ("valve", "vlv", "zs", "xv")),
)
_UNIT_WORDS = (
    *("kW", "MW", "kWh", "MWh", "bar", "barg", "bara", "mbar", "kPa", "MPa", "psi", "psig"),
    *("psia", "mH2O", "inHg", "mmHg", "m3h", "m3/h", "m3/s", "l/s", "lps", "gpm", "mgd", "MLD"),
    *("cfs", "rpm", "Hz", "degC", "degF", "amps", "amp", "cm", "mm", "ft"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TagFacts:
    """Figures of one tag, in the units it is exported in.

    Parameters
    ----------
    name : str
        As exported.
    samples : int
        How many.
    first, last : Timestamp
        Their span, UTC (or the clock time where the zone is not known).
    interval : float
        Median time between samples [s].
    longest_gap : float
        Longest time between samples [s].
    share_bad, share_repeated, share_zero : float
        Parts of the samples [-]; repeated and zero are parts of the numbers.
    low, p05, median, p95, high : float
        Values.
    distinct : int
        Different values.
    is_counter : bool
        Whether the value never falls, or only when it starts anew, and rises for most of its
        range.
    """

    name: str
    samples: int
    first: pd.Timestamp
    last: pd.Timestamp
    interval: float
    longest_gap: float
    share_bad: float
    share_repeated: float
    share_zero: float
    low: float
    p05: float
    median: float
    p95: float
    high: float
    distinct: int
    is_counter: bool


@dataclass(frozen=True, slots=True)
class Guess:
    """A guess and why: never used in silence, always shown with its reason.

    Parameters
    ----------
    what : str
        The guess; empty if there is none.
    why : str
        Its reason, or why there is none.
    """

    what: str
    why: str


def facts_of(samples: pa.Table) -> dict[str, TagFacts]:
    """Summarise samples, tag by tag.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA``, sorted by tag and time.

    Returns
    -------
    dict of str to TagFacts
        By tag; tags without samples are left out.
    """
    facts = {}
    for name, (time, value, quality) in arrays_of(samples).items():
        usable = value[(quality < 2) & ~np.isnan(value)]
        step = np.diff(time) / 1e6
        nothing = float("nan")
        quantiles = np.quantile(usable, [0, 0.05, 0.5, 0.95, 1]) if len(usable) else [nothing] * 5
        low, p05, median, p95, high = (float(q) for q in quantiles)
        facts[name] = TagFacts(
            name=name,
            samples=len(time),
            first=pd.Timestamp(int(time[0]), unit="us", tz="UTC"),
            last=pd.Timestamp(int(time[-1]), unit="us", tz="UTC"),
            interval=float(np.median(step)) if len(step) else nothing,
            longest_gap=float(step.max()) if len(step) else nothing,
            share_bad=float((quality == 2).mean()),
            share_repeated=float((np.diff(usable) == 0).mean()) if len(usable) > 1 else 0.0,
            share_zero=float((usable == 0).mean()) if len(usable) else 0.0,
            low=low,
            p05=p05,
            median=median,
            p95=p95,
            high=high,
            distinct=len(np.unique(usable)),
            is_counter=_is_counter(usable),
        )
    return facts


def arrays_of(samples: pa.Table) -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Give time [µs], value and quality of each tag that has samples."""
    if not samples.num_rows:
        return {}
    table = samples.unify_dictionaries().combine_chunks()
    tag = table.column("tag").combine_chunks()
    code = tag.indices.to_numpy(zero_copy_only=False)
    names = tag.dictionary.to_pylist()
    columns = [
        table.column("time").cast(pa.int64()).to_numpy(),
        table.column("value").to_numpy(),
        table.column("quality").to_numpy(),
    ]
    starts = np.flatnonzero(np.diff(code, prepend=-1))
    pieces = [np.split(column, starts[1:]) for column in columns]
    return {
        names[code[start]]: (pieces[0][i], pieces[1][i], pieces[2][i])
        for i, start in enumerate(starts)
    }


def _is_counter(value: np.ndarray) -> bool:
    if len(value) < 20:
        return False
    step = np.diff(value)
    falls, rises = int((step < 0).sum()), int((step > 0).sum())
    # A roll-over or a new meter falls by nearly everything it had counted, and rarely.
    return rises > 10 and falls <= max(rises // 1000, 0) and float(step.max()) < 0.5 * np.ptp(value)


def name_words(name: str) -> list[str]:
    """Split a tag's name into lower-case words, at punctuation, digits and capitals.

    Examples
    --------
    >>> name_words("P1_Presión aspiraciónBomba2")
    ['p', 'presion', 'aspiracion', 'bomba']
    """
    spaced = re.sub(r"([^\W\d_A-Z])([A-Z])", r"\1 \2", name)
    plain = unicodedata.normalize("NFKD", spaced.casefold())
    return re.findall(r"[^\W\d_]+", "".join(c for c in plain if not unicodedata.combining(c)))


def guess_quantity(facts: TagFacts, unit: str = "") -> Guess:
    """Guess what a tag measures.

    Parameters
    ----------
    facts : TagFacts
        Its figures.
    unit : str
        Unit the export states, if any.

    Returns
    -------
    Guess
        A quantity name, or ``efficiency``, which no instrument measures.
    """
    # Capitals within a unit part no words: "kW" is one.
    words = [*name_words(facts.name), *re.findall(r"[a-z]+", facts.name.casefold())]
    for quantity, known in _NAMES:
        hit = next((word for word in words if word in known), None)
        if hit is not None:
            if quantity == "flow_total" and _is_rate_name(words):
                return Guess("flow", "'flow' in its name")
            return Guess(quantity, f"'{hit}' in its name")
    if unit == "%":
        return Guess("", "its unit '%' only says that it is a share of something")
    if unit:
        fitting = [q for q, entry in QUANTITIES.items() if entry.measurable and _fits(unit, q)]
        if "pressure" in fitting:
            return Guess("pressure", f"its unit '{unit}'; at which side of a pump it does not say")
        if len({QUANTITIES[q].dimension for q in fitting}) > 1:
            return Guess("", f"its unit '{unit}' fits {', '.join(fitting)} alike")
        if fitting:
            return Guess(fitting[0], f"its unit '{unit}'")
    if facts.distinct <= 2 and facts.low >= 0 and facts.high <= 1:
        return Guess("running", "it only takes the values 0 and 1")
    if facts.is_counter:
        return Guess("flow_total", "its value only rises, as a counter's does")
    return Guess("", "neither its name nor its values say")


def _is_rate_name(words: list[str]) -> bool:
    # "Volume flow" and "total flow rate" are rates; "flow volume" and "flow total" are totals.
    if "rate" in words:
        return True
    pairs = itertools.pairwise(words)
    return any(one in ("volume", "vol") and two == "flow" for one, two in pairs)


def _fits(unit: str, quantity: str) -> bool:
    try:
        conversion(unit, quantity)
    except UnitError:
        return False
    return True


def guess_unit(facts: TagFacts, quantity: str, stated: Mapping[str, str] | None = None) -> Guess:
    """Guess the unit of a tag.

    Parameters
    ----------
    facts : TagFacts
        Its figures.
    quantity : str
        What it is thought to measure.
    stated : mapping of str to str, optional
        Units the export itself states.

    Returns
    -------
    Guess
        A spelling accepted for the quantity; empty where nothing says.
    """
    if quantity not in QUANTITIES:
        return Guess("", "there is no such measured quantity")
    own = (stated or {}).get(facts.name, "").strip()
    if own:
        if _fits(own, quantity):
            return Guess(own, "the export states it")
        if own == "%":
            return Guess("", "the export states '%': give unit = '%' with the instrument's range")
        return Guess("", f"the export states '{own}', which does not fit {quantity}")
    bracketed = bracketed_unit(facts.name)
    if bracketed and _fits(bracketed, quantity):
        return Guess(bracketed, "it stands in the name")
    pieces = {p.casefold() for p in re.split(r"[^A-Za-z0-9/%]+", facts.name)}
    for word in _UNIT_WORDS:
        if word.casefold() in pieces and _fits(word, quantity):
            return Guess(word, "it stands in the name")
    return _unit_by_size(facts, quantity)


def bracketed_unit(name: str) -> str:
    """Give the text in brackets at the end of a name; empty if there is none.

    Examples
    --------
    >>> bracketed_unit("Puissance (kW)")
    'kW'
    """
    found = re.search(r"[\[(]\s*([^\])]+?)\s*[\])]\s*$", name)
    return found.group(1) if found else ""


def _unit_by_size(facts: TagFacts, quantity: str) -> Guess:
    top = max(abs(facts.p95), abs(facts.p05))
    size = f"values up to {facts.p95:.4g}"
    if QUANTITIES[quantity].dimension == "number":
        return Guess("1", "a state has no unit")
    if quantity == "speed":
        if 300 < top < 4000:
            return Guess("rpm", f"{size}, of the size of rev/min")
        if 0 < top <= 65:
            return Guess("Hz", f"{size}, of the size of a drive's frequency")
    if QUANTITIES[quantity].dimension == "pressure":
        if top > 20_000:
            return Guess("Pa", f"{size} would be too much in any larger unit")
        if 90 < facts.median < 110 and facts.p05 > 80:
            return Guess("kPa", f"a median of {facts.median:.4g} is {NEAR_ATMOSPHERE}")
        return Guess("", f"{size}; bar, kPa, psi and m of water cannot be told apart by size")
    few = ", ".join(accepted_spellings(quantity)[:6])
    return Guess("", f"{size} do not say; accepted are {few}, ...")
