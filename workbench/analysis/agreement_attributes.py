"""Agreement on what a code was about and on its stance, where raters applied the same code to the same unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.analysis.ratings import Ratings, numbered
from workbench.coding.codings import UNIT
from workbench.stats.agreement import (
    AgreementCoefficient,
    AlphaCoefficient,
    PercentAgreement,
    cohen_kappa,
    fleiss_kappa,
    krippendorff_alpha,
    percent_agreement,
    set_alpha,
)

if TYPE_CHECKING:
    import pandas as pd

ALL_CODES = ""
PLACES = {"against": -1.0, "mixed": 0.0, "for": 1.0}
"""Stances in their order; both of them about the same condition make "mixed"."""


@dataclass(frozen=True, slots=True, eq=False)
class AttributeAgreement:
    """Agreement on the conditions and stances that go with a code ("" = all codes together).

    `about` compares the sets of conditions in the `n_about` units to which two raters applied the code. `stance`
    (nominal) and `stance_weighted` (kappa with linear weights, against - mixed - for) compare the `n_stance` cases in
    which two raters gave a stance to the code about the same condition.
    """

    code: str
    n_about: int
    about_same: PercentAgreement
    about: AlphaCoefficient
    n_stance: int
    stance_same: PercentAgreement
    stance: AlphaCoefficient
    stance_weighted: AgreementCoefficient


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """A unit (and condition) with a code, and what each rater gave it."""

    code: str
    participant: str
    given: tuple[object, ...]


def attribute_agreement(
    rows: pd.DataFrame, ratings: Ratings, level: float, resamples: int, rng: np.random.Generator
) -> tuple[AttributeAgreement, ...]:
    """All codes together, then each; none where no coding names a condition or a stance."""
    applied = rows[rows["code"] != ""]
    if not ((applied["about"] != "") | (applied["stance"] != "")).any():
        return ()
    about, stance = _about_cases(applied, ratings), _stance_cases(applied, ratings)
    codes = [code for code in ratings.codes if any(case.code == code for case in about)]
    two = len(ratings.raters) == 2

    def on(code: str) -> AttributeAgreement:
        named = [case for case in about if code in (ALL_CODES, case.code)]
        taken = [case for case in stance if code in (ALL_CODES, case.code)]
        sets, stances = _table(named, ratings), _table(taken, ratings).astype(float)
        clusters, others = _clusters(named, ratings), _clusters(taken, ratings)
        drawn: dict[str, Any] = {"resamples": resamples, "rng": rng, "level": level}
        same = percent_agreement(numbered(sets, len(ratings.raters)), clusters=clusters, **drawn)
        stance_same = percent_agreement(stances, clusters=others, **drawn)
        kappa = (cohen_kappa if two else fleiss_kappa)(
            stances, weights="linear", categories=list(PLACES.values()), clusters=others, **drawn
        )
        return AttributeAgreement(
            code,
            same.n_units,
            same,
            set_alpha(sets, clusters=clusters, **drawn),
            stance_same.n_units,
            stance_same,
            krippendorff_alpha(stances, categories=list(PLACES.values()), clusters=others, **drawn),
            kappa,
        )

    return tuple(on(code) for code in (ALL_CODES, *codes))


def _about_cases(applied: pd.DataFrame, ratings: Ratings) -> list[_Case]:
    """Each unit and code, with the set of conditions of each rater who applied it."""
    found: dict[tuple[str, ...], dict[str, set[str]]] = {}
    for *unit, code, rater, about in applied[[*UNIT, "code", "rater", "about"]].itertuples(index=False):
        named = found.setdefault((*unit, code), {}).setdefault(rater, set())
        named.update(filter(None, about.split("+")))
    return _cases(found, ratings, frozenset)


def _stance_cases(applied: pd.DataFrame, ratings: Ratings) -> list[_Case]:
    """Each unit, code and condition, with the stance of each rater who gave one."""
    found: dict[tuple[str, ...], dict[str, set[str]]] = {}
    columns = [*UNIT, "code", "rater", "about", "stance"]
    for *unit, code, rater, about, stance in applied.loc[applied["stance"] != "", columns].itertuples(index=False):
        for condition in about.split("+"):
            found.setdefault((*unit, code, condition), {}).setdefault(rater, set()).add(stance)
    return _cases(found, ratings, lambda given: PLACES[next(iter(given))] if len(given) == 1 else PLACES["mixed"])


def _cases(found, ratings: Ratings, value) -> list[_Case]:  # type: ignore[no-untyped-def]
    participant = dict(zip(ratings.units, ratings.participants, strict=True))
    return [
        _Case(
            key[2],
            participant[key[0], key[1]],
            tuple(value(by[rater]) if rater in by else None for rater in ratings.raters),
        )
        for key, by in found.items()
        if len(by) > 1
    ]


def _table(cases: Sequence[_Case], ratings: Ratings) -> np.ndarray:
    table = np.empty((len(cases), len(ratings.raters)), dtype=object)
    for place, case in enumerate(cases):
        table[place, :] = case.given
    return table


def _clusters(cases: Sequence[_Case], ratings: Ratings) -> np.ndarray:
    numbers = {name: number for number, name in enumerate(sorted(set(ratings.participants)))}
    return np.array([numbers[case.participant] for case in cases], dtype=np.int64)
