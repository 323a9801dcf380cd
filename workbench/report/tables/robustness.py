"""Tables of what other choices of analysis conclude."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan

import numpy as np

from workbench.analysis.comparison import Comparison
from workbench.analysis.robustness import CompleteCase, Conclusion, Question, Robustness
from workbench.report.table import Column, Table
from workbench.report.tables.parts import TEST_COLUMNS, test_fields
from workbench.study import Study


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
        *TEST_COLUMNS,
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
            **test_fields(one.test),
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


def complete_cases_table(study: Study, found: Sequence[CompleteCase]) -> Table:
    """Measures whose scores rest in part on gaps, by the plan's missing rule and from whole answers alone."""
    columns = (
        Column("measure", "Measure"),
        Column("n", "Scores", "count", help="Over all participants and conditions, by the plan's missing rule."),
        Column("n_whole", "From whole answers", "count"),
        Column("p", "p", "p", help="Over all conditions, not adjusted."),
        Column("p_whole", "p from whole answers", "p"),
        Column("condition", "Mean that changes most"),
        Column("mean", "M", "number"),
        Column("mean_whole", "M from whole answers", "number"),
    )
    return Table(
        "complete_cases", "Scores from whole answers alone", columns, tuple(_complete_case(study, one) for one in found)
    )


def _complete_case(study: Study, one: CompleteCase) -> dict[str, object]:
    before, after = one.by_plan.descriptions, one.whole.descriptions
    changes = [abs(first.mean - second.mean) for first, second in zip(before, after, strict=True)]
    most = int(np.nanargmax(changes)) if np.isfinite(changes).any() else 0
    return {
        "measure": one.by_plan.measure.id,
        "n": one.n,
        "n_whole": one.n_whole,
        "p": _overall_p(one.by_plan),
        "p_whole": _overall_p(one.whole),
        "condition": study.condition_labels[before[most].condition],
        "mean": before[most].mean,
        "mean_whole": after[most].mean,
    }


def _overall_p(one: Comparison) -> float:
    """The p of all conditions together; of the one pair where there are two."""
    if one.omnibus is not None:
        return one.omnibus.test.p
    return one.pairs[0].test.p if len(one.pairs) == 1 else nan
