"""The statistics against values that R computed, read from `references/r_values.json`; R itself is not started.

`references/make_r_values.R` made the file, which holds the data, R's and its packages' versions and the date.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from workbench.stats import comparison, preference, reliability
from workbench.stats.agreement import cohen_kappa
from workbench.stats.intervals import Interval

REFERENCE = json.loads((Path(__file__).parents[1] / "references" / "r_values.json").read_text(encoding="utf-8"))
MADE, CASES = REFERENCE["made"], REFERENCE["cases"]
CLOSE = {"rel": 1e-8, "abs": 1e-12}


def cases_of(statistic: str) -> list[dict[str, Any]]:
    return [case for case in CASES if case["statistic"] == statistic]


def ends(interval: Interval) -> dict[str, float]:
    return {"low": interval.low, "high": interval.high}


def values_by_name(result: Any, expected: dict[str, Any]) -> dict[str, Any]:
    """The fields of `result` that R has a value for."""
    return {name: getattr(result, name) for name in expected if hasattr(result, name)}


def alpha(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    result = reliability.cronbach_alpha(**data)
    return values_by_name(result, expected) | ends(result.interval)


def intraclass(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    result = reliability.intraclass_correlations(**data)
    estimates = {form: getattr(result, form) for form in expected["value"]}
    return {
        "value": {form: estimate.value for form, estimate in estimates.items()},
        "low": {form: estimate.interval.low for form, estimate in estimates.items()},
        "high": {form: estimate.interval.high for form, estimate in estimates.items()},
    }


def within_between(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    result = reliability.within_between_alpha(**data)
    return {"within": result.within.value, "between": result.between.value}


def signed_rank(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    result = comparison.signed_rank(**data)
    shift = ends(result.hodges_lehmann_interval) if "low" in expected else {}
    return values_by_name(result, expected) | shift


def rank_sum(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    result = comparison.rank_sum(**data)
    shift = ends(result.hodges_lehmann_interval) if "low" in expected else {}
    return values_by_name(result, expected) | shift


def adjusted(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    return {"adjusted": comparison.adjust(**data)}


def kappas(data: dict[str, Any], expected: dict[str, Any]) -> dict[str, Any]:
    results = {
        "plain": cohen_kappa(**data),
        "linear": cohen_kappa(**data, weights="linear"),
        "quadratic": cohen_kappa(**data, weights="quadratic"),
    }
    return {name: {"value": result.value, "standard_error": result.standard_error} for name, result in results.items()}


def fields_of(statistic: Callable[..., Any]) -> Callable[[dict[str, Any], dict[str, Any]], dict[str, Any]]:
    return lambda data, expected: values_by_name(statistic(**data), expected)


ROUTES = {
    "adjust": adjusted,
    "bradley_terry": fields_of(preference.bradley_terry),
    "choice_test": fields_of(preference.choice_test),
    "cochran_q": fields_of(comparison.cochran_q),
    "cohen_kappa": kappas,
    "cronbach_alpha": alpha,
    "equivalence": fields_of(comparison.equivalence),
    "friedman": fields_of(comparison.friedman),
    "intraclass_correlations": intraclass,
    "item_analysis": fields_of(reliability.item_analysis),
    "kendall_w": fields_of(preference.kendall_w),
    "mcnemar": fields_of(comparison.mcnemar),
    "omega_total": fields_of(reliability.omega_total),
    "page_trend": fields_of(comparison.page_trend),
    "plackett_luce": fields_of(preference.plackett_luce),
    "polychoric_correlation": fields_of(reliability.polychoric_correlation),
    "rank_sum": rank_sum,
    "signed_rank": signed_rank,
    "spearman_brown": fields_of(reliability.spearman_brown),
    "standard_error_of_measurement": fields_of(reliability.standard_error_of_measurement),
    "within_between_alpha": within_between,
}

# Both sides search for the top of a likelihood; from its values alone, as here, it is found to about 1e-8.
LOOSER = {"polychoric_correlation": {"abs": 1e-7}}


def flat(values: Any, name: str = "") -> dict[str, float]:
    """Every number under its path, so that a failure says which one."""
    if isinstance(values, dict):
        return {path: number for key, inner in values.items() for path, number in flat(inner, f"{name}.{key}").items()}
    return {f"{name}[{place}]": float(number) for place, number in enumerate(np.ravel(values))}


@pytest.mark.parametrize("case", CASES, ids=[f"{case['statistic']}-{number}" for number, case in enumerate(CASES)])
def test_value_agrees_with_r(case: dict[str, Any]) -> None:
    statistic, expected = case["statistic"], case["expected"]
    found = ROUTES[statistic](case["data"], expected)
    assert flat(found) == pytest.approx(flat(expected), **LOOSER.get(statistic, CLOSE)), case["by"]


def test_every_statistic_has_cases() -> None:
    assert {case["statistic"] for case in CASES} == set(ROUTES)


def test_file_says_what_made_it() -> None:
    assert MADE["date"] > "2026"
    assert MADE["R"].startswith("R version")
    assert {"psych", "coin", "exactRankTests"} <= set(MADE["packages"])


def test_signed_rank_cases_hold_zeros_and_ties_under_both_rules() -> None:
    """The exact p under ties is what the reference is for; a file without ties would check little."""
    tied = [case["data"] for case in cases_of("signed_rank") if "zeros" in case["data"]]
    assert {data["zeros"] for data in tied} == {"pratt", "drop"}
    for data in tied:
        differences = np.subtract(data["x"], data["y"])
        magnitudes = np.abs(differences[differences != 0])
        assert (differences == 0).any()
        assert len(np.unique(magnitudes)) < len(magnitudes)
