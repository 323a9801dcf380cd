"""The analysis run again with one choice of the plan made otherwise: what the robustness table rests on.

Speed: omnibus tests are asymptotic under every choice but the plan's own, and only measures that matter are scored anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from workbench.analysis.comparison import Comparison, Exactness, compare
from workbench.analysis.robustness import CompleteCase, Conclusion, conclusions, conclusions_from_means
from workbench.measure import SETTING, Measure
from workbench.scoring import scale_measures
from workbench.study import Plan, Study
from workbench.trials import read_trials

if TYPE_CHECKING:
    from workbench.analysis.anova import RepeatedAnova
    from workbench.results.chain import Evidence, Progress

FLAGGED = {
    "same answer throughout": "without those who gave the same answer throughout",
    "order as run": "without those run in another order",
}
"""Kinds of findings about single participants, and the choice to leave these out."""

MISSING = {
    "instrument": "answers needed: as the instrument says",
    "half": "answers needed: half",
    "complete": "answers needed: all",
}
ZEROS = {"pratt": "zero differences: ranked, then left out", "drop": "zero differences: left out first"}
CASES = {"complete": "only participants with all conditions", "available": "all participants with those compared"}
ASYMPTOTIC = "asymptotic p"
NO_EXCLUSIONS = "without the exclusions"
MEANS = "means: ANOVA and t tests"


@dataclass(frozen=True, slots=True, eq=False)
class _Setting:
    """All that one run of the comparison depends on."""

    measures: Sequence[Measure]
    participants: Sequence[str]
    conditions: Sequence[str]
    plan: Plan

    def compared(self, exact: Exactness = "paired") -> list[Comparison]:
        return compare(self.measures, self.participants, self.conditions, self.plan, exact=exact)

    def with_plan(self, **keys: str) -> _Setting:
        return replace(self, plan=self.plan.model_copy(update=keys))


def conclusions_under_choices(
    evidence: Evidence,
    comparisons: Sequence[Comparison],
    analyses: Callable[[], Mapping[str, RepeatedAnova]],
    progress: Progress = lambda done, total: None,
) -> list[Conclusion]:
    """The plan's conclusions on the primary measures, then those of each other choice that changes data or test.

    `comparisons` are those of the plan, `analyses` gives the analyses of variance, asked for last. Empty without a primary measure.
    """
    planned = conclusions(comparisons)
    if not planned:
        return []
    study = evidence.study
    setting = _Setting(_that_matter(study, evidence.measures), study.participants, study.conditions, study.plan)
    before = conclusions(setting.compared())
    by_means = partial(conclusions_from_means, setting.measures, setting.participants, setting.conditions)
    jobs: list[Callable[[], list[Conclusion]]] = [
        *(partial(_under, choice, make, before) for choice, make in _other_settings(evidence, setting).items()),
        lambda: _that_change(conclusions(setting.compared("none"), ASYMPTOTIC), planned),
        lambda: by_means(setting.plan, MEANS, analyses()),
    ]
    found = list(planned)
    for number, job in enumerate(jobs, start=1):
        found += job()
        progress(number, len(jobs))
    return found


def complete_case_sensitivity(evidence: Evidence, comparisons: Sequence[Comparison]) -> list[CompleteCase]:
    """Every compared measure with scores that rest on fewer answers than items, scored and compared from whole answers alone.

    Weighting for what is missing, or imputing, is not done: this shows how much hangs on the rule.
    """
    study = evidence.study
    partly = [one for one in comparisons if one.measure.source == "scale" and _rests_on_gaps(one.measure)]
    setting = _Setting([one.measure for one in partly], study.participants, study.conditions, study.plan)
    whole = _scored_by(evidence, setting, "complete").compared() if partly else []
    return [
        CompleteCase(_scores(by_plan.measure), _scores(other.measure), by_plan, other)
        for by_plan, other in zip(partly, whole, strict=True)
    ]


def _scores(measure: Measure) -> int:
    return int(measure.values["value"].notna().sum())


def _rests_on_gaps(measure: Measure) -> bool:
    """Whether any score of a measure was made although an item was open."""
    with_gaps = measure.rows.loc[measure.rows["value"].isna(), SETTING]
    scored = measure.values.loc[measure.values["value"].notna(), SETTING]
    return not with_gaps.merge(scored, on=SETTING).empty


def _under(choice: str, make: Callable[[], _Setting], before: Sequence[Conclusion]) -> list[Conclusion]:
    return _that_change(conclusions(make().compared(), choice), before)


def _that_change(found: Sequence[Conclusion], before: Sequence[Conclusion]) -> list[Conclusion]:
    """Those of `found` whose data or test are not as they were."""
    same = {one.question: one for one in before}
    return [one for one in found if one.question in same and not one.same_data(same[one.question])]


def _that_matter(study: Study, measures: Sequence[Measure]) -> list[Measure]:
    """The primary measures, and those corrected together with them."""
    families = [set(one.measures) for one in study.plan.families]
    names = set(study.plan.primary).union(*(one for one in families if one & set(study.plan.primary)))
    return [measure for measure in measures if measure.id in names and measure.asked == "per_condition"]


def _other_settings(evidence: Evidence, setting: _Setting) -> dict[str, Callable[[], _Setting]]:
    """What to compare otherwise, by the words for it."""
    plan, names = setting.plan, {measure.id for measure in setting.measures}
    made: dict[str, Callable[[], _Setting]] = {
        choice: partial(_scored_by, evidence, setting, rule) for rule, choice in MISSING.items() if rule != plan.missing
    }
    if any(not one.measures or names & set(one.measures) for one in evidence.study.declared.exclusions):
        made[NO_EXCLUSIONS] = partial(_without_exclusions, evidence, setting)
    for kind, choice in FLAGGED.items():
        flagged = {one.place for one in evidence.findings if one.kind == kind and one.severity == "attention"}
        kept = [one for one in setting.participants if one not in flagged]
        if len(kept) < len(setting.participants):
            made[f"{choice} (n = {len(setting.participants) - len(kept)})"] = partial(
                replace, setting, participants=kept
            )
    made |= {choice: partial(setting.with_plan, zeros=rule) for rule, choice in ZEROS.items() if rule != plan.zeros}
    return made | {
        choice: partial(setting.with_plan, cases=rule) for rule, choice in CASES.items() if rule != plan.cases
    }


def _scored_by(evidence: Evidence, setting: _Setting, rule: str) -> _Setting:
    plan = evidence.study.plan.model_copy(update={"missing": rule})
    return replace(setting, measures=_rescored(evidence, setting, plan=plan))


def _without_exclusions(evidence: Evidence, setting: _Setting) -> _Setting:
    scored = _rescored(evidence, setting, exclusions=[])
    if all(one.source == "scale" for one in scored):
        return replace(setting, measures=scored)
    declared = evidence.study.declared.model_copy(update={"exclusions": []})
    trials = {one.id: one for one in read_trials(replace(evidence.study, declared=declared)).measures}
    return replace(setting, measures=[trials.get(one.id, one) for one in scored])


def _rescored(evidence: Evidence, setting: _Setting, **changes: object) -> list[Measure]:
    """The setting's measures, scales among them scored anew with study.toml changed so."""
    study, names = evidence.study, {measure.id for measure in setting.measures}
    asked = [
        one
        for one in study.declared.questionnaires
        if names & {scale.id for use in one.instruments for scale in study.instruments[use.id].scales}
    ]
    declared = study.declared.model_copy(update={"questionnaires": asked, **changes})
    scored = {one.id: one for one in scale_measures(replace(study, declared=declared), evidence.responses)}
    return [scored.get(one.id, one) for one in setting.measures]
