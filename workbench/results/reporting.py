"""What the data of a study answer of the reporting check-lists."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

from workbench.coding.presence import ANY
from workbench.report.table import Column, show
from workbench.report.tables.parts import code_labels, listing

if TYPE_CHECKING:
    from workbench.results.chain import Analysis

_COUNT = Column("n", "", "count")
MANY = 0.5
"""A code that at least this share of those interviewed raised is told as a major one."""


def standards_wanted(analysis: Analysis) -> list[str]:
    """The check-lists that fit what the study has."""
    interviews = analysis.evidence.study.declared.interviews is not None
    scores = bool(analysis.comparisons or analysis.compared.described)
    return (
        ["JARS-Quant"] * scores
        + ["JARS-Qual", "COREQ"] * interviews
        + ["JARS-Mixed", "GRAMMS"] * (scores and interviews)
    )


def filled_from_data(analysis: Analysis) -> dict[str, str]:
    """Answers by item id, each pointing to where the report tells it in full."""
    return {
        item: told
        for item, told in (_of_scores(analysis) | _of_interviews(analysis) | _of_both(analysis)).items()
        if told
    }


def _of_scores(analysis: Analysis) -> dict[str, str]:
    study, plan = analysis.evidence.study, analysis.evidence.study.plan
    labels = {one.id: one.label for one in analysis.evidence.measures}
    exclusions = study.declared.exclusions
    primary = listing([labels.get(one, one) for one in plan.primary])
    fixed = f"fixed on {plan.frozen.on.isoformat()}" if plan.frozen else "not fixed with a date"
    missing = sum(int(one.values["value"].isna().sum()) for one in analysis.evidence.measures)
    found = {
        "JARS-Quant-2": f"Primary measures: {primary}." if primary else "",
        "JARS-Quant-5": f"{plan.target_n} were planned, {len(study.participants)} took part." if plan.target_n else "",
        "JARS-Quant-6": "See the section Participants.",
        "JARS-Quant-8": f"{len(analysis.evidence.measures)} measures; see the table measures.",
        "JARS-Quant-9": "See the section Reliability." if analysis.reliabilities else "",
        "JARS-Quant-11": "See the section Order of the conditions." if analysis.compared.balance else "",
        "JARS-Quant-13": f"{len(exclusions)} declared, each with its reason; see Participants."
        if exclusions
        else "Nothing was left out.",
        "JARS-Quant-14": f"{missing} values of measures are missing; rule for scores: {plan.missing}; see Participants.",
        "JARS-Quant-15": f"The plan was {fixed}; {len(plan.departures)} departures are listed.",
        "JARS-Quant-16": "See Conditions compared." if analysis.comparisons else "",
        "JARS-Quant-17": "See Conditions compared." if analysis.comparisons else "",
        "JARS-Quant-18": f"Families: {listing([one.id for one in plan.families])}." if plan.families else "",
        "JARS-Quant-19": "Each test says whether it was planned." if analysis.comparisons else "",
        "JARS-Quant-20": f"study-workbench {version('study-workbench')}; all versions stand at the end.",
    }
    return found if analysis.evidence.measures else {}


def _of_interviews(analysis: Analysis) -> dict[str, str]:
    study = analysis.evidence.study
    declared, codings = study.declared.interviews, analysis.evidence.codings
    if declared is None or codings is None:
        return {}
    labels = code_labels(study)
    whole = [one for one in analysis.presence if one.condition == ANY]
    major = [labels.get(one.code, one.code) for one in whole if one.participants >= MANY * one.interviewed]
    minor = [labels.get(one.code, one.code) for one in whole if 0 < one.participants < MANY * one.interviewed]
    units = show(len(codings.rows[["transcript", "unit"]].drop_duplicates()), _COUNT)
    interviewed = f"{len(codings.interviewed)} of {len(study.participants)} participants were interviewed."
    guide = listing([one.label for one in declared.guide])
    coders = f"{len(declared.raters)}: {listing(declared.raters)}." if declared.raters else ""
    return {
        "JARS-Qual-2": f"{declared.mode.capitalize()}.",
        "JARS-Qual-5": interviewed,
        "JARS-Qual-8": guide,
        "JARS-Qual-9": f"Rounds of coding: {listing([one.id for one in declared.rounds])}; {units} units."
        if declared.rounds
        else "",
        "JARS-Qual-10": declared.units.capitalize() + ".",
        "JARS-Qual-11": "See Interviews." if analysis.agreement else "",
        "COREQ-12": interviewed,
        "COREQ-13": f"{study.declared.participants.withdrawn} withdrew from the study afterwards; reasons are not kept.",
        "COREQ-16": "See Asked once, or before and after." if analysis.compared.described else "",
        "COREQ-17": f"Questions: {guide}." if guide else "",
        "COREQ-22": "New information by base size and run length; see Interviews." if analysis.saturation else "",
        "COREQ-24": coders,
        "COREQ-25": f"{len(whole)} codes; see Interviews." if whole else "",
        "COREQ-27": f"study-workbench {version('study-workbench')}.",
        "COREQ-31": f"Raised by half of those interviewed or more: {listing(major)}." if major else "",
        "COREQ-32": f"Raised by fewer: {listing(minor)}." if minor else "",
    }


def _of_both(analysis: Analysis) -> dict[str, str]:
    study, codings = analysis.evidence.study, analysis.evidence.codings
    if codings is None or not analysis.evidence.measures:
        return {}
    strands = f"{len(study.participants)} participants answered questionnaires or trials; {len(codings.interviewed)} of them were interviewed."
    verdicts = [row.construct.verdict for row in analysis.joint if row.construct.verdict]
    told = f"{len(analysis.joint)} constructs side by side; {len(verdicts)} verdicts given." if analysis.joint else ""
    return {
        "JARS-Mixed-5": strands,
        "JARS-Mixed-7": told,
        "JARS-Mixed-8": listing(list(dict.fromkeys(verdicts))),
        "GRAMMS-3": strands,
        "GRAMMS-4": told,
    }
