"""What the report says in which order: an Analysis arranged into sections, with the figures it shows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from math import isnan

from workbench.analysis.comparison import Comparison
from workbench.analysis.preference import Preference
from workbench.coding.presence import ANY
from workbench.measure import OCCASIONS, Measure
from workbench.report import figures
from workbench.report.document import Part, Report, Section
from workbench.report.figures import Figure
from workbench.report.sentences import balance_sentences, headline, method_sentences
from workbench.report.table import Table
from workbench.report.tables.agreement import AGREEMENT_CAUTION, agreement_table, rounds_table
from workbench.report.tables.comparison import (
    contrasts_table,
    described_table,
    descriptives_table,
    equivalence_table,
    factors_table,
    pairs_table,
)
from workbench.report.tables.data import findings_table, flow_table
from workbench.report.tables.interviews import joint_table
from workbench.report.tables.order import order_effects_table
from workbench.report.tables.reading import for_reading, words_of
from workbench.report.tables.reliability import levels_table, reliability_table
from workbench.report.tables.robustness import robustness_summary_table
from workbench.results.chain import Analysis, Progress, preference_tables
from workbench.study import Study, plan_changed, plan_hash


def report_of(
    analysis: Analysis, facts: Sequence[tuple[str, str]], progress: Progress = lambda done, total: None
) -> tuple[Report, list[Figure]]:
    """The report and its figures. `facts` are printed at the end: versions, hashes, seed."""
    study = analysis.evidence.study
    drawn = list(_figures(analysis, progress))
    by_name = {figure.name: figure for figure in drawn}
    sections = (
        _participants(analysis),
        *_reliability(analysis, by_name),
        *_conditions(analysis, by_name),
        *_order(analysis),
        *_robustness(analysis),
        *_described(analysis),
        *_preference(analysis, by_name),
        *_interviews(analysis, by_name),
        _method(analysis),
        _findings(analysis),
    )
    headlines = tuple(
        (one.measure.label, "primary" if one.primary else "exploratory", headline(study, one))
        for one in analysis.comparisons
    )
    report = Report(
        study.declared.title,
        study.declared.note,
        study.declared.language,
        headlines,
        sections,
        _cautions(analysis),
        tuple(facts),
    )
    return report, drawn


def study_facts(study: Study) -> list[tuple[str, str]]:
    """What identifies a study and its plan at the end of a report."""
    plan, hash_now = study.plan, plan_hash(study.plan)
    if plan.frozen is None:
        told = f"{hash_now} (not frozen)"
    elif plan_changed(plan):
        told = f"{hash_now}, changed since {plan.frozen.hash} was frozen on {plan.frozen.on.isoformat()}"
    else:
        told = f"{hash_now} (frozen on {plan.frozen.on.isoformat()})"
    return [("Study", study.declared.id), ("Plan", told), ("Seed", str(plan.seed))]


def _figures(analysis: Analysis, progress: Progress) -> Iterator[Figure]:
    jobs = list(_figure_jobs(analysis))
    for number, job in enumerate(jobs, start=1):
        with figures.unvalidated():
            figure = job()
        yield figure
        progress(number, len(jobs))


def _figure_jobs(analysis: Analysis) -> Iterator[Callable[[], Figure]]:
    """What is to be drawn, in the order of the report."""
    study = analysis.evidence.study
    conditions = [(name, study.condition_labels[name]) for name in study.conditions]
    for one in analysis.comparisons:
        if one.measure.values["value"].notna().any():
            yield partial(_points, one, conditions)
        if one.primary and one.pairs:
            yield partial(_shifts, study, one)
    if any(one.settings for one in analysis.reliabilities):
        yield partial(_reliability_figure, analysis)
    if analysis.preference and analysis.preference.kind == "ranking" and analysis.preference.n_used:
        yield partial(_preference_figure, analysis.preference, conditions)
    if analysis.presence:
        yield partial(_presence_figure, analysis, conditions)
    if any(code.kappa.bootstrap_interval.defined for one in analysis.agreement for code in one.codes):
        yield partial(_agreement_figure, analysis)


def _preference_figure(preference: Preference, conditions: list[tuple[str, str]]) -> Figure:
    counts = {one.condition: one.counts for one in preference.conditions}
    return figures.stacked_ranks(
        "preference", "How often each condition was ranked where", counts, conditions=conditions
    )


def _points(one: Comparison, conditions: list[tuple[str, str]]) -> Figure:
    measure = one.measure
    low, high = (None, None) if isnan(measure.low) or measure.source == "trials" else (measure.low, measure.high)
    title = f"{measure.label}: every participant, with median and quartiles"
    values = measure.values[["participant", "condition", "value"]]
    return figures.paired_points(
        f"points_{measure.id}", title, values, conditions=conditions, axis=_axis(measure), low=low, high=high
    )


def _axis(measure: Measure) -> str:
    unit = f" ({measure.unit})" if measure.unit else ""
    return f"{measure.label}{unit}{f'; higher = {measure.higher}' if measure.higher else ''}"


def _shifts(study: Study, one: Comparison) -> Figure:
    labels = study.condition_labels
    rows = [
        (
            f"{labels[pair.first]} − {labels[pair.second]}",
            "",
            pair.result.hodges_lehmann,
            pair.result.hodges_lehmann_interval.low,
            pair.result.hodges_lehmann_interval.high,
        )
        for pair in one.pairs
    ]
    title = f"{one.measure.label}: shift between each two conditions, with interval (not adjusted for many tests)"
    return figures.intervals(
        f"shifts_{one.measure.id}",
        title,
        rows,
        axis="First minus second",
        reference=0.0,
    )


def _reliability_figure(analysis: Analysis) -> Figure:
    study = analysis.evidence.study
    rows = [
        (
            study.condition_labels.get(setting.setting, setting.setting or "once"),
            one.measure.label,
            setting.alpha.raw,
            setting.alpha.interval.low,
            setting.alpha.interval.high,
        )
        for one in analysis.reliabilities
        for setting in one.settings
    ]
    threshold = study.plan.thresholds.reliability
    return figures.intervals(
        "reliability",
        "Cronbach's alpha of each scale, with interval",
        rows,
        axis="Alpha",
        high=1.0,
        reference=threshold,
        kind="bounded",
    )


def _presence_figure(analysis: Analysis, conditions: list[tuple[str, str]]) -> Figure:
    counts = {(one.code, one.condition or "anything"): (one.participants, one.interviewed) for one in analysis.presence}
    codes = [(code, code) for code in dict.fromkeys(one.code for one in analysis.presence if one.condition == ANY)]
    title = "Participants who raised each code, about each condition and about anything"
    return figures.count_grid(
        "code_by_condition", title, counts, rows=codes, columns=[*conditions, ("anything", "Any")]
    )


def _agreement_figure(analysis: Analysis) -> Figure:
    rows = [
        (
            code.code,
            f"Round {one.round.id}",
            code.kappa.value,
            code.kappa.bootstrap_interval.low,
            code.kappa.bootstrap_interval.high,
        )
        for one in analysis.agreement
        for code in one.codes
    ]
    return figures.intervals(
        "agreement",
        "Kappa of each code, with interval from resampled participants",
        rows,
        axis="Kappa",
        high=1.0,
        reference=analysis.evidence.study.plan.thresholds.agreement,
        kind="bounded",
    )


def _participants(analysis: Analysis) -> Section:
    evidence = analysis.evidence
    interviewed = len(evidence.codings.interviewed) if evidence.codings else None
    return _section(
        analysis,
        "participants",
        "Participants",
        Part(tables=(flow_table(evidence.study, evidence.measures, interviewed),)),
    )


def _section(analysis: Analysis, anchor: str, title: str, *parts: Part) -> Section:
    """A section whose tables have the columns and words that a person reads."""
    words = words_of(analysis.evidence.study)
    return Section(
        anchor,
        title,
        tuple(replace(part, tables=tuple(for_reading(table, words) for table in part.tables)) for part in parts),
    )


def _reliability(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    if "reliability" not in drawn:
        return []
    study = analysis.evidence.study
    levels = levels_table(study, analysis.reliabilities)
    shown = (*([levels] if levels.rows else []), reliability_table(study, analysis.reliabilities))
    return [_section(analysis, "reliability", "Reliability", Part(figures=(drawn["reliability"],), tables=shown))]


def _conditions(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    if not analysis.comparisons:
        return []
    rules = Part(sentences=pairs_table(analysis.evidence.study, analysis.comparisons).notes)
    parts = [_measure_part(analysis, one, drawn) for one in analysis.comparisons]
    return [Section("conditions", "Conditions compared", (rules, *parts))]


def _measure_part(analysis: Analysis, one: Comparison, drawn: dict[str, Figure]) -> Part:
    study = analysis.evidence.study
    shown = [descriptives_table(study, [one])]
    shown += [pairs_table(study, [one])] if one.pairs else []
    shown += [contrasts_table(study, [one])] if one.contrasts else []
    shown += [factors_table(study, [one], analysis.compared.factorial)] if one.factors else []
    shown += [equivalence_table(study, [one])] if one.equivalences else []
    names = [f"points_{one.measure.id}", f"shifts_{one.measure.id}"]
    return Part(
        f"{one.measure.label} ({'primary' if one.primary else 'exploratory'})",
        (),
        tuple(drawn[name] for name in names if name in drawn),
        tuple(_read_in_part(study, table) for table in shown),
    )


def _read_in_part(study: Study, table: Table) -> Table:
    """The table without what the heading or the rules above all parts say; remarks on its rows stay."""
    heading = ("measure", "label") if table.name == "descriptives" else ("measure",)
    general = table.notes if table.name in ("descriptives", "pairs") else ()
    kept = tuple(note for note in table.notes if note not in general)
    return for_reading(replace(table, notes=kept), words_of(study), without=heading)


def _order(analysis: Analysis) -> list[Section]:
    """How even the orders were, and late against early positions on the primary measures; all else is in the tables."""
    compared = analysis.compared
    if not compared.balance:
        return []
    primary = [one for one in compared.order_effects if one.primary]
    shown = (order_effects_table(primary, compared.orders),) if primary else ()
    sentences = tuple(balance_sentences(compared.orders, compared.balance))
    return [_section(analysis, "order", "Order of the conditions", Part(sentences=sentences, tables=shown))]


def _robustness(analysis: Analysis) -> list[Section]:
    compared = analysis.compared
    if not compared.robustness:
        return []
    table = robustness_summary_table(analysis.evidence.study, compared.robustness, compared.conclusions)
    return [_section(analysis, "robustness", "Other choices of analysis", Part(tables=(table,)))]


def _described(analysis: Analysis) -> list[Section]:
    described = analysis.compared.described
    if not described:
        return []
    part = Part(tables=(described_table(described),))
    return [_section(analysis, "described", "Asked once, or before and after", part)]


def _preference(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    if analysis.preference is None:
        return []
    made = preference_tables(analysis.evidence.study, analysis.preference)
    shown = tuple(table for table in made if table.rows)
    figure = (drawn["preference"],) if "preference" in drawn else ()
    return [_section(analysis, "preference", "Preference", Part(figures=figure, tables=shown))]


def _interviews(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    study = analysis.evidence.study
    parts = []
    if analysis.joint:
        parts.append(Part("Scores and interviews side by side", tables=(joint_table(study, analysis.joint),)))
    if analysis.presence:
        parts.append(Part("What was raised about which condition", figures=(drawn["code_by_condition"],)))
    if analysis.agreement:
        figure = (drawn["agreement"],) if "agreement" in drawn else ()
        shown = (rounds_table(analysis.agreement), agreement_table(study, analysis.agreement))
        parts.append(Part("Agreement between raters", figures=figure, tables=shown))
    return [_section(analysis, "interviews", "Interviews", *parts)] if parts else []


def _method(analysis: Analysis) -> Section:
    return _section(
        analysis,
        "method",
        "How it was done",
        Part(sentences=tuple(method_sentences(analysis.evidence.study, analysis.comparisons))),
    )


def _findings(analysis: Analysis) -> Section:
    return _section(
        analysis, "findings", "Findings on the data", Part(tables=(findings_table(analysis.evidence.findings),))
    )


def _cautions(analysis: Analysis) -> tuple[str, ...]:
    study = analysis.evidence.study
    told = [
        f"{len(study.participants)} participants is a small sample: read the intervals before the p values. No significance is no proof of no difference.",
        "Many tests were made. Only those the plan names are planned; what is marked exploratory suggests questions for a next study.",
    ]
    unvalidated = [one.title for one in study.instruments.values() if one.validation.lower().startswith("unvalidated")]
    if unvalidated:
        told.append(
            f"The wording of {', '.join(unvalidated)} is unvalidated: reliability in this sample does not show what the scores mean."
        )
    if any(measure.asked == "before_after" for measure in analysis.compared.described):
        told.append(
            f"Scores asked {' and '.join(OCCASIONS)} describe this group; scores of discomfort are no diagnosis."
        )
    if analysis.agreement:
        told.append(AGREEMENT_CAUTION)
    told += [
        "Answering alike is no proof of carelessness; nobody was left out but by the exclusions listed here.",
        "The data are about people. Before sharing anything, check consent, the decision of the ethics board and local law; small groups can be recognised even without names.",
    ]
    return tuple(told)
