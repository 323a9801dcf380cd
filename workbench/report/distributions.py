"""How the answers to each item are distributed, apart for each condition or occasion: as given, nothing turned round."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from workbench.errors import ArgumentError
from workbench.instrument import Item, ResponseFormat
from workbench.measure import settings
from workbench.report.figures import Figure, diverging_bars
from workbench.report.table import Column, Table
from workbench.report.tables.parts import place_name
from workbench.study import Questionnaire, Study

if TYPE_CHECKING:
    import pandas as pd

MOST_POINTS = 11
"""Points of a scale that are drawn as bars; with more of them answers are counted in a table."""
MOST_ROWS = 25


def distribution(study: Study, answers: pd.DataFrame, questionnaire: str, instrument: str, item: str) -> Figure | Table:
    """The answers to one item in each setting: bars around the middle of its scale, or a table of counts.

    `answers` are those of a study (columns of ANSWER_COLUMNS). Raises ArgumentError where the study asks no such item.
    """
    asked = next((one for one in study.declared.questionnaires if one.id == questionnaire), None)
    if asked is None or instrument not in {use.id for use in asked.instruments}:
        raise ArgumentError(f"`questionnaire` {questionnaire!r} with `instrument` {instrument!r} is not of this study.")
    found, response = study.instruments[instrument].item(item), study.instruments[instrument].response_of(item)
    mine = answers[
        (answers["questionnaire"] == questionnaire) & (answers["instrument"] == instrument) & (answers["item"] == item)
    ]
    places = _places(study, asked, mine)
    if _drawn(response) and len(mine) and mine["value"].notna().any():
        return _bars(found, response, places)
    return _counts(found, places)


def _places(study: Study, questionnaire: Questionnaire, answers: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The answers of each setting, by its label."""
    return {
        place_name(study, condition or occasion): answers[
            (answers["condition"] == condition) & (answers["occasion"] == occasion)
        ]
        for condition, occasion in settings(questionnaire.asked, study.conditions)
    }


def _drawn(response: ResponseFormat) -> bool:
    low, high = response.range
    return response.kind in ("likert", "differential") and math.isfinite(high - low) and high - low < MOST_POINTS


def _bars(item: Item, response: ResponseFormat, places: Mapping[str, pd.DataFrame]) -> Figure:
    low, high = response.range
    points = range(int(low), int(high) + 1)
    counts = {label: [int((rows["value"] == point).sum()) for point in points] for label, rows in places.items()}
    labels = {float(point): words for point, words in response.labels.items()}
    ends = tuple(item.poles) or (labels.get(low, ""), labels.get(high, ""))
    title = f"{item.id}{' (reversed when scored)' if item.reverse else ''}: {item.text}"
    return diverging_bars(
        f"answers_{item.id}", title, counts, points=list(points), anchors=(str(ends[0]), str(ends[1]))
    )


def _counts(item: Item, places: Mapping[str, pd.DataFrame]) -> Table:
    """How often each answer was given, the answers in order; those in words are cut after the commonest."""
    import pandas as pd

    shown = {label: rows.loc[rows["missing"] == "", "raw"].str.strip() for label, rows in places.items()}
    every = pd.concat(list(shown.values())) if shown else pd.Series(dtype="str")
    common = every.value_counts().head(MOST_ROWS).index
    keys = {label: f"setting_{number}" for number, label in enumerate(shown)}
    columns = (Column("answer", "Answer"), *(Column(key, label, "count") for label, key in keys.items()))
    rows = tuple(
        {"answer": str(answer)} | {key: int((shown[label] == answer).sum()) for label, key in keys.items()}
        for answer in sorted(common, key=_in_order)
    )
    rest = every.nunique() - len(rows)
    notes = (f"{rest} further answers are not listed.",) if rest > 0 else ()
    return Table(f"answers_{item.id}", f"{item.id}: {item.text}", columns, rows, notes)


def _in_order(answer: str) -> tuple[float, str]:
    try:
        return float(answer), answer
    except ValueError:
        return math.inf, answer
