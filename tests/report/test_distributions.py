"""Distributions of items: counts by hand, nothing turned round, and words where there are no points."""

from __future__ import annotations

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.errors import ArgumentError
from workbench.report.distributions import distribution
from workbench.report.figures import Figure
from workbench.report.table import Table
from workbench.responses.questionnaires import read_responses

ROWS = ("A01 still 1 7 yes", "A01 slosh 7 1 no", "A02 still 1 6 yes", "A02 slosh . 1 no", "A03 still 4 4 yes")


@pytest.fixture
def study(tmp_path):
    return study_in(
        tmp_path,
        instruments=[instrument("calm", ["q1", "q2"], reverse=["q2"], texts=["why"])],
        files={"calm.csv": sheet("participant condition q1 q2 why", *ROWS)},
        questionnaires=[questionnaire("calm", ["calm"])],
    )


def test_bars_count_the_answers_on_each_point_of_each_condition(study):
    figure = distribution(study, read_responses(study).answers, "calm", "calm", "q1")
    assert isinstance(figure, Figure)
    assert "2 answered 1, 0 answered 2, 0 answered 3, 1 answered 4" in figure.alternative
    assert "1 answered 7 (n = 1)" in figure.alternative


def test_a_reversed_item_is_shown_as_answered_and_says_so(study):
    figure = distribution(study, read_responses(study).answers, "calm", "calm", "q2")
    assert "reversed when scored" in figure.title
    assert "2 answered 1" in figure.alternative.split("slosh")[1]


def test_answers_in_words_are_counted_in_a_table(study):
    table = distribution(study, read_responses(study).answers, "calm", "calm", "why")
    assert isinstance(table, Table)
    assert [tuple(row.values()) for row in table.rows] == [("no", 0, 2), ("yes", 3, 0)]


def test_an_item_nobody_answered_has_an_empty_table(study):
    answers = read_responses(study).answers
    table = distribution(study, answers[answers["item"] != "q1"], "calm", "calm", "q1")
    assert isinstance(table, Table)
    assert table.rows == ()


def test_what_the_study_does_not_ask_is_refused(study):
    with pytest.raises(ArgumentError, match="not of this study"):
        distribution(study, read_responses(study).answers, "calm", "ease", "q1")
