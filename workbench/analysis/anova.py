"""Repeated-measures analysis of variance, a check beside Friedman's test. Never corrected in a family of the plan.

It assumes that differences between conditions are about normal, on a scale with equal steps; the Greenhouse-Geisser
correction deals with differences whose spread is not the same for all pairs of conditions (no sphericity).
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
from scipy.special import chdtrc

from workbench.measure import Measure
from workbench.stats._checks import TIE_TOLERANCE
from workbench.stats.intervals import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class RepeatedAnova:
    """One-way repeated-measures analysis of variance over the participants with a value in every condition.

    `epsilon` is Greenhouse and Geisser's, `p_corrected` has both degrees of freedom multiplied by it. `mauchly_p` is
    from the chi-square approximation of the first order. `generalized_eta_squared` counts differences between people
    as variation, `partial_eta_squared` does not.
    """

    n_used: int
    n_dropped: int
    f: float
    df1: int
    df2: int
    p: float
    epsilon: float
    p_corrected: float
    mauchly_w: float
    mauchly_p: float
    partial_eta_squared: float
    generalized_eta_squared: float
    reason: str


def repeated_anova(values: FloatArray) -> RepeatedAnova:
    """The analysis of `values` (participants, conditions), NaN = missing; pingouin computes it.

    Participants with a missing value are dropped and counted. Undefined, with a reason, for fewer than three conditions
    or participants, and where conditions differ alike for everybody. Mauchly's test is undefined with fewer participants
    than conditions, and where some conditions are answered alike by everybody.

    Greenhouse & Geisser 1959, Psychometrika 24:95; Mauchly 1940, Annals of Mathematical Statistics 11:204; generalized
    eta squared: Olejnik & Algina 2003, Psychological Methods 8:434 (all from memory).
    """
    complete = values[~np.isnan(values).any(axis=1)]
    n, k = complete.shape
    reason = _reason(complete)
    if reason:
        df2 = max(n - 1, 0) * (k - 1)
        return RepeatedAnova(n, len(values) - n, nan, k - 1, df2, nan, nan, nan, nan, nan, nan, nan, reason)
    import pandas as pd
    import pingouin

    table = pd.DataFrame(complete)
    with warnings.catch_warnings():
        for category in (RuntimeWarning, DeprecationWarning):
            warnings.filterwarnings("ignore", category=category, module="pingouin")
        within, error = pingouin.rm_anova(table, correction=True, detailed=True, effsize="np2").to_dict("records")
        tested = np.linalg.matrix_rank(_residuals(complete)) == k - 1
        sphericity = pingouin.sphericity(table) if tested else None
    between = k * float(((complete.mean(axis=1) - complete.mean()) ** 2).sum())
    return RepeatedAnova(
        n,
        len(values) - n,
        float(within["F"]),
        k - 1,
        (n - 1) * (k - 1),
        float(within["p_unc"]),
        float(within["eps"]),
        float(within["p_GG_corr"]),
        float(sphericity.W) if sphericity else nan,
        float(chdtrc(sphericity.dof, sphericity.chi2)) if sphericity else nan,
        float(within["np2"]),
        float(within["SS"] / (within["SS"] + between + error["SS"])),
        "" if tested else "too few participants, or conditions that nobody tells apart, for Mauchly's test",
    )


def _residuals(complete: FloatArray) -> FloatArray:
    """What is left of the values when means of participants and of conditions are taken off."""
    centered = complete - complete.mean(axis=1, keepdims=True)
    return np.asarray(centered - centered.mean(axis=0))


def _reason(complete: FloatArray) -> str:
    """Why the analysis is undefined; "" where it is defined."""
    n, k = complete.shape
    if k < 3:
        return "fewer than three conditions"
    if n < 3:
        return f"{n} participant{' has' if n == 1 else 's have'} a value in every condition; three are needed"
    if np.abs(_residuals(complete)).max() <= TIE_TOLERANCE * np.abs(complete).max():
        return "the differences between conditions are the same for everybody, so F is undefined"
    return ""


def anovas(
    measures: Sequence[Measure], participants: Sequence[str], conditions: Sequence[str]
) -> dict[str, RepeatedAnova]:
    """The analysis of every measure asked per condition, by its id; none for fewer than three conditions."""
    if len(conditions) < 3:
        return {}
    return {
        measure.id: repeated_anova(measure.by_condition(participants, conditions).to_numpy())
        for measure in measures
        if measure.asked == "per_condition"
    }
