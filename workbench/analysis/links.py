"""Links between what was said and what was scored, and whether codes were raised about conditions equally often.

Everything here is exploratory and rests on the few who were interviewed. That a code goes with a score says nothing about
what brought about what; not raising a code is not disagreeing with it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isnan, nan
from typing import TYPE_CHECKING

import numpy as np

from workbench.analysis.families import Test, adjusted_in_families
from workbench.measure import Measure
from workbench.stats.comparison import CochranTest, McNemarTest, RankSumTest, cochran_q, mcnemar, rank_sum
from workbench.study import Construct

if TYPE_CHECKING:
    import pandas as pd

LEAST_IN_GROUP = 3
"""Fewer who raised a code, or did not, are named and not tested (our convention: three against three can just reach p = .1)."""


@dataclass(frozen=True, slots=True, eq=False)
class CodeAndScore:
    """Scores in a condition of those who raised a code about it, against those interviewed who did not.

    Effects are positive where those who raised it score higher. `result` and `test` are None where a group is too small
    to be tested; `reason` says so.
    """

    construct: str
    code: str
    condition: str
    measure: str
    n_raised: int
    n_not: int
    median_raised: float
    median_not: float
    result: RankSumTest | None
    test: Test | None
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class ConditionPair:
    """How many raised a code about the one condition and not the other, and the other way round."""

    first: str
    second: str
    result: McNemarTest
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class CodeAcross:
    """Whether participants raised a code about the conditions equally often: Cochran's Q, then exact McNemar pairs.

    `raised` counts the participants by condition, of `n` interviewed.
    """

    code: str
    n: int
    raised: Mapping[str, int]
    result: CochranTest | None
    pairs: tuple[ConditionPair, ...]
    reason: str


def codes_and_scores(
    constructs: Sequence[Construct],
    measures: Sequence[Measure],
    counted: pd.DataFrame,
    conditions: Sequence[str],
    interviewed: Sequence[str],
    *,
    level: float = 0.95,
) -> list[CodeAndScore]:
    """Every code of every construct about every condition, against the construct's measure in that condition.

    Adjusted by Holm over all tests of a construct. `counted` are the codings that count.
    """
    wanted = {one.measure for one in constructs}
    scores = {
        one.id: one.by_condition(interviewed, conditions)
        for one in measures
        if one.id in wanted and one.asked == "per_condition"
    }
    raisers = _raisers(counted)
    found = [
        _code_and_score(one, code, scores[one.measure][condition], raisers[code, condition], level)
        for one in constructs
        if one.measure in scores
        for code in one.codes
        for condition in conditions
    ]
    adjusted = adjusted_in_families([one.test for one in found if one.test is not None])
    return [one if one.test is None else replace(one, test=adjusted[id(one.test)]) for one in found]


def _code_and_score(
    construct: Construct, code: str, scores: pd.Series, who: frozenset[str], level: float
) -> CodeAndScore:
    raised = scores[scores.index.isin(who)].dropna().to_numpy()
    others = scores[~scores.index.isin(who)].dropna().to_numpy()
    result, test, reason = None, None, ""
    if min(len(raised), len(others)) < LEAST_IN_GROUP:
        reason = f"fewer than {LEAST_IN_GROUP} raised it, or did not"
    else:
        result = rank_sum(raised, others, level=level)
        exact = not isnan(result.p_exact)
        p = result.p_exact if exact else result.p_asymptotic
        test = Test(f"links of {construct.id}", False, "holm", p, exact)
        reason = result.reason
    return CodeAndScore(
        construct.id,
        code,
        str(scores.name),
        construct.measure,
        len(raised),
        len(others),
        _median(raised),
        _median(others),
        result,
        test,
        reason,
    )


def _median(scores: np.ndarray) -> float:
    return float(np.median(scores)) if len(scores) else nan


def _raisers(counted: pd.DataFrame) -> defaultdict[tuple[str, str], frozenset[str]]:
    """The participants who raised each code about each condition, by code and condition."""
    found: defaultdict[tuple[str, str], frozenset[str]] = defaultdict(frozenset)
    for participant, code, about in zip(counted["participant"], counted["code"], counted["about"], strict=True):
        for condition in about.split("+"):
            found[code, condition] |= {participant}
    return found


def codes_across_conditions(
    codes: Sequence[str], counted: pd.DataFrame, conditions: Sequence[str], interviewed: Sequence[str]
) -> list[CodeAcross]:
    """Every code that was raised about any condition; pairs are adjusted by Holm inside their code."""
    found = []
    by_place = _raisers(counted)
    for code in codes:
        raisers = [by_place[code, one] for one in conditions]
        raised = np.array([[who in people for people in raisers] for who in interviewed], dtype=float)
        if raised.size and raised.any() and len(conditions) > 1:
            found.append(_across(code, raised, conditions))
    return found


def _across(code: str, raised: np.ndarray, conditions: Sequence[str]) -> CodeAcross:
    counts = {condition: int(raised[:, place].sum()) for place, condition in enumerate(conditions)}
    result = cochran_q(raised) if len(conditions) > 2 else None
    pairs = []
    for first, second in combinations(range(len(conditions)), 2):
        pair = mcnemar(raised[:, first], raised[:, second])
        test = Test(f"conditions of {code}", False, "holm", pair.p_exact, True)
        pairs.append(ConditionPair(conditions[first], conditions[second], pair, test))
    adjusted = adjusted_in_families([one.test for one in pairs])
    pairs = [replace(one, test=adjusted[id(one.test)]) for one in pairs]
    return CodeAcross(code, len(raised), counts, result, tuple(pairs), result.reason if result else "")
