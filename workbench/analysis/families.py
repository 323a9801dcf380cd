"""Families of tests: which family a p value is corrected in, whether the plan asked for it, and the correction.

Planned tests are those of a family in the plan; all others are exploratory and are corrected within their own
measure and kind of test. Equivalence tests are planned by their bounds, which only the plan can state.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan, nan
from typing import Literal

import numpy as np

from workbench.stats.comparison import Adjustment, adjust
from workbench.study import Plan

Kind = Literal["omnibus", "pairs", "contrasts", "factors", "equivalence"]


@dataclass(frozen=True, slots=True, eq=False)
class Test:
    """The p value of a test, the family it is corrected in, and whether the plan asked for it.

    `p` is exact where an exact one could be had (`exact`), else asymptotic. `attainable` is the
    smallest adjusted p that this comparison could ever have reached, given its ties and zeros; NaN where that is
    not known (omnibus and equivalence tests).
    """

    family: str
    planned: bool
    correction: Adjustment | Literal["none"]
    p: float
    exact: bool
    adjusted: float = nan
    attainable: float = nan

    def below(self, level: float) -> bool:
        """Whether the adjusted p is at or below `level`."""
        return not isnan(self.adjusted) and self.adjusted <= level


def in_family(
    exact: float, asymptotic: float, measure: str, kind: Kind, plan: Plan, *, attainable: float = nan
) -> Test:
    """A test of a measure in its family, not adjusted yet; the exact p where there is one."""
    family = next((one for one in plan.families if one.tests == kind and measure in one.measures), None)
    p = exact if not isnan(exact) else asymptotic
    if family is not None:
        return Test(family.id, True, family.correction, p, not isnan(exact), attainable=attainable)
    return Test(f"{kind} of {measure}", kind == "equivalence", "holm", p, not isnan(exact), attainable=attainable)


def adjusted_in_families(tests: Sequence[Test]) -> Mapping[int, Test]:
    """Each test with its adjusted p, by the identity of the one given."""
    families: dict[str, list[Test]] = {}
    for test in tests:
        families.setdefault(test.family, []).append(test)
    return {id(test): new for family in families.values() for test, new in zip(family, _adjusted(family), strict=True)}


def _adjusted(family: Sequence[Test]) -> list[Test]:
    method = family[0].correction
    p = np.array([test.p for test in family])
    adjusted = p if method == "none" else adjust(p, method=method)
    return [
        replace(test, adjusted=float(value), attainable=_attainable(family, index, method))
        for index, (test, value) in enumerate(zip(family, adjusted, strict=True))
    ]


def _attainable(family: Sequence[Test], index: int, method: Adjustment | Literal["none"]) -> float:
    """The smallest adjusted p a test could have reached, had it been the most extreme its ties and zeros allow.

    The other tests of the family are left as they are.
    """
    if isnan(family[index].attainable) or method == "none":
        return family[index].attainable
    p = np.array([test.p for test in family])
    p[index] = family[index].attainable
    return float(adjust(p, method=method)[index])
