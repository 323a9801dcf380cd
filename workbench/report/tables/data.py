"""Tables of the data: findings, participant flow, measures and scores."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan

from workbench.errors import Finding
from workbench.measure import Measure
from workbench.report.table import Column, Table
from workbench.report.tables.parts import listing
from workbench.study import Study


def findings_table(findings: Sequence[Finding]) -> Table:
    """What `check` found, the most pressing first."""
    columns = (
        Column("severity", "Severity"),
        Column("kind", "Kind"),
        Column("file", "File"),
        Column("place", "Place"),
        Column("where", "Where"),
        Column("found", "What was found"),
        Column("remedy", "What to do"),
        Column("basis", "Rests on"),
    )
    rows = tuple({column.key: getattr(finding, column.key) for column in columns} for finding in findings)
    return Table("findings", "Findings", columns, rows, (), ("severity", "kind"))


def flow_table(study: Study, measures: Sequence[Measure], interviewed: int | None) -> Table:
    """How many participants there were at each step."""
    who = study.declared.participants
    compared = [measure for measure in measures if measure.asked == "per_condition"]
    rows = [
        ("planned", "Planned", study.plan.target_n if study.plan.target_n is not None else nan),
        ("pilots", "Pilots, left out", len(who.pilots)),
        ("withdrawn", "Withdrew and were erased", who.withdrawn),
        ("declared", "Took part", len(study.participants)),
    ]
    for measure in compared:
        complete = measure.by_condition(study.participants, study.conditions).notna().all(axis=1).sum()
        rows.append((f"complete_{measure.id}", f"With {measure.label} in every condition", int(complete)))
    if interviewed is not None:
        rows.append(("interviewed", "Interviewed", interviewed))
    columns = (Column("step", "Step"), Column("label", "Participants"), Column("n", "n", "count"))
    notes = tuple(
        f"Excluded: {one.participant}{f' in {study.condition_labels[one.condition]}' if one.condition else ''}{f' ({listing(one.measures)})' if one.measures else ''}: {one.reason.rstrip('.')}."
        for one in study.declared.exclusions
    )
    return Table(
        "participants",
        "Participants",
        columns,
        tuple({"step": step, "label": label, "n": n} for step, label, n in rows),
        notes,
    )


def measures_table(measures: Sequence[Measure]) -> Table:
    """The measures, with how many values there are and why others are missing."""
    columns = (
        Column("measure", "Measure"),
        Column("label", "Label"),
        Column("unit", "Unit"),
        Column("higher", "Higher means"),
        Column("asked", "Asked"),
        Column("n", "Values", "count"),
        Column("missing", "Missing", "count"),
        Column("reasons", "Reasons for missing values"),
    )
    rows = []
    for measure in measures:
        absent = measure.values[measure.values["value"].isna()]
        reasons = "; ".join(
            f"{reason} ({count})" for reason, count in absent["reason"].value_counts(sort=False).items()
        )
        rows.append(
            {
                "measure": measure.id,
                "label": measure.label,
                "unit": measure.unit,
                "higher": measure.higher,
                "asked": measure.asked.replace("_", " "),
                "n": len(measure.values) - len(absent),
                "missing": len(absent),
                "reasons": reasons,
            }
        )
    return Table("measures", "Measures", columns, tuple(rows))


def scores_table(measures: Sequence[Measure]) -> Table:
    """Every value of every measure: the tidy data behind all comparisons."""
    columns = (
        Column("measure", "Measure"),
        Column("participant", "Participant"),
        Column("condition", "Condition"),
        Column("occasion", "Occasion"),
        Column("value", "Value", "number"),
        Column("standard_error", "Standard error", "number"),
        Column("reason", "Why missing"),
    )
    rows = tuple({"measure": measure.id, **row} for measure in measures for row in measure.values.to_dict("records"))
    return Table("scores", "Scores", columns, rows)
