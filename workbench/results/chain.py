"""The steps from a study folder to results, in order; each is one function of the layers below."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from workbench.analysis.agreement import RoundAgreement, agreement
from workbench.analysis.anova import RepeatedAnova, anovas
from workbench.analysis.comparison import Comparison, Description, compare, description
from workbench.analysis.factors import Layout, layout, layout_findings
from workbench.analysis.order_effects import Balance, OrderEffects, Orders, balance, order_effects, orders_of
from workbench.analysis.preference import Preference, preference
from workbench.analysis.reliability import ScaleReliability, reliabilities
from workbench.analysis.robustness import Conclusion, Robustness, robustness
from workbench.coding.codings import Codings, codings_that_count, read_codings
from workbench.coding.presence import CodePresence, code_presence
from workbench.errors import SEVERITIES, Finding, StudyError
from workbench.files import gathering
from workbench.joint_display import JointRow, joint_rows
from workbench.measure import Measure, settings
from workbench.quality import quality_findings
from workbench.report.table import Table
from workbench.report.tables.agreement import agreement_table, rounds_table
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
from workbench.report.tables.data import findings_table, flow_table, measures_table, scores_table
from workbench.report.tables.interviews import code_by_condition_table, code_stances_table, joint_table
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
from workbench.report.tables.reliability import items_table, levels_table, reliability_table
from workbench.report.tables.robustness import robustness_summary_table, robustness_table
from workbench.responses.preferences import Preferences, read_preferences
from workbench.responses.questionnaires import Responses, read_responses
from workbench.responses.session_log import SessionLog, read_session_log
from workbench.results.choices import conclusions_under_choices
from workbench.scoring import scale_measures
from workbench.study import Study, open_study
from workbench.trials import read_trials

Progress = Callable[[int, int], None]
STEPS = 6
HUNDREDTHS = 100
"""Progress of a step, so that a long one can tell its own."""
RESAMPLES = 500


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All that was collected, read and scored."""

    study: Study
    responses: Responses
    measures: tuple[Measure, ...]
    log: SessionLog | None
    preferences: Preferences | None
    codings: Codings | None
    findings: tuple[Finding, ...]


def collect(folder: Path) -> Evidence:
    """Read and score everything a study folder declares.

    Raises StudyError with every blocking finding of every file at once.
    """
    study = open_study(folder)
    faults: list[Finding] = []
    responses, log, trials, preferences, codings = None, None, None, None, None
    with gathering(faults):
        responses = read_responses(study)
    with gathering(faults):
        trials = read_trials(study)
    with gathering(faults):
        log = read_session_log(study)
    with gathering(faults):
        preferences = read_preferences(study)
    with gathering(faults):
        codings = read_codings(study)
    if faults or responses is None or trials is None:
        raise StudyError(faults)
    measures = (*scale_measures(study, responses), *trials.measures)
    findings = [*quality_findings(study, responses, measures, log), *layout_findings(study.declared.conditions)]
    findings += trials.findings
    findings += preferences.findings if preferences else ()
    findings += codings.findings if codings else ()
    return Evidence(study, responses, measures, log, preferences, codings, tuple(_most_pressing_first(findings)))


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
    study = evidence.study
    return reliabilities(
        evidence.measures,
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


def compared_of(
    evidence: Evidence, comparisons: list[Comparison] | None = None, progress: Progress = lambda done, total: None
) -> Compared:
    """The conditions compared, by the plan and by other choices, with the effects of order."""
    study, ordered = evidence.study, _primary_first(evidence)
    found = comparison_of(evidence) if comparisons is None else comparisons
    orders = orders_of(study, evidence.log)
    conclusions = conclusions_under_choices(evidence, found, progress)
    return Compared(
        found,
        layout(study.declared.conditions),
        described_of(evidence),
        anovas(ordered, study.participants, study.conditions),
        orders,
        balance(orders),
        order_effects(ordered, study.participants, orders, primary=study.plan.primary, level=1 - study.plan.level),
        conclusions,
        robustness(conclusions),
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


def agreement_of(evidence: Evidence) -> list[RoundAgreement]:
    """Agreement in each round of coding."""
    return agreement(evidence.study, evidence.codings.rows) if evidence.codings else []


def presence_of(evidence: Evidence) -> list[CodePresence]:
    """Who raised which code about which condition, from the codings that count."""
    interviews = evidence.study.declared.interviews
    if evidence.codings is None or interviews is None:
        return []
    counted = codings_that_count(evidence.codings.rows, interviews)
    codes = sorted(code for code in counted["code"].unique() if code)
    return code_presence(counted, codes, evidence.study.conditions, evidence.codings.interviewed)


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

    @property
    def comparisons(self) -> list[Comparison]:
        return self.compared.comparisons


def analyse(evidence: Evidence, progress: Progress = lambda done, total: None) -> Analysis:
    """Run every step. `progress(done, total)` is called after each, and during the long one; raising in it stops cleanly."""
    study = evidence.study

    def told(steps: int, done: int = 0, total: int = 1) -> None:
        progress(HUNDREDTHS * steps + HUNDREDTHS * done // total, HUNDREDTHS * STEPS)

    told(0)
    reliability = reliability_of(evidence)
    told(1)
    comparisons = comparison_of(evidence)
    told(2)
    compared = compared_of(evidence, comparisons, lambda done, total: told(2, done, total))
    told(3)
    preferred = preference_of(evidence)
    told(4)
    agreed = agreement_of(evidence)
    told(5)
    presence = presence_of(evidence)
    joint = joint_rows(study.declared.constructs, comparisons, presence)
    told(STEPS)
    return Analysis(evidence, reliability, compared, preferred, agreed, presence, joint)


def check_tables(evidence: Evidence) -> list[Table]:
    """The tables of `check`."""
    interviewed = len(evidence.codings.interviewed) if evidence.codings else None
    return [findings_table(evidence.findings), flow_table(evidence.study, evidence.measures, interviewed)]


def score_tables(evidence: Evidence) -> list[Table]:
    """The tables of `score`."""
    return [measures_table(evidence.measures), scores_table(evidence.measures)]


def reliability_tables(study: Study, found: Sequence[ScaleReliability]) -> list[Table]:
    """The tables of `reliability`."""
    made = [
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


def agreement_tables(study: Study, found: Sequence[RoundAgreement]) -> list[Table]:
    """The tables of `agreement`."""
    return [rounds_table(found), agreement_table(study, found)] if found else []


def joint_tables(study: Study, rows: Sequence[JointRow], presence: Sequence[CodePresence]) -> list[Table]:
    """The tables of `joint` that have something to say."""
    made = [
        joint_table(study, rows),
        code_by_condition_table(study, presence),
        code_stances_table(study, presence),
    ]
    return [table for table in made if table.rows]


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
    yield from joint_tables(study, analysis.joint, analysis.presence)
