"""A draft of the plant file from what exports show, with what it could not know left open."""

from __future__ import annotations

import json
from collections.abc import Sequence

from pipeline.exports.findings import Finding
from pipeline.exports.sniff import DAY_OR_MONTH
from pipeline.exports.tag_facts import EFFICIENCY, NEAR_ATMOSPHERE, Guess, TagFacts
from pipeline.plant.types import ExportFormat
from pipeline.quantities import conversion

__all__ = ["draft_plant_file"]

Group = tuple[ExportFormat, Sequence[str], Sequence[str], Sequence[str]]
TagDraft = tuple[TagFacts, Guess, Guess]

_HEAD = """\
# Draft of a plant file, made from the exports alone. Lines that start with # are guesses,
# figures and questions; answer them, and add what no export can show: elevations, pipes,
# taps and drivers.

plant_format = 1

[station]
name = "NAME"
time_zone = "UTC"            # in which days are counted: an IANA name such as "Europe/Vienna"
# altitude = "0 m"           # for the atmospheric pressure

# [liquid]
# temperature = "12 °C"      # of the water, over the year
"""


def draft_plant_file(
    groups: Sequence[Group],
    tags: Sequence[TagDraft],
    findings: Sequence[Finding],
    refused: Sequence[str],
) -> str:
    """Write the draft.

    Parameters
    ----------
    groups : sequence of (ExportFormat, files, reasons, unknown)
        Groups of files.
    tags : sequence of (TagFacts, Guess, Guess)
        Tags, quantity and unit.
    findings : sequence of Finding
        Names that contradict values.
    refused : sequence of str
        Files left out, with the reason.

    Returns
    -------
    str
        TOML; every text of the exports is quoted or stands in a comment of its own line.
    """
    parts = [_HEAD]
    parts += [_export(*group) for group in groups]
    parts += [_comment(f"Not read: {text}") for text in refused]
    if findings:
        parts.append("# ---- names that contradict their values")
        parts += [_comment(f"'{f.tags[0]}' {f.what} ({f.why}). {f.check}") for f in findings]
    parts.append("")
    suspects = {finding.tags[0]: finding for finding in findings}
    parts += [_tag(facts, what, unit, suspects.get(facts.name)) for facts, what, unit in tags]
    parts.append(_missing(groups, tags))
    return "\n".join(parts)


def _text(text: str) -> str:
    # A JSON string is a TOML basic string, but for DEL, which TOML wants escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    """Make a comment of one line, whatever the text holds."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return f"# {' '.join(plain.split())}"


def _export(
    export: ExportFormat, files: Sequence[str], reasons: Sequence[str], unknown: Sequence[str]
) -> str:
    lines = ["[[exports]]"]
    lines.append(_comment(f"{len(files)} file(s), such as {files[0]}"))
    lines += [_comment(reason) for reason in reasons]
    lines.append(f"path = {_text(export.pattern)}")
    lines.append(f"layout = {_text(export.layout)}")
    lines.append(f"time_column = {_text(export.time_column)}")
    if export.layout == "long":
        ways = {
            "tag_column": export.tag_column,
            "tag": export.tag,
            "tag_in_path": export.tag_in_path,
        }
        lines += [f"{key} = {_text(name)}" for key, name in ways.items() if name is not None]
        lines.append(f"value_column = {_text(str(export.value_column))}")
    if export.status_column is not None:
        lines.append(f"status_column = {_text(export.status_column)}")
    defaults = ExportFormat(pattern="")
    for name in ("time_format", "delimiter", "decimal", "thousands", "encoding", "comment"):
        value = getattr(export, name)
        if value is not None and value != getattr(defaults, name):
            mark = "# " if name == "time_format" and DAY_OR_MONTH in unknown else ""
            lines.append(f"{mark}{name} = {_text(value)}")
    if export.skip_rows:
        lines.append(f"skip_rows = {export.skip_rows}")
    if export.unit_row:
        lines.append("unit_row = true")
    if export.time_zone is not None and export.time_zone != "UTC":
        lines.append(f"time_zone = {_text(export.time_zone)}")
    if any("zone" in question for question in unknown):
        lines.append('# time_zone = "Europe/Vienna"   # the zone these clock times are in')
    lines += [_comment(f"Could not know: {question}") for question in unknown]
    return "\n".join(lines) + "\n"


def _figures(facts: TagFacts) -> str:
    return (
        f"{facts.samples} samples, {facts.first:%Y-%m-%d} to {facts.last:%Y-%m-%d}, "
        f"every {facts.interval:.4g} s, longest gap {facts.longest_gap / 3600:.3g} h, "
        f"{100 * facts.share_bad:.2g} % bad, {100 * facts.share_repeated:.3g} % repeated, "
        f"{facts.low:.4g} to {facts.high:.4g}, median {facts.median:.4g}"
    )


def _tag(facts: TagFacts, quantity: Guess, unit: Guess, suspect: Finding | None) -> str:
    lines = [_comment(_figures(facts))]
    if suspect is not None:
        lines.append(_comment(f"Look first: it {suspect.what}."))
    if not quantity.what or quantity.what == EFFICIENCY:
        why = quantity.why if not quantity.what else "an efficiency is computed, not read"
        lines.append(_comment(f"Left out: {why}."))
        lines += ["# [[tags]]", _comment(f"name = {_text(facts.name)}")]
        return "\n".join(lines) + "\n"
    lines += [
        "[[tags]]",
        f"name = {_text(facts.name)}",
        f"quantity = {_text(quantity.what)}" + _remark(quantity.why),
    ]
    if quantity.what not in ("running", "valve_open"):
        if unit.what:
            lines.append(f"unit = {_text(unit.what)}" + _remark(unit.why))
        else:
            lines.append('# unit = ""' + _remark(f"could not know: {unit.why}"))
    if quantity.what in ("flow_total", "energy_total") and facts.is_counter:
        lines.append('measures = "running_total"' + _remark("its value only rises"))
    is_stated = bool(unit.what) and conversion(unit.what, quantity.what).reference is not None
    if "pressure" in quantity.what and quantity.what != "pressure_loss" and not is_stated:
        likely, other = "gauge", "absolute"
        if unit.why.endswith(NEAR_ATMOSPHERE):
            likely, other = other, likely
        plate = _remark(f"or {other}: see the gauge's plate")
        lines.append(f'# reference = "{likely}"' + plate)
    if facts.longest_gap == facts.longest_gap and facts.interval > 600:
        minutes = min(max(round(facts.interval * 4 / 60), 30), 1440)
        lines.append(f'max_gap = "{minutes} min"' + _remark("four usual intervals"))
    return "\n".join(lines) + "\n"


def _remark(text: str) -> str:
    return "   " + _comment(text)


def _missing(groups: Sequence[Group], tags: Sequence[TagDraft]) -> str:
    lines = ["# ---- what the exports do not say"]
    kinds = {quantity.what for _, quantity, _ in tags}
    wanted = {
        "electrical_power": "motor power: without it there is no efficiency",
        "flow": "pump flow: without it there is no efficiency",
        "discharge_pressure": "discharge pressure: without it there is no head",
        "level": "a tank level or an upstream pressure: without it suction cannot be modelled",
    }
    placeless = [_text(facts.name) for facts, quantity, _ in tags if quantity.what == "pressure"]
    if placeless:
        more = f" and {len(placeless) - 5} more" if len(placeless) > 5 else ""
        lines.append(
            _comment(
                f"Pressures of unknown place: {', '.join(placeless[:5])}{more}. Say which are "
                "suction_pressure and which discharge_pressure."
            )
        )
        del wanted["discharge_pressure"]
    for quantity, text in wanted.items():
        if quantity not in kinds:
            lines.append(_comment(f"No tag looks like {text}."))
    lines += [
        "# suction_sources: the tank or main, and the elevation where its transmitter reads zero",
        "# suction_lines: header segments and branches, with pipes and fittings where known",
        "# pumps: taps, elevations and diameters, driver, and which tag is which",
        "# accuracy of each instrument, systematic and random",
    ]
    return "\n".join(lines) + "\n"
