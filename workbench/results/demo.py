"""The demo study: copied from the package, analysed, and told in ten lines."""

from __future__ import annotations

import shutil
from pathlib import Path

from workbench.errors import UsageError
from workbench.files import shipped, swapped_in
from workbench.report.sentences import short_headline
from workbench.report.table import Column, show, show_interval, show_p
from workbench.results.chain import Analysis, Progress
from workbench.results.folder import write_results
from workbench.study import RESULTS

_BOUNDED = Column("value", "", "bounded")


def run_demo(folder: Path, progress: Progress = lambda done, total: None) -> list[str]:
    """Copy the demo study into `folder`, write its results and return what was found, in about ten lines.

    Raises UsageError when `folder` exists.
    """
    if folder.exists():
        raise UsageError(
            f"{folder} exists already; analyse it again with `workbench report {folder}`, or name another folder."
        )
    with swapped_in(folder) as aside:
        shutil.copytree(shipped("demo_responses"), aside, dirs_exist_ok=True)
    analysis = write_results(folder, progress=progress)
    return told(analysis, folder)


def told(analysis: Analysis, folder: Path) -> list[str]:
    """What the demo found and where to look."""
    study = analysis.evidence.study
    attention = sum(one.severity == "attention" for one in analysis.evidence.findings)
    return [
        f"{study.declared.title}: {len(study.participants)} participants, {len(study.conditions)} conditions. {study.declared.note}".strip(),
        *(f"  {short_headline(study, one)}" for one in analysis.comparisons if one.primary),
        *_preference_told(analysis),
        *_agreement_told(analysis),
        *(
            [
                f"  Joint display: {len(analysis.joint)} constructs, {sum(not row.construct.verdict for row in analysis.joint)} verdicts still open."
            ]
            if analysis.joint
            else []
        ),
        f"  Findings on the data worth a look: {attention} (workbench check {folder}).",
        f"Read {folder / RESULTS / 'report.html'} in a browser; tables and figures are beside it.",
        f"Then try: workbench compare {folder} --table pairs, workbench reliability {folder}, workbench joint {folder}.",
    ]


def _preference_told(analysis: Analysis) -> list[str]:
    if analysis.preference is None:
        return []
    labels = analysis.evidence.study.condition_labels
    counts = ", ".join(f"{labels[one.condition]} {one.first_choices}" for one in analysis.preference.conditions)
    first = analysis.preference.first
    return [
        f"  Preference: first choices {counts}{f' (exact {show_p(first.p_exact)} against equal shares)' if first else ''}."
    ]


def _agreement_told(analysis: Analysis) -> list[str]:
    counted = [one for one in analysis.agreement if one.round.kind != "pilot"]
    return [
        f"  Raters, round {one.round.id}: {one.n_double} units coded by both, alpha over sets of codes {show(one.overall.value, _BOUNDED)} "
        f"{show_interval(one.overall.interval.low, one.overall.interval.high, _BOUNDED)}."
        for one in counted
    ]
