"""Effects at sizes where equal values are counted and distributions are normal, against plain listing by numpy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import rankdata

from workbench.stats.comparison import rank_sum, signed_rank

CLOSE = {"rel": 1e-8, "abs": 1e-12}


def seven_points(rng: np.random.Generator, n: int, mean: float) -> np.ndarray:
    return np.clip(np.round(rng.normal(mean, 1.4, n)), 1, 7)


def listed_interval(ordered: np.ndarray, mean: float, sd: float, level: float) -> tuple[float, float, float]:
    """Low, high and level reached, from every value of a normal distribution function, as a table would give them."""
    cdf = ndtr((np.arange(int(mean) + 1) + 0.5 - mean) / sd)
    c = int((cdf <= (1 - level) / 2).sum())
    return float(ordered[c - 1]), float(ordered[-c]), float(1 - 2 * cdf[c - 1])


@pytest.mark.parametrize("ties", [True, False])
@pytest.mark.parametrize("n", [7, 60, 700])
@pytest.mark.parametrize("level", [0.95, 0.8])
def test_paired_shift_is_the_median_of_all_walsh_averages(
    rng: np.random.Generator, n: int, ties: bool, level: float
) -> None:
    x, y = (seven_points(rng, n, 4.4), seven_points(rng, n, 4)) if ties else rng.normal(size=(2, n))
    differences = x - y
    first, second = np.triu_indices(n)
    walsh = np.sort((differences[first] + differences[second]) / 2)
    result = signed_rank(x, y, level=level)
    assert result.hodges_lehmann == pytest.approx(np.median(walsh), **CLOSE)
    if n > 500:
        low, high, reached = listed_interval(walsh, n * (n + 1) / 4, np.sqrt(n * (n + 1) * (2 * n + 1) / 24), level)
        interval = result.hodges_lehmann_interval
        assert (interval.low, interval.high, interval.level) == pytest.approx((low, high, reached), **CLOSE)


@pytest.mark.parametrize("ties", [True, False])
@pytest.mark.parametrize("sizes", [(6, 9), (70, 80)])
def test_group_shift_is_the_median_of_all_differences(
    rng: np.random.Generator, sizes: tuple[int, int], ties: bool
) -> None:
    x, y = (seven_points(rng, n, 4.3) if ties else rng.normal(size=n) for n in sizes)
    shifts = np.sort((x[:, None] - y).ravel())
    result = rank_sum(x, y)
    assert result.hodges_lehmann == pytest.approx(np.median(shifts), **CLOSE)
    if len(shifts) > 3600:
        low, high, reached = listed_interval(
            shifts, len(shifts) / 2, np.sqrt(len(shifts) * (sum(sizes) + 1) / 12), 0.95
        )
        interval = result.hodges_lehmann_interval
        assert (interval.low, interval.high, interval.level) == pytest.approx((low, high, reached), **CLOSE)


@pytest.mark.parametrize("zeros", ["pratt", "drop"])
def test_signed_ranks_of_many_people(rng: np.random.Generator, zeros: str) -> None:
    """12,500 people answer quickly only if nothing compares or adds each with each."""
    x, y = seven_points(rng, 12_500, 4.1), seven_points(rng, 12_500, 4)
    differences = x - y if zeros == "pratt" else (x - y)[x != y]
    ranks = rankdata(np.abs(differences))
    result = signed_rank(x, y, zeros=zeros)
    assert result.w_plus == ranks[differences > 0].sum()
    assert result.w_minus == ranks[differences < 0].sum()
    assert result.exact_method == "none"
    assert result.hodges_lehmann_interval.defined


def test_one_person_beside_thousands_is_too_few_for_an_interval(rng: np.random.Generator) -> None:
    result = rank_sum([5.0], seven_points(rng, 4000, 4))
    assert np.isnan(result.hodges_lehmann_interval.low)
    assert np.isnan(result.hodges_lehmann_interval.high)
    assert "too few" in result.reason
