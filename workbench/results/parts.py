"""A report of chosen parts, and the whole of it packed with its tables and figures: for the app, which writes no folder."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from workbench.report.document import Report, to_page
from workbench.report.figures import Figure
from workbench.report.table import to_csv
from workbench.results.chain import Analysis, Evidence, Progress, all_tables, analyse
from workbench.results.folder import versions
from workbench.results.sections import report_of, study_facts

ANALYSED = 70
WHOLE = 100
"""Progress is told in hundredths; the figures are what comes after the analysis."""
SAME_TIME = (1980, 1, 1, 0, 0, 0)
"""Of every file in the archive, so that the same results are the same bytes."""


@dataclass(frozen=True, slots=True, eq=False)
class Built:
    """A report with all its sections, and what it was made from."""

    report: Report
    analysis: Analysis
    figures: Sequence[Figure]

    @property
    def parts(self) -> list[tuple[str, str]]:
        """Anchor and title of each section that can be chosen."""
        return [(section.anchor, section.title) for section in self.report.sections]


def build(evidence: Evidence, progress: Progress = lambda done, total: None) -> Built:
    """Analyse and draw everything. Raising in `progress` stops cleanly."""
    analysis = analyse(evidence, lambda done, total: progress(ANALYSED * done // max(total, 1), WHOLE))
    facts = [*study_facts(evidence.study), *versions().items()]
    left = WHOLE - ANALYSED
    report, figures = report_of(
        analysis, facts, lambda done, total: progress(ANALYSED + left * done // max(total, 1), WHOLE)
    )
    return Built(report, analysis, figures)


def page_of(built: Built, anchors: Collection[str]) -> str:
    """The report with the sections in `anchors`; headlines and cautions always stay."""
    sections = tuple(section for section in built.report.sections if section.anchor in anchors)
    return to_page(replace(built.report, sections=sections))


def packed(built: Built, page: str) -> bytes:
    """A ZIP of the page, every table as CSV and every figure as SVG."""
    files = {"report.html": page}
    files |= {f"tables/{table.name}.csv": to_csv(table) for table in all_tables(built.analysis)}
    files |= {f"figures/{figure.name}.svg": figure.svg for figure in built.figures}
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name, SAME_TIME), content, zipfile.ZIP_DEFLATED)
    return held.getvalue()
