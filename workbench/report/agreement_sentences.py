"""Sentences about agreement between raters, made of result fields. No number is typed here, and nobody is judged."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan

from workbench.analysis.agreement import CodeAgreement, RoundAgreement
from workbench.analysis.agreement_sample import SamplePlan
from workbench.report.numbers import cell
from workbench.report.sentences import threshold_sentence
from workbench.report.table import Column, show
from workbench.stats.intervals import Interval

FEWEST_APPLIED = 10
"""With full agreement on n units the exact lower bound of that share is .025 to the power of 1/n: .69 for ten, .48 for five."""

_BOUNDED = Column("value", "", "bounded")
_SHARE = Column("value", "", "share")
_COUNT = Column("value", "", "count")

AGREEMENT_CAUTION = "Agreement is not validity, and no coefficient rates a rater."
FEW_CLUSTERS = "With fewer than 15 participants the resampled intervals are too narrow (known from simulation)."
MOVED_APART = "A rise in what one rater leaves out says that the raters moved apart, not which of them moved."


def against_threshold(threshold: float | None, code: CodeAgreement) -> str | None:
    """What kappa's interval says of a threshold fixed beforehand: "reaches", "excludes", "cannot tell"; None without either.

    A code that was applied to fewer than ten units cannot tell, however narrow resampling makes its interval.
    """
    interval = code.kappa.bootstrap_interval
    if threshold is None or not interval.defined:
        return None
    if code.n_applied < FEWEST_APPLIED or interval.low < threshold <= interval.high:
        return "cannot tell"
    return "reaches" if interval.low >= threshold else "excludes"


def threshold_sentences(threshold: float | None, codes: Sequence[CodeAgreement]) -> list[str]:
    """What the intervals of codes say of the threshold; none without one."""
    enough = [code.kappa.bootstrap_interval for code in codes if code.n_applied >= FEWEST_APPLIED]
    few = len(codes) - len(enough)
    rest = (
        f" {few} more codes were applied to fewer than {FEWEST_APPLIED} units: too few to tell, however narrow the interval."
        if few
        else ""
    )
    told = threshold_sentence(threshold, enough, what="kappa")
    return [told + rest] if told else []


def paper_sentences(found: Sequence[RoundAgreement]) -> list[str]:
    """Who coded what, how far they agreed before consensus, and how the rest was settled, round by round."""
    told = [_piloted(one) for one in found if one.round.kind == "pilot" and one.n_double]
    for one in found:
        if one.reported:
            told += [_coded(one, found), _agreed(one), *_settled(one)]
    return told


def _round_cell(one: RoundAgreement, column: str, value: object, kind: Column) -> str:
    return cell("agreement_rounds", [one.round.id], column, show(value, kind))


def _code_cell(one: RoundAgreement, code: CodeAgreement, column: str, value: object, kind: Column) -> str:
    return cell("agreement", [one.round.id, code.code], column, show(value, kind))


def _piloted(one: RoundAgreement) -> str:
    version = f" under codebook {one.codebook_version}" if one.codebook_version else ""
    return (
        f"In round {one.round.id} {_listed(one.raters)} coded {_round_cell(one, 'n_double', one.n_double, _COUNT)} units of "
        f"{_round_cell(one, 'participants', one.participants, _COUNT)} participants{version}; these units served to revise the codebook "
        "and stand in no figure of a later round."
    )


def _coded(one: RoundAgreement, found: Sequence[RoundAgreement]) -> str:
    outside = sum(other.n_units for other in found if other.round.kind != "pilot")
    refused = (
        f" {_round_cell(one, 'n_refused', one.n_refused, _COUNT)} units of a pilot round were left out."
        if one.n_refused
        else ""
    )
    version = f" under codebook {one.codebook_version}" if one.codebook_version else ""
    return (
        f"In round {one.round.id} {_listed(one.raters)} each coded {_round_cell(one, 'n_double', one.n_double, _COUNT)} units of "
        f"{_round_cell(one, 'participants', one.participants, _COUNT)} participants{version}, "
        f"{_round_cell(one, 'share_double', one.n_double / outside, _SHARE)} of the units coded outside pilot rounds.{refused}"
    )


def _agreed(one: RoundAgreement) -> str:
    same, alpha = one.same_sets, one.overall
    return (
        f"Before consensus they gave the same codes to {_round_cell(one, 'same_sets', same.value, _SHARE)} of these units"
        f"{_ends(one, 'same_sets', same.interval, _SHARE)}; Krippendorff's alpha over sets of codes (MASI distance) was "
        f"{_round_cell(one, 'masi_alpha', alpha.value, _BOUNDED)}{_ends(one, 'masi_alpha', alpha.interval, _BOUNDED)}.{_range(one)}"
    )


def _range(one: RoundAgreement) -> str:
    """The lowest and highest kappa of a code; "" where no code has one."""
    codes = [code for code in one.codes if not isnan(code.kappa.value)]
    if not codes:
        return ""
    lowest, highest = (
        f"{_code_cell(one, code, 'kappa', code.kappa.value, _BOUNDED)} ({code.code})"
        for code in (choose(codes, key=lambda code: code.kappa.value) for choose in (min, max))
    )
    rest = [code.code for code in one.codes if isnan(code.kappa.value)]
    return f" Kappa by code ran from {lowest} to {highest}{f'; it is undefined for {_listed(rest)}' if rest else ''}."


def _settled(one: RoundAgreement) -> list[str]:
    found = one.resolution
    if found is None:
        return ["No consensus was coded for these units."]
    taken = ", ".join(
        f"in {_round_cell(one, f'as_{rater}', n, _COUNT)} that of {rater}" for rater, n in found.n_as.items()
    )
    return [
        f"A consensus stands for {_round_cell(one, 'n_settled', found.n_settled, _COUNT)} of them: in "
        f"{_round_cell(one, 'as_all', found.n_as_all, _COUNT)} it is what all had coded, {taken}, in "
        f"{_round_cell(one, 'as_other', found.n_other, _COUNT)} another. After consensus "
        f"{_round_cell(one, 'same_after', found.share_same, _SHARE)} of the units have one coding; the rule makes that rate, so it measures nothing."
    ]


def paradox_sentence(one: RoundAgreement) -> str:
    """The code on which percent agreement and kappa lie furthest apart, in this study's own numbers; "" without one."""
    codes = [code for code in one.codes if not isnan(code.kappa.value)]
    if not codes:
        return ""
    code = max(codes, key=lambda code: code.percent.value - code.kappa.value)

    def shown(column: str, value: float, kind: Column) -> str:
        return _code_cell(one, code, column, value, kind)

    positive = code.specific.positive
    applied = f" (on {shown('positive', positive, _SHARE)} where it was applied)" if not isnan(positive) else ""
    return (
        f"Kappa hangs on how common a code is. In round {one.round.id}, on {code.code} ({prevalences(one, code)}) raters agree on "
        f"{shown('percent_agreement', code.percent.value, _SHARE)} of units{applied}, kappa is {shown('kappa', code.kappa.value, _BOUNDED)} and AC1 "
        f"{shown('ac1', code.ac1.value, _BOUNDED)}. Where a code is rare, percent agreement and AC1 are mostly agreement that it does not apply, and kappa stands on few units: "
        "read all three."
    )


def prevalences(one: RoundAgreement, code: CodeAgreement) -> str:
    """The share of units to which each rater applied a code: "R1 11 %, R2 9 %"."""
    return ", ".join(
        f"{rater} {_code_cell(one, code, f'prevalence_{rater}', share, _SHARE)}"
        for rater, share in code.prevalence.items()
    )


def sample_sentences(plan: SamplePlan) -> list[str]:
    """What the drawn units can show, and what "more" means."""
    wanted = f"±{show(plan.half_width, _BOUNDED)}"
    used = [one for one in plan.codes if one.n_applied]
    known = [one.code for one in used if one.expected_half_width <= plan.half_width]
    aimed = [one.code for one in used if one.code not in known and one.at_hand_enough(plan.units_at_hand)]
    rest = len(used) - len(known) - len(aimed)
    told = [f"With the units drawn, {_listed(known) or 'no code'} would have an interval of {wanted} or narrower"]
    if aimed:
        told.append(f"with those at hand, {_listed(aimed)} could")
    if rest:
        told.append(f"for {rest} of {len(plan.codes)} codes all units at hand would not do, drawn at random or aimed")
    unused = [one.code for one in plan.codes if not one.n_applied]
    alike = (
        "No likeness of agreement within participants was found, so each unit counts in full; with few participants that is uncertain."
        if plan.likeness == 0
        else f"Agreement is alike within participants by {show(plan.likeness, _BOUNDED)} (intracluster correlation, pooled over codes; uncertain with few "
        f"participants), so a unit counts as {show(1 / plan.design_effect, _BOUNDED)} of an independent one."
    )
    return [
        f"Simulated for two raters with kappa {show(plan.kappa, _BOUNDED)}, each code's own prevalence and {show(plan.level, _SHARE)} intervals. {'; '.join(told)}.",
        *([f"These units say nothing about {_listed(unused)}: nobody applied it."] if unused else []),
        alike,
        "“More” counts units drawn at random; “more, aimed” units of which half are ones the first rater gave the code to, weighted back to how common "
        f"those are. {plan.units_at_hand} units have been coded by one rater only; “at hand” are those among them with the code.",
    ]


def _listed(names: Sequence[str]) -> str:
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)


def _ends(one: RoundAgreement, column: str, interval: Interval, kind: Column) -> str:
    if not interval.defined:
        return ""
    low, high = (
        _round_cell(one, f"{column}_{end}", value, kind)
        for end, value in (("low", interval.low), ("high", interval.high))
    )
    return f" [{low}, {high}]"
