"""From a number shown back to what it rests on: the result, the sentences, the plan, and the collected rows behind it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.coding.codings import about_condition
from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.files import sha256
from workbench.joint_display import codes_of
from workbench.report.numbers import ROW_KEYS, row_names
from workbench.report.table import Column, Table
from workbench.results.chain import Evidence, collect, counted_codings, themes_of
from workbench.study import RESULTS, Study

if TYPE_CHECKING:
    import pandas as pd

    from workbench.measure import Measure

_OF_INTERVIEWS = (
    "agreement",
    "agreement_rounds",
    "code_by_condition",
    "code_stances",
    "code_exemplars",
    "codes_across",
    "participants_by_code",
    "participants_by_theme",
)
_OF_SATURATION = ("saturation", "saturation_curve")
_TESTS = {
    "omnibus": "omnibus",
    "pairs": "pairs",
    "contrasts": "contrasts",
    "factors": "factors",
    "equivalence": "equivalence",
}


def trace_tables(folder: Path, identity: str, results: Path | None = None) -> list[Table]:
    """What is behind the number `identity` ("table/row/column") of the results of the study in `folder`.

    Tables: `trace` (the number, its sentences and its plan), `trace_rows` (the collected rows behind it, with file, row and
    column). Raises UsageError without results, for an id that they do not have, and StudyError where the study cannot be read.
    """
    place = results or folder / RESULTS
    file = place / "trace.json"
    if not file.exists():
        raise UsageError(f"{place} holds no trace.json; write the results with `workbench report {folder}`.")
    return tables_behind(collect(folder), identity, place)


def tables_behind(evidence: Evidence, identity: str, place: Path) -> list[Table]:
    """The same from a study that was read, and results in `place`."""
    content = json.loads((place / "trace.json").read_text(encoding="utf-8"))
    if identity not in content["numbers"]:
        raise UsageError(_unknown(identity, list(content["numbers"])))
    name, row_name, column = identity.split("/")
    table = json.loads((place / "tables" / f"{name}.json").read_text(encoding="utf-8"))
    row = dict(zip(row_names(name, table["rows"]), table["rows"], strict=True))[row_name]
    behind = list(rows_behind(evidence, name, row))
    stale = _changed_since(evidence.study, place)
    sentences = [f"{one['place']}: {one['text']}" for one in content["sentences"] if identity in one["numbers"]]
    facts = [
        ("number", identity),
        ("value", _told(content["numbers"][identity])),
        ("table", f"{table['title']} (tables/{name}.csv)"),
        (
            "row",
            ", ".join(str(row[key]) for key in ROW_KEYS.get(name, ()) if row.get(key) not in (None, "")) or row_name,
        ),
        ("column", next((one["label"] for one in table["columns"] if one["key"] == column), column)),
        *(("sentence", sentence) for sentence in sentences),
        *plan_items(evidence.study, name, row),
        ("rows behind it", str(len(behind))),
        *(("changed since", file) for file in stale),
    ]
    return [_facts_table(facts, stale), _rows_table(behind)]


def _unknown(identity: str, known: Sequence[str]) -> str:
    """What to say of an id that is not there: the nearest ones, from the table named if there is one."""
    table = identity.partition("/")[0]
    tables = sorted({one.partition("/")[0] for one in known})
    if table not in tables:
        return f"There is no number “{identity}”. An id is table/row/column. {nearest(table, tables)}"
    rows = list(dict.fromkeys(one.split("/")[1] for one in known if one.startswith(f"{table}/")))
    row = identity.split("/")[1] if identity.count("/") else ""
    if row not in rows:
        known_rows = (
            nearest(row, rows)
            if len(rows) < 24
            else f"Its rows are {rows[0]}, {rows[1]} and so on, {len(rows)} of them."
        )
        return f"There is no number “{identity}”: {table} has no such row. {known_rows}"
    columns = [one.split("/")[2] for one in known if one.startswith(f"{table}/{row}/")]
    return f"There is no number “{identity}”: that row has no such column. {nearest(identity.split('/')[-1], columns)}"


def _told(value: object) -> str:
    return "not defined" if value is None else repr(value) if isinstance(value, float) else str(value)


def _changed_since(study: Study, results: Path) -> list[str]:
    """The inputs that are no longer as they were when the results were written."""
    inputs: dict[str, str] = json.loads((results / "manifest.json").read_text(encoding="utf-8"))["inputs"]
    return [
        file for file, digest in inputs.items() if not study.path(file).exists() or sha256(study.path(file)) != digest
    ]


def plan_items(study: Study, table: str, row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What study.toml decided about a number: standing, family, correction, level, thresholds, bounds."""
    plan = study.plan
    measure = str(row.get("measure") or row.get("scale") or "")
    if measure:
        yield "plan: primary", "yes" if measure in plan.primary else "no"
    if row.get("family"):
        yield "plan: family", f"{row['family']} ({row['planned']}), correction {row['correction']}"
        yield "plan: level", f"{plan.level:g}"
    if table in _TESTS:
        yield "plan: zero differences", plan.zeros
        yield "plan: cases", plan.cases
    if measure in plan.smallest_effects:
        yield "plan: smallest effect", f"{plan.smallest_effects[measure]:g}"
    if table == "equivalence" and measure in plan.equivalence:
        bounds = plan.equivalence[measure]
        yield "plan: bounds", f"{bounds.low:g} to {bounds.high:g}"
    if table in ("reliability", "reliability_levels", "scales") and plan.thresholds.reliability is not None:
        yield "plan: threshold", f"{plan.thresholds.reliability:g} for reliability"
    if table.startswith("agreement") and plan.thresholds.agreement is not None:
        yield "plan: threshold", f"{plan.thresholds.agreement:g} for agreement"
    if measure:
        yield "plan: missing answers", plan.missing


# ------------------------------------------------------------------------------------------ rows behind

_ORIGIN = ("participant", "setting", "what", "value", "file", "row", "column")


def rows_behind(evidence: Evidence, table: str, row: Mapping[str, Any]) -> Iterator[dict[str, object]]:
    """The collected cells that a row of a results table rests on."""
    measure = row.get("measure") or row.get("scale")
    found = next((one for one in evidence.measures if one.id == measure), None)
    if found is not None:
        yield from _of_measure(evidence, found, row)
        if table == "side_by_side_numbers":
            yield from _of_codings(evidence, row)
    elif table.startswith("preference"):
        yield from _of_preferences(evidence)
    elif table in _OF_INTERVIEWS or table in _OF_SATURATION:
        counted = dict(row) | (
            {"participant": ""} if table == "code_exemplars" else {}
        )  # who is quoted is not all who count
        yield from _of_codings(evidence, counted, every=table.startswith("agreement"))
    elif table in ("joint", "joint_quotes"):
        yield from _of_construct(evidence, row)
    elif table == "order_balance" and evidence.log is not None and evidence.study.declared.session_log:
        file = evidence.study.declared.session_log.file
        for one in evidence.log.runs.to_dict("records"):
            yield _cell(
                one["participant"],
                evidence.study.condition_labels[one["condition"]],
                "position",
                one["position"],
                file,
                one["row"],
                "",
            )


def _of_construct(evidence: Evidence, row: Mapping[str, Any]) -> Iterator[dict[str, object]]:
    """What a row of the joint display rests on: its measure, of one participant where it names one, and its codes."""
    construct = next((one for one in evidence.study.declared.constructs if one.label == row["construct"]), None)
    if construct is None:
        return
    who = {"participant": row["participant"]} if row.get("participant") else {}
    measured = next((one for one in evidence.measures if one.id == construct.measure), None)
    yield from _of_measure(evidence, measured, who) if measured else ()
    for code in codes_of(construct, themes_of(evidence)):
        yield from _of_codings(evidence, {"code": code, **who})


def _of_measure(evidence: Evidence, measure: Measure, row: Mapping[str, Any]) -> Iterator[dict[str, object]]:
    """Answers or trials behind a measure, in the conditions that the row names, or in all."""
    study = evidence.study
    ids = {label: one for one, label in study.condition_labels.items()}
    named = [
        ids.get(str(row[key]), str(row[key]))
        for key in ("condition", "first", "second", "setting", "occasion")
        if row.get(key)
    ]
    settings = [one for one in named if one in study.conditions or one in ("before", "after")]
    rows = measure.rows
    if settings:
        rows = rows[rows["condition"].isin(settings) | rows["occasion"].isin(settings)]
    if row.get("participant"):
        rows = rows[rows["participant"] == row["participant"]]
    if row.get("item"):
        rows = rows[rows["item"] == row["item"]]
    origin = _answers_by_cell(evidence) if measure.source == "scale" else {}
    columns = _columns_of_trials(study, measure.id)
    for one in rows.to_dict("records"):
        place = origin.get((one["participant"], one["condition"], one["occasion"], one["item"]), {})
        setting = study.condition_labels.get(one["condition"], one["condition"] or one["occasion"])
        known = {"column": columns} | one | place
        yield _cell(
            one["participant"],
            setting,
            one["item"] or "trial",
            known.get("raw", one["value"]),
            known.get("file", ""),
            known.get("row"),
            known["column"],
        )


def _columns_of_trials(study: Study, measure: str) -> str:
    """The columns that a trial measure is made from; "" for others."""
    found = [one for trials in study.declared.trials for one in trials.measures if one.id == measure]
    return " − ".join(name for one in found for name in (one.column, one.minus) if name)


def _answers_by_cell(evidence: Evidence) -> dict[tuple[str, str, str, str], dict[str, Any]]:
    answers: pd.DataFrame = evidence.responses.answers
    return {
        (one["participant"], one["condition"], one["occasion"], one["item"]): one
        for one in answers[["participant", "condition", "occasion", "item", "raw", "file", "row", "column"]].to_dict(
            "records"
        )
    }


def _of_preferences(evidence: Evidence) -> Iterator[dict[str, object]]:
    declared, found = evidence.study.declared.preference, evidence.preferences
    if declared is None or found is None:
        return
    labels = evidence.study.condition_labels
    table = evidence.study.table(declared.file, declared.reading)
    rows = {name.strip(): row for row, name in table.frame[declared.participant].items()}
    for participant, ranks in found.ranks.iterrows():
        for condition, rank in ranks.items():
            if rank == rank:
                column = declared.columns.get(str(condition), declared.choice or "")
                yield _cell(
                    str(participant),
                    labels[str(condition)],
                    "rank",
                    f"{rank:g}",
                    declared.file,
                    rows.get(str(participant)),
                    column,
                )


def _of_codings(evidence: Evidence, row: Mapping[str, Any], *, every: bool = False) -> Iterator[dict[str, object]]:
    """Codings behind a row: those that count, or `every` one, which agreement rests on."""
    counted = counted_codings(evidence)
    if evidence.codings is None or counted is None:
        return
    rows = evidence.codings.rows if every else counted
    for key in ("round", "code", "participant"):
        if row.get(key):
            rows = rows[rows[key] == row[key]]
    about = {label: one for one, label in evidence.study.condition_labels.items()}.get(str(row.get("condition", "")))
    if about:
        rows = about_condition(rows, about)
    for one in rows.to_dict("records"):
        what = f"{one['transcript']} {one['unit']}, {one['rater']} in {one['round']}"
        yield _cell(
            one["participant"], one["about"], what, one["code"] or "nothing applies", one["file"], one["row"], "code"
        )


def _cell(
    participant: str, setting: str, what: str, value: object, file: str, row: object, column: str
) -> dict[str, object]:
    told = str(value) if value is not None else ""
    number = int(row) if isinstance(row, (int, float)) and row == row else None
    return dict(zip(_ORIGIN, (participant, setting, what, told, file, number, column), strict=True))


def _facts_table(facts: Sequence[tuple[str, str]], stale: Sequence[str]) -> Table:
    columns = (Column("what", "What"), Column("told", "Is"))
    rows = tuple({"what": what, "told": told} for what, told in facts)
    notes = ("The study has changed since these results were written; write them again.",) if stale else ()
    return Table("trace", "Where a number comes from", columns, rows, notes)


def _rows_table(rows: Sequence[dict[str, object]]) -> Table:
    columns = (
        Column("participant", "Participant"),
        Column("setting", "Condition or occasion"),
        Column("what", "Item, trial or unit"),
        Column("value", "As collected"),
        Column("file", "File"),
        Column("row", "Row", "count"),
        Column("column", "Column"),
    )
    note = "Rows are counted as a spreadsheet counts them. What is left out or missing is listed too where it was collected."
    return Table(
        "trace_rows",
        "Collected rows behind it",
        columns,
        tuple(rows),
        (note,) if rows else ("A count or a setting of study.toml: no rows.",),
    )
