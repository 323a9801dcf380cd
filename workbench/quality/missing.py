"""What is missing where: a map of participants and settings, the items that are skipped, and complete cases.

A setting is a condition or an occasion of a questionnaire. Answers in words are not counted: leaving a remark empty is no gap.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from workbench.measure import SETTING, settings
from workbench.responses.names import looked_up
from workbench.responses.questionnaires import NOT_APPLICABLE, SKIPPED, Responses
from workbench.study import Questionnaire, Study

if TYPE_CHECKING:
    import pandas as pd

State = Literal["complete", "in part", "nothing"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One participant's answers to one questionnaire in one setting.

    Of `asked` items `answered` have an answer, `skipped` are empty and `not_applicable` were declined; the rest have no
    cell in any file. `excluded` tells why answers of this setting are left out of some measure ("" where none is).
    """

    participant: str
    questionnaire: str
    setting: str
    asked: int
    answered: int
    skipped: int
    not_applicable: int
    excluded: str

    @property
    def state(self) -> State:
        if not self.answered:
            return "nothing"
        return "complete" if self.answered == self.asked else "in part"


@dataclass(frozen=True, slots=True)
class ItemGaps:
    """How often one item was left open, in the settings in which anything was answered."""

    questionnaire: str
    instrument: str
    item: str
    sessions: int
    skipped: int
    not_applicable: int


def missing_map(study: Study, responses: Responses) -> list[Cell]:
    """A cell for every participant in every setting of every questionnaire, whether anything was collected or not."""
    return [cell for one in study.declared.questionnaires for cell in _cells(study, one, responses.answers)]


def item_gaps(study: Study, responses: Responses) -> list[ItemGaps]:
    """The items that somebody left open, those left open most first."""
    answers = in_sessions(countable(study, responses.answers))
    told = answers[["questionnaire", "instrument", "item"]].assign(
        skipped=answers["missing"] == SKIPPED, declined=answers["missing"] == NOT_APPLICABLE
    )
    grouped = told.groupby(["questionnaire", "instrument", "item"], sort=False)
    counts = grouped[["skipped", "declined"]].sum().assign(sessions=grouped.size())
    open_items = counts[counts["skipped"] + counts["declined"] > 0].sort_values(
        "skipped", ascending=False, kind="stable"
    )
    return [
        ItemGaps(questionnaire, instrument, item, int(row["sessions"]), int(row["skipped"]), int(row["declined"]))
        for (questionnaire, instrument, item), row in open_items.iterrows()
    ]


def stopped_early(study: Study, responses: Responses) -> list[tuple[str, str, str, int, int]]:
    """Sessions answered up to some item and open from there to the end: (questionnaire, participant, setting, answered, asked).

    Items count in the order in which the questionnaire declares them; two open items at the end are the least.
    """
    found = []
    for one in study.declared.questionnaires:
        order = {".".join(name): place for place, name in enumerate(_items(study, one))}
        mine = in_sessions(countable(study, responses.answers[responses.answers["questionnaire"] == one.id]))
        with_gaps = (mine["missing"] == SKIPPED).groupby([mine[name] for name in SETTING], sort=False).transform("any")
        mine = mine[with_gaps]
        place = looked_up(mine["instrument"] + "." + mine["item"], order)
        mine = mine.assign(place=place, open=mine["missing"] == SKIPPED)
        last = mine["place"].where(~mine["open"]).groupby([mine[name] for name in SETTING], sort=False).transform("max")
        rows = mine.assign(before=mine["open"] & (mine["place"] < last), after=mine["place"] > last)
        sessions = rows.groupby(SETTING, sort=False).agg(
            before=("before", "sum"), after=("after", "sum"), asked=("place", "size")
        )
        stopped = sessions[(sessions["before"] == 0) & (sessions["after"] > 1)]
        found += [
            (one.id, participant, condition or occasion, int(row["asked"] - row["after"]), int(row["asked"]))
            for (participant, condition, occasion), row in stopped.iterrows()
        ]
    return found


def _items(study: Study, questionnaire: Questionnaire) -> list[tuple[str, str]]:
    """The items that count as asked: all but those answered in words."""
    return [
        (use.id, item.id)
        for use in questionnaire.instruments
        for item in study.instruments[use.id].items
        if study.instruments[use.id].response_of(item.id).kind != "text"
    ]


def countable(study: Study, answers: pd.DataFrame) -> pd.DataFrame:
    """The answers that are not words."""
    words = {
        f"{name}.{item.id}"
        for name, instrument in study.instruments.items()
        for item in instrument.items
        if instrument.response_of(item.id).kind == "text"
    }
    return answers[~to_items(answers, words)] if words else answers


def to_items(answers: pd.DataFrame, items: Collection[str]) -> pd.Series:
    """Which answers are to one of `items`, named INSTRUMENT.ITEM."""
    by_instrument: dict[str, list[str]] = {}
    for name in items:
        instrument, _, item = name.partition(".")
        by_instrument.setdefault(instrument, []).append(item)
    found = answers["item"] != answers["item"]
    for instrument, names in by_instrument.items():
        found |= (answers["instrument"] == instrument) & answers["item"].isin(names)
    return found


def in_sessions(answers: pd.DataFrame) -> pd.DataFrame:
    """The answers of settings in which at least one question was answered."""
    setting = [answers[name] for name in SETTING]
    return answers[(answers["missing"] == "").groupby(setting, sort=False).transform("any")]


def _cells(study: Study, questionnaire: Questionnaire, answers: pd.DataFrame) -> list[Cell]:
    asked = len(_items(study, questionnaire))
    mine = countable(study, answers[answers["questionnaire"] == questionnaire.id])
    counts = (
        mine.groupby(["participant", "condition", "occasion", "missing"], sort=False).size().to_dict()
        if len(mine)
        else {}
    )
    reasons = _exclusions(study, questionnaire)
    return [
        Cell(
            participant,
            questionnaire.id,
            condition or occasion,
            asked,
            counts.get((participant, condition, occasion, ""), 0),
            counts.get((participant, condition, occasion, SKIPPED), 0),
            counts.get((participant, condition, occasion, NOT_APPLICABLE), 0),
            reasons.get((participant, condition), reasons.get((participant, ""), "")),
        )
        for participant in study.participants
        for condition, occasion in settings(questionnaire.asked, study.conditions)
    ]


def _exclusions(study: Study, questionnaire: Questionnaire) -> dict[tuple[str, str], str]:
    """Reasons by participant and condition ("" for all) of what is left out of a scale of this questionnaire."""
    scales = {scale.id for use in questionnaire.instruments for scale in study.instruments[use.id].scales}
    return {
        (one.participant, one.condition or ""): one.reason
        for one in study.declared.exclusions
        if not one.measures or scales & set(one.measures)
    }
