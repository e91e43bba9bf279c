"""Look at exports nobody described yet: what the command prints and writes."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import MOST_FAULTS_SHOWN, ExportError, Fault
from pipeline.exports.inspect_exports import Inspection, inspect_exports


@dataclass(frozen=True, slots=True)
class FolderInspection:
    """What was found, and how to show it."""

    inspection: Inspection

    def text(self, *, with_draft: bool) -> str:
        """Print for people."""
        found = self.inspection
        lines = [f"{len(found.groups)} group(s) of exports, {len(found.tags)} tag(s).", ""]
        for number, group in enumerate(found.groups, start=1):
            lines.append(f"Group {number}: {group.export.pattern}, {len(group.files)} file(s)")
            lines += [f"  {text}" for text in (*group.reasons, *group.notes)]
            lines += [f"  NOT KNOWN: {text}" for text in group.unknown]
        lines += [
            "",
            f"{'tag':<28} {'samples':>9} {'bad':>6} {'low':>10} {'median':>10} {'high':>10}",
        ]
        for tag in found.tags:
            facts = tag.facts
            lines.append(
                f"{facts.name[:28]:<28} {facts.samples:>9} {facts.share_bad:>6.1%} "
                f"{facts.low:>10.4g} {facts.median:>10.4g} {facts.high:>10.4g}"
            )
            for word, guess in (("likely", tag.quantity), ("unit", tag.unit)):
                lines.append(f"    {word} {guess.what or 'not known'}: {guess.why}")
        if found.findings:
            lines += ["", "Contradictions to settle first:"]
            for one in found.findings:
                lines.append(f"  - {', '.join(one.tags)}: {one.what} ({one.why}) {one.check}")
        if found.refused:
            lines += ["", "Cannot be read:"]
            lines += [f"  - {text}" for text in found.refused[:MOST_FAULTS_SHOWN]]
            if len(found.refused) > MOST_FAULTS_SHOWN:
                lines.append(f"  +{len(found.refused) - MOST_FAULTS_SHOWN} more")
        if with_draft:
            lines += ["", "Draft of the plant file:", "", found.draft]
        return "\n".join(lines)

    def as_dict(self) -> dict[str, object]:
        """Give the same for machines."""
        found = self.inspection
        return {
            "groups": [dataclasses.asdict(g) for g in found.groups],
            "tags": [dataclasses.asdict(t) for t in found.tags],
            "findings": [dataclasses.asdict(f) for f in found.findings],
            "refused": list(found.refused),
            "draft": found.draft,
        }

    def write_draft(self, path: Path) -> None:
        """Write the draft to a file that must not exist yet.

        Raises
        ------
        ExportError
            If there is such a file, or it cannot be written.
        """
        try:
            with path.open("x", encoding="utf-8") as file:
                file.write(self.inspection.draft)
        except OSError as error:
            fault = Fault(str(path), error.strerror or "an error", "a new file")
            raise ExportError("The draft was not written.", [fault]) from None


def inspect_folder(folder: Path, paths: Sequence[str]) -> FolderInspection:
    """Inspect the exports in a folder.

    Raises
    ------
    ExportError
        If there is nothing that can be described.
    """
    return FolderInspection(inspect_exports(folder, paths))
