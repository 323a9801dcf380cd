"""Participants step by step: planned, taking part, in each condition, in the analysis of each primary measure.

The counts that CONSORT's flow diagram asks for (Schulz, Altman & Moher 2010, BMJ 340:c332), for one group that
meets every condition.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

from workbench.measure import EXCLUDED, Measure
from workbench.responses.session_log import SessionLog
from workbench.study import Study


@dataclass(frozen=True, slots=True)
class Step:
    """How many participants there were at one step; `left` says who is no longer there, why, and how many.

    `key` is its name for machines; `n` is NaN where it was not stated.
    """

    key: str
    label: str
    n: float
    left: tuple[tuple[str, int], ...] = ()


def participant_flow(
    study: Study, measures: Sequence[Measure], log: SessionLog | None, interviewed: int | None
) -> list[Step]:
    """The steps, in order; measures asked per condition, primary ones first, each with who is not in its analysis."""
    who = study.declared.participants
    planned = nan if study.plan.target_n is None else study.plan.target_n
    present = len(study.participants)
    steps = [
        Step("planned", "Planned", planned),
        Step(
            "enrolled",
            "Began, without pilots",
            present + who.withdrawn,
            (("withdrew and were erased", who.withdrawn),) * bool(who.withdrawn),
        ),
        Step("declared", "Took part", present),
    ]
    if log is not None:
        met = log.runs.groupby("condition")["participant"].nunique()
        all_met = log.runs.groupby("participant")["condition"].nunique()
        steps += [
            Step(f"ran_{condition}", f"Met {study.condition_labels[condition]}", int(met.get(condition, 0)))
            for condition in study.conditions
        ]
        steps.append(Step("ran_all", "Met every condition", int((all_met == len(study.conditions)).sum())))
    steps += [_analysed(study, measure) for measure in _primary_first(study, measures)]
    if interviewed is not None:
        steps.append(Step("interviewed", "Interviewed", interviewed))
    return steps


def _primary_first(study: Study, measures: Sequence[Measure]) -> list[Measure]:
    order = {name: place for place, name in enumerate(study.plan.primary)}
    asked = [one for one in measures if one.asked == "per_condition"]
    return sorted(asked, key=lambda one: order.get(one.id, len(order)))


def _analysed(study: Study, measure: Measure) -> Step:
    """Those with the measure in every condition, and why others are not among them: each counts under their first reason."""
    values = measure.values[measure.values["participant"].isin(study.participants)]
    lacking = values[values["value"].isna()].drop_duplicates("participant")
    reasons = lacking["reason"].map(_in_short).value_counts(sort=True)
    left = tuple((str(reason), int(count)) for reason, count in reasons.items())
    label = f"{measure.label}, in every condition"
    return Step(f"complete_{measure.id}", label, len(study.participants) - len(lacking), left)


def _in_short(reason: str) -> str:
    if reason.startswith(EXCLUDED):
        return "excluded by declaration"
    return "too few answers" if "answered" in reason else reason
