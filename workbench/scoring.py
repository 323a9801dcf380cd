"""Answers to measures: reversal, the missing rule, the score, and the reason where there is none."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

from workbench.instrument import Instrument, Scale, score_range
from workbench.measure import (
    NOT_COLLECTED,
    SETTING,
    Measure,
    on_the_whole_grid,
    settings,
    with_exclusions,
    without_excluded,
)
from workbench.responses.names import looked_up
from workbench.responses.questionnaires import NOT_APPLICABLE, Responses
from workbench.study import Questionnaire, Study

if TYPE_CHECKING:
    import pandas as pd


def scale_measures(study: Study, responses: Responses) -> list[Measure]:
    """A measure for every scale of every questionnaire, in the order study.toml names them.

    Reversed items count as low + high - answer. A score needs as many answers as the plan's missing
    rule says. A mean is over the answered items; a sum (plain or weighted) with items missing is scaled up to all
    items, which gives a sum the same meaning as the mean; with weights of both signs it is not, and all items
    are needed. Weights that come from answers need all of those answers. Then `add` and `multiply` are applied.
    A setting in which no item was answered was not collected.
    """
    measures = []
    for questionnaire in study.declared.questionnaires:
        for use in questionnaire.instruments:
            instrument = study.instruments[use.id]
            mine = responses.answers[
                (responses.answers["questionnaire"] == questionnaire.id) & (responses.answers["instrument"] == use.id)
            ]
            measures += [_measure(study, questionnaire, instrument, scale, mine) for scale in instrument.scales]
    return measures


def answers_needed(scale: Scale, rule: str) -> int:
    """How many answered items a score needs under the plan's missing rule."""
    if rule == "complete":
        return len(scale.items)
    if rule == "half":
        return ceil(len(scale.items) / 2)
    return scale.answers_needed or len(scale.items)


def scored_answers(instrument: Instrument, scale: Scale, answers: pd.DataFrame) -> pd.DataFrame:
    """The answers to a scale's items with reversal done: participant, condition, occasion, item, value, missing."""
    rows = answers[answers["item"].isin(scale.items)]
    sums = {item: sum(instrument.response_of(item).range) for item in scale.items if instrument.item(item).reverse}
    turned = looked_up(rows["item"], sums) - rows["value"]
    value = rows["value"].where(~rows["item"].isin(list(sums)), turned)
    return rows.assign(value=value)[[*SETTING, "item", "value", "missing"]].reset_index(drop=True)


def pair_answers(instrument: Instrument, scale: Scale, answers: pd.DataFrame) -> pd.DataFrame:
    """The answers to the pairs that weigh a scale's items: a row per setting, a column per pair; none where none do."""
    pairs = [item.id for item in instrument.items_of(scale.weights_from)] if scale.weights_from else []
    rows = answers[answers["item"].isin(pairs)]
    return rows.pivot(index=SETTING, columns="item", values="value").reindex(columns=pairs)


def times_chosen(instrument: Instrument, scale: Scale, pairs: pd.DataFrame) -> pd.DataFrame:
    """How often each item of a scale was chosen: a row per setting, a column per item; NaN unless all pairs are answered.

    A pair is answered by 1 for the first of its two items and 2 for the second (Hart & Staveland 1988).
    """
    import pandas as pd

    counts = pd.DataFrame(0.0, index=pairs.index, columns=list(scale.items))
    for pair in pairs.columns:
        for place, item in enumerate(instrument.item(pair).pair, start=1):
            counts[item] += pairs[pair] == place
    return counts.where(pairs.notna().all(axis=1))


def scores(
    instrument: Instrument, scale: Scale, answers: pd.DataFrame, needed: int, pairs: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Scores of a scale: participant, condition, occasion, value, reason, from answers with reversal done.

    `answers` has participant, condition, occasion, item, value, missing; `pairs` are those of `pair_answers`, for a scale
    whose weights come from answers. A value is NaN with a reason where fewer than `needed` items are answered, where
    those answered cannot be scaled up, or where a pair is not answered.
    """
    import numpy as np

    wide = answers.pivot(index=SETTING, columns="item", values="value").reindex(columns=list(scale.items)).astype(float)
    given = wide.notna().to_numpy()
    answered = given.sum(axis=1)
    weights = np.array([[float(scale.weights.get(item, 1)) for item in scale.items]])
    unweighed = np.zeros(len(wide), dtype=int)
    if pairs is not None and scale.weights_from:
        pairs = pairs.reindex(wide.index)
        weights = times_chosen(instrument, scale, pairs).to_numpy()
        unweighed = pairs.isna().to_numpy().sum(axis=1)
    total = np.where(given, wide.to_numpy() * weights, 0.0).sum(axis=1)
    base = np.where(given, weights, 0.0).sum(axis=1)
    whole = answered == len(scale.items)
    with np.errstate(divide="ignore", invalid="ignore"):
        averaged = scale.score in ("mean", "weighted_mean")
        raw = total / base if averaged else np.where(whole, total, total * weights.sum(axis=1) / base)
    enough = (answered >= needed) & (unweighed == 0)
    one_sign = (weights >= 0).all(axis=1) | (weights <= 0).all(axis=1)
    scalable = whole | (one_sign & (base != 0))
    value = np.where(enough & scalable, (raw + scale.add) * scale.multiply, np.nan)
    declined = (answers["missing"] == NOT_APPLICABLE).groupby([answers[name] for name in SETTING]).sum()
    reason = [
        _reason(int(count), len(scale.items), needed, int(not_applicable), scalable=bool(fine))
        for count, not_applicable, fine in zip(answered, declined.reindex(wide.index), scalable, strict=True)
    ]
    if pairs is not None and unweighed.any():
        n_pairs = pairs.shape[1]
        reason = [
            said
            if not lacking or said == NOT_COLLECTED
            else "; ".join(filter(None, (said, f"{n_pairs - lacking} of {n_pairs} pairs answered, all needed")))
            for said, lacking in zip(reason, unweighed, strict=True)
        ]
    return wide.index.to_frame(index=False).assign(value=value, reason=reason)


def _reason(answered: int, items: int, needed: int, not_applicable: int, *, scalable: bool) -> str:
    """Why there is no score; "" where there is one."""
    if not answered and not not_applicable:
        return NOT_COLLECTED
    if answered >= needed:
        return "" if scalable else f"{answered} of {items} items answered, and their weights cannot be scaled up"
    text = f"{answered} of {items} items answered, {needed} needed"
    return f"{text}; {not_applicable} not applicable" if not_applicable else text


def _measure(
    study: Study, questionnaire: Questionnaire, instrument: Instrument, scale: Scale, answers: pd.DataFrame
) -> Measure:
    rows = scored_answers(instrument, scale, answers)
    pairs = pair_answers(instrument, scale, answers)
    found = scores(instrument, scale, rows, answers_needed(scale, study.plan.missing), pairs)
    whole = on_the_whole_grid(found, study.participants, settings(questionnaire.asked, study.conditions))
    values = with_exclusions(whole, scale.id, study.declared.exclusions)
    low, high = score_range(instrument, scale)
    return Measure(
        scale.id,
        scale.label,
        scale.unit,
        scale.higher,
        "scale",
        questionnaire.asked,
        values,
        without_excluded(rows.drop(columns="missing"), values),
        low,
        high,
        tuple(scale.items),
    )
