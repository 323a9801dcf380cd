"""Every table that a command prints and the results folder holds, each described once.

Results come in, Tables go out; the statistics keep the field names they have in workbench.stats.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import nan

from workbench.analysis.agreement import RoundAgreement
from workbench.analysis.anova import RepeatedAnova
from workbench.analysis.comparison import Comparison, Description
from workbench.analysis.factors import Layout
from workbench.analysis.families import Test
from workbench.analysis.order_effects import Balance, OrderEffects, Orders
from workbench.analysis.preference import Preference
from workbench.analysis.reliability import ScaleReliability
from workbench.analysis.robustness import Conclusion, Question, Robustness
from workbench.coding.presence import ANY, CodePresence
from workbench.errors import Finding
from workbench.joint_display import JointRow
from workbench.measure import Measure
from workbench.report.sentences import headline, joint_statistic, order_known_sentence, threshold_sentence
from workbench.report.table import Column, Kind, Table, show
from workbench.stats.comparison import SignedRankTest
from workbench.stats.intervals import Interval
from workbench.study import Study

SMALL_SAMPLE = "With samples of this size intervals are wide; no significance is no proof of no difference."
UNVALIDATED = "Reliability is not validity: it does not show that a scale measures what it is named after."
AGREEMENT_CAUTION = "Agreement is not validity, and no coefficient rates a rater."
FEW_CLUSTERS = "With fewer than 15 participants the resampled intervals are too narrow (known from simulation)."
_SHARE = Column("share", "", "share")
NOT_MENTIONED = "Counts are participants who raised a code; not mentioning something is not disagreeing with it."


def _estimate(key: str, label: str, kind: Kind = "bounded", help: str = "") -> Column:
    """A column of a value with its interval."""
    return Column(key, label, kind, low=f"{key}_low", high=f"{key}_high", help=help)


def _bounds(key: str, interval: Interval) -> dict[str, float]:
    return {f"{key}_low": interval.low, f"{key}_high": interval.high}


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
        f"Excluded: {one.participant}{f' in {study.condition_labels[one.condition]}' if one.condition else ''}{f' ({_listed(one.measures)})' if one.measures else ''}: {one.reason.rstrip('.')}."
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


def reliability_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """Alpha and omega of each scale in each condition or occasion."""
    columns = (
        Column("scale", "Scale"),
        Column("setting", "Condition or occasion"),
        Column("n_items", "Items", "count"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count", help="Participants with a missing answer."),
        _estimate("alpha", "Alpha", help="Cronbach's alpha with Feldt's interval."),
        _estimate("omega", "Omega", help="McDonald's omega total, one factor by maximum likelihood, from covariances."),
        Column("spearman_brown", "Spearman-Brown", "bounded", help="For scales of two items."),
        Column(
            "sem", "SEM of the sum", "number", help="Standard error of measurement, in points of the sum of the items."
        ),
        Column("reason", "Remark"),
    )
    rows = []
    for one in reliabilities:
        for setting in one.settings:
            rows.append(
                {
                    "scale": one.measure.id,
                    "setting": _place(study, setting.setting),
                    "n_items": setting.alpha.n_items,
                    "n_used": setting.alpha.n_used,
                    "n_dropped": setting.alpha.n_dropped,
                    "alpha": setting.alpha.raw,
                    **_bounds("alpha", setting.alpha.interval),
                    "omega": setting.omega.value,
                    **_bounds("omega", setting.omega.interval),
                    "spearman_brown": setting.spearman_brown.value if setting.spearman_brown else nan,
                    "sem": setting.error.value,
                    "reason": _joined(setting.alpha.reason, setting.omega.reason if setting.alpha.n_items > 2 else ""),
                }
            )
    level = show(1 - study.plan.level, _SHARE)
    threshold = threshold_sentence(
        study.plan.thresholds.reliability,
        [setting.alpha.interval for one in reliabilities for setting in one.settings],
    )
    notes = [
        f"{level} intervals: Feldt's for alpha, percentiles of resampled participants for omega. Rows of several conditions are not pooled.",
        UNVALIDATED,
    ]
    return Table(
        "reliability",
        "Reliability in each condition",
        columns,
        tuple(rows),
        tuple(notes + ([threshold] if threshold else [])),
        ("scale",),
    )


def levels_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """Alpha within and between participants, for scales asked repeatedly."""
    columns = (
        Column("scale", "Scale"),
        Column("n_participants", "Participants", "count"),
        Column("n_used", "Rows", "count"),
        Column("n_dropped", "Rows left out", "count"),
        _estimate(
            "within",
            "Within persons",
            help="Alpha of changes within a participant, condition means taken off: what a comparison of conditions rests on.",
        ),
        _estimate("between", "Between persons", help="Alpha of differences between participants."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "scale": one.measure.id,
            "n_participants": one.levels.n_participants,
            "n_used": one.levels.n_used,
            "n_dropped": one.levels.n_dropped,
            "within": one.levels.within.value,
            **_bounds("within", one.levels.within.interval),
            "between": one.levels.between.value,
            **_bounds("between", one.levels.between.interval),
            "reason": one.levels.reason,
        }
        for one in reliabilities
        if one.levels is not None
    )
    note = "Conditions are compared within persons, so the first figure is the one that matters for a comparison (Cranford et al. 2006; Geldhof et al. 2014)."
    return Table("reliability_levels", "Reliability within and between persons", columns, rows, (note,))


def items_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """Each item of each scale in each condition."""
    columns = (
        Column("scale", "Scale"),
        Column("setting", "Condition or occasion"),
        Column("item", "Item"),
        Column("n_used", "n", "count"),
        Column("mean", "Mean", "number"),
        Column("sd", "SD", "number"),
        Column("item_rest_correlation", "r with the rest", "bounded"),
        Column("alpha_if_deleted", "Alpha without it", "bounded"),
    )
    rows = tuple(
        {
            "scale": one.measure.id,
            "setting": _place(study, setting.setting),
            "item": item,
            "n_used": setting.items.n_used,
            "mean": float(setting.items.means[place]),
            "sd": float(setting.items.sds[place]),
            "item_rest_correlation": float(setting.items.item_rest_correlations[place]),
            "alpha_if_deleted": float(setting.items.alpha_if_deleted[place]),
        }
        for one in reliabilities
        for setting in one.settings
        for place, item in enumerate(one.measure.items)
    )
    note = "Reversed items are shown after reversal. Dropping items because of this table, in this sample, makes alpha look better than it is."
    return Table("items", "Items", columns, rows, (note,), ("scale", "setting"))


_DESCRIPTION_COLUMNS = (
    Column("n", "n", "count"),
    Column("missing", "Missing", "count"),
    Column(
        "median",
        "Mdn",
        "number",
        low="lower_quartile",
        high="upper_quartile",
        help="Median with lower and upper quartile.",
    ),
    Column("mean", "M", "number"),
    Column("sd", "SD", "number"),
    Column("minimum", "Min", "number"),
    Column("maximum", "Max", "number"),
)


def _description(one: Description) -> dict[str, object]:
    return {key: getattr(one, key) for column in _DESCRIPTION_COLUMNS for key in column.keys}


def descriptives_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """Each measure in each condition."""
    rows = tuple(
        {
            "measure": one.measure.id,
            "label": one.measure.label,
            "condition": study.condition_labels[described.condition],
            **_description(described),
        }
        for one in comparisons
        for described in one.descriptions
    )
    columns = (
        Column("measure", "Measure"),
        Column("label", "Label"),
        Column("condition", "Condition"),
        *_DESCRIPTION_COLUMNS,
    )
    return Table(
        "descriptives", "Measures by condition", columns, rows, ("Mdn with its lower and upper quartile.",), ("label",)
    )


def described_table(described: Mapping[Measure, Sequence[Description]]) -> Table:
    """Measures asked once or before and after: described, not tested across conditions."""
    rows = tuple(
        {"measure": measure.id, "label": measure.label, "occasion": one.condition or "once", **_description(one)}
        for measure, several in described.items()
        for one in several
    )
    columns = (
        Column("measure", "Measure"),
        Column("label", "Label"),
        Column("occasion", "Occasion"),
        *_DESCRIPTION_COLUMNS,
    )
    notes = ("Described only: these were not asked once per condition. Scores of discomfort are no diagnosis.",)
    return Table("described", "Measures asked once or before and after", columns, rows, notes, ("label",))


def headlines_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """One sentence per measure."""
    columns = (
        Column("measure", "Measure id"),
        Column("label", "Measure"),
        Column("standing", "Standing"),
        Column("headline", "What was found"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "label": one.measure.label,
            "standing": "primary" if one.primary else "exploratory",
            "headline": headline(study, one),
        }
        for one in comparisons
    )
    return Table("headlines", "What was found", columns, rows, (SMALL_SAMPLE,))


_TEST_COLUMNS = (
    Column(
        "planned",
        "Standing",
        help="Planned: in a family of the plan, or by bounds stated there. Exploratory: neither, and corrected within its own measure.",
    ),
    Column("family", "Family"),
    Column("correction", "Correction"),
    Column("p", "p", "p", help="Exact where it could be had, else asymptotic."),
    Column("p_kind", "Kind of p"),
    Column("p_adjusted", "p adjusted", "p", help="Adjusted inside the family."),
)


def _test(test: Test) -> dict[str, object]:
    return {
        "planned": "planned" if test.planned else "exploratory",
        "family": test.family,
        "correction": test.correction,
        "p": test.p,
        "p_kind": "exact" if test.exact else "asymptotic",
        "p_adjusted": test.adjusted,
    }


def omnibus_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """Friedman's test of each measure."""
    columns = (
        Column("measure", "Measure"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count", help="Participants without a value in every condition."),
        Column("chi_square", "χ²", "number"),
        Column("df", "df", "count"),
        _estimate("kendall_w", "W"),
        *_TEST_COLUMNS,
        Column("p_asymptotic", "p asymptotic", "p"),
        Column("p_exact", "p exact", "p"),
        Column("exact_method", "Exact by"),
        Column("p_exact_error", "Error of p", "number", 4),
        Column("f", "F", "number"),
        Column("p_f", "p of F", "p"),
        Column("shown", "Shown", help="Whether the adjusted p is at or below the level."),
        Column("reason", "Remark"),
    )
    rows = []
    for one in comparisons:
        if one.omnibus is None:
            continue
        result = one.omnibus.result
        rows.append(
            {
                "measure": one.measure.id,
                **{
                    key: getattr(result, key)
                    for key in (
                        "n_used",
                        "n_dropped",
                        "chi_square",
                        "df",
                        "kendall_w",
                        "p_asymptotic",
                        "p_exact",
                        "exact_method",
                        "p_exact_error",
                        "f",
                        "p_f",
                        "reason",
                    )
                },
                **_bounds("kendall_w", result.kendall_w_interval),
                **_test(one.omnibus.test),
                "shown": _shown(one, one.omnibus.test),
            }
        )
    notes = [
        "Friedman's test over participants with a value in every condition; W is Kendall's, F is Iman and Davenport's."
    ]
    notes += [f"{one.measure.id}: {one.reason.rstrip('.')}." for one in comparisons if one.reason]
    return Table("omnibus", "Differences between the conditions", columns, tuple(rows), tuple(notes))


_SIGNED_RANK_COLUMNS = (
    Column("n_pairs", "n", "count"),
    Column("n_dropped", "Left out", "count"),
    Column("n_nonzero", "Non-zero", "count", help="Pairs that differ."),
    Column("w_plus", "W+", "number", 1),
    Column("w_minus", "W−", "number", 1),
    Column("z", "z", "number"),
    *_TEST_COLUMNS,
    Column("p_asymptotic", "p asymptotic", "p"),
    Column("p_exact", "p exact", "p"),
    _estimate("hodges_lehmann", "Shift", "number", help="Hodges-Lehmann shift with its interval."),
    Column("hodges_lehmann_level", "Level reached", "share", help="Level of the interval of the shift."),
    _estimate("rank_biserial", "r", help="Matched-pairs rank-biserial correlation."),
    Column("smallest_attainable_p", "Smallest p possible", "p", 4, help="Given ties and zeros, before correction."),
    Column(
        "p_adjusted_attainable",
        "Smallest adjusted p possible",
        "p",
        4,
        help="Had this comparison alone been as extreme as its ties and zeros allow.",
    ),
    Column("shown", "Shown", help="Whether the adjusted p is at or below the level."),
    Column("reason", "Remark"),
)


def _signed_rank(result: SignedRankTest, test: Test, level: float) -> dict[str, object]:
    fields = (
        "n_pairs",
        "n_dropped",
        "n_nonzero",
        "w_plus",
        "w_minus",
        "z",
        "p_asymptotic",
        "p_exact",
        "hodges_lehmann",
        "rank_biserial",
        "smallest_attainable_p",
    )
    return {
        **{key: getattr(result, key) for key in fields},
        **_bounds("hodges_lehmann", result.hodges_lehmann_interval),
        **_bounds("rank_biserial", result.rank_biserial_interval),
        "hodges_lehmann_level": result.hodges_lehmann_interval.level,
        **_test(test),
        "p_adjusted_attainable": test.attainable,
        "reason": _joined(result.reason, _disagreement(result, test, level)),
    }


def _disagreement(result: SignedRankTest, test: Test, level: float) -> str:
    """That p and the interval of the shift disagree about zero, and why; "" where they agree."""
    if not _disagree(result, test, level):
        return ""
    zeros = "keeps zero differences, which p leaves out, and " if result.n_nonzero < result.n_pairs else ""
    return (
        f"p before correction and the interval of the shift disagree about zero: the interval {zeros}"
        "ends on values that occur, so that it reaches a higher level than asked for"
    )


def _disagree(result: SignedRankTest, test: Test, level: float) -> bool:
    """Whether p is at or below the level while the interval of the shift holds zero, or the other way round."""
    interval = result.hodges_lehmann_interval
    return interval.defined and (test.p <= level) == (interval.low <= 0 <= interval.high)


def pairs_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """Every pair of conditions of each measure."""
    labels = study.condition_labels
    columns = (
        Column("measure", "Measure"),
        Column("first", "First"),
        Column("second", "Second"),
        Column("pair", "Pair"),
        *_SIGNED_RANK_COLUMNS,
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "first": labels[pair.first],
            "second": labels[pair.second],
            "pair": f"{labels[pair.first]} − {labels[pair.second]}",
            **_signed_rank(pair.result, pair.test, one.level),
            "shown": _shown(one, pair.test, gated=pair.gated),
        }
        for one in comparisons
        for pair in one.pairs
    )
    rule = {
        "pratt": "zero differences are ranked with the rest and then left out (Pratt)",
        "drop": "zero differences are left out first",
    }[study.plan.zeros]
    notes = (
        f"Signed-rank tests of first minus second over {_cases(study)}; {rule}. The shift keeps zero differences.",
        *_reading_note(study),
        SMALL_SAMPLE,
    )
    return Table("pairs", "Pairs of conditions", columns, rows, notes, ("measure", "planned", "family"))


def _cases(study: Study) -> str:
    if study.plan.cases == "complete":
        return "participants with a value in every condition"
    return "participants with a value in each condition that is compared"


def _reading_note(study: Study) -> list[str]:
    gate = (
        " “gated”: the plan lets pairs count only behind an omnibus test at or below the level."
        if study.plan.omnibus_gates_pairs
        else ""
    )
    return [
        f"Shown: the adjusted p is at or below {study.plan.level:g}.{gate} "
        "“never”: with its ties and zeros the comparison could never have reached the level."
    ]


def _shown(comparison: Comparison, test: Test, *, gated: bool = False) -> str:
    """Whether a test counts as shown: "yes", or why not."""
    if comparison.shown(test):
        return "gated" if gated else "yes"
    return "never" if test.attainable > comparison.level else "no"


def contrasts_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """The planned contrasts."""
    columns = (
        Column("measure", "Measure"),
        Column("contrast", "Contrast"),
        Column("label", "Question"),
        *_SIGNED_RANK_COLUMNS,
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "contrast": contrast.contrast.id,
            "label": contrast.contrast.label,
            **_signed_rank(contrast.result, contrast.test, one.level),
            "shown": _shown(one, contrast.test),
        }
        for one in comparisons
        for contrast in one.contrasts
    )
    return Table(
        "contrasts",
        "Planned contrasts",
        columns,
        rows,
        (
            f"Signed-rank tests of each participant's weighted sum of conditions against zero, over {_cases(study)}. "
            "Weights are scaled so that the positive ones add up to 1: a shift is one between weighted means.",
        ),
        ("measure", "planned", "family"),
    )


def factors_table(study: Study, comparisons: Sequence[Comparison], layout: Layout | None) -> Table:
    """Main effects and two-way interactions of a factorial design."""
    columns = (
        Column("measure", "Measure"),
        Column("effect", "Effect"),
        Column("factors", "Factors"),
        Column("label", "Levels"),
        *_SIGNED_RANK_COLUMNS,
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "effect": factor.effect.kind,
            "factors": " x ".join(factor.effect.factors),
            "label": factor.effect.label,
            **_signed_rank(factor.result, factor.test, one.level),
            "shown": _shown(one, factor.test),
        }
        for one in comparisons
        for factor in one.factors
    )
    outside = [study.condition_labels[one] for one in layout.outside] if layout else []
    notes = [
        f"Signed-rank tests of each participant's contrast against zero, over {_cases(study)}. A main effect is the mean over "
        "one level minus that over another; an interaction is how much such a difference differs between two levels of the other factor. "
        "Other factors are averaged over. Where factors interact, a main effect is an average that may hold nowhere.",
        *_reading_note(study),
    ]
    notes += [f"Outside the factorial and left out here: {_listed(outside)}."] if outside else []
    return Table(
        "factors", "Factors and their interactions", columns, rows, tuple(notes), ("measure", "planned", "family")
    )


def equivalence_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """Every pair of conditions against the bounds that the plan states."""
    labels = study.condition_labels
    columns = (
        Column("measure", "Measure"),
        Column("first", "First"),
        Column("second", "Second"),
        Column("pair", "Pair"),
        Column("bound_low", "Lower bound", "number"),
        Column("bound_high", "Upper bound", "number"),
        Column("n_pairs", "n", "count"),
        Column("n_dropped", "Left out", "count"),
        _estimate("hodges_lehmann", "Shift", "number", help="Hodges-Lehmann shift; its interval is at 1 - 2 x level."),
        Column("hodges_lehmann_level", "Level reached", "share", help="Level of the interval of the shift."),
        Column("p_low", "p lower", "p", help="One-sided, against a shift at or below the lower bound."),
        Column("p_high", "p upper", "p", help="One-sided, against a shift at or above the upper bound."),
        *_TEST_COLUMNS,
        Column("shown", "Shown equivalent", help="Whether the adjusted p is at or below the level."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "first": labels[pair.first],
            "second": labels[pair.second],
            "pair": f"{labels[pair.first]} − {labels[pair.second]}",
            "bound_low": pair.bounds.low,
            "bound_high": pair.bounds.high,
            "n_pairs": pair.result.n_pairs,
            "n_dropped": pair.result.n_dropped,
            "hodges_lehmann": pair.shift,
            **_bounds("hodges_lehmann", pair.interval),
            "hodges_lehmann_level": pair.interval.level,
            "p_low": pair.result.p_low,
            "p_high": pair.result.p_high,
            **_test(pair.test),
            "shown": "yes" if one.shown(pair.test) else "no",
            "reason": pair.result.reason,
        }
        for one in comparisons
        for pair in one.equivalences
    )
    notes = (
        f"Two one-sided signed-rank tests over {_cases(study)}; p is the larger of the two. Shown: the adjusted p is at or below {study.plan.level:g}.",
        "Bounds stand in the plan. “no” means that equivalence is not shown, not that there is a difference: in small samples both can be open. "
        "The interval is not corrected for the number of pairs.",
    )
    return Table(
        "equivalence", "Pairs against bounds of equivalence", columns, rows, notes, ("measure", "planned", "family")
    )


def anova_table(comparisons: Sequence[Comparison], anovas: Mapping[str, RepeatedAnova]) -> Table:
    """Repeated-measures analysis of variance of each measure, a check beside Friedman's test."""
    fields = (
        "n_used",
        "n_dropped",
        "f",
        "df1",
        "df2",
        "p",
        "epsilon",
        "p_corrected",
        "mauchly_w",
        "mauchly_p",
        "partial_eta_squared",
        "generalized_eta_squared",
        "reason",
    )
    columns = (
        Column("measure", "Measure"),
        Column("planned", "Standing"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count"),
        Column("f", "F", "number"),
        Column("df1", "df1", "count"),
        Column("df2", "df2", "count"),
        Column("p", "p", "p"),
        Column("epsilon", "ε", "bounded", help="Greenhouse and Geisser's; 1 = sphericity."),
        Column("p_corrected", "p corrected", "p", help="Both degrees of freedom multiplied by ε."),
        Column("mauchly_w", "Mauchly's W", "bounded"),
        Column("mauchly_p", "p of W", "p", help="By the first-order chi-square approximation."),
        Column("partial_eta_squared", "Partial η²", "bounded"),
        Column("generalized_eta_squared", "Generalized η²", "bounded"),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {"measure": one.measure.id, "planned": "exploratory"}
        | {key: getattr(anovas[one.measure.id], key) for key in fields}
        for one in comparisons
        if one.measure.id in anovas
    )
    notes = (
        "A check beside Friedman's test, in no family and not corrected for the number of measures. It assumes equal steps of the "
        "scale and differences that are about normal; read p corrected, whatever Mauchly's test says.",
    )
    return Table("anova", "Repeated-measures analysis of variance, as a check", columns, rows, notes)


_ORDER_CAUTION = "Estimates, no gate: no test and no exclusion hangs on them. With so few participants an order effect can well be there and not be seen."


def order_balance_table(study: Study, orders: Orders, found: Sequence[Balance]) -> Table:
    """How often each condition stood where, planned and as run."""
    labels = study.condition_labels
    columns = (
        Column("kind", "What"),
        Column("place", "Where"),
        Column("condition", "Condition"),
        Column("planned", "Planned", "count"),
        Column("run", "Run", "count"),
        Column("difference", "Difference", "count"),
    )
    rows = tuple(
        {
            "kind": _ORDER_KINDS[one.kind],
            "place": str(one.place) if one.kind == "position" else labels[str(one.place)],
            "condition": labels[one.condition],
            "planned": one.planned,
            "run": one.run,
            "difference": None if one.planned is None else one.run - one.planned,
        }
        for one in found
    )
    notes = (order_known_sentence(orders), "Planned: by the sequences assigned to those who took part.")
    return Table("order_balance", "Orders, planned and as run", columns, rows, notes, ("kind",))


_ORDER_KINDS = {"position": "in position", "after": "straight after"}


def order_effects_table(found: Sequence[OrderEffects], orders: Orders) -> Table:
    """Late against early positions, for each measure."""
    columns = (
        Column("measure", "Measure"),
        Column("standing", "Standing"),
        Column("early", "Early"),
        Column("late", "Late"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count", help="Participants without a value in each of these positions."),
        _estimate("hodges_lehmann", "Late − early", "number", help="Hodges-Lehmann shift with its interval."),
        Column("hodges_lehmann_level", "Level reached", "share"),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "standing": "primary" if one.primary else "exploratory",
            "early": _listed([str(place) for place in one.position.early]),
            "late": _listed([str(place) for place in one.position.late]),
            "n_used": one.position.n_used,
            "n_dropped": one.position.n_dropped,
            "hodges_lehmann": one.position.shift,
            **_bounds("hodges_lehmann", one.position.interval),
            "hodges_lehmann_level": one.position.interval.level,
            "reason": one.position.reason,
        }
        for one in found
    )
    notes = (
        "Each participant's mean in late minus early positions, with what the conditions themselves do taken off; in the unit of the measure.",
        order_known_sentence(orders),
        _ORDER_CAUTION,
    )
    return Table("order_effects", "Late against early positions", columns, rows, notes)


def first_exposure_table(study: Study, found: Sequence[OrderEffects]) -> Table:
    """Conditions compared between the participants who met them first."""
    labels = study.condition_labels
    columns = (
        Column("measure", "Measure"),
        Column("first", "First"),
        Column("second", "Second"),
        Column("pair", "Pair"),
        Column("n_x", "n of the first", "count"),
        Column("n_y", "n of the second", "count"),
        Column("u", "U", "number", 1),
        _estimate("hodges_lehmann", "Shift", "number", help="Median of all differences between the two groups."),
        Column("hodges_lehmann_level", "Level reached", "share"),
        _estimate("rank_biserial", "r", help="Rank-biserial correlation."),
        *_TEST_COLUMNS,
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "first": labels[pair.first],
            "second": labels[pair.second],
            "pair": f"{labels[pair.first]} − {labels[pair.second]}",
            **{
                key: getattr(pair.result, key)
                for key in ("n_x", "n_y", "u", "hodges_lehmann", "rank_biserial", "reason")
            },
            **_bounds("hodges_lehmann", pair.result.hodges_lehmann_interval),
            **_bounds("rank_biserial", pair.result.rank_biserial_interval),
            "hodges_lehmann_level": pair.result.hodges_lehmann_interval.level,
            **_test(pair.test),
        }
        for one in found
        for pair in one.first_exposure
    )
    notes = (
        "Only the value of each participant in the condition met first: nothing can have carried over, but groups are small and differ as people do. "
        "Rank-sum tests, exploratory, Holm inside each measure.",
    )
    return Table("first_exposure", "First exposure only", columns, rows, notes, ("measure",))


def order_values_table(study: Study, found: Sequence[OrderEffects]) -> Table:
    """Values by position, and of each condition met first and after each other one."""
    labels = study.condition_labels
    columns = (
        Column("measure", "Measure"),
        Column("kind", "What"),
        Column("condition", "Condition"),
        Column("place", "Where", help="The position, or what came before."),
        Column("n", "n", "count"),
        Column("median", "Mdn", "number", low="lower_quartile", high="upper_quartile"),
        _estimate("mean", "M", "number", help="Mean with Student's interval."),
        Column("sd", "SD", "number"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "kind": _ORDER_KINDS[placed.kind],
            "condition": labels.get(placed.condition, "all"),
            "place": labels.get(str(placed.place), str(placed.place)),
            **{
                key: getattr(placed.values, key)
                for key in ("n", "median", "lower_quartile", "upper_quartile", "mean", "sd")
            },
            **_bounds("mean", placed.interval),
        }
        for one in found
        for placed in one.placed
    )
    notes = (
        "Described only. “first” is before everything else. Rows of a position mix the conditions that stood there.",
    )
    return Table(
        "order_values", "Measures by position and by what came before", columns, rows, notes, ("measure", "kind")
    )


def _question(study: Study, question: Question) -> str:
    if question.pair:
        return " − ".join(study.condition_labels[one] for one in question.pair)
    return question.contrast or "all conditions"


def _direction(study: Study, higher: str) -> str:
    if not higher:
        return "none"
    return higher if higher in ("positive", "negative") else f"{study.condition_labels[higher]} higher"


def robustness_table(study: Study, found: Sequence[Conclusion]) -> Table:
    """What each test of a primary measure concludes under each choice, the plan's own first."""
    columns = (
        Column("measure", "Measure"),
        Column("kind", "Kind"),
        Column("test", "Test"),
        Column("choice", "Choice"),
        Column("n", "n", "count"),
        Column("estimate", "Estimate", "number"),
        Column("estimate_name", "Which is"),
        Column("direction", "Direction"),
        *_TEST_COLUMNS,
        Column("shown", "Shown", help="Whether the test counts as shown, gate included."),
        Column("same", "As planned", help="Whether decision and direction are those of the plan's own choice."),
    )
    planned = {one.question: one for one in found if not one.choice}
    ordered = [one for question in planned for one in found if one.question == question]
    rows = tuple(
        {
            "measure": one.question.measure,
            "kind": one.question.kind,
            "test": _question(study, one.question),
            "choice": one.choice or "as planned",
            "n": one.n,
            "estimate": one.estimate,
            "estimate_name": one.estimate_name,
            "direction": _direction(study, one.higher),
            **_test(one.test),
            "shown": "yes" if one.shown else "no",
            "same": (one.shown, one.higher) == (planned[one.question].shown, planned[one.question].higher),
        }
        for one in ordered
    )
    return Table(
        "robustness", "Conclusions under other choices", columns, rows, _robustness_notes(found), ("measure", "test")
    )


def _robustness_notes(found: Sequence[Conclusion]) -> tuple[str, ...]:
    choices = dict.fromkeys(one.choice for one in found if one.choice)
    return (
        f"One choice at a time is made otherwise: {'; '.join(choices)}. A choice that leaves the data and the test as they are is not counted.",
        "p are corrected in the families of the plan. Omnibus tests under other choices are asymptotic, to be quick. "
        "The plan's own choice is the one to report; this table shows how much hangs on it, and gives no better one to pick.",
    )


def robustness_summary_table(study: Study, found: Sequence[Robustness], conclusions: Sequence[Conclusion]) -> Table:
    """How many other choices conclude as the plan does, for each test of a primary measure."""
    columns = (
        Column("measure", "Measure"),
        Column("kind", "Kind"),
        Column("test", "Test"),
        Column("planned", "Standing"),
        Column("shown", "Shown as planned"),
        Column("direction", "Direction"),
        Column("n_choices", "Other choices", "count"),
        Column("same_decision", "Same decision", "count"),
        Column("same_direction", "Same direction", "count"),
        Column("share", "Both", "share", help="Share of the other choices with the same decision and direction."),
        Column("smallest_p", "Smallest p", "p", help="Smallest adjusted p, the plan's own among them."),
        Column("largest_p", "Largest p", "p"),
    )
    rows = tuple(
        {
            "measure": one.planned.question.measure,
            "kind": one.planned.question.kind,
            "test": _question(study, one.planned.question),
            "planned": "planned" if one.planned.test.planned else "exploratory",
            "shown": "yes" if one.planned.shown else "no",
            "direction": _direction(study, one.planned.higher),
            "n_choices": one.n_choices,
            "same_decision": one.same_decision,
            "same_direction": one.same_direction,
            "share": one.same_both / one.n_choices if one.n_choices else nan,
            "smallest_p": one.smallest_p,
            "largest_p": one.largest_p,
        }
        for one in found
    )
    return Table(
        "robustness_summary",
        "How far the conclusions hang on choices",
        columns,
        rows,
        _robustness_notes(conclusions),
        ("measure",),
    )


def preference_table(study: Study, preference: Preference) -> Table:
    """How often each condition was ranked where."""
    ranks = range(1, len(study.conditions) + 1) if preference.kind == "ranking" else range(0)
    columns = [Column("condition", "Condition"), Column("first_choices", "First choices", "count")]
    if preference.kind == "ranking":
        columns += [Column(f"rank_{rank}", f"Rank {rank}", "count") for rank in ranks]
        columns += [Column("shared", "Shared ranks", "count"), Column("mean_rank", "Mean rank", "number")]
    rows = []
    for one in preference.conditions:
        row: dict[str, object] = {
            "condition": study.condition_labels[one.condition],
            "first_choices": one.first_choices,
        }
        if preference.kind == "ranking":
            row |= {f"rank_{rank}": one.counts[rank - 1] if one.counts else 0 for rank in ranks} | {
                "shared": one.shared,
                "mean_rank": one.mean_rank,
            }
        rows.append(row)
    return Table(
        "preference",
        "Preference",
        tuple(columns),
        tuple(rows),
        (f"n = {preference.n_used}; {preference.n_dropped} without a complete answer. Rank 1 = liked best.",),
    )


def preference_tests_table(preference: Preference) -> Table:
    """Tests on the preference."""
    columns = (
        Column("test", "Test"),
        Column("n", "n", "count"),
        Column("statistic", "Statistic"),
        Column("value", "Value", "number"),
        Column("df", "df", "count"),
        Column("w", "W", "bounded"),
        Column("p", "p", "p"),
        Column("p_kind", "Kind of p"),
        Column("reason", "Remark"),
    )
    rows = []
    if preference.first is not None:
        first = preference.first
        rows.append(
            {
                "test": "First choices against equal shares",
                "n": sum(one.first_choices for one in preference.conditions),
                "statistic": "chi-square",
                "value": first.chi_square,
                "df": len(preference.conditions) - 1,
                "w": nan,
                "p": first.p_exact,
                "p_kind": "exact",
                "reason": first.reason,
            }
        )
    if preference.agreement is not None:
        agreed = preference.agreement
        rows.append(
            {
                "test": "Do the participants' rankings agree?",
                "n": preference.n_used,
                "statistic": "chi-square",
                "value": agreed.chi_square,
                "df": agreed.df,
                "w": agreed.w,
                "p": agreed.p_asymptotic,
                "p_kind": "asymptotic",
                "reason": agreed.reason,
            }
        )
    return Table(
        "preference_tests",
        "Tests on the preference",
        columns,
        tuple(rows),
        ("A split preference is a result too: look at the counts.",),
    )


def preference_pairs_table(study: Study, preference: Preference) -> Table:
    """How many ranked one condition above another, with exact sign tests."""
    labels = study.condition_labels
    columns = (
        Column("first", "First"),
        Column("second", "Second"),
        Column("pair", "Pair"),
        Column("n", "n", "count"),
        Column("first_above", "First above", "count", help="Participants who ranked the first above the second."),
        Column("second_above", "Second above", "count"),
        Column("ties", "Same rank", "count", help="Left out of the test."),
        *_TEST_COLUMNS,
        Column("shown", "Shown", help="Whether the adjusted p is at or below the level."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "first": labels[pair.first],
            "second": labels[pair.second],
            "pair": f"{labels[pair.first]} − {labels[pair.second]}",
            "n": pair.result.n_pairs,
            "first_above": pair.result.b,
            "second_above": pair.result.c,
            "ties": pair.ties,
            **_test(pair.test),
            "shown": "yes" if pair.test.below(study.plan.level) else "no",
            "reason": pair.result.reason,
        }
        for pair in preference.pairs
    )
    notes = (
        f"Exact sign tests over the {preference.n_used} participants with a complete ranking. Exploratory: no family of the plan can name them.",
        "Ranks of one person hang together, so a condition that loses one pair tends to lose others.",
    )
    return Table("preference_pairs", "Pairs in the rankings", columns, rows, notes)


def preference_worth_table(study: Study, preference: Preference) -> Table:
    """Plackett-Luce abilities of the conditions."""
    columns = (
        Column("condition", "Condition"),
        Column("n_used", "n", "count"),
        Column("n_shared", "Shared ranks", "count", help="Participants left out because they shared ranks."),
        _estimate("ability", "Ability", "number", help="Log odds; abilities add up to 0."),
        Column("worth", "Chance of rank 1", "share", help="By the model; the chances add up to 1."),
        Column("reason", "Remark"),
    )
    worth = preference.worth
    rows = tuple(
        {
            "condition": study.condition_labels[one.condition],
            "n_used": worth.fit.n_used,
            "n_shared": worth.n_shared,
            "ability": float(worth.fit.abilities[place]),
            **_bounds("ability", worth.fit.intervals[place]),
            "worth": float(worth.shares[place]),
            "reason": worth.fit.reason,
        }
        for place, one in enumerate(preference.conditions if worth else ())
        if worth
    )
    notes = (
        f"Plackett-Luce model of the rankings without shared ranks; {1 - study.plan.level:.0%} intervals by resampling participants. "
        "The difference of two abilities is the log odds of being ranked above.",
        "The model takes everybody to draw from the same preferences. Where people split, it shows the average of the camps: look at the counts.",
    )
    return Table("preference_worth", "Worth of the conditions in the rankings", columns, rows, notes)


def agreement_table(study: Study, rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement per code and round."""
    columns = (
        Column("round", "Round"),
        Column("kind", "Kind"),
        Column("codebook_version", "Codebook"),
        Column("code", "Code"),
        Column("n_units", "Units", "count", help="Units with two ratings or more."),
        Column("n_single", "Rated once", "count", help="Units that only one rater saw: left out."),
        Column("prevalence", "Prevalence by rater"),
        Column("percent_agreement", "Agreement", "share"),
        Column("positive", "On applied", "share", help="Agreement on units to which the code was applied."),
        Column("negative", "On not applied", "share"),
        _estimate("kappa", "Kappa"),
        _estimate("ac1", "AC1"),
        _estimate("alpha", "Alpha"),
        Column("reason", "Remark"),
    )
    rows = []
    for one in _reported_first(rounds):
        for code in one.codes:
            rows.append(
                {
                    "round": one.round.id,
                    "kind": one.round.kind,
                    "codebook_version": one.codebook_version,
                    "code": code.code,
                    "n_units": code.n_units,
                    "n_single": code.n_single,
                    "prevalence": ", ".join(
                        f"{rater} {show(share, _SHARE)}" for rater, share in code.prevalence.items()
                    ),
                    "percent_agreement": code.percent.value,
                    "positive": code.specific.positive,
                    "negative": code.specific.negative,
                    "kappa": code.kappa.value,
                    **_bounds("kappa", code.kappa.bootstrap_interval),
                    "ac1": code.ac1.value,
                    **_bounds("ac1", code.ac1.bootstrap_interval),
                    "alpha": code.alpha.value,
                    **_bounds("alpha", code.alpha.interval),
                    "reason": code.kappa.reason,
                }
            )
    notes = [
        "Codings before consensus. Intervals resample participants, since units of one participant hang together.",
        "Kappa falls where a code is rare although raters agree on most units; AC1 stands beside it, not instead of it.",
        AGREEMENT_CAUTION,
    ]
    notes += [FEW_CLUSTERS] if any(one.few_clusters for one in rounds) else []
    threshold = threshold_sentence(
        study.plan.thresholds.agreement,
        [code.kappa.bootstrap_interval for one in rounds if one.round.kind != "pilot" for code in one.codes],
        what="kappa",
    )
    return Table(
        "agreement",
        "Agreement between raters by code",
        columns,
        tuple(rows),
        tuple(notes + ([threshold] if threshold else [])),
        ("round", "kind", "codebook_version"),
    )


def rounds_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement over all codes, by round."""
    columns = (
        Column("round", "Round"),
        Column("kind", "Kind"),
        Column("codebook_version", "Codebook"),
        Column("raters", "Raters"),
        Column("participants", "Participants", "count"),
        Column("n_units", "Units", "count"),
        Column("n_double", "Double coded", "count"),
        _estimate("masi_alpha", "Alpha (MASI)", help="Krippendorff's alpha over sets of codes with MASI distance."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "round": one.round.id,
            "kind": one.round.kind,
            "codebook_version": one.codebook_version,
            "raters": ", ".join(one.raters),
            "participants": one.participants,
            "n_units": one.n_units,
            "n_double": one.n_double,
            "masi_alpha": one.overall.value,
            **_bounds("masi_alpha", one.overall.interval),
            "reason": _joined(
                one.overall.reason,
                "units of a pilot round revised the codebook: not the figure to report"
                if one.round.kind == "pilot"
                else "",
            ),
        }
        for one in _reported_first(rounds)
    )
    return Table("agreement_rounds", "Agreement between raters by round", columns, rows, (AGREEMENT_CAUTION,))


def _reported_first(rounds: Sequence[RoundAgreement]) -> list[RoundAgreement]:
    """The rounds whose figures are reported before those that revised the codebook."""
    return sorted(rounds, key=lambda one: one.round.kind == "pilot")


def code_by_condition_table(study: Study, presence: Sequence[CodePresence]) -> Table:
    """A row per code: how many of those interviewed raised it about anything and about each condition."""
    columns = (
        Column("code", "Code"),
        Column("label", "In words"),
        Column("interviewed", "Interviewed", "count"),
        Column("participants", "Raised it", "count", help="Participants who raised the code about anything."),
        Column("mentions", "Units", "count", help="Units to which the code was applied."),
        *(Column(condition, label, "count") for condition, label in study.condition_labels.items()),
    )
    names = _code_labels(study)
    counts = {(one.code, one.condition): one.participants for one in presence}
    rows = tuple(
        {
            "code": one.code,
            "label": names.get(one.code, ""),
            "interviewed": one.interviewed,
            "participants": one.participants,
            "mentions": one.mentions,
            **{condition: counts[one.code, condition] for condition in study.conditions},
        }
        for one in presence
        if one.condition == ANY
    )
    notes = (NOT_MENTIONED, "Under each condition: participants who raised the code about that condition.")
    return Table("code_by_condition", "Codes by condition", columns, rows, notes)


def code_stances_table(study: Study, presence: Sequence[CodePresence]) -> Table:
    """A row per code and condition: participants, units, and participants by stance."""
    columns = (
        Column("code", "Code"),
        Column("condition", "About"),
        Column("participants", "Participants", "count"),
        Column("interviewed", "of", "count"),
        Column("share", "Share", "share"),
        Column("mentions", "Units", "count"),
        Column("in_favor", "For", "count"),
        Column("against", "Against", "count"),
        Column("mixed", "Mixed", "count"),
    )
    rows = tuple(
        {
            "code": one.code,
            "condition": "anything" if one.condition == ANY else study.condition_labels[one.condition],
            "participants": one.participants,
            "interviewed": one.interviewed,
            "share": one.participants / one.interviewed if one.interviewed else nan,
            "mentions": one.mentions,
            "in_favor": one.in_favor,
            "against": one.against,
            "mixed": one.mixed,
        }
        for one in presence
        if one.participants
    )
    note = "For, against and mixed count participants with at least one unit of that stance. Empty rows are left out."
    return Table("code_stances", "Codes by condition and stance", columns, rows, (note,), ("code",))


def _code_labels(study: Study) -> dict[str, str]:
    return study.declared.interviews.code_labels if study.declared.interviews else {}


def joint_table(study: Study, rows: Sequence[JointRow]) -> Table:
    """Both strands side by side, one construct a row."""
    columns = (
        Column("construct", "Construct"),
        Column("measure", "Measure"),
        Column("statistic", "What the scores show"),
        Column("interviews", "What interviews say"),
        Column("silent", "Silence"),
        Column("verdict", "Verdict"),
        Column("reason", "Why"),
        Column("inference", "What follows"),
    )
    told = tuple(
        {
            "construct": one.construct.label,
            "measure": one.construct.measure,
            "statistic": joint_statistic(study, one.comparison),
            "interviews": _spoken_of(study, one.presence),
            "silent": one.silent,
            "verdict": one.construct.verdict or "open",
            "reason": one.construct.reason,
            "inference": one.construct.inference,
        }
        for one in rows
    )
    return Table(
        "joint",
        "Scores and interviews side by side",
        columns,
        told,
        (NOT_MENTIONED, "Verdicts are the researcher's; “open” means that none is given yet."),
    )


def _spoken_of(study: Study, presence: Iterable[CodePresence]) -> str:
    """ "HEFT: 9 of 14 (Slosh 7, Still 3)" for each code of a construct."""
    labels = study.condition_labels
    listed = list(presence)
    told = []
    for whole in (one for one in listed if one.condition == ANY):
        about = [
            f"{labels[one.condition]} {one.participants}"
            for one in listed
            if one.code == whole.code and one.condition != ANY and one.participants
        ]
        told.append(
            f"{whole.code}: {whole.participants} of {whole.interviewed}{f' ({_listed(about)})' if about else ''}"
        )
    return "; ".join(told) if told else "no interviews"


def _place(study: Study, setting: str) -> str:
    return study.condition_labels.get(setting, setting or "once")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)


def _joined(*remarks: str) -> str:
    return "; ".join(remark.rstrip(".") for remark in dict.fromkeys(remarks) if remark)


ROW_NAMES = frozenset(("measure", "scale", "setting", "pair", "label", "item", "round", "code", "test", "factors"))
"""Columns that name a row in a note about it."""

READING: dict[str, tuple[str, ...]] = {
    "instruments": ("id", "title", "n_items", "wording"),
    "headlines": ("label", "standing", "headline"),
    "findings": ("severity", "kind", "where", "found", "remedy"),
    "participants": ("label", "n"),
    "reliability": ("scale", "setting", "n_items", "n_used", "n_dropped", "alpha", "omega", "sem", "reason"),
    "reliability_levels": ("scale", "n_participants", "within", "between", "reason"),
    "descriptives": ("label", "condition", "n", "missing", "median", "mean", "sd"),
    "described": ("label", "occasion", "n", "missing", "median", "mean", "sd"),
    "omnibus": (
        "measure",
        "n_used",
        "n_dropped",
        "chi_square",
        "df",
        "p",
        "p_adjusted",
        "kendall_w",
        "shown",
        "planned",
        "reason",
    ),
    "pairs": (
        "measure",
        "planned",
        "family",
        "pair",
        "n_pairs",
        "n_nonzero",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "contrasts": (
        "measure",
        "planned",
        "family",
        "label",
        "n_pairs",
        "n_nonzero",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "factors": (
        "measure",
        "planned",
        "family",
        "factors",
        "label",
        "n_pairs",
        "n_nonzero",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "equivalence": (
        "measure",
        "planned",
        "family",
        "pair",
        "bound_low",
        "bound_high",
        "n_pairs",
        "hodges_lehmann",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "anova": (
        "measure",
        "planned",
        "n_used",
        "f",
        "df1",
        "df2",
        "epsilon",
        "p_corrected",
        "mauchly_p",
        "generalized_eta_squared",
        "reason",
    ),
    "order_effects": ("measure", "standing", "early", "late", "n_used", "n_dropped", "hodges_lehmann", "reason"),
    "first_exposure": (
        "measure",
        "planned",
        "pair",
        "n_x",
        "n_y",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "reason",
    ),
    "robustness": ("measure", "test", "choice", "n", "estimate", "direction", "p_adjusted", "shown", "same"),
    "robustness_summary": (
        "measure",
        "test",
        "planned",
        "shown",
        "n_choices",
        "same_decision",
        "share",
        "smallest_p",
        "largest_p",
    ),
    "preference_pairs": (
        "pair",
        "planned",
        "n",
        "first_above",
        "second_above",
        "ties",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "agreement_rounds": (
        "round",
        "kind",
        "codebook_version",
        "raters",
        "participants",
        "n_units",
        "n_double",
        "masi_alpha",
        "reason",
    ),
    "agreement": (
        "round",
        "kind",
        "codebook_version",
        "code",
        "n_units",
        "prevalence",
        "percent_agreement",
        "positive",
        "kappa",
        "ac1",
        "reason",
    ),
}
"""The columns that a person reads, of tables that have more; CSV and JSON always have all."""


NOT_READ = {"code_by_condition": ("label",)}
"""Columns that people do not need beside others."""


def words_of(study: Study) -> dict[str, str]:
    """Ids that stand in tables, and the words people read for them: labels of measures and of codes."""
    scales = {scale.id: scale.label for one in study.instruments.values() for scale in one.scales}
    trials = {measure.id: measure.label for one in study.declared.trials for measure in one.measures}
    contrasts = {one.id: one.label for one in study.plan.contrasts}
    codes = {code: f"{label} ({code})" for code, label in _code_labels(study).items()}
    return scales | trials | contrasts | codes


WORDED = frozenset(("measure", "scale", "code", "test"))
"""Columns of ids that people read in words."""


def for_reading(table: Table, words: Mapping[str, str], *, without: Sequence[str] = ()) -> Table:
    """The table with the columns a person reads, less those in `without`, ids in `words`; remarks on rows become notes."""
    keys = READING.get(table.name, tuple(column.key for column in table.columns))
    empty = {key for key in ("silent", "spearman_brown") if not any(_given(row.get(key)) for row in table.rows)}
    hidden = {*without, *empty, *NOT_READ.get(table.name, ()), "reason"}
    chosen = tuple(next(column for column in table.columns if column.key == key) for key in keys if key not in hidden)
    kept = {key for column in chosen for key in column.keys}
    worded = [{key: _in_words(key, value, words) for key, value in row.items()} for row in table.rows]
    rows = tuple({key: value for key, value in row.items() if key in kept} for row in worded)
    group = tuple(key for key in table.group if key in kept)
    notes = (*table.notes, *_remarks(worded, chosen))
    return Table(table.name, table.title, chosen, rows, notes, group)


def _in_words(key: str, value: object, words: Mapping[str, str]) -> object:
    return words.get(value, value) if key in WORDED and isinstance(value, str) else value


def _given(value: object) -> bool:
    return bool(value) and value == value


def _remarks(table_rows: Sequence[Mapping[str, object]], columns: Sequence[Column]) -> list[str]:
    """Each different `reason`, with the names of the rows it holds for."""
    names = [column for column in columns if column.kind == "text" and column.key in ROW_NAMES]
    rows: dict[str, list[str]] = {}
    for row in table_rows:
        if row.get("reason"):
            rows.setdefault(str(row["reason"]), []).append(" ".join(show(row[column.key], column) for column in names))
    return [
        f"{_listed(where)}: {reason.rstrip('.')}." if any(where) else f"{reason.rstrip('.')}."
        for reason, where in rows.items()
    ]
