"""The results folder: tables, figures, report and manifest, written aside and swapped in whole.

Nothing in it depends on the time or place of the run, so a second run gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path, PurePosixPath

from workbench.coding.decisions import ClosedView
from workbench.errors import UsageError
from workbench.files import sha256, swapped_in
from workbench.instrument import library
from workbench.pseudonyms.key import KEY_FILE
from workbench.report import figures as drawing
from workbench.report.checklist import REPORTING_FILE
from workbench.report.figures import Figure
from workbench.report.numbers import traced
from workbench.report.self_check import Inconsistency, told
from workbench.report.table import Table, to_csv, to_json
from workbench.results.aside import Aside
from workbench.results.chain import Analysis, Progress, all_tables, analyse, collect
from workbench.results.documents import FORMATS, DocumentFormat, check, documents, kinds_of_pictures, trace_file
from workbench.results.pictures import Pictures
from workbench.results.sections import drawn_figures, report_of, study_facts
from workbench.store.opening import DECISIONS, has_store, open_store
from workbench.study import RESULTS, STUDY_FILE, Declaration, Study, plan_hash
from workbench.transcripts.reading import files_of

LIBRARIES = ("numpy", "scipy", "pandas", "vl-convert-python", "python-docx")
MANIFEST_FORMAT = 1
WHOLE = 100
"""Progress is told in hundredths."""


def write_results(
    folder: Path,
    out: Path | None = None,
    progress: Progress = lambda done, total: None,
    *,
    formats: Collection[DocumentFormat] = FORMATS,
    further_figures: bool = False,
) -> Analysis:
    """Analyse the study in `folder` and write everything to its results folder, or to `out`.

    `formats` are those of the report; `further_figures` adds each figure as PNG, and all of them two columns wide. Earlier
    results stay whole until the new ones are complete. Raises StudyError with every blocking finding, and UsageError where
    `out` holds something that is no results folder.
    """
    target = out or folder / RESULTS
    _refuse_foreign(target)
    progress(0, WHOLE)
    files: dict[str, bytes] = {}
    with Aside() as aside:
        evidence = collect(folder)
        analysis = analyse(evidence, _share(progress, 10, 50), aside)
        facts = [*study_facts(evidence.study), *versions().items()]
        pictures = Pictures(kinds_of_pictures(formats), aside)
        report, figures = report_of(analysis, facts, _share(progress, 50, 80), pictures.begin_png)
        pictures.begin_pdf(figures)
        with traced():
            made = list(all_tables(analysis))
        for table in made:
            files[f"tables/{table.name}.csv"] = to_csv(table).encode()
            files[f"tables/{table.name}.json"] = to_json(table).encode()
        files |= {f"figures/{figure.name}.svg": figure.svg.encode() for figure in figures}
        files |= dict(documents(report, made, evidence.study, formats, pictures))
        progress(90, WHOLE)
        files["trace.json"] = trace_file(report, made).encode()
        found = check(files, analysis, made)
        if "latex" in formats:
            files |= {f"figures/{figure.name}.pdf": pictures.pdf(figure) for figure in figures}
    files |= dict(_further(analysis, figures)) if further_figures else {}
    files["manifest.json"] = _manifest(evidence.study, made, [figure.name for figure in figures], *found).encode()
    with swapped_in(target) as aside:
        for name, content in files.items():
            place = aside / name
            place.parent.mkdir(exist_ok=True, parents=True)
            place.write_bytes(content)
    progress(WHOLE, WHOLE)
    return analysis


def _further(analysis: Analysis, figures: Iterable[Figure]) -> Iterator[tuple[str, bytes]]:
    """Figures in pixels, and all of them once more two columns wide."""
    for figure in figures:
        yield f"figures/{figure.name}.png", figure.png()
    with drawing.two_columns():
        for figure in drawn_figures(analysis):
            yield f"figures/wide/{figure.name}.svg", figure.svg.encode()
            yield f"figures/wide/{figure.name}.pdf", figure.pdf()
            yield f"figures/wide/{figure.name}.png", figure.png()


def self_check_told(results: Path) -> str:
    """What the report found when it was read back, in a sentence."""
    told: str = json.loads((results / "manifest.json").read_text(encoding="utf-8"))["self_check"]["told"]
    return told


def _share(progress: Progress, start: int, end: int) -> Progress:
    """A step's own progress, as its share of the whole from `start` to `end`."""
    return lambda done, total: progress(start + (end - start) * done // max(total, 1), WHOLE)


def _refuse_foreign(target: Path) -> None:
    """Never take the place of a folder that this function did not write."""
    if target.exists() and not (target.is_dir() and ((target / "manifest.json").exists() or not any(target.iterdir()))):
        raise UsageError(f"{target} holds something that is no results folder; name another place with --out.")


def versions() -> dict[str, str]:
    """This package, Python and the libraries that the numbers rest on, with their versions."""
    return {
        "study-workbench": version("study-workbench"),
        "Python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def input_files(declared: Declaration) -> list[str]:
    """Every table of collected data that study.toml names, in its order, but for those in the folder of private files."""
    named: list[str | None] = [
        STUDY_FILE,
        declared.participants.file,
        declared.session_log.file if declared.session_log else None,
    ]
    named += [file for one in declared.questionnaires for file in one.files]
    named += [file for one in declared.trials for file in one.files]
    named += [declared.preference.file if declared.preference else None]
    named += declared.interviews.codings if declared.interviews else []
    return _shareable(named)


def _shareable(files: Iterable[str | None]) -> list[str]:
    """The files named, each once, without those that lie beside the key of pseudonyms."""
    private = PurePosixPath(KEY_FILE).parent
    return list(dict.fromkeys(file for file in files if file and not PurePosixPath(file).is_relative_to(private)))


def _inputs(study: Study) -> list[str]:
    interviews = study.declared.interviews
    further = [interviews.codebook if interviews else None, REPORTING_FILE]
    there = [file for file in further if file and study.path(file).exists()]
    words = [file for one in study.participants for file in files_of(study, one)]
    return _shareable([*input_files(study.declared), *there, *words])


def _decisions(study: Study) -> dict[str, str]:
    """The SHA-256 of what everybody may see of the journal: open rounds are not in the results either."""
    if study.declared.interviews is None or not has_store(study):
        return {}
    told = hashlib.sha256()
    with open_store(study, create=False) as journal:
        for line in ClosedView(journal, study).lines():
            told.update(line.encode())
    return {DECISIONS: told.hexdigest()}


def _manifest(
    study: Study, tables: Iterable[Table], figures: Iterable[str], found: Sequence[Inconsistency], checks: int
) -> str:
    paths = library(study.folder)
    content = {
        "format": MANIFEST_FORMAT,
        "study": study.declared.id,
        "inputs": {file: sha256(study.path(file)) for file in _inputs(study)} | _decisions(study),
        "instruments": {
            name: {"version": one.version, "sha256": sha256(paths[name])}
            for name, one in sorted(study.instruments.items())
        },
        "plan": plan_hash(study.plan),
        "frozen": {"on": study.plan.frozen.on.isoformat(), "hash": study.plan.frozen.hash}
        if study.plan.frozen
        else None,
        "seed": study.plan.seed,
        "versions": versions(),
        "tables": {table.name: table.title for table in tables},
        "figures": sorted(figures),
        "self_check": {"checks": checks, "found": [asdict(one) for one in found], "told": told(found, checks)},
    }
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"
