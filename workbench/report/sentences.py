"""Sentences made of result fields, for headlines, notes and the method section. No number is typed here.

Each number of a result carries its id (`report.numbers`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isnan

from workbench.analysis.comparison import Comparison, Pair
from workbench.analysis.order_effects import Balance, Orders
from workbench.analysis.preference import Preference
from workbench.joint_display import JointRow
from workbench.report.numbers import PLAN, cell, number, number_id, row_name
from workbench.report.table import Column, show, show_p
from workbench.stats.intervals import Interval
from workbench.study import Plan, Study, plan_changed

_NUMBER = Column("value", "", "number")
_BOUNDED = Column("value", "", "bounded")
_COUNT = Column("value", "", "count")


def _counted(comparison: Comparison, column: str, count: int) -> str:
    """A count of tests of a measure, which the table of headlines holds."""
    return cell("headlines", [comparison.measure.id], column, show(count, _COUNT))


@dataclass(frozen=True, slots=True)
class Counts:
    """How many tests of a measure there are and how many count as shown."""

    pairs: int
    pairs_shown: int
    equivalences: int
    equivalent: int

    @property
    def pairs_not_shown(self) -> int:
        return self.pairs - self.pairs_shown


def counts(comparison: Comparison) -> Counts:
    shown = [pair for pair in comparison.pairs if comparison.shown(pair.test) and not pair.gated]
    within = [pair for pair in comparison.equivalences if comparison.shown(pair.test)]
    return Counts(len(comparison.pairs), len(shown), len(comparison.equivalences), len(within))


def headline(study: Study, comparison: Comparison) -> str:
    """What was found on one measure: direction, size with interval, evidence, and what is not shown."""
    parts = [_omnibus_sentence(study, comparison), *_pair_sentences(study, comparison)]
    parts += [_equivalence_sentence(study, comparison), *_limits(study, comparison)]
    return " ".join(part for part in parts if part)


def short_headline(study: Study, comparison: Comparison) -> str:
    """One line: whether the conditions differed, how surely, and how many pairs are shown to differ."""
    name = comparison.measure.label
    if comparison.omnibus is None:
        return f"{name}: {comparison.reason}."
    found = counts(comparison)
    evidence = omnibus_evidence(comparison)
    if not comparison.shown(comparison.omnibus.test):
        return f"{name}: no difference shown, which is not the same as equal ({evidence})."
    highest = max((one for one in comparison.descriptions if one.n), key=lambda one: one.mean)
    shown, of = _counted(comparison, "pairs_shown", found.pairs_shown), _counted(comparison, "pairs", found.pairs)
    return f"{name}: highest on average in {study.condition_labels[highest.condition]}; {shown} of {of} pairs shown to differ ({evidence})."


def _omnibus_sentence(study: Study, comparison: Comparison) -> str:
    name, medians = comparison.measure.label, _medians_sentence(study, comparison)
    if comparison.omnibus is None:
        return f"{name}: {comparison.reason}. {medians}" if not comparison.pairs else f"{name}: {medians}"
    if isnan(comparison.omnibus.result.chi_square):
        return (
            f"{name}: each participant's values are equal in all conditions, so there is nothing to compare. {medians}"
        )
    evidence = omnibus_evidence(comparison)
    if comparison.shown(comparison.omnibus.test):
        return f"{name} differed between the conditions ({evidence}). {medians}"
    return f"{name}: no difference between the conditions was shown ({evidence}); this does not show that they are equal. {medians}"


def _medians_sentence(study: Study, comparison: Comparison) -> str:
    """The medians over everybody with a value, whose number can differ from that of a test."""
    given = [one for one in comparison.descriptions if one.n]
    if not given:
        return "There are no values."
    names = {one.condition: [comparison.measure.id, study.condition_labels[one.condition]] for one in given}
    medians = ", ".join(
        f"{study.condition_labels[one.condition]} {cell('descriptives', names[one.condition], 'median', show(one.median, _NUMBER))}"
        for one in given
    )
    n = _span([(one.n, number_id("descriptives", row_name(*names[one.condition]), "n")) for one in given])
    return f"Medians (n = {n}): {medians}."


def omnibus_evidence(comparison: Comparison) -> str:
    """ "χ²(3, n = 22) = 12.00, p = .007, W = .18" with the interval of W where there is one; "" without a test."""
    if comparison.omnibus is None:
        return ""
    result, test = comparison.omnibus.result, comparison.omnibus.test

    def of(column: str, shown: str) -> str:
        return cell("omnibus", [comparison.measure.id], column, shown)

    interval = (
        f" {_interval(of, 'kendall_w', result.kendall_w_interval.low, result.kendall_w_interval.high, _BOUNDED)}"
        if result.kendall_w_interval.defined
        else ""
    )
    adjusted = f", adjusted {of('p_adjusted', show_p(test.adjusted))}" if test.adjusted != test.p else ""
    df, n = of("df", show(result.df, _COUNT)), of("n_used", show(result.n_used, _COUNT))
    statistic = of("chi_square", show(result.chi_square, _NUMBER))
    return f"χ²({df}, n = {n}) = {statistic}, {of('p', show_p(test.p))}{adjusted}, W = {of('kendall_w', show(result.kendall_w, _BOUNDED))}{interval}"


def _interval(of: Callable[[str, str], str], key: str, low: float, high: float, column: Column) -> str:
    """An interval whose ends carry their ids."""
    return f"[{of(f'{key}_low', show(low, column))}, {of(f'{key}_high', show(high, column))}]"


def _pair_sentences(study: Study, comparison: Comparison) -> list[str]:
    counted = [pair for pair in comparison.pairs if comparison.shown(pair.test) and not pair.gated]
    if not counted:
        largest = max(
            (pair for pair in comparison.pairs if not isnan(pair.result.hodges_lehmann)),
            key=lambda pair: abs(pair.result.hodges_lehmann),
            default=None,
        )
        moved = largest is not None and largest.result.n_nonzero
        told = f"The largest shift between two conditions was {_shift(study, comparison, largest)}." if largest else ""
        return [told] if moved else []
    return [f"Shown: {'; '.join(_shift(study, comparison, pair) for pair in counted)}.", _not_shown(comparison)]


def _shift(study: Study, comparison: Comparison, pair: Pair) -> str:
    """One pair, told from its higher condition: "Slosh above Still by 0.83 [0.42, 1.17] (adjusted p = .003)".

    Where that is the second one, the shift is told with its sign and its ends turned round.
    """
    labels, result = study.condition_labels, pair.result
    low, high = result.hodges_lehmann_interval.low, result.hodges_lehmann_interval.high
    ends = ("hodges_lehmann_low", "hodges_lehmann_high")
    first, second, shift = pair.first, pair.second, result.hodges_lehmann
    if shift < 0:
        first, second, shift, low, high = second, first, -shift, -high, -low
        ends = ("hodges_lehmann_high", "hodges_lehmann_low")

    def of(column: str, shown: str) -> str:
        return cell("pairs", [comparison.measure.id, labels[pair.first], labels[pair.second]], column, shown)

    interval = f" [{of(ends[0], show(low, _NUMBER))}, {of(ends[1], show(high, _NUMBER))}]" if not isnan(low) else ""
    return f"{labels[first]} above {labels[second]} by {of('hodges_lehmann', show(shift, _NUMBER))}{interval} (adjusted {of('p_adjusted', show_p(pair.test.adjusted))})"


def _not_shown(comparison: Comparison) -> str:
    found = counts(comparison)
    rest, of = (
        _counted(comparison, "pairs_not_shown", found.pairs_not_shown),
        _counted(comparison, "pairs", found.pairs),
    )
    return f"The other {rest} of {of} pairs are not shown to differ." if found.pairs_not_shown else ""


def _equivalence_sentence(study: Study, comparison: Comparison) -> str:
    """How many pairs are shown to lie within the bounds of the plan; "" without bounds."""
    if not comparison.equivalences:
        return ""
    pair, found = comparison.equivalences[0], counts(comparison)
    labels = study.condition_labels
    row = [comparison.measure.id, labels[pair.first], labels[pair.second]]
    low, high = (
        cell("equivalence", row, key, show(value, _NUMBER))
        for key, value in (("bound_low", pair.bounds.low), ("bound_high", pair.bounds.high))
    )
    within, of = (
        _counted(comparison, "equivalent", found.equivalent),
        _counted(comparison, "equivalences", found.equivalences),
    )
    return f"{within} of {of} pairs are shown to lie within the bounds of equivalence, {low} and {high}."


def order_known_sentence(orders: Orders) -> str:
    """Where the orders come from, and of how many participants none is known."""
    known = cell(PLAN, ["orders_known"], "value", show(len(orders.run), _COUNT))
    missing = cell(PLAN, ["orders_not_known"], "value", show(orders.unknown, _COUNT))
    unknown = f" Not known for {missing}." if orders.unknown else ""
    if orders.logged:
        return f"Orders are those of the session log, of {known} participants.{unknown}"
    return (
        f"There is no session log: {known} participants are taken to have run the sequence assigned to them.{unknown}"
    )


def balance_sentences(orders: Orders, found: Sequence[Balance], labels: Mapping[str, str] | None = None) -> list[str]:
    """How evenly the conditions stood in positions and after each other, as run and as planned.

    `labels` of the conditions go into the ids of the numbers.
    """
    told = []
    for kind, what in (("position", "stood in each position"), ("after", "came straight after each other one")):
        mine = [one for one in found if one.kind == kind]
        if mine:
            planned = [
                (one.planned, _balance_id(labels or {}, one, "planned")) for one in mine if one.planned is not None
            ]
            run = [(one.run, _balance_id(labels or {}, one, "run")) for one in mine]
            beside = f"; planned {_span(planned)}" if planned else ""
            told.append(f"As run, each condition {what} {_span(run)} times{beside}.")
    return [*told, order_known_sentence(orders)]


ORDER_KINDS = {"position": "in position", "after": "straight after"}


def _balance_id(labels: Mapping[str, str], one: Balance, column: str) -> str:
    place = labels.get(str(one.place), str(one.place))
    row = row_name(ORDER_KINDS[one.kind], labels.get(one.condition, one.condition), place)
    return number_id("order_balance", row, column)


def _span(counted: Sequence[tuple[int, str]]) -> str:
    """ "5 to 6" of counts with their ids, or "6" where all are equal."""
    (low, low_id), (high, high_id) = min(counted), max(counted)
    least = number(low_id, show(low, _COUNT))
    return least if low == high else f"{least} to {number(high_id, show(high, _COUNT))}"


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
    for pair in comparison.pairs:
        if pair.result.n_nonzero and pair.test.attainable > comparison.level:
            told.append(_hopeless(study, comparison, pair))
    return told


def _hopeless(study: Study, comparison: Comparison, pair: Pair) -> str:
    """That a pair could never have reached the level."""
    first, second = study.condition_labels[pair.first], study.condition_labels[pair.second]

    def of(column: str, shown: str) -> str:
        return cell("pairs", [comparison.measure.id, first, second], column, shown)

    differ, pairs = (of(key, show(getattr(pair.result, key), _COUNT)) for key in ("n_nonzero", "n_pairs"))
    least = of("p_adjusted_attainable", show(pair.test.attainable, Column("p", "", "p")))
    return f"{first} against {second} could never have reached the level: {differ} of {pairs} pairs differ, and the smallest adjusted p possible is {least}."


def joint_statistic(study: Study, comparison: Comparison | None) -> str:
    """The quantitative cell of the joint display."""
    if comparison is None:
        return "not compared across conditions"
    labels = study.condition_labels
    medians = ", ".join(
        f"{labels[one.condition]} {cell('descriptives', [comparison.measure.id, labels[one.condition]], 'median', show(one.median, _NUMBER))}"
        for one in comparison.descriptions
        if one.n
    )
    evidence = omnibus_evidence(comparison) or comparison.reason
    shown = "" if comparison.omnibus is None or comparison.shown(comparison.omnibus.test) else " (no difference shown)"
    return f"Mdn {medians}; {evidence}{shown}" if medians else evidence


def threshold_sentence(threshold: float | None, intervals: Sequence[Interval], what: str = "alpha") -> str:
    """What intervals say about a threshold fixed beforehand; "" without one."""
    if threshold is None:
        return ""
    defined = [interval for interval in intervals if interval.defined]
    key = {"alpha": "reliability"}.get(what, "agreement")
    fixed = f"The plan fixed {cell(PLAN, [f'thresholds_{key}'], 'value', show(threshold, _BOUNDED))} for {what}."
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
        f"The level was {_level(plan)}; tests were corrected inside the families {', '.join(planned)}, all others inside their own measure, as exploratory."
        if planned
        else f"The level was {_level(plan)}; the plan names no families, so all tests are exploratory and corrected inside their own measure.",
    ]
    told += _further_methods(study, comparisons)
    if plan.omnibus_gates_pairs:
        told.append("Pairs count as shown only where the omnibus test was at or below the level.")
    told.append(_fixed_sentence(plan))
    told += [f"Departure from the plan: {one.what} {one.why}" for one in plan.departures]
    return told


def _level(plan: Plan) -> str:
    return cell(PLAN, ["level"], "value", show(plan.level, _BOUNDED))


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


def preference_sentence(study: Study, preference: Preference) -> str:
    """ "First choices: Still 4, Slosh 7 (exact p = .744 against equal shares)." """
    labels = study.condition_labels
    told = ", ".join(
        f"{labels[one.condition]} {cell('preference', [labels[one.condition]], 'first_choices', show(one.first_choices, _COUNT))}"
        for one in preference.conditions
    )
    if preference.first is None:
        return f"First choices: {told}."
    p = cell("preference_tests", [FIRST_CHOICES], "p", show_p(preference.first.p_exact))
    return f"First choices: {told} (exact {p} against equal shares)."


FIRST_CHOICES = "First choices against equal shares"


def joint_sentence(rows: Sequence[JointRow]) -> str:
    """How many constructs stand side by side, and how many verdicts are open."""
    constructs = cell(PLAN, ["constructs"], "value", show(len(rows), _COUNT))
    still_open = cell(PLAN, ["verdicts_open"], "value", show(sum(not row.construct.verdict for row in rows), _COUNT))
    return f"{constructs} constructs, {still_open} verdicts still open."
