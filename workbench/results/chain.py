"""The steps from a study folder to results, in order; each is one function of the layers below."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, partial
from pathlib import Path

import numpy as np
import pandas as pd

from workbench.analysis.agreement import RoundAgreement, agreement
from workbench.analysis.agreement_sample import HALF_WIDTH
from workbench.analysis.anova import RepeatedAnova, anovas
from workbench.analysis.comparison import Comparison, Description, compare, description
from workbench.analysis.factors import Layout, layout, layout_findings
from workbench.analysis.links import CodeAcross, CodeAndScore, codes_across_conditions, codes_and_scores
from workbench.analysis.order_effects import Balance, OrderEffects, Orders, balance, order_effects, orders_of
from workbench.analysis.preference import Preference, preference
from workbench.analysis.reliability import ScaleReliability, has_reliability, reliabilities
from workbench.analysis.robustness import CompleteCase, Conclusion, Robustness, robustness
from workbench.analysis.saturation import ORDERS, Saturation, saturation
from workbench.coding.codings import CODING_COLUMNS, Codings
from workbench.coding.collected import collected_codings, counting
from workbench.coding.material import Material, identifiers, read_material
from workbench.coding.presence import CodePresence, code_presence
from workbench.errors import SEVERITIES, Finding, StudyError
from workbench.files import gathering
from workbench.joint_display import Exemplars, JointRow, Spoken, exemplars, joint_rows
from workbench.measure import Measure, settings
from workbench.quality.findings import quality_findings
from workbench.quality.flow import Step, participant_flow
from workbench.quality.missing import item_gaps, missing_map
from workbench.report.checklist import checklist_table, reporting_answers
from workbench.report.table import Table
from workbench.report.tables.agreement import agreement_made
from workbench.report.tables.comparison import (
    anova_table,
    contrasts_table,
    described_table,
    descriptives_table,
    equivalence_table,
    factors_table,
    headlines_table,
    omnibus_table,
    pairs_table,
)
from workbench.report.tables.data import (
    findings_table,
    flow_table,
    measures_table,
    missing_items_table,
    missing_table,
    plan_table,
    scores_table,
)
from workbench.report.tables.interviews import (
    code_by_condition_table,
    code_stances_table,
    joint_table,
    participants_by_code_table,
    saturation_curve_table,
    saturation_table,
)
from workbench.report.tables.joint import (
    across_table,
    exemplars_table,
    links_table,
    of_kinds,
    participants_by_theme_table,
    quotes_table,
    side_by_side_numbers_table,
    side_by_side_table,
)
from workbench.report.tables.order import (
    first_exposure_table,
    order_balance_table,
    order_effects_table,
    order_values_table,
)
from workbench.report.tables.preference import (
    preference_pairs_table,
    preference_table,
    preference_tests_table,
    preference_worth_table,
)
from workbench.report.tables.reliability import items_table, levels_table, reliability_table, scales_table
from workbench.report.tables.robustness import complete_cases_table, robustness_summary_table, robustness_table
from workbench.responses.preferences import Preferences, read_preferences
from workbench.responses.questionnaires import Responses, read_responses
from workbench.responses.session_log import SessionLog, read_session_log
from workbench.responses.times import read_times
from workbench.results.aside import Aside
from workbench.results.choices import complete_case_sensitivity, conclusions_under_choices
from workbench.results.reporting import filled_from_data, standards_wanted
from workbench.scoring import scale_measures
from workbench.study import JointKind, Study, open_study
from workbench.trials import read_trials

Progress = Callable[[int, int], None]
STEPS = 6
HUNDREDTHS = 100
"""Progress of a step, so that a long one can tell its own."""
RESAMPLES = 500


@dataclass(frozen=True, eq=False)
class Evidence:
    """All that was collected, read and scored."""

    study: Study
    responses: Responses
    measures: tuple[Measure, ...]
    log: SessionLog | None
    preferences: Preferences | None
    codings: Codings | None
    findings: tuple[Finding, ...]
    material: Material | None = None

    @cached_property
    def counted(self) -> pd.DataFrame | None:
        """The codings that every table counts; None where there are none."""
        interviews, material = self.study.declared.interviews, self.material
        if self.codings is None or interviews is None:
            return None
        versions = material.codebooks.versions if material and material.codebooks else ()
        rows = counting(self.codings.rows, interviews, versions)
        return rows.astype(dict.fromkeys(CODING_COLUMNS, object))  # strings that come out one by one, quickly


def collect(folder: Path) -> Evidence:
    """Read and score everything a study folder declares.

    Raises StudyError with every blocking finding of every file at once.
    """
    study = open_study(folder)
    faults: list[Finding] = []
    responses, times, log, trials = None, None, None, None
    preferences, codings, material = None, None, None
    with gathering(faults):
        responses = read_responses(study)
    with gathering(faults):
        times = read_times(study)
    with gathering(faults):
        trials = read_trials(study)
    with gathering(faults):
        log = read_session_log(study)
    with gathering(faults):
        preferences = read_preferences(study)
    with gathering(faults):
        material = read_material(study) if study.declared.interviews else None
    with gathering(faults):
        codings = collected_codings(study, material.codebooks.versions if material and material.codebooks else ())
    if faults or responses is None or trials is None:
        raise StudyError(faults)
    measures = (*scale_measures(study, responses), *trials.measures)
    findings = [*quality_findings(study, responses, measures, log, times), *layout_findings(study.declared.conditions)]
    findings += trials.findings
    findings += preferences.findings if preferences else ()
    findings += codings.findings if codings else ()
    findings += material.findings if material else ()
    told = tuple(_most_pressing_first(findings))
    return Evidence(study, responses, measures, log, preferences, codings, told, material)


def _most_pressing_first(findings: list[Finding]) -> list[Finding]:
    """The findings by severity, with the notes on pilot rows of all files told as one."""
    pilots = [one for one in findings if one.kind == "pilots"]
    others = [one for one in findings if one.kind != "pilots"]
    if pilots:
        places = ", ".join(f"{one.file} ({one.place})" for one in pilots)
        others.append(replace(pilots[0], file="", place="", found=f"Rows of pilots are left out: {places}."))
    return sorted(others, key=lambda finding: SEVERITIES.index(finding.severity))


def reliability_of(evidence: Evidence) -> list[ScaleReliability]:
    """The reliability of every scale."""
    return _reliability_work(evidence)()


def _reliability_work(evidence: Evidence) -> Callable[[], list[ScaleReliability]]:
    """What finds the reliability of every scale, here or in another process."""
    study = evidence.study
    return partial(
        reliabilities,
        [one for one in evidence.measures if has_reliability(one)],
        study.participants,
        study.conditions,
        level=1 - study.plan.level,
        resamples=RESAMPLES,
        rng=np.random.default_rng(study.plan.seed),
    )


def comparison_of(evidence: Evidence) -> list[Comparison]:
    """Every measure compared across the conditions, primary measures first."""
    study = evidence.study
    factorial = layout(study.declared.conditions)
    return compare(_primary_first(evidence), study.participants, study.conditions, study.plan, factorial=factorial)


def _primary_first(evidence: Evidence) -> list[Measure]:
    order = {name: place for place, name in enumerate(evidence.study.plan.primary)}
    return sorted(evidence.measures, key=lambda measure: order.get(measure.id, len(order)))


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """Everything said about the conditions: comparisons, and what stands beside them.

    `conclusions` are those of the plan and of other choices, counted in `robustness`.
    """

    comparisons: list[Comparison]
    factorial: Layout | None
    described: dict[Measure, list[Description]]
    anovas: dict[str, RepeatedAnova]
    orders: Orders
    balance: list[Balance]
    order_effects: list[OrderEffects]
    conclusions: list[Conclusion]
    robustness: list[Robustness]
    complete_cases: list[CompleteCase]


def _anova_work(evidence: Evidence) -> Callable[[], dict[str, RepeatedAnova]]:
    """What makes the analysis of variance of every measure, here or in another process."""
    return partial(anovas, _primary_first(evidence), evidence.study.participants, evidence.study.conditions)


def compared_of(
    evidence: Evidence,
    comparisons: list[Comparison] | None = None,
    progress: Progress = lambda done, total: None,
    analyses: Callable[[], dict[str, RepeatedAnova]] | None = None,
) -> Compared:
    """The conditions compared, by the plan and by other choices, with the effects of order.

    `analyses` gives the analyses of variance where they are begun already.
    """
    study, ordered = evidence.study, _primary_first(evidence)
    found = comparison_of(evidence) if comparisons is None else comparisons
    orders = orders_of(study, evidence.log)
    variance = cache(analyses or _anova_work(evidence))
    conclusions = conclusions_under_choices(evidence, found, variance, progress)
    return Compared(
        found,
        layout(study.declared.conditions),
        described_of(evidence),
        variance(),
        orders,
        balance(orders),
        order_effects(ordered, study.participants, orders, primary=study.plan.primary, level=1 - study.plan.level),
        conclusions,
        robustness(conclusions),
        complete_case_sensitivity(evidence, found),
    )


def described_of(evidence: Evidence) -> dict[Measure, list[Description]]:
    """Descriptives of the measures that were not asked per condition."""
    others = [measure for measure in evidence.measures if measure.asked != "per_condition"]
    return {
        measure: [
            description(
                occasion, measure.values.loc[measure.values["occasion"] == occasion, "value"].to_numpy(dtype=float)
            )
            for _, occasion in settings(measure.asked, ())
        ]
        for measure in others
    }


def preference_of(evidence: Evidence) -> Preference | None:
    """The preference between conditions, or None where none was asked."""
    plan, declared = evidence.study.plan, evidence.study.declared.preference
    if evidence.preferences is None or declared is None:
        return None
    rng = np.random.default_rng(plan.seed)
    return preference(evidence.preferences.ranks, declared.kind, level=1 - plan.level, resamples=RESAMPLES, rng=rng)


def agreement_of(
    evidence: Evidence,
    *,
    half_width: float = HALF_WIDTH,
    progress: Progress = lambda done, total: None,
) -> list[RoundAgreement]:
    """Agreement in each round of coding; `half_width` is what further units are planned for."""
    if evidence.codings is None:
        return []
    material = evidence.material
    return agreement(
        evidence.study,
        evidence.codings.rows,
        half_width=half_width,
        codebooks=material.codebooks if material else None,
        texts=material.texts() if material else None,
        progress=progress,
    )


def quotable_texts(material: Material | None) -> dict[str, str]:
    """The words of the units that may be quoted; none where the study has no interviews."""
    spoken = spoken_units(material) if material else {}
    return {unit: one.text for unit, one in spoken.items() if not one.withheld}


def counted_codings(evidence: Evidence) -> pd.DataFrame | None:
    """The codings that every table counts; None where there are none."""
    return evidence.counted


def presence_of(evidence: Evidence) -> list[CodePresence]:
    """Who raised which code about which condition, from the codings that count."""
    counted = counted_codings(evidence)
    if evidence.codings is None or counted is None:
        return []
    codes = sorted(code for code in counted["code"].unique() if code)
    return code_presence(counted, codes, evidence.study.conditions, evidence.codings.interviewed)


def raised_codes(evidence: Evidence) -> dict[str, frozenset[str]]:
    """The codes that each person interviewed raised, from the codings that count."""
    counted = counted_codings(evidence)
    if evidence.codings is None or counted is None:
        return {}
    codes = counted[counted["code"] != ""].groupby("participant")["code"].agg(frozenset)
    return {one: codes.get(one, frozenset()) for one in evidence.codings.interviewed}


def saturation_of(evidence: Evidence) -> Saturation | None:
    """What further interviews added; None without codings, and in a reflexive study, which claims no saturation."""
    interviews, raised = evidence.study.declared.interviews, raised_codes(evidence)
    if interviews is None or interviews.mode == "reflexive" or not any(raised.values()):
        return None
    return saturation(raised, orders=ORDERS, rng=np.random.default_rng(evidence.study.plan.seed))


def joint_of(
    evidence: Evidence,
    comparisons: Sequence[Comparison],
    presence: Sequence[CodePresence],
    spoken: Mapping[str, Spoken],
) -> list[JointRow]:
    """Both strands side by side, with quotes from `spoken`, the words of each unit."""
    return joint_rows(
        evidence.study.declared.constructs,
        comparisons,
        presence,
        themes=themes_of(evidence),
        counted=counted_codings(evidence),
        spoken=spoken,
        interviewed=evidence.codings.interviewed if evidence.codings else (),
        conditions=evidence.study.conditions,
    )


def themes_of(evidence: Evidence) -> dict[str, list[str]]:
    """The codes of each theme of the current codebook; none where the study has no themes."""
    material = evidence.material
    book = material.codebooks.current if material and material.codebooks else None
    return {one.theme: [code.code for code in book.codes_of(one.theme)] for one in book.themes} if book else {}


def exemplars_of(evidence: Evidence, presence: Sequence[CodePresence], spoken: Mapping[str, Spoken]) -> Exemplars:
    """A quote for each code about each condition, from `spoken`, the words of each unit."""
    counted = counted_codings(evidence)
    if evidence.codings is None or counted is None:
        return Exemplars()
    chosen = evidence.study.declared.joint.exemplars
    return exemplars(presence, counted, spoken, evidence.codings.interviewed, chosen)


def spoken_of(evidence: Evidence) -> dict[str, Spoken]:
    """The words of every unit; none where the study has no transcripts."""
    return spoken_units(evidence.material) if evidence.material else {}


def spoken_units(material: Material) -> dict[str, Spoken]:
    """The words of every unit, its translation, and why they are not quoted: no permission, or an undecided identifier."""
    undecided = {(one.transcript, one.turn) for one in identifiers(material)}
    found = {}
    for name, units in material.units.items():
        transcript = material.working[name]
        turns = {turn.id: turn for turn in transcript.turns}
        allowed = material.permissions_of(transcript.participant).quotes
        for unit in units.items:
            mine = [turns[piece.turn] for piece in unit.pieces]
            unclear = any((name, number) in undecided for turn in mine for number in turn.numbers)
            withheld = "the participant does not allow quotes" if not allowed else NOT_DECIDED if unclear else ""
            beside = "\n".join(filter(None, (turn.translation for turn in mine)))
            found[unit.id] = Spoken(unit.id, unit.participant, unit.text, transcript.language, beside, withheld)
    return found


NOT_DECIDED = "words that may identify a person are not decided on"


@dataclass(frozen=True, slots=True, eq=False)
class Links:
    """Codes against scores, and codes across conditions."""

    scores: list[CodeAndScore]
    across: list[CodeAcross]


def links_of(evidence: Evidence, joint: Sequence[JointRow]) -> Links:
    """What was said against what was scored, for the codes of the joint display; codes across conditions for all."""
    counted, study = counted_codings(evidence), evidence.study
    if evidence.codings is None or counted is None:
        return Links([], [])
    codes = sorted(code for code in counted["code"].unique() if code)
    constructs = [row.construct.model_copy(update={"codes": list(row.codes)}) for row in joint]
    who = evidence.codings.interviewed
    scores = codes_and_scores(constructs, evidence.measures, counted, study.conditions, who, level=1 - study.plan.level)
    return Links(scores, codes_across_conditions(codes, counted, study.conditions, who))


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """Everything computed from the evidence."""

    evidence: Evidence
    reliabilities: list[ScaleReliability]
    compared: Compared
    preference: Preference | None
    agreement: list[RoundAgreement]
    presence: list[CodePresence]
    joint: list[JointRow]
    exemplars: Exemplars
    saturation: Saturation | None = None
    links: Links | None = None

    @property
    def comparisons(self) -> list[Comparison]:
        return self.compared.comparisons


def analyse(evidence: Evidence, progress: Progress = lambda done, total: None, aside: Aside | None = None) -> Analysis:
    """Run every step. `progress(done, total)` is called after each, and during the long one; raising in it stops cleanly.

    With `aside`, reliability and analyses of variance are found in another process meanwhile.
    """

    def told(steps: int, done: int = 0, total: int = 1) -> None:
        progress(HUNDREDTHS * steps + HUNDREDTHS * done // total, HUNDREDTHS * STEPS)

    told(0)
    variance = aside.do(_anova_work(evidence)).result if aside else None
    begun = aside.do(_reliability_work(evidence)) if aside else None
    comparisons = comparison_of(evidence)
    told(1)
    compared = compared_of(evidence, comparisons, lambda done, total: told(1, done, total), variance)
    told(2)
    preferred = preference_of(evidence)
    told(3)
    agreed = agreement_of(evidence)
    told(4)
    presence, spoken = presence_of(evidence), spoken_of(evidence)
    joint = joint_of(evidence, comparisons, presence, spoken)
    exemplary = exemplars_of(evidence, presence, spoken)
    links = links_of(evidence, joint)
    told(5)
    reliability = _with_measures(begun.result(), evidence) if begun else reliability_of(evidence)
    told(STEPS)
    further = saturation_of(evidence)
    return Analysis(evidence, reliability, compared, preferred, agreed, presence, joint, exemplary, further, links)


def _with_measures(found: Sequence[ScaleReliability], evidence: Evidence) -> list[ScaleReliability]:
    """Reliability found in another process, with the measures of this one."""
    own = {one.id: one for one in evidence.measures}
    return [replace(one, measure=own[one.measure.id]) for one in found]


def flow_of(evidence: Evidence) -> list[Step]:
    """Participants step by step."""
    interviewed = len(evidence.codings.interviewed) if evidence.codings else None
    return participant_flow(evidence.study, evidence.measures, evidence.log, interviewed)


def check_tables(evidence: Evidence) -> list[Table]:
    """The tables of `check`."""
    study, responses = evidence.study, evidence.responses
    made = [
        findings_table(evidence.findings),
        flow_table(study, flow_of(evidence)),
        missing_table(study, missing_map(study, responses)),
        missing_items_table(item_gaps(study, responses)),
    ]
    return [table for table in made if table.rows or table.name in ("findings", "participants")]


def score_tables(evidence: Evidence) -> list[Table]:
    """The tables of `score`."""
    return [measures_table(evidence.measures), scores_table(evidence.measures)]


def reliability_tables(study: Study, found: Sequence[ScaleReliability]) -> list[Table]:
    """The tables of `reliability`."""
    made = [
        scales_table(study, found),
        reliability_table(study, found),
        levels_table(study, found),
        items_table(study, found),
    ]
    return [table for table in made if table.rows]


def comparison_tables(study: Study, found: Compared) -> list[Table]:
    """The tables of `compare` that have something to say, what was found first."""
    made = [
        headlines_table(study, found.comparisons),
        descriptives_table(study, found.comparisons),
        omnibus_table(study, found.comparisons),
        pairs_table(study, found.comparisons),
        contrasts_table(study, found.comparisons),
        factors_table(study, found.comparisons, found.factorial),
        equivalence_table(study, found.comparisons),
        anova_table(found.comparisons, found.anovas),
        robustness_summary_table(study, found.robustness, found.conclusions),
        complete_cases_table(study, found.complete_cases),
        order_effects_table(found.order_effects, found.orders),
        order_balance_table(study, found.orders, found.balance),
        described_table(found.described),
    ]
    return [table for table in made if table.rows]


def long_comparison_tables(study: Study, found: Compared) -> list[Table]:
    """What lies behind the tables of `compare`, for the results folder alone."""
    made = [
        robustness_table(study, found.conclusions),
        first_exposure_table(study, found.order_effects),
        order_values_table(study, found.order_effects),
    ]
    return [table for table in made if table.rows]


def preference_tables(study: Study, found: Preference | None) -> list[Table]:
    """The tables of `preference`; those about ranks for rankings alone."""
    if found is None:
        return []
    ranked = [preference_pairs_table(study, found), preference_worth_table(study, found)]
    return [
        preference_table(study, found),
        preference_tests_table(found),
        *(table for table in ranked if table.rows),
    ]


def agreement_tables(
    study: Study, found: Sequence[RoundAgreement], texts: Mapping[str, str] | None = None
) -> list[Table]:
    """The tables of `agreement` that have something to say; with the words of units in `texts`, quotes and typical words."""
    return agreement_made(study, found, texts)


def joint_tables(
    evidence: Evidence,
    rows: Sequence[JointRow],
    presence: Sequence[CodePresence],
    exemplary: Exemplars,
    links: Links | None,
    kinds: Sequence[JointKind] | None = None,
) -> list[Table]:
    """The tables of `joint` that have something to say, of the kinds wanted or else of those that study.toml names."""
    study = evidence.study
    made = [
        joint_table(study, rows),
        quotes_table(study, rows),
        side_by_side_table(study, rows),
        side_by_side_numbers_table(study, rows),
        *participants_tables(evidence),
        *([links_table(study, links.scores), across_table(study, links.across)] if links else []),
        code_by_condition_table(study, presence),
        exemplars_table(study, exemplary),
        code_stances_table(study, presence),
    ]
    return of_kinds(made, study.declared.joint.kinds if kinds is None else kinds)


def participants_tables(evidence: Evidence) -> list[Table]:
    """Who raised which theme, where the codebook has themes, and which code."""
    study, raised = evidence.study, raised_codes(evidence)
    codes = sorted(set().union(*raised.values())) if raised else []
    if not codes:
        return []
    material = evidence.material
    labels = (
        {one.theme: one.label for one in material.codebooks.current.themes} if material and material.codebooks else {}
    )
    themes = [(theme, labels.get(theme, ""), set(several)) for theme, several in themes_of(evidence).items()]
    ranks = evidence.preferences.ranks if evidence.preferences else None
    preferred = {} if ranks is None else {one: list(row.index[row == 1]) for one, row in ranks.iterrows()}
    orders = orders_of(study, evidence.log).run
    by_theme = [participants_by_theme_table(study, raised, themes, orders, preferred)] if themes else []
    return [*by_theme, participants_by_code_table(study, raised, codes, orders, preferred)]


def saturation_tables(found: Saturation | None) -> list[Table]:
    """What further interviews added."""
    return [saturation_table(found), saturation_curve_table(found)] if found else []


def checklist_of(analysis: Analysis) -> Table:
    """The reporting check-lists that fit the study."""
    answers = reporting_answers(analysis.evidence.study.folder)
    return checklist_table(filled_from_data(analysis), answers, standards_wanted(analysis))


def all_tables(analysis: Analysis) -> Iterator[Table]:
    """Every table of the results folder."""
    study = analysis.evidence.study
    yield from check_tables(analysis.evidence)
    yield from score_tables(analysis.evidence)
    yield from reliability_tables(study, analysis.reliabilities)
    yield from comparison_tables(study, analysis.compared)
    yield from long_comparison_tables(study, analysis.compared)
    yield from preference_tables(study, analysis.preference)
    yield from agreement_tables(study, analysis.agreement)
    yield from joint_tables(analysis.evidence, analysis.joint, analysis.presence, analysis.exemplars, analysis.links)
    yield from saturation_tables(analysis.saturation)
    yield plan_table(study, len(analysis.compared.orders.run), analysis.compared.orders.unknown)
    yield checklist_of(analysis)
