"""Agreement between raters, per code and round, with participants as clusters.

Codings before consensus are compared; units that revised the codebook (pilot rounds) are told apart.
Agreement is not validity, and no coefficient rates a rater.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.coding.codings import CONSENSUS, UNIT, in_latest_version, unit_by_rater, version_age
from workbench.stats.agreement import (
    AgreementCoefficient,
    AlphaCoefficient,
    PercentAgreement,
    SpecificAgreement,
    cohen_kappa,
    fleiss_kappa,
    gwet_ac,
    krippendorff_alpha,
    percent_agreement,
    set_alpha,
    specific_agreement,
)
from workbench.study import Round, Study

if TYPE_CHECKING:
    import pandas as pd

RESAMPLES = 1000
FEW_CLUSTERS = 15


@dataclass(frozen=True, slots=True, eq=False)
class CodeAgreement:
    """Agreement on one code in one round: applied or not, unit by unit.

    `prevalence` is the share of units to which each rater applied it. `kappa` is Cohen's with two
    raters and Fleiss' with more. Its bootstrap interval resamples participants.
    """

    code: str
    n_units: int
    n_single: int
    prevalence: dict[str, float]
    percent: PercentAgreement
    specific: SpecificAgreement
    kappa: AgreementCoefficient
    ac1: AgreementCoefficient
    alpha: AlphaCoefficient


@dataclass(frozen=True, slots=True, eq=False)
class RoundAgreement:
    """Agreement in one round of coding. `participants` is the number of clusters resampled."""

    round: Round
    codebook_version: str
    raters: tuple[str, ...]
    n_units: int
    n_double: int
    participants: int
    codes: tuple[CodeAgreement, ...]
    overall: AlphaCoefficient

    @property
    def few_clusters(self) -> bool:
        """Whether resampling so few participants makes intervals too narrow."""
        return self.participants < FEW_CLUSTERS


def agreement(study: Study, rows: pd.DataFrame, *, resamples: int = RESAMPLES) -> list[RoundAgreement]:
    """Agreement in every round in which two raters or more coded the same units; none in a reflexive study."""
    interviews = study.declared.interviews
    if interviews is None or interviews.mode == "reflexive":
        return []
    found = []
    for one in interviews.rounds:
        here = in_latest_version(rows[(rows["round"] == one.id) & (rows["rater"] != CONSENSUS)])
        raters = tuple(rater for rater in interviews.raters if rater in set(here["rater"]))
        if one.kind != "consensus" and (here.groupby(UNIT)["rater"].nunique() > 1).any():
            found.append(_in_round(study, one, here, raters, resamples))
    return found


def _in_round(study: Study, one: Round, rows: pd.DataFrame, raters: tuple[str, ...], resamples: int) -> RoundAgreement:
    rng = np.random.default_rng(study.plan.seed)
    level = 1 - study.plan.level
    participant = rows.drop_duplicates(UNIT).set_index(UNIT)["participant"]
    codes = sorted(code for code in rows["code"].unique() if code)
    units, sets = _label_sets(rows, raters)
    per_code = tuple(_on_code(rows, code, list(raters), participant, level, resamples, rng) for code in codes)
    double = sum(sum(label is not None for label in labels) > 1 for labels in sets)
    clusters = list(participant[units])
    overall = set_alpha(sets, distance="masi", clusters=clusters, resamples=resamples, rng=rng, level=level)
    versions = sorted((version for version in rows["codebook_version"].unique() if version), key=version_age)
    return RoundAgreement(one, " and ".join(versions), raters, len(sets), double, len(set(clusters)), per_code, overall)


def _label_sets(rows: pd.DataFrame, raters: tuple[str, ...]) -> tuple[pd.MultiIndex, list[list[frozenset[str] | None]]]:
    """The units, and the set of codes that each rater gave each of them, None where they did not rate it."""
    by_unit = (
        rows.groupby([*UNIT, "rater"])["code"]
        .agg(lambda codes: frozenset(code for code in codes if code))
        .unstack("rater")
        .reindex(columns=list(raters))
    )
    sets = [
        [label if isinstance(label, frozenset) else None for label in labels] for labels in by_unit.to_numpy().tolist()
    ]
    return by_unit.index, sets


def _on_code(
    rows: pd.DataFrame,
    code: str,
    raters: list[str],
    participant: pd.Series,
    level: float,
    resamples: int,
    rng: np.random.Generator,
) -> CodeAgreement:
    table = unit_by_rater(rows, code, raters)
    ratings = table.to_numpy()
    rated = (~np.isnan(ratings)).sum(axis=1)
    clusters = participant[table.index].to_numpy()
    kappa = (cohen_kappa if len(raters) == 2 else fleiss_kappa)(
        ratings, categories=[0, 1], level=level, clusters=clusters, resamples=resamples, rng=rng
    )
    ac1 = gwet_ac(ratings, categories=[0, 1], level=level, clusters=clusters, resamples=resamples, rng=rng)
    alpha = krippendorff_alpha(
        ratings, metric="nominal", categories=[0, 1], clusters=clusters, resamples=resamples, rng=rng, level=level
    )
    return CodeAgreement(
        code,
        int((rated > 1).sum()),
        int((rated == 1).sum()),
        {rater: float(np.nanmean(ratings[:, place])) for place, rater in enumerate(raters)},
        percent_agreement(ratings),
        specific_agreement(ratings),
        kappa,
        ac1,
        alpha,
    )
