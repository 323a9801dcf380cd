"""Findings on collected data that a person should look at. None of them excludes anything.

Faults that make data unreadable are raised by the readers; what is found here the analysis goes on with.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

from workbench.errors import Finding
from workbench.instrument import Instrument, Scale
from workbench.measure import EXCLUDED, NOT_COLLECTED, SETTING, Measure
from workbench.quality.missing import countable, in_sessions, item_gaps, stopped_early, to_items
from workbench.responses.names import looked_up
from workbench.responses.questionnaires import NOT_APPLICABLE, SKIPPED, Responses
from workbench.responses.session_log import SessionLog
from workbench.responses.times import Times
from workbench.scoring import scored_answers
from workbench.study import STUDY_FILE, Questionnaire, Study, plan_changed

if TYPE_CHECKING:
    import pandas as pd

FEW_PARTICIPANTS = 20
PLACES_NAMED = 8
LEAST_FOR_CORRELATION = 8
"""Rows below which a correlation of an item with its scale says nothing about its key."""

OFTEN_SKIPPED = 0.1
"""Share of sessions from which on an item that is left open is named."""

QUICK = 2.0
"""Seconds an item below which a session is named (Huang et al. 2012, J Bus Psychol 27:99; from memory)."""

RATED = ("likert", "differential", "numeric", "choice")
"""Formats whose answers have a place between two ends."""


def quality_findings(
    study: Study, responses: Responses, measures: Sequence[Measure], log: SessionLog | None, times: Times | None = None
) -> list[Finding]:
    """Everything worth a look."""
    findings = [
        *study.notes,
        *_plan(study),
        *_participation(measures),
        *_orders(study, log),
        *_missing(study, responses),
        *_missing_pattern(study, responses),
        *(_quick(times) if times else ()),
    ]
    for questionnaire in study.declared.questionnaires:
        for use in questionnaire.instruments:
            instrument = study.instruments[use.id]
            answers = responses.answers[
                (responses.answers["questionnaire"] == questionnaire.id) & (responses.answers["instrument"] == use.id)
            ]
            findings += _patterns(questionnaire, instrument, answers)
        findings += _same_answer_throughout(study, questionnaire, responses.answers)
    return findings


def _plan(study: Study) -> list[Finding]:
    plan = study.plan
    findings = []
    if plan.frozen is None:
        findings.append(
            Finding(
                "note",
                "plan not frozen",
                STUDY_FILE,
                "plan",
                "The analysis plan has no date.",
                "`workbench plan STUDY freeze` writes the date and the plan's hash, best before the data are seen.",
                "common practice",
            )
        )
    if plan_changed(plan):
        findings.append(
            Finding(
                "attention",
                "plan changed",
                STUDY_FILE,
                "plan",
                f"The plan is no longer the one frozen on {plan.frozen.on if plan.frozen else ''}.",
                "Undo the change, or declare it under plan.departures and report it.",
                "common practice",
            )
        )
    if not plan.primary:
        findings.append(
            Finding(
                "attention",
                "no primary measure",
                STUDY_FILE,
                "plan.primary",
                "No measure is named as primary, so every test is exploratory.",
                "Name the primary measures, best before the data are seen.",
                "common practice",
            )
        )
    if len(study.conditions) == 1:
        findings.append(
            Finding(
                "attention",
                "one condition",
                STUDY_FILE,
                "conditions",
                "There is one condition, so nothing is compared.",
                "Scores, reliability and descriptives are there all the same.",
            )
        )
    n = len(study.participants)
    if plan.target_n and n != plan.target_n:
        gone = study.declared.participants.withdrawn
        withdrew = f" {gone} withdrew." if gone else ""
        findings.append(
            Finding(
                "note",
                "number of participants",
                STUDY_FILE,
                "participants",
                f"{plan.target_n} participants were planned, {n} are declared.{withdrew}",
                "Report both numbers.",
            )
        )
    if 0 < n < FEW_PARTICIPANTS:
        findings.append(
            Finding(
                "note",
                "small sample",
                STUDY_FILE,
                "participants",
                f"With {n} participants intervals are wide and rank tests can miss effects of middling size.",
                "Read the intervals; no significance is no proof of no difference.",
                "common practice",
            )
        )
    return findings


def _participation(measures: Sequence[Measure]) -> list[Finding]:
    """Participants without values in some conditions or occasions, on all measures or on some."""
    findings = []
    for asked in ("per_condition", "before_after", "once"):
        people: dict[tuple[str, tuple[str, ...]], list[str]] = {}
        for (participant, which), places in _places_without_values(
            [measure for measure in measures if measure.asked == asked]
        ).items():
            people.setdefault((", ".join(filter(None, places)), which), []).append(participant)
        for (settings, which), names in people.items():
            what = f"in {settings}" if settings else "to what was asked once"
            named = f" on {', '.join(which)}" if which else ""
            found = f"{_people(names)} {'has' if len(names) == 1 else 'have'} no answers {what}{named}."
            remedy = "Kept where there are answers; left out, and counted, where every condition is needed."
            findings.append(
                Finding(
                    "attention", "incomplete participants", STUDY_FILE, "participants", found, remedy, "common practice"
                )
            )
    return findings


def _places_without_values(measures: Sequence[Measure]) -> dict[tuple[str, tuple[str, ...]], list[str]]:
    """The conditions or occasions without values, by participant and the measures concerned: () where all of them are.

    What is excluded by declaration does not count as absent.
    """
    import pandas as pd

    if not measures:
        return {}
    values = pd.concat([measure.values.assign(measure=measure.id) for measure in measures])
    values = values[~values["reason"].str.startswith(EXCLUDED)]
    asked = values.groupby(SETTING, sort=False)["measure"].size()
    absent = values[values["reason"] == NOT_COLLECTED].groupby(SETTING, sort=False)["measure"].agg(tuple)
    places: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for place, which in absent.items():
        participant, condition, occasion = place
        concerned = () if len(which) == asked[place] else which
        places.setdefault((participant, concerned), []).append(condition or occasion)
    return places


def _people(names: Sequence[str]) -> str:
    more = f" and {len(names) - PLACES_NAMED} more" if len(names) > PLACES_NAMED else ""
    return ", ".join(names[:PLACES_NAMED]) + more


def _orders(study: Study, log: SessionLog | None) -> list[Finding]:
    if log is None:
        return []
    findings = list(log.findings)
    file = study.declared.session_log.file if study.declared.session_log else ""
    runs = log.runs.sort_values("position", kind="stable").groupby("participant")["condition"].agg(list)
    for participant in study.participants:
        run = runs.get(participant, [])
        planned = study.declared.sequences.get(study.assigned.get(participant, ""), [])
        if not run:
            findings.append(
                Finding(
                    "attention",
                    "order not logged",
                    file,
                    participant,
                    f"The log has no runs of {participant}.",
                    "Add them if they are known.",
                )
            )
        elif planned and run != planned[: len(run)]:
            findings.append(
                Finding(
                    "attention",
                    "order as run",
                    file,
                    participant,
                    f"{participant} ran {' > '.join(run)}; sequence {study.assigned[participant]} is {' > '.join(planned)}.",
                    "Report it as a departure; the analysis uses conditions, not positions.",
                    "common practice",
                )
            )
    return findings


def _missing(study: Study, responses: Responses) -> list[Finding]:
    """How many answers are missing in each file, by whom; answers in words, and sessions without any, are not counted."""
    findings = list(responses.findings)
    answers = in_sessions(countable(study, responses.answers))
    totals = answers.groupby(["questionnaire", "file"]).size()
    for (questionnaire, file, reason), rows in answers[answers["missing"] != ""].groupby(
        ["questionnaire", "file", "missing"], sort=False
    ):
        people = rows["participant"].value_counts(sort=True)
        named = ", ".join(f"{name} ({count})" for name, count in people.head(PLACES_NAMED).items())
        total = totals[questionnaire, file]
        what = {SKIPPED: "answers are missing", NOT_APPLICABLE: "answers are “not applicable”"}[reason]
        more = f" and {len(people) - PLACES_NAMED} more participants" if len(people) > PLACES_NAMED else ""
        findings.append(
            Finding(
                "note",
                "missing answers",
                file,
                f"questionnaire {questionnaire}",
                f"{len(rows)} of {total} {what}: {named}{more}.",
                "Scores follow the plan's missing rule; each score without enough answers says so.",
                "Parent 2013, The Counseling Psychologist 41:568",
            )
        )
    return findings


def _missing_pattern(study: Study, responses: Responses) -> list[Finding]:
    """Items that many leave open, and sessions that end before the questionnaire does."""
    files = {one.id: ", ".join(one.files) for one in study.declared.questionnaires}
    findings = [
        Finding(
            "note",
            "item often left open",
            files[one.questionnaire],
            f"item {one.item}",
            f"{one.skipped} of {one.sessions} sessions leave it open.",
            "Look at its wording, and whether it was shown to everybody; its answers may come from some people only.",
            "common practice",
        )
        for one in item_gaps(study, responses)
        if one.skipped > 1 and one.skipped / one.sessions >= OFTEN_SKIPPED
    ]
    return findings + [
        Finding(
            "note",
            "stopped early",
            files[questionnaire],
            participant,
            f"{participant} answered {answered} of {asked} items{f' in {setting}' if setting else ''}, and none after that.",
            "Look at the session notes: a page may have been missed, or the session broken off.",
            "common practice",
        )
        for questionnaire, participant, setting, answered, asked in stopped_early(study, responses)
    ]


def _quick(times: Times) -> list[Finding]:
    """Sessions answered in less time than reading takes, by participant and file."""
    sessions = times.sessions
    quick = sessions[
        (sessions["seconds"] < QUICK * sessions["answers"]) & (sessions["answers"] >= LEAST_FOR_CORRELATION)
    ]
    findings = list(times.findings)
    for (file, participant), rows in quick.groupby(["file", "participant"], sort=False):
        told = ", ".join(
            f"{row.seconds:.0f} s for {row.answers} items{f' in {where}' if (where := row.condition or row.occasion) else ''}"
            for row in rows.itertuples()
        )
        findings.append(
            Finding(
                "attention",
                "answered quickly",
                str(file),
                str(participant),
                f"{participant} took {told}: less than {QUICK:g} seconds an item.",
                "Look at the session notes. Quick answers are no proof of carelessness; exclude only by a rule fixed beforehand.",
                "Huang et al. 2012, Journal of Business and Psychology 27:99 (from memory)",
            )
        )
    return findings


def _patterns(questionnaire: Questionnaire, instrument: Instrument, answers: pd.DataFrame) -> list[Finding]:
    findings = []
    given = answers[answers["value"].notna()]
    spread = given.groupby("item", sort=False)["value"].agg(["size", "min", "max"])
    for item in spread.index[(spread["min"] == spread["max"]) & (spread["size"] > 1)]:
        rows = given[given["item"] == item]
        findings.append(
            Finding(
                "attention",
                "item never varies",
                ", ".join(dict.fromkeys(rows["file"])),
                f"item {item}",
                f"All {len(rows)} answers are {rows['value'].iloc[0]:g}.",
                "Check the export; such an item adds nothing to a scale and has no correlation.",
            )
        )
    for scale in instrument.scales:
        if len(scale.items) > 2:
            findings += _likely_wrong_keys(instrument, scale, answers)
        findings += _floor_and_ceiling(questionnaire, instrument, scale, answers)
    return findings


def _likely_wrong_keys(instrument: Instrument, scale: Scale, answers: pd.DataFrame) -> list[Finding]:
    """Items whose correlation with the rest of the scale is negative after reversal, file by file.

    Means of conditions are taken off first, so that differences between conditions do not hide it.
    """
    findings = []
    for file, part in answers.groupby("file", sort=False):
        rows = scored_answers(instrument, scale, part)
        wide = rows.pivot(index=SETTING, columns="item", values="value").dropna()
        centered = wide - wide.groupby(["condition", "occasion"]).transform("mean")
        if len(centered) < LEAST_FOR_CORRELATION:
            continue
        for item in centered.columns:
            r = centered[item].corr(centered.drop(columns=item).sum(axis=1))
            if r < 0:
                reverse = instrument.item(str(item)).reverse
                found = f"Item {item}, {'reversed' if reverse else 'not reversed'} as its key says, correlates −{abs(r):.2f} with the other items of {scale.id} (n = {len(centered)})."
                findings.append(
                    Finding(
                        "attention",
                        "likely wrong key",
                        str(file),
                        f"item {item}",
                        found,
                        "Compare the form with the instrument: the answers in this file, or the key, may run the wrong way. A weak item can do this too.",
                        "common practice: item-rest correlation",
                    )
                )
    return findings


def _floor_and_ceiling(
    questionnaire: Questionnaire, instrument: Instrument, scale: Scale, answers: pd.DataFrame
) -> list[Finding]:
    if questionnaire.asked != "per_condition":
        return []
    findings = []
    for condition, rows in answers[answers["item"].isin(scale.items) & answers["value"].notna()].groupby(
        "condition", sort=False
    ):
        for word, ends in _ends(instrument, scale).items():
            share = float((rows["value"] == looked_up(rows["item"], ends)).mean())
            if share > 0.5 and len(rows) >= LEAST_FOR_CORRELATION:
                findings.append(
                    Finding(
                        "note",
                        "floor or ceiling",
                        ", ".join(dict.fromkeys(rows["file"])),
                        f"{scale.id} in {condition}",
                        f"{round(100 * share)} % of {len(rows)} answers are the {word} possible.",
                        "Differences may be hidden at the end of the response scale.",
                    )
                )
    return findings


def _ends(instrument: Instrument, scale: Scale) -> dict[str, dict[str, float]]:
    """The answer to each item that counts lowest, and the one that counts highest, for what the scale measures."""
    ends = {item: instrument.response_of(item).range for item in scale.items}
    ends = {item: (high, low) if instrument.item(item).reverse else (low, high) for item, (low, high) in ends.items()}
    return {
        "lowest": {item: low for item, (low, _) in ends.items()},
        "highest": {item: high for item, (_, high) in ends.items()},
    }


def _same_answer_throughout(study: Study, questionnaire: Questionnaire, answers: pd.DataFrame) -> list[Finding]:
    """Participants whose answers to all rating items of a questionnaire stand at one place of their response scales.

    Where reversed items are among them nobody can mean that. Without any, a steady opinion looks the same: it is a note, and none
    at an end of the scale.
    """
    rated = {
        f"{use.id}.{item.id}": (item.reverse, study.instruments[use.id].response_of(item.id).range)
        for use in questionnaire.instruments
        for item in study.instruments[use.id].items
        if study.instruments[use.id].response_of(item.id).kind in RATED
    }
    rated = {which: (reverse, ends) for which, (reverse, ends) in rated.items() if isfinite(ends[1] - ends[0])}
    mine = answers[(answers["questionnaire"] == questionnaire.id) & answers["value"].notna()]
    mine = mine[to_items(mine, rated)]
    if mine.empty:
        return []
    which = mine["instrument"] + "." + mine["item"]
    low, high = (looked_up(which, {name: ends[place] for name, (_, ends) in rated.items()}) for place in (0, 1))
    mine = mine.assign(which=which, place=((mine["value"] - low) / (high - low)).round(9))
    spread = mine.groupby("participant", sort=False)["place"].agg(["size", "min", "max"])
    alike = spread.index[(spread["min"] == spread["max"]) & (spread["size"] >= LEAST_FOR_CORRELATION)]
    findings = []
    for participant, rows in mine[mine["participant"].isin(alike)].groupby("participant", sort=False):
        directions = {rated[name][0] for name in rows["which"].unique()}
        given = rows["value"].unique()
        what = f"{given[0]:g}" if len(given) == 1 else "the same place of the response scale"
        if len(directions) == 1 and rows["place"].iloc[0] in (0, 1):
            continue  # no symptom at all, or full marks: an end of the scale is a common true answer
        told = "reversed ones included" if len(directions) == 2 else "none of them worded the other way round"
        findings.append(
            Finding(
                "attention" if len(directions) == 2 else "note",
                "same answer throughout",
                ", ".join(dict.fromkeys(rows["file"])),
                str(participant),
                f"{participant} gave {what} to all {len(rows)} items, {told}.",
                "Look at the session notes. Answering alike is no proof of carelessness; exclude only by a rule fixed beforehand.",
                "common practice",
            )
        )
    return findings
