"""Williams squares against their defining properties."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise, permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.errors import ArgumentError
from workbench.orders import williams_square

CONDITIONS = st.lists(st.text(max_size=4), min_size=2, max_size=13, unique=True)


def neighbours(square: list[list[str]]) -> Counter[tuple[str, str]]:
    return Counter(pair for row in square for pair in pairwise(row))


@pytest.mark.parametrize("k", [4, 6])
def test_published_properties_for_even_k(published: dict[str, dict[str, Any]], k: int) -> None:
    """Williams 1949, Australian Journal of Scientific Research A 2:149; Bradley 1958, JASA 53:525."""
    expected = published["latin_williams_even"]["expected"]
    square = williams_square([str(number) for number in range(k)])
    assert len(square) == expected[f"rows_needed.k{k}"]
    assert [int(name) for name in square[0]] == expected[f"first_row.k{k}"]
    assert set(neighbours(square).values()) == {expected[f"pair_count.k{k}"]}
    for place in range(k):
        assert set(Counter(row[place] for row in square).values()) == {expected[f"position_count.k{k}"]}


@given(conditions=CONDITIONS)
def test_places_and_neighbours_are_balanced(conditions: list[str]) -> None:
    k = len(conditions)
    times = 1 if k % 2 == 0 else 2
    square = williams_square(conditions)
    assert len(square) == times * k
    assert all(sorted(row) == sorted(conditions) for row in square)
    for place in range(k):
        assert Counter(row[place] for row in square) == dict.fromkeys(conditions, times)
    assert neighbours(square) == dict.fromkeys(permutations(conditions, 2), times)


@given(conditions=CONDITIONS)
def test_no_sequence_stands_there_twice(conditions: list[str]) -> None:
    square = [tuple(row) for row in williams_square(conditions)]
    assert len(set(square)) == len(square)


@given(conditions=CONDITIONS)
def test_the_first_sequence_begins_with_the_first_condition(conditions: list[str]) -> None:
    assert williams_square(conditions)[0][:2] == conditions[:2]


def test_the_conditions_are_left_as_they_are() -> None:
    conditions = ["a", "b", "c"]
    williams_square(conditions)[0].reverse()
    assert conditions == ["a", "b", "c"]


@pytest.mark.parametrize("conditions", [[], ["a"], ["a", "b", "a"]])
def test_too_few_or_repeated_conditions(conditions: list[str]) -> None:
    with pytest.raises(ArgumentError, match=r"`conditions` is .*at least 2 distinct conditions are needed"):
        williams_square(conditions)
