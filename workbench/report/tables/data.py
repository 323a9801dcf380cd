"""Tables of the data: findings, participant flow, measures and scores."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.errors import Finding
from workbench.measure import Measure
from workbench.quality.flow import Step
from workbench.quality.missing import Cell, ItemGaps
from workbench.report.table import Column, Table
from workbench.report.tables.parts import listing, place_name
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


def flow_table(study: Study, steps: Sequence[Step]) -> Table:
    """How many participants there were at each step, and why others were not."""
    columns = (
        Column("step", "Step"),
        Column("label", "Participants"),
        Column("n", "n", "count"),
        Column("left", "Not among them", help="How many of those who took part, by reason."),
    )
    rows = tuple(
        {
            "step": one.key,
            "label": one.label,
            "n": one.n,
            "left": listing([f"{count} {why}" for why, count in one.left]),
        }
        for one in steps
    )
    pilots = len(study.declared.participants.pilots)
    notes = [f"{pilots} pilot participant{'s' if pilots > 1 else ''} left out."] if pilots else []
    notes += [
        f"Excluded: {one.participant}{f' in {study.condition_labels[one.condition]}' if one.condition else ''}{f' ({listing(one.measures)})' if one.measures else ''}: {one.reason.rstrip('.')}."
        for one in study.declared.exclusions
    ]
    return Table("participants", "Participants", columns, rows, tuple(notes))


def missing_table(study: Study, cells: Sequence[Cell]) -> Table:
    """The settings in which not every item is answered, of every participant; complete ones are counted in a note."""
    columns = (
        Column("questionnaire", "Questionnaire"),
        Column("participant", "Participant"),
        Column("setting", "In"),
        Column("state", "Answered"),
        Column("asked", "Items", "count"),
        Column("answered", "Answers", "count"),
        Column("skipped", "Skipped", "count"),
        Column("not_applicable", "Not applicable", "count"),
        Column("excluded", "Excluded"),
    )
    gaps = [one for one in cells if one.state != "complete"]
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns} | {"setting": place_name(study, one.setting)}
        for one in gaps
    )
    note = f"{len(cells) - len(gaps)} of {len(cells)} are complete and not listed; questions answered in words are not counted."
    return Table("missing", "What is missing", columns, rows, (note,), ("questionnaire",))


def missing_items_table(gaps: Sequence[ItemGaps]) -> Table:
    """The items that somebody left open, those left open most first."""
    columns = (
        Column("questionnaire", "Questionnaire"),
        Column("instrument", "Instrument"),
        Column("item", "Item"),
        Column("sessions", "Sessions", "count", help="Settings in which anything was answered."),
        Column("skipped", "Left open", "count"),
        Column("share", "Share", "share"),
        Column("not_applicable", "Not applicable", "count"),
    )
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns if column.key != "share"}
        | {"share": one.skipped / one.sessions}
        for one in gaps
    )
    return Table("missing_items", "Items left open", columns, rows, (), ("questionnaire",))


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


def plan_table(study: Study, orders_known: int, orders_not_known: int) -> Table:
    """Numbers that the plan states, and counts of what study.toml declares."""
    plan = study.plan
    constructs = study.declared.constructs
    stated: list[tuple[str, str, float | None]] = [
        ("target_n", "Planned participants", plan.target_n),
        ("level", "Level of significance", plan.level),
        ("thresholds_reliability", "Threshold of reliability", plan.thresholds.reliability),
        ("thresholds_agreement", "Threshold of agreement", plan.thresholds.agreement),
        *(
            (f"smallest_{one}", f"Smallest effect of interest, {one}", size)
            for one, size in plan.smallest_effects.items()
        ),
        ("departures", "Departures declared", len(plan.departures)),
        ("orders_known", "Participants whose order is known", orders_known),
        ("orders_not_known", "Participants whose order is not known", orders_not_known),
        ("constructs", "Constructs of the joint display", len(constructs)),
        ("verdicts_open", "Verdicts still open", sum(not one.verdict for one in constructs)),
    ]
    columns = (Column("key", "Key"), Column("label", "What"), Column("value", "Value", "number"))
    rows = tuple({"key": key, "label": label, "value": value} for key, label, value in stated if value is not None)
    return Table("plan", "What plan and study state", columns, rows)
