"""Tables of both strands: quotes, participants by codes, links between what was said and scored."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan

from workbench.analysis.links import LEAST_IN_GROUP, CodeAcross, CodeAndScore
from workbench.joint_display import QUOTE_RULE, JointRow
from workbench.report.table import Column, Table
from workbench.report.tables.parts import TEST_COLUMNS, bounds, estimate, test_fields
from workbench.study import Study

FEW_INTERVIEWED = "Exploratory, from the few who were interviewed: no link is shown to be absent, and none says what brought about what."


def quotes_table(study: Study, rows: Sequence[JointRow]) -> Table:
    """The quotes of the joint display, a supporting and a contrary one for each construct where there are any."""
    columns = (
        Column("construct", "Construct"),
        Column("side", "Scores", help="Whether the participant's scores follow the group's pattern or contradict it."),
        Column("participant", "Participant"),
        Column("condition", "About"),
        Column("difference", "Own difference", "number", help="Score in that condition minus the mean of the others."),
        Column("code", "Code"),
        Column("stance", "Stance"),
        Column("unit", "Unit"),
        Column("words", "Words"),
        Column("language", "Language"),
        Column("translation", "Translation"),
        Column("chosen", "Chosen"),
    )
    told = tuple(
        {
            "construct": one.construct.label,
            "side": {"supporting": "follow the group", "contrary": "contradict the group"}[quote.side],
            "participant": quote.participant,
            "condition": study.condition_labels.get(quote.condition, ""),
            "difference": quote.difference,
            "code": quote.code,
            "stance": quote.stance,
            "unit": quote.unit,
            "words": quote.words,
            "language": quote.language,
            "translation": quote.translation,
            "chosen": "by rule" if quote.by_rule else "by hand",
        }
        for one in rows
        for quote in one.quotes
    )
    notes = [QUOTE_RULE] + [
        f"{one.construct.label}: of those interviewed, {one.follow} score {study.condition_labels[one.highest]} above the mean of their other conditions and {one.contradict} below.{_not_shown(one)}"
        for one in rows
        if one.highest
    ]
    notes += [
        f"{one.construct.label}: no condition alone scores highest, so nobody is quoted by rule."
        for one in rows
        if one.comparison is not None and not one.highest
    ]
    return Table("joint_quotes", "What they said", columns, told, tuple(notes), ("construct",))


def _not_shown(row: JointRow) -> str:
    """That the group's order is no finding, where the conditions are not shown to differ."""
    tested = row.comparison.omnibus if row.comparison else None
    if row.comparison is None or tested is None or row.comparison.shown(tested.test):
        return ""
    return " The conditions are not shown to differ here, so the group's order may be chance."


def links_table(study: Study, found: Sequence[CodeAndScore]) -> Table:
    """Scores of those who raised a code about a condition, against those who did not."""
    columns = (
        Column("construct", "Construct"),
        Column("code", "Code"),
        Column("condition", "About"),
        Column("measure", "Measure"),
        Column("n_raised", "Raised it", "count"),
        Column("n_not", "Did not", "count"),
        Column("median_raised", "Mdn, raised", "number"),
        Column("median_not", "Mdn, not", "number"),
        estimate(
            "rank_biserial", "r", help="Rank-biserial correlation, positive where those who raised it score higher."
        ),
        *TEST_COLUMNS,
        Column("reason", "Remark"),
    )
    labels = {one.id: one.label for one in study.declared.constructs}
    rows = tuple(
        {
            "construct": labels[one.construct],
            "code": one.code,
            "condition": study.condition_labels[one.condition],
            "measure": one.measure,
            "n_raised": one.n_raised,
            "n_not": one.n_not,
            "median_raised": one.median_raised,
            "median_not": one.median_not,
            "rank_biserial": one.result.rank_biserial,
            **bounds("rank_biserial", one.result.rank_biserial_interval),
            **test_fields(one.test),
            "reason": one.reason,
        }
        for one in found
        if one.result is not None and one.test is not None
    )
    left = sum(one.test is None for one in found)
    notes = [
        "Exact rank-sum tests, adjusted by Holm over all tests of a construct.",
        FEW_INTERVIEWED,
        *(
            [
                f"{left} further pairs of code and condition have fewer than {LEAST_IN_GROUP} who raised it, or did not, and are not tested."
            ]
            if left
            else []
        ),
    ]
    return Table("links", "What was said and how it was scored", columns, rows, tuple(notes), ("construct",))


def across_table(study: Study, found: Sequence[CodeAcross]) -> Table:
    """Whether each code was raised about the conditions equally often."""
    columns = (
        Column("code", "Code"),
        Column("n", "Interviewed", "count"),
        *(Column(f"raised_{condition}", label, "count") for condition, label in study.condition_labels.items()),
        Column("q", "Q", "number"),
        Column("df", "df", "count"),
        Column("p", "p", "p"),
        Column("pairs", "Pairs shown to differ", help="Exact McNemar tests, adjusted by Holm inside the code."),
        Column("reason", "Remark"),
    )
    level = study.plan.level
    rows = tuple(
        {
            "code": one.code,
            "n": one.n,
            **{f"raised_{condition}": count for condition, count in one.raised.items()},
            "q": one.result.q if one.result else nan,
            "df": one.result.df if one.result else nan,
            "p": _exact_or_not(one),
            "pairs": "; ".join(
                f"{study.condition_labels[pair.first]} and {study.condition_labels[pair.second]}"
                for pair in one.pairs
                if pair.test.below(level)
            ),
            "reason": one.reason,
        }
        for one in found
    )
    notes = (
        "Cochran's Q over those interviewed, exact where it can be had; p is not adjusted over codes.",
        FEW_INTERVIEWED,
    )
    return Table("codes_across", "Codes across conditions", columns, rows, notes)


def _exact_or_not(one: CodeAcross) -> float:
    if one.result is None:
        return one.pairs[0].test.p if one.pairs else nan
    return one.result.p_exact if one.result.p_exact == one.result.p_exact else one.result.p_asymptotic
