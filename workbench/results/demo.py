"""The demo study: copied from the package, analysed, and told in ten lines."""

from __future__ import annotations

import shutil
from pathlib import Path

from workbench.errors import UsageError
from workbench.files import read_text, shipped, swapped_in, write_atomically
from workbench.report.sentences import joint_sentence, preference_sentence, short_headline
from workbench.report.table import Column, show, show_interval
from workbench.results.chain import Analysis, Progress
from workbench.results.folder import write_results
from workbench.study import RESULTS, STUDY_FILE
from workbench.study_edits import without_codings

_BOUNDED = Column("value", "", "bounded")


def run_demo(folder: Path, progress: Progress = lambda done, total: None) -> list[str]:
    """Copy the demo study into `folder`, write its results and return what was found, in about ten lines.

    Raises UsageError when `folder` exists.
    """
    copy_demo(folder)
    analysis = write_results(folder, progress=progress)
    return told(analysis, folder)


def copy_demo(folder: Path, *, coded: bool = True) -> None:
    """Copy the demo study into `folder`; without `coded` its study.toml names no codings, so that people can code it themselves.

    Raises UsageError when `folder` exists.
    """
    if folder.exists():
        raise UsageError(
            f"{folder} exists already; analyse it again with `workbench report {folder}`, or name another folder."
        )
    with swapped_in(folder) as aside:
        shutil.copytree(shipped("demo_responses"), aside, dirs_exist_ok=True)
        if not coded:
            text = read_text(aside / STUDY_FILE, STUDY_FILE)
            write_atomically(aside / STUDY_FILE, without_codings(text))


def told(analysis: Analysis, folder: Path) -> list[str]:
    """What the demo found and where to look."""
    study = analysis.evidence.study
    attention = sum(one.severity == "attention" for one in analysis.evidence.findings)
    return [
        f"{study.declared.title}: {len(study.participants)} participants, {len(study.conditions)} conditions. {study.declared.note}".strip(),
        *(f"  {short_headline(study, one)}" for one in analysis.comparisons if one.primary),
        *_preference_told(analysis),
        *_agreement_told(analysis),
        *([f"  Joint display: {joint_sentence(analysis.joint)}"] if analysis.joint else []),
        f"  Findings on the data worth a look: {attention} (workbench check {folder}).",
        f"Read {folder / RESULTS / 'report.html'} in a browser; tables and figures are beside it.",
        f"Then try: workbench compare {folder} --table pairs, workbench reliability {folder}, workbench joint {folder}.",
    ]


def _preference_told(analysis: Analysis) -> list[str]:
    if analysis.preference is None:
        return []
    told = preference_sentence(analysis.evidence.study, analysis.preference)
    return [f"  Preference, {told[:1].lower()}{told[1:]}"]


def _agreement_told(analysis: Analysis) -> list[str]:
    counted = [one for one in analysis.agreement if one.reported]
    return [
        f"  Raters, round {one.round.id}: {one.n_double} units coded by both, alpha over sets of codes {show(one.overall.value, _BOUNDED)} "
        f"{show_interval(one.overall.interval.low, one.overall.interval.high, _BOUNDED)}."
        for one in counted
    ]
