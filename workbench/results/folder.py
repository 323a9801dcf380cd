"""The results folder: tables, figures, report and manifest, written aside and swapped in whole.

Nothing in it depends on the time or place of the run, so a second run gives the same bytes.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

from workbench.errors import UsageError
from workbench.files import sha256, swapped_in
from workbench.instrument import library
from workbench.report.document import to_page
from workbench.report.table import Table, to_csv, to_json
from workbench.results.chain import Analysis, Progress, all_tables, analyse, collect
from workbench.results.sections import report_of, study_facts
from workbench.study import RESULTS, STUDY_FILE, Declaration, Study, plan_hash

LIBRARIES = ("numpy", "scipy", "pandas", "pingouin", "altair", "vl-convert-python")
MANIFEST_FORMAT = 1
WHOLE = 100
"""Progress is told in hundredths."""


def write_results(folder: Path, out: Path | None = None, progress: Progress = lambda done, total: None) -> Analysis:
    """Analyse the study in `folder` and write everything to its results folder, or to `out`.

    Earlier results stay whole until the new ones are complete. Raises StudyError with every
    blocking finding, and UsageError where `out` holds something that is no results folder.
    """
    target = out or folder / RESULTS
    _refuse_foreign(target)
    progress(0, WHOLE)
    evidence = collect(folder)
    analysis = analyse(evidence, _share(progress, 10, 50))
    facts = [*study_facts(evidence.study), *_versions().items()]
    report, figures = report_of(analysis, facts, _share(progress, 50, WHOLE))
    made = list(all_tables(analysis))
    with swapped_in(target) as aside:
        for table in made:
            _write(aside / "tables" / f"{table.name}.csv", to_csv(table))
            _write(aside / "tables" / f"{table.name}.json", to_json(table))
        for figure in figures:
            _write(aside / "figures" / f"{figure.name}.svg", figure.svg)
        _write(aside / "report.html", to_page(report))
        _write(aside / "manifest.json", _manifest(evidence.study, made, [figure.name for figure in figures]))
    return analysis


def _share(progress: Progress, start: int, end: int) -> Progress:
    """A step's own progress, as its share of the whole from `start` to `end`."""
    return lambda done, total: progress(start + (end - start) * done // max(total, 1), WHOLE)


def _refuse_foreign(target: Path) -> None:
    """Never take the place of a folder that this function did not write."""
    if target.exists() and not (target.is_dir() and ((target / "manifest.json").exists() or not any(target.iterdir()))):
        raise UsageError(f"{target} holds something that is no results folder; name another place with --out.")


def _write(path: Path, content: str) -> None:
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content.encode())


def _versions() -> dict[str, str]:
    return {
        "study-workbench": version("study-workbench"),
        "Python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def input_files(declared: Declaration) -> list[str]:
    """Every collected file that study.toml names, in its order."""
    named: list[str | None] = [
        STUDY_FILE,
        declared.participants.file,
        declared.session_log.file if declared.session_log else None,
    ]
    named += [file for one in declared.questionnaires for file in one.files]
    named += [file for one in declared.trials for file in one.files]
    named += [declared.preference.file if declared.preference else None]
    named += declared.interviews.codings if declared.interviews else []
    return list(dict.fromkeys(file for file in named if file))


def _manifest(study: Study, tables: Iterable[Table], figures: Iterable[str]) -> str:
    paths = library(study.folder)
    content = {
        "format": MANIFEST_FORMAT,
        "study": study.declared.id,
        "inputs": {file: sha256(study.path(file)) for file in input_files(study.declared)},
        "instruments": {
            name: {"version": one.version, "sha256": sha256(paths[name])}
            for name, one in sorted(study.instruments.items())
        },
        "plan": plan_hash(study.plan),
        "frozen": {"on": study.plan.frozen.on.isoformat(), "hash": study.plan.frozen.hash}
        if study.plan.frozen
        else None,
        "seed": study.plan.seed,
        "versions": _versions(),
        "tables": {table.name: table.title for table in tables},
        "figures": sorted(figures),
    }
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"
