"""The errors this package raises for faults that a person can mend.

    WorkbenchError
    ├── ArgumentError   a function was handed something it cannot work with
    ├── StudyError      faults in a study's files: all of them at once, each with its place
    │   └── StoreError  the database of decisions cannot be used (workbench.store.database)
    └── UsageError      a command asked for something that this study does not have

Anything else that escapes is a defect of this package.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Severity = Literal["blocks", "attention", "note"]
SEVERITIES: tuple[Severity, ...] = ("blocks", "attention", "note")


class WorkbenchError(Exception):
    """Root of every error that this package raises on purpose."""


class ArgumentError(WorkbenchError, ValueError):
    """An argument has the wrong shape, type or value; the message names it."""


class UsageError(WorkbenchError):
    """A command or function asked for something that the study does not have."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in a study's files.

    `severity`: "blocks" stops the analysis, "attention" asks a person to look, "note" is said and
    no more. `kind` is a short fixed word for the sort of finding, `file` and `place` say where,
    `found` what, `remedy` what to do, and `basis` the convention or source it rests on.
    """

    severity: Severity
    kind: str
    file: str
    place: str
    found: str
    remedy: str
    basis: str = ""

    @property
    def where(self) -> str:
        """File and place, as far as they are given."""
        return ", ".join(part for part in (self.file, self.place) if part)

    def sentence(self) -> str:
        return f"{self.where}: {self.found} {self.remedy}" if self.where else f"{self.found} {self.remedy}"


class StudyError(WorkbenchError):
    """Faults in the files of a study; `findings` holds every one of them."""

    def __init__(self, findings: Sequence[Finding]):
        self.findings = tuple(findings)
        super().__init__("\n".join(finding.sentence() for finding in self.findings))
