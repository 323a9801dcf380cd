"""What the report says in which order: an Analysis arranged into sections, with the figures it shows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from math import isfinite, isnan

from workbench.analysis.comparison import Comparison
from workbench.analysis.order_effects import OrderEffects
from workbench.analysis.preference import Preference
from workbench.analysis.reliability import ScaleReliability
from workbench.analysis.saturation import Saturation
from workbench.coding.presence import ANY
from workbench.instrument import ResponseFormat
from workbench.joint_display import JointRow
from workbench.measure import OCCASIONS, Measure
from workbench.quality.missing import Cell, missing_map
from workbench.report import figures
from workbench.report.document import Headline, Part, Report, Section
from workbench.report.figures import ConditionShown, Figure
from workbench.report.numbers import traced
from workbench.report.sentences import (
    balance_sentences,
    headline,
    joint_sentence,
    method_sentences,
    preference_sentence,
    short_headline,
)
from workbench.report.table import Table
from workbench.report.tables.agreement import AGREEMENT_CAUTION, agreement_in_report
from workbench.report.tables.comparison import (
    contrasts_table,
    described_table,
    descriptives_table,
    equivalence_table,
    factors_table,
    omnibus_table,
    pairs_table,
)
from workbench.report.tables.data import findings_table, flow_table
from workbench.report.tables.interviews import code_by_condition_table, joint_table, saturation_table
from workbench.report.tables.joint import apart, exemplars_table, quotes_table, reflexive_note, side_by_side_table
from workbench.report.tables.order import order_effects_table
from workbench.report.tables.parts import code_labels
from workbench.report.tables.reading import for_reading, words_of
from workbench.report.tables.reliability import levels_table, reliability_table, scales_table
from workbench.report.tables.robustness import robustness_summary_table
from workbench.results.chain import (
    Analysis,
    Progress,
    checklist_of,
    flow_of,
    participants_tables,
    preference_tables,
)
from workbench.study import JointKind, Study, plan_changed, plan_hash


def report_of(
    analysis: Analysis,
    facts: Sequence[tuple[str, str]],
    progress: Progress = lambda done, total: None,
    drawn_one: Callable[[Figure], None] = lambda figure: None,
) -> tuple[Report, list[Figure]]:
    """The report and its figures. `facts` are printed at the end: versions, hashes, seed; `drawn_one` gets each figure at once."""
    drawn = []
    for figure in drawn_figures(analysis, progress):
        drawn_one(figure)
        drawn.append(figure)
    with traced():
        return _report(analysis, {figure.name: figure for figure in drawn}, facts), drawn


def _report(analysis: Analysis, by_name: dict[str, Figure], facts: Sequence[tuple[str, str]]) -> Report:
    study = analysis.evidence.study
    sections = (
        _participants(analysis, by_name),
        *_reliability(analysis, by_name),
        *_conditions(analysis, by_name),
        *_order(analysis, by_name),
        *_robustness(analysis),
        *_described(analysis),
        *_preference(analysis, by_name),
        *_interviews(analysis, by_name),
        _method(analysis),
        _checklist(analysis),
        _findings(analysis),
    )
    return Report(
        study.declared.title,
        study.declared.note,
        study.declared.language,
        tuple(_headlines(analysis)),
        sections,
        _cautions(analysis),
        tuple(facts),
        _lacks(analysis),
    )


def _headlines(analysis: Analysis) -> Iterator[Headline]:
    """A headline for each question: primary measures, preference, both strands; exploratory measures are folded away.

    Without a primary measure all measures are shown alike.
    """
    study = analysis.evidence.study
    any_primary = any(one.primary for one in analysis.comparisons)
    for one in analysis.comparisons:
        name = f"{one.measure.label}: "
        short, full = (told.removeprefix(name) for told in (short_headline(study, one), headline(study, one)))
        standing = "primary" if one.primary else "exploratory"
        folded = any_primary and not one.primary
        yield Headline(one.measure.label, standing, _capital(short), _capital(full), _anchor(one), folded)
    if analysis.preference is not None and analysis.preference.n_used:
        told = preference_sentence(study, analysis.preference)
        yield Headline("Preference", "exploratory", told, told, "preference")
    if analysis.joint:
        told = joint_sentence(analysis.joint)
        yield Headline(
            "Scores and interviews", "the researcher's verdicts", _capital(told), _capital(told), "interviews"
        )


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _anchor(one: Comparison) -> str:
    return f"m-{one.measure.id}"


def _lacks(analysis: Analysis) -> tuple[str, ...]:
    """What a reader might look for and this study does not have."""
    study, declared = analysis.evidence.study, analysis.evidence.study.declared
    told = {
        "no questionnaire": not declared.questionnaires,
        "no trials": not declared.trials,
        "no comparison of conditions, as there is one condition": len(study.conditions) == 1,
        "no preference": declared.preference is None,
        "no interviews": declared.interviews is None,
        "no codings": declared.interviews is not None and analysis.evidence.codings is None,
        "no primary measure in the plan": not study.plan.primary,
    }
    lacking = [what for what, holds in told.items() if holds]
    return (f"This study has {', '.join(lacking)}.",) if lacking else ()


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


def drawn_figures(analysis: Analysis, progress: Progress = lambda done, total: None) -> Iterator[Figure]:
    """Every figure of the report, in its order."""
    jobs = list(_figure_jobs(analysis))
    for number, job in enumerate(jobs, start=1):
        yield job()
        progress(number, len(jobs))


def _figure_jobs(analysis: Analysis) -> Iterator[Callable[[], Figure]]:
    """What is to be drawn, in the order of the report."""
    study = analysis.evidence.study
    conditions = [(name, study.condition_labels[name]) for name in study.conditions]
    yield partial(_flow_figure, analysis)
    if any(cell.state != "complete" for cell in _in_conditions(study, missing_map(study, analysis.evidence.responses))):
        yield partial(_missing_figure, analysis, conditions)
    for one in analysis.comparisons:
        if one.measure.values["value"].notna().any():
            yield partial(points_figure, one, conditions)
        if one.primary and one.pairs:
            yield partial(shifts_figure, study, one)
        counted = _answers_counted(study, one.measure)
        if counted:
            yield partial(_answers_figure, study, one.measure, counted)
    for number, several in enumerate(_placed_alike(analysis), start=1):
        yield partial(_order_figure, several, f"order_{number}")
    if any(one.settings for one in analysis.reliabilities):
        yield partial(reliability_figure, study, analysis.reliabilities)
    if analysis.preference and analysis.preference.kind == "ranking" and analysis.preference.n_used:
        yield partial(preference_figure, analysis.preference, conditions)
    if _shows(analysis, "side by side"):
        for row in _by_condition(analysis):
            yield partial(side_by_side_figure, study, row)
    if analysis.presence and _shows(analysis, "condition by code"):
        yield partial(_presence_figure, analysis, conditions)
    if analysis.saturation:
        yield partial(saturation_figure, analysis.saturation)
    if any(code.kappa.bootstrap_interval.defined for one in analysis.agreement for code in one.codes):
        yield partial(_agreement_figure, analysis)


def _flow_figure(analysis: Analysis) -> Figure:
    """The steps of the primary measures, with the conditions in one box."""
    study, steps = analysis.evidence.study, flow_of(analysis.evidence)
    primary = {f"complete_{measure}" for measure in study.plan.primary} or {step.key for step in steps}
    met = [step for step in steps if step.key in {f"ran_{condition}" for condition in study.conditions}]
    shown = [
        step for step in steps if step not in met and (not step.key.startswith("complete_") or step.key in primary)
    ]
    told = [(step.label, step.n, [f"{count} {why}" for why, count in step.left]) for step in shown]
    if met:
        place = next(number for number, step in enumerate(shown) if step.key == "ran_all")
        told[place][2].extend(f"{step.label}: {step.n:.0f}" for step in met)
    return figures.flow("participant_flow", "Participants, step by step", told)


MOST_POINTS = 11
"""Points of a scale whose answers are drawn as bars."""

MOST_IN_MAP = 40
"""Participants that the map of what is missing has room for; beyond it those with gaps come first."""


def _in_conditions(study: Study, cells: Sequence[Cell]) -> list[Cell]:
    asked = {one.id for one in study.declared.questionnaires if one.asked == "per_condition"}
    return [cell for cell in cells if cell.questionnaire in asked]


def _missing_figure(analysis: Analysis, conditions: list[tuple[str, str]]) -> Figure:
    """How many items each participant left open in each condition, over all questionnaires asked there."""
    study = analysis.evidence.study
    gaps: dict[tuple[str, str], tuple[int, int]] = {}
    for cell in _in_conditions(study, missing_map(study, analysis.evidence.responses)):
        left_open, asked = gaps.get((cell.participant, cell.setting), (0, 0))
        gaps[cell.participant, cell.setting] = (left_open + cell.asked - cell.answered, asked + cell.asked)
    with_gaps = {participant for (participant, _), (left_open, _) in gaps.items() if left_open}
    everybody = len(study.participants) <= MOST_IN_MAP
    shown = [one for one in study.participants if everybody or one in with_gaps][:MOST_IN_MAP]
    title = "Items without an answer, by participant and condition"
    if not everybody:
        title += f" ({len(shown)} of {len(with_gaps)} participants with gaps)"
    counts = {cell: count for cell, count in gaps.items() if cell[0] in shown}
    return figures.count_grid("missing", title, counts, rows=[(one, one) for one in shown], columns=conditions)


def preference_figure(preference: Preference, conditions: list[tuple[str, str]]) -> Figure:
    """How often each condition got each rank."""
    counts = {one.condition: one.counts for one in preference.conditions}
    return figures.stacked_ranks(
        "preference", "How often each condition was ranked where", counts, conditions=conditions
    )


def points_figure(one: Comparison, conditions: list[tuple[str, str]]) -> Figure:
    """Every participant's value on a measure in each condition, with medians and quartiles."""
    measure = one.measure
    low, high = _range(measure)
    title = f"{measure.label}: every participant, with median and quartiles"
    values = measure.values[["participant", "condition", "value"]]
    return figures.paired_points(
        f"points_{measure.id}", title, values, conditions=conditions, axis=_axis(measure), low=low, high=high
    )


def _range(measure: Measure) -> tuple[float | None, float | None]:
    """From where to where the axis of a measure runs, where it has ends."""
    return (None, None) if isnan(measure.low) or measure.source == "trials" else (measure.low, measure.high)


def _answers_counted(study: Study, measure: Measure) -> dict[str, list[int]]:
    """How often each point was answered in each condition, over the items of a scale; {} where that cannot be drawn."""
    response = _response(study, measure)
    if response is None or measure.rows.empty:
        return {}
    low, high = (int(end) for end in response.range)
    answers = measure.rows.dropna(subset=["value"])
    return {
        study.condition_labels[one]: [
            int((answers.loc[answers["condition"] == one, "value"] == point).sum()) for point in range(low, high + 1)
        ]
        for one in study.conditions
    }


def _response(study: Study, measure: Measure) -> ResponseFormat | None:
    """The one rating format that all items of a scale share, of at most MOST_POINTS points."""
    if measure.source != "scale" or measure.asked != "per_condition":
        return None
    owner = next(
        (one for one in study.instruments.values() if any(scale.id == measure.id for scale in one.scales)), None
    )
    formats = [owner.response_of(item) for item in measure.items] if owner else []
    if not formats or any(one != formats[0] for one in formats) or formats[0].kind not in ("likert", "differential"):
        return None
    low, high = formats[0].range
    return formats[0] if isfinite(high - low) and float(low).is_integer() and high - low < MOST_POINTS else None


def _answers_figure(study: Study, measure: Measure, counted: dict[str, list[int]]) -> Figure:
    """The answers behind a scale, to both sides of the middle."""
    response = _response(study, measure)
    low, high = (int(end) for end in response.range) if response else (0, 0)
    labels = {float(point): words for point, words in response.labels.items()} if response else {}
    title = f"{measure.label}: answers to its {len(measure.items)} items, reversed ones turned round"
    anchors = (labels.get(float(low), "") or "lowest", labels.get(float(high), "") or "highest")
    return figures.diverging_bars(
        f"answers_{measure.id}", title, counted, points=list(range(low, high + 1)), anchors=anchors
    )


def _placed_alike(analysis: Analysis) -> list[list[OrderEffects]]:
    """The primary measures with values by position, those of one unit and range together."""
    groups: dict[tuple[str, float, float], list[OrderEffects]] = {}
    for one in analysis.compared.order_effects:
        if one.primary and sum(placed.kind == "position" for placed in one.placed) > 1:
            ends = (one.measure.low, one.measure.high) if one.measure.source == "scale" else (0.0, 0.0)
            groups.setdefault((one.measure.unit, *ends), []).append(one)
    return list(groups.values())


def _order_figure(several: Sequence[OrderEffects], name: str) -> Figure:
    rows = [
        (f"Position {placed.place}", one.measure.label, placed.values.mean, placed.interval.low, placed.interval.high)
        for one in several
        for placed in one.placed
        if placed.kind == "position"
    ]
    unit = several[0].measure.unit
    return figures.intervals(
        name,
        "Mean in each position, whatever condition stood there, with interval",
        rows,
        axis=f"Mean{f' ({unit})' if unit else ''}",
    )


def saturation_figure(found: Saturation) -> Figure:
    """How many codes the first interviews hold."""
    points = [
        (place + 1, float(found.mean[place]), float(found.low[place]), float(found.high[place]))
        for place in range(found.n_interviews)
    ]
    return figures.growth(
        "saturation",
        "Codes found by the first interviews",
        points,
        [float(one) for one in found.listed],
        across="Interviews",
        up="Codes so far",
    )


def _axis(measure: Measure) -> str:
    unit = f" ({measure.unit})" if measure.unit else ""
    return f"{measure.label}{unit}{f'; higher = {measure.higher}' if measure.higher else ''}"


def shifts_figure(study: Study, one: Comparison) -> Figure:
    """The shift between each two conditions on a measure, with its interval."""
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


def reliability_figure(study: Study, reliabilities: Sequence[ScaleReliability]) -> Figure:
    """Alpha of each scale in each setting, with its interval."""
    rows = [
        (
            study.condition_labels.get(setting.setting, setting.setting or "once"),
            one.measure.label,
            setting.alpha.raw,
            setting.alpha.interval.low,
            setting.alpha.interval.high,
        )
        for one in reliabilities
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
    names = code_labels(analysis.evidence.study)
    codes = [
        (code, names.get(code) or code)
        for code in dict.fromkeys(one.code for one in analysis.presence if one.condition == ANY)
    ]
    title = "Participants who raised each code, about each condition and about anything"
    return figures.count_grid(
        "code_by_condition", title, counts, rows=codes, columns=[*conditions, ("anything", "Any")]
    )


def _shows(analysis: Analysis, kind: JointKind) -> bool:
    """Whether the study wants this kind of joint display."""
    return kind in analysis.evidence.study.declared.joint.kinds


def _by_condition(analysis: Analysis) -> list[JointRow]:
    """The constructs with anything to show by condition: a code, and scores or somebody interviewed."""
    return [
        row
        for row in analysis.joint
        if row.codes and any(side.values or side.codes[0].interviewed for side in row.sides)
    ]


def side_by_side_figure(study: Study, row: JointRow) -> Figure:
    """Scores of a construct's measure in each condition, beside who raised which of its codes about it."""
    measure = row.comparison.measure if row.comparison else None
    low, high = _range(measure) if measure else (None, None)
    names = code_labels(study)
    shown = [
        ConditionShown(
            study.condition_labels[side.condition],
            side.values,
            side.median,
            side.interval.low,
            side.interval.high,
            side.codes[0].interviewed,
            [(code.in_favor, code.against, code.neither) for code in side.codes],
        )
        for side in row.sides
    ]
    silent = {"scores": "nothing could be tested on the scores", "interviews": "nobody raised any of these codes"}
    told = [words for strand, words in silent.items() if strand in row.silent]
    remarks = [
        "Not mentioning something is not disagreeing with it.",
        *([f"Silent: {'; '.join(told)}."] if told else []),
    ]
    return figures.side_by_side(
        f"side_by_side_{row.construct.id}",
        f"{row.construct.label}: scores, and what was raised about each condition",
        shown,
        codes=[(code, names.get(code) or code) for code in row.codes],
        axis=_axis(measure) if measure else row.construct.measure,
        low=low,
        high=high,
        remarks=[*remarks, *reflexive_note(study)],
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


def _participants(analysis: Analysis, drawn: dict[str, Figure]) -> Section:
    evidence = analysis.evidence
    shown = tuple(drawn[name] for name in ("participant_flow", "missing") if name in drawn)
    flow = flow_table(evidence.study, flow_of(evidence))
    return _section(analysis, "participants", "Participants", Part(figures=shown, tables=(flow,)))


def _section(analysis: Analysis, anchor: str, title: str, *parts: Part) -> Section:
    """A section whose tables have the columns and words that a person reads."""
    return Section(anchor, title, tuple(_read(analysis, part) for part in parts))


def _read(analysis: Analysis, part: Part) -> Part:
    words = words_of(analysis.evidence.study)
    return replace(part, tables=tuple(for_reading(table, words) for table in part.tables))


def _reliability(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    if "reliability" not in drawn:
        return []
    study = analysis.evidence.study
    levels = levels_table(study, analysis.reliabilities)
    scales = scales_table(study, analysis.reliabilities)
    shown = (scales, *([levels] if levels.rows else []), reliability_table(study, analysis.reliabilities))
    return [_section(analysis, "reliability", "Reliability", Part(figures=(drawn["reliability"],), tables=shown))]


def _conditions(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    if not analysis.comparisons:
        return []
    study = analysis.evidence.study
    omnibus = omnibus_table(study, analysis.comparisons)
    rules = _read(
        analysis, Part(sentences=pairs_table(study, analysis.comparisons).notes, tables=(omnibus,) * bool(omnibus.rows))
    )
    parts = [_measure_part(analysis, one, drawn) for one in analysis.comparisons]
    return [Section("conditions", "Conditions compared", (rules, *parts))]


def _measure_part(analysis: Analysis, one: Comparison, drawn: dict[str, Figure]) -> Part:
    study = analysis.evidence.study
    shown = [descriptives_table(study, [one])]
    shown += [pairs_table(study, [one])] if one.pairs else []
    shown += [contrasts_table(study, [one])] if one.contrasts else []
    shown += [factors_table(study, [one], analysis.compared.factorial)] if one.factors else []
    shown += [equivalence_table(study, [one])] if one.equivalences else []
    names = [f"{kind}_{one.measure.id}" for kind in ("answers", "points", "shifts")]
    return Part(
        f"{one.measure.label} ({'primary' if one.primary else 'exploratory'})",
        (),
        tuple(drawn[name] for name in names if name in drawn),
        tuple(_read_in_part(study, table) for table in shown),
        _anchor(one),
    )


def _read_in_part(study: Study, table: Table) -> Table:
    """The table without what the heading or the rules above all parts say; remarks on its rows stay."""
    heading = ("measure", "label") if table.name == "descriptives" else ("measure",)
    general = table.notes if table.name in ("descriptives", "pairs") else ()
    kept = tuple(note for note in table.notes if note not in general)
    return for_reading(replace(table, notes=kept), words_of(study), without=heading)


def _order(analysis: Analysis, drawn: dict[str, Figure]) -> list[Section]:
    """How even the orders were, and late against early positions on the primary measures; all else is in the tables."""
    compared = analysis.compared
    if not compared.balance:
        return []
    primary = [one for one in compared.order_effects if one.primary]
    shown = (order_effects_table(primary, compared.orders),) if primary else ()
    labels = analysis.evidence.study.condition_labels
    sentences = tuple(balance_sentences(compared.orders, compared.balance, labels))
    by_position = tuple(figure for name, figure in drawn.items() if name.startswith("order_"))
    part = Part(sentences=sentences, figures=by_position, tables=shown)
    return [_section(analysis, "order", "Order of the conditions", part)]


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
    if analysis.joint and _shows(analysis, "statistics by themes"):
        parts.append(Part("Scores and interviews side by side", tables=(joint_table(study, analysis.joint),)))
    parts += _joint_by_condition(analysis, drawn)
    if analysis.presence and _shows(analysis, "condition by code"):
        by_condition = code_by_condition_table(study, analysis.presence)
        parts.append(
            Part(
                "What was raised about which condition",
                figures=(drawn["code_by_condition"],) if "code_by_condition" in drawn else (),
                tables=(by_condition, exemplars_table(study, analysis.exemplars)),
            )
        )
    if _shows(analysis, "participants by themes"):
        by_participant = participants_tables(analysis.evidence)[:1]
        parts += [Part("Who raised what", tables=(table,)) for table in by_participant]
    if analysis.saturation:
        shown = (saturation_table(analysis.saturation),)
        parts.append(Part("What further interviews added", figures=(drawn["saturation"],), tables=shown))
    if analysis.agreement:
        figure = (drawn["agreement"],) if "agreement" in drawn else ()
        agreed = tuple(agreement_in_report(study, analysis.agreement))
        parts.append(Part("Agreement between raters", figures=figure, tables=agreed))
    return [_section(analysis, "interviews", "Interviews", *parts)] if parts else []


def _joint_by_condition(analysis: Analysis, drawn: dict[str, Figure]) -> list[Part]:
    """A part for each construct: its figure, and its table with quotes and verdict; else the quotes alone.

    What holds for all of them stands once, before the first.
    """
    study = analysis.evidence.study
    if not _shows(analysis, "side by side"):
        said = quotes_table(study, analysis.joint)
        wanted = said.rows and _shows(analysis, "statistics by themes")
        return [Part("In their words", tables=(said,))] if wanted else []
    shown = _by_condition(analysis)
    told = joint_table(study, analysis.joint).notes if _shows(analysis, "statistics by themes") else ()
    rules = tuple(note for note in side_by_side_table(study, shown).notes if note not in told)
    parts = [Part("By condition", sentences=rules)] if shown else []
    for row in shown:
        (table,) = apart(side_by_side_table(study, [row]))
        figure = drawn[f"side_by_side_{row.construct.id}"]
        parts.append(Part(row.construct.label, figures=(figure,), tables=(replace(table, notes=()),)))
    return parts


def _method(analysis: Analysis) -> Section:
    return _section(
        analysis,
        "method",
        "How it was done",
        Part(sentences=tuple(method_sentences(analysis.evidence.study, analysis.comparisons))),
    )


def _checklist(analysis: Analysis) -> Section:
    return _section(analysis, "checklist", "Reporting check-list", Part(tables=(checklist_of(analysis),)))


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
