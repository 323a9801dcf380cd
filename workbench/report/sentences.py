"""Sentences made of result fields, for headlines, notes and the method section. No number is typed here."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan

from workbench.analysis.comparison import Comparison, Omnibus, Pair
from workbench.analysis.order_effects import Balance, Orders
from workbench.report.table import Column, show, show_interval, show_p
from workbench.stats.intervals import Interval
from workbench.study import Plan, Study, plan_changed

_NUMBER = Column("value", "", "number")
_BOUNDED = Column("value", "", "bounded")


def headline(study: Study, comparison: Comparison) -> str:
    """What was found on one measure: direction, size with interval, evidence, and what is not shown."""
    parts = [_omnibus_sentence(study, comparison), *_pair_sentences(study, comparison)]
    parts += [_equivalence_sentence(comparison), *_limits(study, comparison)]
    return " ".join(part for part in parts if part)


def short_headline(study: Study, comparison: Comparison) -> str:
    """One line: whether the conditions differed, how surely, and how many pairs are shown to differ."""
    name = comparison.measure.label
    if comparison.omnibus is None:
        return f"{name}: {comparison.reason}."
    counted = [pair for pair in comparison.pairs if comparison.shown(pair.test) and not pair.gated]
    evidence = omnibus_evidence(comparison.omnibus)
    if not comparison.shown(comparison.omnibus.test):
        return f"{name}: no difference shown, which is not the same as equal ({evidence})."
    highest = max((one for one in comparison.descriptions if one.n), key=lambda one: one.mean)
    return f"{name}: highest on average in {study.condition_labels[highest.condition]}; {len(counted)} of {len(comparison.pairs)} pairs shown to differ ({evidence})."


def _omnibus_sentence(study: Study, comparison: Comparison) -> str:
    name, medians = comparison.measure.label, _medians_sentence(study, comparison)
    if comparison.omnibus is None:
        return f"{name}: {comparison.reason}. {medians}" if not comparison.pairs else f"{name}: {medians}"
    if isnan(comparison.omnibus.result.chi_square):
        return (
            f"{name}: each participant's values are equal in all conditions, so there is nothing to compare. {medians}"
        )
    evidence = omnibus_evidence(comparison.omnibus)
    if comparison.shown(comparison.omnibus.test):
        return f"{name} differed between the conditions ({evidence}). {medians}"
    return f"{name}: no difference between the conditions was shown ({evidence}); this does not show that they are equal. {medians}"


def _medians_sentence(study: Study, comparison: Comparison) -> str:
    """The medians over everybody with a value, whose number can differ from that of a test."""
    given = [one for one in comparison.descriptions if one.n]
    if not given:
        return "There are no values."
    medians = ", ".join(f"{study.condition_labels[one.condition]} {show(one.median, _NUMBER)}" for one in given)
    return f"Medians (n = {_span([one.n for one in given])}): {medians}."


def omnibus_evidence(omnibus: Omnibus) -> str:
    """ "χ²(3, n = 22) = 12.00, p = .007, W = .18" with the interval of W where there is one."""
    result = omnibus.result
    interval = (
        f" {show_interval(result.kendall_w_interval.low, result.kendall_w_interval.high, _BOUNDED)}"
        if result.kendall_w_interval.defined
        else ""
    )
    adjusted = f", adjusted {show_p(omnibus.test.adjusted)}" if omnibus.test.adjusted != omnibus.test.p else ""
    return f"χ²({result.df}, n = {result.n_used}) = {show(result.chi_square, _NUMBER)}, {show_p(omnibus.test.p)}{adjusted}, W = {show(result.kendall_w, _BOUNDED)}{interval}"


def _pair_sentences(study: Study, comparison: Comparison) -> list[str]:
    counted = [pair for pair in comparison.pairs if comparison.shown(pair.test) and not pair.gated]
    if not counted:
        largest = max(
            (pair for pair in comparison.pairs if not isnan(pair.result.hodges_lehmann)),
            key=lambda pair: abs(pair.result.hodges_lehmann),
            default=None,
        )
        moved = largest is not None and largest.result.n_nonzero
        return [f"The largest shift between two conditions was {_shift(study, largest)}."] if largest and moved else []
    return [f"Shown: {'; '.join(_shift(study, pair) for pair in counted)}.", _not_shown(comparison, counted)]


def _shift(study: Study, pair: Pair) -> str:
    """One pair, told from its higher condition: "Slosh above Still by 0.83 [0.42, 1.17] (adjusted p = .003)"."""
    labels, result = study.condition_labels, pair.result
    low, high = result.hodges_lehmann_interval.low, result.hodges_lehmann_interval.high
    if result.hodges_lehmann < 0:
        first, second, shift, low, high = pair.second, pair.first, -result.hodges_lehmann, -high, -low
    else:
        first, second, shift = pair.first, pair.second, result.hodges_lehmann
    interval = f" {show_interval(low, high, _NUMBER)}" if not isnan(low) else ""
    return f"{labels[first]} above {labels[second]} by {show(shift, _NUMBER)}{interval} (adjusted {show_p(pair.test.adjusted)})"


def _not_shown(comparison: Comparison, counted: Sequence[Pair]) -> str:
    rest = len(comparison.pairs) - len(counted)
    return f"The other {rest} of {len(comparison.pairs)} pairs are not shown to differ." if rest else ""


def _equivalence_sentence(comparison: Comparison) -> str:
    """How many pairs are shown to lie within the bounds of the plan; "" without bounds."""
    if not comparison.equivalences:
        return ""
    bounds = comparison.equivalences[0].bounds
    within = sum(comparison.shown(pair.test) for pair in comparison.equivalences)
    ends = f"{show(bounds.low, _NUMBER)} and {show(bounds.high, _NUMBER)}"
    return (
        f"{within} of {len(comparison.equivalences)} pairs are shown to lie within the bounds of equivalence, {ends}."
    )


def order_known_sentence(orders: Orders) -> str:
    """Where the orders come from, and of how many participants none is known."""
    unknown = f" Not known for {orders.unknown}." if orders.unknown else ""
    if orders.logged:
        return f"Orders are those of the session log, of {len(orders.run)} participants.{unknown}"
    return f"There is no session log: {len(orders.run)} participants are taken to have run the sequence assigned to them.{unknown}"


def balance_sentences(orders: Orders, found: Sequence[Balance]) -> list[str]:
    """How evenly the conditions stood in positions and after each other, as run and as planned."""
    told = []
    for kind, what in (("position", "stood in each position"), ("after", "came straight after each other one")):
        mine = [one for one in found if one.kind == kind]
        if mine:
            planned = [one.planned for one in mine if one.planned is not None]
            beside = f"; planned {_span(planned)}" if planned else ""
            told.append(f"As run, each condition {what} {_span([one.run for one in mine])} times{beside}.")
    return [*told, order_known_sentence(orders)]


def _span(counts: Sequence[int]) -> str:
    return str(min(counts)) if min(counts) == max(counts) else f"{min(counts)} to {max(counts)}"


def _limits(study: Study, comparison: Comparison) -> list[str]:
    labels = study.condition_labels
    told = []
    ties = [
        f"{labels[pair.first]} and {labels[pair.second]}"
        for pair in comparison.pairs
        if pair.result.n_pairs and not pair.result.n_nonzero
    ]
    if ties and len(ties) < len(comparison.pairs):
        told.append(f"Each participant's values in {', and in '.join(ties)} are equal.")
    hopeless = [pair for pair in comparison.pairs if pair.result.n_nonzero and pair.test.attainable > comparison.level]
    told += [
        f"{labels[pair.first]} against {labels[pair.second]} could never have reached the level: {pair.result.n_nonzero} of {pair.result.n_pairs} pairs differ, and the smallest adjusted p possible is {show_p(pair.test.attainable).removeprefix('p ').removeprefix('= ')}."
        for pair in hopeless
    ]
    return told


def joint_statistic(study: Study, comparison: Comparison | None) -> str:
    """The quantitative cell of the joint display."""
    if comparison is None:
        return "not compared across conditions"
    medians = ", ".join(
        f"{study.condition_labels[one.condition]} {show(one.median, _NUMBER)}"
        for one in comparison.descriptions
        if one.n
    )
    evidence = omnibus_evidence(comparison.omnibus) if comparison.omnibus else comparison.reason
    shown = "" if comparison.omnibus is None or comparison.shown(comparison.omnibus.test) else " (no difference shown)"
    return f"Mdn {medians}; {evidence}{shown}" if medians else evidence


def threshold_sentence(threshold: float | None, intervals: Sequence[Interval], what: str = "alpha") -> str:
    """What intervals say about a threshold fixed beforehand; "" without one."""
    if threshold is None:
        return ""
    defined = [interval for interval in intervals if interval.defined]
    fixed = f"The plan fixed {show(threshold, _BOUNDED)} for {what}."
    if not defined:
        return f"{fixed} No interval is defined, so nothing can be said about it."
    above = sum(interval.low >= threshold for interval in defined)
    below = sum(interval.high < threshold for interval in defined)
    across = len(defined) - above - below
    rest = len(intervals) - len(defined)
    return (
        f"{fixed} Of {len(defined)} intervals {above} lie at or above it, {below} below, "
        f"and {across} reach across it: there the data cannot say.{f' {rest} are not defined.' if rest else ''}"
    )


def method_sentences(study: Study, comparisons: Sequence[Comparison]) -> list[str]:
    """How the numbers were made, for the method section."""
    plan = study.plan
    zeros = {
        "pratt": "ranked with the other differences and then left out (Pratt's rule)",
        "drop": "left out before ranking",
    }[plan.zeros]
    missing = {
        "instrument": "each instrument's own number of answers",
        "half": "answers to at least half of the items",
        "complete": "answers to all items",
    }[plan.missing]
    cases = {
        "complete": "participants with a value in every condition",
        "available": "participants with a value in both conditions of the pair",
    }[plan.cases]
    planned = [one.id for one in plan.families]
    told = [
        f"Scores needed {missing}.",
        "Conditions were compared by Friedman's test with Kendall's W, and in pairs by Wilcoxon's signed-rank test on "
        f"{cases}, with zero differences {zeros}, Hodges-Lehmann shifts and matched-pairs rank-biserial correlations.",
        "p values are two-sided and exact, given ties and zeros, where that could be computed."
        if _any_exact(comparisons)
        else "p values are two-sided and asymptotic.",
        f"The level was {show(plan.level, _BOUNDED)}; tests were corrected inside the families {', '.join(planned)}, all others inside their own measure, as exploratory."
        if planned
        else f"The level was {show(plan.level, _BOUNDED)}; the plan names no families, so all tests are exploratory and corrected inside their own measure.",
    ]
    told += _further_methods(study, comparisons)
    if plan.omnibus_gates_pairs:
        told.append("Pairs count as shown only where the omnibus test was at or below the level.")
    told.append(_fixed_sentence(plan))
    told += [f"Departure from the plan: {one.what} {one.why}" for one in plan.departures]
    return told


def _fixed_sentence(plan: Plan) -> str:
    if plan.frozen is None:
        return "The plan was not fixed with a date."
    if plan_changed(plan):
        return (
            f"A plan was fixed on {plan.frozen.on.isoformat()}, but this analysis follows one that was changed since."
        )
    return f"The plan was fixed on {plan.frozen.on.isoformat()}."


def _further_methods(study: Study, comparisons: Sequence[Comparison]) -> list[str]:
    """Sentences on what only some studies have."""
    told = []
    if any(one.factors for one in comparisons):
        told.append(
            "Main effects and two-way interactions were tested by signed-rank tests of each participant's contrast, averaged over the levels of other factors."
        )
    if any(one.equivalences for one in comparisons):
        told.append("Equivalence was tested by two one-sided signed-rank tests against the bounds of the plan.")
    if any(one.primary and one.omnibus for one in comparisons):
        told.append(
            "Conclusions on primary measures were set beside those under other choices, one at a time, repeated-measures analysis of variance with Greenhouse and Geisser's correction among them."
        )
    return told


def _any_exact(comparisons: Sequence[Comparison]) -> bool:
    return any(pair.test.exact for one in comparisons for pair in one.pairs)
