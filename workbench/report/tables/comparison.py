"""Tables of the comparison of conditions: descriptives, tests, equivalence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from workbench.analysis.anova import RepeatedAnova
from workbench.analysis.comparison import Comparison, Description
from workbench.analysis.factors import Layout
from workbench.analysis.families import Test
from workbench.measure import Measure
from workbench.report.numbers import PLAN, cell
from workbench.report.sentences import counts, headline
from workbench.report.table import Column, Table
from workbench.report.tables.parts import (
    SMALL_SAMPLE,
    TEST_COLUMNS,
    bounds,
    cases,
    estimate,
    joined,
    listing,
    reading_note,
    shown_as,
    test_fields,
)
from workbench.stats.comparison import SignedRankTest
from workbench.study import Study

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
        Column("pairs", "Pairs", "count"),
        Column("pairs_shown", "Shown", "count", help="Pairs shown to differ."),
        Column("pairs_not_shown", "Not shown", "count"),
        Column("equivalences", "Pairs against bounds", "count"),
        Column("equivalent", "Shown equivalent", "count"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "label": one.measure.label,
            "standing": "primary" if one.primary else "exploratory",
            "headline": headline(study, one),
            **{
                key: getattr(counts(one), key)
                for key in ("pairs", "pairs_shown", "pairs_not_shown", "equivalences", "equivalent")
            },
        }
        for one in comparisons
    )
    return Table("headlines", "What was found", columns, rows, (SMALL_SAMPLE,))


def omnibus_table(study: Study, comparisons: Sequence[Comparison]) -> Table:
    """Friedman's test of each measure."""
    columns = (
        Column("measure", "Measure"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count", help="Participants without a value in every condition."),
        Column("chi_square", "χ²", "number"),
        Column("df", "df", "count"),
        estimate("kendall_w", "W"),
        *TEST_COLUMNS,
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
                **bounds("kendall_w", result.kendall_w_interval),
                **test_fields(one.omnibus.test),
                "shown": shown_as(one, one.omnibus.test),
            }
        )
    notes = [
        "Friedman's test over participants with a value in every condition; W is Kendall's. Iman and Davenport's F stands in the CSV."
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
    *TEST_COLUMNS,
    Column("p_asymptotic", "p asymptotic", "p"),
    Column("p_exact", "p exact", "p"),
    estimate("hodges_lehmann", "Shift", "number", help="Hodges-Lehmann shift with its interval."),
    Column("hodges_lehmann_level", "Level reached", "share", help="Level of the interval of the shift."),
    estimate("rank_biserial", "r", help="Matched-pairs rank-biserial correlation."),
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
        **bounds("hodges_lehmann", result.hodges_lehmann_interval),
        **bounds("rank_biserial", result.rank_biserial_interval),
        "hodges_lehmann_level": result.hodges_lehmann_interval.level,
        **test_fields(test),
        "p_adjusted_attainable": test.attainable,
        "reason": joined(result.reason, _disagreement(result, test, level)),
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
            "shown": shown_as(one, pair.test, gated=pair.gated),
        }
        for one in comparisons
        for pair in one.pairs
    )
    rule = {
        "pratt": "zero differences are ranked with the rest and then left out (Pratt)",
        "drop": "zero differences are left out first",
    }[study.plan.zeros]
    notes = (
        f"Signed-rank tests of first minus second over {cases(study)}; {rule}. The shift keeps zero differences.",
        *reading_note(study),
        SMALL_SAMPLE,
    )
    return Table("pairs", "Pairs of conditions", columns, rows, notes, ("measure", "planned", "family"))


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
            "shown": shown_as(one, contrast.test),
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
            f"Signed-rank tests of each participant's weighted sum of conditions against zero, over {cases(study)}. "
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
            "shown": shown_as(one, factor.test),
        }
        for one in comparisons
        for factor in one.factors
    )
    outside = [study.condition_labels[one] for one in layout.outside] if layout else []
    notes = [
        f"Signed-rank tests of each participant's contrast against zero, over {cases(study)}. A main effect is the mean over "
        "one level minus that over another; an interaction is how much such a difference differs between two levels of the other factor. "
        "Other factors are averaged over. Where factors interact, a main effect is an average that may hold nowhere.",
        *reading_note(study),
    ]
    notes += [f"Outside the factorial and left out here: {listing(outside)}."] if outside else []
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
        estimate("hodges_lehmann", "Shift", "number", help="Hodges-Lehmann shift; its interval is at 1 - 2 x level."),
        Column("hodges_lehmann_level", "Level reached", "share", help="Level of the interval of the shift."),
        Column("p_low", "p lower", "p", help="One-sided, against a shift at or below the lower bound."),
        Column("p_high", "p upper", "p", help="One-sided, against a shift at or above the upper bound."),
        *TEST_COLUMNS,
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
            **bounds("hodges_lehmann", pair.interval),
            "hodges_lehmann_level": pair.interval.level,
            "p_low": pair.result.p_low,
            "p_high": pair.result.p_high,
            **test_fields(pair.test),
            "shown": "yes" if one.shown(pair.test) else "no",
            "reason": pair.result.reason,
        }
        for one in comparisons
        for pair in one.equivalences
    )
    notes = (
        f"Two one-sided signed-rank tests over {cases(study)}; p is the larger of the two. Shown: the adjusted p is at or below {cell(PLAN, ['level'], 'value', f'{study.plan.level:g}')}.",
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
