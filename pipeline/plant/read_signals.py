"""Read tags and export formats from the plant file."""

from __future__ import annotations

import codecs
import math
from typing import Any, cast
from zoneinfo import ZoneInfo

from pipeline.errors import UnitError
from pipeline.plant.fields import Section, tag_conversion
from pipeline.plant.files import export_pattern
from pipeline.plant.instruments import read_accuracy
from pipeline.plant.path_template import template_fault
from pipeline.plant.signals import Accuracy, ExportFormat, Tag
from pipeline.plant.wording import did_you_mean, shown
from pipeline.quantities import (
    QUANTITIES,
    Conversion,
    PressureReference,
    parse_measure,
    unit_names,
)

_MEASURABLE = tuple(name for name, entry in QUANTITIES.items() if entry.measurable)
_SWITCHES = ("running", "valve_open")
_TIME_FORMATS = (
    "iso",
    "epoch_s",
    "epoch_ms",
    "epoch_us",
    "epoch_ns",
    "spreadsheet",
    "spreadsheet_1904",
    "day_first",
    "month_first",
)
_DELIMITERS = ",;\t| "
_THOUSANDS = ",.' \u2019\u00a0\u2007\u2009\u202f"


def read_tag(s: Section, zone: ZoneInfo) -> Tag:
    """Read one ``[[tags]]`` table."""
    name = s.text("name")
    quantity = s.one_of("quantity", _MEASURABLE)
    if quantity is None:
        # Unit, range and accuracy mean nothing without it.
        s.pass_over()
        return Tag(name=name, quantity="", unit="", valid_from=s.valid_from(zone))
    if quantity in _SWITCHES:
        unit = s.text("unit", "1")
    else:
        unit = s.text("unit", expected="one of " + ", ".join(unit_names(quantity)))
    is_share = unit.strip() == "%" and quantity not in (*_SWITCHES, "power_factor")
    found = Conversion(0.01) if is_share else tag_conversion(s, quantity, unit) if unit else None
    if found is None:
        s.pass_over()
        return Tag(name=name, quantity=quantity, unit="", valid_from=s.valid_from(zone))
    reference = _reference(s, quantity, unit, found.reference)
    low, high = _range(s, quantity, unit, reference)
    if is_share:
        found = _share_of_range(s, low, high)
    steps = "step" if quantity in _SWITCHES else "linear"
    tag = Tag(
        name=name,
        quantity=quantity,
        unit=unit,
        scale=found.scale,
        offset=found.offset,
        reference=reference,
        interpolation=cast(Any, s.choice("interpolation", ("linear", "step"), steps)),
        max_gap=s.measure("max_gap", "duration", 1800.0, low=1.0, high=86400.0) or 1800.0,
        low=low,
        high=high,
        accuracy=_accuracy(s, quantity, low, high),
        measures=cast(
            Any, s.choice("measures", ("rate", "running_total", "interval_total"), "rate")
        ),
        valid_from=s.valid_from(zone),
    )
    s.done()
    return tag


def _share_of_range(s: Section, low: float, high: float) -> Conversion:
    """Percent of an instrument's range, as transmitters scaled from 0 to 100 give."""
    if not s.has("range"):
        s.fault(
            "unit",
            "'%', a part of the instrument's range",
            'the range beside it, such as range = ["0 m", "6 m"]',
            "Look at the transmitter's settings.",
        )
    if not math.isfinite(high - low):
        return Conversion(0.01)
    return Conversion((high - low) / 100.0, low)


def _reference(
    s: Section, quantity: str, unit: str, by_unit: PressureReference | None
) -> PressureReference | None:
    """Gauge or absolute: by the key, by the unit's spelling, never by guess."""
    declared = s.choice("reference", ("gauge", "absolute"), "gauge") if s.has("reference") else None
    if QUANTITIES[quantity].dimension != "pressure" or quantity == "pressure_loss":
        if declared:
            s.fault("reference", f"'{declared}' on {quantity}", "no reference", "Remove it.")
        return None
    if declared and by_unit and declared != by_unit:
        s.fault(
            "reference",
            f"'{declared}' with unit {shown(unit)}",
            f"'{by_unit}', which that unit says",
            "Correct one of them.",
        )
    if not (declared or by_unit):
        s.fault(
            "reference",
            "nothing",
            "'gauge' or 'absolute', here or in the unit (such as barg, psia)",
            "Look at the gauge's plate; never guess.",
        )
    return cast(Any, declared or by_unit)


def _range(
    s: Section, quantity: str, unit: str, reference: PressureReference | None
) -> tuple[float, float]:
    """Read ``range = ["0 m", "6 m"]``; bare numbers are in the tag's own unit."""
    everything = float("-inf"), float("inf")
    texts = s.words("range")
    if not texts:
        return everything
    if len(texts) != 2:
        s.fault("range", f"{len(texts)} value(s)", "two: the lowest and the highest reading")
        return everything
    values = []
    for text in texts:
        try:
            value, stated = parse_measure(f"{text} {unit}" if _is_bare(text) else text, quantity)
        except UnitError as error:
            s.refuse("range", error)
            return everything
        if stated and reference and stated != reference:
            s.fault("range", f"{shown(text)} of a tag in {reference} pressure", f"{reference} too")
            return everything
        if not abs(value) < 1e300:
            s.fault("range", shown(text), "a reading of ordinary size")
            return everything
        values.append(value)
    low, high = min(values), max(values)
    if low == high:
        s.fault("range", f"{shown(texts[0])} and {shown(texts[1])}", "two different readings")
        return everything
    return low, high


def _accuracy(s: Section, quantity: str, low: float, high: float) -> Accuracy:
    if s.has("range") and not math.isfinite(high - low):
        # A part of a span that could not be read is no second fault.
        low, high = 0.0, 1.0
    return read_accuracy(s.section("accuracy"), quantity, low, high)


def _is_bare(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def read_export(s: Section) -> ExportFormat:
    """Read one ``[[exports]]`` table."""
    layout = s.choice("layout", ("long", "wide"), "long")
    is_long = layout == "long"
    status = s.section("status_words")
    words: dict[str, tuple[str, ...]] = {"good": (), "uncertain": (), "bad": ()}
    if status is not None:
        words = {kind: status.words(kind) for kind in words}
        status.done()
    zone = s.zone("time_zone")
    decimal = s.choice("decimal", (".", ","), ".")
    tag, tag_in_path = _tag_of_files(s, is_long)
    in_rows = is_long and not (tag or tag_in_path)
    export = ExportFormat(
        pattern=export_pattern(s, "path"),
        layout=cast(Any, layout),
        time_column=s.text("time_column", "time"),
        tag_column=s.text("tag_column", "tag") if in_rows else None,
        value_column=s.text("value_column", "value") if is_long else None,
        status_column=s.text("status_column", None),
        tag=tag,
        tag_in_path=tag_in_path,
        time_zone=None if zone is None else zone.key,
        time_format=_time_format(s),
        delimiter=s.mark("delimiter", _DELIMITERS),
        decimal=decimal,
        thousands=s.mark("thousands", _THOUSANDS),
        encoding=_encoding(s),
        skip_rows=s.whole("skip_rows", 0, low=0, high=1000) or 0,
        unit_row=s.flag("unit_row", False),
        comment=s.text("comment", None),
        good=words["good"],
        uncertain=words["uncertain"],
        bad=words["bad"],
    )
    _check_marks(s, export)
    if is_long and "{tag}" in (export.status_column or ""):
        s.fault(
            "status_column",
            f"{shown(export.status_column)} in a long export",
            "one name: there every row has one status",
            'Say layout = "wide" if every tag has a column.',
        )
    if not is_long:
        for key in ("tag_column", "value_column"):
            if s.has(key):
                s.text(key, None)
                s.fault(key, "one in a wide export", "none", "There the headers are the tags.")
    s.done()
    return export


def _tag_of_files(s: Section, is_long: bool) -> tuple[str | None, str | None]:
    """Read ``tag`` or ``tag_in_path``: how files without a column of tags name theirs."""
    tag = s.text("tag", None)
    template = s.text("tag_in_path", None)
    if template is not None and (wrong := template_fault(template)) is not None:
        s.fault("tag_in_path", *wrong)
    for key, value in (("tag", tag), ("tag_in_path", template)):
        if value is not None and not is_long:
            s.fault(key, "one in a wide export", "none", "There the headers are the tags.")
    stated = [key for key in ("tag", "tag_in_path", "tag_column") if s.has(key)]
    if is_long and len(stated) > 1:
        s.text("tag_column", None)
        s.fault(
            stated[1],
            f"{stated[1]} beside {stated[0]}",
            "one of tag, tag_in_path and tag_column",
            "Keep the one that says where the tags' names stand.",
        )
    return (tag, template) if is_long else (None, None)


def _check_marks(s: Section, export: ExportFormat) -> None:
    if export.thousands is not None and export.thousands == export.decimal:
        s.fault(
            "thousands",
            f"{shown(export.thousands)}, the decimal mark too",
            "two different marks",
            "Say which of them the export uses for decimals.",
        )
    named = {
        "tag_column": export.tag_column,
        "value_column": export.value_column,
        "status_column": export.status_column,
    }
    taken = {export.time_column: "time_column"}
    for key, name in named.items():
        if name is not None and name in taken:
            s.fault(key, f"{shown(name)}, which is {taken[name]} too", "a column of its own")
        elif name is not None:
            taken[name] = key


def _time_format(s: Section) -> str:
    text = s.text("time_format", "iso")
    if text not in _TIME_FORMATS and "%" not in text:
        expected = "one of " + ", ".join(_TIME_FORMATS) + ", or a pattern such as '%d.%m.%Y %H:%M'"
        s.fault("time_format", shown(text), expected, did_you_mean(text, _TIME_FORMATS))
        return "iso"
    return text


def _encoding(s: Section) -> str | None:
    name = s.text("encoding", None)
    if name is None:
        return None
    try:
        is_text = codecs.lookup(name)._is_text_encoding
    except (LookupError, ValueError):
        is_text = False
    if not is_text:
        s.fault("encoding", shown(name), "a text encoding such as 'utf-8' or 'windows-1252'")
        return None
    return name
